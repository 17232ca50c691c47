//! What must have been understood of a request.

use std::collections::HashMap;

use hornwire::sip::wire::{Address, Carrier, Message, Request, Uri};

use super::notation::{Case, plain};
use super::world::World;

/// Every key that a case may ask for; absent values are `none`, parameters without value are empty.
fn seen(request: &Request, world: &World) -> HashMap<String, Vec<u8>> {
    let mut out: HashMap<String, Vec<u8>> = HashMap::new();
    let mut put = |key: &str, value: Option<Vec<u8>>| {
        out.insert(key.to_owned(), value.unwrap_or_else(|| b"none".to_vec()));
    };
    let number = |n: u32| Some(n.to_string().into_bytes());
    put("method", Some(request.method_name.clone()));
    put("cseq", number(request.cseq));
    put("max-forwards", request.max_forwards.and_then(number));
    put("call-id", Some(request.call_id.clone()));
    put("body", number(request.message.body.len() as u32));
    put("vias", number(request.message.list("Via").unwrap().len() as u32));
    put("branch", request.via.branch().map(<[u8]>::to_vec));
    put("via.transport", Some(request.via.transport.clone()));
    put("via.host", Some(request.via.host.to_string().into_bytes()));
    put("via.received", request.via.params.value("received").map(<[u8]>::to_vec));
    if let Uri::Sip(uri) = &request.uri {
        put("user", uri.user_name());
        put("host", Some(uri.host.to_string().into_bytes()));
        put("port", uri.port.map(u32::from).and_then(number));
    }
    let mut address = |name: &str, address: &Address| {
        put(&format!("{name}.tag"), address.tag().map(<[u8]>::to_vec));
        put(&format!("{name}.display"), Some(address.display.clone()));
        put(&format!("{name}.uri"), Some(address.raw_uri.clone()));
        put(&format!("{name}.user"), address.uri.sip().and_then(|u| u.user_name()));
        for param in ["q", "newparam", "secondparam", "unknownparam"] {
            let value = address.params.find(param).map(|v| v.unwrap_or_default().to_vec());
            put(&format!("{name}.{param}"), value);
        }
    };
    address("from", &request.from);
    address("to", &request.to);
    if let Some(contact) = &request.contact {
        address("contact", contact);
    }
    if let Some(incoming) = world.incoming.first() {
        let offer = if incoming.offer.is_some() { "yes" } else { "no" };
        put("offer", Some(offer.into()));
        put("caller", Some(incoming.caller.clone().into_bytes()));
        put("dialled", Some(incoming.dialled.clone().into_bytes()));
    }
    out
}

pub fn faults(case: &Case, octets: &[u8], world: &World) -> Vec<String> {
    let mut faults = Vec::new();
    let mut fault = |text: String| faults.push(format!("{}: {text}", case.name));
    if let Some(wanted) = case.key("see") {
        let message = Message::read(octets, Carrier::Datagram).unwrap();
        let length = message.body.len();
        match Request::read(message) {
            Err(broken) => fault(format!("not understood: {}", broken.0)),
            Ok(request) => {
                let seen = seen(&request, world);
                for pair in wanted.split(' ') {
                    let (key, value) = pair.split_once('=').unwrap();
                    let value = if value == "«body»" {
                        length.to_string().into_bytes()
                    } else {
                        plain(value)
                    };
                    if seen.get(key) != Some(&value) {
                        let got = seen.get(key).map(|v| String::from_utf8_lossy(v).into_owned());
                        fault(format!(
                            "{key} is {got:?} instead of {}",
                            String::from_utf8_lossy(&value)
                        ));
                    }
                }
            }
        }
    }
    if let Some(wanted) = case.key("header") {
        let (name, value) = wanted.split_once('=').unwrap_or((wanted, ""));
        let answers = world.answers();
        let got = answers.last().and_then(|(_, m)| m.first(name));
        if got.is_none_or(|got| !value.is_empty() && got != plain(value)) {
            fault(format!("{name} is {:?}", got.map(String::from_utf8_lossy)));
        }
    }
    faults
}
