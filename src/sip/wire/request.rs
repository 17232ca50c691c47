//! Messages whose required headers have been understood (RFC 3261 §8.1.1, §8.2).

use super::{Address, CSeq, Fault, Message, Start, Uri, Via, number, split_list};

/// A request line's method: one that standards define, or any other token.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RequestLine {
    Known(rsip::Method),
    Unknown(Vec<u8>),
}

impl RequestLine {
    /// Methods are case-sensitive (RFC 3261 §7.1), which the model's own reader is not.
    fn read(method: &[u8]) -> Self {
        rsip::Method::all()
            .into_iter()
            .find(|m| m.to_string().as_bytes() == method)
            .map_or_else(|| RequestLine::Unknown(method.to_vec()), RequestLine::Known)
    }

    pub fn is(&self, method: rsip::Method) -> bool {
        *self == RequestLine::Known(method)
    }
}

/// A request with everything that RFC 3261 §8.1.1 requires, as far as a lenient reader insists on it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Request {
    pub method: RequestLine,
    pub method_name: Vec<u8>,
    pub uri: Uri,
    pub raw_uri: Vec<u8>,
    pub via: Via,
    pub from: Address,
    pub to: Address,
    pub call_id: Vec<u8>,
    pub cseq: u32,
    pub max_forwards: Option<u32>,
    /// The first Contact, if there is one.
    pub contact: Option<Address>,
    /// The elements of Record-Route as they stand.
    pub record_route: Vec<Vec<u8>>,
    pub message: Message,
}

impl Request {
    /// # Errors
    /// The fault and the message, so that it can be answered.
    pub fn read(message: Message) -> Result<Request, Box<(Fault, Message)>> {
        match Self::understand(&message) {
            Ok(mut request) => {
                request.message = message;
                Ok(request)
            }
            Err(fault) => Err(Box::new((fault, message))),
        }
    }

    fn understand(message: &Message) -> Result<Request, Fault> {
        let Start::Request { method, uri } = &message.start else {
            return Err(Fault::syntax("not a request"));
        };
        if let Some(fault) = message.fault {
            return Err(fault);
        }
        let raw_uri = uri.clone();
        let uri = Uri::read(uri)?;
        // Headers inside a Request-URI are not allowed (RFC 3261 §19.1.1, RFC 4475 §3.1.2.11).
        if uri.sip().is_some_and(|u| u.headers) {
            return Err(Fault::syntax("headers in the Request-URI"));
        }
        let via = top_via(message)?;
        let from = Address::read(message.single("From")?)?;
        let to = Address::read(message.single("To")?)?;
        let call_id = message.single("Call-ID")?.to_vec();
        if call_id.is_empty() || call_id.iter().any(|b| b.is_ascii_whitespace() || b.is_ascii_control()) {
            return Err(Fault::syntax("an unreadable Call-ID"));
        }
        let cseq = CSeq::read(message.single("CSeq")?)?;
        let method_name = method.clone();
        let method = RequestLine::read(method);
        if cseq.method != method_name {
            // A method that we do not know may come with rules that we do not know (RFC 4475 §3.1.2.18).
            return Err(Fault {
                status: if matches!(method, RequestLine::Unknown(_)) {
                    501
                } else {
                    400
                },
                what: "the method of CSeq is another",
            });
        }
        let max_forwards = match message.first("Max-Forwards") {
            None => None,
            Some(_) => {
                let hops = number(message.single("Max-Forwards")?);
                Some(
                    hops.filter(|n| *n <= 255)
                        .ok_or(Fault::syntax("an unreadable Max-Forwards"))?,
                )
            }
        };
        // Which body it is must be beyond doubt.
        if message.first("Content-Type").is_some() {
            message.single("Content-Type")?;
        }
        let contact = contact(message, &method)?;
        let mut record_route = Vec::new();
        for element in message.list("Record-Route")? {
            Address::read(element)?;
            record_route.push(element.to_vec());
        }
        Ok(Request {
            method,
            method_name,
            uri,
            raw_uri,
            via,
            from,
            to,
            call_id,
            cseq: cseq.number,
            max_forwards,
            contact,
            record_route,
            // Put in place by the caller.
            message: Message {
                start: Start::Response {
                    status: 0,
                    reason: Vec::new(),
                },
                headers: Vec::new(),
                body: Vec::new(),
                fault: None,
            },
        })
    }
}

/// The first Contact; all must be readable. `*` stands alone and in REGISTER (RFC 3261 §20.10).
fn contact(message: &Message, method: &RequestLine) -> Result<Option<Address>, Fault> {
    let elements = message.list("Contact")?;
    if elements == [b"*"] && method.is(rsip::Method::Register) {
        return Ok(None);
    }
    let mut contact = None;
    for element in elements {
        let read = Address::read(element)?;
        contact.get_or_insert(read);
    }
    Ok(contact)
}

/// The topmost Via element.
pub(super) fn top_via(message: &Message) -> Result<Via, Fault> {
    let value = message.first("Via").ok_or(Fault::syntax("no Via"))?;
    let elements = split_list(value)?;
    Via::read(elements.first().copied().unwrap_or_default())
}

/// A response with what is needed to match it (RFC 3261 §17.1.3, §18.1.2).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Response {
    pub status: u16,
    /// The one Via: ours, if it is for us.
    pub via: Via,
    pub branch: Vec<u8>,
    pub cseq: CSeq,
    pub message: Message,
}

impl Response {
    /// `None`: broken or not for us; it is dropped (RFC 3261 §18.1.2).
    pub fn read(message: Message) -> Option<Response> {
        let Start::Response { status, .. } = message.start else {
            return None;
        };
        if message.fault.is_some() {
            return None;
        }
        // More than one Via: it was meant for somebody behind us (RFC 3261 §8.1.3.3).
        let vias = message.list("Via").ok()?;
        let [only] = vias.as_slice() else {
            return None;
        };
        let via = Via::read(only).ok()?;
        let branch = via.branch()?.to_vec();
        let cseq = CSeq::read(message.single("CSeq").ok()?).ok()?;
        Some(Response {
            status,
            via,
            branch,
            cseq,
            message,
        })
    }

    /// The values of a header as text, for challenges.
    pub fn texts(&self, name: &str) -> Vec<String> {
        self.message
            .all(name)
            .map(|v| String::from_utf8_lossy(v).into_owned())
            .collect()
    }
}
