//! GPIO chips: where they are, and what the kernel's refusals mean.

use std::path::{Path, PathBuf};

use gpiocdev::Chip;

/// Who holds the line, as `gpioinfo` shows it.
pub const CONSUMER: &str = "hornwire";

/// A path, a name under /dev such as `gpiochip0`, or a label such as `pinctrl-bcm2711`, which stays when chips are
/// numbered anew.
pub fn find(chip: &str) -> Result<PathBuf, String> {
    if chip.contains('/') {
        let path = PathBuf::from(chip);
        return match path.exists() {
            true => Ok(path),
            false => Err(no_chip()),
        };
    }
    let path = Path::new("/dev").join(chip);
    if path.exists() {
        return Ok(path);
    }
    let labelled: Vec<PathBuf> = chips().into_iter().filter(|(_, l)| l == chip).map(|(p, _)| p).collect();
    match labelled.as_slice() {
        [one] => Ok(one.clone()),
        [] => Err(no_chip()),
        several => Err(format!(
            "{} GPIO chips have this label: give a path under /dev instead",
            several.len()
        )),
    }
}

fn chips() -> Vec<(PathBuf, String)> {
    let label = |path: PathBuf| {
        let label = Chip::from_path(&path).and_then(|c| c.info()).map(|i| i.label);
        (path, label.unwrap_or_default())
    };
    gpiocdev::chip::chips()
        .unwrap_or_default()
        .into_iter()
        .map(label)
        .collect()
}

fn no_chip() -> String {
    let present: Vec<String> = chips()
        .into_iter()
        .map(|(path, label)| format!("{} ({label})", path.display()))
        .collect();
    match present.as_slice() {
        [] => "no such GPIO chip; there is none at all on this machine".to_owned(),
        some => format!("no such GPIO chip; there are: {}", some.join(", ")),
    }
}

/// What the installer can do about it, from the kernel's error number.
pub fn explain(path: &Path, offset: u32, error: &gpiocdev::Error) -> String {
    let number = match error {
        gpiocdev::Error::Os(number) | gpiocdev::Error::Uapi(_, gpiocdev_uapi::Error::Os(number)) => number.0,
        _ => return error.to_string(),
    };
    let chip = Chip::from_path(path).ok();
    match number {
        libc::EBUSY => {
            let holder = chip.and_then(|c| c.line_info(offset).ok()).map(|i| i.consumer);
            match holder.filter(|h| !h.is_empty()) {
                Some(holder) => format!("the line is in use by {holder:?}"),
                None => "the line is in use".to_owned(),
            }
        }
        libc::EACCES | libc::EPERM => {
            "not permitted: is the service's user in the group that owns the chip?".to_owned()
        }
        libc::EINVAL => match chip.and_then(|c| c.info().ok()) {
            Some(info) if offset >= info.num_lines => {
                format!("the chip has lines 0 to {} only", info.num_lines.saturating_sub(1))
            }
            _ => "the chip cannot use this line so".to_owned(),
        },
        _ => error.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use gpiocdev::UapiCall;
    use gpiocdev_uapi::{Errno, Error as Uapi};

    use super::*;

    #[test]
    fn the_kernels_refusals_are_explained() {
        let nowhere = Path::new("/dev/gpiochip-of-nowhere");
        let opening = |number| explain(nowhere, 17, &gpiocdev::Error::Os(Errno(number)));
        let asking = |number| {
            let error = gpiocdev::Error::Uapi(UapiCall::GetLine, Uapi::Os(Errno(number)));
            explain(nowhere, 17, &error)
        };
        assert!(opening(libc::EACCES).starts_with("not permitted: "));
        assert!(asking(libc::EPERM).starts_with("not permitted: "));
        assert_eq!(asking(libc::EBUSY), "the line is in use");
        assert_eq!(asking(libc::EINVAL), "the chip cannot use this line so");
        assert!(asking(libc::ENODEV).contains("os error 19"));
    }
}
