//! `--save`: a WAV file for each stream.

use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};

use hornwire::bench::listen::StreamId;
use hornwire::sound::RATE;
use hornwire::sound::quantise::Quantiser;

/// Files of one run.
pub const MAX_FILES: usize = 256;
/// Octets of all files together: more than six hours of one stream.
pub const MAX_OCTETS: u64 = 2 << 30;
/// Frames of silence that are held back for what may follow: five seconds.
const MAX_SILENCE: usize = 5 * RATE as usize;
/// Attempts at a name that nobody has.
const MAX_NAMES: u32 = 1000;

/// What is written, and how much may be.
pub struct Saver {
    directory: PathBuf,
    open: BTreeMap<u64, Wav>,
    /// By the stream's number; the bound is [`MAX_FILES`].
    names: BTreeMap<u64, PathBuf>,
    octets: u64,
    /// Told once, when nothing more is saved.
    trouble: Option<String>,
    has_stopped: bool,
    is_full: bool,
}

struct Wav {
    writer: hound::WavWriter<BufWriter<File>>,
    quantiser: Quantiser,
    /// Silence that is written once something follows it.
    silence: usize,
}

impl Saver {
    /// # Errors
    /// When the directory cannot be made.
    pub fn new(directory: &Path) -> io::Result<Saver> {
        fs::create_dir_all(directory)?;
        Ok(Saver {
            directory: directory.to_owned(),
            open: BTreeMap::new(),
            names: BTreeMap::new(),
            octets: 0,
            trouble: None,
            has_stopped: false,
            is_full: false,
        })
    }

    /// 48 kHz, mono. The last seconds of a stream's silent end are left out.
    pub fn write(&mut self, id: &StreamId, number: u64, samples: &[f32]) {
        if self.has_stopped {
            return;
        }
        if !self.names.contains_key(&number) {
            if self.names.len() >= MAX_FILES {
                // Those that are open go on: strangers may have made the others.
                if !std::mem::replace(&mut self.is_full, true) {
                    self.trouble = Some(format!("no new streams are saved: {MAX_FILES} files are the most"));
                }
                return;
            }
            match create(&self.directory, id) {
                Ok((wav, name)) => {
                    self.open.insert(number, wav);
                    self.names.insert(number, name);
                }
                Err(error) => return self.stop(format!("{}: {error}", self.directory.display())),
            }
        }
        let Some(wav) = self.open.get_mut(&number) else { return };
        if samples.iter().all(|x| *x == 0.0) && wav.silence < MAX_SILENCE {
            wav.silence += samples.len();
            return;
        }
        let octets = 2 * (wav.silence + samples.len()) as u64;
        if self.octets + octets > MAX_OCTETS {
            return self.stop(format!("{} MB are the most that is saved", MAX_OCTETS >> 20));
        }
        self.octets += octets;
        if let Err(error) = wav.write(samples) {
            self.stop(format!("{}: {error}", self.directory.display()));
        }
    }

    /// Closes a stream's file, and tells which one it is.
    pub fn close(&mut self, number: u64) -> Option<&Path> {
        if let Some(wav) = self.open.remove(&number)
            && let Err(error) = wav.writer.finalize()
        {
            self.stop(format!("{}: {error}", self.directory.display()));
        }
        self.file(number)
    }

    pub fn file(&self, number: u64) -> Option<&Path> {
        self.names.get(&number).map(PathBuf::as_path)
    }

    /// What went wrong since it was last asked.
    pub fn trouble(&mut self) -> Option<String> {
        self.trouble.take()
    }

    fn stop(&mut self, why: String) {
        if !std::mem::replace(&mut self.has_stopped, true) {
            self.trouble = Some(format!("no more is saved: {why}"));
        }
        self.close_all();
    }

    /// Closes what is still open.
    pub fn close_all(&mut self) {
        for (_, wav) in std::mem::take(&mut self.open) {
            let _ = wav.writer.finalize();
        }
    }
}

impl Wav {
    fn write(&mut self, samples: &[f32]) -> hound::Result<()> {
        for _ in 0..std::mem::take(&mut self.silence) {
            self.writer.write_sample(0i16)?;
        }
        for x in samples {
            self.writer.write_sample(self.quantiser.quantise(*x))?;
        }
        Ok(())
    }
}

/// `239.192.0.10-5004_192.0.2.7-40000_1a2b3c4d.wav`, or with `-2` and so on where that is there already.
fn create(directory: &Path, id: &StreamId) -> io::Result<(Wav, PathBuf)> {
    let part = |address: std::net::SocketAddr| format!("{}-{}", address.ip(), address.port()).replace(':', ".");
    let stem = format!("{}_{}_{:08x}", part(id.group), part(id.sender), id.ssrc);
    for n in 1..=MAX_NAMES {
        let name = match n {
            1 => format!("{stem}.wav"),
            n => format!("{stem}-{n}.wav"),
        };
        let path = directory.join(name);
        let file = match OpenOptions::new().write(true).create_new(true).open(&path) {
            Ok(file) => file,
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => continue,
            Err(error) => return Err(error),
        };
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: RATE,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let writer = hound::WavWriter::new(BufWriter::new(file), spec).map_err(io::Error::other)?;
        let wav = Wav {
            writer,
            quantiser: Quantiser::new(),
            silence: 0,
        };
        return Ok((wav, path));
    }
    Err(io::Error::new(
        io::ErrorKind::AlreadyExists,
        format!("{stem}.wav and {MAX_NAMES} more are there; name an empty directory"),
    ))
}
