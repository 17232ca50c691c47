//! A fence around a socket: the kernel drops what comes from elsewhere, before it takes room in the receive buffer.
//!
//! Classic BPF, which needs no privilege (socket(7), `SO_ATTACH_FILTER`). Connecting the socket would do the same for
//! one source, but could not be undone without losing what waits, and would not let a second one in.

use std::io;
use std::net::{IpAddr, SocketAddr};

use libc::{BPF_ABS, BPF_H, BPF_JEQ, BPF_JMP, BPF_K, BPF_LD, BPF_RET, BPF_W, SKF_NET_OFF};
use socket2::{SockFilter, SockRef};

use super::DatagramSocket;

/// Most sources that may be let in.
pub const MAX_FENCE: usize = 4;

impl DatagramSocket {
    /// From now on only datagrams from these sources arrive; what waits already is still there. An empty list takes the
    /// fence down.
    ///
    /// # Errors
    /// More than [`MAX_FENCE`] sources; the system's.
    pub fn fence(&self, sources: &[SocketAddr]) -> io::Result<()> {
        // In a simulated network there is no kernel to spare the work.
        let Some(socket) = self.socket().map(SockRef::from) else {
            return Ok(());
        };
        if sources.is_empty() {
            return socket.detach_filter();
        }
        if sources.len() > MAX_FENCE {
            return Err(io::ErrorKind::InvalidInput.into());
        }
        socket.attach_filter(&program(sources))
    }
}

/// One instruction; a test that fails skips `over` of them.
fn step(code: u32, over: usize, k: u32) -> SockFilter {
    SockFilter::new(code as u16, 0, over as u8, k)
}

/// For each source: address, then port; the first that fits lets the datagram in. The network header is reached by
/// its own offset, and the UDP header is where the data begins.
fn program(sources: &[SocketAddr]) -> Vec<SockFilter> {
    let net = SKF_NET_OFF as u32;
    let mut out = Vec::new();
    for source in sources {
        // Where the source address lies (RFC 791 §3.1, RFC 8200 §3).
        let (at, words): (u32, Vec<u32>) = match source.ip() {
            IpAddr::V4(ip) => (12, vec![ip.to_bits()]),
            IpAddr::V6(ip) => {
                let bits = ip.to_bits();
                (8, (0..4).map(|i| (bits >> (96 - 32 * i)) as u32).collect())
            }
        };
        let checks = words.len() + 1;
        for i in 0..checks {
            let (size, offset, wanted) = match words.get(i) {
                Some(word) => (BPF_W, net.wrapping_add(at + 4 * i as u32), *word),
                None => (BPF_H, 0, u32::from(source.port())),
            };
            out.push(step(BPF_LD | size | BPF_ABS, 0, offset));
            // To the next source: over the checks that are left, and the letting in.
            let over = 2 * (checks - 1 - i) + 1;
            out.push(step(BPF_JMP | BPF_JEQ | BPF_K, over, wanted));
        }
        out.push(step(BPF_RET | BPF_K, 0, u32::MAX));
    }
    out.push(step(BPF_RET | BPF_K, 0, 0));
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::disallowed_methods)]

    use super::*;
    use crate::device::net::rtp_socket;
    use std::net::UdpSocket;
    use std::time::Duration;

    async fn heard(host: &str) {
        let local: IpAddr = host.parse().unwrap();
        let (socket, port) = rtp_socket(local, 30_000..=30_400, 30_000).unwrap();
        let [one, two, three] = [(); 3].map(|()| UdpSocket::bind((local, 0)).unwrap());
        let all = || {
            for (sender, octet) in [(&one, 1u8), (&two, 2), (&three, 3)] {
                sender.send_to(&[octet; 200], (local, port)).unwrap();
            }
        };
        let mut got = Vec::new();
        let mut take = async || {
            got.clear();
            let mut buffer = [0; 1500];
            while let Ok(Ok(datagram)) =
                tokio::time::timeout(Duration::from_millis(100), socket.recv(&mut buffer)).await
            {
                assert_eq!(datagram.len, 200);
                got.push(buffer[0]);
            }
            got.clone()
        };
        let address = |s: &UdpSocket| s.local_addr().unwrap();
        all();
        assert_eq!(take().await, [1, 2, 3]);
        socket.fence(&[address(&two)]).unwrap();
        all();
        assert_eq!(take().await, [2]);
        socket.fence(&[address(&three), address(&one)]).unwrap();
        all();
        assert_eq!(take().await, [1, 3]);
        // The same port elsewhere is somebody else.
        let mut elsewhere = address(&one);
        elsewhere.set_ip(if local.is_ipv4() {
            "127.0.0.9".parse().unwrap()
        } else {
            "::2".parse().unwrap()
        });
        socket.fence(&[elsewhere]).unwrap();
        all();
        assert!(take().await.is_empty());
        socket.fence(&[]).unwrap();
        all();
        assert_eq!(take().await, [1, 2, 3]);
        assert!(socket.fence(&[elsewhere; MAX_FENCE + 1]).is_err());
    }

    #[tokio::test]
    async fn only_those_inside_are_heard() {
        heard("127.0.0.1").await;
        heard("::1").await;
    }
}
