#![allow(clippy::disallowed_methods)]

use std::net::UdpSocket;
use std::process::Command;
use std::time::Instant;

use socket2::SockRef;

use super::*;

const LOCALHOST: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);

fn address(text: &str) -> SocketAddr {
    text.parse().unwrap()
}

/// A port that was free a moment ago.
fn free_port() -> u16 {
    UdpSocket::bind((LOCALHOST, 0)).unwrap().local_addr().unwrap().port()
}

async fn next(socket: &DatagramSocket) -> Option<(Vec<u8>, Datagram)> {
    let mut buffer = [0; 2048];
    let datagram = tokio::time::timeout(Duration::from_secs(5), socket.recv(&mut buffer))
        .await
        .ok()?
        .unwrap();
    Some((buffer[..datagram.len].to_vec(), datagram))
}

/// Everything up to a datagram that says "end".
async fn until_end(socket: &DatagramSocket) -> Vec<String> {
    let mut all = Vec::new();
    loop {
        let (bytes, _) = next(socket).await.expect("no end marker came");
        let text = String::from_utf8(bytes).unwrap();
        if text == "end" {
            return all;
        }
        all.push(text);
    }
}

fn multicast_sender_v4() -> UdpSocket {
    let sender = UdpSocket::bind((LOCALHOST, 0)).unwrap();
    SockRef::from(&sender)
        .set_multicast_if_v4(&Ipv4Addr::LOCALHOST)
        .unwrap();
    sender
}

#[tokio::test]
async fn groups_on_one_port_stay_apart() {
    let port = free_port();
    // 233.252.0.0/24: multicast addresses for documentation (RFC 6676 §2).
    let yard = address(&format!("233.252.0.1:{port}"));
    let office = address(&format!("233.252.0.2:{port}"));
    let in_yard = multicast_socket(yard, Some("lo")).unwrap();
    let in_office = multicast_socket(office, Some("127.0.0.1")).unwrap();
    let sender = multicast_sender_v4();
    sender.send_to(b"to the yard", yard).unwrap();
    sender.send_to(b"to the office", office).unwrap();
    sender.send_to(b"to nobody", ("233.252.0.3", port)).unwrap();
    // A unicast datagram to the port is not for the groups either.
    sender.send_to(b"to the host", (LOCALHOST, port)).unwrap();
    for group in [yard, office] {
        sender.send_to(b"end", group).unwrap();
    }
    assert_eq!(until_end(&in_yard).await, ["to the yard"]);
    assert_eq!(until_end(&in_office).await, ["to the office"]);
}

#[tokio::test]
async fn two_listeners_share_a_group_and_a_third_comes_back_to_it() {
    let group = address(&format!("233.252.0.4:{}", free_port()));
    let first = multicast_socket(group, Some("lo")).unwrap();
    let second = multicast_socket(group, Some("lo")).unwrap();
    let sender = multicast_sender_v4();
    sender.send_to(b"both", group).unwrap();
    assert_eq!(next(&first).await.unwrap().0, b"both");
    assert_eq!(next(&second).await.unwrap().0, b"both");
    drop((first, second));
    let again = multicast_socket(group, Some("lo")).unwrap();
    sender.send_to(b"again", group).unwrap();
    assert_eq!(next(&again).await.unwrap().0, b"again");
}

#[tokio::test]
async fn what_is_wrong_with_a_group_is_said() {
    let text = |result: io::Result<DatagramSocket>| result.unwrap_err().to_string();
    let group = address("233.252.0.1:5004");
    let error = multicast_socket(group, Some("yard0")).unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::NotFound);
    let said = error.to_string();
    assert!(
        said.starts_with("no network interface \"yard0\"; there are: "),
        "{said}"
    );
    assert!(said.contains("lo (127.0.0.1"), "{said}");
    // An address that nothing here has (TEST-NET-1, RFC 5737).
    assert!(text(multicast_socket(group, Some("192.0.2.200"))).contains("lo (127.0.0.1"));
    assert!(text(multicast_socket(group, Some("a\0b"))).contains("there are: "));
    assert_eq!(
        text(multicast_socket(address("192.0.2.1:5004"), Some("lo"))),
        "192.0.2.1 is not a multicast address"
    );
    // Somebody holds the very address without sharing it.
    let port = free_port();
    let _holder = UdpSocket::bind(("233.252.0.9", port)).unwrap();
    let held = text(multicast_socket(address(&format!("233.252.0.9:{port}")), Some("lo")));
    assert!(held.contains("another program holds the port"), "{held}");
}

#[tokio::test]
async fn rtp_ports_are_even_and_go_round() {
    // Room for three pairs, found free by trying.
    let base = (0..100)
        .map(|_| free_port() & !7)
        .find(|base| {
            *base > 1024
                && (*base..base + 6)
                    .map(|p| UdpSocket::bind((LOCALHOST, p)))
                    .all(|s| s.is_ok())
        })
        .unwrap();
    let ports = base + 1..=base + 6;
    let (a, first) = rtp_socket(LOCALHOST, ports.clone(), 0).unwrap();
    assert_eq!(first, base + 2, "the first even port, RFC 3550 §11");
    assert_eq!(a.local_addr().unwrap(), SocketAddr::new(LOCALHOST, first));
    let (_b, second) = rtp_socket(LOCALHOST, ports.clone(), first + 2).unwrap();
    assert_eq!(second, base + 4);
    let (_c, third) = rtp_socket(LOCALHOST, ports.clone(), second).unwrap();
    assert_eq!(third, base + 6);
    drop(a);
    let (_d, fourth) = rtp_socket(LOCALHOST, ports.clone(), third).unwrap();
    assert_eq!(fourth, base + 2, "wraps");
    let full = rtp_socket(LOCALHOST, ports.clone(), 0).unwrap_err();
    assert_eq!(full.kind(), io::ErrorKind::AddrInUse);
    assert_eq!(
        full.to_string(),
        format!("no free even UDP port from {} to {} on 127.0.0.1", base + 1, base + 6)
    );
    let elsewhere = rtp_socket("192.0.2.200".parse().unwrap(), ports, 0).unwrap_err();
    assert!(
        elsewhere.to_string().contains("this machine has no such address"),
        "{elsewhere}"
    );
}

#[tokio::test]
async fn marks_are_those_of_rfc_4594() {
    // Figure 3: telephony EF (TOS octet 0xB8), signalling CS5 (0xA0).
    let (rtp, _) = rtp_socket(LOCALHOST, 20_000..=40_000, free_port()).unwrap();
    assert_eq!(datagram::tests_only(&rtp).tos_v4().unwrap(), 0xB8);
    let sip = sip_udp(address("127.0.0.1:0")).unwrap();
    assert_eq!(datagram::tests_only(&sip).tos_v4().unwrap(), 0xA0);
    let listener = tcp_listener(address("127.0.0.1:0")).unwrap();
    let (connected, accepted) = tokio::join!(tcp_connect(listener.local_addr().unwrap(), None), listener.accept());
    for stream in [connected.unwrap(), accepted.unwrap().0] {
        assert_eq!(SockRef::from(&stream).tos_v4().unwrap(), 0xA0);
    }
    if let Ok(sip) = sip_udp(address("[::1]:0")) {
        assert_eq!(datagram::tests_only(&sip).tclass_v6().unwrap(), 0xA0);
    }
}

#[tokio::test]
async fn the_kernel_says_when_a_datagram_came() {
    let socket = sip_udp(address("127.0.0.1:0")).unwrap();
    let sender = UdpSocket::bind("127.0.0.1:0").unwrap();
    // The kernel begins to stamp a little after the first socket of the machine asked for it; until then it gives the
    // time of reading.
    for _ in 0..20 {
        let before = Instant::now();
        sender.send_to(b"hello", socket.local_addr().unwrap()).unwrap();
        tokio::time::sleep(Duration::from_millis(100)).await;
        let read = Instant::now();
        let (_, datagram) = next(&socket).await.unwrap();
        assert!(datagram.at <= Instant::now(), "in the future");
        assert!(datagram.at + Duration::from_millis(5) > before, "before it was sent");
        assert_eq!(datagram.peer, sender.local_addr().unwrap());
        assert!(!datagram.truncated);
        if datagram.at + Duration::from_millis(50) < read {
            return;
        }
    }
    panic!("always the time of reading");
}

#[tokio::test]
async fn a_longer_datagram_is_reported_as_cut() {
    let socket = sip_udp(address("127.0.0.1:0")).unwrap();
    let sender = UdpSocket::bind("127.0.0.1:0").unwrap();
    let to = socket.local_addr().unwrap();
    for bytes in [&b"12345678"[..], b"1234", b""] {
        sender.send_to(bytes, to).unwrap();
    }
    let mut buffer = [0; 4];
    let mut seen = Vec::new();
    for _ in 0..3 {
        let d = socket.recv(&mut buffer).await.unwrap();
        seen.push((d.len, d.truncated));
    }
    assert_eq!(seen, [(4, true), (4, false), (0, false)]);
    assert_eq!(
        socket.try_recv(&mut buffer).unwrap_err().kind(),
        io::ErrorKind::WouldBlock
    );
}

#[tokio::test]
async fn a_wildcard_socket_answers_from_the_address_that_was_called() {
    // RFC 3581 §4: the response leaves from the address that the request arrived at.
    let socket = sip_udp(address("0.0.0.0:0")).unwrap();
    let port = socket.local_addr().unwrap().port();
    let caller = UdpSocket::bind("127.0.0.1:0").unwrap();
    caller.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    for called in ["127.0.0.1", "127.0.0.77"] {
        caller.send_to(b"OPTIONS", (called, port)).unwrap();
        let (_, datagram) = next(&socket).await.unwrap();
        assert_eq!(datagram.local_ip, Some(called.parse().unwrap()));
        socket.send(b"200", datagram.peer, datagram.local_ip).await.unwrap();
        socket.try_send(b"200", datagram.peer, datagram.local_ip).unwrap();
        for _ in 0..2 {
            let (len, from) = caller.recv_from(&mut [0; 16]).unwrap();
            assert_eq!((len, from), (3, SocketAddr::new(called.parse().unwrap(), port)));
        }
    }
}

#[tokio::test]
async fn families_do_not_mix() {
    let Ok(six) = sip_udp(address("[::]:0")) else {
        eprintln!("no IPv6 on this machine: not checked");
        return;
    };
    let port = six.local_addr().unwrap().port();
    let four = sip_udp(SocketAddr::new(Ipv4Addr::UNSPECIFIED.into(), port)).unwrap();
    let caller = UdpSocket::bind("127.0.0.1:0").unwrap();
    caller.send_to(b"four", (LOCALHOST, port)).unwrap();
    assert_eq!(next(&four).await.unwrap().0, b"four");
    if let Ok(caller) = UdpSocket::bind("[::1]:0") {
        caller.send_to(b"six", ("::1", port)).unwrap();
        let (bytes, datagram) = next(&six).await.unwrap();
        assert_eq!(bytes, b"six");
        assert_eq!(datagram.local_ip, Some("::1".parse().unwrap()));
        six.send(b"ok", datagram.peer, datagram.local_ip).await.unwrap();
    }
}

#[test]
fn the_own_address_towards_a_peer() {
    assert_eq!(local_address_for(address("127.0.0.1:5060")).unwrap(), LOCALHOST);
    assert_eq!(local_address_for(address("127.3.4.5:0")).unwrap(), LOCALHOST);
}

/// Runs `test` on a thread in a network namespace of its own, with `lo` up and the `ip` commands done. Says so and
/// returns where that is not allowed.
fn in_namespace<F>(commands: &[&str], test: F)
where
    F: Future<Output = ()> + Send + 'static,
{
    let commands: Vec<String> = commands.iter().map(|c| (*c).to_owned()).collect();
    let thread = std::thread::spawn(move || {
        // SAFETY: takes no pointers; changes the namespace of this thread alone, which ends with the test.
        if unsafe { libc::unshare(libc::CLONE_NEWNET) } != 0 {
            let cause = io::Error::last_os_error();
            eprintln!("not checked: cannot make a network namespace: {cause}");
            return;
        }
        for command in std::iter::once("ip link set lo up").chain(commands.iter().map(String::as_str)) {
            let mut words = command.split_whitespace();
            let done = Command::new(words.next().unwrap()).args(words).output().unwrap();
            assert!(
                done.status.success(),
                "{command}: {}",
                String::from_utf8_lossy(&done.stderr)
            );
        }
        tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap()
            .block_on(test);
    });
    if let Err(panic) = thread.join() {
        std::panic::resume_unwind(panic);
    }
}

#[test]
fn ipv6_groups_on_one_port_stay_apart() {
    in_namespace(&["ip -6 route add local ff15::/16 dev lo"], async {
        let (yard, office) = (address("[ff15::1]:5004"), address("[ff15::2]:5004"));
        let in_yard = multicast_socket(yard, Some("lo")).unwrap();
        let in_office = multicast_socket(office, Some("::1")).unwrap();
        let sender = UdpSocket::bind("[::1]:0").unwrap();
        let lo = interface::find("lo").unwrap().index;
        SockRef::from(&sender).set_multicast_if_v6(lo).unwrap();
        sender.send_to(b"to the yard", yard).unwrap();
        sender.send_to(b"to the office", office).unwrap();
        sender.send_to(b"to nobody", "[ff15::3]:5004").unwrap();
        sender.send_to(b"to the host", "[::1]:5004").unwrap();
        for group in [yard, office] {
            sender.send_to(b"end", group).unwrap();
        }
        assert_eq!(until_end(&in_yard).await, ["to the yard"]);
        assert_eq!(until_end(&in_office).await, ["to the office"]);
    });
}

/// A pair of wires inside the namespace: what is sent into `a…` comes out of `b…`.
const WIRES: &[&str] = &[
    "ip link add a1 type veth peer name b1",
    "ip link add a2 type veth peer name b2",
    "ip addr add 192.0.2.1/24 dev a1",
    "ip addr add 192.0.2.2/24 dev b1",
    "ip addr add 198.51.100.1/24 dev a2",
    "ip addr add 198.51.100.2/24 dev b2",
    "ip link set a1 up",
    "ip link set b1 up",
    "ip link set a2 up",
    "ip link set b2 up",
    // The sender's address is our own here, which a real receiver never sees.
    "sysctl -qw net.ipv4.conf.b1.accept_local=1 net.ipv4.conf.b2.accept_local=1",
    "sysctl -qw net.ipv4.conf.all.rp_filter=0 net.ipv4.conf.b1.rp_filter=0 net.ipv4.conf.b2.rp_filter=0",
];

#[test]
fn a_group_is_heard_on_its_own_interface_only() {
    in_namespace(WIRES, async {
        let four = address("233.252.0.1:5004");
        let six = address("[ff15::1]:5004");
        for (wire, other) in [("1", "2"), ("2", "1")] {
            let on = format!("b{wire}");
            let hears_four = multicast_socket(four, Some(&on)).unwrap();
            let hears_six = multicast_socket(six, Some(&on)).unwrap();
            // Another program has the group on the other wire: that must not bring its traffic here.
            let _elsewhere_four = multicast_socket(four, Some(&format!("b{other}"))).unwrap();
            let _elsewhere_six = multicast_socket(six, Some(&format!("b{other}"))).unwrap();
            for (text, into) in [("wrong wire", other), ("right wire", wire), ("end", wire)] {
                let sender = UdpSocket::bind("0.0.0.0:0").unwrap();
                let from = if into == "1" { "192.0.2.1" } else { "198.51.100.1" };
                SockRef::from(&sender)
                    .set_multicast_if_v4(&from.parse().unwrap())
                    .unwrap();
                sender.send_to(text.as_bytes(), four).unwrap();
                let sender = UdpSocket::bind("[::]:0").unwrap();
                let index = interface::find(&format!("a{into}")).unwrap().index;
                SockRef::from(&sender).set_multicast_if_v6(index).unwrap();
                send_when_ready(&sender, text, six).await;
            }
            assert_eq!(until_end(&hears_four).await, ["right wire"]);
            assert_eq!(until_end(&hears_six).await, ["right wire"]);
        }
    });
}

/// A new wire's IPv6 address is on probation for a second or two (RFC 4862 §5.4).
async fn send_when_ready(sender: &UdpSocket, text: &str, to: SocketAddr) {
    for _ in 0..100 {
        match sender.send_to(text.as_bytes(), to) {
            Ok(_) => return,
            Err(_) => tokio::time::sleep(Duration::from_millis(100)).await,
        }
    }
    panic!("no IPv6 source address came up");
}

#[test]
fn without_a_route_a_group_wants_its_interface() {
    in_namespace(&[], async {
        let said = multicast_socket(address("233.252.0.1:5004"), None)
            .unwrap_err()
            .to_string();
        assert!(said.contains("name an interface"), "{said}");
        assert!(multicast_socket(address("233.252.0.1:5004"), Some("lo")).is_ok());
    });
}
