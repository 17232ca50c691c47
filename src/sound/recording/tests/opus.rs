//! Ogg Opus files, put together here packet by packet so that each rule of RFC 7845 can be broken by itself.

use ogg::writing::{PacketWriteEndInfo, PacketWriter};

use super::*;
use crate::media::Codec;
use crate::media::encoder::Encoder;

/// Samples in a packet of ours.
const PACKET: usize = 960;

pub struct File {
    pub head: Vec<u8>,
    pub tags: Vec<u8>,
    pub packets: Vec<Vec<u8>>,
    /// Granule position of the last page; as many samples as there are if `None`.
    pub last: Option<u64>,
    /// Granule position before the first packet.
    pub first: u64,
    pub per_page: usize,
    pub ends: bool,
}

pub fn head(channels: u8, pre_skip: u16, gain: i16, rest: &[u8]) -> Vec<u8> {
    let mut head = b"OpusHead\x01".to_vec();
    head.push(channels);
    head.extend(pre_skip.to_le_bytes());
    head.extend(48_000u32.to_le_bytes());
    head.extend(gain.to_le_bytes());
    head.extend(rest);
    head
}

impl File {
    pub fn of(pcm: &[f32]) -> Self {
        let mut encoder = Encoder::new(Codec::Opus).unwrap();
        let packets = pcm.chunks_exact(PACKET).map(|pcm| {
            let mut packet = Vec::new();
            encoder.encode(pcm, &mut packet).unwrap();
            packet
        });
        File {
            head: head(1, 312, 0, &[0]),
            tags: b"OpusTags\x08\0\0\0hornwire\0\0\0\0".to_vec(),
            packets: packets.collect(),
            last: None,
            first: 0,
            per_page: 10,
            ends: true,
        }
    }

    pub fn write(&self) -> Vec<u8> {
        let mut out = Vec::new();
        let mut writer = PacketWriter::new(&mut out);
        let mut put = |packet: &[u8], end, granule| writer.write_packet(packet.to_vec(), 7, end, granule).unwrap();
        put(&self.head, PacketWriteEndInfo::EndPage, 0);
        put(&self.tags, PacketWriteEndInfo::EndPage, 0);
        let all = self.packets.len();
        for (i, packet) in self.packets.iter().enumerate() {
            let granule = self.first + ((i + 1) * PACKET) as u64;
            match i + 1 {
                n if n == all && self.ends => put(packet, PacketWriteEndInfo::EndStream, self.last.unwrap_or(granule)),
                n if n == all || n % self.per_page == 0 => put(packet, PacketWriteEndInfo::EndPage, granule),
                _ => put(packet, PacketWriteEndInfo::NormalPacket, granule),
            }
        }
        out
    }

    fn read(&self) -> Result<Recording, Fault> {
        load(&self.write())
    }
}

/// Makes a page's checksum right again (RFC 3533 §6: polynomial 0x04c11db7, from 0, not reflected).
pub fn mend(page: &mut [u8]) {
    page[22..26].fill(0);
    let crc = page.iter().fold(0u32, |crc, octet| {
        (0..8).fold(crc ^ u32::from(*octet) << 24, |crc, _| {
            if crc & 0x8000_0000 == 0 {
                crc << 1
            } else {
                crc << 1 ^ 0x04c1_1db7
            }
        })
    });
    page[22..26].copy_from_slice(&crc.to_le_bytes());
}

/// Where each page begins.
pub fn pages(file: &[u8]) -> Vec<usize> {
    let starts = file.windows(4).enumerate().filter(|(_, w)| w == b"OggS");
    starts.map(|(i, _)| i).chain([file.len()]).collect()
}

#[test]
fn lengths_are_exact_to_the_frame() {
    let pcm = talk(48_000, 1.0);
    let mut file = File::of(&pcm);
    let recording = file.read().unwrap();
    assert_eq!(recording.frames(), 48_000 - 312);
    assert!(recording.flaws().is_empty(), "{:?}", recording.flaws());
    // RFC 7845 §4.4: the last page says how many samples count, pre-skip included; whatever is beyond is cut off, be it
    // more than a page.
    for last in [47_999, 47_000, 40_000, 5000, 313] {
        file.last = Some(last);
        assert_eq!(file.read().unwrap().frames() as u64, last - 312, "end at {last}");
    }
    file.last = Some(312);
    assert_eq!(
        file.read().unwrap_err().found,
        "an Ogg Opus file without a single sample"
    );
    // A granule position beyond what is there adds nothing.
    file.last = Some(u64::MAX / 4);
    assert_eq!(file.read().unwrap().frames(), 48_000 - 312);
    // §4.3: a stream cut out of a longer one begins anywhere.
    file.first = 1_000_000;
    file.last = Some(1_000_000 + 40_000);
    assert_eq!(file.read().unwrap().frames(), 40_000 - 312);
    // On one page.
    file.per_page = 1000;
    file.first = 0;
    file.last = Some(40_000);
    assert_eq!(file.read().unwrap().frames(), 40_000 - 312);
}

/// The same samples as the decoder gives by itself; pre-skip and end only cut them out.
#[test]
fn samples_are_the_decoders() {
    let file = File::of(&talk(48_000, 1.0));
    let mut decoder = crate::media::opus::Decoder::mono().unwrap();
    let mut wanted = Vec::new();
    for packet in &file.packets {
        let mut out = [0.0; PACKET];
        assert_eq!(decoder.decode(Some(packet), &mut out, false), PACKET);
        wanted.extend(out);
    }
    let recording = file.read().unwrap();
    assert!(likeness(&wanted[312..], &samples(&recording)) > 75.0);
}

/// RFC 7845 §5.1: the output gain, Q7.8 dB, counts.
#[test]
fn output_gain() {
    let mut file = File::of(&talk(48_000, 1.0));
    let plain = samples(&file.read().unwrap());
    for db in [-6.0f32, 3.5] {
        file.head = head(1, 312, (db * 256.0) as i16, &[0]);
        let wanted: Vec<f32> = plain.iter().map(|x| x * Db(db).factor()).collect();
        assert!(likeness(&wanted, &samples(&file.read().unwrap())) > 70.0);
    }
}

#[test]
fn a_stream_without_its_end_is_told_of() {
    let mut file = File::of(&talk(48_000, 1.0));
    file.ends = false;
    let recording = file.read().unwrap();
    assert_eq!(recording.frames(), 48_000 - 312);
    assert_eq!(recording.flaws(), [Flaw::NoEnd]);
}

/// Tags of any length (a picture), what other programs put behind a stream, other streams beside it.
#[test]
fn what_else_a_file_may_hold() {
    let mut file = File::of(&talk(48_000, 0.5));
    file.tags.extend(vec![5; 300_000]);
    let mut octets = file.write();
    octets.extend(b"TAGafter the end");
    let frames = load(&octets).unwrap().frames();
    assert_eq!(frames, 24_000 - 312);
    // A skeleton's first and last page around the stream's first.
    let octets = File::of(&talk(48_000, 0.5)).write();
    let at = pages(&octets);
    let mut fish = b"OggS\0\x02\0\0\0\0\0\0\0\0\x05\0\0\0\0\0\0\0\0\0\0\0\x01\x08fishead\0".to_vec();
    mend(&mut fish);
    let mut end = fish.clone();
    (end[5], end[18]) = (4, 1);
    mend(&mut end);
    let mixed = [&fish[..], &octets[..at[1]], &end, &octets[at[1]..]].concat();
    assert_eq!(load(&mixed).unwrap().frames(), frames);
}

#[test]
fn surround_is_mixed_down() {
    // Family 1, two mono streams on three channels of which one is silent.
    let tone = sine(48_000, 440.0, 0.4, 48_000);
    let mono = File::of(&tone);
    let mut file = File::of(&tone);
    file.head = head(3, 312, 0, &[1, 2, 0, 0, 255, 1]);
    file.packets = mono
        .packets
        .iter()
        .map(|packet| {
            // Of our own encoder's: one frame each (RFC 6716 §3.1), so that the length stands behind the first octet.
            assert_eq!(packet[0] & 3, 0);
            let size = packet.len() - 1;
            let length = match size {
                0..=251 => vec![size as u8],
                n => vec![252 + (n % 4) as u8, ((n - 252 - n % 4) / 4) as u8],
            };
            [&packet[..1], &length, &packet[1..], &packet[..]].concat()
        })
        .collect();
    let wanted: Vec<f32> = samples(&mono.read().unwrap()).iter().map(|x| x * 2.0 / 3.0).collect();
    assert!(likeness(&wanted, &samples(&file.read().unwrap())) > 70.0);
}

#[test]
fn files_that_are_none() {
    let file = || File::of(&talk(48_000, 0.5));
    let found = |file: File| file.read().unwrap_err().found;
    let with_head = |h: Vec<u8>| {
        found(File {
            head: h,
            ..File::of(&talk(48_000, 0.1))
        })
    };
    let damaged = |how: &str| format!("an Ogg Opus file that is damaged: {how}");
    assert_eq!(with_head(head(1, 0, 0, &[])), damaged("its header is too short"));
    assert_eq!(
        with_head(head(0, 0, 0, &[0])),
        damaged("its header gives a wrong number of channels")
    );
    assert_eq!(
        with_head(head(3, 0, 0, &[0])),
        damaged("its header gives a wrong number of channels")
    );
    assert_eq!(
        with_head(head(2, 0, 0, &[1, 1, 1, 0, 2])),
        damaged("its header maps channels that it does not have")
    );
    assert_eq!(
        with_head(head(2, 0, 0, &[1, 0, 0, 255, 255])),
        damaged("its header maps channels that it does not have")
    );
    assert_eq!(
        with_head(head(4, 0, 0, &[2, 4, 0])),
        "Opus with channels of the mapping family 2"
    );
    let mut version = head(1, 0, 0, &[0]);
    version[8] = 0x10;
    assert_eq!(with_head(version), damaged("its header is of a later version"));
    assert_eq!(
        with_head(b"\x01vorbis and more".to_vec()),
        "an Ogg file with Vorbis instead of Opus"
    );
    let mut no_tags = file();
    no_tags.tags = no_tags.packets[0].clone();
    assert_eq!(
        found(no_tags),
        "an Ogg Opus file that is damaged at 0:00.0: its second header is missing"
    );
    let mut broken = file();
    broken.packets[20] = vec![3, 0xff, 0xff];
    assert_eq!(
        found(broken),
        "an Ogg Opus file that is damaged at 0:00.4: a packet cannot be decoded"
    );
    // RFC 7845 §3: several links, one behind the other.
    let twice = file().write().repeat(2);
    assert_eq!(
        load(&twice).unwrap_err().found,
        "an Ogg file of several streams one behind the other"
    );
}

#[test]
fn damaged_pages_are_found() {
    let octets = File::of(&talk(48_000, 1.0)).write();
    let at = pages(&octets);
    let found = |octets: &[u8]| load(octets).unwrap_err().found;
    let mut flipped = octets.clone();
    flipped[at[4] + 200] ^= 1;
    assert_eq!(
        found(&flipped),
        "an Ogg Opus file that is damaged at 0:00.4: the checksum of a page is wrong"
    );
    let missing = [&octets[..at[4]], &octets[at[5]..]].concat();
    assert_eq!(
        found(&missing),
        "an Ogg Opus file that is damaged at 0:00.4: a page is missing"
    );
    let junk = [&octets[..at[4]], b"junk", &octets[at[4]..]].concat();
    assert_eq!(
        found(&junk),
        "an Ogg Opus file that is damaged at 0:00.4: what should be a page is none"
    );
    assert_eq!(
        found(&octets[..at[5] + 100]),
        "an Ogg Opus file that is cut off after 0:00.6"
    );
    assert_eq!(found(&octets[..20]), "an Ogg file that is cut off in its header");
    assert_eq!(found(&octets[..at[1]]), "an Ogg Opus file that is cut off after 0:00.0");
}

#[test]
fn no_more_than_five_minutes() {
    let mut file = File::of(&talk(48_000, 0.02));
    // 120 ms each: six frames of 20 ms that hold nothing (RFC 6716 §3.2.5).
    let long = vec![3 << 3 | 3, 2];
    file.packets = vec![long; 2501];
    file.last = Some(300 * 48_000 + 312);
    let made = |file: &File| {
        let mut out = Vec::new();
        let mut writer = PacketWriter::new(&mut out);
        let mut put = |packet: &[u8], end, granule| writer.write_packet(packet.to_vec(), 7, end, granule).unwrap();
        put(&file.head, PacketWriteEndInfo::EndPage, 0);
        put(&file.tags, PacketWriteEndInfo::EndPage, 0);
        let all = file.packets.len();
        for (i, packet) in file.packets.iter().enumerate() {
            let last = i + 1 == all;
            let end = if last {
                PacketWriteEndInfo::EndStream
            } else {
                PacketWriteEndInfo::NormalPacket
            };
            let granule = if last {
                file.last.unwrap()
            } else {
                (i as u64 + 1) * 5760
            };
            put(packet, end, granule);
        }
        out
    };
    assert_eq!(load(&made(&file)).unwrap().length(), MAX_LENGTH);
    file.last = Some(300 * 48_000 + 313);
    assert_eq!(load(&made(&file)).unwrap_err().found, "a message of more than 5:00.0");
    file.packets = vec![file.packets[0].clone(); 10_000];
    assert_eq!(load(&made(&file)).unwrap_err().found, "a message of more than 5:00.0");
}
