//! One table of the file: its keys known, its values of the right kind.

use std::collections::{BTreeMap, BTreeSet};
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use super::plan::{AudioDevice, ContactLine, RelayLine};
use super::problem::step;
use super::schema::Key;
use super::value::{Named, Route, Value};
use crate::bench::levels::cable::Cable;
use crate::bench::levels::line::Tap;
use crate::bench::levels::pad::Pad;
use crate::bench::levels::quantity::{Level, Ohms, Watts};
use crate::calendar::{Dates, Hours, Ring};
use crate::gate::Pattern;
use crate::media::Codec;
use crate::sip::agent::{Registrar, Transport};
use crate::sip::network::Network;
use crate::sound::filter::Shape;

#[derive(Debug, Clone)]
struct Given {
    value: Value,
    at: usize,
}

/// One table.
#[derive(Debug, Clone)]
pub(super) struct Sheet {
    /// Path without the last name, such as `zones`.
    pub section: &'static str,
    /// Empty for sections without names.
    pub name: String,
    /// Byte offset of the name in the file.
    pub at: usize,
    values: BTreeMap<&'static str, Given>,
    /// Keys that are there, right or wrong.
    written: BTreeSet<&'static str>,
}

impl Sheet {
    /// Without any key yet.
    pub fn new(section: &'static str, name: &str, at: usize) -> Self {
        Sheet {
            section,
            name: name.to_owned(),
            at,
            values: BTreeMap::new(),
            written: BTreeSet::new(),
        }
    }

    /// Notes that a key is there, and its value if that is right.
    pub fn write(&mut self, key: &'static str, value: Option<Value>, at: usize) {
        self.written.insert(key);
        if let Some(value) = value {
            self.values.insert(key, Given { value, at });
        }
    }

    /// Gives a key that is not there its default.
    pub fn default(&mut self, key: &'static str, value: Value) {
        let at = self.at;
        self.values.entry(key).or_insert(Given { value, at });
    }

    /// `zones.yard.lead`.
    pub fn path(&self, key: &str) -> String {
        let mut out = self.section.to_owned();
        for part in [self.name.as_str(), key] {
            if !part.is_empty() {
                out.push('.');
                out.push_str(&step(part));
            }
        }
        out
    }

    /// Where a key's value stands; the table's own place when it is not written.
    pub fn at(&self, key: &str) -> usize {
        self.values.get(key).map_or(self.at, |g| g.at)
    }

    /// The key is there, right or wrong.
    pub fn wrote(&self, key: &str) -> bool {
        self.written.contains(key)
    }

    /// The key has a value: written and right, inherited or by default.
    pub fn has(&self, key: &str) -> bool {
        self.values.contains_key(key)
    }

    fn value(&self, key: &str) -> Option<&Value> {
        self.values.get(key).map(|g| &g.value)
    }

    pub fn text(&self, key: &str) -> Option<&str> {
        match self.value(key) {
            Some(Value::Text(t)) => Some(t),
            _ => None,
        }
    }

    pub fn flag(&self, key: &str) -> Option<bool> {
        match self.value(key) {
            Some(Value::Flag(b)) => Some(*b),
            _ => None,
        }
    }

    pub fn integer(&self, key: &str) -> Option<i64> {
        match self.value(key) {
            Some(Value::Integer(n)) => Some(*n),
            _ => None,
        }
    }

    /// A time; the word "none" counts as no value.
    pub fn duration(&self, key: &str) -> Option<Duration> {
        match self.value(key) {
            Some(Value::Duration(d)) => *d,
            _ => None,
        }
    }

    pub fn decibel(&self, key: &str) -> Option<f32> {
        match self.value(key) {
            Some(Value::Decibel(n)) => Some(*n),
            _ => None,
        }
    }

    pub fn codecs(&self, key: &str) -> &[Codec] {
        match self.value(key) {
            Some(Value::Codecs(list)) => list,
            _ => &[],
        }
    }

    pub fn codec(&self, key: &str) -> Option<Codec> {
        self.codecs(key).first().copied()
    }

    pub fn names(&self, key: &str) -> &[Named] {
        match self.value(key) {
            Some(Value::Names(list)) => list,
            _ => &[],
        }
    }

    pub fn device(&self, key: &str) -> Option<&AudioDevice> {
        match self.value(key) {
            Some(Value::Device(d)) => Some(d),
            _ => None,
        }
    }

    pub fn integers(&self, key: &str) -> &[i64] {
        match self.value(key) {
            Some(Value::Integers(list)) => list,
            _ => &[],
        }
    }

    pub fn contact(&self, key: &str) -> Option<&ContactLine> {
        match self.value(key) {
            Some(Value::Contact(line)) => Some(line),
            _ => None,
        }
    }

    pub fn line(&self, key: &str) -> Option<&RelayLine> {
        match self.value(key) {
            Some(Value::Line(l)) => Some(l),
            _ => None,
        }
    }

    pub fn listen(&self, key: &str) -> Option<&[(Transport, SocketAddr, usize)]> {
        match self.value(key) {
            Some(Value::Listen(l)) => Some(l),
            _ => None,
        }
    }

    pub fn ports(&self, key: &str) -> Option<(u16, u16)> {
        match self.value(key) {
            Some(Value::Ports(p)) => Some(*p),
            _ => None,
        }
    }

    pub fn networks(&self, key: &str) -> &[Network] {
        match self.value(key) {
            Some(Value::Networks(n)) => n,
            _ => &[],
        }
    }

    pub fn address(&self, key: &str) -> Option<IpAddr> {
        match self.value(key) {
            Some(Value::Address(a)) => Some(*a),
            _ => None,
        }
    }

    /// Registrars or proxies, each with its byte offset; none if the key is absent or says so.
    pub fn registrars(&self, key: &str) -> &[(Registrar, usize)] {
        match self.value(key) {
            Some(Value::Registrars(list)) => list,
            _ => &[],
        }
    }

    pub fn socket_address(&self, key: &str) -> Option<SocketAddr> {
        match self.value(key) {
            Some(Value::SocketAddress(a)) => Some(*a),
            _ => None,
        }
    }

    pub fn callers(&self, key: &str) -> &[(Pattern, usize)] {
        match self.value(key) {
            Some(Value::Callers(list)) => list,
            _ => &[],
        }
    }

    pub fn filters(&self, key: &str) -> &[Shape] {
        match self.value(key) {
            Some(Value::Filters(list)) => list,
            _ => &[],
        }
    }

    /// A level on a line.
    pub fn signal(&self, key: &str) -> Option<Level> {
        match self.value(key) {
            Some(Value::Signal(level)) => Some(*level),
            _ => None,
        }
    }

    pub fn ohms(&self, key: &str) -> Option<Ohms> {
        match self.value(key) {
            Some(Value::Ohms(ohms)) => Some(*ohms),
            _ => None,
        }
    }

    pub fn watts(&self, key: &str) -> Option<Watts> {
        match self.value(key) {
            Some(Value::Watts(watts)) => Some(*watts),
            _ => None,
        }
    }

    /// A pad; the word "none" counts as no value.
    pub fn pad(&self, key: &str) -> Option<Pad> {
        match self.value(key) {
            Some(Value::Pad(pad)) => *pad,
            _ => None,
        }
    }

    pub fn cable(&self, key: &str) -> Option<Cable> {
        match self.value(key) {
            Some(Value::Cable(cable)) => Some(*cable),
            _ => None,
        }
    }

    pub fn taps(&self, key: &str) -> &[Tap] {
        match self.value(key) {
            Some(Value::Taps(list)) => list,
            _ => &[],
        }
    }

    pub fn hours(&self, key: &str) -> Hours {
        match self.value(key) {
            Some(Value::Hours(list)) => Hours(list.clone()),
            _ => Hours::default(),
        }
    }

    pub fn moments(&self, key: &str) -> &[Ring] {
        match self.value(key) {
            Some(Value::Moments(list)) => list,
            _ => &[],
        }
    }

    pub fn dates(&self, key: &str) -> &[Dates] {
        match self.value(key) {
            Some(Value::Dates(list)) => list,
            _ => &[],
        }
    }

    pub fn routes(&self, key: &str) -> &[Route] {
        match self.value(key) {
            Some(Value::Routes(list)) => list,
            _ => &[],
        }
    }

    pub fn urgent(&self, key: &str) -> &[(String, u8)] {
        match self.value(key) {
            Some(Value::Urgent(list)) => list,
            _ => &[],
        }
    }

    /// The key is there but could not be read: more about it would be noise.
    pub fn faulty(&self, key: &str) -> bool {
        self.wrote(key) && !self.has(key)
    }

    /// Gives a key that is not written the value of `defaults`.
    pub fn inherit(&mut self, key: &Key, defaults: &Sheet) {
        if defaults.written.contains(key.name) {
            self.written.insert(key.name);
            if let Some(given) = defaults.values.get(key.name) {
                self.values.insert(key.name, given.clone());
            }
        }
    }
}

/// All tables of a file, each section in the order of the file.
#[derive(Debug, Default)]
pub(super) struct Sheets {
    all: Vec<Sheet>,
}

impl Sheets {
    pub fn add(&mut self, sheet: Sheet) {
        self.all.push(sheet);
    }

    /// The tables of a section; at most one for a section without names.
    pub fn of(&self, section: &str) -> impl Iterator<Item = &Sheet> + Clone {
        self.all.iter().filter(move |s| s.section == section)
    }

    /// Every list of zones of the file, those of `but` left out.
    pub fn zone_lists(&mut self, but: &str) -> impl Iterator<Item = &mut Vec<Named>> {
        let values = self.all.iter_mut().filter(move |s| s.section != but);
        let values = values.flat_map(|s| s.values.iter_mut());
        values.flat_map(|(key, given)| match &mut given.value {
            Value::Names(list) if *key == "zones" => vec![list],
            Value::Routes(routes) => routes.iter_mut().map(|route| &mut route.zones).collect(),
            _ => Vec::new(),
        })
    }

    /// Its index among [`Sheets::of`] the section.
    pub fn index(&self, section: &str, name: &str) -> Option<usize> {
        self.of(section).position(|s| s.name == name)
    }
}
