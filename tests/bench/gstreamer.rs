//! The yardstick: a GStreamer pipeline that does the same job, RTP to 48 kHz output.

use std::net::SocketAddr;
use std::path::Path;
use std::process::{Command, Stdio};

use crate::Failure;
use crate::program::{Ended, spawn};

/// Where the pipeline plays.
pub enum Output<'a> {
    /// ALSA's `pulse` device with this buffer, on the right channel.
    Alsa { buffer_ms: u32, period_ms: u32 },
    /// A file, at the pace of the clock.
    File(&'a Path),
}

pub const LAUNCH: &str = "gst-launch-1.0";

/// Plays a multicast group of PCMU on `lo`. The command is [`LAUNCH`], perhaps behind another program.
pub fn play(
    command: Command,
    group: SocketAddr,
    jitter_buffer_ms: u32,
    output: &Output<'_>,
    prepare: impl FnOnce(&mut Command),
) -> Result<Ended, Failure> {
    let chain = format!("rtpjitterbuffer latency={jitter_buffer_ms} ! rtppcmudepay ! mulawdec");
    launch(command, group, &chain, output, prepare)
}

/// The same with concealment: lost packets are announced, and made up for by `spanplc`.
pub fn conceal(
    command: Command,
    group: SocketAddr,
    jitter_buffer_ms: u32,
    output: &Output<'_>,
    prepare: impl FnOnce(&mut Command),
) -> Result<Ended, Failure> {
    let buffer = format!("rtpjitterbuffer latency={jitter_buffer_ms} do-lost=true");
    let chain = format!("{buffer} ! rtppcmudepay ! mulawdec plc=false ! spanplc");
    launch(command, group, &chain, output, prepare)
}

fn launch(
    mut command: Command,
    group: SocketAddr,
    chain: &str,
    output: &Output<'_>,
    prepare: impl FnOnce(&mut Command),
) -> Result<Ended, Failure> {
    let mut line = format!(
        "udpsrc address={} port={} multicast-iface=lo \
         caps=application/x-rtp,media=audio,clock-rate=8000,encoding-name=PCMU,payload=0 \
         ! {chain} ! audioresample \
         ! audio/x-raw,rate=48000 ! audioconvert ! ",
        group.ip(),
        group.port()
    );
    match output {
        Output::Alsa { buffer_ms, period_ms } => {
            line += &format!(
                "audiopanorama panorama=1 ! audio/x-raw,format=S16LE,channels=2 \
                 ! alsasink device=pulse buffer-time={} latency-time={}",
                buffer_ms * 1000,
                period_ms * 1000
            );
        }
        Output::File(path) => line += &format!("filesink sync=true location={}", path.display()),
    }
    command
        .arg("-q")
        .args(line.split_whitespace())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    prepare(&mut command);
    spawn(&mut command)
}
