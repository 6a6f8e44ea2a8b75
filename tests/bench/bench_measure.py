"""Time of measuring a 5-minute pair, as a ratio to ffmpeg's loudness filter over the same files.

Run as ``python tests/bench/bench_measure.py [seconds]``. This is the measuring alone: reading, the K-filter and the
cells of both stems; bench_pipeline.py has the whole way to a suggestion. Also told: the meter of single files, with
true peak and loudness range, against the same filter with its true peak. Imports are not counted. Needs ffmpeg.
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import scipy.signal  # noqa: F401
import soundfile

from ridebook.audio.stems import open_pair
from ridebook.measure.filemeter import measure_file
from ridebook.measure.pair import MeasureAccumulators

RATE_HZ = 48_000
BLOCK_N = 1 << 17
ROUNDS_N = 7
GOAL = 0.5
"""Half of what the whole way to a suggestion may take."""


def write_stem(path: Path, seconds: int, channels_n: int) -> None:
    """24-bit noise that swells and falls once a second, with every fourth second silent."""
    rng = np.random.default_rng(channels_n)
    with soundfile.SoundFile(path, "w", RATE_HZ, channels_n, "PCM_24") as file:
        for second in range(seconds):
            swell = np.sin(np.linspace(0.0, np.pi, RATE_HZ))[:, None] * (second % 4 != 3)
            file.write(np.clip(0.1 * swell * rng.standard_normal((RATE_HZ, channels_n)), -1.0, 1.0))


def measure_pair(vocal: Path, bed: Path) -> None:
    """Measure both stems in one pass."""
    with open_pair(vocal, [bed]) as pair, MeasureAccumulators(pair) as gather:
        for start in range(0, pair.frames_n, BLOCK_N):
            stop = min(start + BLOCK_N, pair.frames_n)
            gather.feed(pair.vocal.read(start, stop), [pair.beds[0].read(start, stop)])
        gather.measures()


def ffmpeg(*paths: Path, peak: str = "none") -> None:
    """Run ffmpeg's filter over each file."""
    for path in paths:
        command = ["ffmpeg", "-nostdin", "-nostats", "-i", str(path), "-af", f"ebur128=peak={peak}", "-f", "null", "-"]
        subprocess.run(command, capture_output=True, check=True)


def seconds_of(work: Callable[[], object]) -> float:
    """Wall time of one run."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def told(what: str, ours: list[float], theirs: list[float]) -> float:
    """Print one line and give the median ratio."""
    ratios = [own / other for own, other in zip(ours, theirs, strict=True)]
    ratio = statistics.median(ratios)
    print(
        f"{what}: {ratio:.2f} x ffmpeg (median of {len(ratios)}, {min(ratios):.2f} to {max(ratios):.2f}; "
        f"{statistics.median(ours):.3f} s against {statistics.median(theirs):.3f} s)"
    )
    return ratio


def main() -> int:
    """Print the ratios, and exit with 1 where the goal is missed."""
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    if shutil.which("ffmpeg") is None:
        print("ffmpeg is not installed, so there is nothing to compare with")
        return 1
    with tempfile.TemporaryDirectory() as folder:
        vocal, bed = Path(folder, "vocal.wav"), Path(folder, "bed.wav")
        write_stem(vocal, seconds, 1)
        write_stem(bed, seconds, 2)
        rounds = [
            (
                seconds_of(lambda: measure_pair(vocal, bed)),
                seconds_of(lambda: ffmpeg(vocal, bed)),
                seconds_of(lambda: measure_file(bed)),
                seconds_of(lambda: ffmpeg(bed, peak="true+sample")),
            )
            for _ in range(ROUNDS_N)
        ]
    pair, pair_ffmpeg, single, single_ffmpeg = (list(column) for column in zip(*rounds, strict=True))
    ratio = told(f"measure mono vocal and stereo bed, {seconds} s at {RATE_HZ} Hz (goal {GOAL})", pair, pair_ffmpeg)
    told(f"measure one stereo file with true peak, {seconds} s", single, single_ffmpeg)
    return int(ratio > GOAL)


if __name__ == "__main__":
    sys.exit(main())
