//! TCP and TLS: one framer per connection (RFC 3261 §18.3).

use std::time::Instant;

use super::{Agent, ConnectionId, Flow, MAX_CONNECTIONS, Output, PARTIAL_LIMIT, Transport};
use crate::sip::wire::{Carrier, Frame, Framer, Via};

#[derive(Default)]
pub(super) struct Connection {
    framer: Framer,
    /// When the message that is not yet whole began.
    partial: Option<Instant>,
}

impl Connection {
    /// Octets that wait for the rest of their message.
    pub(super) fn held(&self) -> usize {
        self.framer.held()
    }

    pub(super) fn poll_timeout(&self) -> Option<Instant> {
        self.partial.map(|at| at + PARTIAL_LIMIT)
    }
}

impl Agent {
    /// Octets of a TCP stream, in any pieces.
    pub fn handle_stream(&mut self, flow: Flow, octets: &[u8], now: Instant) {
        let Some(id) = flow.connection else {
            self.figures.dropped += 1;
            return;
        };
        if !self.lets_in(flow.peer.ip()) {
            self.turn_away_stranger(flow, octets, now);
            self.close(id);
            return;
        }
        if !self.connections.contains_key(&id) && self.connections.len() >= MAX_CONNECTIONS {
            self.figures.dropped += 1;
            self.close(id);
            return;
        }
        let awaits_pong = self.is_alive(id, now);
        let connection = self.connections.entry(id).or_default();
        connection.framer.push(octets);
        if awaits_pong {
            connection.framer.skip_pong();
        }
        loop {
            // Answers may close the connection.
            let Some(connection) = self.connections.get_mut(&id) else {
                return;
            };
            match connection.framer.pull() {
                Some(Frame::Message(message)) => {
                    connection.partial = None;
                    self.receive(flow, &message, Carrier::Stream, now);
                }
                Some(Frame::Ping) => self.transmit(flow, b"\r\n".to_vec()),
                Some(Frame::Broken(octets)) => {
                    self.receive(flow, &octets, Carrier::Stream, now);
                    self.close(id);
                    return;
                }
                None => {
                    if connection.framer.is_pending() {
                        connection.partial.get_or_insert(now);
                    } else {
                        connection.partial = None;
                    }
                    return;
                }
            }
        }
    }

    /// The connection is gone (or could not be made: `connection` is `None` then). For UDP: the peer's port is
    /// unreachable (ICMP).
    pub fn handle_closed(&mut self, flow: Flow, now: Instant) {
        if let Some(id) = flow.connection {
            self.connections.remove(&id);
            self.forget_connection(id);
        }
        self.transport_failed(flow, now);
    }

    pub(super) fn close(&mut self, id: ConnectionId) {
        self.connections.remove(&id);
        self.forget_connection(id);
        self.outputs.push_back(Output::Close(id));
    }

    /// Answers and requests that would have gone out by it need another one (RFC 3261 §18.2.2).
    fn forget_connection(&mut self, id: ConnectionId) {
        for entry in self.servers.values_mut() {
            if entry.flow.connection == Some(id) {
                entry.flow.connection = None;
                entry.flow.peer.set_port(entry.via_port);
            }
        }
        for call in self.calls.values_mut() {
            call.forget_connection(id);
        }
    }

    pub(super) fn streams_timeout(&mut self, now: Instant) {
        let late: Vec<ConnectionId> = self
            .connections
            .iter()
            .filter(|(_, c)| c.poll_timeout().is_some_and(|at| at <= now))
            .map(|(id, _)| *id)
            .collect();
        for id in late {
            self.figures.malformed += 1;
            self.close(id);
        }
    }
}

/// Where a response goes (RFC 3261 §18.2.2, RFC 3581 §4): UDP to the source address, and to the source port if
/// `rport` asked for it, else to the port in Via; TCP back by its connection. `maddr` is not followed: answers
/// go to nobody but the sender.
pub(super) fn reply_flow(flow: Flow, via: &Via) -> Flow {
    let mut out = flow;
    if flow.transport == Transport::Udp && !via.params.has("rport") {
        out.peer
            .set_port(reply_port(via, flow.transport).unwrap_or_else(|| flow.peer.port()));
    }
    out
}

/// The port in Via; `None` for 0, to which nothing can be sent.
pub(super) fn reply_port(via: &Via, transport: Transport) -> Option<u16> {
    Some(via.port.unwrap_or(transport.default_port())).filter(|p| *p != 0)
}
