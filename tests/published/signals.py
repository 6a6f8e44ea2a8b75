"""The test signals of EBU Tech 3341 and 3342, made from the published tables in shared/."""

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from ridebook.measure.loudness import CellPower
from ridebook.measure.measures import StemMeasures

SHARED = Path(__file__).resolve().parents[2] / "shared"
RATES_HZ = (44_100, 48_000, 96_000)
WEIGHTS = {1: (1.0,), 2: (1.0, 1.0), 5: (1.0, 1.0, 1.0, 1.41, 1.41)}
CHANNELS_5_0 = ("L", "R", "C", "Ls", "Rs")


@cache
def table(name: str) -> dict[str, Any]:
    """Table from shared/ by the name of its file."""
    return json.loads((SHARED / name).read_text(encoding="utf-8"))


def case(name: str, number: int) -> dict[str, Any]:
    """One case of a table."""
    return next(entry for entry in table(name)["cases"] if entry["case"] == number)


def value(entry: float | str, i: int) -> float:
    """Read a number, or a formula of the part's number such as ``-38+i`` or ``3-i*0.15``."""
    if isinstance(entry, str):
        return float(eval(entry, {"__builtins__": {}}, {"i": i}))  # the formulas stand in our own table
    return float(entry)


def tones(segments: list[dict[str, Any]], rate_hz: int, i: int = 0) -> np.ndarray:
    """Tones and pauses one after the other, float32, shape (frames, channels)."""
    blocks = []
    for segment in segments:
        frames_n = round(value(segment["duration_s"], i) * rate_hz)
        level = segment["level_dbfs_peak"]
        if level is None:
            blocks.append(np.zeros((frames_n, 2)))
            continue
        levels = [level[name] for name in CHANNELS_5_0] if isinstance(level, dict) else [level, level]
        gains = 10.0 ** (np.array([value(each, i) for each in levels]) / 20.0)
        sine = np.sin(2 * np.pi * segment["freq_hz"] / rate_hz * np.arange(frames_n))
        blocks.append(sine[:, None] * gains)
    return np.concatenate(blocks).astype(np.float32)


def measured(samples: np.ndarray, rate_hz: int, weights: tuple[float, ...] | None = None) -> StemMeasures:
    """Measures of samples of shape (frames, channels), fed in blocks of an odd size."""
    meter = CellPower(rate_hz, weights or WEIGHTS[samples.shape[1]])
    for start in range(0, len(samples), 77_777):
        meter.feed(samples[start : start + 77_777])
    return meter.measures()
