"""Words, syllable nuclei and sibilants of synthesized speech, whose phonemes are known to the sample."""

from functools import cache

import numpy as np
import pytest

from ridebook.measure.features import VocalFeatures
from ridebook.segment.find import find_cells
from ridebook.segment.nuclei import nuclei
from tests.segment import made
from tests.synth import Utterance, speak

TEXTS = (
    "the boats are waiting in the bay and every sailor knows the way, we sing until the morning light",
    "seven silver candles burning steady on the shelf, I was only ever hoping to be honest with myself",
    "nothing ever happens in a quiet little town, shadows under lamplight moving slowly to the beat",
)
VOICES = (("en", 40, 150), ("en-us+f2", 65, 130), ("en+m4", 25, 140))
VOWELS = tuple("aeiouAEIOUV03@")
SIBILANTS = {"s", "z", "S", "Z", "tS", "dZ"}


@cache
def said() -> tuple[tuple[Utterance, VocalFeatures], ...]:
    utterances = [speak(text, voice, pitch, rate) for text in TEXTS for voice, pitch, rate in VOICES]
    return tuple((one, made.features_of(one.samples, one.rate_hz)) for one in utterances)


def plain(name: str) -> str:
    return name.strip("',;#")


def test_syllable_nuclei() -> None:
    hits = truth_n = found_n = 0
    for utterance, features in said():
        truth = [(p.start_n + p.end_n) / 2 for p in utterance.phonemes if plain(p.name).startswith(VOWELS)]
        found = nuclei(features)
        assert found.dtype == np.int64
        assert (np.diff(found) > 0).all()
        hits += made.matches(truth, found.tolist(), 0.05 * utterance.rate_hz)
        truth_n += len(truth)
        found_n += len(found)
    assert truth_n > 200
    assert made.f1(hits, truth_n, found_n) >= 0.80


def test_word_starts() -> None:
    hits = truth_n = found_n = 0
    for utterance, features in said():
        truth = [word.start_n / utterance.rate_hz for word in utterance.words]
        found = find_cells(features).words[:, 0] / 100
        hits += made.matches(truth, found.tolist(), 0.1)
        truth_n += len(truth)
        found_n += len(found)
    assert truth_n > 100
    assert made.f1(hits, truth_n, found_n) >= 0.65


def test_sibilants() -> None:
    recalled = truth_n = precise = found_n = 0
    for utterance, features in said():
        rate = utterance.rate_hz
        truth = [(p.start_n / rate, p.end_n / rate) for p in utterance.phonemes if plain(p.name) in SIBILANTS]
        found = [(start / 100, end / 100) for start, end in find_cells(features).sibilants.tolist()]
        recalled += made.overlaps(truth, found)
        precise += made.overlaps(found, truth)
        truth_n += len(truth)
        found_n += len(found)
    assert truth_n > 40
    assert recalled >= 0.85 * truth_n
    assert precise >= 0.80 * found_n


@pytest.mark.parametrize("under_db", [25.0])
def test_bleed_under_speech_leaves_the_words(under_db: float) -> None:
    """What bleed 25 dB under the voice does to the borders."""
    rng = np.random.default_rng(9)
    clean = noisy = truth_n = 0
    for utterance, features in said()[::3]:
        level = 10 * np.log10(np.mean(utterance.samples.astype(float) ** 2))
        bleed = made.bled(utterance.seconds + 0.1, utterance.rate_hz, rng, level - under_db)[: len(utterance.samples)]
        truth = [word.start_n / utterance.rate_hz for word in utterance.words]
        heard = find_cells(made.features_of(utterance.samples + bleed, utterance.rate_hz)).words[:, 0] / 100
        clean += made.matches(truth, (find_cells(features).words[:, 0] / 100).tolist(), 0.1)
        noisy += made.matches(truth, heard.tolist(), 0.1)
        truth_n += len(truth)
    assert noisy >= clean - 0.1 * truth_n
