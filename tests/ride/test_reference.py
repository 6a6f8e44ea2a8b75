"""What references say: the standing of a pair, and the aim that several ask for."""

import json
from pathlib import Path

import numpy as np
import pytest

from ridebook.measure.measures import Measures, StemMeasures
from ridebook.ride.reference import PUBLISHED, SONG_SPREAD_LU, KnownBalance, ReferenceKind, aim_of, pair_standing
from ridebook.segment.spans import Kind, Segments, Span

RATE_HZ = 48_000
CELL_N = 480
TABLES = Path(__file__).resolve().parents[2] / "shared"


def stem(levels_db: np.ndarray) -> StemMeasures:
    return StemMeasures(RATE_HZ, len(levels_db) * CELL_N, 10.0 ** (levels_db / 10.0) * 1e-2)


def spans(kind: Kind, borders: list[tuple[int, int]], labels: tuple[str, ...] = ()) -> tuple[Span, ...]:
    return tuple(
        Span(f"{kind}{i}", kind, start * CELL_N, end * CELL_N, label=labels[i] if labels else "")
        for i, (start, end) in enumerate(borders)
    )


def test_standing_of_a_pair_overall_by_section_and_from_word_to_word() -> None:
    # Two sections of one phrase each; the words of the first lie at +3, +1, +3 LU, those of the second all at -1.
    vocal_db = np.concatenate([np.repeat([3.0, 1.0, 3.0], 100), np.full(50, -60.0), np.full(300, -1.0)])
    measures = Measures(stem(vocal_db), (), stem(np.zeros(len(vocal_db))))
    segments = Segments(
        sections=spans(Kind.SECTION, [(0, 320), (340, 650)], ("verse", "")),
        phrases=spans(Kind.PHRASE, [(0, 300), (350, 650)]),
        words=spans(Kind.WORD, [(0, 100), (100, 200), (200, 300), (350, 450), (450, 550), (550, 650)]),
    )
    stands = pair_standing(measures, segments)
    first = 10.0 * np.log10((2 * 10**0.3 + 10**0.1) / 3)
    whole = 10.0 * np.log10(((2 * 10**0.3 + 10**0.1) + 3 * 10**-0.1) / 6)
    assert stands.balance_lu == pytest.approx(whole, abs=1e-6)
    assert stands.sections == (
        ("verse", pytest.approx(first, abs=1e-6)),
        ("section 2", pytest.approx(-1.0, abs=1e-6)),
    )
    # Two steps of 2 LU in the first phrase, two of 0 in the second; the gap between phrases is no step.
    assert stands.words_n == 4
    assert stands.word_spread_lu == pytest.approx(1.0, abs=1e-6)


def test_a_pair_without_voice_or_bed_tells_nothing() -> None:
    measures = Measures(stem(np.zeros(100)), (), stem(np.full(100, -100.0)))
    phrase = spans(Kind.PHRASE, [(0, 100)])
    assert pair_standing(measures, Segments(phrases=phrase)).balance_lu is None
    assert pair_standing(measures, Segments()).balance_lu is None


def pair(lu: float) -> KnownBalance:
    return KnownBalance("pair", ReferenceKind.PAIR, lu)


def test_several_references_give_a_range_and_the_surer_ones_count_for_more() -> None:
    mix = KnownBalance("mix", ReferenceKind.MIX, 4.0, 3.0)
    both = aim_of([pair(0.0), mix])
    assert (both.low_lu, both.high_lu, both.references_n) == (0.0, 4.0, 2)
    variance = SONG_SPREAD_LU**2
    expected = 4.0 / (variance + (3.0 / 1.645) ** 2) / (1.0 / variance + 1.0 / (variance + (3.0 / 1.645) ** 2))
    assert both.aim_lu == pytest.approx(expected)
    assert both.aim_lu < 2.0
    one = aim_of([pair(1.0)])
    three = aim_of([pair(1.0)] * 3)
    assert (one.aim_lu, three.aim_lu) == (1.0, 1.0)
    assert three.half_width_lu == pytest.approx(one.half_width_lu / np.sqrt(3.0))


def test_a_reference_that_tells_nothing_does_not_count() -> None:
    silent = KnownBalance("mono", ReferenceKind.MIX, None, note="mono")
    assert aim_of([silent]) is None
    assert aim_of([silent, pair(2.0)]) == aim_of([pair(2.0)])


def test_the_published_mean_is_that_of_the_table() -> None:
    table = json.loads((TABLES / "perception_and_balance.json").read_text("utf-8"))
    entry = next(each for each in table["vocal_to_accompaniment"] if each["key"] == "LAR_from_1975")
    assert PUBLISHED.balance_lu == entry["value"]
    source = next(each for each in table["vocal_to_accompaniment"] if each["key"] == "LAR_1946")["citation"]
    assert "Gerdes" in source
    assert "043201" in source
    assert "043201" in PUBLISHED.note
