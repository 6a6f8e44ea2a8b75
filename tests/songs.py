"""Small songs of known truth, made out of tones and noise."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 44_100


def tone(length_n: int, pitch_hz: float, rate_hz: int = RATE_HZ) -> np.ndarray:
    """A voice-like tone: harmonics that fall by 6 dB an octave, faded over 20 ms at both ends; peak about 0.5."""
    t = np.arange(length_n) / rate_hz
    wave = sum(np.sin(2 * np.pi * pitch_hz * k * t) / k for k in range(1, 9) if pitch_hz * k < rate_hz / 2.5)
    edge = np.minimum(1.0, np.minimum(np.arange(length_n), np.arange(length_n)[::-1]) / (0.02 * rate_hz))
    return 0.3 * np.asarray(wave) * edge


def sung(
    phrases: Sequence[Sequence[float]], *, rate_hz: int = RATE_HZ, word_s: float = 0.35, gap_s: float = 0.8
) -> tuple[np.ndarray, list[tuple[int, int]]]:
    """A vocal of phrases of words, each word at a level of its own.

    Parameters
    ----------
    phrases : sequence of sequences of float
        Level of each word in dB.

    Returns
    -------
    tuple
        float64 samples, and first frame and frame after the last of each phrase.
    """
    word_n, gap_n = round(word_s * rate_hz), round(gap_s * rate_hz)
    parts: list[np.ndarray] = [np.zeros(gap_n)]
    spans = []
    at_n = gap_n
    for phrase in phrases:
        start_n = at_n
        for i, level_db in enumerate(phrase):
            word = tone(word_n, 180.0 * 2 ** ((i * 2 % 7) / 12), rate_hz) * 10 ** (level_db / 20)
            rest = np.zeros(round(0.05 * rate_hz))
            parts += [word, rest]
            at_n += len(word) + len(rest)
        spans.append((start_n, at_n - len(rest)))
        parts.append(np.zeros(gap_n))
        at_n += gap_n
    return np.concatenate(parts), spans


def noise_bed(length_n: int, level: float = 0.03, seed: int = 7) -> np.ndarray:
    """A stereo bed of steady noise, float64, shape (frames, 2)."""
    return level * np.random.default_rng(seed).standard_normal((length_n, 2))


def write_pair(
    folder: Path,
    vocal: np.ndarray,
    bed: np.ndarray,
    *,
    rate_hz: int = RATE_HZ,
    subtype: str = "PCM_24",
) -> tuple[Path, Path]:
    """Write vocal and bed as WAV files."""
    paths = folder / "vocal.wav", folder / "bed.wav"
    for path, samples in zip(paths, (vocal, bed), strict=True):
        soundfile.write(path, samples, rate_hz, subtype=subtype)
    return paths
