"""Errors of word starts when a lyric is laid on a voice, and how long that takes.

    python tests/bench/bench_alignment.py [--check] [--singing FOLDER]

Synthesized English with times that are exact by construction: clean, and with noise and bleed 20 and 10 dB under the
voice; with and without the recognizer. The classes of sounds were fitted to other sentences by the same synthesizer, so
that figures on recorded voices are the harder ones: with --singing, takes NAME.wav with NAME.TextGrid (tiers words and
phrases) are laid by their own words, each alone.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from ridebook.exchange.timings import read_timings
from ridebook.segment.align import align_lyric
from tests.segment.aligned import LINES, VOICES, Vocal, errors_s, heard, laid, noisy, spoken, summary

SONG_S = 300.0
LONGEST_S = 3.0
MEDIAN_MS, WITHIN_120_MS = 25.0, 0.95


def told(name: str, errors: np.ndarray) -> tuple[float, float, float]:
    figures = summary(errors)
    away = np.nan_to_num(np.abs(errors), nan=60.0)
    print(
        f"{name}: {len(errors)} words, median {figures[0]:.0f} ms, 95th percentile {figures[1]:.0f} ms, within 120 ms "
        f"{figures[2]:.3f}, 300 ms {np.mean(away <= 0.3):.3f}, 500 ms {np.mean(away <= 0.5):.3f}",
        flush=True,
    )
    return figures


def singing(folder: Path) -> Iterable[Vocal]:
    for grid in sorted(folder.glob("*.TextGrid")):
        samples, rate_hz = soundfile.read(grid.with_suffix(".wav"), always_2d=True)
        segments = read_timings(grid, rate_hz).segments
        lines = [tuple((w.start_n / rate_hz, w.label) for w in segments.words_of(p)) for p in segments.phrases]
        yield Vocal(samples.mean(axis=1), rate_hz, tuple(line for line in lines if line))


def song() -> Vocal:
    """A vocal of 5 minutes, half of it rests, with some 350 words."""
    part = spoken(*VOICES[0], LINES[:6])
    lines, parts, at_s = [], [], 0.0
    while at_s < SONG_S:
        lines += [tuple((start_s + at_s, word) for start_s, word in line) for line in part.lines]
        parts += [part.samples, np.zeros(len(part.samples) // 2)]
        at_s += (len(parts[-1]) + len(parts[-2])) / part.rate_hz
    return Vocal(np.concatenate(parts), part.rate_hz, tuple(lines))


def seconds() -> float:
    one = song()
    features, measures, found = heard(one)
    began = time.process_time()
    result = align_lyric(one.lyric, features, measures, found, "en", lambda start, stop: one.samples[start:stop])
    took = time.process_time() - began
    assert result is not None
    told(f"a song of {len(one.samples) / one.rate_hz:.0f} s", errors_s(one, result))
    return took


def main() -> int:
    parser = argparse.ArgumentParser(description="Errors of word starts when a lyric is laid on a voice")
    parser.add_argument("--check", action="store_true", help="exit 1 where a target is missed")
    parser.add_argument("--singing", type=Path, help="folder of takes with TextGrids")
    chosen = parser.parse_args()
    vocals = [spoken(*voice) for voice in VOICES]
    clean = told("clean", np.concatenate([errors_s(v, laid(v)) for v in vocals]))
    alone = told("without the recognizer", np.concatenate([errors_s(v, laid(v, listen=False)) for v in vocals]))
    missed = any(figures[0] > MEDIAN_MS or figures[2] < WITHIN_120_MS for figures in (clean, alone))
    for kind in ("noise", "bleed"):
        for under_db in (20.0, 10.0):
            spoiled = [noisy(v, under_db, kind) for v in vocals]
            figures = told(f"{kind} {under_db:.0f} dB under", np.concatenate([errors_s(v, laid(v)) for v in spoiled]))
            missed |= figures[0] > 1.5 * MEDIAN_MS or figures[1] > 1.5 * 120
    took = seconds()
    print(f"laid in {took:.1f} s of processor time")
    missed |= took > LONGEST_S
    if chosen.singing:
        told("singing", np.concatenate([errors_s(v, laid(v, language="tr")) for v in singing(chosen.singing)]))
    return int(missed and chosen.check)


if __name__ == "__main__":
    sys.exit(main())
