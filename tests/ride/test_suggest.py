"""The suggestion on scenes whose truth is known: powers on the grid are set by hand."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ridebook.measure.loudness import power_at
from ridebook.measure.measures import Measures, StemMeasures
from ridebook.measure.spans import balance_lu
from ridebook.ride.runs import find_runs
from ridebook.ride.settings import RideSettings
from ridebook.ride.suggest import HELD_DB_PER_S, suggest
from ridebook.segment.spans import Kind, Segments, Span

RATE_HZ = 48000
CELL_N = RATE_HZ // 100
FULL = RideSettings(share=1.0)
WORD_CELLS = 40
GAP_CELLS = 60
OWN_LUFS = -20.0
BED_LUFS = -22.0


@dataclass(frozen=True)
class Scene:
    measures: Measures
    segments: Segments

    def suggest(self, chosen: RideSettings = FULL, **more):
        return suggest(self.measures, self.segments, chosen, **more)

    def lane_over(self, span: Span, suggestion) -> np.ndarray:
        """The lane over a span, its first and last 60 ms left out."""
        edge_n = round(0.06 * RATE_HZ)
        return suggestion.lane.gain_db_at(np.arange(span.start_n + edge_n, span.end_n - edge_n, 48))


def scene(phrases_db, bed_db=None, *, breaths=False, sections=(), gap_cells=GAP_CELLS) -> Scene:
    """Phrases of words of 0.4 s at the given levels against `OWN_LUFS`, each word with a syllable's rise and fall.

    `bed_db` has the bed's level against `BED_LUFS` for each phrase and the gap after it; None is no bed at all.
    `sections` has (first phrase, phrase after the last, id).
    """
    syllable_db = 3.0 * np.sin(np.pi * (np.arange(WORD_CELLS) + 0.5) / WORD_CELLS) - 2.0
    vocal = [np.full(100, -120.0)]
    bed = [np.full(100, -120.0 if bed_db is None else BED_LUFS + bed_db[0])]
    phrases, words, breath_spans, at, number = [], [], [], 100, 0
    for p, levels in enumerate(phrases_db):
        start = at
        for level in levels:
            vocal.append(OWN_LUFS + level + syllable_db)
            words.append(Span(f"w{number}", Kind.WORD, at * CELL_N, (at + WORD_CELLS) * CELL_N))
            at, number = at + WORD_CELLS, number + 1
        phrases.append(Span(f"p{p}", Kind.PHRASE, start * CELL_N, at * CELL_N))
        gap = np.full(gap_cells, -120.0)
        if breaths:
            gap[20:40] = OWN_LUFS - 22.0
            breath_spans.append(Span(f"b{p}", Kind.BREATH, (at + 20) * CELL_N, (at + 40) * CELL_N))
        vocal.append(gap)
        at += gap_cells
        bed.append(np.full(at - start, -120.0 if bed_db is None else BED_LUFS + bed_db[p]))
    vocal.append(np.full(100, -120.0))
    bed.append(np.full(100, -120.0 if bed_db is None else BED_LUFS + bed_db[-1]))
    section_spans = tuple(
        Span(name, Kind.SECTION, phrases[first].start_n, phrases[last - 1].end_n) for first, last, name in sections
    )
    stems = [StemMeasures(RATE_HZ, (at + 100) * CELL_N, power_at(np.concatenate(part))) for part in (vocal, bed)]
    return Scene(
        Measures(stems[0], (stems[1],), stems[1], vocal_spread=True),
        Segments(section_spans, tuple(phrases), tuple(words), tuple(breath_spans)),
    )


def even(phrases_n=8, words_n=5):
    """Levels of a singer's own small dynamics, the same mean in each phrase."""
    levels = np.array([0.4, -0.5, 0.6, -0.4, -0.1])[:words_n]
    return [list(np.roll(levels, p)) for p in range(phrases_n)]


BED_DB = [0.0, 0.7, -0.6, 0.4, -0.5, 0.6, -0.7, 0.1]


def test_nothing_rides_where_the_voice_is_even_over_a_steady_bed():
    suggestion = scene(even(), [0.0] * 8).suggest()
    assert suggestion.lane.points == ()
    assert all(phrase.points == () for phrase in suggestion.phrases)
    assert all("left alone" in phrase.reason for phrase in suggestion.phrases)


def test_the_trim_brings_the_balance_to_aim_and_lean():
    song = scene(even(), BED_DB)
    suggestion = song.suggest(RideSettings(aim_lu=1.0, lean_lu=0.25))
    assert suggestion.song_balance_lu is not None
    assert suggestion.trim_db == pytest.approx(1.25 - suggestion.song_balance_lu)
    starts = np.array([phrase.start_n for phrase in song.segments.phrases])
    ends = np.array([phrase.end_n for phrase in song.segments.phrases])
    assert suggestion.song_balance_lu == pytest.approx(balance_lu(song.measures, starts, ends).mean(), abs=0.2)
    lower = song.suggest(RideSettings(aim_lu=1.0, lean_lu=0.25, centre_law_db=-3.0))
    assert lower.trim_db == pytest.approx(suggestion.trim_db + 3.0)


def test_a_trim_that_is_settled_is_kept():
    song = scene(even(), BED_DB)
    assert song.suggest(trim_db=-7.5).trim_db == -7.5
    assert song.suggest(trim_db=-1.0).lane == song.suggest(trim_db=-2.0).lane


@pytest.mark.parametrize("knock_db", [-6.0, -4.5, 4.0, 5.5])
def test_one_word_that_sinks_or_sticks_out_is_brought_back_alone(knock_db):
    levels = even()
    levels[3][2] += knock_db
    song = scene(levels, BED_DB)
    suggestion = song.suggest()
    word = song.segments.words[17]
    np.testing.assert_allclose(song.lane_over(word, suggestion), -knock_db, atol=1.3)
    for other in song.segments.words:
        if other.id not in ("w16", "w17", "w18"):
            assert np.abs(song.lane_over(other, suggestion)).max() < 0.5
    told = dict(suggestion.phrases[3].word_reasons)
    assert set(told) == {"w17"}
    assert ("under" if knock_db < 0 else "over") in told["w17"]
    assert sum(len(phrase.word_reasons) for phrase in suggestion.phrases) == 1


def test_a_knocked_word_does_not_drag_its_phrase():
    clean, knocked = even(), even()
    knocked[3][2] -= 6.0
    steady = scene(clean, BED_DB).suggest()
    song = scene(knocked, BED_DB)
    moved = song.suggest()
    for other in song.segments.words:
        if other.id not in ("w16", "w17", "w18"):
            change_db = song.lane_over(other, moved) - song.lane_over(other, steady)
            assert np.abs(change_db).max() < 0.3


@pytest.mark.parametrize("knock_db", [4.0, -3.0, 5.0])
def test_one_phrase_off_is_brought_back_and_the_others_stay(knock_db):
    levels = even()
    levels[4] = [level + knock_db for level in levels[4]]
    song = scene(levels, [0.0] * 8)
    suggestion = song.suggest()
    assert suggestion.phrases[4].ride_db == pytest.approx(-knock_db, abs=0.4)
    assert all(abs(phrase.ride_db) < 0.1 for phrase in suggestion.phrases if phrase.phrase_id != "p4")
    number, side = suggestion.phrases[4].reason.split(" LU ")[0], "Over" if knock_db > 0 else "Under"
    assert float(number) == pytest.approx(abs(knock_db), abs=0.3)
    assert f"{side.lower()} its neighbours" in suggestion.phrases[4].reason
    assert len(suggestion.lane.points) <= 4


def test_the_answer_to_a_phrase_is_the_same_wherever_it_began():
    rng = np.random.default_rng(3)
    base = [[level + offset for level in row] for row, offset in zip(even(), rng.normal(0, 1.2, 8))]
    knocks = rng.uniform(-3, 3, 8)
    one = scene(base, BED_DB).suggest()
    two = scene([[level + knock for level in row] for row, knock in zip(base, knocks)], BED_DB).suggest()
    change_db = np.array([b.ride_db - a.ride_db for a, b in zip(one.phrases, two.phrases)])
    left_db = change_db + knocks
    assert left_db.std() < 0.25 * knocks.std()  # the dead band leaves up to 0.5 dB


def test_share_scales_the_ride():
    levels = even()
    levels[4] = [level - 3.0 for level in levels[4]]
    song = scene(levels, BED_DB)
    whole, half, none = (song.suggest(RideSettings(share=share)) for share in (1.0, 0.5, 0.0))
    assert half.phrases[4].ride_db == pytest.approx(whole.phrases[4].ride_db / 2, abs=0.2)
    assert none.lane.points == ()


def test_a_swelling_bed_is_followed_in_part():
    """The wanted level lies `follow` of the way from the vocal's own level to the held balance."""
    bed = [0.0, 0.3, -0.3, 0.0, 5.0, 5.2, 0.2, -0.2]
    song = scene(even(), bed)
    for follow in (0.0, 0.4, 0.8):
        suggestion = song.suggest(RideSettings(share=1.0, follow=follow, aim_lu=0.0))
        lifted = np.mean([suggestion.phrases[p].ride_db for p in (4, 5)])
        rest = np.mean([suggestion.phrases[p].ride_db for p in (0, 1, 2, 3, 6, 7)])
        assert lifted - rest == pytest.approx(follow * 5.1, abs=0.5)
        assert "the bed rises" in suggestion.phrases[4].reason.lower()


def test_a_vocal_that_follows_its_bed_already_is_left_alone():
    bed = [0.0, 2.0, -1.5, 1.0, 3.0, -2.0, 0.5, -1.0]
    levels = [[level + swell for level in row] for row, swell in zip(even(), bed)]
    suggestion = scene(levels, bed).suggest()
    assert max(abs(phrase.ride_db) for phrase in suggestion.phrases) < 0.25
    assert "already follows the bed" in suggestion.phrases[4].reason


def test_such_a_vocal_still_has_its_outlier_brought_back():
    bed = [0.0, 2.0, -1.5, 1.0, 0.0, -2.0, 0.5, -1.0]
    levels = [[level + swell for level in row] for row, swell in zip(even(), bed)]
    levels[4] = [level + 4.0 for level in levels[4]]
    suggestion = scene(levels, bed).suggest()
    assert suggestion.phrases[4].ride_db == pytest.approx(-4.0, abs=0.6)
    assert all(abs(phrase.ride_db) < 0.3 for phrase in suggestion.phrases if phrase.phrase_id != "p4")


def test_a_beat_of_the_bed_is_no_swell():
    """The bed goes up and down by 6 dB from word to word; the words of a phrase stand at levels of their own."""
    levels = [[level + 3.0 * (-1) ** w for w, level in enumerate(row)] for row in even()]
    steady = scene(levels, [0.0] * 8)
    beat = np.where(np.arange(len(steady.measures.bed.cell_power)) // WORD_CELLS % 2, 2.0, 0.5)
    bed = StemMeasures(RATE_HZ, steady.measures.frames_n, steady.measures.bed.cell_power * beat)
    beating = suggest(replace(steady.measures, beds=(bed,), bed=bed), steady.segments, FULL)
    frames = np.arange(0, steady.measures.frames_n, CELL_N)
    apart_db = beating.lane.gain_db_at(frames) - steady.suggest().lane.gain_db_at(frames)
    assert np.abs(steady.suggest().lane.gains_db).max() > 2.0
    assert np.abs(apart_db).max() < 0.9


def test_phrases_that_are_even_only_as_pairs_do_not_follow_the_bed():
    """Lines two to a breath, one 2.4 LU over the other, over a bed that moves from pair to pair."""
    bed = [0.0, 0.0, 2.0, 2.0, -1.5, -1.5, 1.0, 1.0]
    apart_lu = [0.0, 0.0, *(1.1, -1.3) * 3]
    levels = [[level + bed[p] + apart_lu[p] for level in row] for p, row in enumerate(even())]
    suggestion = scene(levels, bed, gap_cells=30).suggest()
    assert all("already follows the bed" not in phrase.reason for phrase in suggestion.phrases)
    for louder, softer in zip(suggestion.phrases[2::2], suggestion.phrases[3::2]):
        assert softer.ride_db - louder.ride_db == pytest.approx(2.4, abs=0.6)


def test_without_a_bed_the_own_level_rules():
    levels = even()
    levels[4] = [level - 3.0 for level in levels[4]]
    suggestion = scene(levels, None).suggest()
    assert suggestion.song_balance_lu is None
    assert suggestion.trim_db == 0.0
    assert suggestion.phrases[4].ride_db == pytest.approx(3.0, abs=0.4)
    assert suggestion.phrases[4].balance_before_lu is None
    assert "no bed" in suggestion.phrases[4].reason


def test_a_bare_breakdown_is_held_by_its_own_level():
    bed = [0.0, 0.3, -0.3, -80.0, -80.0, 0.0, 0.2, -0.2]
    song = scene(even(), bed)
    suggestion = song.suggest()
    assert all(abs(phrase.ride_db) < 0.3 for phrase in suggestion.phrases)
    assert [phrase.balance_before_lu is None for phrase in suggestion.phrases] == [p in (3, 4) for p in range(8)]
    full = scene(even(), [0.0, 0.3, -0.3, 0.0, 0.0, 0.0, 0.2, -0.2]).suggest()
    assert suggestion.trim_db == pytest.approx(full.trim_db, abs=0.1)


def test_a_lost_phrase_is_lifted_until_it_is_not():
    bed = [0.0, 0.0, 0.0, 11.0, 0.0, 0.0, 0.0, 0.0]
    suggestion = scene(even(), bed).suggest(RideSettings(share=1.0, follow=0.0), trim_db=3.0)
    phrase = suggestion.phrases[3]
    assert phrase.balance_before_lu is not None
    assert phrase.balance_before_lu < 2.0 - 6.0
    assert phrase.balance_after_lu == pytest.approx(2.0 - 6.0, abs=0.4)
    assert "lifted for that" in phrase.reason


def test_gains_are_held_within_the_limits():
    levels = even()
    levels[4] = [level - 11.0 for level in levels[4]]
    song = scene(levels, [0.0] * 8)
    suggestion = song.suggest()
    assert suggestion.phrases[4].ride_db == pytest.approx(6.0, abs=0.3)
    assert "limit" in suggestion.phrases[4].reason
    narrow = song.suggest(replace(FULL, highest_db=2.5))
    assert narrow.phrases[4].ride_db == pytest.approx(2.5, abs=0.3)
    tight = song.suggest(replace(FULL, phrase_limit_db=1.0, section_limit_db=0.5, lost_lu=20.0))
    assert tight.phrases[4].ride_db == pytest.approx(1.5, abs=0.3)


def test_what_is_meant_to_be_quiet_is_not_lifted():
    levels = even()
    levels[2][1] -= 6.0
    levels[5] = [level - 4.0 for level in levels[5]]
    song = scene(levels, [0.0] * 8)
    lifted = song.suggest()
    assert lifted.phrases[5].ride_db > 3.0
    quiet = song.suggest(quiet_ids=frozenset({"p5", "w11"}))
    assert quiet.phrases[5].ride_db == pytest.approx(0.0, abs=0.1)
    assert np.abs(song.lane_over(song.segments.words[11], quiet)).max() < 0.5
    assert "meant to be quiet" in quiet.phrases[5].reason


def test_scales_that_do_not_ride_stay():
    levels = even()
    levels[2][1] -= 6.0
    levels[5] = [level - 4.0 for level in levels[5]]
    song = scene(levels, [0.0] * 8)
    no_words = song.suggest(replace(FULL, ride_words=False))
    assert sum(len(phrase.word_reasons) for phrase in no_words.phrases) == 0
    assert no_words.phrases[5].ride_db > 3.0
    none = song.suggest(replace(FULL, ride_words=False, ride_phrases=False))
    assert none.lane.points == ()


def test_sections_move_by_their_limit_and_their_own_aim():
    levels = [[level + (3.5 if p >= 4 else 0.0) for level in row] for p, row in enumerate(even())]
    song = scene(levels, [0.0] * 8, sections=((0, 4, "verse"), (4, 8, "chorus")))
    suggestion = song.suggest()
    rides = [phrase.ride_db for phrase in suggestion.phrases]
    assert np.ptp(rides[:4]) < 0.3
    assert np.ptp(rides[4:]) < 0.3
    assert 1.5 < rides[0] - rides[4] <= 4.2
    assert max(abs(ride) for ride in rides) <= 2.3
    assert "its section rides" in suggestion.phrases[5].reason.lower()
    aimed = song.suggest(section_aims={"chorus": FULL.aim_lu - 1.5})
    assert aimed.phrases[5].ride_db == pytest.approx(rides[5] - 1.5, abs=0.3)
    assert aimed.phrases[1].ride_db == pytest.approx(rides[1], abs=0.3)


def test_a_breath_has_the_gain_of_its_lower_neighbour():
    levels = even()
    levels[4] = [level - 4.0 for level in levels[4]]
    song = scene(levels, [0.0] * 8, breaths=True)
    suggestion = song.suggest()
    assert suggestion.phrases[4].ride_db > 3.0
    for number in (3, 4):
        breath = song.segments.breaths[number]
        gains_db = suggestion.lane.gain_db_at(np.arange(breath.start_n, breath.end_n, 48))
        np.testing.assert_allclose(gains_db, 0.0, atol=0.3)


@pytest.mark.parametrize(("after_cells", "before_cells"), [(0, 20), (3, 3), (20, 0)])
def test_a_breath_beside_a_word_is_not_lifted(after_cells, before_cells):
    """The breath begins where the word ends, or ends where the next one begins: the ramp is not laid over it."""
    levels = even()
    levels[4] = [level - 4.0 for level in levels[4]]
    song = scene(levels, [0.0] * 8)
    phrases = song.segments.phrases
    breaths = [
        Span(f"b{p}", Kind.BREATH, one.end_n + after_cells * CELL_N, two.start_n - before_cells * CELL_N)
        for p, (one, two) in enumerate(pairwise(phrases))
    ]
    suggestion = suggest(song.measures, song.segments.with_spans(Kind.BREATH, breaths), FULL)
    assert suggestion.phrases[4].ride_db > 3.0
    for number in (3, 4):
        breath = breaths[number]
        over_db = suggestion.lane.gain_db_at(np.arange(breath.start_n, breath.end_n, 48))
        assert over_db[: -round(0.05 * 1000)].max() < 0.5
        assert over_db.mean() < 0.3
    for one, two in pairwise(suggestion.lane.points):
        assert abs(two.gain_db - one.gain_db) <= 225.0 * (two.frame_n - one.frame_n) / RATE_HZ


def test_a_breath_inside_a_phrase_belongs_to_the_lower_word():
    levels = even()
    levels[3][2] += 6.0
    song = scene(levels, BED_DB)
    words = list(song.segments.words)
    loud = words[17]
    breath = Span("b0", Kind.BREATH, loud.end_n - 15 * CELL_N, loud.end_n - 2 * CELL_N)
    words[17] = replace(loud, end_n=breath.start_n)
    segments = song.segments.with_spans(Kind.WORD, words).with_spans(Kind.BREATH, [breath])
    power = song.measures.vocal.cell_power.copy()
    power[breath.start_n // CELL_N : loud.end_n // CELL_N] *= 1e-3
    measures = replace(song.measures, vocal=StemMeasures(RATE_HZ, song.measures.frames_n, power))
    for change_db in (6.0, -6.0):
        changed = measures.vocal.cell_power.copy()
        if change_db < 0.0:
            changed[words[17].start_n // CELL_N : words[17].end_n // CELL_N] *= 10.0 ** (-1.2)
        vocal = StemMeasures(RATE_HZ, measures.frames_n, changed)
        lane = suggest(replace(measures, vocal=vocal), segments, FULL).lane
        there_db = lane.gain_db_at([words[17].middle_n, breath.middle_n, words[18].middle_n])
        assert abs(there_db[0] - there_db[2]) > 3.0
        assert there_db[1] <= min(there_db[0], there_db[2]) + 0.3


def test_moves_arrive_before_the_onset():
    levels = even()
    levels[4] = [level - 4.0 for level in levels[4]]
    song = scene(levels, [0.0] * 8)
    suggestion = song.suggest()
    onset_n = song.segments.phrases[4].start_n
    arrivals = [point.frame_n for point in suggestion.lane.points if abs(point.frame_n - onset_n) < RATE_HZ // 2]
    ramp = [frame for frame in arrivals if frame < onset_n]
    assert 0.01 <= (onset_n - max(ramp)) / RATE_HZ <= 0.03
    assert 0.08 <= (max(ramp) - min(ramp)) / RATE_HZ <= 0.25


def test_a_sibilant_takes_half_of_a_lift_beyond_the_free_part():
    levels = even()
    levels[4] = [level - 5.0 for level in levels[4]]
    song = scene(levels, [0.0] * 8)
    start_n = song.segments.phrases[4].start_n + 60 * CELL_N
    hiss = Span("s0", Kind.SIBILANT, start_n, start_n + 10 * CELL_N)
    brief = Span("s1", Kind.SIBILANT, start_n + 40 * CELL_N, start_n + 43 * CELL_N)
    suggestion = suggest(song.measures, song.segments.with_spans(Kind.SIBILANT, [hiss, brief]), FULL)
    around_db = suggestion.lane.gain_db_at([hiss.start_n - 10 * CELL_N, hiss.end_n + 10 * CELL_N]).mean()
    inside_db = suggestion.lane.gain_db_at([hiss.middle_n])[0]
    assert around_db == pytest.approx(5.0, abs=0.6)
    assert inside_db == pytest.approx(1.5 + (around_db - 1.5) / 2, abs=0.5)
    assert suggestion.lane.gain_db_at([brief.middle_n])[0] == pytest.approx(around_db, abs=0.5)


def test_a_plosive_that_thumps_is_left_down_as_a_sibilant_is_and_another_is_not():
    levels = even()
    levels[4] = [level - 5.0 for level in levels[4]]
    song = scene(levels, [0.0] * 8)
    start_n = song.segments.phrases[4].start_n + 60 * CELL_N
    pop = Span("t0", Kind.PLOSIVE, start_n, start_n + 8 * CELL_N, "pop")
    burst = Span("t1", Kind.PLOSIVE, start_n + 40 * CELL_N, start_n + 48 * CELL_N)
    near = Span("x0", Kind.SIBILANT, pop.end_n, pop.end_n + 8 * CELL_N)
    segments = song.segments.with_spans(Kind.PLOSIVE, [pop, burst])
    lane = suggest(song.measures, segments, FULL).lane
    around_db = lane.gain_db_at([pop.start_n - 10 * CELL_N, pop.end_n + 10 * CELL_N]).mean()
    assert lane.gain_db_at([pop.middle_n])[0] == pytest.approx(1.5 + (around_db - 1.5) / 2, abs=0.5)
    assert lane.gain_db_at([burst.middle_n])[0] == pytest.approx(around_db, abs=0.5)
    # Beside a sibilant the hole of the first holds, and no breakpoint is out of its order.
    beside = suggest(song.measures, segments.with_spans(Kind.SIBILANT, [near]), FULL).lane
    assert beside.gain_db_at([pop.middle_n])[0] < around_db - 1.0
    assert (np.diff(beside.frames) > 0).all()


def test_the_phrases_of_a_suggestion_hold_its_lane():
    levels = even()
    levels[4] = [level - 4.0 for level in levels[4]]
    levels[2][3] += 5.0
    song = scene(levels, BED_DB)
    suggestion = song.suggest()
    assert suggestion.phrases[0].start_n == 0
    assert suggestion.phrases[-1].end_n == song.measures.frames_n
    for p, phrase in enumerate(suggestion.phrases):
        assert (phrase.start_n, phrase.end_n) == song.segments.cell_of(song.segments.phrases[p], song.measures.frames_n)
        frames = np.arange(phrase.start_n, phrase.end_n, 480)
        held = np.interp(frames, *zip(*phrase.points)) if phrase.points else np.zeros(len(frames))
        np.testing.assert_allclose(held, suggestion.lane.gain_db_at(frames), atol=1e-9)
        assert phrase.balance_after_lu - phrase.balance_before_lu == pytest.approx(phrase.ride_db)


def test_a_section_comes_to_its_aim_by_its_limit():
    """A band that swells for a whole section leaves the vocal's own level as it was: the section rides up."""
    for swell_db, share in ((1.5, 1.0), (1.5, 0.5), (5.0, 1.0)):
        song = scene(even(), [0.0] * 4 + [swell_db] * 4, sections=((0, 4, "verse"), (4, 8, "chorus")))
        suggestion = song.suggest(RideSettings(share=share))
        rides = [phrase.ride_db for phrase in suggestion.phrases]
        starts = np.array([phrase.start_n for phrase in song.segments.phrases])
        ends = np.array([phrase.end_n for phrase in song.segments.phrases])
        balances = balance_lu(song.measures, starts, ends)
        wanted = [suggestion.song_balance_lu - float(part.mean()) for part in (balances[:4], balances[4:])]
        for own, section in zip((rides[:4], rides[4:]), wanted):
            held = share * np.clip(section, -2.0, 2.0) if abs(section) >= 0.5 else 0.0
            assert np.mean(own) == pytest.approx(held, abs=0.35)


def test_the_trim_does_not_do_what_a_word_ride_does():
    clean, knocked = even(), even()
    for p in range(0, 8, 2):
        knocked[p][1] += 6.0
    steady, changed = scene(clean, BED_DB).suggest(), scene(knocked, BED_DB).suggest()
    assert changed.song_balance_lu - steady.song_balance_lu > 1.0
    assert changed.trim_db == pytest.approx(steady.trim_db, abs=0.25)


def test_words_are_held_against_the_middle_of_their_phrase():
    """The longest run of a phrase may be the one that is off."""
    levels = even()
    levels[3] = [0.4, -6.0, 4.5, 4.5, -0.3]
    song = scene(levels, BED_DB)
    suggestion = song.suggest()
    np.testing.assert_allclose(song.lane_over(song.segments.words[16], suggestion), 6.0, atol=1.0)


def test_a_reason_begins_with_what_drives_the_ride():
    bed = [0.0, 0.3, -0.3, 0.0, 6.0, 0.0, 0.2, -0.2]
    levels = even()
    levels[4] = [level + 1.0 for level in levels[4]]
    suggestion = scene(levels, bed).suggest()
    assert suggestion.phrases[4].ride_db > 0.5
    assert suggestion.phrases[4].reason.startswith("The bed rises 6.")
    assert "; though 1." in suggestion.phrases[4].reason
    levels[4][2] -= 7.0
    alone = scene(levels, bed).suggest()
    assert "1 of its words rides by itself" in alone.phrases[4].reason


def test_no_quick_move_inside_a_word_but_to_take_a_jump_out():
    """Two runs that meet inside one found word: the voice itself jumps, or goes over a slow slope."""
    for slope_cells in (2, 60):
        song = scene(even(), [0.0] * 8)
        power_db = 10.0 * np.log10(song.measures.vocal.cell_power)
        word = song.segments.words[17]
        joined = replace(song.segments.words[16], end_n=song.segments.words[18].end_n)
        first, last = joined.start_n // CELL_N, joined.end_n // CELL_N
        middle = (first + last) // 2
        ramp = np.clip((np.arange(first, last) - middle) / slope_cells + 0.5, 0.0, 1.0)
        power_db[first:last] -= 8.0 * ramp
        vocal = StemMeasures(RATE_HZ, song.measures.frames_n, 10.0 ** (power_db / 10.0))
        words = [joined, *(other for other in song.segments.words if other.id not in ("w16", "w17", "w18"))]
        segments = song.segments.with_spans(Kind.WORD, words)
        assert word.start_n > joined.start_n
        suggestion = suggest(replace(song.measures, vocal=vocal), segments, FULL)
        at_n = np.arange(joined.start_n + 60 * 48, joined.end_n - 160 * 48, 48)
        quickest_db = np.abs(suggestion.lane.gain_db_at(at_n + 4800) - suggestion.lane.gain_db_at(at_n)).max()
        assert quickest_db <= 2.0 if slope_cells > 10 else quickest_db > 2.5


def test_one_phrase_raised_by_4_db_is_brought_back_and_the_rest_left():
    levels = even()
    levels[5] = [level + 4.0 for level in levels[5]]
    suggestion = scene(levels, BED_DB).suggest()
    rides = np.array([phrase.ride_db for phrase in suggestion.phrases])
    assert rides[5] == pytest.approx(-4.0, abs=0.6)
    assert np.abs(np.delete(rides, 5)).max() < 0.6
    # Its neighbours by the level of the song, in which the bed's own moves count by `follow`.
    assert float(suggestion.phrases[5].reason.split(" LU over its neighbours")[0].split()[-1]) == pytest.approx(
        4, abs=0.5
    )
    assert not any("over its neighbours" in one.reason for p, one in enumerate(suggestion.phrases) if p != 5)
    assert not any(phrase.word_reasons for phrase in suggestion.phrases)


def test_a_bed_that_swells_5_db_in_one_chorus_lifts_that_chorus_alone():
    bed = [0.0, 0.2, -0.2, 0.0, 5.0, 5.2, 4.8, 5.0, 0.1, -0.1, 0.0, 0.2]
    song = scene(even(12), bed, sections=((0, 4, "verse"), (4, 8, "chorus"), (8, 12, "verse again")))
    suggestion = song.suggest()
    rides = np.array([phrase.ride_db for phrase in suggestion.phrases])
    lift_db = rides[4:8].mean() - np.delete(rides, np.s_[4:8]).mean()
    # A section rides 2 dB at most either way; the two verses alike, and inside a section nothing moves.
    assert 2.0 <= lift_db <= 4.0
    assert rides[:4].mean() == pytest.approx(rides[8:].mean(), abs=0.3)
    assert max(np.ptp(rides[first : first + 4]) for first in (0, 4, 8)) < 0.5
    assert all("its section rides +" in one.reason.lower() for one in suggestion.phrases[4:8])
    assert not any(phrase.word_reasons for phrase in suggestion.phrases)


REPEATED = ((0, 4, "verse"), (4, 8, "chorus"), (8, 12, "second verse"), (12, 16, "chorus 2"), (16, 20, "chorus 3"))


def sections_ride_db(chorus_db, chorus_bed_db, settings=FULL):
    """Mean ride of verse, chorus, verse and two choruses, and the reason of each: verses stand at 0 dB over 0 dB."""
    sung_db = np.repeat([0.0, chorus_db[0], 0.0, *chorus_db[1:]], 4)
    levels = [[level + db for level in row] for row, db in zip(even(20), sung_db)]
    song = scene(levels, np.repeat([0.0, chorus_bed_db[0], 0.0, *chorus_bed_db[1:]], 4), sections=REPEATED)
    named = [replace(one, label=one.id) for one in song.segments.sections]
    song = Scene(song.measures, song.segments.with_spans(Kind.SECTION, named))
    told = song.suggest(settings).phrases
    rides = [float(np.mean([one.ride_db for one in told[first:last]])) for first, last, _ in REPEATED]
    return np.array(rides), [told[first].reason.lower() for first, *_ in REPEATED]


def test_repeats_over_one_bed_ride_alike_and_those_over_another_do_not():
    rides, told = sections_ride_db((2.6, 1.4, 1.6), (0.0, 0.0, 0.0))
    assert np.ptp(rides[[1, 3, 4]]) < 0.1
    assert all("as its repeats do" in told[k] for k in (1, 3, 4))
    assert not any("as its repeats do" in told[k] for k in (0, 2))
    # A bed that is 3 dB lower under the first chorus: by itself, as it needs it.
    rides, told = sections_ride_db((0.0, 0.0, 0.0), (-3.0, 0.0, 0.0))
    assert rides[1] < rides[3] - 1.0
    assert "as its repeats do" not in told[1]
    # A chorus that is 4 dB under the next over the same bed was not left so by the singer.
    rides, told = sections_ride_db((-4.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    assert rides[1] > rides[3] + 1.0
    assert "as its repeats do" not in told[1]


def test_a_last_chorus_that_is_sung_out_is_not_lowered_to_the_earlier_ones():
    rides, told = sections_ride_db((0.0, 0.0, 2.0), (0.0, 0.0, 0.0))
    assert rides[4] == pytest.approx(rides[3], abs=0.1)
    assert "as its repeats do" in told[4]
    # One that sinks is raised, and the earlier ones are not raised with it.
    rides, told = sections_ride_db((0.0, 0.0, -2.0), (0.0, 0.0, 0.0))
    assert rides[4] > rides[3] + 1.0
    assert rides[1] == pytest.approx(rides[3], abs=0.1)
    # One that is 5 dB over the others was not meant so.
    rides, told = sections_ride_db((0.0, 0.0, 5.0), (0.0, 0.0, 0.0))
    assert rides[4] < rides[3] - 1.0
    # Nor are choruses lowered where no section rides.
    rides, _ = sections_ride_db((0.0, 0.0, 2.0), (0.0, 0.0, 0.0), RideSettings(share=1.0, ride_sections=False))
    assert np.abs(rides).max() < 0.3


@pytest.mark.parametrize("swell_db", [-6.0, 6.0])
def test_a_lane_moves_slowly_on_a_held_note(swell_db):
    """A note of 4 s that swells or fades, a line that is 4 dB down: the line is lifted, the swell is the singer's."""
    rows = even()
    song = scene([*rows[:4], [0.0] * 10, *rows[4:]], [0.0] * 9)
    first, last = song.segments.words[20], song.segments.words[29]
    power_db = 10.0 * np.log10(song.measures.vocal.cell_power)
    shift_db = power_db[first.start_n // CELL_N : last.end_n // CELL_N].mean() - 4.0
    power_db[first.start_n // CELL_N : last.end_n // CELL_N] = shift_db + swell_db * np.linspace(-0.5, 0.5, 400)
    vocal = StemMeasures(RATE_HZ, song.measures.frames_n, 10.0 ** (power_db / 10.0))
    note = replace(first, end_n=last.end_n)
    words = [note, *(word for word in song.segments.words if not note.start_n <= word.start_n < note.end_n)]
    suggestion = suggest(replace(song.measures, vocal=vocal), song.segments.with_spans(Kind.WORD, words), FULL)
    assert suggestion.phrases[4].ride_db > 2.0
    at_n = np.arange(note.start_n, note.end_n - RATE_HZ // 10, 48)
    moved_db = suggestion.lane.gain_db_at(at_n + RATE_HZ // 10) - suggestion.lane.gain_db_at(at_n)
    assert np.abs(moved_db).max() <= 0.1 * HELD_DB_PER_S + 1e-9


def test_a_whisper_before_a_belt_stays_where_it_is_said_to_be_meant():
    levels = even()
    levels[3] = [level - 9.0 for level in levels[3]]
    levels[4] = [level + 3.0 for level in levels[4]]
    song = scene(levels, BED_DB)
    assert song.suggest().phrases[3].ride_db > 4.0
    meant = song.suggest(quiet_ids=frozenset({"p3"}))
    assert meant.phrases[3].ride_db == pytest.approx(0.0, abs=0.3)
    assert "meant to be quiet" in meant.phrases[3].reason
    assert meant.phrases[4].ride_db == pytest.approx(-3.0, abs=0.6)
    for p in (0, 1, 2, 5, 6, 7):
        assert abs(meant.phrases[p].ride_db) < 0.6


def test_a_sigh_and_an_ad_lib_between_the_phrases_change_nothing():
    """Sounds that are no part of a phrase: a breathy sigh 14 dB under, an ad-lib as loud as the voice."""
    levels = even()
    levels[5] = [level - 4.0 for level in levels[5]]
    song = scene(levels, BED_DB)
    power = song.measures.vocal.cell_power.copy()
    for p, level_db in ((1, -14.0), (6, 2.0)):
        first = song.segments.phrases[p].end_n // CELL_N + 15
        power[first : first + 30] = power_at(np.array([OWN_LUFS + level_db]))[0]
    vocal = StemMeasures(RATE_HZ, song.measures.frames_n, power)
    suggestion = suggest(replace(song.measures, vocal=vocal), song.segments, FULL)
    plain = song.suggest()
    assert suggestion.trim_db == pytest.approx(plain.trim_db)
    frames = np.arange(0, song.measures.frames_n, CELL_N)
    np.testing.assert_allclose(suggestion.lane.gain_db_at(frames), plain.lane.gain_db_at(frames), atol=0.1)
    assert suggestion.phrases[5].ride_db == pytest.approx(4.0, abs=0.6)


@pytest.mark.parametrize(("label", "rides"), [("", False), ("oh", True)])
def test_a_sigh_that_was_found_as_a_phrase_is_not_lifted(label, rides):
    levels = even()
    levels[4] = [-14.0]
    song = scene(levels, BED_DB)
    words = [replace(word, label=label) if word.id == "w20" else word for word in song.segments.words]
    suggestion = suggest(song.measures, song.segments.with_spans(Kind.WORD, words), FULL)
    assert (suggestion.phrases[4].ride_db > 4.0) == rides
    assert ("a sigh and no line" in suggestion.phrases[4].reason) == (not rides)
    assert max(abs(phrase.ride_db) for p, phrase in enumerate(suggestion.phrases) if p != 4) < 0.6


def test_no_phrases_no_ride():
    song = scene(even(), BED_DB)
    suggestion = suggest(song.measures, Segments(), FULL)
    assert suggestion.lane.points == ()
    assert suggestion.phrases == ()


def test_a_silent_vocal_is_left_alone():
    song = scene(even(), BED_DB)
    vocal = StemMeasures(RATE_HZ, song.measures.frames_n, np.zeros_like(song.measures.vocal.cell_power))
    suggestion = suggest(replace(song.measures, vocal=vocal), song.segments, FULL)
    assert suggestion.trim_db == 0.0
    assert suggestion.lane.points == ()


def test_a_level_that_steps_inside_a_long_word_makes_two_runs():
    levels = np.full(400, OWN_LUFS)
    levels[200:] -= 6.0
    levels[:20] = levels[380:] = -120.0
    vocal = StemMeasures(RATE_HZ, 400 * CELL_N, power_at(levels))
    phrase = Span("p0", Kind.PHRASE, 20 * CELL_N, 380 * CELL_N)
    word = Span("w0", Kind.WORD, 20 * CELL_N, 380 * CELL_N)
    runs = find_runs(vocal, Segments(phrases=(phrase,), words=(word,)), 1.75)
    assert [(run.start_n, run.end_n) for run in runs] == [(20 * CELL_N, 200 * CELL_N), (200 * CELL_N, 380 * CELL_N)]
    assert runs[0].own_lufs - runs[1].own_lufs == pytest.approx(6.0, abs=0.1)
    fading = StemMeasures(RATE_HZ, 400 * CELL_N, power_at(np.linspace(OWN_LUFS, OWN_LUFS - 8.0, 400)))
    assert len(find_runs(fading, Segments(phrases=(phrase,), words=(word,)), 1.75)) == 1


@pytest.mark.parametrize("label", ["", "sailor"])
def test_a_dip_between_syllables_ends_no_word_that_a_lyric_names(label):
    levels = np.full(160, OWN_LUFS)
    levels[58:64] -= 25.0
    levels[64:120] -= 5.0
    levels[:20] = levels[120:] = -120.0
    vocal = StemMeasures(RATE_HZ, 160 * CELL_N, power_at(levels))
    phrase = Span("p0", Kind.PHRASE, 20 * CELL_N, 120 * CELL_N)
    word = Span("w0", Kind.WORD, 20 * CELL_N, 120 * CELL_N, label)
    runs = find_runs(vocal, Segments(phrases=(phrase,), words=(word,)), 1.5)
    assert len(runs) == (1 if label else 2)


phrase_rows = st.lists(
    st.lists(st.floats(-9, 9).map(lambda level: round(level, 2)), min_size=1, max_size=5), min_size=1, max_size=6
)


@settings(max_examples=60, deadline=None)
@given(phrase_rows, st.lists(st.floats(-12, 12), min_size=6, max_size=6), st.booleans(), st.sampled_from([0.4, 0.8, 1]))
def test_the_lane_keeps_its_promises(rows, bed, breaths, share):
    song = scene(rows, bed, breaths=breaths)
    chosen = RideSettings(share=share)
    suggestion = song.suggest(chosen)
    assert suggestion == song.suggest(chosen)
    gains_db = suggestion.lane.gains_db
    assert gains_db.min(initial=0.0) >= chosen.lowest_db - 0.26
    assert gains_db.max(initial=0.0) <= chosen.highest_db + 0.26
    every_n = 48
    for before, after in zip(song.segments.phrases, song.segments.phrases[1:]):
        pause_db = suggestion.lane.gain_db_at(np.arange(before.end_n, after.start_n + 1, every_n))
        assert pause_db.max() <= max(pause_db[0], pause_db[-1]) + 1e-9
    for phrase in suggestion.phrases:
        assert phrase.reason
        assert "\n" not in phrase.reason
    seconds = np.diff(suggestion.lane.frames) / RATE_HZ
    assert (np.abs(np.diff(gains_db)) <= 12.5 * seconds / 0.02 + 1e-9).all()
