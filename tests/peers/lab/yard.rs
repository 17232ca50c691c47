//! What most tests begin with: a phone system, and a daemon that is registered with it as 850 for the yard.

use super::Lab;
use super::daemon::{Daemon, Site};
use super::kamailio::{Kamailio, Wish};
use super::phone::{Call, Phone};
use super::sipp::{Scenario, Sipp};
use std::path::Path;

type Change = Box<dyn FnOnce(Site, &Kamailio) -> Site>;

/// How the yard is set up.
pub struct Setup {
    lab: Lab,
    wish: Wish,
    more: String,
    changes: Vec<Change>,
}

/// All of it running. Dropped in this order.
pub struct Yard {
    pub daemon: Daemon,
    pub kamailio: Kamailio,
    pub site: Site,
    pub lab: Lab,
}

impl Setup {
    pub fn new(name: &str) -> Setup {
        Setup {
            lab: Lab::new(name),
            wish: Wish::default(),
            more: String::new(),
            changes: Vec::new(),
        }
    }

    pub fn lab(&self) -> &Lab {
        &self.lab
    }

    pub fn wish(mut self, wish: Wish) -> Setup {
        self.wish = wish;
        self
    }

    /// Further lines of 850's table.
    pub fn with(mut self, more: &str) -> Setup {
        self.more += more;
        self.more.push('\n');
        self
    }

    /// Anything else in the config.
    pub fn site(mut self, change: impl FnOnce(Site, &Kamailio) -> Site + 'static) -> Setup {
        self.changes.push(Box::new(change));
        self
    }

    /// Starts both and waits until 850 is registered.
    pub fn start(self) -> Yard {
        let kamailio = Kamailio::start_with(&self.lab, &self.wish);
        let mut site = Site::new(&self.lab);
        for change in self.changes {
            site = change(site, &kamailio);
        }
        let zones = if self.more.contains("zones =") {
            ""
        } else {
            "zones = [\"yard\"]\n"
        };
        let site = site.extension("850", &kamailio.registrar(), &format!("{zones}{}", self.more));
        let daemon = site.start(&self.lab);
        kamailio.wait_registered("850", true, 10.0);
        Yard {
            daemon,
            kamailio,
            site,
            lab: self.lab,
        }
    }
}

impl Yard {
    /// SIPp calls through the phone system.
    pub fn sipp(&self, file: &str, number: &str, speech: &Path) -> Sipp {
        Scenario::new(file, self.kamailio.address(), number, speech).start(&self.lab)
    }

    /// A SIPp call of this many milliseconds, from its INVITE to the 200 for its BYE.
    pub fn whole_call(&self, speech: &Path, milliseconds: u32) {
        let scenario = Scenario {
            length: milliseconds,
            ..Scenario::new("call.xml", self.kamailio.address(), "850", speech)
        };
        scenario.start(&self.lab).must_pass(20.0);
    }

    /// The desk phone calls through the phone system; the call is up.
    pub fn phone(&self, call: &Call) -> Phone {
        let phone = call.start(&self.lab, &self.kamailio);
        phone.wait_answer(5.0);
        phone
    }

    /// The end of a test: so many pages are recorded, and a good end.
    pub fn finish(&mut self, pages: usize) {
        self.daemon.wait_records(pages, 10.0);
        self.daemon.wait_rest(5.0);
        self.daemon.stop(20.0);
    }

    /// How each page ended, in order.
    pub fn reasons(&self) -> Vec<String> {
        self.daemon.records().iter().map(|r| r.field("END_REASON")).collect()
    }
}
