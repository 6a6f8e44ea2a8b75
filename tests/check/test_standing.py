from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ridebook.check.standing import mean_rides_db, standing
from ridebook.measure.measures import Measures, StemMeasures, grid_points_n
from ridebook.ride.edits import mean_ride_db
from ridebook.ride.lane import Lane
from ridebook.ride.settings import RideSettings
from ridebook.segment.spans import Kind, Segments, Span
from ridebook.session.document import Decision, Session, SourceFile

RATE_HZ = 48_000
FRAMES_N = 6 * RATE_HZ

PHRASES = (
    Span("p0", Kind.PHRASE, RATE_HZ, 2 * RATE_HZ, "one two"),
    Span("p1", Kind.PHRASE, 4 * RATE_HZ, 5 * RATE_HZ, "three four"),
)
WORDS = (
    Span("w0", Kind.WORD, RATE_HZ, 3 * RATE_HZ // 2, "one"),
    Span("w1", Kind.WORD, 3 * RATE_HZ // 2, 2 * RATE_HZ, "two"),
    Span("w2", Kind.WORD, 4 * RATE_HZ, 9 * RATE_HZ // 2, "three"),
    Span("w3", Kind.WORD, 9 * RATE_HZ // 2, 5 * RATE_HZ, "four"),
)
SECTION = Span("s0", Kind.SECTION, 4 * RATE_HZ, 5 * RATE_HZ, "chorus")


def stem(levels_db: dict[str, float], rest_db: float) -> StemMeasures:
    grid_n = grid_points_n(RATE_HZ, FRAMES_N)
    level_db = np.full(len(grid_n) - 1, rest_db)
    for word in WORDS:
        if word.id in levels_db:
            inside = (grid_n[:-1] >= word.start_n) & (grid_n[:-1] < word.end_n)
            level_db[inside] = levels_db[word.id]
    return StemMeasures(RATE_HZ, FRAMES_N, 10.0 ** (level_db / 10.0))


@pytest.fixture
def measures() -> Measures:
    vocal = stem({"w0": -18.0, "w1": -27.0, "w2": -18.0, "w3": -18.0}, -90.0)
    bed = stem({}, -20.0)
    return Measures(vocal, (bed,), bed)


@pytest.fixture
def session() -> Session:
    source = SourceFile("/a.wav", "0" * 64, RATE_HZ, 1, FRAMES_N)
    segments = Segments((SECTION,), PHRASES, WORDS)
    return Session(source, (source,), segments=segments, settings=RideSettings(aim_lu=2.0, lost_lu=6.0))


def test_balance_is_vocal_less_bed(session, measures):
    found = standing(session, measures)
    assert found.words["w0"].before_lu == pytest.approx(2.0)
    assert found.words["w1"].before_lu == pytest.approx(-7.0)
    mean = 10 * np.log10((10**-1.8 + 10**-2.7) / 2) + 20.0
    assert found.phrases["p0"].before_lu == pytest.approx(mean)


def test_trim_counts_before_and_lane_after(session, measures):
    ridden = replace(session, trim_db=1.0, lane=Lane.from_pairs([(0, 2.5)]))
    found = standing(ridden, measures).words["w0"]
    assert found.before_lu == pytest.approx(3.0)
    assert found.after_lu == pytest.approx(5.5)
    assert found.ride_db == pytest.approx(2.5)


def test_lost_is_further_under_the_aim_than_the_limit(session, measures):
    assert standing(session, measures).words["w1"].lost
    assert not standing(session, measures).words["w0"].lost
    # 9 LU under the aim: 2.9 dB more leave it just lost, 3.1 just not.
    for by_db, lost in ((2.9, True), (3.1, False)):
        ridden = replace(session, lane=Lane.from_pairs([(0, by_db)]))
        assert standing(ridden, measures).words["w1"].lost is lost


def test_sunk_is_half_at_the_limit_and_whole_at_twice_that(session, measures):
    for by_db, sunk in ((9.0, 0.0), (3.0, 0.5), (-3.0, 1.0), (-20.0, 1.0)):
        ridden = replace(session, lane=Lane.from_pairs([(0, by_db)]))
        assert standing(ridden, measures).words["w1"].sunk == pytest.approx(sunk, abs=1e-6)


def test_what_is_meant_to_be_quiet_is_not_lost(session, measures):
    word = replace(session, quiet_words=frozenset({"w1"}))
    assert not standing(word, measures).words["w1"].lost
    phrase = replace(session, decisions={"p0": Decision(quiet=True)})
    assert not standing(phrase, measures).words["w1"].lost
    assert standing(phrase, measures).words["w1"].sunk == 0.0


def test_section_has_its_own_aim(session, measures):
    own = replace(session, section_aims={"s0": 9.0})
    found = standing(own, measures)
    assert found.words["w2"].aim_lu == 9.0
    assert found.words["w2"].lost
    assert found.words["w0"].aim_lu == 2.0


def test_no_bed_is_no_balance(session, measures):
    silent = stem({}, -90.0)
    found = standing(session, replace(measures, beds=(silent,), bed=silent)).words["w1"]
    assert found.before_lu is None
    assert found.after_lu is None
    assert not found.lost


def test_rides_of_many_spans_are_those_of_each(measures):
    rng = np.random.default_rng(5)
    frames = np.sort(rng.choice(FRAMES_N, 60, replace=False))
    lane = Lane.from_pairs(zip(frames.tolist(), rng.uniform(-4, 4, 60).tolist()))
    starts_n = np.array([word.start_n for word in WORDS])
    ends_n = np.array([word.end_n for word in WORDS])
    each = [mean_ride_db(lane, measures.vocal, word.start_n, word.end_n) for word in WORDS]
    assert mean_rides_db(lane, measures.vocal, starts_n, ends_n) == pytest.approx(each, abs=0.02)


def test_ride_where_the_vocal_is_silent_is_that_in_the_middle():
    silent = StemMeasures(RATE_HZ, FRAMES_N, np.zeros(600))
    lane = Lane.from_pairs([(0, 0.0), (FRAMES_N, 6.0)])
    ride = mean_rides_db(lane, silent, np.array([RATE_HZ]), np.array([3 * RATE_HZ]))
    assert ride == pytest.approx([2.0])


def test_standing_after_an_edit_is_as_if_it_were_reckoned_anew(session, measures):
    found = standing(session, measures)
    edited = [
        replace(session, lane=Lane.from_pairs([(0, 0.0), (RATE_HZ, 2.0), (3 * RATE_HZ, 0.0)])),
        replace(session, lane=Lane.from_pairs([(0, 0.0), (RATE_HZ, 4.5), (3 * RATE_HZ, 0.0)])),
        replace(session, quiet_words=frozenset({"w1"})),
        replace(session, trim_db=-2.0),
        replace(session, segments=replace(session.segments, words=WORDS[1:])),
    ]
    for now in edited:
        found, anew = standing(now, measures, found), standing(now, measures)
        for one, other in ((found.phrases, anew.phrases), (found.words, anew.words)):
            assert list(one) == list(other)
            for span_id in one:
                assert one[span_id].lost is other[span_id].lost
                for name in ("ride_db", "aim_lu", "before_lu", "after_lu", "sunk"):
                    assert getattr(one[span_id], name) == pytest.approx(getattr(other[span_id], name), abs=1e-9)
        assert found.lost_phrases == anew.lost_phrases


def test_phrases_with_a_lost_word(session, measures):
    assert standing(session, measures).lost_phrases == {"p0"}
    assert standing(replace(session, decisions={"p0": Decision(quiet=True)}), measures).lost_phrases == frozenset()
