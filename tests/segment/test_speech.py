"""Words, nuclei, sibilants and plosives of synthesized speech, whose phonemes are known to the sample."""

import numpy as np
import pytest

from ridebook.segment.activity import find_activity
from ridebook.segment.find import doubts, find_cells
from ridebook.segment.nuclei import nuclei
from ridebook.segment.plosives import find_plosives
from tests.segment import made
from tests.segment.spoken import PLOSIVES, SENTENCES, SIBILANTS, VOWELS, plain, said, spans_of
from tests.synth import speak


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


@pytest.mark.parametrize(
    ("voices", "whispered"),
    [
        ((("en+whisper", 50, 140), ("en-us+whisper", 50, 120)), True),
        ((("en", 40, 260), ("en-us+f2", 60, 280), ("en+m4", 30, 300)), False),
    ],
    ids=["whispered", "quick"],
)
def test_detection_adapts_to_whispers_and_quick_speech(
    voices: tuple[tuple[str, int, int], ...], whispered: bool
) -> None:
    words, tops = np.zeros(3, int), np.zeros(3, int)
    for voice in voices:
        for text in SENTENCES[:3]:
            one = speak(text, *voice)
            features = made.features_of(one.samples, one.rate_hz)
            assert bool(doubts(features)) == whispered
            starts = [word.start_n / one.rate_hz for word in one.words]
            found = (find_cells(features).words[:, 0] / 100).tolist()
            words += made.matches(starts, found, 0.1), len(starts), len(found)
            middles = [(p.start_n + p.end_n) / 2 for p in one.phonemes if plain(p.name).startswith(VOWELS)]
            heard = nuclei(features).tolist()
            tops += made.matches(middles, heard, 0.05 * one.rate_hz), len(middles), len(heard)
    assert words[1] > 90
    assert made.f1(*words.tolist()) >= 0.65
    assert made.f1(*tops.tolist()) >= 0.80


@pytest.mark.parametrize(("kind", "names"), [("sibilants", SIBILANTS), ("plosives", PLOSIVES)])
def test_noises_of_consonants(kind: str, names: frozenset[str]) -> None:
    recalled = truth_n = precise = found_n = 0
    for utterance, features in said():
        truth = spans_of(utterance, names)
        found = [(start / 100, end / 100) for start, end in getattr(find_cells(features), kind).tolist()]
        recalled += made.overlaps(truth, found)
        precise += made.overlaps(found, truth)
        truth_n += len(truth)
        found_n += len(found)
    assert min(truth_n, found_n) >= 200
    assert recalled >= 0.85 * truth_n
    assert precise >= 0.80 * found_n


def test_a_thump_makes_a_plosive_a_pop() -> None:
    """The low thump of breath on a microphone, as some 80 ms of a falling 70 to 110 Hz, on half of the bursts."""
    rng = np.random.default_rng(4)
    told = {True: [0, 0], False: [0, 0]}
    for utterance, features in said()[:12]:
        rate = utterance.rate_hz
        samples = utterance.samples.astype(float)
        activity = find_activity(features)
        bursts, pops = find_plosives(features, activity, np.zeros((0, 2), np.int64))
        told[False][0] += int(pops.sum())
        told[False][1] += len(pops)
        thumped = bursts[rng.random(len(bursts)) < 0.5]
        time_s = np.arange(round(0.08 * rate)) / rate
        for start, _ in thumped.tolist():
            at = round((start + 1) * rate / 100)
            thump = np.sin(2 * np.pi * rng.uniform(70, 110) * time_s) * np.exp(-time_s / 0.03)
            part = samples[at : at + len(thump)]
            part += 2.0 * 10 ** (activity.voice_db / 20) * thump[: len(part)]
        again = made.features_of(samples, rate)
        found, pops = find_plosives(again, find_activity(again), np.zeros((0, 2), np.int64))
        popping = found[pops, 0]
        told[True][0] += sum(int(np.abs(popping - start).min(initial=99) <= 3) for start in thumped[:, 0])
        told[True][1] += len(thumped)
    assert told[True][1] > 50
    assert told[True][0] >= 0.8 * told[True][1]
    assert told[False][0] <= 0.05 * told[False][1]


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
