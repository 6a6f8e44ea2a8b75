"""Time from files to suggestion on a 5-minute pair, as a ratio to ffmpeg's loudness filter over the same files.

Run as ``python tests/bench/bench_pipeline.py [seconds]``. No cache; imports are not counted, for they happen once.
Needs ffmpeg. Also told: the time of suggesting again with another aim, as a ratio to the first suggestion's whole way.
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import scipy.fft
import scipy.signal  # noqa: F401
import soundfile

from ridebook.audio.stems import open_pair
from ridebook.ride.settings import RideSettings
from ridebook.ride.suggest import suggest
from ridebook.work.analyse import analyse
from tests.songs import noise_bed, sung

RATE_HZ = 48_000
ROUNDS_N = 5
GOAL = 1.0


def write_song(folder: Path, seconds: int) -> tuple[Path, Path]:
    """Phrases of seven words of uneven level, mono, over steady stereo noise; 24 bit."""
    rng = np.random.default_rng(3)
    phrase_s = 0.8 + 7 * 0.40
    vocal, _ = sung(rng.normal(0.0, 2.0, (int(seconds / phrase_s), 7)).tolist(), rate_hz=RATE_HZ)
    vocal = np.resize(vocal, seconds * RATE_HZ)
    vocal += 1e-4 * rng.standard_normal(len(vocal))
    paths = folder / "vocal.wav", folder / "bed.wav"
    soundfile.write(paths[0], vocal, RATE_HZ, subtype="PCM_24")
    soundfile.write(paths[1], noise_bed(len(vocal)), RATE_HZ, subtype="PCM_24")
    return paths


def ours(vocal: Path, bed: Path) -> tuple[float, float]:
    """Seconds from files to suggestion, and of suggesting again."""
    start = time.perf_counter()
    with open_pair(vocal, [bed]) as pair:
        analysis = analyse(pair)
        suggest(analysis.measures, analysis.segments, RideSettings())
    first = time.perf_counter() - start
    start = time.perf_counter()
    suggest(analysis.measures, analysis.segments, replace(RideSettings(), aim_lu=1.0, share=1.0))
    return first, time.perf_counter() - start


def theirs(vocal: Path, bed: Path) -> float:
    """Seconds that ffmpeg takes over both files, one after the other."""
    start = time.perf_counter()
    for path in (vocal, bed):
        command = ["ffmpeg", "-nostdin", "-nostats", "-i", str(path), "-af", "ebur128", "-f", "null", "-"]
        subprocess.run(command, capture_output=True, check=True)
    return time.perf_counter() - start


def main() -> int:
    """Print the ratios, and exit with 1 where the goal is missed."""
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    if shutil.which("ffmpeg") is None:
        print("ffmpeg is not installed, so there is nothing to compare with")
        return 1
    with tempfile.TemporaryDirectory() as folder:
        paths = write_song(Path(folder), seconds)
        rounds = [(*ours(*paths), theirs(*paths)) for _ in range(ROUNDS_N)]
    ratios = [first / other for first, _, other in rounds]
    again = [second / first for first, second, _ in rounds]
    ratio = statistics.median(ratios)
    print(
        f"files to suggestion, {seconds} s at {RATE_HZ} Hz: {ratio:.2f} x ffmpeg ebur128 over both files "
        f"(median of {ROUNDS_N}, {min(ratios):.2f} to {max(ratios):.2f}; goal {GOAL}; "
        f"ours {statistics.median(first for first, _, _ in rounds):.2f} s, "
        f"ffmpeg {statistics.median(other for _, _, other in rounds):.2f} s); "
        f"suggesting again takes {statistics.median(again):.3f} of it"
    )
    return int(ratio > GOAL)


if __name__ == "__main__":
    sys.exit(main())
