//! TLS against the running program: registrars that are right and wrong, half-open handshakes, garbage.

use std::io::{ErrorKind, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair};
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject as _;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use tokio_rustls::rustls::server::WebPkiClientVerifier;
use tokio_rustls::rustls::version::{TLS12, TLS13};
use tokio_rustls::rustls::{
    ClientConfig, ClientConnection, RootCertStore, ServerConfig, ServerConnection, StreamOwned,
    SupportedProtocolVersion,
};

use super::lab::*;

type Authority = CertifiedIssuer<'static, KeyPair>;

fn authority() -> Authority {
    let mut params = CertificateParams::new(Vec::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let key = KeyPair::generate().unwrap();
    let name = format!("Quayside CA {:?}", &key.public_key_raw()[1..5]);
    params.distinguished_name.push(rcgen::DnType::CommonName, name);
    CertifiedIssuer::self_signed(params, key).unwrap()
}

/// A certificate and its key, in PEM.
struct Own {
    certificate: String,
    key: String,
}

fn own(params: CertificateParams, by: &Authority) -> Own {
    let key = KeyPair::generate().unwrap();
    Own {
        certificate: params.signed_by(&key, by).unwrap().pem(),
        key: key.serialize_pem(),
    }
}

fn named(name: &str) -> CertificateParams {
    CertificateParams::new(vec![name.to_owned()]).unwrap()
}

impl Own {
    fn der(&self) -> (Vec<CertificateDer<'static>>, PrivateKeyDer<'static>) {
        (
            vec![CertificateDer::from_pem_slice(self.certificate.as_bytes()).unwrap()],
            PrivateKeyDer::from_pem_slice(self.key.as_bytes()).unwrap(),
        )
    }

    fn save(&self, folder: &Path, name: &str) {
        use std::os::unix::fs::PermissionsExt as _;
        let key = folder.join(format!("{name}.key"));
        std::fs::write(folder.join(format!("{name}.pem")), &self.certificate).unwrap();
        std::fs::write(&key, &self.key).unwrap();
        std::fs::set_permissions(&key, std::fs::Permissions::from_mode(0o600)).unwrap();
    }
}

fn roots(ca: &Authority) -> Arc<RootCertStore> {
    let mut roots = RootCertStore::empty();
    roots.add(ca.der().clone()).unwrap();
    Arc::new(roots)
}

/// A phone system of one socket.
struct Pbx {
    listener: TcpListener,
    config: Arc<ServerConfig>,
}

type Served = StreamOwned<ServerConnection, TcpStream>;

impl Pbx {
    /// `clients`: whoever connects must show a certificate of this CA.
    fn new(own: &Own, clients: Option<&Authority>, versions: &[&'static SupportedProtocolVersion]) -> Self {
        let (chain, key) = own.der();
        let provider = Arc::new(ring::default_provider());
        let builder = ServerConfig::builder_with_provider(provider.clone())
            .with_protocol_versions(versions)
            .unwrap();
        let builder = match clients {
            Some(ca) => builder.with_client_cert_verifier(
                WebPkiClientVerifier::builder_with_provider(roots(ca), provider)
                    .build()
                    .unwrap(),
            ),
            None => builder.with_no_client_auth(),
        };
        Pbx {
            listener: TcpListener::bind("127.0.0.1:0").unwrap(),
            config: Arc::new(builder.with_single_cert(chain, key).unwrap()),
        }
    }

    fn registrar(&self, host: &str) -> String {
        let port = self.listener.local_addr().unwrap().port();
        format!(r#"registrar = "sip:{host}:{port};transport=tls""#)
    }

    /// The next connection, its handshake done.
    fn accept(&self) -> std::io::Result<Served> {
        let (mut stream, _) = self.listener.accept()?;
        stream.set_read_timeout(Some(PATIENCE))?;
        let mut session = ServerConnection::new(self.config.clone()).unwrap();
        while session.is_handshaking() {
            session.complete_io(&mut stream)?;
        }
        Ok(StreamOwned::new(session, stream))
    }
}

/// One SIP message: its head and its body.
fn message(stream: &mut impl Read) -> String {
    let mut octets = Vec::new();
    loop {
        let text = String::from_utf8_lossy(&octets).into_owned();
        if let Some((head, body)) = text.split_once("\r\n\r\n") {
            let length = head.lines().find_map(|l| l.strip_prefix("Content-Length:"));
            if body.len() >= length.map_or(0, |l| l.trim().parse().unwrap()) {
                return text;
            }
        }
        let mut one = [0];
        stream
            .read_exact(&mut one)
            .unwrap_or_else(|e| panic!("{e} after {text:?}"));
        // Keep-alives between messages.
        if !(octets.is_empty() && one[0].is_ascii_whitespace()) {
            octets.push(one[0]);
        }
    }
}

fn header<'a>(message: &'a str, name: &str) -> &'a str {
    let line = message.lines().find_map(|l| l.strip_prefix(name)).unwrap();
    line.trim_start_matches(':').trim()
}

fn ok(request: &str) -> String {
    let copied = ["Via", "From", "Call-ID", "CSeq"].map(|n| format!("{n}: {}\r\n", header(request, n)));
    format!(
        "SIP/2.0 200 OK\r\n{}To: {};tag=pbx\r\nContact: {}\r\nContent-Length: 0\r\n\r\n",
        copied.concat(),
        header(request, "To"),
        header(request, "Contact"),
    )
}

/// A daemon that registers at the pbx. `tls`: lines of the table [tls].
fn daemon(host: u8, pbx: &Pbx, name: &str, ca: &Authority, tls: &str) -> Daemon {
    Daemon::with(host, |folder| {
        std::fs::write(folder.join("ca.pem"), ca.pem()).unwrap();
        (
            format!(r#"listen = ["udp:127.0.71.{host}:5060"]"#),
            pbx.registrar(name),
            format!("[tls]\nca = \"ca.pem\"\n{tls}"),
        )
    })
}

/// RFC 3261 §26.3.2, RFC 5922: registers by TLS without a TLS socket of its own, and is called by the same
/// connection. `versions` is what the registrar speaks.
fn registers_and_is_called(host: u8, versions: &[&'static SupportedProtocolVersion]) {
    let ca = authority();
    let pbx = Pbx::new(&own(named("localhost"), &ca), None, versions);
    let daemon = daemon(host, &pbx, "localhost", &ca, "");
    let mut stream = pbx.accept().unwrap();
    let register = message(&mut stream);
    assert!(register.starts_with("REGISTER sip:localhost"), "{register}");
    assert!(header(&register, "Via").starts_with("SIP/2.0/TLS "), "{register}");
    // Whoever looks for the Contact's address and port among his connections finds this one.
    let peer = stream.get_ref().peer_addr().unwrap();
    let contact = header(&register, "Contact").to_owned();
    assert!(
        contact.starts_with(&format!("<sip:850@{peer};transport=tls")),
        "{contact} from {peer}"
    );
    stream.write_all(ok(&register).as_bytes()).unwrap();
    daemon.wait_line("is registered at");
    let caller = Caller::new("TLS", stream.get_ref().local_addr().unwrap(), "by-tls");
    let invite = caller.request("INVITE", 1, &session("127.0.0.1", 4000, "0"));
    stream.write_all(invite.as_bytes()).unwrap();
    let answer = loop {
        let answer = message(&mut stream);
        if !answer.starts_with("SIP/2.0 100") {
            break answer;
        }
    };
    assert!(answer.starts_with("SIP/2.0 200 OK"), "{answer}");
    assert!(header(&answer, "Contact").contains(";transport=tls"), "{answer}");
    drop(stream);
    daemon.stop();
}

#[test]
fn registers_by_tls_1_3_and_is_called_by_that_connection() {
    registers_and_is_called(31, &[&TLS13]);
}

#[test]
fn registers_by_tls_1_2_and_is_called_by_that_connection() {
    registers_and_is_called(32, &[&TLS12]);
}

/// What the journal says of a registrar whose handshake fails; the connection carries no REGISTER.
fn failure(host: u8, pbx: &Pbx, name: &str, ca: &Authority, tls: &str) -> String {
    let daemon = daemon(host, pbx, name, ca, tls);
    if let Ok(mut stream) = pbx.accept() {
        let mut octets = Vec::new();
        let _ = stream.read_to_end(&mut octets);
        assert_eq!(
            String::from_utf8_lossy(&octets),
            "",
            "spoke to somebody it must not believe"
        );
    }
    let line = daemon.wait_line("no TLS connection with");
    daemon.stop();
    line
}

#[test]
fn a_registrar_that_cannot_be_believed_gets_no_octet() {
    const BOTH: &[&SupportedProtocolVersion] = &[&TLS13, &TLS12];
    let ca = authority();
    let other = own(named("pbx.other.example"), &ca);
    let line = failure(33, &Pbx::new(&other, None, BOTH), "localhost", &ca, "");
    assert!(
        line.contains("pbx.other.example") && line.contains("not for localhost"),
        "{line}"
    );

    let foreign = own(named("localhost"), &authority());
    let line = failure(34, &Pbx::new(&foreign, None, BOTH), "localhost", &ca, "");
    assert!(line.contains("a CA that is not trusted here"), "{line}");

    let mut params = named("localhost");
    params.not_before = rcgen::date_time_ymd(2020, 1, 1);
    params.not_after = rcgen::date_time_ymd(2024, 2, 29);
    let line = failure(35, &Pbx::new(&own(params, &ca), None, BOTH), "localhost", &ca, "");
    assert!(line.contains("expired on 2024-02-29"), "{line}");

    // The registrar is written as a number, the certificate has a name only.
    let right = own(named("localhost"), &ca);
    let line = failure(36, &Pbx::new(&right, None, BOTH), "127.0.0.1", &ca, "");
    assert!(line.contains("not for 127.0.0.1"), "{line}");
}

#[test]
fn a_registrar_by_number_and_one_that_wants_our_certificate() {
    let ca = authority();
    let right = own(named("127.0.0.1"), &ca);
    let pbx = Pbx::new(&right, Some(&ca), &[&TLS13]);
    let board = own(named("board.quayside.example"), &ca);
    let tls = "certificate = \"board.pem\"\nkey = \"board.key\"";
    let daemon = Daemon::with(37, |folder| {
        board.save(folder, "board");
        std::fs::write(folder.join("ca.pem"), ca.pem()).unwrap();
        (
            r#"listen = ["udp:127.0.71.37:5060"]"#.to_owned(),
            pbx.registrar("127.0.0.1"),
            format!("[tls]\nca = \"ca.pem\"\n{tls}"),
        )
    });
    let mut stream = pbx.accept().unwrap();
    assert!(message(&mut stream).starts_with("REGISTER "));
    let shown = stream.conn.peer_certificates().unwrap()[0].clone();
    assert_eq!(shown, board.der().0[0]);
    daemon.stop();

    for (host, version) in [(38, &TLS13), (39, &TLS12)] {
        let pbx = Pbx::new(&right, Some(&ca), &[version]);
        let line = failure(host, &pbx, "127.0.0.1", &ca, "");
        assert!(line.contains("certificate of ours"), "{line}");
    }
}

/// What answers something else than TLS: a plain SIP server, and one that knows no version of ours (a fatal alert,
/// RFC 8446 §6.2: protocol_version is 70).
#[test]
fn what_is_no_tls_is_told() {
    for (host, answer, wanted) in [
        (40, b"SIP/2.0 400 Bad Request\r\n\r\n".as_slice(), "is not TLS"),
        (41, &[0x15, 3, 1, 0, 2, 2, 70], "no TLS version in common"),
        (42, b"", "closed the connection"),
    ] {
        let ca = authority();
        let pbx = Pbx::new(&own(named("localhost"), &ca), None, &[&TLS13]);
        let daemon = daemon(host, &pbx, "localhost", &ca, "");
        let (mut stream, _) = pbx.listener.accept().unwrap();
        let mut hello = [0; 5];
        stream.read_exact(&mut hello).unwrap();
        stream.write_all(answer).unwrap();
        // What is left of the hello is read, so that the end is no reset.
        stream.set_read_timeout(Some(Duration::from_millis(200))).unwrap();
        let _ = stream.read(&mut [0; 4096]);
        drop(stream);
        let line = daemon.wait_line("no TLS connection with");
        assert!(line.contains(wanted), "{line}");
        daemon.stop();
    }
}

/// A daemon that listens for TLS.
fn listening(host: u8, ca: &Authority, more: &str) -> (Daemon, String) {
    let board = own(named("board.quayside.example"), ca);
    let address = format!("127.0.71.{host}:5061");
    let daemon = Daemon::with(host, |folder| {
        board.save(folder, "board");
        std::fs::write(folder.join("ca.pem"), ca.pem()).unwrap();
        (
            format!(r#"listen = ["udp:127.0.71.{host}:5060", "tls:{address}"]"#),
            String::new(),
            format!("[tls]\ncertificate = \"board.pem\"\nkey = \"board.key\"\n{more}"),
        )
    });
    (daemon, address)
}

/// A phone that connects from one of our addresses.
fn client(
    from: &str,
    to: &str,
    ca: &Authority,
    own: Option<&Own>,
) -> std::io::Result<StreamOwned<ClientConnection, TcpStream>> {
    let builder = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots(ca));
    let config = match own.map(Own::der) {
        Some((chain, key)) => builder.with_client_auth_cert(chain, key).unwrap(),
        None => builder.with_no_client_auth(),
    };
    let name = ServerName::try_from("board.quayside.example").unwrap();
    let mut session = ClientConnection::new(Arc::new(config), name).unwrap();
    let mut stream = connect(from, to)?;
    while session.is_handshaking() {
        session.complete_io(&mut stream)?;
    }
    Ok(StreamOwned::new(session, stream))
}

/// The status of an OPTIONS.
fn ask(stream: &mut StreamOwned<ClientConnection, TcpStream>, id: &str) -> std::io::Result<String> {
    let own = stream.get_ref().local_addr()?;
    stream.write_all(Caller::new("TLS", own, id).request("OPTIONS", 1, "").as_bytes())?;
    let mut octets = [0; 4096];
    match stream.read(&mut octets)? {
        0 => Err(ErrorKind::UnexpectedEof.into()),
        n => Ok(String::from_utf8_lossy(&octets[..n.min(11)]).into_owned()),
    }
}

#[test]
fn phones_connect_by_tls_and_may_have_to_show_a_certificate() {
    let ca = authority();
    let (daemon, address) = listening(43, &ca, "");
    let mut phone = client("127.0.72.1", &address, &ca, None).unwrap();
    assert_eq!(ask(&mut phone, "open").unwrap(), "SIP/2.0 200");
    daemon.stop();

    let (daemon, address) = listening(44, &ca, "client_ca = \"ca.pem\"");
    let good = own(named("phone.quayside.example"), &ca);
    let mut phone = client("127.0.72.1", &address, &ca, Some(&good)).unwrap();
    assert_eq!(ask(&mut phone, "shown").unwrap(), "SIP/2.0 200");
    // In TLS 1.3 the refusal comes after the client's side of the handshake.
    let refused = |own: Option<&Own>| {
        let asked = client("127.0.72.2", &address, &ca, own).and_then(|mut phone| ask(&mut phone, "refused"));
        assert!(asked.is_err(), "{asked:?}");
    };
    refused(None);
    daemon.wait_line("it shows no certificate");
    refused(Some(&own(named("phone.quayside.example"), &authority())));
    daemon.wait_line("a CA that is not trusted here");
    daemon.stop();
}

/// Hundreds that begin a handshake and leave it: bounded, and in nobody's way, not even in that of who shares the
/// address with them.
#[test]
fn half_open_handshakes_are_few_and_hinder_nobody() {
    let ca = authority();
    let (daemon, address) = listening(45, &ca, "");
    let before = daemon.descriptors();
    let mut lying = Vec::new();
    let mut most = 0;
    for i in 0..400 {
        let from = format!("127.0.72.{}", 10 + i % 100);
        let mut stream = connect(&from, &address).unwrap();
        // Some say nothing, some the beginning of a hello.
        if i % 2 == 0 {
            let _ = stream.write_all(&[0x16, 3, 1, 2, 0, 1, 0]);
        }
        lying.push(stream);
        most = most.max(daemon.descriptors());
    }
    // Sixteen handshakes; the queue of what was accepted and not yet looked at; as many again that have given way and are
    // being closed.
    assert!(most < before + 16 + 2 * 64 + 4, "from {before} to {most} descriptors");
    let until = Instant::now() + Duration::from_secs(5);
    while daemon.descriptors() > before + 16 && Instant::now() < until {
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(
        daemon.descriptors() <= before + 16,
        "{} left of {before}",
        daemon.descriptors()
    );
    for from in ["127.0.72.9", "127.0.72.10"] {
        let mut phone = client(from, &address, &ca, None).unwrap();
        assert_eq!(ask(&mut phone, from).unwrap(), "SIP/2.0 200");
    }
    drop(lying);
    daemon.stop();
}

/// Slow loris: a hello in single octets, and one that never ends, are cut off after ten seconds; strangers at once.
#[test]
fn a_handshake_that_takes_too_long_is_cut_off() {
    let ca = authority();
    let (daemon, address) = listening(46, &ca, "");
    let began = Instant::now();
    let mut silent = connect("127.0.72.1", &address).unwrap();
    let mut slow = connect("127.0.72.2", &address).unwrap();
    let mut stranger = connect("127.0.73.1", &address).unwrap();
    assert_eq!(stranger.read(&mut [0; 64]).unwrap_or(0), 0);
    silent.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
    let mut dripped = 0;
    while began.elapsed() < Duration::from_secs(30) && slow.write_all(&[0x16]).is_ok() {
        dripped += 1;
        std::thread::sleep(Duration::from_millis(100));
    }
    assert!(dripped < 250, "was read for 25 s and more");
    assert_eq!(silent.read(&mut [0; 64]).unwrap_or(0), 0);
    daemon.stop();
}

#[test]
fn garbage_instead_of_a_hello_ends_the_connection() {
    let ca = authority();
    let (daemon, address) = listening(47, &ca, "");
    for i in 0..40u8 {
        let mut stream = connect("127.0.72.1", &address).unwrap();
        let octets: Vec<u8> = (0..600u32)
            .map(|n| (n.wrapping_mul(2_654_435_761) >> 13) as u8 ^ i)
            .collect();
        let request = Caller::new("TLS", stream.local_addr().unwrap(), "plain").request("OPTIONS", 1, "");
        let _ = stream.write_all(if i % 2 == 0 { &octets } else { request.as_bytes() });
        // An alert perhaps, and the end.
        let mut got = Vec::new();
        let _ = stream.read_to_end(&mut got);
        assert!(got.len() < 64 && !got.starts_with(b"SIP"), "{got:?}");
    }
    let line = daemon.wait_line("is not TLS");
    assert!(line.contains("PEER=127.0.72.1:"), "{line}");
    let told = daemon
        .lines()
        .iter()
        .filter(|l| l.contains("no TLS connection"))
        .count();
    assert!(told <= 2, "{told}");
    let mut phone = client("127.0.72.1", &address, &ca, None).unwrap();
    assert_eq!(ask(&mut phone, "after").unwrap(), "SIP/2.0 200");
    daemon.stop();
}
