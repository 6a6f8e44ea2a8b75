"""Fit the weights of the scorers of words and phrases to singing with word and phrase times.

    python tools/fit_word_scorer.py FOLDER

FOLDER holds takes as NAME.wav with NAME.TextGrid beside (tiers "words" and "phrases", empty labels are silence), named
SONG_PART_KIND. Prints the figures with each song left out of the fit, and then the weights fitted to all for
ridebook/segment/borders.py, which come from the Turkish makam acapella sections dataset, UPF MTG, CC BY 4.0. The words
are fitted together with synthesized speech (tests/synth.py, the `test` extra), lest they fit two singers only.
"""

from __future__ import annotations

import argparse
import re
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from ridebook.measure.features import FeatureAccumulator, VocalFeatures
from ridebook.segment.activity import find_activity
from ridebook.segment.borders import (
    PHRASE_SCORER,
    WORD_SCORER,
    Scorer,
    onset_tops,
    phrase_features,
    word_features,
)
from ridebook.segment.change import find_change
from ridebook.segment.find import find_cells
from tests.synth import speak

SCORERS = {"words": WORD_SCORER, "phrases": PHRASE_SCORER}
PADDING_S = 0.5
RIDGE = 3.0
# A candidate within this of the truth is taken for it; the onset curve's top lags the border by the lag.
SAME_N = {"words": 6, "phrases": 10}
LAG_N = 2.5
WITHIN_S = {"words": 0.1, "phrases": 0.25}
# Added to the fitted bias to make up for what the prior on lengths takes away.
BONUS = {"words": 0.5, "phrases": 1.0}
# What a candidate in synthesized speech weighs against one in singing.
SPEECH_WEIGHT = 0.4
TEXTS = (
    "the boats are waiting in the bay and every sailor knows the way, "
    "we sing until the morning light and hold the harbour through the night",
    "give me one more reason to believe in all the things you said before, "
    "the summer rain is falling on the window and the empty floor",
    "nothing ever happens in a quiet little town, somebody is calling from the corner of the street, "
    "shadows under lamplight moving slowly to the beat",
    "seven silver candles burning steady on the shelf, I was only ever hoping to be honest with myself",
)
VOICES = (("en", 40, 150), ("en-us", 60, 130), ("en+f3", 70, 140), ("en+m4", 20, 170))


@dataclass(frozen=True)
class Take:
    song: str
    weight: float
    features: VocalFeatures
    tops: np.ndarray
    columns: dict[str, np.ndarray]
    starts_s: dict[str, list[float]]


def read_tiers(path: Path) -> dict[str, list[tuple[float, float, str]]]:
    raw = path.read_bytes()
    text = raw.decode("utf-16") if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else raw.decode("utf-8", "replace")
    number = r"([-\d.e]+)"
    tiers = {}
    for name, body in re.findall(r'"IntervalTier"\s*name = "([^"]*)"(.*?)(?="IntervalTier"|\Z)', text, re.S):
        rows = re.findall(rf'xmin = {number}\s*xmax = {number}\s*text = "([^"]*)"', body)
        tiers[name] = [(float(start), float(end), label.strip()) for start, end, label in rows]
    if not tiers:
        for name, body in re.findall(r'"IntervalTier"\s*"([^"]*)"(.*?)(?="IntervalTier"|\Z)', text, re.S):
            rows = re.findall(rf'^{number}\s+{number}\s+"([^"]*)"', body, re.M)
            tiers[name] = [(float(start), float(end), label.strip()) for start, end, label in rows]
    return tiers


def read_take(path: Path) -> Take:
    samples, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
    silence = np.zeros(round(PADDING_S * rate_hz), np.float32)
    tiers = read_tiers(path.with_suffix(".TextGrid"))
    starts = {
        tier: [
            start + PADDING_S for start, _, label in tiers.get(tier, []) if label not in ("", "sil") and label[0] != "_"
        ]
        for tier in ("words", "phrases")
    }
    song = path.stem.rsplit("_", 2)[0]
    return take_of(song, 1.0, np.concatenate([silence, samples.mean(axis=1), silence]), rate_hz, starts)


def speech() -> list[Take]:
    takes = []
    for said in (speak(text, *voice) for text in TEXTS for voice in VOICES):
        starts = {"words": [word.start_n / said.rate_hz for word in said.words], "phrases": []}
        takes.append(take_of("speech", SPEECH_WEIGHT, said.samples, said.rate_hz, starts))
    return takes


def take_of(song: str, weight: float, mono: np.ndarray, rate_hz: int, starts_s: dict[str, list[float]]) -> Take:
    accumulator = FeatureAccumulator(rate_hz)
    accumulator.feed(mono)
    features = accumulator.finish()
    activity = find_activity(features)
    change = find_change(features, activity)
    tops = onset_tops(change, activity)
    # The weight of the pace is not fitted: there is hardly any quick singing here.
    columns = {
        "words": word_features(change, np.ones(len(change.onset)))[:, :-1],
        "phrases": phrase_features(change),
    }
    return Take(song, weight, features, tops, {k: c[tops] for k, c in columns.items()}, starts_s)


def logistic(features: np.ndarray, labels: np.ndarray, counts: np.ndarray) -> tuple[float, np.ndarray]:
    """Bias and weights of a ridge logistic regression of rows that count so much, by Newton's method."""
    mean, deviation = features.mean(axis=0), features.std(axis=0)
    x = np.column_stack([np.ones(len(features)), (features - mean) / deviation])
    ridge = np.diag([1e-6, *[RIDGE] * features.shape[1]])
    beta = np.zeros(x.shape[1])
    for _ in range(50):
        chance = 1.0 / (1.0 + np.exp(-(x @ beta)))
        gradient = x.T @ (counts * (chance - labels)) + ridge @ beta
        beta -= np.linalg.solve((x.T * (counts * chance * (1 - chance))) @ x + ridge, gradient)
    weights = beta[1:] / deviation
    return float(beta[0] - weights @ mean), weights


def fit(takes: list[Take], tier: str) -> Scorer:
    features, labels, counts = [], [], []
    for take in takes:
        truth = np.array(take.starts_s[tier]) * 100
        if len(truth):
            near = np.abs(truth[None, :] - (take.tops[:, None] - LAG_N)).min(axis=1) <= SAME_N[tier]
            features.append(take.columns[tier])
            labels.append(near)
            counts.append(np.full(len(near), take.weight))
    bias, weights = logistic(
        np.concatenate(features), np.concatenate(labels).astype(np.float64), np.concatenate(counts)
    )
    kept = SCORERS[tier].weights[len(weights) :]
    return replace(SCORERS[tier], bias=bias + BONUS[tier], weights=(*weights.tolist(), *kept))


def hits(truth_s: list[float], found_s: list[float], within_s: float) -> int:
    left = sorted(found_s)
    count = 0
    for start in sorted(truth_s):
        near = [found for found in left if abs(found - start) <= within_s]
        if near:
            left.remove(min(near, key=lambda found: abs(found - start)))
            count += 1
    return count


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    takes = [read_take(path) for path in sorted(folder.glob("*.wav")) if path.with_suffix(".TextGrid").exists()]
    songs = sorted({take.song for take in takes})
    spoken = speech()
    counts: dict[str, list[tuple[int, int, int]]] = {tier: [] for tier in SCORERS}
    for song in songs:
        fitted = {tier: fit([*spoken, *(take for take in takes if take.song != song)], tier) for tier in SCORERS}
        for take in takes:
            if take.song == song:
                found = find_cells(take.features, fitted["words"], fitted["phrases"])
                for tier, cells in (("words", found.words), ("phrases", found.phrases)):
                    starts = (cells[:, 0] / 100).tolist()
                    truth = take.starts_s[tier]
                    if truth:
                        counts[tier].append((hits(truth, starts, WITHIN_S[tier]), len(truth), len(starts)))
    for tier, rows in counts.items():
        table = np.array(rows)
        draws = np.random.default_rng(0).integers(0, len(table), (2000, len(table)))
        spread = np.array([2 * t[:, 0].sum() / (t[:, 1] + t[:, 2]).sum() for t in table[draws]])
        hit, truth_n, found_n = table.sum(axis=0)
        low, high = np.percentile(spread, [5, 95])
        sys.stdout.write(
            f"{tier}: F1 {2 * hit / (truth_n + found_n):.3f} (90 % of bootstrap over takes {low:.3f} to {high:.3f}), "
            f"{hit} of {truth_n} found, {found_n} marked, songs left out: {len(songs)}\n"
            f"  all takes: {fit([*spoken, *takes], tier)}\n"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
