"""Speech for the quality table, and its scores.

usage: quality.py speech FOLDER SECONDS
       quality.py score < JOBS

`speech` writes voices as NAME.raw (8 kHz, 16 bits) at an active level of about -26 dBov and prints their names: real
recordings of the Debian package pocketsphinx-testdata, and espeak-ng's voices.

`score` reads a job a line: SPOKEN.raw HEARD.raw RATE CHANNELS CHANNEL ORIGIN PPM STALLS, where HEARD has samples of 16
bits whose first was heard ORIGIN seconds after the first packet was sent by a clock that is slow by PPM, and STALLS is
a list of FROM-TO in seconds of the sender's, or "-". It prints for each the score of ITU-T P.862 (PESQ, narrow band; withdrawn, a
relative measure) and the mean delay in ms from a packet's sending to its sound, outside the stalls.
"""

import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import pesq
from scipy.io import wavfile
from scipy.signal import correlate, resample_poly

RATE = 8000
HOME = pathlib.Path("/usr/share/pocketsphinx/test/data")
TEXT = (
    "Good morning. The first load of oak leaves the yard at seven. Please keep the north gate clear until it has "
    "passed. Visitors report to the weighbridge office, and nobody enters the drying shed without a helmet. "
    "The saw will stand still from ten to eleven."
)
SYNTHETIC = ["en-gb", "en-us+f3", "en-gb-scotland+m4", "de+f2", "fr+m2", "es+f5"]


def resampled(samples, rate):
    if rate == RATE:
        return samples
    divisor = np.gcd(rate, RATE)
    return resample_poly(samples, RATE // divisor, rate // divisor, window=("kaiser", 9.0))


def wave(path):
    rate, samples = wavfile.read(path)
    return resampled(samples.astype(np.float64) / 32768.0, rate)


def recordings():
    """Talkers: each a list of utterances."""
    for folder in ["librivox", "cards"]:
        files = sorted((HOME / folder).glob("*.wav"))
        if files:
            half = (len(files) + 1) // 2
            yield folder + "-1", [wave(f) for f in files[:half]]
            yield folder + "-2", [wave(f) for f in files[half:]]
    for name in ["goforward", "numbers", "something"]:
        file = HOME / (name + ".raw")
        if file.exists():
            yield name, [resampled(np.fromfile(file, "<i2") / 32768.0, 16000)]


def synthetic():
    for voice in SYNTHETIC:
        with tempfile.NamedTemporaryFile(suffix=".wav") as file:
            done = subprocess.run(["espeak-ng", "-v", voice, "-s", "150", "-w", file.name, TEXT], capture_output=True)
            if done.returncode == 0:
                yield "espeak-" + voice, [wave(file.name)]


def speech(folder, seconds):
    pause = np.zeros(RATE // 2)
    for name, utterances in [*recordings(), *synthetic()]:
        parts, length = [pause], 0
        while length < seconds * RATE:
            for utterance in utterances:
                parts += [utterance, pause]
                length += len(utterance) + len(pause)
        whole = np.concatenate(parts)[: seconds * RATE]
        loud = whole[np.abs(whole) > np.max(np.abs(whole)) / 50]
        whole *= 10 ** (-26 / 20) / np.sqrt(np.mean(loud**2))
        (np.clip(whole, -1, 1) * 32767).round().astype("<i2").tofile(pathlib.Path(folder) / (name + ".raw"))
        print(name)


def delays(spoken, heard, ppm):
    """For windows of speech: where each begins, and how much later it is heard than said, both in seconds."""
    window, reach = RATE * 3 // 10, RATE
    found = []
    loudness = np.sqrt(np.mean(spoken**2))
    for start in range(0, len(spoken) - window, window):
        piece = spoken[start : start + window]
        region = heard[max(start - RATE // 10, 0) : start + window + reach]
        if np.sqrt(np.mean(piece**2)) < loudness or len(region) < window:
            continue
        correlation = correlate(region, piece, mode="valid", method="fft")
        energy = np.sqrt(np.convolve(region**2, np.ones(window), mode="valid") * np.sum(piece**2)) + 1e-9
        likeness = correlation / energy
        best = int(np.argmax(likeness))
        if likeness[best] > 0.6:
            at = max(start - RATE // 10, 0) + best
            found.append((start / RATE, (at - start * (1 + ppm * 1e-6)) / RATE))
    return found


def score(job):
    spoken_path, heard_path, rate, channels, channel, origin, ppm, stalls = job.split()
    rate, channels = int(rate), int(channels)
    spoken = np.fromfile(spoken_path, "<i2") / 32768.0
    heard = np.fromfile(heard_path, "<i2") / 32768.0
    heard = heard[: len(heard) // channels * channels].reshape(-1, channels)[:, int(channel)]
    heard = resampled(heard, rate)
    lead = round(float(origin) * RATE)
    heard = np.concatenate([np.zeros(max(lead, 0)), heard[max(-lead, 0) :]])
    away = [tuple(float(t) for t in s.split("-")) for s in stalls.split(",")] if stalls != "-" else []
    found = delays(spoken, heard, float(ppm))
    calm = [d for (at, d) in found if not any(begin - 0.3 < at < end for (begin, end) in away)]
    delay = float(np.mean(calm)) if calm else float("nan")
    at = round(delay * RATE) if calm else 0
    margin = RATE // 4
    padded = np.concatenate([np.zeros(margin), spoken, np.zeros(margin)])
    cut = np.zeros(len(padded))
    begin = at - margin
    piece = heard[max(begin, 0) : begin + len(padded)]
    cut[max(-begin, 0) : max(-begin, 0) + len(piece)] = piece
    try:
        value = float(pesq.pesq(RATE, padded, cut, "nb"))
    except pesq.PesqError:
        value = 1.0
    return value, delay * 1000


def main():
    if sys.argv[1] == "speech":
        speech(sys.argv[2], int(sys.argv[3]))
    else:
        for job in sys.stdin:
            print("%.3f %.1f" % score(job))


main()
