"""Time of rendering a ridden stem, as a ratio to a bare read and write of the same file by soundfile.

Run as ``python tests/bench/bench_render.py [seconds]``; the default is a 5-minute stem.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import soundfile

from ridebook.audio.gain import GainCurve
from ridebook.audio.render import render_stem
from ridebook.measure.truepeak import TruePeak

RATE_HZ = 48_000
ROUNDS_N = 9
BARE_BLOCK_N = 1 << 16
GOAL = 2.0


def write_stem(path: Path, seconds: int, channels_n: int) -> None:
    """24-bit noise with the swell of a voice."""
    rng = np.random.default_rng(7)
    with soundfile.SoundFile(path, "w", RATE_HZ, channels_n, "PCM_24") as file:
        for _ in range(seconds):
            swell = np.sin(np.linspace(0.0, np.pi, RATE_HZ))[:, None]
            file.write(np.clip(0.1 * swell * rng.standard_normal((RATE_HZ, channels_n)), -1.0, 1.0))


def typical_curve(frames_n: int) -> GainCurve:
    """A trim and 200 breakpoints: ramps to and from 100 moves, as a whole song has them."""
    rng = np.random.default_rng(11)
    frames = np.sort(rng.choice(np.arange(1, frames_n), 200, replace=False))
    gains_db = 1.3 + np.round(rng.normal(0.0, 1.5, 200), 2)
    gains_db[1::4] = gains_db[::4]  # some stretches are held
    return GainCurve(frames, gains_db)


def bare(source: Path, target: Path) -> None:
    """Read and write the file by blocks, doing nothing."""
    with (
        soundfile.SoundFile(source) as reader,
        soundfile.SoundFile(target, "w", reader.samplerate, reader.channels, reader.subtype, format="WAV") as writer,
    ):
        block = np.empty((BARE_BLOCK_N, reader.channels), dtype=np.int32)
        while len(part := reader.read(out=block)):
            writer.write(part)


def seconds_of(work: Callable[[], object]) -> float:
    """Wall time of one run."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> int:
    """Print one line a layout, and exit with 1 where the goal is missed."""
    length_s = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    missed = False
    with tempfile.TemporaryDirectory() as folder:
        for channels_n, name in ((1, "mono"), (2, "stereo")):
            source, target = Path(folder, f"{name}.wav"), Path(folder, "ridden.wav")
            write_stem(source, length_s, channels_n)
            curve = typical_curve(length_s * RATE_HZ)
            bares, renders, watched = [], [], []
            for _ in range(ROUNDS_N):
                bares.append(seconds_of(partial(bare, source, target)))
                renders.append(seconds_of(partial(render_stem, source, target, curve)))
                watched.append(seconds_of(partial(render_stem, source, target, curve, observer=TruePeak(RATE_HZ).feed)))
            ratios = [render / plain for render, plain in zip(renders, bares, strict=True)]
            ratio = statistics.median(ratios)
            missed |= ratio > GOAL
            print(
                f"render {name} {length_s} s at {RATE_HZ} Hz, 24 bit: {ratio:.2f} x bare read and write "
                f"(median of {ROUNDS_N}, {min(ratios):.2f} to {max(ratios):.2f}; goal {GOAL}; "
                f"bare {statistics.median(bares):.3f} s, render {statistics.median(renders):.3f} s, "
                f"with a true-peak meter {statistics.median(watched):.3f} s)"
            )
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
