"""Audibility of words: constructed truths, and what must hold for every voice and bed."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ridebook.measure import audibility as audibility_module
from ridebook.measure.audibility import (
    BANDS_N,
    LOST,
    NO_NOISE_DB,
    WordLevels,
    audibility,
    gain_to_hear,
    heard_information,
    intelligibility_index,
    listening_offset_db,
    masking_db,
    mix_loudness_lufs,
    spectrum_level_db,
    word_levels,
)
from ridebook.measure.loudness import power_at
from ridebook.measure.measures import Measures, StemMeasures
from tests.measure.bands_made import CELL_N, pair, speech
from tests.timing import best_cpu_s

WORD = np.array([0]), np.array([30 * CELL_N])
LEVELS_DB = st.lists(st.floats(-20.0, 80.0), min_size=BANDS_N, max_size=BANDS_N).map(np.array)


def heard(voice_db: np.ndarray, bed_db: np.ndarray, gain_db: float = 0.0) -> float:
    return float(audibility(word_levels(pair(voice_db, bed_db), *WORD, 0.0), gain_db)[0])


def test_steady_bed_gives_the_index_of_the_standard() -> None:
    for balance_db in (-10.0, -5.0, 0.0, 5.0, 10.0):
        bed_db = speech(30, -balance_db)
        index = intelligibility_index(speech(1)[0], bed_db[0])
        assert heard(speech(30), bed_db) == pytest.approx(float(index), abs=1e-4)
    assert heard(speech(30), speech(30, -90.0)) > 0.99


def test_lost_lies_three_to_four_db_under_a_bed_of_the_same_spectrum() -> None:
    # Rhebergen and Versfeld 2005 (from memory): half of the sentences repeated right. Here the voice at 75 dB SPL.
    assert heard(speech(30, 12.65), speech(30, 12.65 + 3.0)) > LOST > heard(speech(30, 12.65), speech(30, 12.65 + 4.0))


def test_a_drum_hit_hides_less_than_a_pad_of_the_same_power() -> None:
    pad = speech(30, 6.0)
    hit = np.full_like(pad, NO_NOISE_DB)
    hit[12:15] = pad[12:15] + 10.0
    np.testing.assert_allclose((10 ** (hit / 10)).mean(axis=0), (10 ** (pad / 10)).mean(axis=0), rtol=1e-4)
    assert heard(speech(30), pad) < LOST
    assert heard(speech(30), hit) > 0.85


def test_only_the_cells_of_the_word_count() -> None:
    bed = speech(90, -30.0)
    bed[:30] = bed[60:] = speech(1, 30.0)
    bands = pair(speech(90), bed)
    starts, ends = np.array([0, 30, 60]) * CELL_N, np.array([30, 60, 90]) * CELL_N
    index = audibility(word_levels(bands, starts, ends, 0.0))
    assert index[1] > 0.9
    assert index[[0, 2]].max() < 0.05
    # Words in any order, of one cell, between two middles, and over each other.
    starts, ends = np.array([2000, 60, 100, 0]) * CELL_N // 60, np.array([2060, 61, 101, 5400]) * CELL_N // 60
    assert audibility(word_levels(bands, starts, ends, 0.0)).shape == (4,)
    for start_n, end_n, index in zip(starts, ends, audibility(word_levels(bands, starts, ends, 0.0)), strict=True):
        alone = word_levels(bands, np.array([start_n]), np.array([end_n]), 0.0)
        assert audibility(alone)[0] == pytest.approx(index, abs=1e-6)


def test_a_word_that_lacks_a_band_borrows_from_the_voice() -> None:
    # One closed vowel, nothing over 1 kHz, in a voice that has it elsewhere: its index falls but a little.
    voice = speech(3000)
    voice[:30, 9:] = -200.0
    bed = speech(3000, -6.0)
    starts, ends = np.array([0, 60]) * CELL_N, np.array([30, 90]) * CELL_N
    dark, whole = audibility(word_levels(pair(voice, bed), starts, ends, 0.0))
    alone = intelligibility_index(np.maximum(voice[0], NO_NOISE_DB), bed[0])
    assert whole - 0.08 < dark < whole
    assert alone < whole - 0.25


def test_silent_words_and_no_words() -> None:
    bands = pair(np.full((30, BANDS_N), -300.0), speech(30))
    assert audibility(word_levels(bands, *WORD, 0.0))[0] == 0.0
    none = word_levels(bands, np.zeros(0, int), np.zeros(0, int), 0.0)
    assert audibility(none).shape == (0,)
    assert heard_information(none).shape == (0, BANDS_N)
    assert gain_to_hear(none).shape == (0,)
    with pytest.raises(ValueError, match="end after"):
        word_levels(bands, np.array([5]), np.array([5]), 0.0)


@settings(max_examples=60, deadline=None)
@given(LEVELS_DB, LEVELS_DB, st.lists(st.floats(0.0, 30.0), min_size=BANDS_N, max_size=BANDS_N).map(np.array))
def test_a_louder_bed_never_raises_it(speech_db: np.ndarray, noise_db: np.ndarray, more_db: np.ndarray) -> None:
    before, after = intelligibility_index(speech_db, noise_db), intelligibility_index(speech_db, noise_db + more_db)
    assert 0.0 <= after <= before <= 1.0
    assert (masking_db(speech_db, noise_db + more_db) >= masking_db(speech_db, noise_db)).all()


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-10.0, 20.0), st.lists(st.floats(-8.0, 8.0), min_size=BANDS_N, max_size=BANDS_N), st.floats(-12.0, 12.0)
)
def test_gain_helps_while_the_bed_is_what_hides(level_db: float, colour_db: list[float], balance_db: float) -> None:
    voice = speech(30, level_db) + np.array(colour_db)
    levels = word_levels(pair(voice, speech(30, level_db - balance_db)), *WORD, 0.0)
    indices = np.array([audibility(levels, gain_db)[0] for gain_db in np.arange(-10.0, 10.5, 1.0)])
    hidden = indices < 0.6
    assert (np.diff(indices)[hidden[1:]] >= -1e-6).all()


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-30.0, 20.0), min_size=1, max_size=6),
    st.lists(st.floats(-15.0, 15.0), min_size=BANDS_N, max_size=BANDS_N),
    st.floats(0.2, 0.5),
)
def test_gain_to_hear(balances_db: list[float], colour_db: list[float], wanted: float) -> None:
    words_n = len(balances_db)
    bed = speech(30 * words_n) + np.array(colour_db)
    voice = np.concatenate([speech(30, balance_db) for balance_db in balances_db])
    starts = np.arange(words_n) * 30 * CELL_N
    levels = word_levels(pair(voice, bed), starts, starts + 30 * CELL_N, 0.0)
    needed_db = gain_to_hear(levels, wanted)
    assert (audibility(levels, needed_db + 0.03) >= wanted).all()
    assert (audibility(levels, needed_db - 0.03) < wanted).all()
    # What is said of `lost` holds for all gains, not near the threshold alone.
    for by_db in (0.5, 3.0, 10.0, 20.0):
        assert (audibility(levels, needed_db + by_db) >= wanted).all()
        assert (audibility(levels, needed_db - by_db) < wanted).all()


def test_no_gain_brings_back_what_is_not_there() -> None:
    nothing = np.full((30, BANDS_N), NO_NOISE_DB - 100.0)
    levels = word_levels(pair(nothing, speech(30)), *WORD, 0.0)
    assert np.isnan(gain_to_hear(levels)).all()


def test_gain_to_hear_takes_few_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(2)
    voice = speech(3000) + np.repeat(rng.normal(0, 6, (100, 1)), 30, axis=0) + rng.normal(0, 6, (3000, BANDS_N))
    starts = np.arange(100) * 30 * CELL_N
    bands = pair(voice, speech(3000) + rng.normal(0, 6, (3000, BANDS_N)))
    looked: list[int] = []
    real = audibility_module.audibility

    def counted(levels: WordLevels, gain_db: np.ndarray | float) -> np.ndarray:
        looked.append(levels.speech_db.shape[1])
        return real(levels, gain_db)

    monkeypatch.setattr(audibility_module, "audibility", counted)
    gain_to_hear(word_levels(bands, starts, starts + 30 * CELL_N, 0.0))
    assert sum(looked) < 6 * 100


def test_a_spectrum_level_comes_out_of_samples_at_a_known_loudness() -> None:
    # A mix at -14 LUFS, heard at 75: power of 0 dB is heard at 89 dB, and one band's power is spread over its width.
    assert listening_offset_db(-14.0) == 89.0
    level = spectrum_level_db(np.full(BANDS_N, 10 ** (-30 / 10)), 89.0)
    np.testing.assert_allclose(level[[0, 8]], [59.0 - 15.65, 59.0 - 23.65], atol=1e-4)
    np.testing.assert_allclose(spectrum_level_db(np.zeros(BANDS_N), 89.0), NO_NOISE_DB, atol=1e-4)


def test_loudness_of_the_mix_is_that_of_both_powers() -> None:
    power = np.full(1000, float(power_at(-20.0)))
    stem = StemMeasures(48_000, 1000 * CELL_N, power)
    assert mix_loudness_lufs(Measures(stem, (stem,), stem)) == pytest.approx(-20.0 + 10 * np.log10(2), abs=1e-6)


def test_a_mix_that_is_too_quiet_for_the_gate_has_a_loudness_too() -> None:
    stem = StemMeasures(48_000, 1000 * CELL_N, np.full(1000, float(power_at(-80.0))))
    assert mix_loudness_lufs(Measures(stem, (stem,), stem)) == pytest.approx(-80.0 + 10 * np.log10(2), abs=1e-6)


def test_listening_level_changes_little() -> None:
    # The claim beside the default: 10 dB less or more move an index of a third by 0.02 or 0.035.
    bed = speech(30, 15.65)
    bands = pair(speech(30, 12.65), bed)
    quiet, usual, loud = (audibility(word_levels(bands, *WORD, offset_db))[0] for offset_db in (-10.0, 0.0, 10.0))
    assert usual < quiet < usual + 0.02
    assert usual > loud > usual - 0.035
    louder_voice = audibility(word_levels(bands, *WORD, 0.0), 1.1)[0]
    assert louder_voice - usual > usual - loud


def test_the_cost_grows_with_the_words_at_most() -> None:
    rng = np.random.default_rng(1)
    cells_n = 15_000
    bands = pair(speech(cells_n) + rng.normal(0, 5, (cells_n, BANDS_N)), speech(cells_n))
    starts = np.arange(500) * 30 * CELL_N
    levels = word_levels(bands, starts, starts + 30 * CELL_N, 0.0)
    few = levels.taken(np.arange(50))
    few_s = best_cpu_s(lambda: [audibility(few, np.zeros(50)) for _ in range(10)])
    # As dear as ten times 50 words at most, which has ten times the calls: 500 take 6 to 12 ms of one processor.
    assert best_cpu_s(lambda: audibility(levels, np.zeros(500))) < 2 * few_s


def test_levels_can_be_taken() -> None:
    levels = WordLevels(
        np.arange(3 * BANDS_N, dtype=np.float32).reshape(BANDS_N, 3),
        np.arange(6 * BANDS_N, dtype=np.float32).reshape(BANDS_N, 6),
        np.array([0, 1, 4, 6]),
    )
    taken = levels.taken(np.array([2, 0]))
    assert taken.firsts.tolist() == [0, 2, 3]
    assert taken.noise_db[0].tolist() == [4, 5, 0]
    assert taken.speech_db[0].tolist() == [2, 0]
