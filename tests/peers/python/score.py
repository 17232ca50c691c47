"""Speech quality of recordings against what was spoken: ITU-T P.862 (PESQ), a relative measure here.

usage: score.py narrow|wide SPOKEN.wav CHANNEL RECORDING.wav [BASELINE.wav]

Prints one line of JSON: `score` of the recording, `baseline` of the baseline file (already aligned with SPOKEN),
`at` (where in the recording the speech begins, seconds), `level` (dB of the recording's speech over the spoken) and
`length` of the recording.
"""

import json
import sys

import numpy as np
import pesq
from scipy.io import wavfile
from scipy.signal import correlate, resample_poly


def read(path, rate, channel=0):
    found, samples = wavfile.read(path)
    if samples.ndim > 1:
        samples = samples[:, channel]
    if samples.dtype == np.int16:
        samples = samples / 32768.0
    elif samples.dtype == np.int32:
        samples = samples / 2147483648.0
    samples = samples.astype(np.float64)
    if found != rate:
        divisor = np.gcd(found, rate)
        samples = resample_poly(samples, rate // divisor, found // divisor, window=("kaiser", 9.0))
    return samples


def align(spoken, recording):
    """Index in the recording where the spoken text begins: the highest peak of the cross-correlation."""
    correlation = correlate(recording, spoken, mode="full", method="fft")
    return int(np.argmax(np.abs(correlation))) - (len(spoken) - 1)


def cut(recording, at, length):
    """`length` samples from `at`, silence outside."""
    out = np.zeros(length)
    first, last = max(at, 0), min(at + length, len(recording))
    if last > first:
        out[first - at : last - at] = recording[first:last]
    return out


def rms(samples):
    return float(np.sqrt(np.mean(np.square(samples)) + 1e-12))


def main():
    band, spoken_path, channel, recording_path = sys.argv[1:5]
    rate, mode = {"narrow": (8000, "nb"), "wide": (16000, "wb")}[band]
    spoken = read(spoken_path, rate)
    recording = read(recording_path, rate, int(channel))
    at = align(spoken, recording)
    # P.862 wants silence around the speech, and finds remaining shifts of each utterance by itself.
    margin = rate // 4
    heard = cut(recording, at - margin, len(spoken) + 2 * margin)
    padded = np.concatenate([np.zeros(margin), spoken, np.zeros(margin)])
    result = {
        "score": float(pesq.pesq(rate, padded, heard, mode)),
        "at": at / rate,
        "level": 20 * float(np.log10(rms(heard) / rms(padded))),
        "length": len(recording) / rate,
    }
    if len(sys.argv) > 5:
        baseline = cut(read(sys.argv[5], rate), -margin, len(padded))
        result["baseline"] = float(pesq.pesq(rate, padded, baseline, mode))
    print(json.dumps(result))


main()
