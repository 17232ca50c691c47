//! Real recordings of speech (Debian's pocketsphinx-testdata: LibriVox readers) and their score afterwards.

use std::path::{Path, PathBuf};
use std::process::Command;

use super::process::run;
use super::{Lab, python, sources};

const RECORDINGS: &str = "/usr/share/pocketsphinx/test/data/librivox";

/// One text, in the forms that the peers want. G.711 is coded and decoded by ffmpeg, which stands outside the project.
pub struct Speech {
    pub seconds: f64,
    /// 8 kHz and 16 kHz WAV.
    pub narrow: PathBuf,
    pub wide: PathBuf,
    /// Headerless mu-law and A-law, 8 kHz.
    pub mulaw: PathBuf,
    pub alaw: PathBuf,
    /// The same text through G.711 and back, offline: what a perfect telephone line makes of it.
    pub round_trip_mulaw: PathBuf,
    pub round_trip_alaw: PathBuf,
}

impl Speech {
    /// About 12 s by one reader, with pauses.
    pub fn long(lab: &Lab) -> Speech {
        Speech::of(lab, "long", &["0870", "0890"])
    }

    /// About 3 s.
    pub fn short(lab: &Lab) -> Speech {
        Speech::of(lab, "short", &["0880"])
    }

    fn of(lab: &Lab, name: &str, parts: &[&str]) -> Speech {
        let parts: Vec<_> = parts
            .iter()
            .map(|p| format!("{RECORDINGS}/sense_and_sensibility_01_austen_64kb-{p}.wav"))
            .collect();
        let file = |suffix: &str| lab.path(&format!("{name}-{suffix}"));
        let (narrow, wide) = (file("8k.wav"), file("16k.wav"));
        for (path, rate) in [(&narrow, "8000"), (&wide, "16000")] {
            run(Command::new("sox")
                .arg("-D")
                .args(&parts)
                .args(["-r", rate, "-c", "1", "-b", "16"])
                .arg(path));
        }
        let g711 = |codec: &str, format: &str| {
            let (coded, back) = (file(&format!("{format}.raw")), file(&format!("{format}.wav")));
            let ffmpeg = || {
                let mut c = Command::new("ffmpeg");
                c.args(["-v", "error", "-y", "-nostdin"]);
                c
            };
            run(ffmpeg()
                .arg("-i")
                .arg(&narrow)
                .args(["-c:a", codec, "-f", format])
                .arg(&coded));
            run(ffmpeg()
                .args(["-f", format, "-ar", "8000", "-ac", "1", "-i"])
                .arg(&coded)
                .arg(&back));
            (coded, back)
        };
        let (mulaw, round_trip_mulaw) = g711("pcm_mulaw", "mulaw");
        let (alaw, round_trip_alaw) = g711("pcm_alaw", "alaw");
        let seconds = super::sound::read(&narrow).seconds();
        Speech {
            seconds,
            narrow,
            wide,
            mulaw,
            alaw,
            round_trip_mulaw,
            round_trip_alaw,
        }
    }
}

/// Wide-band speech through ffmpeg's G.722 (64 kbit/s) and back: what a perfect line makes of it.
pub fn g722_round_trip(wide: &Path, to: &Path) {
    let coded = to.with_extension("g722");
    let ffmpeg = || {
        let mut command = Command::new("ffmpeg");
        command.args(["-v", "error", "-y", "-nostdin"]);
        command
    };
    run(ffmpeg()
        .arg("-i")
        .arg(wide)
        .args(["-c:a", "g722", "-f", "g722"])
        .arg(&coded));
    run(ffmpeg().args(["-f", "g722", "-i"]).arg(&coded).arg(to));
}

#[derive(Debug, Clone, Copy)]
pub enum Band {
    /// P.862, 8 kHz.
    Narrow,
    /// P.862.2, 16 kHz.
    Wide,
}

/// What the measure says.
#[derive(Debug, Clone, Copy)]
pub struct Score {
    pub score: f64,
    pub baseline: f64,
    /// Seconds into the recording where the speech begins.
    pub at: f64,
    /// dB over what was spoken.
    pub level: f64,
}

/// Aligns a recording's channel (from 0) with what was spoken, and scores it and the baseline against that.
pub fn score(band: Band, spoken: &Path, recording: &Path, channel: u8, baseline: &Path) -> Score {
    let band = match band {
        Band::Narrow => "narrow",
        Band::Wide => "wide",
    };
    let said = run(python()
        .arg(sources().join("python/score.py"))
        .arg(band)
        .arg(spoken)
        .arg(channel.to_string())
        .arg(recording)
        .arg(baseline));
    let number = |key: &str| -> f64 {
        let (_, rest) = said
            .split_once(&format!("\"{key}\": "))
            .unwrap_or_else(|| panic!("no {key} in {said}"));
        let end = rest.find([',', '}']).expect("the end of a number");
        rest[..end].parse().unwrap_or_else(|e| panic!("{key} in {said}: {e}"))
    };
    Score {
        score: number("score"),
        baseline: number("baseline"),
        at: number("at"),
        level: number("level"),
    }
}

/// The project's bar: within 0.15 of the same speech through an ideal line.
#[track_caller]
pub fn must_be_as_good(what: &str, score: Score) {
    println!(
        "{what}: PESQ {:.3}, ideal line {:.3}, level {:+.1} dB, from {:.2} s on",
        score.score, score.baseline, score.level, score.at
    );
    assert!(score.score >= score.baseline - 0.15, "{what}: {score:?}");
}
