"""Fit what tells the burst of a plosive from other onsets to synthesized speech.

    python tools/fit_plosives.py

Prints the weights of `ridebook.segment.plosives`, and recall and precision on other sentences by other voices. Every
second utterance has white noise 25 or 35 dB under the voice.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from ridebook.segment.activity import find_activity
from ridebook.segment.noises import find_sibilants
from ridebook.segment.plosives import _LEAST_ODDS, burst_columns
from tests.segment import made
from tests.segment.spoken import PLOSIVES, SENTENCES, VOICES, plain
from tests.synth import Utterance, speak

FIT_SENTENCES = (
    "take a bucket to the pond and keep it dry till tuesday",
    "bobby kept a copper kettle by the potted plant",
    "dark birds drop down to the deep blue dock",
    "pretty people pick up paper cups",
    "today the doctor told her to take two tablets",
    "go get the golden gate and paint it green",
    "carry the basket back to captain cook",
    "don't talk about the broken guitar part",
    "big dogs dig in the garden by the gate",
    "park the car beside the cottage and come along",
    "we were all alone in a yellow room",
    "she shall save some for six sisters",
    "fathers often have very few feathers",
    "lemon air will allow me one more hour",
    "six sisters sit and sip some sweet soda",
    "silver songs and southern shores",
    "please excuse his easy voice because he sings",
)
FIT_VOICES = (
    ("en-us", 50, 140), ("en+f4", 60, 120), ("en+m1", 35, 110), ("de", 45, 130), ("en+f3", 75, 150), ("es", 50, 120),
)  # fmt: skip


def rows(utterances: list[Utterance]) -> tuple[np.ndarray, np.ndarray, int, int]:
    """Columns of all candidates, whether each is a plosive, plosives hit by a candidate, and all of them."""
    columns, labels, hit, count = [], [], 0, 0
    for i, one in enumerate(utterances):
        samples = one.samples.astype(float)
        if i % 2:
            level_db = 10 * np.log10(np.mean(samples**2))
            rng = np.random.default_rng(i)
            samples = samples + made.scaled(rng.standard_normal(len(samples)), level_db - (35 if i % 4 == 1 else 25))
        features = made.features_of(samples, one.rate_hz)
        activity = find_activity(features)
        cells, found = burst_columns(features, activity, find_sibilants(features, activity))
        spans = np.array([(p.start_n, p.end_n) for p in one.phonemes if plain(p.name) in PLOSIVES])
        spans = spans.reshape(-1, 2) * 100 / one.rate_hz
        near = (spans[:, :1] - 2.5 <= cells + 0.5) & (cells + 0.5 <= np.maximum(spans[:, 1:], spans[:, :1] + 3) + 1)
        columns.append(found)
        labels.append(near.any(axis=0))
        hit += int(near.any(axis=1).sum())
        count += len(spans)
    return np.concatenate(columns), np.concatenate(labels), hit, count


def main() -> None:
    columns, labels, _, _ = rows([speak(text, *voice) for text in FIT_SENTENCES for voice in FIT_VOICES])
    mean, spread = columns.mean(axis=0), columns.std(axis=0)
    table = np.column_stack([(columns - mean) / spread, np.ones(len(columns))])
    weights = np.zeros(table.shape[1])
    for _ in range(30):  # Newton's steps of a logistic regression, held by a unit ridge
        odds = 1 / (1 + np.exp(-table @ weights))
        slope = table.T @ (labels - odds) - weights
        weights += np.linalg.solve((table * (odds * (1 - odds))[:, None]).T @ table + np.eye(len(weights)), slope)
    bias = weights[-1] - float((weights[:-1] * mean / spread).sum())
    print("weights", [round(float(w), 3) for w in weights[:-1] / spread], "bias", round(bias, 3))
    columns, labels, hit, count = rows([speak(text, *voice) for text in SENTENCES for voice in VOICES])
    taken = columns @ (weights[:-1] / spread) + bias > _LEAST_ODDS
    print(
        f"other voices: {count} plosives, {hit} near an onset; of {taken.sum()} onsets taken {labels[taken].sum()} are"
    )


if __name__ == "__main__":
    main()
