"""Phrases, words, breaths, sibilants and sections of vocals of known make."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ridebook.segment.activity import find_activity
from ridebook.segment.find import find_cells, find_segments
from ridebook.segment.spans import Segments
from tests.segment import made

RATE_HZ = 44100


def segments_of(samples: np.ndarray, rate_hz: int, bed: np.ndarray | None = None) -> Segments:
    return find_segments(made.features_of(samples, rate_hz), made.measures_of(samples, rate_hz, bed))


def notes(rate_hz: int, level_db: float = -20.0, gap_s: float = 0.5) -> tuple[np.ndarray, list[float], list[float]]:
    """Seven notes with pauses between; their starts and ends in seconds."""
    parts, starts, ends, at = [made.silence(0.8, rate_hz)], [], [], 0.8
    for i in range(7):
        length = 0.5 + 0.1 * (i % 3)
        parts += [made.sung(length, rate_hz, 180.0 + 20 * i, "aio"[i % 3], level_db), made.silence(gap_s, rate_hz)]
        starts.append(at)
        ends.append(at + length)
        at += length + gap_s
    return np.concatenate([*parts, made.silence(0.5, rate_hz)]), starts, ends


def assert_found(found: Segments, starts: list[float], ends: list[float], rate_hz: int, within_s: float) -> None:
    words = [(word.start_n / rate_hz, word.end_n / rate_hz) for word in found.words]
    assert made.matches(starts, [start for start, _ in words], within_s) == len(starts)
    assert made.matches(ends, [end for _, end in words], 2 * within_s) == len(ends)
    for start, end in words:
        middle = (start + end) / 2
        assert any(a <= middle <= b for a, b in zip(starts, ends)), f"a word from {start} to {end} s in a pause"


@pytest.mark.parametrize("rate_hz", [8000, 11025, 22050, 44100, 48000, 96000])
def test_words_after_pauses(rate_hz: int) -> None:
    samples, starts, ends = notes(rate_hz)
    assert_found(segments_of(samples, rate_hz), starts, ends, rate_hz, 0.04)


@pytest.mark.parametrize("bleed", [True, False], ids=["bleed", "noise"])
def test_noise_and_bleed_25_db_under_the_voice_are_no_voice(bleed: bool) -> None:
    rng = np.random.default_rng(3)
    samples, starts, ends = notes(RATE_HZ, level_db=-15.0)
    seconds = len(samples) / RATE_HZ
    under = made.bled(seconds, RATE_HZ, rng, -40.0) if bleed else made.scaled(rng.standard_normal(len(samples)), -40.0)
    samples = samples + np.resize(under, len(samples))
    assert_found(segments_of(samples, RATE_HZ), starts, ends, RATE_HZ, 0.06)


def test_a_line_18_db_quieter_is_still_a_voice() -> None:
    loud, starts, ends = notes(RATE_HZ)
    quiet, more_starts, more_ends = notes(RATE_HZ, level_db=-38.0)
    samples = np.concatenate([loud, quiet]) + 1e-4 * np.random.default_rng(0).standard_normal(len(loud) + len(quiet))
    shift = len(loud) / RATE_HZ
    starts += [start + shift for start in more_starts]
    ends += [end + shift for end in more_ends]
    assert_found(segments_of(samples, RATE_HZ), starts, ends, RATE_HZ, 0.05)


def test_a_whisper_is_a_voice_and_no_breath() -> None:
    rng = np.random.default_rng(4)
    parts, starts, at = [made.silence(0.6, RATE_HZ)], [], 0.6
    for length in (0.7, 0.5, 0.9, 0.6, 0.8):
        parts += [made.whispered(length, RATE_HZ, rng), made.silence(0.5, RATE_HZ)]
        starts.append(at)
        at += length + 0.5
    samples = np.concatenate(parts) + 1e-4 * rng.standard_normal(round(at * RATE_HZ))
    found = segments_of(samples, RATE_HZ)
    assert find_activity(made.features_of(samples, RATE_HZ)).is_whispered
    assert made.matches(starts, [word.start_n / RATE_HZ for word in found.words], 0.05) == len(starts)
    assert found.breaths == ()


@pytest.mark.parametrize("step_db", [-4.5, 4.5, 6.0])
def test_a_level_step_inside_a_held_note_is_a_border(step_db: float) -> None:
    samples = np.concatenate([made.silence(0.5, RATE_HZ), made.sung(6.0, RATE_HZ), made.silence(0.5, RATE_HZ)])
    time_s = np.arange(len(samples)) / RATE_HZ
    gain_db = np.interp(time_s, [2.485, 2.515, 3.985, 4.015], [0.0, step_db, step_db, 0.0])
    steady = [word.start_n / RATE_HZ for word in segments_of(samples, RATE_HZ).words]
    stepped = [word.start_n / RATE_HZ for word in segments_of(samples * 10 ** (gain_db / 20), RATE_HZ).words]
    assert made.matches([2.5, 4.0], steady, 0.2) == 0
    assert made.matches([2.5, 4.0], stepped, 0.04) == 2


def test_rides_hardly_move_borders() -> None:
    rng = np.random.default_rng(5)
    parts = []
    for i in range(24):
        parts.append(made.sung(0.3 + 0.4 * rng.random(), RATE_HZ, 180 + 60 * rng.random(), "aio"[i % 3]))
        parts.append(made.silence(0.6 if i % 4 == 3 else 0.08, RATE_HZ))
    samples = np.concatenate(parts)
    samples += 1e-4 * rng.standard_normal(len(samples))
    before = [word.start_n for word in segments_of(samples, RATE_HZ).words]
    gain_db = np.interp(np.arange(len(samples)) / RATE_HZ, [0, 5, 5.3, 8, 8.3, 12], [3.5, 3.5, -3.5, -3.5, 2.0, 2.0])
    after = [word.start_n for word in segments_of(samples * 10 ** (gain_db / 20), RATE_HZ).words]
    assert len(before) >= 15
    assert made.f1(made.matches(before, after, 0.03 * RATE_HZ), len(before), len(after)) > 0.9


def test_breaths_between_phrases() -> None:
    rate_hz = 22050
    rng = np.random.default_rng(6)
    parts, truth, at = [made.silence(0.5, rate_hz)], [], 0.5
    notes = [made.sung(0.4 + 0.04 * i, rate_hz, 120.0 + 30.0 * i, "aio"[i % 3]) for i in range(9)]
    for i in range(204):
        note = notes[i % 9]
        before, after = rng.uniform(0.05, 0.35, 2)
        breath = made.breathed(rng.uniform(0.2, 0.5), rate_hz, rng, rng.uniform(-50.0, -36.0))
        start = at + len(note) / rate_hz + before
        truth.append((start, start + len(breath) / rate_hz))
        parts += [note, made.silence(before, rate_hz), breath, made.silence(after, rate_hz)]
        at = sum(map(len, parts)) / rate_hz
    samples = np.concatenate([*parts, made.sung(1.0, rate_hz)])
    samples += 1e-4 * rng.standard_normal(len(samples))
    found = segments_of(samples, rate_hz)
    breaths = [(b.start_n / rate_hz, b.end_n / rate_hz) for b in found.breaths]
    assert made.overlaps(truth, breaths) >= 0.9 * len(truth)
    assert made.overlaps(breaths, truth) >= 0.9 * len(breaths)
    words = [(w.start_n / rate_hz, w.end_n / rate_hz) for w in found.words]
    assert sum(any(s <= (a + b) / 2 < e for s, e in words) for a, b in truth) <= 0.05 * len(truth)


def test_a_word_begins_with_its_sibilant() -> None:
    rng = np.random.default_rng(7)
    parts, truth, at = [made.silence(0.5, RATE_HZ)], [], 0.5
    for i in range(10):
        hiss = made.hissed(0.15, RATE_HZ, rng)
        truth.append((at, at + 0.15))
        note = made.sung(0.9, RATE_HZ, 210.0, "aio"[i % 3])
        parts += [hiss, note]
        at += (len(hiss) + len(note)) / RATE_HZ
    samples = np.concatenate([*parts, made.silence(0.5, RATE_HZ)])
    found = segments_of(samples + 1e-4 * rng.standard_normal(len(samples)), RATE_HZ)
    sibilants = [(x.start_n / RATE_HZ, x.end_n / RATE_HZ) for x in found.sibilants]
    assert made.overlaps(truth, sibilants) == len(truth) == len(sibilants)
    starts = [word.start_n / RATE_HZ for word in found.words]
    assert made.matches([start for start, _ in truth], starts, 0.04) == len(truth)


def test_a_long_rest_and_a_step_of_the_bed_part_sections() -> None:
    rng = np.random.default_rng(8)
    line = np.concatenate([made.sung(1.5, RATE_HZ), made.silence(0.5, RATE_HZ)])
    samples = np.concatenate([np.tile(line, 8), made.silence(7.0, RATE_HZ), np.tile(line, 16)])
    bed = 0.02 * rng.standard_normal(len(samples))
    bed[39 * RATE_HZ :] *= 2.5
    borders = [section.start_n / RATE_HZ for section in segments_of(samples, RATE_HZ, bed).sections]
    assert borders[0] == 0
    assert borders[1:] == pytest.approx([19.25, 38.75], abs=0.3)
    even = segments_of(samples, RATE_HZ, 0.02 * rng.standard_normal(len(samples))).sections
    assert [section.start_n / RATE_HZ for section in even] == pytest.approx([0, 19.25], abs=0.3)


@pytest.mark.parametrize("frames_n", [0, 1, 100, 441, 5000])
def test_next_to_nothing(frames_n: int) -> None:
    assert segments_of(np.zeros(frames_n), RATE_HZ) == Segments()
    tone = made.sung(1.0, RATE_HZ)[10000 : 10000 + frames_n]
    for span in segments_of(tone, RATE_HZ).all_spans():
        assert 0 <= span.start_n < span.end_n <= frames_n


def test_a_voice_from_the_first_frame_to_the_last() -> None:
    samples = made.sung(4.0, RATE_HZ)[RATE_HZ // 2 : -RATE_HZ // 2]
    found = segments_of(samples, RATE_HZ)
    assert found.words[0].start_n == 0
    assert found.words[-1].end_n == len(samples)
    assert found.sections[0].start_n == 0
    assert found.sections[-1].end_n == len(samples)


PART = st.tuples(
    st.sampled_from(["sung", "noise", "hiss", "breath", "silence"]), st.floats(0.03, 1.2), st.floats(-50.0, -12.0)
)


def assembled(parts: list[tuple[str, float, float]], rate_hz: int) -> np.ndarray:
    rng = np.random.default_rng(len(parts))
    makers = {
        "sung": lambda seconds, level: made.sung(seconds, rate_hz, 150 + 100 * seconds, level_db=level),
        "noise": lambda seconds, level: made.noise(seconds, rate_hz, rng, [(0, 0), (20000, 0)], level),
        "hiss": lambda seconds, level: made.hissed(seconds, rate_hz, rng, level),
        "breath": lambda seconds, level: made.breathed(seconds, rate_hz, rng, level),
        "silence": lambda seconds, level: made.silence(seconds, rate_hz),
    }
    return np.concatenate([makers[kind](seconds, level) for kind, seconds, level in parts])


@settings(max_examples=25, deadline=None)
@given(st.lists(PART, min_size=1, max_size=8), st.sampled_from([8000, 16000, 22050]))
def test_what_holds_for_any_vocal(parts: list[tuple[str, float, float]], rate_hz: int) -> None:
    samples = assembled(parts, rate_hz)
    found = segments_of(samples, rate_hz)
    spans = found.all_spans()
    assert len({span.id for span in spans}) == len(spans)
    assert all(0 <= span.start_n < span.end_n <= len(samples) for span in spans)
    # Order and freedom from overlap are held by Segments itself.
    starts = {word.start_n for word in found.words}
    assert all(phrase.start_n in starts for phrase in found.phrases)
    for word in found.words:
        phrase = found.phrase_of(word)
        assert phrase is not None
        assert phrase.start_n <= word.start_n < word.end_n <= phrase.end_n
    assert all(found.words_of(phrase) for phrase in found.phrases)
    assert all(found.section_of(phrase) is not None for phrase in found.phrases)


@settings(max_examples=10, deadline=None)
@given(st.lists(PART, min_size=2, max_size=6), st.floats(-18.0, 6.0))
def test_the_level_of_the_whole_take_changes_nothing(parts: list[tuple[str, float, float]], gain_db: float) -> None:
    samples = assembled([("sung", 0.8, -20.0), *parts], 16000)
    samples += 1e-3 * np.random.default_rng(1).standard_normal(len(samples))
    plain = find_cells(made.features_of(samples, 16000))
    louder = find_cells(made.features_of(samples * 10 ** (gain_db / 20), 16000))
    for kind in ("words", "phrases", "sibilants"):
        one, other = getattr(plain, kind), getattr(louder, kind)
        # A rounding may tip one border in a hundred.
        assert abs(len(one) - len(other)) <= 1
        if len(one) == len(other):
            assert np.abs(one - other).max(initial=0) <= 2
