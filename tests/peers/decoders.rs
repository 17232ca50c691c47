//! Decoders beside independent ones: FFmpeg's own of G.711, G.722 and Opus (not libopus) on the same packets of real speech, and
//! its readers on the same files of stored messages. In simulated time.

use std::io::Cursor;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};

use hornwire::media::encoder::Encoder;
use hornwire::media::{Codec, Format, Packet, PayloadMap, Playout, PlayoutSettings};
use hornwire::sound::level::Db;
use hornwire::sound::recording::{self, Player, Repeats};
use ogg::PacketReader;
use ogg::writing::{PacketWriteEndInfo, PacketWriter};

use crate::lab::Lab;
use crate::lab::process::run;
use crate::lab::speech::Speech;

fn ffmpeg() -> Command {
    let mut command = Command::new("ffmpeg");
    command.args(["-v", "error", "-y", "-nostdin"]);
    command
}

/// Headerless floats as FFmpeg decodes a file, one channel at this rate.
fn decoded(lab: &Lab, input: &[&str], file: &Path, rate: u32) -> Vec<f32> {
    let out = lab.path("decoded.f32");
    let mut command = ffmpeg();
    command
        .args(input)
        .arg("-i")
        .arg(file)
        .args(["-f", "f32le", "-ac", "1"]);
    run(command.args(["-ar", &rate.to_string()]).arg(&out));
    let octets = std::fs::read(out).unwrap();
    let samples = octets.chunks_exact(4);
    samples.map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect()
}

/// Packets of 20 ms through our playout.
fn played(codec: Codec, payloads: &[Vec<u8>]) -> Vec<f32> {
    let map = PayloadMap::new().with(96, Format::Audio(codec));
    let mut playout = Playout::new(&map, PlayoutSettings::default()).unwrap();
    let (start, mut out) = (Instant::now(), Vec::new());
    for (n, payload) in payloads.iter().enumerate() {
        let at = start + Duration::from_millis(20 * n as u64);
        let timestamp = n as u32 * codec.clock_rate() / 50;
        playout.push(&Packet::new(65_536 + n as u64, timestamp, 96, at, payload).unwrap());
        for block in 0..4 {
            let block = playout.next_block(at + Duration::from_millis(5 * block));
            assert!(n == 0 || block.rate == codec.playout_rate());
            out.extend(block.samples);
        }
    }
    let figures = playout.figures();
    assert_eq!((figures.late, figures.concealed_ms), (0, 0), "{codec:?}");
    out
}

/// Ratio of signal to difference, dB, at the shift within a tenth of a second at which they are most alike.
fn likeness(ours: &[f32], theirs: &[f32], rate: u32) -> f64 {
    let (most, rate) = (rate as usize / 10, rate as usize);
    let theirs = &theirs[most..];
    let error = |shift: usize, length: usize, from: usize| -> f64 {
        let ours = ours.iter().skip(shift + from);
        let pairs = ours.zip(theirs.iter().skip(from)).take(length);
        pairs.map(|(x, y)| f64::from(x - y).powi(2)).sum()
    };
    // A tenth of a second in the middle tells where.
    let shift = (0..=2 * most).min_by(|a, b| error(*a, rate / 10, rate).total_cmp(&error(*b, rate / 10, rate)));
    let length = theirs.len().min(ours.len() - 2 * most);
    let signal: f64 = theirs.iter().take(length).map(|x| f64::from(*x).powi(2)).sum();
    10.0 * (signal / error(shift.unwrap(), length, 0).max(1e-30)).log10()
}

/// RFC 7845: the packets of an Ogg file after its two headers.
fn from_ogg(file: &Path) -> Vec<Vec<u8>> {
    let mut reader = PacketReader::new(Cursor::new(std::fs::read(file).unwrap()));
    let packets = std::iter::from_fn(|| reader.read_packet().unwrap());
    packets.skip(2).map(|p| p.data).collect()
}

fn to_ogg(payloads: &[Vec<u8>]) -> Vec<u8> {
    let mut out = Vec::new();
    let mut writer = PacketWriter::new(&mut out);
    let head = [
        b"OpusHead\x01\x01".as_slice(),
        &[0, 0],
        &48_000u32.to_le_bytes(),
        &[0; 3],
    ]
    .concat();
    let tags = [b"OpusTags".as_slice(), &[0; 8]].concat();
    for packet in [head, tags] {
        writer.write_packet(packet, 1, PacketWriteEndInfo::EndPage, 0).unwrap();
    }
    for (n, payload) in payloads.iter().enumerate() {
        let end = match n + 1 == payloads.len() {
            true => PacketWriteEndInfo::EndStream,
            false => PacketWriteEndInfo::NormalPacket,
        };
        writer
            .write_packet(payload.clone(), 1, end, (n as u64 + 1) * 960)
            .unwrap();
    }
    drop(writer);
    out
}

/// One codec: how FFmpeg makes it, reads it, and how alike the two decoders must be, dB. G.711 and G.722 are exact by their
/// Recommendations; FFmpeg's own Opus decoder brings speech to 48 kHz by another filter than the reference decoder, which it
/// can use too.
const CODECS: [(Codec, &[&str], &[&str], f64); 5] = [
    (
        Codec::Pcmu,
        &["-c:a", "pcm_mulaw", "-f", "mulaw"],
        &["-f", "mulaw", "-ar", "8000", "-ac", "1"],
        150.0,
    ),
    (
        Codec::Pcma,
        &["-c:a", "pcm_alaw", "-f", "alaw"],
        &["-f", "alaw", "-ar", "8000", "-ac", "1"],
        150.0,
    ),
    (Codec::G722, &["-c:a", "g722", "-f", "g722"], &["-f", "g722"], 150.0),
    (
        Codec::Opus,
        &["-c:a", "libopus", "-b:a", "32k", "-application", "voip", "-f", "ogg"],
        &["-c:a", "opus", "-f", "ogg"],
        25.0,
    ),
    (
        Codec::Opus,
        &["-c:a", "libopus", "-b:a", "64k", "-application", "audio", "-f", "ogg"],
        &["-c:a", "libopus", "-f", "ogg"],
        70.0,
    ),
];

#[test]
#[ignore = "needs ffmpeg, sox and recorded speech"]
fn every_decoder_agrees_with_an_independent_one_on_both_encoders_packets() {
    let lab = Lab::new("decoders");
    let speech = Speech::long(&lab);
    for (codec, encode, decode, alike) in CODECS {
        let rate = codec.sample_rate();
        let octets = (rate as usize / 50) / if codec == Codec::G722 { 2 } else { 1 };
        let split = |stream: Vec<u8>| -> Vec<Vec<u8>> { stream.chunks_exact(octets).map(<[u8]>::to_vec).collect() };

        let made = lab.path("ffmpeg.coded");
        let mut command = ffmpeg();
        command
            .arg("-i")
            .arg(&speech.wide)
            .args(["-ac", "1", "-ar", &rate.to_string()]);
        run(command.args(encode).arg(&made));
        let theirs = match codec {
            Codec::Opus => from_ogg(&made),
            _ => split(std::fs::read(&made).unwrap()),
        };

        let mut encoder = Encoder::new(codec).unwrap();
        let spoken = decoded(&lab, &[], &speech.wide, rate);
        let ours: Vec<Vec<u8>> = spoken
            .chunks_exact(rate as usize / 50)
            .map(|frame| {
                let mut payload = Vec::new();
                encoder.encode(frame, &mut payload).unwrap();
                payload
            })
            .collect();

        for (who, payloads) in [("FFmpeg's", theirs), ("our", ours)] {
            let stream = match codec {
                Codec::Opus => to_ogg(&payloads),
                _ => payloads.concat(),
            };
            let file = lab.path("both.coded");
            std::fs::write(&file, stream).unwrap();
            let found = likeness(&played(codec, &payloads), &decoded(&lab, decode, &file, rate), rate);
            println!("{} by {who} encoder, {decode:?}: {found:.1} dB", codec.name());
            assert!(found > alike, "{} by {who} encoder: {found} dB", codec.name());
        }
    }
}

/// Files as people have them: every kind of sample, rate and number of channels, made by FFmpeg; FFmpeg reads them too.
#[test]
#[ignore = "needs ffmpeg, sox and recorded speech"]
fn stored_messages_are_read_as_an_independent_reader_does() {
    let lab = Lab::new("messages");
    let speech = Speech::short(&lab);
    let wav = [
        "pcm_u8",
        "pcm_s16le",
        "pcm_s24le",
        "pcm_s32le",
        "pcm_f32le",
        "pcm_f64le",
        "pcm_mulaw",
        "pcm_alaw",
    ];
    let rates = ["8000", "11025", "16000", "22050", "44100", "48000", "96000"];
    let mut files = Vec::new();
    for (i, codec) in wav.iter().enumerate() {
        for (j, rate) in rates.iter().enumerate() {
            files.push((*codec, *rate, if (i + j) % 2 == 0 { "1" } else { "2" }, "wav"));
        }
    }
    files.extend([("libopus", "48000", "1", "opus"), ("libopus", "48000", "2", "opus")]);
    for (codec, rate, channels, suffix) in files {
        let file = lab.path(&format!("{codec}-{rate}-{channels}.{suffix}"));
        let mut command = ffmpeg();
        command
            .arg("-i")
            .arg(&speech.wide)
            .args(["-c:a", codec, "-ar", rate, "-ac", channels]);
        run(command.arg(&file));
        let recording = recording::read(&mut std::fs::File::open(&file).unwrap());
        let recording = recording.unwrap_or_else(|e| panic!("{}: {e}", file.display()));
        let mut heard = vec![0.0; recording.frames()];
        Player::new(Arc::new(recording), Db(0.0), Repeats::ONCE).fill(&mut heard);
        heard.splice(0..0, vec![0.0; 4800]);
        heard.extend(vec![0.0; 9600]);
        let mean = lab.path("mean.wav");
        let mix = if channels == "2" {
            "pan=mono|c0=0.5*c0+0.5*c1"
        } else {
            "anull"
        };
        run(ffmpeg()
            .arg("-i")
            .arg(&file)
            .args(["-af", mix, "-c:a", "pcm_f32le"])
            .arg(&mean));
        let theirs = [vec![0.0; 4800], decoded(&lab, &[], &mean, 48_000)].concat();
        let found = likeness(&heard, &theirs, 48_000);
        println!("{codec} {rate} Hz, {channels} channels: {found:.1} dB");
        // The ends are faded; and two resamplers differ near half the rate, where narrow recordings still have sound.
        let least = if ["8000", "11025"].contains(&rate) { 30.0 } else { 45.0 };
        assert!(found > least, "{}: {found} dB", file.display());
    }
}
