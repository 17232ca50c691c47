#![allow(clippy::disallowed_methods)]

use super::*;
use crate::media::Codec;

const EVENTS: u8 = 101;

struct Call {
    pad: Keypad,
    start: Instant,
    seq: u64,
}

impl Call {
    fn new() -> Self {
        let map = PayloadMap::new()
            .with(0, Format::Audio(Codec::Pcmu))
            .with(EVENTS, Format::TelephoneEvent);
        Call {
            pad: Keypad::new(map),
            start: Instant::now(),
            seq: 0,
        }
    }

    fn at(&self, ms: u64) -> Instant {
        self.start + Duration::from_millis(ms)
    }

    /// One key as RFC 4733 events of 100 ms at 8 kHz.
    fn event(&mut self, key: char, ms: u64) {
        for p in event::write(event::code(key).unwrap(), 10, 800, 400) {
            self.seq += 1;
            let arrival = self.at(ms + u64::from(p.due) / 8);
            let packet = Packet::new(self.seq, ms as u32 * 8, EVENTS, arrival, &p.payload).unwrap();
            self.pad.packet(&packet);
        }
    }

    fn info(&mut self, keys: &str, ms: u64) {
        let at = self.at(ms);
        self.pad.info(keys, at);
    }

    fn tone(&mut self, key: char, ms: u64) {
        let at = self.at(ms);
        self.pad.toned(key, at);
    }

    fn keys(&mut self) -> String {
        std::iter::from_fn(|| self.pad.poll()).collect()
    }
}

#[test]
fn each_way_alone() {
    let mut call = Call::new();
    "911#A".chars().zip(0..).for_each(|(k, i)| call.event(k, i * 200));
    assert_eq!(call.keys(), "911#A");

    let mut call = Call::new();
    call.info("4", 0);
    call.info("d2 !x*", 300);
    assert_eq!(call.keys(), "4D2*", "what is on no keypad is passed over");

    let mut call = Call::new();
    "4471".chars().zip(0..).for_each(|(k, i)| call.tone(k, i * 100));
    assert_eq!(call.keys(), "4471");
}

/// Phones that leave the tone in the audio beside the event: the event comes with the tone or just after it.
#[test]
fn events_with_the_tone_left_in() {
    for tone_after in [0, 40, 90, 150] {
        let mut call = Call::new();
        for (key, i) in "2255".chars().zip(0..) {
            call.event(key, i * 250);
            call.tone(key, i * 250 + tone_after);
        }
        assert_eq!(call.keys(), "2255");
        assert_eq!(call.pad.way(), Some(Way::Event));
    }
}

/// Gateways that let the first of the tone through: the tone may be counted before its event.
#[test]
fn a_tone_counted_before_its_event() {
    let mut call = Call::new();
    call.tone('7', 45);
    assert_eq!(call.keys(), "7", "at once");
    call.event('7', 60);
    assert_eq!(call.keys(), "");
    call.event('7', 300);
    call.tone('7', 310);
    call.event('8', 600);
    assert_eq!(call.keys(), "78");
}

/// INFO comes when the key is let go: several tones may be counted by then.
#[test]
fn tones_before_their_info() {
    let mut call = Call::new();
    call.tone('1', 50);
    call.tone('1', 150);
    call.tone('2', 250);
    call.info("1", 260);
    call.info("1", 300);
    call.info("2", 400);
    call.info("3", 500);
    assert_eq!(call.keys(), "1123");
    call.info("3", 9000);
    assert_eq!(call.keys(), "3");
}

/// A tone that nobody repeated (a false one, or a lost INFO) does not swallow a key of later.
#[test]
fn tones_are_not_remembered_for_long() {
    let mut call = Call::new();
    call.tone('5', 0);
    call.event('5', 1100);
    assert_eq!(call.keys(), "55");
}

#[test]
fn of_two_signalled_ways_the_first_counts() {
    let mut call = Call::new();
    for i in 0..4 {
        call.event('3', i * 400);
        call.info("3", i * 400 + 110);
    }
    assert_eq!(call.keys(), "3333");
    let mut call = Call::new();
    for i in 0..4 {
        call.info("6", i * 400);
        call.event('6', i * 400 + 30);
    }
    assert_eq!(call.keys(), "6666");
    assert_eq!(call.pad.way(), Some(Way::Info));
}

#[test]
fn is_bounded() {
    let mut call = Call::new();
    call.info(&"1".repeat(10_000), 0);
    assert_eq!(call.keys().len(), MAX_KEYS);
    let mut call = Call::new();
    for i in 0..1000 {
        call.tone('1', i);
    }
    assert_eq!(call.keys().len(), MAX_KEYS);
    call.info(&"1".repeat(20), 1000);
    assert_eq!(call.keys().len(), 20 - MAX_REPEATS);
}

/// The call of `keys` as in-band tones of 80 ms with pauses of 80 ms, encoded by `codec`, in packets of 20 ms.
fn tones(codec: Codec, keys: &str) -> Vec<Packet<'static>> {
    long_tones(codec, keys, 80)
}

/// The same with tones of `ms`.
fn long_tones(codec: Codec, keys: &str, ms: u32) -> Vec<Packet<'static>> {
    let rate = codec.sample_rate();
    let mut pcm = vec![0.0f32; rate as usize / 5];
    for key in keys.chars() {
        let row = ["123A", "456B", "789C", "*0#D"]
            .iter()
            .position(|r| r.contains(key))
            .unwrap();
        let column = ["147*", "2580", "369#", "ABCD"]
            .iter()
            .position(|c| c.contains(key))
            .unwrap();
        let (low, high) = (
            [697.0, 770.0, 852.0, 941.0][row],
            [1209.0, 1336.0, 1477.0, 1633.0][column],
        );
        pcm.extend((0..rate / 1000 * ms).map(|i| {
            let t = i as f32 / rate as f32 * std::f32::consts::TAU;
            0.18 * (t * low).sin() + 0.22 * (t * high).sin()
        }));
        pcm.extend(std::iter::repeat_n(0.0, rate as usize * 2 / 25));
    }
    pcm.extend(std::iter::repeat_n(0.0, rate as usize / 5));
    let mut encoder = crate::media::encoder::Encoder::new(codec).unwrap();
    let (payload_type, start) = (payload_type(codec), Instant::now());
    pcm.chunks_exact(rate as usize / 50)
        .zip(0u32..)
        .map(|(frame, i)| {
            let mut payload = Vec::new();
            encoder.encode(frame, &mut payload).unwrap();
            let arrival = start + Duration::from_millis(20) * i;
            let timestamp = (codec.clock_rate() / 50).wrapping_mul(i).wrapping_sub(3000);
            Packet::new(100 + u64::from(i), timestamp, payload_type, arrival, &payload)
                .unwrap()
                .into_owned()
        })
        .collect()
}

fn payload_type(codec: Codec) -> u8 {
    match codec {
        Codec::Pcmu => 0,
        Codec::Pcma => 8,
        Codec::G722 => 9,
        Codec::L16(_) => 97,
        Codec::Opus => 111,
    }
}

fn listening() -> Keypad {
    let mut pad = Keypad::new(PayloadMap::static_types().with(111, Format::Audio(Codec::Opus)));
    pad.listen(true);
    pad
}

fn dialled<'a>(pad: &mut Keypad, packets: impl IntoIterator<Item = &'a Packet<'static>>) -> String {
    packets.into_iter().for_each(|p| pad.packet(p));
    std::iter::from_fn(|| pad.poll()).collect()
}

#[test]
fn tones_in_every_codec() {
    for codec in [Codec::Pcmu, Codec::Pcma, Codec::G722, Codec::Opus] {
        let packets = tones(codec, "1590#ABCD7733");
        let mut pad = listening();
        assert_eq!(dialled(&mut pad, &packets), "1590#ABCD7733", "{codec:?}");
        assert_eq!(pad.way(), Some(Way::Tone));
        pad.listen(false);
        assert_eq!(dialled(&mut pad, &tones(codec, "1")), "", "nobody asks");
    }
}

/// Neighbours change places, packets come twice, and some are missing: fewer where the decoder takes a while to be
/// right again. After a loss in G.722 a key as short as 80 ms may be missed: those here are longer.
#[test]
fn tones_out_of_order_and_with_losses() {
    for (codec, every, ms) in [(Codec::Pcmu, 9, 80), (Codec::Opus, 21, 80), (Codec::G722, 21, 140)] {
        let mut packets = long_tones(codec, "24680*13579", ms);
        let mut i = 0;
        while i + 1 < packets.len() {
            packets.swap(i, i + 1);
            i += 3;
        }
        let packets: Vec<_> = packets
            .iter()
            .enumerate()
            .filter(|(i, _)| i % every != 4)
            .flat_map(|(i, p)| std::iter::repeat_n(p, 1 + usize::from(i % 5 == 0)))
            .collect();
        assert_eq!(dialled(&mut listening(), packets), "24680*13579", "{codec:?}");
    }
}

/// The event's packets take the tone's place after its first 20 ms: RFC 4733 §2.5.1.1 has the sender do so.
#[test]
fn events_beside_tones_while_listening() {
    let mut call = Call::new();
    call.pad.listen(true);
    let packets = tones(Codec::Pcmu, "5");
    for p in &packets {
        call.pad.packet(p);
    }
    assert_eq!(call.keys(), "5");
    call.start = packets[14].arrival;
    call.seq = 500;
    call.event('5', 0);
    call.event('6', 300);
    assert_eq!(call.keys(), "6", "the first only repeats the tone");
    for p in tones(Codec::Pcmu, "44").iter_mut() {
        p.seq += 1000;
        call.pad.packet(p);
    }
    assert_eq!(call.keys(), "", "tones count no more");
}

#[test]
fn random_packets_are_harmless() {
    use rand::{Rng, SeedableRng};
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(4);
    let mut pad = listening();
    pad.set_map(pad.map.with(EVENTS, Format::TelephoneEvent));
    let now = Instant::now();
    for i in 0..3000u64 {
        let payload: Vec<u8> = (0..rng.random_range(0..400)).map(|_| rng.random()).collect();
        let payload_type = [0, 8, 9, 111, EVENTS, 13][rng.random_range(0..6)];
        let mut p = Packet::new(rng.random_range(0..2000) + i, rng.random(), payload_type, now, &payload).unwrap();
        (p.marker, p.restart) = (rng.random(), rng.random_bool(0.01));
        pad.packet(&p);
        while pad.poll().is_some() {}
    }
}

/// The numbers of the packets that the page is given, of a call whose keys are wanted until the first one is known.
fn behind_the_key(pad: &mut Keypad, packets: &[Packet]) -> Vec<u64> {
    let (mut given, mut dialled) = (Vec::new(), false);
    for p in packets {
        if dialled {
            pad.page_packet(p, |p| given.push(p.seq));
            continue;
        }
        pad.packet(p);
        if pad.poll().is_some() {
            dialled = true;
            pad.end_dialling(p.arrival);
        }
    }
    given
}

/// 200 ms of silence, the key, 280 ms of silence: a packet that holds some of the key is passed over, no other.
#[test]
fn the_rest_of_the_last_key_is_passed_over() {
    for (codec, delay) in [(Codec::Pcmu, 0), (Codec::Pcma, 0), (Codec::G722, 2), (Codec::Opus, 7)] {
        for ms in [90, 110, 160, 300, 700] {
            let packets = long_tones(codec, "5", ms);
            let given = behind_the_key(&mut listening(), &packets);
            // The decoder's own delay comes on top; the rounded end of the last millisecond is no matter.
            let first = 110 + u64::from(ms + delay).div_ceil(20);
            let last = packets.last().unwrap().seq;
            assert_eq!(given, (first..=last).collect::<Vec<_>>(), "{codec:?}, {ms} ms");
        }
    }
}

#[test]
fn a_key_that_is_leant_on_is_passed_over_for_a_second() {
    let packets = long_tones(Codec::Pcmu, "5", 3000);
    let given = behind_the_key(&mut listening(), &packets);
    // It is known in its third packet.
    let first = 112 + KEY_TAIL.as_millis() as u64 / 20;
    assert!(given[0].abs_diff(first) <= 1, "{}", given[0]);
    assert_eq!(given, (given[0]..=packets.last().unwrap().seq).collect::<Vec<_>>());
}

/// Packets that wait for a missing one when the key ends are the page's, in order.
#[test]
fn what_follows_the_last_key_is_whole_in_spite_of_losses() {
    let packets = long_tones(Codec::Pcmu, "5", 160);
    for lost in 114..124u64 {
        let some: Vec<_> = packets.iter().filter(|p| p.seq != lost).cloned().collect();
        let mut wanted: Vec<_> = some.iter().map(|p| p.seq).filter(|seq| *seq >= 118).collect();
        let given = behind_the_key(&mut listening(), &some);
        if lost == 117 || lost == 118 {
            // Where the key's end was lost, or the packet behind it, one more is passed over at most.
            wanted.retain(|seq| given.contains(seq) || *seq != lost + 1);
        }
        assert_eq!(given, wanted, "without {lost}");
    }
    let mut swapped = packets.clone();
    swapped.swap(17, 18);
    assert_eq!(behind_the_key(&mut listening(), &swapped)[..3], [118, 119, 120]);
}

/// Audio beside an event is passed over until the event ends, or its end is lost.
#[test]
fn audio_beside_the_last_event_is_passed_over() {
    for end_lost in [false, true] {
        let mut call = Call::new();
        let mut given = Vec::new();
        let mut dialled = false;
        let mut events = event::write(event::code('7').unwrap(), 10, 2400, 400)
            .filter(|e| !end_lost || e.due < 2000)
            .peekable();
        for ms in (0..1000).step_by(20) {
            let mut packets = Vec::new();
            while let Some(e) = events.next_if(|e| e.due / 8 <= ms) {
                packets.push((EVENTS, 0, e.payload.to_vec()));
            }
            packets.push((0, ms * 8, vec![0xff; 160]));
            for (payload_type, timestamp, payload) in packets {
                call.seq += 1;
                let arrival = call.at(u64::from(ms));
                let p = Packet::new(call.seq, timestamp, payload_type, arrival, &payload).unwrap();
                if dialled {
                    call.pad.page_packet(&p, |p| given.push((p.payload_type, ms)));
                } else {
                    call.pad.packet(&p);
                    if call.pad.poll().is_some() {
                        dialled = true;
                        call.pad.end_dialling(arrival);
                    }
                }
            }
        }
        let audio: Vec<u32> = given.iter().filter(|g| g.0 == 0).map(|g| g.1).collect();
        let first = if end_lost { 400 } else { 300 };
        assert!(audio[0].abs_diff(first) <= 40, "{}", audio[0]);
        assert_eq!(audio, (audio[0]..1000).step_by(20).collect::<Vec<_>>());
    }
}

#[test]
fn without_a_key_that_is_held_everything_is_the_pages() {
    let packets = tones(Codec::Pcmu, "5");
    let mut pad = listening();
    let (dialling, page) = packets.split_at(20);
    assert_eq!(dialled(&mut pad, dialling), "5");
    pad.end_dialling(dialling[19].arrival);
    let mut given = Vec::new();
    page.iter().for_each(|p| pad.page_packet(p, |p| given.push(p.seq)));
    assert_eq!(given, page.iter().map(|p| p.seq).collect::<Vec<_>>());
}

/// Another sender's events do not repeat this one's tones, and its numbers are its own.
#[test]
fn a_new_sender_begins_anew() {
    let mut call = Call::new();
    call.event('1', 0);
    call.pad.way = None;
    call.tone('5', 100);
    assert_eq!(call.keys(), "15");
    let mut p = Packet::new(1, 0, 0, call.at(120), &[0xff; 160]).unwrap();
    p.restart = true;
    call.pad.packet(&p);
    assert_eq!((call.pad.newest, call.pad.way()), (0, None));
    call.event('5', 200);
    assert_eq!(call.keys(), "5");
}
