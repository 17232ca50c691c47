//! Dry contacts: lines of the GPIO character device, or a file that stands for one.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use gpiocdev::Request;
use gpiocdev::line::{Bias, EdgeDetection, Value};
use tokio::io::unix::AsyncFd;
use tokio::time::{sleep, timeout};

use super::gpio;
use crate::config::plan::{ContactLine, InputLine};

/// Between looks whether a contact's file is there.
const LOOK: Duration = Duration::from_millis(20);

/// A contact that is watched. It takes a change for one when it has lasted for the debounce time.
pub struct Contact {
    line: Line,
    debounce: Duration,
    closed: bool,
}

enum Line {
    Gpio { request: AsyncFd<Request>, offset: u32 },
    File(PathBuf),
}

impl Contact {
    /// Claims the line, which the board's resistor pulls away from the contact, and takes it as it stands. Inside a tokio
    /// runtime.
    ///
    /// # Errors
    /// When the line is missing, busy or not permitted, in an installer's words.
    pub fn open(input: &InputLine) -> Result<Self, String> {
        let line = match &input.line {
            ContactLine::Gpio { chip, offset } => claim(chip, *offset, input.closed_low)?,
            ContactLine::File(path) => Line::File(path.clone()),
        };
        let mut contact = Contact {
            line,
            debounce: input.debounce,
            closed: false,
        };
        contact.closed = contact.reads_closed()?;
        Ok(contact)
    }

    pub fn is_closed(&self) -> bool {
        self.closed
    }

    /// Returns when the contact has closed or opened; which, [`Contact::is_closed`] says. Dropping the future loses nothing.
    ///
    /// # Errors
    /// When the line can be read no more.
    pub async fn changed(&mut self) -> Result<(), String> {
        loop {
            while self.reads_closed()? == self.closed {
                self.moved(None).await?;
            }
            // As long as it bounces it begins anew.
            let mut steady = true;
            let until = Instant::now() + self.debounce;
            while let Some(left) = until
                .checked_duration_since(Instant::now())
                .filter(|left| !left.is_zero())
            {
                self.moved(Some(left)).await?;
                if self.reads_closed()? == self.closed {
                    steady = false;
                    break;
                }
            }
            if steady && self.reads_closed()? != self.closed {
                self.closed = !self.closed;
                return Ok(());
            }
        }
    }

    /// Waits until the line may have moved, at most `limit`.
    async fn moved(&self, limit: Option<Duration>) -> Result<(), String> {
        match &self.line {
            Line::File(_) => sleep(limit.map_or(LOOK, |limit| limit.min(LOOK))).await,
            Line::Gpio { request, .. } => {
                let wait = async {
                    let mut ready = request.readable().await.map_err(|e| e.to_string())?;
                    while request.get_ref().has_edge_event().map_err(|e| e.to_string())? {
                        request.get_ref().read_edge_event().map_err(|e| e.to_string())?;
                    }
                    ready.clear_ready();
                    Ok(())
                };
                match limit {
                    Some(limit) => return timeout(limit, wait).await.unwrap_or(Ok(())),
                    None => return wait.await,
                }
            }
        }
        Ok(())
    }

    fn reads_closed(&self) -> Result<bool, String> {
        match &self.line {
            Line::File(path) => Ok(path.exists()),
            Line::Gpio { request, offset } => {
                let value = request.get_ref().value(*offset).map_err(|e| e.to_string())?;
                Ok(value == Value::Active)
            }
        }
    }
}

fn claim(chip: &str, offset: u32, closed_low: bool) -> Result<Line, String> {
    let path = gpio::find(chip)?;
    let mut builder = Request::builder();
    builder
        .on_chip(&path)
        .with_consumer(gpio::CONSUMER)
        .with_line(offset)
        .as_input()
        .with_edge_detection(EdgeDetection::BothEdges);
    if closed_low {
        builder.as_active_low().with_bias(Bias::PullUp);
    } else {
        builder.as_active_high().with_bias(Bias::PullDown);
    }
    let request = builder
        .request()
        .map_err(|error| gpio::explain(&path, offset, &error))?;
    // SAFETY: the request owns its descriptor, always gives the same one, and closes it only when it is dropped.
    let request = unsafe { AsyncFd::register(request) }.map_err(|error| error.to_string())?;
    Ok(Line::Gpio { request, offset })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn input(name: &str, debounce: u64) -> (PathBuf, InputLine) {
        let path = std::env::temp_dir().join(format!("hornwire-contact-{name}-{}", std::process::id()));
        let _ = std::fs::remove_file(&path);
        let input = InputLine {
            line: ContactLine::File(path.clone()),
            closed_low: true,
            debounce: Duration::from_millis(debounce),
        };
        (path, input)
    }

    #[tokio::test]
    async fn a_file_closes_and_opens_a_contact() {
        let (path, input) = input("file", 50);
        let mut contact = Contact::open(&input).unwrap();
        assert!(!contact.is_closed());
        std::fs::write(&path, "").unwrap();
        timeout(Duration::from_secs(5), contact.changed())
            .await
            .unwrap()
            .unwrap();
        assert!(contact.is_closed());
        std::fs::remove_file(&path).unwrap();
        timeout(Duration::from_secs(5), contact.changed())
            .await
            .unwrap()
            .unwrap();
        assert!(!contact.is_closed());
    }

    /// What bounces is not steady: nothing is told of it until it stays.
    #[tokio::test]
    async fn bouncing_does_not_count() {
        let (path, input) = input("bounce", 400);
        let mut contact = Contact::open(&input).unwrap();
        let other = path.clone();
        let start = Instant::now();
        let bounce = tokio::task::spawn_blocking(move || {
            for _ in 0..8 {
                std::fs::write(&other, "").unwrap();
                std::thread::sleep(Duration::from_millis(60));
                std::fs::remove_file(&other).unwrap();
                std::thread::sleep(Duration::from_millis(60));
            }
            std::fs::write(&other, "").unwrap();
            Instant::now()
        });
        timeout(Duration::from_secs(10), contact.changed())
            .await
            .unwrap()
            .unwrap();
        let told = Instant::now();
        assert!(contact.is_closed());
        let last = bounce.await.unwrap();
        assert!(
            told - last >= Duration::from_millis(330),
            "{:?} after {:?}",
            told - last,
            last - start
        );
        std::fs::remove_file(&path).unwrap();
    }

    #[tokio::test]
    async fn a_line_that_is_not_there_is_explained() {
        let (_, mut input) = input("none", 30);
        input.line = ContactLine::Gpio {
            chip: "gpiochip-of-nowhere".to_owned(),
            offset: 3,
        };
        let cause = Contact::open(&input).err().unwrap();
        assert!(cause.starts_with("no such GPIO chip"), "{cause}");
    }
}
