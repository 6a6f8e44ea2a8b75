"""Fit the classes of sounds that an alignment listens to, to synthesized speech.

    python tools/fit_sound_classes.py

Writes ridebook/segment/align_sounds.json: linear discriminants of twelve classes. The speech is eSpeak NG's, whose
phoneme times are exact: made-up words in eight languages and sentences in English, at many pitches and speeds, with
noise or bleed 12 to 40 dB under it and a fifth of it in a room. Prints how many cells of held-out utterances are told
rightly.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from scipy.signal import fftconvolve

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from ridebook.segment.activity import find_activity
from ridebook.segment.align_sounds import CLASSES, sound_columns
from tests.segment import made
from tests.synth import Utterance, speak

TARGET = Path(__file__).resolve().parents[1] / "ridebook" / "segment" / "align_sounds.json"
LANGUAGES = ("tr", "es", "it", "fi", "de", "pt", "ru", "sv")
VARIANTS = ("", "+f2", "+m3", "+f4")
ENGLISH = [f"{voice}{variant}" for voice in ("en", "en-us") for variant in ("", "+f2", "+m3", "+f5", "+m7")]
SENTENCES = (
    "the river carries every broken branch away",
    "shadows fall across the kitchen table while she sleeps",
    "honey come and hold the light a little longer",
    "five brave foxes jumped through heavy thorn hedges",
    "yesterday we sang of home and danced until the dawn",
)
# eSpeak's names of phonemes, stress and length marks aside; what is in none of these is left out.
PHONEMES = {
    "S": "s z S Z ts tS dZ dz c s. sx",
    "F": "f v h T D x B",
    "T": "p t k b d g *",
    "N": "n m N J n^",
    "L": "l r R j w L R2 r- ** l^",
    "A": "a A: A aa V & Q &~",
    "E": "e E eI e: E- 8",
    "I": "i I i: I2 y",
    "O": "o O oU o: O: 0 O2 O@",
    "U": "u u: U u- u~",
    "V": "@ @- 3 3: @2",
}
CLASS_OF = {name: CLASSES.index(kind) for kind, names in PHONEMES.items() for name in names.split()}
NOISE_BELOW_DB = (40.0, 25.0, 12.0)


def invented_words(rng: np.random.Generator, count: int = 10) -> str:
    words = []
    for _ in range(count):
        word = ""
        for _ in range(rng.integers(1, 4)):
            word += str(rng.choice(list("ptkbdgmnlrszfvhj"))) + str(rng.choice(list("aeiou")))
            word += str(rng.choice(list("nlrstkm"))) if rng.random() < 0.4 else ""
        words.append(word)
    return " ".join(words)


def utterances(rng: np.random.Generator) -> list[Utterance]:
    orders = [(invented_words(rng), f"{language}{v}") for language in LANGUAGES for v in VARIANTS for _ in range(3)]
    orders += [(sentence, voice) for voice in ENGLISH for sentence in SENTENCES]
    return [speak(text, voice, int(rng.integers(15, 99)), int(rng.integers(80, 180))) for text, voice in orders]


def spoiled(utterance: Utterance, number: int, rng: np.random.Generator) -> tuple[np.ndarray, int]:
    """Samples with silence around, noise or bleed, some in a room; and the frames of silence before."""
    rate = utterance.rate_hz
    lead = rate // 3
    samples = np.pad(utterance.samples.astype(float), lead)
    count = len(samples)
    noise = rng.standard_normal(count) if number % 2 else made.bled(count / rate + 0.1, rate, rng, 0.0)[:count]
    level_db = 10 * np.log10(np.mean(utterance.samples.astype(float) ** 2))
    samples = samples + made.scaled(noise, level_db - NOISE_BELOW_DB[number % len(NOISE_BELOW_DB)])
    if number % 5 == 0:
        time_s = np.arange(rate // 2) / rate
        room = 0.02 * rng.standard_normal(len(time_s)) * 10 ** (-3 * time_s / 0.6)
        room[0] = 1.0
        samples = fftconvolve(samples, room)[:count]
    return samples, lead


def labelled(utterance: Utterance, number: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Columns of each cell, and its class; -1 where it is to be left out."""
    samples, lead = spoiled(utterance, number, rng)
    features = made.features_of(samples, utterance.rate_hz)
    columns = sound_columns(features, find_activity(features))
    classes = np.zeros(len(columns), int)
    for phoneme in utterance.phonemes:
        start, end = ((n + lead) / utterance.rate_hz * 100 for n in (phoneme.start_n, phoneme.end_n))
        kind = CLASS_OF.get(phoneme.name.strip("',;#"), -1)
        if kind >= CLASSES.index("A") and end - start > 12:
            classes[int(end) - 2 : int(end)] = -1
            end -= 2
        classes[round(start) : max(round(end), round(start) + 1)] = kind
    return columns, classes


def fitted(columns: np.ndarray, classes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Weights and biases of linear discriminants whose classes are all as likely and share one covariance."""
    groups = [columns[classes == k] for k in range(len(CLASSES))]
    means = np.stack([group.mean(axis=0) for group in groups])
    covariance = sum(np.cov(group.T) for group in groups) / len(groups) + np.eye(columns.shape[1])
    weights = means @ np.linalg.inv(covariance)
    return weights, -0.5 * np.einsum("kd,kd->k", weights, means)


def main() -> None:
    rng = np.random.default_rng(1)
    parts = [labelled(utterance, number, rng) for number, utterance in enumerate(utterances(rng))]

    def joined(chosen: list[int]) -> tuple[np.ndarray, np.ndarray]:
        return np.concatenate([parts[i][0] for i in chosen]), np.concatenate([parts[i][1] for i in chosen])

    held_out = [i for i in range(len(parts)) if i % 4 == 0]
    weights, biases = fitted(*joined([i for i in range(len(parts)) if i % 4]))
    columns, classes = joined(held_out)
    told = (columns @ weights.T + biases).argmax(axis=1)
    each = [float(np.mean(told[classes == k] == k)) for k in range(len(CLASSES))]
    print(f"held-out cells told rightly: {np.mean(each):.3f} (mean over classes)")
    print({name: round(share, 2) for name, share in zip(CLASSES, each)})
    weights, biases = fitted(*joined(list(range(len(parts)))))
    text = json.dumps({"weights": np.round(weights, 4).tolist(), "biases": np.round(biases, 3).tolist()})
    TARGET.write_text(text.replace("], [", "],\n["), encoding="utf-8")


if __name__ == "__main__":
    main()
