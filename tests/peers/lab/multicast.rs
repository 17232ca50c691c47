//! Senders of RTP, mostly multicast: GStreamer, paced packet by packet.

use std::net::SocketAddr;
use std::path::Path;
use std::process::Command;

use super::process::{Process, run};

/// Where a sender sends.
#[derive(Debug, Clone, Copy)]
pub struct Group {
    pub address: &'static str,
    pub port: u16,
}

impl Group {
    fn sink(&self) -> String {
        format!(
            "udpsink host={} port={} ttl-mc=1 bind-address=127.0.0.1 multicast-iface=lo auto-multicast=false sync=true",
            self.address, self.port
        )
    }
}

/// Opus parameters as in paging practice: mono voice with in-band FEC (RFC 7587 §3.3).
const OPUS: &str = "audio/x-raw,rate=48000,channels=1 ! opusenc bitrate=32000 frame-size=20 inband-fec=true \
                    packet-loss-percentage=10 audio-type=voice";

fn pipeline(text: &str) -> Command {
    let mut command = Command::new("gst-launch-1.0");
    command.arg("-q").args(text.split_whitespace());
    command
}

/// G.711 mu-law, 20 ms a packet, payload type 0 (RFC 3551).
pub fn send_pcmu(group: Group, narrow: &Path) -> Process {
    Process::start(
        "gst-pcmu",
        &mut pipeline(&format!(
            "filesrc location={} ! wavparse ! audioconvert ! audiobuffersplit output-buffer-duration=1/50 ! mulawenc \
             ! rtppcmupay min-ptime=20000000 max-ptime=20000000 ! {}",
            narrow.display(),
            group.sink()
        )),
    )
}

/// How GStreamer's `srtpenc` (libsrtp) protects a stream.
#[derive(Debug, Clone, Copy)]
pub struct Srtp {
    /// Key and salt, hexadecimal.
    pub key: &'static str,
    pub cipher: &'static str,
    pub tag: &'static str,
}

/// PCMU as above, by SRTP.
pub fn send_pcmu_protected(group: Group, narrow: &Path, srtp: Srtp) -> Process {
    let Srtp { key, cipher, tag } = srtp;
    Process::start(
        "gst-srtp",
        &mut pipeline(&format!(
            "filesrc location={} ! wavparse ! audioconvert ! audiobuffersplit output-buffer-duration=1/50 ! mulawenc \
             ! rtppcmupay min-ptime=20000000 max-ptime=20000000 ! srtpenc key={key} rtp-cipher={cipher} rtp-auth={tag} \
             rtcp-cipher={cipher} ! {}",
            narrow.display(),
            group.sink()
        )),
    )
}

/// A-law from one address and port to another, payload type 8 (RFC 3551).
pub fn send_pcma(from: SocketAddr, to: SocketAddr, narrow: &Path) -> Process {
    Process::start(
        "gst-pcma",
        &mut pipeline(&format!(
            "filesrc location={} ! wavparse ! audioconvert ! audiobuffersplit output-buffer-duration=1/50 ! alawenc \
             ! rtppcmapay min-ptime=20000000 max-ptime=20000000 ! udpsink host={} port={} bind-address={} bind-port={} \
             sync=true",
            narrow.display(),
            to.ip(),
            to.port(),
            from.ip(),
            from.port()
        )),
    )
}

/// The same stream to two groups, packet by packet.
pub fn send_pcmu_twice(groups: [Group; 2], narrow: &Path) -> Process {
    let [a, b] = groups.map(|g| format!("{}:{}", g.address, g.port));
    Process::start(
        "gst-pcmu-twice",
        &mut pipeline(&format!(
            "filesrc location={} ! wavparse ! audioconvert ! audiobuffersplit output-buffer-duration=1/50 ! mulawenc \
             ! rtppcmupay min-ptime=20000000 max-ptime=20000000 ! multiudpsink clients={a},{b} ttl-mc=1 \
             bind-address=127.0.0.1 auto-multicast=false sync=true",
            narrow.display()
        )),
    )
}

/// Opus (RFC 7587), payload type 111.
pub fn send_opus(group: Group, wide: &Path) -> Process {
    Process::start(
        "gst-opus",
        &mut pipeline(&format!(
            "filesrc location={} ! wavparse ! audioconvert ! audioresample ! {OPUS} ! rtpopuspay pt=111 ! {}",
            wide.display(),
            group.sink()
        )),
    )
}

/// A mu-law tone that goes on until the process is ended.
pub fn send_tone(group: Group, hertz: u32) -> Process {
    Process::start(
        "gst-tone",
        &mut pipeline(&format!(
            "audiotestsrc is-live=true freq={hertz} volume=0.3 samplesperbuffer=160 ! audio/x-raw,rate=8000,channels=1 \
             ! mulawenc ! rtppcmupay min-ptime=20000000 max-ptime=20000000 ! {}",
            group.sink()
        )),
    )
}

/// The same Opus stream, decoded offline by GStreamer: what an ideal network makes of the speech.
pub fn opus_round_trip(wide: &Path, to: &Path) {
    run(&mut pipeline(&format!(
        "filesrc location={} ! wavparse ! audioconvert ! audioresample ! {OPUS} ! opusdec ! audioconvert ! wavenc \
         ! filesink location={}",
        wide.display(),
        to.display()
    )));
}
