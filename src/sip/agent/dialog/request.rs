//! Requests of ours within a call: BYE, UPDATE, re-INVITE and the ACK to its 2xx (RFC 3261 §12.2.1.1).

use crate::sip::agent::registration::own_via;
use crate::sip::agent::{Agent, CallId, Flow};
use crate::sip::wire::Writer;

/// Headers with their values.
pub(in crate::sip::agent) type Headers = Vec<(&'static str, String)>;

/// A request that is ready to go.
pub(in crate::sip::agent) struct Outgoing {
    pub(in crate::sip::agent) branch: String,
    pub(in crate::sip::agent) flow: Flow,
    pub(in crate::sip::agent) cseq: u32,
    /// For the ACK, which carries the same (RFC 3261 §13.2.2.4).
    pub(in crate::sip::agent) credentials: Headers,
    pub(in crate::sip::agent) octets: Vec<u8>,
}

impl Agent {
    /// The next request in the call's sequence. `None` if there is no such call.
    pub(in crate::sip::agent) fn compose(
        &mut self,
        call: CallId,
        method: &str,
        headers: &Headers,
        body: &[u8],
    ) -> Option<Outgoing> {
        let cnonce = self.token();
        let c = self.calls.get_mut(&call)?;
        c.local_cseq += 1;
        let cseq = c.local_cseq;
        let uri = String::from_utf8_lossy(&c.way().uri).into_owned();
        let credentials = self
            .settings
            .extension(c.extension)
            .and_then(|e| c.auth.headers(e, method, &uri, body, &cnonce).ok())
            .unwrap_or_default();
        self.write(call, method, cseq, credentials, headers, body)
    }

    /// The ACK to a 2xx: a transaction of its own, with the INVITE's number.
    pub(in crate::sip::agent) fn compose_ack(
        &mut self,
        call: CallId,
        cseq: u32,
        credentials: Headers,
    ) -> Option<Outgoing> {
        self.write(call, "ACK", cseq, credentials, &Headers::new(), b"")
    }

    fn write(
        &mut self,
        call: CallId,
        method: &str,
        cseq: u32,
        credentials: Headers,
        headers: &Headers,
        body: &[u8],
    ) -> Option<Outgoing> {
        let branch = self.branch();
        let c = self.calls.get(&call)?;
        let way = c.way();
        let mut out = Writer::request(method, &way.uri);
        out.header("Via", own_via(&way.flow, &branch))
            .header("Max-Forwards", "70");
        for route in &way.routes {
            out.header("Route", route);
        }
        out.header("From", &c.local)
            .header("To", &c.remote)
            .header("Call-ID", &c.call_id)
            .header("CSeq", format!("{cseq} {method}"));
        for (name, value) in credentials.iter().chain(headers) {
            out.header(name, value);
        }
        out.header("User-Agent", &self.settings.product);
        Some(Outgoing {
            branch,
            flow: way.flow,
            cseq,
            credentials,
            octets: out.finish(body),
        })
    }
}
