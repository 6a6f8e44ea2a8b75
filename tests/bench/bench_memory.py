"""Memory and time of the whole job on a 10-minute pair at 96 kHz: analysis, ridden stem and mix.

Run as ``python tests/bench/bench_memory.py [minutes]``. The beds are one stereo file at 96 kHz and one at 44.1 kHz,
which is resampled.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 96_000
GOAL_BYTES_N = 1.5e9

_JOB = r"""
import re, sys, time
from pathlib import Path
import numpy as np
from ridebook.audio.gain import GainCurve
from ridebook.audio.render import MixVersion, render_mixes, render_stem
from ridebook.audio.stems import open_pair
from ridebook.work.analyse import analyse

def told(name, start):
    peak = int(re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())[1]) / 1e6
    print(f"  {name}: {time.perf_counter() - start:.1f} s, peak so far {peak:.3f} GB", flush=True)

folder = Path(sys.argv[1])
curve = GainCurve(np.array([96_000, 960_000]), np.array([-2.0, 1.5]))
with open_pair(folder / "vocal.wav", [folder / "bed.wav", folder / "slow.wav"]) as pair:
    start = time.perf_counter()
    analyse(pair)
    told("analysis", start)
    start = time.perf_counter()
    render_stem(folder / "vocal.wav", folder / "ridden.wav", curve)
    told("ridden stem", start)
    start = time.perf_counter()
    render_mixes(pair, [MixVersion(folder / "mix.wav", (0.0,))], [curve])
    told("mix", start)
"""


def write_song(path: Path, rate_hz: int, channels_n: int, minutes: float) -> None:
    """Bursts of noise with pauses, in place of phrases."""
    rng = np.random.default_rng(3)
    with soundfile.SoundFile(path, "w", rate_hz, channels_n, "PCM_24") as file:
        for second in range(int(60 * minutes)):
            level = 0.1 if second % 4 else 0.001
            file.write(np.clip(level * rng.standard_normal((rate_hz, channels_n)), -1.0, 1.0))


def main() -> int:
    """Print the time and the peak of memory of each step, and exit with 1 where the goal is missed."""
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    with tempfile.TemporaryDirectory() as folder:
        write_song(Path(folder, "vocal.wav"), RATE_HZ, 1, minutes)
        write_song(Path(folder, "bed.wav"), RATE_HZ, 2, minutes)
        write_song(Path(folder, "slow.wav"), 44_100, 2, minutes)
        print(f"{minutes:g} min at {RATE_HZ} Hz, mono vocal, two stereo beds, one of them at 44100 Hz:", flush=True)
        ran = subprocess.run([sys.executable, "-c", _JOB, folder], check=True, stdout=subprocess.PIPE, text=True)
    print(ran.stdout, end="")
    peak_bytes_n = 1e9 * max(float(found) for found in re.findall(r"so far ([\d.]+) GB", ran.stdout))
    return int(peak_bytes_n > GOAL_BYTES_N)


if __name__ == "__main__":
    sys.exit(main())
