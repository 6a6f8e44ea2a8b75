"""The lyric laid on synthesized speech, whose words are known to the sample."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from ridebook.segment import align_english
from ridebook.segment.align import align_lyric
from ridebook.segment.spans import LOW_CONFIDENCE, Kind, Origin
from tests.segment import aligned, made
from tests.segment.aligned import LINES, VOICES, errors_s, heard, laid, noisy, spoken, summary
from tests.timing import best_cpu_s


@cache
def vocal(voice: int = 0) -> aligned.Vocal:
    return spoken(*VOICES[voice])


@pytest.mark.parametrize("listen", [True, False], ids=["recognizer", "without"])
def test_words_of_english_begin_where_they_were_said(listen: bool) -> None:
    if listen:
        assert align_english.is_installed()
    errors = np.concatenate([errors_s(vocal(i), laid(vocal(i), listen=listen)) for i in range(len(VOICES))])
    assert len(errors) > 250
    median_ms, _, within = summary(errors)
    assert median_ms <= 25
    assert within >= 0.95


@cache
def clean() -> tuple[float, float, float]:
    return summary(errors_s(vocal(), laid(vocal())))


@pytest.mark.parametrize("kind", ["noise", "bleed"])
def test_noise_and_bleed_leave_the_words(kind: str) -> None:
    for under_db in (20.0, 10.0):
        spoiled = noisy(vocal(), under_db, kind)
        got = summary(errors_s(spoiled, laid(spoiled)))
        assert got[0] <= 1.5 * max(clean()[0], 12.0)
        assert got[1] <= 1.5 * 120
        assert got[2] >= 0.95


def test_what_comes_out_is_whole() -> None:
    features, measures, found = heard(vocal())
    text = "[one]\n" + "\n".join(LINES[:4]) + "\n\n[two]\n" + "\n".join(LINES[4:])
    told: list[float] = []
    result = align_lyric(text, features, measures, found, progress=told.append)
    assert result is not None
    segments = result.segments
    assert [phrase.label for phrase in segments.phrases] == list(LINES)
    assert [section.label for section in segments.sections] == ["one", "two"]
    assert segments.sections[0].start_n == 0
    assert segments.sections[-1].end_n == features.frames_n
    for phrase in segments.phrases:
        words = segments.words_of(phrase)
        assert " ".join(word.label for word in words) == phrase.label
        assert (words[0].start_n, words[-1].end_n) == (phrase.start_n, phrase.end_n)
    assert {s.origin for s in segments.words + segments.phrases + segments.sections} == {Origin.LYRIC}
    assert segments.breaths == found.breaths
    assert segments.sibilants == found.sibilants
    assert set(result.confidences) == {word.id for word in segments.words}
    assert all(0.0 <= value <= 1.0 for value in result.confidences.values())
    assert np.median(list(result.confidences.values())) > 0.7
    assert told == sorted(told)
    assert told[-1] == 1.0
    ids = [span.id for span in segments.all_spans()]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("missing", [5, 9])
def test_a_line_that_the_lyric_lacks_does_not_move_the_others(missing: int) -> None:
    lyric = "\n".join(line for i, line in enumerate(LINES) if i != missing)
    result = laid(vocal(), lyric)
    assert summary(errors_s(vocal(), result, [missing]))[2] >= 0.9
    kept = [phrase for phrase in result.segments.phrases if phrase.origin is Origin.FOUND]
    first_s, last_s = vocal().lines[missing][0][0], vocal().lines[missing][-1][0]
    assert any(first_s - 0.3 < p.middle_n / vocal().rate_hz < last_s + 0.5 for p in kept)
    assert any("no line of the lyric" in notice for notice in result.notices)


@pytest.mark.parametrize("at", [0, 4, 10])
def test_a_line_that_is_not_sung_is_told_and_left_out(at: int) -> None:
    extra = "purple elephants juggle marmalade on thursdays"
    lines = [*LINES[:at], extra, *LINES[at:]]
    result = laid(vocal(), "\n".join(lines))
    assert [phrase.label for phrase in result.segments.phrases if phrase.label] == list(LINES)
    assert any("purple elephants" in notice for notice in result.notices)
    starts = [p.start_n / vocal().rate_hz for p in result.segments.phrases if p.label]
    truth = [line[0][0] for line in vocal().lines]
    assert np.median(np.abs(np.array(starts) - truth)) < 0.05


def test_a_repeated_and_a_missing_word_stay_local() -> None:
    said = spoken("en-us", 45, 140, ["we sing we sing until that morning light", *LINES[5:8]])
    result = laid(said, "\n".join(["we sing until that morning morning light", *LINES[5:8]]))
    starts = {
        word.label: word.start_n / said.rate_hz for word in result.segments.words if word.label in ("low", "bread")
    }
    truth = {text: start for line in said.lines for start, text in line}
    for label, start_s in starts.items():
        assert abs(start_s - truth[label]) < 0.1


def test_the_lyric_of_another_song_is_told() -> None:
    other = "purple elephants juggle marmalade on thursdays\nzigzag engineers juggle wooden oxen\n" * 5
    result = laid(vocal(), other)
    values = list(result.confidences.values())
    assert not values or np.median(values) < LOW_CONFIDENCE
    assert any("another song" in notice for notice in result.notices)


@pytest.mark.parametrize(
    ("lyric", "word"),
    [
        ("", "no words"),
        ("[chorus]\n...\n", "no words"),
        ("愛してる きょうの夜\n" * 12, ""),
        ("שלום עולם מה שלומך\n" * 8, ""),
        ("مرحبا يا حبيبي كيف الحال\n" * 8, ""),
        ("नमस्ते दुनिया\n" * 8, ""),
        ("one\n", ""),
        ("a " * 5000, "more than"),
    ],
)
def test_every_lyric_gives_segments_and_a_word_on_what_did_not_fit(lyric: str, word: str) -> None:
    result = laid(vocal(), lyric)
    assert any(word in notice for notice in result.notices) or not word
    assert result.segments.phrases
    for phrase in result.segments.phrases:
        assert result.segments.words_of(phrase)


def test_a_hundred_thousand_characters_neither_hang_nor_fail() -> None:
    rng = np.random.default_rng(2)
    words = ["".join(rng.choice(list("abcdefghijklmnopqrstuvwxyz"), rng.integers(1, 9))) for _ in range(18_000)]
    lyric = "\n".join(" ".join(words[i : i + 8]) for i in range(0, len(words), 8))[:100_000]
    features, measures, found = heard(vocal())
    results = []
    assert best_cpu_s(lambda: results.append(align_lyric(lyric, features, measures, found)), rounds_n=1) < 60.0
    (result,) = results
    assert result is not None
    assert any("only its first" in notice for notice in result.notices)


def test_silence_and_the_shortest_vocals() -> None:
    for samples in (np.zeros(22050), np.zeros(100), 1e-3 * np.ones(3000), made.sung(0.1, 22050), made.sung(3.0, 22050)):
        one = aligned.Vocal(samples, 22050, ())
        result = laid(one, "so long my love\nfarewell")
        assert result.notices
        for kind in Kind:
            for span in getattr(result.segments, f"{kind}s"):
                assert 0 <= span.start_n < span.end_n <= len(samples)


def test_it_can_be_called_off() -> None:
    features, measures, found = heard(vocal())
    asked: list[int] = []

    def cancelled() -> bool:
        asked.append(1)
        return len(asked) > 1

    assert align_lyric(vocal().lyric, features, measures, found, cancelled=cancelled) is None
    assert len(asked) == 2


def test_the_recognizer_gives_nothing_rather_than_nonsense() -> None:
    rng = np.random.default_rng(3)
    noise = 0.1 * rng.standard_normal(22050)
    for samples, words in ((noise, ["so"] * 40), (np.zeros(22050), ["so"]), (noise[:50], ["so", "long"]), (noise, [])):
        told = align_english.forced_starts(samples, 22050, words)
        assert told is None or len(told) == len(words)


def test_pronunciations_are_guessed_by_the_letters() -> None:
    assert align_english.guessed_phones("lamplight") == "L AE M P L IH T" or "AY" in align_english.guessed_phones(
        "lamplight"
    )
    assert align_english.guessed_phones("shadow") == "SH AE D OW"
    assert align_english.guessed_phones("愛") == ""


def test_low_confidence_finds_the_words_that_are_wrong() -> None:
    """Words over loud noise and bleed, some of them laid wrong: told by their confidence, which keeps its promise."""
    sure: list[float] = []
    right: list[bool] = []
    for kind, under_db, voice in (("noise", 4.0, 0), ("bleed", 4.0, 1), ("bleed", 20.0, 2)):
        spoiled = noisy(vocal(voice), under_db, kind, seed=7)
        result = laid(spoiled, listen=False)
        number = 1
        for error, text in zip(errors_s(spoiled, result), (text for line in spoiled.lines for _, text in line)):
            if f"lw{number:04d}" in result.confidences:
                sure.append(result.confidences[f"lw{number:04d}"])
                right.append(abs(error) <= 0.15)
            number += len(text.split())
    p, hit = np.array(sure), np.array(right)
    assert (~hit).sum() >= 20
    assert (p[hit][:, None] > p[~hit]).mean() >= 0.75
    assert (p[~hit] < LOW_CONFIDENCE).mean() >= 0.5
    assert (p[hit] < LOW_CONFIDENCE).mean() <= 0.3
    assert abs(p.mean() - hit.mean()) < 0.15
