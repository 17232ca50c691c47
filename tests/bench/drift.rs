//! A stream whose sender's clock is off for days: the delay must stay, and nothing may be lost or made up. In simulated
//! time, through receiver and playout. Timestamps and sequence numbers wrap on the way.

use std::time::{Duration, Instant};

use hornwire::media::{Codec, PayloadMap, Playout, PlayoutFigures, PlayoutSettings, Received, Receiver};

use crate::chain::payloads;
use crate::signal::{PACKET_TIME, rtp};
use crate::{Extent, Failure, Row};

/// What the card takes at once.
const BLOCK: Duration = Duration::from_millis(5);
/// The playout settles in this time.
const SETTLED: Duration = Duration::from_secs(30);
/// Number of the first packet: 32 bits of timestamp end 38 hours after it.
const FIRST: u64 = 20_000_000;

pub fn rows(extent: Extent) -> Vec<Row> {
    [500.0, -500.0]
        .map(|ppm| Row {
            what: format!(
                "drift of {ppm:+} ppm for {:.1} h (simulated): delay, late, made up",
                hours(extent)
            ),
            figure: run(ppm, extent.drifting).map_err(Failure::Broken).map(|run| {
                format!(
                    "{:.0} to {:.0} ms, {}, {} ms",
                    run.least, run.most, run.figures.late, run.figures.concealed_ms
                )
            }),
            goal: "constant delay, nothing lost".to_owned(),
        })
        .into()
}

fn hours(extent: Extent) -> f64 {
    extent.drifting.as_secs_f64() / 3600.0
}

struct Run {
    least: f32,
    most: f32,
    figures: PlayoutFigures,
}

fn run(ppm: f64, length: Duration) -> Result<Run, String> {
    let map = PayloadMap::static_types();
    let mut receiver = Receiver::new(map);
    let mut playout = Playout::new(&map, PlayoutSettings::default())?;
    let payloads = payloads(Codec::Pcmu)?;
    let start = Instant::now();
    let interval = PACKET_TIME.as_secs_f64() * (1.0 - ppm * 1e-6);
    let (mut sent, mut now) = (0u64, Duration::ZERO);
    let (mut least, mut most) = (f32::MAX, 0.0f32);
    let mut before = PlayoutFigures::default();
    while now < length {
        while sent as f64 * interval <= now.as_secs_f64() {
            let at = start + Duration::from_secs_f64(sent as f64 * interval);
            let datagram = rtp(FIRST + sent, 0, 160, &payloads[sent as usize % payloads.len()]);
            if let Received::Packet { packet, .. } = receiver.handle(&datagram, at) {
                while let Some(kept) = receiver.take_kept() {
                    playout.push(&kept);
                }
                playout.push(&packet);
            }
            sent += 1;
        }
        playout.next_block(start + now);
        now += BLOCK;
        if now == SETTLED {
            before = playout.figures();
        }
        if now > SETTLED {
            let delay = playout.figures().delay_ms;
            (least, most) = (least.min(delay), most.max(delay));
        }
    }
    let mut figures = playout.figures();
    figures.concealed_ms -= before.concealed_ms;
    let moved = figures.shortened_ms as f64 - figures.stretched_ms as f64;
    let expected = length.as_secs_f64() * ppm * 1e-3;
    if (moved - expected).abs() > 100.0 + 0.02 * expected.abs() {
        return Err(format!(
            "{moved} ms were taken out, where the clocks are {expected} ms apart"
        ));
    }
    Ok(Run { least, most, figures })
}
