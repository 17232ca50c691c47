use super::*;
use crate::daemon::doors::Doors;
use crate::daemon::intake::Intake;

fn flow(transport: Transport, peer: SocketAddr) -> Flow {
    Flow {
        transport,
        local: ([127, 0, 0, 1], 5061).into(),
        peer,
        connection: None,
    }
}

/// Without a keyring no TLS connection can be made: what no other one carries comes back.
fn streams() -> Streams {
    let now = Instant::now();
    let inlet = Inlet {
        intake: Intake::new(now),
        doors: Doors::new(Vec::new(), now),
    };
    let (queue, _) = tokio::sync::mpsc::channel(1);
    Streams::new(queue, inlet, None, now)
}

fn certificate(name: &str) -> CertificateDer<'static> {
    let made = rcgen::generate_simple_self_signed([name.to_owned()]).unwrap();
    made.cert.der().clone()
}

/// Runs `test` with a place where somebody listens.
fn local<F: Future<Output = ()>>(test: impl FnOnce(tokio::net::TcpListener, SocketAddr) -> F) {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    tokio::task::LocalSet::new().block_on(&runtime, async {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let place = listener.local_addr().unwrap();
        test(listener, place).await;
    });
}

/// RFC 5923 §3: a connection may be used the other way only where the far end has shown who it is. Here, one that was
/// made to us never is: a registrar's address can be taken by whoever sits on the way.
#[test]
fn what_is_for_a_tls_server_goes_by_a_connection_of_ours_alone() {
    local(async |_listener, place| {
        for (transport, ours, carries) in [
            (Transport::Tls, false, false),
            (Transport::Tls, true, true),
            (Transport::Tcp, false, true),
        ] {
            let mut streams = streams();
            let stream = TcpStream::connect(place).await.unwrap();
            let flow = flow(transport, place);
            assert_eq!(streams.adopt(flow, Wire::Tcp(stream), &[], ours), None);
            for connection in streams.connections.values_mut().filter(|c| c.ours) {
                connection.certificate = Some(certificate("127.0.0.1"));
            }
            let sent = streams.transmit(flow, b"REGISTER".to_vec());
            assert_eq!(sent.is_none(), carries, "{transport:?}, ours: {ours}");
            // What answers by the connection itself always goes.
            let connection = streams.connections.keys().next().copied();
            let back = Flow { connection, ..flow };
            assert_eq!(streams.transmit(back, b"SIP/2.0 200 OK".to_vec()), None);
        }
    });
}

/// RFC 5922 §4: the certificate is compared with the domain that is meant, also when there is a connection already.
#[test]
fn a_name_found_later_at_the_same_place_is_compared_too() {
    local(async |_listener, place| {
        let mut streams = streams();
        let flow = flow(Transport::Tls, place);
        let stream = TcpStream::connect(place).await.unwrap();
        assert_eq!(streams.adopt(flow, Wire::Tcp(stream), &[], true), None);
        for connection in streams.connections.values_mut() {
            connection.certificate = Some(certificate("pbx.quayside.example"));
        }
        let target = Target {
            transport: Transport::Tls,
            peer: place,
            local: flow.local,
            rank: 0,
        };
        for (id, host, carried) in [(0, "pbx.quayside.example", true), (1, "other.quayside.example", false)] {
            let hop = Hop {
                host: host.to_owned(),
                port: None,
                transport: Some(Transport::Tls),
                secure: false,
            };
            streams.expect(RegistrationId(id), &hop);
            streams.located(RegistrationId(id), &[target]);
            let sent = streams.transmit(flow, b"REGISTER".to_vec());
            assert_eq!(sent.is_none(), carried, "{host}");
        }
    });
}

#[test]
fn what_is_meant_for_tls_does_not_wait_for_tcp() {
    local(async |_listener, place| {
        let mut streams = streams();
        assert_eq!(streams.transmit(flow(Transport::Tcp, place), b"BYE".to_vec()), None);
        let secret = flow(Transport::Tls, place);
        assert_eq!(streams.transmit(secret, b"REGISTER".to_vec()), Some(secret));
        let waiting: Vec<_> = streams.connecting.values().flat_map(|c| &c.waiting).collect();
        assert_eq!(waiting, [b"BYE"]);
    });
}
