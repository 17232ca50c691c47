use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use super::*;
use crate::page::RelayRules;

fn relay(name: &str, line: RelayLine) -> Relay {
    Relay {
        name: name.to_owned(),
        line,
        active_low: false,
        optional: false,
        rules: RelayRules::default(),
    }
}

fn yard_relays() -> Vec<Relay> {
    ["yard-trigger", "yard-mute", "office-mute"]
        .map(|name| relay(name, RelayLine::Simulated))
        .to_vec()
}

fn moves(relays: &SimulatedRelays) -> Vec<(u16, bool)> {
    relays.movements().iter().map(|m| (m.relay.0, m.operated)).collect()
}

#[test]
fn movements_are_recorded_in_order_and_only_when_something_moves() {
    let simulated = SimulatedRelays::new();
    let mut bank = open_with(&yard_relays(), &simulated).unwrap();
    for (relay, operated) in [(1, true), (0, true), (0, true), (1, false), (2, false)] {
        bank.set(RelayId(relay), operated).unwrap();
    }
    assert_eq!(moves(&simulated), [(1, true), (0, true), (1, false)]);
    assert!(simulated.movements().is_sorted_by_key(|m| m.at));
    assert!(simulated.operated(RelayId(0)) && !simulated.operated(RelayId(1)));
}

#[test]
fn dropping_the_bank_puts_every_relay_to_rest() {
    let simulated = SimulatedRelays::new();
    let mut bank = open_with(&yard_relays(), &simulated).unwrap();
    bank.set(RelayId(0), true).unwrap();
    bank.set(RelayId(2), true).unwrap();
    drop(bank);
    assert_eq!(moves(&simulated), [(0, true), (2, true), (0, false), (2, false)]);
}

#[test]
fn a_panic_puts_every_relay_to_rest() {
    let simulated = SimulatedRelays::new();
    let caught = catch_unwind(AssertUnwindSafe(|| {
        let mut bank = open_with(&yard_relays(), &simulated).unwrap();
        bank.set(RelayId(0), true).unwrap();
        bank.set(RelayId(1), true).unwrap();
        panic!("a fault in the control task");
    }));
    assert!(caught.is_err());
    assert_eq!(moves(&simulated), [(0, true), (1, true), (0, false), (1, false)]);
}

#[test]
fn one_stuck_line_keeps_no_other_from_rest() {
    let simulated = SimulatedRelays::new();
    let mut bank = open_with(&yard_relays(), &simulated).unwrap();
    for relay in 0..3 {
        bank.set(RelayId(relay), true).unwrap();
    }
    simulated.fault(RelayId(1), Some("the expander does not answer"));
    let error = bank.set(RelayId(1), false).unwrap_err();
    assert_eq!(
        error.to_string(),
        "relay yard-mute: simulated line: the expander does not answer"
    );
    bank.rest();
    assert!(!simulated.operated(RelayId(0)) && !simulated.operated(RelayId(2)));
    assert!(simulated.operated(RelayId(1)), "it is stuck");
    simulated.fault(RelayId(1), None);
    drop(bank);
    assert!(!simulated.operated(RelayId(1)));
}

#[test]
fn opening_finds_what_a_killed_daemon_left_operated() {
    let simulated = SimulatedRelays::new();
    let mut bank = open_with(&yard_relays(), &simulated).unwrap();
    bank.set(RelayId(1), true).unwrap();
    let busy = open_with(&yard_relays(), &simulated).err().unwrap();
    assert_eq!(busy.len(), 3, "the lines are claimed");
    assert!(simulated.operated(RelayId(1)), "a refused claim moves nothing");
    // As after a kill: no destructor of the bank runs, the kernel lets go of the lines, which keep their levels.
    std::mem::forget(bank);
    simulated.release_all();
    assert!(simulated.operated(RelayId(1)));
    drop(open_with(&yard_relays(), &simulated).unwrap());
    assert!(!simulated.operated(RelayId(1)));
}

#[test]
fn every_missing_line_is_named_and_optional_ones_are_left_out() {
    let missing_chip = |name: &str, optional| Relay {
        optional,
        rules: RelayRules::default(),
        ..relay(
            name,
            RelayLine::Gpio {
                chip: "gpiochip-of-nowhere".to_owned(),
                offset: 17,
            },
        )
    };
    let simulated = SimulatedRelays::new();
    let all = [
        missing_chip("yard-trigger", false),
        relay("yard-mute", RelayLine::Simulated),
        missing_chip("lamp", true),
        missing_chip("office-mute", false),
    ];
    let errors = open_with(&all, &simulated).err().unwrap();
    let names: Vec<&str> = errors.iter().map(|e| e.relay.as_str()).collect();
    assert_eq!(names, ["yard-trigger", "office-mute"]);
    assert!(
        errors[0]
            .to_string()
            .starts_with("relay yard-trigger: gpiochip-of-nowhere line 17: no such GPIO chip; there "),
        "{}",
        errors[0]
    );

    let mut bank = open_with(&all[1..3], &simulated).unwrap();
    assert_eq!(bank.missing().len(), 1);
    assert_eq!(bank.missing()[0].relay, "lamp");
    bank.set(RelayId(1), true).unwrap();
    bank.set(RelayId(0), true).unwrap();
    assert_eq!(moves(&simulated), [(0, true)]);
    assert!(
        bank.set(RelayId(2), true)
            .unwrap_err()
            .to_string()
            .contains("no such relay")
    );
}

#[test]
fn what_is_no_gpio_chip_is_not_driven() {
    for chip in ["/dev/null", "/proc/version"] {
        let line = RelayLine::Gpio {
            chip: chip.to_owned(),
            offset: 0,
        };
        let errors = rest_all(&[relay("yard-trigger", line)]).unwrap_err();
        assert!(errors[0].cause.contains("is not a"), "{}", errors[0]);
    }
    assert_eq!(rest_all(&yard_relays()), Ok(()));
}

/// The kernel's simulated chip, where it has one and this is root: drives real lines and reads what came out.
/// (Linux documentation, admin-guide/gpio/gpio-sim.)
#[test]
fn real_lines_follow_with_active_low_and_rest_on_drop() {
    let Some(chip) = GpioSim::new(8) else {
        eprintln!("no gpio-sim in this kernel, or not root: not checked");
        return;
    };
    let line = |offset| RelayLine::Gpio {
        chip: chip.name.clone(),
        offset,
    };
    let relays = [
        relay("trigger", line(3)),
        Relay {
            active_low: true,
            ..relay("mute", line(4))
        },
    ];
    let mut bank = open(&relays).unwrap();
    assert_eq!((chip.level(3), chip.level(4)), (0, 1), "at rest");
    bank.set(RelayId(0), true).unwrap();
    bank.set(RelayId(1), true).unwrap();
    assert_eq!((chip.level(3), chip.level(4)), (1, 0), "operated");
    let errors = open(&relays).err().unwrap();
    assert_eq!(errors[0].cause, "the line is in use by \"hornwire\"");
    bank.rest();
    assert_eq!((chip.level(3), chip.level(4)), (0, 1), "at rest again");
    drop(bank);
    let errors = open(&[relay("beyond", line(8))]).err().unwrap();
    assert_eq!(errors[0].cause, "the chip has lines 0 to 7 only");
}

struct GpioSim {
    config: std::path::PathBuf,
    sys: std::path::PathBuf,
    name: String,
}

impl GpioSim {
    fn new(lines: u32) -> Option<Self> {
        let config = Path::new("/sys/kernel/config/gpio-sim").join(format!("hornwire-{}", std::process::id()));
        std::fs::create_dir_all(config.join("bank0")).ok()?;
        std::fs::write(config.join("bank0/num_lines"), lines.to_string()).unwrap();
        std::fs::write(config.join("live"), "1").unwrap();
        let read = |file: &str| std::fs::read_to_string(config.join(file)).unwrap().trim().to_owned();
        let name = read("bank0/chip_name");
        let sys = Path::new("/sys/devices/platform").join(read("dev_name")).join(&name);
        Some(GpioSim { config, sys, name })
    }

    fn level(&self, line: u32) -> u32 {
        let text = std::fs::read_to_string(self.sys.join(format!("sim_gpio{line}/value"))).unwrap();
        text.trim().parse().unwrap()
    }
}

impl Drop for GpioSim {
    fn drop(&mut self) {
        let _ = std::fs::write(self.config.join("live"), "0");
        let _ = std::fs::remove_dir(self.config.join("bank0"));
        let _ = std::fs::remove_dir(&self.config);
    }
}
