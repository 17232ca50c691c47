//! A phone system in small: a registrar with digest, and a stateless record-routing proxy (RFC 3261 §10, §16.11)
//! in front of what has registered.

use std::collections::{BTreeMap, VecDeque};
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use md5::{Digest as _, Md5};
use rand::Rng as _;
use tokio::net::UdpSocket;
use tokio::sync::Notify;
use tokio::task::JoinHandle;

use super::message::{Message, address, destination, endpoint, param, user};
use super::{Log, MAX_DATAGRAM, PeerError, any_port, bind};
use crate::sip::digest::{Expected, verify};
use crate::sip::secret::Secret;

/// Registered contacts at one time.
const MAX_BINDINGS: usize = 32;
/// Nonces that are still taken; the oldest go.
const MAX_NONCES: usize = 32;
/// Answers kept for repeated requests.
const MAX_ANSWERED: usize = 32;
/// Seconds that a registration may last.
const MAX_EXPIRES: u32 = 3600;
const DEFAULT_EXPIRES: u32 = 3600;

/// Who may register.
#[derive(Debug, Clone)]
pub struct Account {
    pub user: String,
    pub password: Secret,
}

#[derive(Debug, Clone)]
pub struct RegistrarSettings {
    /// Loopback address to listen on, at any free port.
    pub address: IpAddr,
    pub realm: String,
    pub accounts: Vec<Account>,
    /// Algorithms of the challenges, preferred first (RFC 8760 §2.3).
    pub algorithms: Vec<&'static str>,
}

/// It serves until it is dropped.
pub struct Registrar {
    address: SocketAddr,
    shared: Arc<Shared>,
    task: JoinHandle<()>,
}

struct Shared {
    bindings: Mutex<BTreeMap<String, Binding>>,
    changed: Notify,
}

#[derive(Debug, Clone)]
struct Binding {
    contact: String,
    until: Instant,
}

impl Registrar {
    /// Binds and begins to serve; must be called inside a tokio runtime.
    ///
    /// # Errors
    /// When the address cannot be bound.
    pub async fn start(settings: RegistrarSettings, log: Log) -> Result<Self, PeerError> {
        let (socket, address) = bind("registrar", any_port(settings.address)).await?;
        let shared = Arc::new(Shared {
            bindings: Mutex::default(),
            changed: Notify::new(),
        });
        let desk = Desk {
            settings,
            socket,
            address,
            shared: Arc::clone(&shared),
            nonces: VecDeque::new(),
            answered: VecDeque::new(),
            log,
        };
        Ok(Registrar {
            address,
            shared,
            task: tokio::spawn(desk.serve()),
        })
    }

    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Where a user is registered now.
    pub fn contact(&self, user: &str) -> Option<String> {
        let bindings = self.shared.bindings();
        bindings
            .get(user)
            .filter(|b| b.until > Instant::now())
            .map(|b| b.contact.clone())
    }

    /// Waits until the user is registered (`true`), or no longer is (`false`). Gives whether it came to that in time.
    pub async fn wait_for(&self, user: &str, registered: bool, at_most: Duration) -> bool {
        let wait = async {
            loop {
                let changed = self.shared.changed.notified();
                if self.contact(user).is_some() == registered {
                    return;
                }
                changed.await;
            }
        };
        tokio::time::timeout(at_most, wait).await.is_ok()
    }
}

impl Drop for Registrar {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Shared {
    fn bindings(&self) -> MutexGuard<'_, BTreeMap<String, Binding>> {
        self.bindings.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The serving side.
struct Desk {
    settings: RegistrarSettings,
    socket: UdpSocket,
    address: SocketAddr,
    shared: Arc<Shared>,
    /// With the highest nonce count seen.
    nonces: VecDeque<(String, u32)>,
    /// Topmost Via of the last registrations, with the answer.
    answered: VecDeque<(String, Message)>,
    log: Log,
}

const NAME: &str = "phone system";

impl Desk {
    async fn serve(mut self) {
        let mut buffer = vec![0; MAX_DATAGRAM];
        loop {
            let Ok((length, source)) = self.socket.recv_from(&mut buffer).await else {
                // The kernel tells of an earlier datagram that nobody took; the next one may fare better.
                tokio::task::yield_now().await;
                continue;
            };
            let Some(message) = Message::read(buffer.get(..length).unwrap_or_default()) else {
                continue;
            };
            let out = match message.method() {
                None => self.response(message),
                Some("REGISTER") => Some((source, self.register_once(&message))),
                Some(_) => self.request(message, source),
            };
            if let Some((to, message)) = out {
                let _ = self.socket.send_to(&message.octets(), to).await;
            }
        }
    }

    /// A repeated request gets the same answer again (RFC 3261 §17.2.2).
    fn register_once(&mut self, request: &Message) -> Message {
        let via = request.get("Via").unwrap_or_default().to_owned();
        if let Some((_, answer)) = self.answered.iter().find(|(seen, _)| *seen == via) {
            return answer.clone();
        }
        let answer = self.register(request);
        if self.answered.len() == MAX_ANSWERED {
            self.answered.pop_front();
        }
        self.answered.push_back((via, answer.clone()));
        answer
    }

    /// RFC 3261 §10.3.
    fn register(&mut self, request: &Message) -> Message {
        let Some(account) = self.authorised(request) else {
            return self.challenge(request);
        };
        let asked = request.get("Expires").and_then(|e| e.trim().parse().ok());
        let now = Instant::now();
        let mut kept = None;
        for contact in request.list("Contact") {
            let (uri, params) = address(&contact);
            let expires: u32 = param(params, "expires")
                .and_then(|e| e.parse().ok())
                .or(asked)
                .unwrap_or(DEFAULT_EXPIRES)
                .min(MAX_EXPIRES);
            let mut bindings = self.shared.bindings();
            if expires == 0 || uri == "*" {
                if bindings.remove(&account).is_some() {
                    self.log.note(NAME, format!("{account} has unregistered"));
                }
            } else if bindings.len() < MAX_BINDINGS || bindings.contains_key(&account) {
                let until = now + Duration::from_secs(expires.into());
                let contact = uri.to_owned();
                if bindings.insert(account.clone(), Binding { contact, until }).is_none() {
                    self.log.note(
                        NAME,
                        format!("{account} is registered for {expires} s, to be reached at {uri}"),
                    );
                }
                kept = Some(format!("<{uri}>;expires={expires}"));
            }
        }
        self.shared.changed.notify_waiters();
        let mut ok = Message::response(request, 200, "OK", &token(8));
        if let Some(contact) = kept {
            ok.push("Contact", contact);
        }
        ok
    }

    /// The account that the request is for and that its credentials belong to.
    fn authorised(&mut self, request: &Message) -> Option<String> {
        let (to, _) = address(request.get("To")?);
        let authorization = request.get("Authorization")?;
        for (nonce, last) in &mut self.nonces {
            let expected = Expected {
                method: "REGISTER",
                body: request.body.as_bytes(),
                realm: &self.settings.realm,
                nonce,
            };
            let password = |user: &str| {
                let account = self.settings.accounts.iter().find(|a| a.user == user);
                account.map(|a| a.password.clone())
            };
            if let Some(seen) = verify(authorization, &expected, password) {
                let fresh = seen.count > *last;
                *last = seen.count.max(*last);
                return (fresh && user(to) == Some(&seen.user)).then_some(seen.user);
            }
        }
        None
    }

    fn challenge(&mut self, request: &Message) -> Message {
        let nonce = token(32);
        let name = address(request.get("To").unwrap_or_default()).0;
        let name = user(name).unwrap_or("somebody").to_owned();
        // Credentials for a nonce that is no longer known: only that is wrong with them, as far as one can tell.
        let authorization = request.get("Authorization");
        let known = |a: &str| self.nonces.iter().any(|(nonce, _)| a.contains(nonce.as_str()));
        let stale = authorization.is_some_and(|a| !known(a));
        let first_time = authorization.is_none();
        let mut response = Message::response(request, 401, "Unauthorized", &token(8));
        for algorithm in &self.settings.algorithms {
            let realm = &self.settings.realm;
            let stale = if stale { ", stale=true" } else { "" };
            response.push(
                "WWW-Authenticate",
                format!("Digest realm=\"{realm}\", nonce=\"{nonce}\", algorithm={algorithm}, qop=\"auth\"{stale}"),
            );
        }
        if self.nonces.len() == MAX_NONCES {
            self.nonces.pop_front();
        }
        self.nonces.push_back((nonce, 0));
        let what = if first_time || stale {
            format!("asks {name} for its password ({})", self.settings.algorithms.join(", "))
        } else {
            format!("does not believe {name}'s password")
        };
        self.log.note(NAME, what);
        response
    }

    /// Passes a request on (RFC 3261 §16.6), or answers it.
    fn request(&self, mut request: Message, source: SocketAddr) -> Option<(SocketAddr, Message)> {
        let ack = request.method() == Some("ACK");
        let refuse = |request: &Message, status, reason| {
            // There is no answer to an ACK.
            (!ack).then(|| (source, Message::response(request, status, reason, &token(8))))
        };
        let via = request.pop("Via")?;
        request.push_front("Via", marked(&via, source));
        let hops: u32 = request.get("Max-Forwards").and_then(|m| m.parse().ok()).unwrap_or(70);
        if hops == 0 {
            return refuse(&request, 483, "Too Many Hops");
        }
        request.set("Max-Forwards", (hops - 1).to_string());

        let is_us = |uri: &str| destination(uri) == Some(self.address);
        if request
            .list("Route")
            .first()
            .is_some_and(|route| is_us(address(route).0))
        {
            request.pop("Route");
        }
        let uri = request.uri()?.to_owned();
        let next = match request.list("Route").first() {
            Some(route) => address(route).0.to_owned(),
            None if is_us(&uri) => {
                let name = user(&uri).unwrap_or_default();
                let contact = {
                    let bindings = self.shared.bindings();
                    let binding = bindings.get(name).filter(|b| b.until > Instant::now());
                    binding.map(|b| b.contact.clone())
                };
                let Some(contact) = contact else {
                    return refuse(&request, 404, "Not Found");
                };
                let method = request.method()?.to_owned();
                request.start = format!("{method} {contact} SIP/2.0");
                contact
            }
            None => uri,
        };
        // A demonstration stays on its own machine.
        let Some(to) = destination(&next).filter(|to| to.ip().is_loopback()) else {
            return refuse(&request, 403, "Forbidden");
        };
        if request.method() == Some("INVITE") {
            request.push_front("Record-Route", format!("<sip:{};lr>", self.address));
        }
        // The same for every repetition, the CANCEL and the ACK of a transaction (RFC 3261 §16.11).
        let branch: String = Md5::digest(via.as_bytes()).iter().map(|b| format!("{b:02x}")).collect();
        request.push_front("Via", format!("SIP/2.0/UDP {};branch=z9hG4bK{branch}", self.address));
        Some((to, request))
    }

    /// Passes a response back along the Vias (RFC 3261 §16.7, §18.2.2).
    fn response(&self, mut response: Message) -> Option<(SocketAddr, Message)> {
        let ours = response.pop("Via")?;
        if via_place(&ours) != Some(self.address) {
            return None;
        }
        let next = response.list("Via").into_iter().next()?;
        let mut to = via_place(&next)?;
        if let Some(received) = param(&next, "received").and_then(|r| r.parse().ok()) {
            to.set_ip(received);
        }
        if let Some(port) = param(&next, "rport").and_then(|p| p.parse().ok()) {
            to.set_port(port);
        }
        Some((to, response))
    }
}

/// Sent-by of a Via with a numeric address.
fn via_place(via: &str) -> Option<SocketAddr> {
    let sent_by = via.split_once(' ')?.1;
    endpoint(sent_by.split(';').next()?)
}

/// A Via with where its request came from (RFC 3581 §4).
fn marked(via: &str, source: SocketAddr) -> String {
    let kept: Vec<&str> = via
        .split(';')
        .filter(|p| !p.trim().eq_ignore_ascii_case("rport"))
        .collect();
    format!("{};received={};rport={}", kept.join(";"), source.ip(), source.port())
}

fn token(length: usize) -> String {
    let mut rng = rand::rng();
    (0..length)
        .map(|_| char::from_digit(rng.random_range(0..16), 16).unwrap_or('0'))
        .collect()
}
