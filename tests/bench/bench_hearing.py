"""What listening for the words of a 5-minute pair costs beside the analysis.

Run as ``python tests/bench/bench_hearing.py [seconds]``. Processor time of the whole process; a goal is a ratio of two
figures of one run.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from ridebook.audio.stems import open_pair
from ridebook.ride.hearing import hearing_of
from ridebook.segment.spans import Kind, Span
from ridebook.work.analyse import analyse
from ridebook.work.hearing import pair_bands
from tests.bench.bench_hand_over import cpu_s
from tests.bench.bench_render import RATE_HZ, write_stem

WORDS_PER_S = 533 / 300
GOAL = 1.0
"""The pass over both stems costs at most so much of the analysis."""


def main() -> int:
    """Print the figures, and exit with 1 where the goal is missed."""
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    with tempfile.TemporaryDirectory() as folder:
        vocal, bed = Path(folder, "vocal.wav"), Path(folder, "bed.wav")
        write_stem(vocal, seconds, 1)
        write_stem(bed, seconds, 2)
        with open_pair(vocal, [bed]) as pair:
            analyse(pair)  # imports and tables are made once
            kept = []
            analysis_s = cpu_s(lambda: kept.append(analyse(pair)))
            pass_s = cpu_s(lambda: kept.append(pair_bands(pair)))
            analysis, bands = kept
            words_n = round(seconds * WORDS_PER_S)
            starts_n = [round(i * pair.frames_n / words_n) for i in range(words_n)]
            words = tuple(
                Span(f"w{i}", Kind.WORD, start_n, start_n + RATE_HZ // 4) for i, start_n in enumerate(starts_n)
            )
            words_s = cpu_s(lambda: hearing_of(bands, analysis.measures, words))
    ratio = pass_s / analysis_s
    print(
        f"{seconds} s, processor time: analysis {analysis_s:.1f} s, band powers {pass_s:.1f} s, "
        f"what {words_n} words take {words_s:.2f} s; band powers {ratio:.2f} of the analysis (goal {GOAL:g})"
    )
    return int(ratio > GOAL)


if __name__ == "__main__":
    sys.exit(main())
