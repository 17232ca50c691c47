//! A line input and music by ALSA capture: the null sink of a second sound server stands for the microphone mixer and the
//! player, its monitor for the capture device.

use std::f64::consts::TAU;
use std::path::Path;
use std::process::Command;

use crate::lab::daemon::Site;
use crate::lab::process::run;
use crate::lab::pulse::Pulse;
use crate::lab::sound;
use crate::lab::speech::{Band, Speech, must_be_as_good, score};
use crate::lab::{Lab, pause, seconds};

/// The mixer is the left channel of the source, the player the right one.
fn site(lab: &Lab, card: &Pulse, mixer: &Pulse) -> Site {
    card.add_capture("mixer", mixer);
    let environment = card.environment();
    // A sound server gives what it captures in coarse pieces, which have to be caught up with the lead: a short one keeps
    // the words as they are.
    Site::new(lab).alsa("pulse", environment).sawmill_lead("100 ms").table(
        r#"
[inputs.foreman]
input = "alsa:mixer"
channel = 1
hang = "1500 ms"
zones = ["sawmill"]
levelled = false

[music.yard-music]
input = "alsa:mixer"
channel = 2
zones = ["yard", "sawmill"]
when_paging = "mute"
fade_out = "200 ms"
fade_in = "1 s"
"#,
    )
}

/// On the left only, after 3 s of a noise like the recording's own, as a mixer would give it.
fn left(lab: &Lab, name: &str, speech: &Path) -> std::path::PathBuf {
    let file = |suffix: &str| lab.path(&format!("{name}-{suffix}.wav"));
    let (noise, mono, both, stereo) = (file("noise"), file("48k"), file("both"), file("left"));
    let sox = || {
        let mut command = Command::new("sox");
        command.arg("-D");
        command
    };
    run(sox()
        .args(["-n", "-r", "48000", "-b", "16", "-c", "1"])
        .arg(&noise)
        .args(["synth", "3", "whitenoise", "vol", "0.0055"]));
    run(sox().arg(speech).args(["-r", "48000", "-b", "16"]).arg(&mono));
    run(sox().arg(&noise).arg(&mono).arg(&both));
    run(sox().arg(&both).arg(&stereo).args(["remix", "1", "0"]));
    stereo
}

/// A minute of 440 Hz, on the right only.
fn music(lab: &Lab) -> std::path::PathBuf {
    let path = lab.path("music-right.wav");
    run(Command::new("sox")
        .args(["-D", "-n", "-r", "48000", "-b", "16"])
        .arg(&path)
        .args(["synth", "60", "sine", "440", "gain", "-20", "remix", "0", "1"]));
    path
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_line_input_pages_from_its_first_syllable_and_its_device_may_go_and_come() {
    let lab = Lab::new("lines-page");
    let speech = Speech::long(&lab);
    let pulse = Pulse::start(&lab);
    let mut mixer = Pulse::named(&lab, "mixer");
    let site = site(&lab, &pulse, &mixer);
    let mut daemon = site.start(&lab);
    daemon.wait_ready(10.0);
    daemon.process.wait(
        &["alsa:mixer captures for line input foreman, music yard-music"],
        seconds(10.0),
    );
    pause(2.0);
    daemon.must_be_at_rest();

    let said = left(&lab, "speech", &speech.wide);
    let recorder = pulse.record(&lab, "monitor.wav");
    mixer.play(&said).wait_end(seconds(40.0));
    daemon.wait_records(1, 10.0);
    daemon.wait_rest(5.0);
    let recording = recorder.stop();
    // What was spoken is the ideal: linear samples all the way. A first syllable that is missing would cost a great deal.
    let result = score(Band::Wide, &speech.wide, &recording, 1, &speech.wide);
    must_be_as_good("line input", result);
    assert!(result.level.abs() < 1.0, "its own level: {result:?}");
    let record = daemon.records().remove(0);
    assert_eq!(record.field("END_REASON"), "stream-ended");
    assert_eq!(record.field("SOURCE"), "foreman");
    assert_eq!(record.field("LOST"), "0");

    // The device goes in the middle of a page: the page ends. It is told when it goes and when opening it fails for another
    // cause, and then no more.
    let mut cut = mixer.play(&said);
    daemon.process.wait(&["page 2 from foreman is heard"], seconds(15.0));
    pause(2.0);
    let mark = daemon.process.mark();
    mixer.kill();
    cut.kill();
    daemon.process.wait_from(
        mark,
        &["nothing is heard from line input foreman, music yard-music until it does"],
        seconds(15.0),
    );
    daemon.wait_records(2, 15.0);
    daemon.wait_rest(5.0);
    pause(6.0);
    let told = daemon.process.count(&["nothing is heard from"]);
    assert!((1..=2).contains(&told), "told {told} times");

    // It comes back: the next page is whole.
    let mark = daemon.process.mark();
    mixer.restart();
    daemon
        .process
        .wait_from(mark, &["captures for line input foreman"], seconds(30.0));
    pause(1.5);
    let recorder = pulse.record(&lab, "after.wav");
    mixer.play(&said).wait_end(seconds(40.0));
    daemon.wait_records(3, 10.0);
    daemon.wait_rest(5.0);
    let recording = recorder.stop();
    daemon.stop(10.0);
    let result = score(Band::Wide, &speech.wide, &recording, 1, &speech.wide);
    must_be_as_good("line input, after its device came back", result);
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn music_is_muted_while_the_line_speaks_and_comes_back_without_a_click() {
    let lab = Lab::new("lines-music");
    let speech = Speech::short(&lab);
    let pulse = Pulse::start(&lab);
    let mixer = Pulse::named(&lab, "mixer");
    let site = site(&lab, &pulse, &mixer);
    let mut daemon = site.start(&lab);
    daemon.wait_ready(10.0);
    daemon.process.wait(&["captures for line input foreman"], seconds(10.0));
    let mut player = mixer.play(&music(&lab));
    // The server's streams begin by fits and starts.
    pause(7.0);
    let recorder = pulse.record(&lab, "monitor.wav");
    pause(3.0);
    let said = left(&lab, "speech", &speech.wide);
    mixer.play(&said).wait_end(seconds(40.0));
    daemon.wait_records(1, 10.0);
    daemon.wait_rest(5.0);
    pause(3.0);
    let heard = sound::read(&recorder.stop());
    player.kill();
    daemon.stop(10.0);

    // sox gives a sine of −20 dBFS peak, and a zone takes nothing off: −23 dBFS.
    let own = -23.0;
    let sawmill = heard.levels(1, 0.1);
    let begins: Vec<f64> = sawmill[5..20].to_vec();
    assert!(begins.iter().all(|l| (l - own).abs() < 0.5), "{begins:?}");
    let ends = &sawmill[sawmill.len() - 12..sawmill.len() - 7];
    assert!(ends.iter().all(|l| (l - own).abs() < 0.5), "it is back: {ends:?}");
    // Between the last word and the music there is silence: the hang time and the release.
    let silent = sawmill.iter().filter(|l| **l < -60.0).count();
    assert!(silent >= 10, "{silent} tenths of a second: {sawmill:?}");
    // The other zone plays on, and its tone is whole: every step of it is a step of 440 Hz.
    let yard = heard.part(0, 0.5, heard.seconds() - 0.7);
    let most = 10f32.powf(-20.0 / 20.0) * (TAU * 440.0 / 48_000.0) as f32;
    let step = yard.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max);
    assert!(step < 1.1 * most, "a step of {step}, the tone's are {most}");
    // Nor do the fades click: the same bound holds where the music is alone.
    let first = sawmill.iter().rposition(|l| *l < -60.0).expect("silence") as f64 * 0.1;
    let back = heard.part(1, first, heard.seconds() - 0.7);
    let step = back.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max);
    assert!(step < 1.1 * most, "a step of {step}, the tone's are {most}");
}
