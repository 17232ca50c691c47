//! A packet capture, as `tcpdump -w` and `tshark -w` write it, taken apart to UDP datagrams.
//!
//! Both file formats (pcap, draft-ietf-opsawg-pcap; pcapng, draft-ietf-opsawg-pcapng), the link types of wired networks and of
//! Linux's "any" and loopback interfaces. IP fragments are put together.

use std::cell::Cell;
use std::io::Read;
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use etherparse::defrag::IpDefragPool;
use etherparse::{EtherType, IpNumber, NetSlice, SlicedPacket, TransportSlice, UdpSlice};
use pcap_parser::{Block, Linktype, PcapBlockOwned, PcapError, create_reader};

/// The largest packet that is read.
const LARGEST: usize = 1 << 20;
/// Fragments that are waited for, and how long.
const MAX_FRAGMENTS: usize = 4096;
const FRAGMENT_TIME: Duration = Duration::from_secs(30);
/// Linux's "any" shows a packet that goes from this machine to itself twice, so far apart at most.
const TWICE: Duration = Duration::from_millis(2);
/// A capture of more than this is cut into parts first (`editcap -c`).
const MAX_OCTETS: usize = 2 << 30;

/// One UDP datagram.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Datagram {
    /// Since 1970.
    pub at: Duration,
    pub from: SocketAddr,
    pub to: SocketAddr,
    pub octets: Vec<u8>,
}

/// What was in the file, in the order of time.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Capture {
    pub datagrams: Vec<Datagram>,
    /// Packets whose end was not captured (a snapshot length): they cannot be replayed.
    pub cut: u64,
    /// TCP segments to or from port 5060 or 5061: signalling that is not replayed.
    pub tcp_signalling: u64,
    /// Neither.
    pub other: u64,
    /// The file ends in the middle of a packet.
    pub is_torn: bool,
}

/// Why a capture cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    #[error("it is no packet capture: neither pcap nor pcapng")]
    NoCapture,
    #[error(
        "its packets are of link type {0}, which is not known here; capture on an Ethernet interface, or on \"any\""
    )]
    Link(i32),
    #[error("it holds more than 2 GiB of UDP; cut out the time in question (`editcap -A … -B …`)")]
    TooLarge,
    #[error("there is no UDP datagram in it")]
    Empty,
    #[error("it cannot be read: {0}")]
    Read(String),
}

/// How an interface's packets begin.
#[derive(Debug, Clone, Copy)]
struct Interface {
    link: Linktype,
    /// Ticks a second, and seconds to add.
    resolution: u64,
    offset: i64,
}

/// Reads a capture to its end.
///
/// # Errors
/// See [`CaptureError`]. A torn end is none: what stands before it counts.
pub fn read(file: impl Read + Send) -> Result<Capture, CaptureError> {
    let mut reader = create_reader(LARGEST, file).map_err(|_| CaptureError::NoCapture)?;
    let mut taken = Taken::default();
    let mut interfaces: Vec<Interface> = Vec::new();
    let mut legacy = None;
    loop {
        match reader.next() {
            Ok((length, block)) => {
                match block {
                    PcapBlockOwned::LegacyHeader(header) => {
                        let resolution = if header.is_nanosecond_precision() {
                            1_000_000_000
                        } else {
                            1_000_000
                        };
                        legacy = Some(Interface {
                            link: header.network,
                            resolution,
                            offset: 0,
                        });
                    }
                    PcapBlockOwned::Legacy(packet) => {
                        let interface = legacy.ok_or(CaptureError::NoCapture)?;
                        let part = u64::from(packet.ts_usec) * 1_000_000_000 / interface.resolution;
                        let at = Duration::from_secs(packet.ts_sec.into()) + Duration::from_nanos(part);
                        taken.packet(at, interface.link, packet.data, packet.caplen < packet.origlen)?;
                    }
                    PcapBlockOwned::NG(Block::SectionHeader(_)) => interfaces.clear(),
                    PcapBlockOwned::NG(Block::InterfaceDescription(it)) => interfaces.push(Interface {
                        link: it.linktype,
                        resolution: it.ts_resolution().unwrap_or(1_000_000).max(1),
                        offset: it.ts_offset(),
                    }),
                    PcapBlockOwned::NG(Block::EnhancedPacket(packet)) => {
                        let known = usize::try_from(packet.if_id).ok().and_then(|id| interfaces.get(id));
                        let Some(interface) = known else {
                            taken.capture.other += 1;
                            reader.consume(length);
                            continue;
                        };
                        let ticks = u64::from(packet.ts_high) << 32 | u64::from(packet.ts_low);
                        let (whole, part) = (ticks / interface.resolution, ticks % interface.resolution);
                        let nanos = u128::from(part) * 1_000_000_000 / u128::from(interface.resolution);
                        let at = Duration::from_secs(whole.saturating_add_signed(interface.offset))
                            + Duration::from_nanos(nanos as u64);
                        let data = packet.data.get(..packet.caplen as usize).unwrap_or(packet.data);
                        taken.packet(at, interface.link, data, packet.caplen < packet.origlen)?;
                    }
                    PcapBlockOwned::NG(_) => {}
                }
                reader.consume(length);
            }
            Err(PcapError::Eof) => break,
            Err(PcapError::Incomplete(_)) => match reader.refill() {
                Ok(()) => {}
                Err(PcapError::Eof) => break,
                Err(error) => return Err(CaptureError::Read(error.to_string())),
            },
            Err(PcapError::UnexpectedEof) => {
                taken.capture.is_torn = true;
                break;
            }
            Err(PcapError::HeaderNotRecognized) => return Err(CaptureError::NoCapture),
            Err(error) => return Err(CaptureError::Read(error.to_string())),
        }
    }
    let mut capture = taken.capture;
    // Several interfaces are written as they come; a stable order keeps what came at one moment as it stands.
    capture.datagrams.sort_by_key(|datagram| datagram.at);
    match capture.datagrams.is_empty() {
        true => Err(CaptureError::Empty),
        false => Ok(capture),
    }
}

#[derive(Default)]
struct Taken {
    capture: Capture,
    octets: usize,
    fragments: IpDefragPool<Duration, ()>,
    waiting: usize,
}

impl Taken {
    fn packet(&mut self, at: Duration, link: Linktype, data: &[u8], is_cut: bool) -> Result<(), CaptureError> {
        let mut may_be_twice = false;
        let sliced = match link {
            Linktype::ETHERNET => SlicedPacket::from_ethernet(data).ok(),
            Linktype::RAW | Linktype::IPV4 | Linktype::IPV6 | Linktype(12) => SlicedPacket::from_ip(data).ok(),
            // An address family of the machine that captured.
            Linktype::NULL | Linktype::LOOP => data.get(4..).and_then(|ip| SlicedPacket::from_ip(ip).ok()),
            // The protocol stands at its own place, whatever the hardware was.
            Linktype::LINUX_SLL | Linktype::LINUX_SLL2 => {
                may_be_twice = true;
                let (kind, rest) = if link == Linktype::LINUX_SLL { (14, 16) } else { (0, 20) };
                let kind = data.get(kind..kind + 2);
                let kind = kind.map(|two| EtherType(u16::from_be_bytes([two[0], two[1]])));
                let rest = data.get(rest..);
                kind.zip(rest)
                    .and_then(|(kind, rest)| SlicedPacket::from_ether_type(kind, rest).ok())
            }
            other => return Err(CaptureError::Link(other.0)),
        };
        let Some(sliced) = sliced else {
            *(if is_cut {
                &mut self.capture.cut
            } else {
                &mut self.capture.other
            }) += 1;
            return Ok(());
        };
        let Some((source, destination)) = addresses(&sliced) else {
            self.capture.other += 1;
            return Ok(());
        };
        match &sliced.transport {
            Some(TransportSlice::Udp(_)) if is_cut => self.capture.cut += 1,
            Some(TransportSlice::Udp(udp)) => self.datagram(at, source, destination, udp, may_be_twice)?,
            Some(TransportSlice::Tcp(tcp)) => {
                let ports = [tcp.source_port(), tcp.destination_port()];
                let is_signalling = ports.iter().any(|port| matches!(port, 5060 | 5061));
                *(if is_signalling {
                    &mut self.capture.tcp_signalling
                } else {
                    &mut self.capture.other
                }) += 1;
            }
            _ => self.fragment(at, source, destination, &sliced)?,
        }
        Ok(())
    }

    fn fragment(
        &mut self,
        at: Duration,
        source: IpAddr,
        destination: IpAddr,
        sliced: &SlicedPacket<'_>,
    ) -> Result<(), CaptureError> {
        if self.waiting >= MAX_FRAGMENTS {
            self.fragments.retain(|since| since.saturating_add(FRAGMENT_TIME) > at);
            // Where that leaves many, half of them go.
            let left = Cell::new(0);
            self.fragments.retain(|_| {
                left.set(left.get() + 1);
                left.get() <= MAX_FRAGMENTS / 2
            });
            self.waiting = left.get().min(MAX_FRAGMENTS / 2);
        }
        self.waiting += 1;
        match self.fragments.process_sliced_packet(sliced, at, ()) {
            Ok(Some(whole)) => {
                if whole.ip_number == IpNumber::UDP
                    && let Ok(udp) = UdpSlice::from_slice(&whole.payload)
                {
                    self.datagram(at, source, destination, &udp, false)?;
                }
                self.fragments.return_buf(whole);
            }
            Ok(None) => {}
            Err(_) => self.capture.other += 1,
        }
        Ok(())
    }

    fn datagram(
        &mut self,
        at: Duration,
        source: IpAddr,
        destination: IpAddr,
        udp: &UdpSlice<'_>,
        may_be_twice: bool,
    ) -> Result<(), CaptureError> {
        let datagram = Datagram {
            at,
            from: SocketAddr::new(source, udp.source_port()),
            to: SocketAddr::new(destination, udp.destination_port()),
            octets: udp.payload().to_vec(),
        };
        let recent = self
            .capture
            .datagrams
            .iter()
            .rev()
            .take_while(|one| one.at + TWICE > at);
        let is_twice = may_be_twice
            && recent
                .take(64)
                .any(|one| (one.from, one.to) == (datagram.from, datagram.to) && one.octets == datagram.octets);
        if is_twice {
            return Ok(());
        }
        self.octets += datagram.octets.len();
        if self.octets > MAX_OCTETS {
            return Err(CaptureError::TooLarge);
        }
        self.capture.datagrams.push(datagram);
        Ok(())
    }
}

fn addresses(sliced: &SlicedPacket<'_>) -> Option<(IpAddr, IpAddr)> {
    match sliced.net.as_ref()? {
        NetSlice::Ipv4(ip) => {
            let header = ip.header();
            Some((header.source_addr().into(), header.destination_addr().into()))
        }
        NetSlice::Ipv6(ip) => {
            let header = ip.header();
            Some((header.source_addr().into(), header.destination_addr().into()))
        }
        _ => None,
    }
}
