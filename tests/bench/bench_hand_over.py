"""Cost of a hand-over: an AAF file of a 5-minute pair, and mixes written together against one by one.

Run as ``python tests/bench/bench_hand_over.py [seconds]``. Processor time of the whole process, as several threads
work; the goal is a ratio of two figures of one run.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from ridebook.audio.stems import open_pair
from ridebook.exchange.aaf_rides import aaf_tracks, write_aaf
from ridebook.ride.lane import Lane
from ridebook.session.edits import ink
from ridebook.work.deliverables import Part, named_outputs, naming_of
from ridebook.work.demo import demo_sources
from ridebook.work.hand_over import HandOver, hand_over
from ridebook.work.song import open_song
from tests.bench.bench_render import RATE_HZ, write_stem

POINTS_N = 200
GOAL = 0.75
"""Five mixes together cost at most so much of five apart."""


def cpu_s(work: Callable[[], object]) -> float:
    """Processor time of one run, in seconds."""
    begun_s = time.process_time()
    work()
    return time.process_time() - begun_s


def aaf(folder: Path, seconds: int) -> None:
    """Print what an AAF file of a stereo vocal and a stereo bed costs."""
    vocal, bed = folder / "vocal.wav", folder / "bed.wav"
    write_stem(vocal, seconds, 2)
    write_stem(bed, seconds, 2)
    rng = np.random.default_rng(11)
    frames = np.sort(rng.choice(np.arange(1, seconds * RATE_HZ), POINTS_N, replace=False))
    lane = Lane.from_pairs(zip(frames.tolist(), rng.normal(0.0, 1.5, POINTS_N).tolist()))
    with open_pair(vocal, [bed]) as pair:
        for linked in (False, True):
            target = folder / "rides.aaf"
            reports = []
            taken_s = cpu_s(lambda: reports.append(write_aaf(target, aaf_tracks(pair, lane), linked=linked)))  # noqa: B023
            print(
                f"AAF {'linked' if linked else 'embedded'}, {seconds} s: {taken_s:.1f} s of processor time, "
                f"{target.stat().st_size / 1e6:.1f} MB, {reports[0].points_n} points of {POINTS_N} breakpoints"
            )


def mixes(folder: Path) -> bool:
    """Print what five mixes of the demo song cost together and apart; whether that is within the goal."""
    vocal, beds = demo_sources()
    song = open_song(vocal, beds)
    song.pair.close()
    session = ink(song.session, song.suggestion)
    outputs = named_outputs({Part.MIX, Part.ALTERNATES}, session, folder, naming_of(session))
    one_s = cpu_s(lambda: hand_over(session, HandOver(outputs[:1])))
    together_s = cpu_s(lambda: hand_over(session, HandOver(outputs)))
    apart_s = cpu_s(lambda: [hand_over(session, HandOver((output,))) for output in outputs])
    ratio = together_s / apart_s
    print(
        f"Mixes of the demo song, processor time: one {one_s:.1f} s, {len(outputs)} together {together_s:.1f} s, apart "
        f"{apart_s:.1f} s; together {ratio:.2f} of apart (goal {GOAL:g})"
    )
    return ratio <= GOAL


def main() -> int:
    """Print the figures, and exit with 1 where the goal is missed."""
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    with tempfile.TemporaryDirectory() as folder:
        aaf(Path(folder), seconds)
        return int(not mixes(Path(folder)))


if __name__ == "__main__":
    sys.exit(main())
