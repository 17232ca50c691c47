//! How much of a card's period the audio callback takes, natively, at a large site's worst moment.

use std::time::Duration;

use crate::chain::{Chain, LARGE};
use crate::{Extent, Failure, Row};

/// A card's period.
const PERIOD: Duration = Duration::from_millis(10);

pub fn rows(extent: Extent) -> Vec<Row> {
    let figure = took(extent.audio.1).map_err(Failure::Broken);
    let share = |d: Duration| 100.0 * d.as_secs_f64() / PERIOD.as_secs_f64();
    vec![Row {
        what: "audio callback, 8 zones, 32 groups: median, 999 of 1000, worst".to_owned(),
        figure: figure.map(|sorted| {
            let at = |part: f64| share(sorted[(part * (sorted.len() - 1) as f64) as usize]);
            format!("{:.1}, {:.1}, {:.1} % of its 10 ms", at(0.5), at(0.999), at(1.0))
        }),
        goal: "the worst is the machine's: other programs run too".to_owned(),
    }]
}

/// Each callback of so many seconds, sorted.
fn took(seconds: u32) -> Result<Vec<Duration>, String> {
    let mut chain = Chain::new(LARGE)?;
    let mut all = Vec::new();
    for _ in 0..seconds.max(10) * 50 {
        all.extend(chain.step());
    }
    chain.heard()?;
    all.sort();
    Ok(all)
}
