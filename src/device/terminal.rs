//! The terminal: a line that is typed and not shown.

use std::io::{self, BufRead as _, IsTerminal as _};
use std::os::fd::AsRawFd as _;

/// Shows again what is typed, whatever happens meanwhile.
struct Hidden {
    before: libc::termios,
}

impl Hidden {
    fn new(fd: i32) -> io::Result<Self> {
        let mut before = std::mem::MaybeUninit::<libc::termios>::uninit();
        // SAFETY: `before` is large enough for what tcgetattr(3) writes, and read only after it has succeeded.
        let before = unsafe {
            if libc::tcgetattr(fd, before.as_mut_ptr()) != 0 {
                return Err(io::Error::last_os_error());
            }
            before.assume_init()
        };
        let mut hidden = before;
        hidden.c_lflag &= !libc::ECHO;
        hidden.c_lflag |= libc::ECHONL;
        // SAFETY: `hidden` is a whole termios that lives through the call.
        if unsafe { libc::tcsetattr(fd, libc::TCSAFLUSH, &hidden) } != 0 {
            return Err(io::Error::last_os_error());
        }
        Ok(Hidden { before })
    }
}

impl Drop for Hidden {
    fn drop(&mut self) {
        // SAFETY: `before` is a whole termios that lives through the call.
        unsafe { libc::tcsetattr(io::stdin().as_raw_fd(), libc::TCSAFLUSH, &self.before) };
    }
}

/// Whether somebody types.
pub fn is_typed() -> bool {
    io::stdin().is_terminal()
}

/// Columns and rows of the terminal that standard output is; `None` where it is none, or does not say.
pub fn size() -> Option<(usize, usize)> {
    if !io::stdout().is_terminal() {
        return None;
    }
    let mut size = std::mem::MaybeUninit::<libc::winsize>::zeroed();
    // SAFETY: `size` is large enough for what TIOCGWINSZ writes (ioctl_tty(2)); zeros are a valid one too.
    let size = unsafe {
        if libc::ioctl(io::stdout().as_raw_fd(), libc::TIOCGWINSZ, size.as_mut_ptr()) != 0 {
            return None;
        }
        size.assume_init()
    };
    (size.ws_col > 0 && size.ws_row > 0).then(|| (size.ws_col.into(), size.ws_row.into()))
}

/// One line of standard input without its end; on a terminal it is not shown.
///
/// # Errors
/// When standard input ends or cannot be read, or the terminal does not obey.
pub fn read_hidden() -> io::Result<String> {
    let _hidden = is_typed().then(|| Hidden::new(io::stdin().as_raw_fd())).transpose()?;
    let mut line = String::new();
    if io::stdin().lock().read_line(&mut line)? == 0 {
        return Err(io::ErrorKind::UnexpectedEof.into());
    }
    Ok(line.trim_end_matches(['\n', '\r']).to_owned())
}
