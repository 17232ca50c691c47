//! Network interfaces by name or address.

use std::collections::BTreeMap;
use std::ffi::CString;
use std::io;
use std::net::IpAddr;

use webrtc_util::ifaces::ifaces;

use super::NetError;

/// One interface of this machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Found {
    pub name: String,
    pub index: u32,
}

/// Finds an interface by its name, or by an address that it has.
///
/// # Errors
/// [`NetError::NoInterface`], naming those there are.
pub(super) fn find(wanted: &str) -> io::Result<Found> {
    let name = match wanted.parse::<IpAddr>() {
        Ok(address) => ifaces()?
            .into_iter()
            .find(|i| i.addr.is_some_and(|a| a.ip() == address))
            .map(|i| i.name),
        Err(_) => Some(wanted.to_owned()),
    };
    name.and_then(|name| index(&name).map(|index| Found { name, index }))
        .ok_or_else(|| {
            NetError::NoInterface {
                wanted: wanted.to_owned(),
                present: present().unwrap_or_else(|cause| format!("unknown ({cause})")),
            }
            .into()
        })
}

/// Every address of this machine; none if it does not say.
pub(super) fn addresses() -> Vec<IpAddr> {
    let all = ifaces().unwrap_or_default().into_iter();
    all.filter_map(|interface| interface.addr)
        .map(|address| address.ip())
        .collect()
}

fn index(name: &str) -> Option<u32> {
    let name = CString::new(name).ok()?;
    // SAFETY: `name` is a NUL-terminated string that outlives the call, and the call keeps no pointer to it.
    let index = unsafe { libc::if_nametoindex(name.as_ptr()) };
    (index != 0).then_some(index)
}

/// "eth0 (192.0.2.7, 2001:db8::7), lo (127.0.0.1)".
fn present() -> io::Result<String> {
    let mut all: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for interface in ifaces()? {
        let addresses = all.entry(interface.name).or_default();
        if let Some(address) = interface.addr {
            addresses.push(address.ip().to_string());
        }
    }
    let named = all.into_iter().map(|(name, addresses)| match addresses.as_slice() {
        [] => name,
        some => format!("{name} ({})", some.join(", ")),
    });
    Ok(named.collect::<Vec<_>>().join(", "))
}
