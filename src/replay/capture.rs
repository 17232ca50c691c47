//! A packet capture, as `tcpdump -w` and `tshark -w` write it, taken apart to UDP datagrams.
//!
//! Both file formats (pcap, draft-ietf-opsawg-pcap; pcapng, draft-ietf-opsawg-pcapng), the link types of wired networks and of
//! Linux's "any" and loopback interfaces. IP fragments are put together.

use std::cell::Cell;
use std::collections::BTreeSet;
use std::io::{BufRead as _, BufReader, ErrorKind, Read};
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use super::clock::{Clock, Step};
use crate::report::text::plural;
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

/// What was in the file, in the order of time; of each interface in the order in which it came.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Capture {
    pub datagrams: Vec<Datagram>,
    /// Packets whose end was not captured (a snapshot length): they cannot be replayed.
    pub cut: u64,
    /// TCP segments to or from a SIP port, or that begin as SIP does: signalling that is not replayed.
    pub tcp_signalling: u64,
    /// Neither.
    pub other: u64,
    /// Packets of interfaces whose kind is not known here.
    pub unknown: u64,
    /// The file ends in the middle of a packet.
    pub is_torn: bool,
    /// What comes behind a certain place cannot be read.
    pub is_damaged: bool,
    /// Where the clock was set while it captured, the first few.
    pub steps: Vec<Step>,
}

/// Why a capture cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    #[error("it is no packet capture: neither pcap nor pcapng")]
    NoCapture,
    #[error("it is packed: {0} it first")]
    Packed(&'static str),
    #[error("the file is empty")]
    Nothing,
    #[error("it is a folder; name a capture in it")]
    Folder,
    #[error(
        "its packets are of link type {0}, which is not known here; capture on an Ethernet interface, or on \"any\""
    )]
    Link(i32),
    #[error("it holds more than 2 GiB of UDP; cut out the time in question (`editcap -A … -B …`)")]
    TooLarge,
    #[error("{}", nothing(*.cut, *.tcp_signalling))]
    Empty { cut: u64, tcp_signalling: u64 },
    #[error("it is damaged before its first datagram")]
    Damaged,
    #[error("it cannot be read: {0}")]
    Read(#[from] std::io::Error),
}

fn nothing(cut: u64, tcp_signalling: u64) -> String {
    let many = |count: u64| plural(usize::try_from(count).unwrap_or(usize::MAX), "packet");
    let mut text = "there is no whole UDP datagram in it".to_owned();
    if cut > 0 {
        text += &format!("; {} cut short (a snapshot length): capture with `-s 0`", many(cut));
    }
    if tcp_signalling > 0 {
        text += &format!(
            "; {} of SIP by TCP or TLS: calls by them cannot be replayed",
            many(tcp_signalling)
        );
    }
    text
}

/// How an interface's packets begin.
#[derive(Debug, Clone, Copy)]
struct Interface {
    link: Linktype,
    /// Ticks a second, and seconds to add.
    resolution: u128,
    offset: i64,
    clock: usize,
}

/// pcapng's `if_tsresol` (draft-ietf-opsawg-pcapng §4.2): a power of ten, or of two where the highest bit is set.
fn ticks(resolution: u8) -> u128 {
    let power = u32::from(resolution & 0x7f);
    match resolution & 0x80 {
        0 => 10u128.saturating_pow(power),
        _ => 1 << power,
    }
}

/// What unpacks a file that begins so.
fn packed(head: &[u8]) -> Option<&'static str> {
    let known: [(&[u8], &str); 5] = [
        (&[0x1f, 0x8b], "gunzip"),
        (&[0x28, 0xb5, 0x2f, 0xfd], "unzstd"),
        (b"\xfd7zXZ\0", "unxz"),
        (b"BZh", "bunzip2"),
        (b"PK\x03\x04", "unzip"),
    ];
    let fits = known.iter().find(|(magic, _)| head.starts_with(magic));
    fits.map(|(_, how)| *how)
}

/// Reads a capture to its end. `sip_ports`: of TCP segments these count as signalling.
///
/// # Errors
/// See [`CaptureError`]. A torn end or damage behind the first datagram is none: what stands before it counts.
pub fn read(file: impl Read + Send, sip_ports: &BTreeSet<u16>) -> Result<Capture, CaptureError> {
    let mut file = BufReader::with_capacity(1 << 16, file);
    match file.fill_buf() {
        Ok([]) => return Err(CaptureError::Nothing),
        Ok(head) => {
            if let Some(how) = packed(head) {
                return Err(CaptureError::Packed(how));
            }
        }
        Err(error) if error.kind() == ErrorKind::IsADirectory => return Err(CaptureError::Folder),
        Err(error) => return Err(error.into()),
    }
    let mut reader = create_reader(LARGEST, file).map_err(|_| CaptureError::NoCapture)?;
    let mut taken = Taken::new(sip_ports);
    let mut interfaces: Vec<Interface> = Vec::new();
    loop {
        match reader.next() {
            Ok((length, block)) => {
                match block {
                    PcapBlockOwned::LegacyHeader(header) => {
                        let resolution = if header.is_nanosecond_precision() { 9 } else { 6 };
                        interfaces.push(Interface {
                            // The upper half is about frame check sequences (draft-ietf-opsawg-pcap §4).
                            link: Linktype(header.network.0 & 0xffff),
                            resolution: ticks(resolution),
                            offset: 0,
                            clock: taken.clock(),
                        });
                    }
                    PcapBlockOwned::Legacy(packet) => {
                        let interface = interfaces.first().ok_or(CaptureError::NoCapture)?;
                        let at = interface.time(packet.ts_sec.into(), packet.ts_usec.into());
                        taken.packet(at, interface, packet.data, packet.caplen < packet.origlen)?;
                    }
                    PcapBlockOwned::NG(Block::SectionHeader(_)) => interfaces.clear(),
                    PcapBlockOwned::NG(Block::InterfaceDescription(it)) => interfaces.push(Interface {
                        link: it.linktype,
                        resolution: ticks(it.if_tsresol),
                        offset: it.ts_offset(),
                        clock: taken.clock(),
                    }),
                    PcapBlockOwned::NG(Block::EnhancedPacket(packet)) => {
                        let known = usize::try_from(packet.if_id).ok().and_then(|id| interfaces.get(id));
                        if let Some(interface) = known {
                            let ticks = u128::from(packet.ts_high) << 32 | u128::from(packet.ts_low);
                            let at = interface.time(0, ticks);
                            let data = packet.data.get(..packet.caplen as usize).unwrap_or(packet.data);
                            taken.packet(at, interface, data, packet.caplen < packet.origlen)?;
                        } else {
                            taken.capture.other += 1;
                        }
                    }
                    PcapBlockOwned::NG(_) => {}
                }
                reader.consume(length);
            }
            Err(PcapError::Eof) => break,
            Err(PcapError::Incomplete(_)) => match reader.refill() {
                Ok(()) => {}
                Err(PcapError::Eof) => break,
                Err(_) => {
                    taken.capture.is_damaged = true;
                    break;
                }
            },
            Err(PcapError::UnexpectedEof) => {
                taken.capture.is_torn = true;
                break;
            }
            Err(PcapError::HeaderNotRecognized) => return Err(CaptureError::NoCapture),
            Err(_) => {
                taken.capture.is_damaged = true;
                break;
            }
        }
    }
    taken.whole()
}

impl Interface {
    /// Since 1970.
    fn time(&self, seconds: u64, ticks: u128) -> Duration {
        let whole = u64::try_from(ticks / self.resolution).unwrap_or(u64::MAX);
        let part = (ticks % self.resolution).saturating_mul(1_000_000_000) / self.resolution;
        let seconds = seconds.saturating_add(whole).saturating_add_signed(self.offset);
        Duration::new(seconds, u32::try_from(part).unwrap_or(0).min(999_999_999))
    }
}

struct Taken<'a> {
    sip_ports: &'a BTreeSet<u16>,
    capture: Capture,
    clocks: Vec<Clock>,
    /// By which of them each datagram was stamped.
    stamped: Vec<usize>,
    /// The first link type that is not known here.
    unknown: Option<i32>,
    octets: usize,
    fragments: IpDefragPool<Duration, ()>,
    waiting: usize,
}

impl<'a> Taken<'a> {
    fn new(sip_ports: &'a BTreeSet<u16>) -> Self {
        Taken {
            sip_ports,
            capture: Capture::default(),
            clocks: Vec::new(),
            stamped: Vec::new(),
            unknown: None,
            octets: 0,
            fragments: IpDefragPool::default(),
            waiting: 0,
        }
    }

    fn clock(&mut self) -> usize {
        self.clocks.push(Clock::default());
        self.clocks.len() - 1
    }

    /// The clock as it was set last counts for all of it. Several interfaces are written as they come; a stable order keeps what came
    /// at one moment as it stands.
    fn whole(self) -> Result<Capture, CaptureError> {
        let mut capture = self.capture;
        for (datagram, clock) in capture.datagrams.iter_mut().zip(&self.stamped) {
            datagram.at = self.clocks[*clock].settled(datagram.at);
        }
        let steps = self.clocks.iter().flat_map(Clock::steps);
        capture.steps = steps.take(super::clock::MAX_STEPS).collect();
        capture.datagrams.sort_by_key(|datagram| datagram.at);
        if !capture.datagrams.is_empty() {
            return Ok(capture);
        }
        Err(match (self.unknown, capture.is_damaged) {
            (Some(link), _) => CaptureError::Link(link),
            (None, true) => CaptureError::Damaged,
            (None, false) => CaptureError::Empty {
                cut: capture.cut,
                tcp_signalling: capture.tcp_signalling,
            },
        })
    }

    fn packet(&mut self, at: Duration, of: &Interface, data: &[u8], is_cut: bool) -> Result<(), CaptureError> {
        let mut may_be_twice = false;
        let link = of.link;
        let from = self.capture.datagrams.len();
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
            other => {
                self.unknown = self.unknown.or(Some(other.0));
                self.capture.unknown += 1;
                return Ok(());
            }
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
        // Only now: what is damaged has any time.
        let at = self.clocks[of.clock].tick(at);
        match &sliced.transport {
            Some(TransportSlice::Udp(_)) if is_cut => self.capture.cut += 1,
            Some(TransportSlice::Udp(udp)) => self.datagram(at, source, destination, udp, may_be_twice)?,
            Some(TransportSlice::Tcp(tcp)) => {
                let ports = [tcp.source_port(), tcp.destination_port()];
                let is_signalling =
                    ports.iter().any(|port| self.sip_ports.contains(port)) || begins_as_sip(tcp.payload());
                *(if is_signalling {
                    &mut self.capture.tcp_signalling
                } else {
                    &mut self.capture.other
                }) += 1;
            }
            _ => self.fragment(at, source, destination, &sliced)?,
        }
        self.stamped
            .extend((from..self.capture.datagrams.len()).map(|_| of.clock));
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
            .take_while(|one| one.at.saturating_add(TWICE) > at);
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

/// A request line or a status line (RFC 3261 §7).
fn begins_as_sip(octets: &[u8]) -> bool {
    let line = octets.split(|octet| *octet == b'\r').next().unwrap_or_default();
    line.starts_with(b"SIP/2.0 ") || line.len() < octets.len() && line.ends_with(b" SIP/2.0")
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
