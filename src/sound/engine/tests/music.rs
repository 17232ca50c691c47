//! Music below the pages: its level, its way down and up, its ceiling.

use super::*;
use crate::sound::follow::MUSIC_QUEUE;
use crate::sound::tap::MusicBlock;

/// A bench with music of one pitch at this level (peak), and what feeds it.
struct Player {
    bench: Bench,
    music: rtrb::Producer<MusicBlock>,
    sent: u64,
    began: Instant,
    pitch: f32,
    level: f32,
}

impl Player {
    fn new(ducking: Ducking, zones: Vec<ZoneId>, ceiling: f32) -> Self {
        let output = |zone, channel| ZoneOutput {
            zone,
            channel,
            gain: Db(0.0),
            filters: Vec::new(),
            ceiling: Dbfs(ceiling),
        };
        let mut bench = Bench::with(&[output(FRONT, 0), output(YARD, 1)], 2);
        let (music, blocks) = rtrb::RingBuffer::new(MUSIC_QUEUE);
        let input = MusicInput {
            blocks,
            zones,
            gain: Db(-6.0),
            ducking,
            broken: Arc::default(),
        };
        let (engine, handle) = Engine::build(&[output(FRONT, 0), output(YARD, 1)], 2);
        bench.engine = engine.with_music(vec![input]);
        bench.handle = handle;
        Player {
            began: bench.now,
            bench,
            music,
            sent: 0,
            pitch: 500.0,
            level: 0.5,
        }
    }

    fn run(&mut self, ms: usize) -> Vec<Vec<f32>> {
        let mut all = vec![Vec::new(); 2];
        for _ in 0..ms / 5 {
            let samples = std::array::from_fn(|n| {
                let t = (self.sent * BLOCK as u64 + n as u64) as f64 / 48_000.0;
                self.level * (std::f64::consts::TAU * f64::from(self.pitch) * t).sin() as f32
            });
            self.sent += 1;
            let at = self.began + Duration::from_millis(5) * self.sent as u32;
            let gap = self.sent == 1;
            assert!(self.music.push(MusicBlock { samples, at, gap }).is_ok());
            let part = self.bench.run(5);
            all.iter_mut().zip(part).for_each(|(a, p)| a.extend(p));
        }
        all
    }

    fn hold(&mut self, zone: ZoneId, held: bool) {
        let hold = if held { Hold::Page } else { Hold::Free };
        self.bench.send(Command::Hold { zone, hold });
    }
}

fn level(samples: &[f32]) -> f32 {
    let power: f32 = samples.iter().map(|x| x * x).sum();
    20.0 * (power / samples.len() as f32).sqrt().max(1e-9).log10()
}

/// The largest step between neighbours: 500 Hz at its level makes 0.066 of the amplitude.
fn step(samples: &[f32]) -> f32 {
    samples.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max)
}

const DUCK: Ducking = Ducking {
    depth: Db(-20.0),
    fade_out: Duration::from_millis(300),
    fade_in: Duration::from_secs(2),
};

#[test]
fn music_gives_way_where_a_page_holds_the_zone_and_comes_back() {
    let mut player = Player::new(DUCK, vec![FRONT, YARD], 0.0);
    player.run(500);
    let own = level(&player.run(500)[0]);
    // 0.5 is −9.03 dBFS RMS; its gain takes 6 off.
    assert!((own + 15.05).abs() < 0.05, "{own}");
    player.hold(FRONT, true);
    let down = player.run(300);
    let held = player.run(500);
    assert!((level(&held[0]) - (own - 20.0)).abs() < 0.1, "{}", level(&held[0]));
    assert!((level(&held[1]) - own).abs() < 0.05, "the other zone plays on");
    player.hold(FRONT, false);
    let up = player.run(2000);
    assert!(
        level(&up[0][48_000 - 2400..48_000]) < own - 3.0,
        "half-way after a second"
    );
    let back = player.run(500);
    assert!((level(&back[0]) - own).abs() < 0.05, "{}", level(&back[0]));
    for part in [&down[0], &held[0], &up[0], &back[0]] {
        let largest = step(part);
        assert!(largest < 0.25 * 0.0667, "{largest}");
    }
}

#[test]
fn muted_is_silence_and_turning_round_half_way_makes_no_click() {
    let mute = Ducking {
        depth: Db(f32::NEG_INFINITY),
        ..DUCK
    };
    let mut player = Player::new(mute, vec![YARD], 0.0);
    player.run(1000);
    player.hold(YARD, true);
    player.run(310);
    let held = player.run(300);
    assert!(held[1].iter().all(|x| *x == 0.0), "digital silence");
    let mut all = Vec::new();
    for (held, ms) in [(false, 700), (true, 100), (false, 300), (true, 400), (false, 2100)] {
        player.hold(YARD, held);
        all.extend(player.run(ms).swap_remove(1));
    }
    assert!(step(&all) < 0.25 * 0.0667, "{}", step(&all));
    assert!((level(&all[all.len() - 4800..]) + 15.05).abs() < 0.1);
    assert!(
        player.run(50)[0].iter().all(|x| *x == 0.0),
        "no music in the other zone"
    );
}

#[test]
fn speech_and_music_together_stay_below_the_ceiling() {
    let mut player = Player::new(DUCK, vec![FRONT], -6.0);
    player.level = 1.0;
    player.run(1000);
    let mut feed = player.bench.attach(1, 8000);
    feed.samples(&sine(8000, 700.0, 0.99, 2000));
    player.hold(FRONT, true);
    player.bench.speak(FRONT, 1);
    let out = player.run(1500).swap_remove(0);
    let peak = out.iter().fold(0f32, |peak, x| peak.max(x.abs()));
    assert!(peak <= Dbfs(-6.0).amplitude(), "{peak}");
    assert!(peak > Dbfs(-6.5).amplitude(), "it is there: {peak}");
}

#[test]
fn without_a_zone_of_the_card_it_is_nowhere() {
    let mut player = Player::new(DUCK, vec![ZoneId(9)], 0.0);
    player.hold(ZoneId(9), true);
    let out = player.run(500);
    assert!(out.iter().flatten().all(|x| *x == 0.0));
}

/// Another system has the zone: silence soon, even where music plays on below pages; it comes back as after a page.
#[test]
fn music_is_silent_while_another_system_has_the_zone() {
    let mut player = Player::new(DUCK, vec![FRONT, YARD], 0.0);
    player.run(1000);
    let zone = FRONT;
    player.bench.send(Command::Hold {
        zone,
        hold: Hold::Silence,
    });
    let mut all = player.run(30).swap_remove(0);
    let taken = player.run(500);
    assert!(taken[0].iter().all(|x| *x == 0.0), "digital silence");
    assert!((level(&taken[1]) + 15.05).abs() < 0.1, "the other zone plays on");
    // A page begins as it is given back.
    player.bench.send(Command::Hold { zone, hold: Hold::Page });
    all.extend(player.run(2500).swap_remove(0));
    assert!((level(&all[all.len() - 4800..]) + 35.05).abs() < 0.2);
    player.bench.send(Command::Hold { zone, hold: Hold::Free });
    all.extend(player.run(2500).swap_remove(0));
    assert!((level(&all[all.len() - 4800..]) + 15.05).abs() < 0.1);
    // Faster than a page's fade, and still no click.
    assert!(step(&all) < 0.25 * 0.075, "{}", step(&all));
}
