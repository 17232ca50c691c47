use std::sync::Arc;

use super::*;

fn played(player: &mut Player, block: usize) -> Vec<f32> {
    let mut all = Vec::new();
    let mut out = vec![9.0; block];
    while !player.is_over() {
        player.fill(&mut out);
        all.extend(&out);
        assert!(all.len() < 1_000_000);
    }
    player.fill(&mut out);
    assert!(out.iter().all(|x| *x == 0.0), "silence at the end");
    all
}

#[test]
fn every_run_is_the_recording_and_the_gap_is_silence() {
    let recording = Arc::new(load(&wav(48_000, &sine(48_000, 440.0, 0.5, 1000))).unwrap());
    let run: Vec<f32> = samples(&recording).iter().map(|x| x * Db(-6.0).factor()).collect();
    let repeats = Repeats {
        times: 3,
        gap: Duration::from_millis(10),
    };
    assert_eq!(
        repeats.length(recording.length()),
        Duration::from_micros(3 * 20_833 + 20_000)
    );
    for block in [1, 7, 240, 5000] {
        let mut player = Player::new(recording.clone(), Db(-6.0), repeats);
        let all = played(&mut player, block);
        let wanted = [&run[..], &[0.0; 480], &run, &[0.0; 480], &run].concat();
        assert_eq!(all.len(), wanted.len().div_ceil(block) * block);
        for (n, (a, b)) in wanted.iter().zip(&all).enumerate() {
            assert!((a - b).abs() < 1e-6, "block {block}, frame {n}");
        }
    }
}

#[test]
fn a_run_can_be_made_the_last() {
    let recording = Arc::new(load(&wav(48_000, &sine(48_000, 440.0, 0.5, 1000))).unwrap());
    let repeats = Repeats {
        times: 9,
        gap: Duration::from_millis(10),
    };
    let frames = |before: usize| {
        let mut player = Player::new(recording.clone(), Db(0.0), repeats);
        let mut out = vec![0.0; before];
        player.fill(&mut out);
        player.end_run();
        player.end_run();
        before + played(&mut player, 1).len()
    };
    assert_eq!(frames(0), 1000, "before the first");
    assert_eq!(frames(500), 1000);
    assert_eq!(frames(1000), 1000, "at its end");
    assert_eq!(frames(1200), 1200, "in the gap");
    assert_eq!(frames(1480), 2480, "before the second");
    assert_eq!(frames(1500), 2480);
}
