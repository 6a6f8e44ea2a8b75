"""Vocals made of parts whose times are known to the sample, and scores of found spans."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ridebook.measure.features import FeatureAccumulator, VocalFeatures
from ridebook.measure.loudness import CellPower
from ridebook.measure.measures import Measures, StemMeasures

FORMANTS_HZ = {"a": (750.0, 1200.0, 2600.0), "i": (300.0, 2200.0, 3000.0), "o": (450.0, 850.0, 2500.0)}


def envelope(frequency_hz: np.ndarray, vowel: str) -> np.ndarray:
    """Amplitude by frequency: a falling source through three resonances."""
    gain = sum(1.0 / (1.0 + ((frequency_hz - f) / (60.0 + f / 20.0)) ** 2) for f in FORMANTS_HZ[vowel])
    return (gain + 0.02) / (1.0 + (frequency_hz / 500.0) ** 1.2)


def faded(samples: np.ndarray, rate_hz: int, fade_s: float = 0.02) -> np.ndarray:
    fade = min(round(fade_s * rate_hz), len(samples) // 2)
    ramp = np.ones(len(samples))
    ramp[:fade] = np.linspace(0.0, 1.0, fade)
    ramp[len(ramp) - fade :] = np.linspace(1.0, 0.0, fade)
    return samples * ramp


def scaled(samples: np.ndarray, level_db: float) -> np.ndarray:
    return samples * 10 ** (level_db / 20) / np.sqrt(np.mean(samples**2))


def sung(
    seconds: float,
    rate_hz: int,
    pitch_hz: float = 220.0,
    vowel: str = "a",
    level_db: float = -20.0,
    vibrato: float = 0.01,
) -> np.ndarray:
    """A vowel on one note, at a level of `level_db` rms re full scale."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    phase = 2 * np.pi * np.cumsum(pitch_hz * (1 + vibrato * np.sin(2 * np.pi * 5.5 * time_s))) / rate_hz
    harmonics = np.arange(1, int(min(7000.0, 0.45 * rate_hz) / pitch_hz) + 1)
    amplitudes = envelope(harmonics * pitch_hz, vowel)
    wave = sum(a * np.sin(h * phase + 0.7 * h * h) for h, a in zip(harmonics, amplitudes))
    return faded(scaled(wave, level_db), rate_hz)


def noise(
    seconds: float, rate_hz: int, rng: np.random.Generator, shape: Sequence[tuple[float, float]], level_db: float
) -> np.ndarray:
    """Noise whose spectrum runs through the points (Hz, dB), faded over 20 ms."""
    count = round(seconds * rate_hz)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    bins_hz = np.fft.rfftfreq(count, 1 / rate_hz)
    spectrum *= 10 ** (np.interp(bins_hz, *zip(*shape)) / 20)
    return faded(scaled(np.fft.irfft(spectrum, count), level_db), rate_hz)


def whispered(seconds: float, rate_hz: int, rng: np.random.Generator, level_db: float = -30.0) -> np.ndarray:
    shape = [(hz, 20 * np.log10(envelope(np.array(hz), "a"))) for hz in np.arange(100.0, 8000.0, 100.0)]
    return noise(seconds, rate_hz, rng, shape, level_db)


def hissed(seconds: float, rate_hz: int, rng: np.random.Generator, level_db: float = -28.0) -> np.ndarray:
    """An s."""
    return noise(seconds, rate_hz, rng, [(0, -60), (2500, -40), (5000, 0), (9000, 0), (12000, -15)], level_db)


def breathed(seconds: float, rate_hz: int, rng: np.random.Generator, level_db: float = -42.0) -> np.ndarray:
    """A breath: noise of a wide band that swells and falls."""
    shape = [(0, -50), (200, -40), (500, -20), (1500, -4), (3000, 0), (6000, -4), (10000, -15), (20000, -30)]
    flat = noise(seconds, rate_hz, rng, shape, level_db)
    return flat * np.sin(np.pi * (np.arange(len(flat)) / len(flat)) ** 0.7) ** 0.7


def bled(seconds: float, rate_hz: int, rng: np.random.Generator, level_db: float) -> np.ndarray:
    """Bleed of a band: chords that change twice a second, and noise."""
    count = round(seconds * rate_hz)
    time_s = np.arange(count) / rate_hz
    chords = np.zeros(count)
    for start in range(0, count, rate_hz // 2):
        part = slice(start, min(start + rate_hz // 2, count))
        root = rng.choice([98.0, 110.0, 130.81, 146.83])
        for ratio in (1.0, 1.26, 1.5, 2.0):
            for harmonic in range(1, 6):
                chords[part] += (
                    np.sin(2 * np.pi * root * ratio * harmonic * time_s[part] + rng.uniform(0, 6)) / harmonic
                )
    return scaled(chords / chords.std() + 0.5 * rng.standard_normal(count), level_db)


def silence(seconds: float, rate_hz: int) -> np.ndarray:
    return np.zeros(round(seconds * rate_hz))


def features_of(samples: np.ndarray, rate_hz: int) -> VocalFeatures:
    accumulator = FeatureAccumulator(rate_hz)
    accumulator.feed(samples.astype(np.float32))
    return accumulator.finish()


def stem_of(samples: np.ndarray, rate_hz: int) -> StemMeasures:
    power = CellPower(rate_hz, [1.0])
    power.feed(samples.astype(np.float32)[:, None])
    return StemMeasures(rate_hz, len(samples), power.cell_power)


def measures_of(vocal: np.ndarray, rate_hz: int, bed: np.ndarray | None = None) -> Measures:
    bed_stem = stem_of(np.zeros(len(vocal)) if bed is None else bed, rate_hz)
    return Measures(stem_of(vocal, rate_hz), (bed_stem,), bed_stem)


def matches(truth: Sequence[float], found: Sequence[float], within: float) -> int:
    """Pairs of truth and found no farther apart than `within`, each used once, the nearest first."""
    left = sorted(found)
    count = 0
    for value in sorted(truth):
        near = [(abs(other - value), i) for i, other in enumerate(left) if abs(other - value) <= within]
        if near:
            left.pop(min(near)[1])
            count += 1
    return count


def f1(hits: int, truth_n: int, found_n: int) -> float:
    return 2 * hits / (truth_n + found_n) if truth_n + found_n else 0.0


def overlaps(spans: Sequence[tuple[float, float]], others: Sequence[tuple[float, float]]) -> int:
    """How many of `spans` share at least 30 % of the shorter one with one of `others`."""
    return sum(
        any(min(end, e) - max(start, s) >= 0.3 * min(end - start, e - s) for s, e in others) for start, end in spans
    )
