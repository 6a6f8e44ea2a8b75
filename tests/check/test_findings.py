from dataclasses import replace

import numpy as np
import pytest

from ridebook.check.dynamics import DynamicsKept, dynamics_kept
from ridebook.check.findings import Severity, find, time_text
from ridebook.check.proof import prove
from ridebook.measure.measures import Measures, StemMeasures
from ridebook.ride.lane import Breakpoint, Lane
from ridebook.ride.settings import RideSettings
from ridebook.segment.spans import Kind, Segments
from ridebook.session import edits
from ridebook.session.document import Decision, State
from tests.session.made import S, small_session, span

BED_LUFS = -22.0
CELLS_N = 2000
VOICE = {"p1": (100, 400), "p2": (500, 800), "p3": (1100, 1400), "p4": (1400, 1800)}


def stem(levels_lufs):
    power = 10 ** ((np.asarray(levels_lufs) + 0.691) / 10)  # ITU-R BS.1770-5, Annex 1: loudness of a mean power
    return StemMeasures(S, 20 * S, power)


def pair(bed_lufs=BED_LUFS, **phrases_lu):
    """A voice that stands at +2 LU in every phrase, or as is said, over an even bed."""
    voice = np.full(CELLS_N, -120.0)
    for phrase_id, (first, last) in VOICE.items():
        voice[first:last] = BED_LUFS + phrases_lu.get(phrase_id, 2.0)
    bed = stem(np.full(CELLS_N, bed_lufs))
    return Measures(stem(voice), (bed,), bed)


def decided(**fields):
    """A session in which all is decided, so that nothing is to be found."""
    inked = {phrase_id: Decision(State.INKED) for phrase_id in VOICE}
    return small_session(**{"decisions": inked, "settings": RideSettings(aim_lu=2.0), **fields})


def keys(session, measures, **more):
    return [finding.key for finding in find(session, measures, **more)]


def test_an_even_pair_with_all_decided_has_no_findings():
    assert find(decided(), pair(), {"ridden stem": -1.0, "mix": -3.0}) == ()


# ---- lost words ----


def lost_word(under_lu):
    measures = pair()
    power = measures.vocal.cell_power.copy()
    power[100:200] *= 10 ** (-under_lu / 10)  # w1 alone
    return replace(measures, vocal=StemMeasures(S, 20 * S, power))


def test_a_word_that_is_still_lost_must_be_seen_to():
    session = decided(lane=Lane.from_pairs([(0, 0.0)]))
    (found,) = find(session, lost_word(6.5))
    assert (found.key, found.severity) == ("lost:w1", Severity.MUST)
    assert (found.start_n, found.end_n) == (S, 2 * S)
    assert found.value == pytest.approx(6.5, abs=0.01)
    assert (found.limit, found.unit) == (6.0, "LU")
    assert found.sentence == (
        "“one” at 0:01.0 is still lost: it stands 6.5 LU under the aim. "
        "Raise it by 0.5 dB or more, or say that it is meant to be quiet."
    )


def test_a_word_nearly_lost_raised_quiet_or_over_no_bed_is_not():
    assert keys(decided(), lost_word(5.9)) == []
    # A small ride over the word is enough; the trim alone is too.
    assert keys(edits.set_trim(decided(), 1.0), lost_word(6.5)) == []
    raised = decided(lane=Lane.from_pairs([(47000, 0.0), (S, 1.0), (2 * S, 1.0), (98000, 0.0)]))
    assert keys(raised, lost_word(6.5)) == []
    assert keys(edits.set_quiet(decided(), ["w1"]), lost_word(6.5)) == []
    assert keys(edits.set_quiet(decided(), ["p1"]), lost_word(6.5)) == []
    no_bed = replace(lost_word(6.5), bed=stem(np.full(CELLS_N, -61.0)))
    assert keys(decided(), no_bed) == []


def test_a_word_without_any_voice_is_none_that_a_level_could_cure():
    measures = pair()
    power = measures.vocal.cell_power.copy()
    power[100:200] = 0.0
    assert keys(decided(), replace(measures, vocal=StemMeasures(S, 20 * S, power))) == ["band:p1"]


# ---- out of band ----


@pytest.mark.parametrize(("lu", "where", "cure"), [(4.0, "over", "Lower"), (0.0, "under", "Raise")])
def test_a_phrase_outside_the_band_is_worth_a_look(lu, where, cure):
    (found,) = find(decided(), pair(p2=lu))
    assert (found.key, found.severity) == ("band:p2", Severity.LOOK)
    assert found.value == pytest.approx(lu - 2.0, abs=0.01)
    assert found.limit == pytest.approx(1.5 if lu > 2 else -1.5)
    assert found.sentence == (
        f"“three four” at 0:05.0 stands 2.0 LU {where} the aim, outside its band of 1.5 LU. "
        f"{cure} it by 0.5 dB or more."
    )


def test_a_phrase_inside_the_band_is_not():
    assert keys(decided(), pair(p2=3.4, p3=0.6)) == []


def test_a_sections_own_aim_and_quiet_phrases_count():
    measures = pair(p3=4.0, p4=4.0, p1=-1.0)
    assert keys(decided(), measures) == ["band:p1", "band:p3:p4"]
    session = edits.set_quiet(edits.set_section_aim(decided(), "s2", 4.0), ["p1"])
    assert keys(session, measures) == []
    assert keys(edits.set_quiet(decided(), ["p3"]), pair(p3=4.0)) == ["band:p3"]  # quiet, but loud


# ---- limits of the lane ----


def test_a_lane_at_its_limit_is_worth_a_look():
    lane = Lane.from_pairs(
        [(0, 0.0), (5 * S, 0.0), (6 * S, 6.0), (8 * S, 0.0), (11 * S, 0.0), (12 * S, -7.0), (14 * S, 0.0)]
    )
    measures = pair(p2=-1.4, p3=5.9)
    found = [each for each in find(decided(lane=lane), measures) if "gain" in each.key]
    assert [(each.key, each.value, each.limit) for each in found] == [
        ("highest-gain:p2", 6.0, 6.0),
        ("lowest-gain:p3", -7.0, -6.0),
    ]
    assert found[0].sentence.startswith(
        "The ride is at +6.0 dB in “three four” at 0:05.0, and +6.0 is the highest allowed."
    )


def test_a_lane_near_its_limit_or_not_allowed_to_move_is_not():
    lane = Lane.from_pairs([(0, 0.0), (5 * S, 0.0), (6 * S, 5.99), (8 * S, 0.0)])
    assert not [key for key in keys(decided(lane=lane), pair()) if "gain" in key]
    held = decided(settings=RideSettings(aim_lu=2.0, lowest_db=0.0, highest_db=0.0))
    assert keys(held, pair()) == []


# ---- lurches and steps ----


def move(at_s, by_db, within_s):
    start_n = round(at_s * S)
    end_n = start_n + round(within_s * S)
    return Lane.from_pairs([(start_n, 0.0), (end_n, by_db), (8 * S + 24000, by_db), (9 * S, 0.0)])


def test_a_quick_move_inside_a_word_must_be_seen_to():
    (found,) = find(decided(lane=move(5.5, 2.1, 0.1), settings=RideSettings(aim_lu=3.0, band_lu=3.0)), pair())
    assert (found.key, found.severity) == ("lurch:w3", Severity.MUST)
    assert found.value == pytest.approx(2.1)
    assert found.sentence == (
        "The level moves by +2.1 dB within 100 ms inside “three” at 0:05.0. "
        "Move the ride into the gap before it, or make it slower."
    )


@pytest.mark.parametrize(
    "lane",
    [
        move(5.5, 2.0, 0.1),  # as much as is allowed
        move(5.5, 2.4, 0.13),  # a little slower
        move(4.8, 4.0, 0.15),  # in the gap before the word
        move(6.47, 3.0, 0.06),  # across the border between two words, as a ramp of a word lies
    ],
)
def test_a_slower_move_or_one_at_a_border_is_not(lane):
    session = decided(lane=lane, settings=RideSettings(aim_lu=3.0, band_lu=6.0))
    assert keys(session, pair()) == []


def test_a_falling_move_and_two_small_ones_that_add_up_are_found():
    lane = Lane.from_pairs(
        [(0, 0.0), (6 * S, 0.0), (6 * S + 960, -1.2), (6 * S + 1920, -1.2), (6 * S + 2880, -2.4), (9 * S, 0.0)]
    )
    (found,) = find(decided(lane=lane, settings=RideSettings(aim_lu=2.0, band_lu=6.0)), pair())
    assert found.key == "lurch:w3"
    assert found.value == pytest.approx(-2.4, abs=0.01)


def test_a_quick_move_that_takes_a_jump_of_the_voice_out_is_none_but_one_that_adds_to_it_is():
    session = decided(lane=move(5.5, 3.0, 0.04), settings=RideSettings(aim_lu=3.0, band_lu=6.0))
    for jump_lu, found in ((-3.0, []), (-1.6, []), (-1.4, ["lurch:w3"]), (3.0, ["lurch:w3"]), (0.0, ["lurch:w3"])):
        measures = pair()
        power = measures.vocal.cell_power.copy()
        power[552:800] *= 10 ** (jump_lu / 10)
        assert keys(session, replace(measures, vocal=StemMeasures(S, 20 * S, power))) == found


def test_a_step_between_words_is_worth_a_look_and_inside_one_is_said_once():
    wide = RideSettings(aim_lu=3.0, band_lu=6.0)
    (found,) = find(decided(lane=move(4.7, 2.0, 0.005), settings=wide), pair())
    assert found.severity is Severity.LOOK
    assert found.key == f"step:{round(4.7 * S)}"
    assert found.value == pytest.approx(400.0)
    assert "steps by +2.0 dB within 5.0 ms at 0:04.7" in found.sentence
    assert keys(decided(lane=move(5.5, 3.0, 0.005), settings=wide), pair()) == ["lurch:w3"]
    for near_miss in (move(4.7, 5.0, 0.02), move(4.7, 1.0, 0.001)):
        assert keys(decided(lane=near_miss, settings=wide), pair()) == []


# ---- the song's ends, what is open, peaks ----


def test_breakpoints_beyond_the_song_are_worth_a_look():
    found = find(
        decided(lane=Lane.from_pairs([(-S, 0.0), (0, 0.0), (20 * S, 0.0), (20 * S + 1, 0.0), (21 * S, 0.0)])), pair()
    )
    assert [(each.key, each.value, each.limit) for each in found] == [
        ("beyond:before", -1.0, 0.0),
        ("beyond:after", 21.0, 20.0),
    ]
    assert [each.sentence.split(". ")[0] for each in found] == [
        "1 breakpoint of the lane lies before the vocal begins",
        "2 breakpoints of the lane lie after the vocal ends",
    ]
    assert keys(decided(lane=Lane.from_pairs([(0, 0.0), (20 * S, 0.0)])), pair()) == []


def test_stretches_that_were_never_decided_are_worth_a_look():
    session = decided(decisions={"p1": Decision(State.STRUCK), "p3": Decision(State.DRAWN)})
    found = find(session, pair())
    assert [(each.key, each.start_n, each.end_n, each.value) for each in found] == [
        ("open:p2", 5 * S, 8 * S, 1.0),
        ("open:p4", 14 * S, 18 * S, 1.0),
    ]
    (whole,) = find(decided(decisions={}), pair())
    assert whole.sentence == "4 phrases from 0:01.0 to 0:18.0 were never decided. Ink, strike or draw each."


def test_a_peak_over_the_ceiling_must_be_seen_to():
    (found,) = find(decided(), pair(), {"ridden stem": -0.9, "mix": -1.0})
    assert (found.key, found.severity, found.value, found.limit) == ("peak:ridden stem", Severity.MUST, -0.9, -1.0)
    assert "lower the trim by 0.1 dB" in found.sentence
    assert keys(decided(), pair(), peaks_dbtp={"mix": float("-inf")}) == []


# ---- all together ----


def test_what_must_be_seen_to_comes_first_and_what_was_accepted_is_quiet():
    session = decided(decisions={}, lane=Lane())
    measures = lost_word(9.0)
    assert keys(session, measures) == ["lost:w1", "open:p1"]
    accepted = edits.accept_finding(session, "lost:w1", "a whisper")
    assert keys(accepted, measures) == ["open:p1"]
    assert keys(accepted, measures, with_accepted=True) == ["lost:w1", "open:p1"]


def test_a_song_without_segments_or_bed_can_be_checked():
    bare = small_session(segments=Segments())
    assert find(bare, pair()) == ()
    assert find(decided(), pair(bed_lufs=-90.0)) == ()


def test_times_are_read_in_minutes_and_seconds():
    assert [time_text(round(s * S), S) for s in (0, 9.94, 59.96, 61.25, 3600)] == [
        "0:00.0",
        "0:09.9",
        "1:00.0",
        "1:01.2",
        "60:00.0",
    ]


# ---- proof ----


def test_proof_of_a_flat_lane_is_the_same_before_and_after():
    proof = prove(decided(), pair(p1=0.0, p2=4.0))
    assert proof.before == proof.after
    # Standard deviation of 0, 4, 2, 2, computed by hand.
    assert proof.before.phrase_spread_lu == pytest.approx(np.sqrt(2.0), abs=1e-6)
    assert (proof.before.phrases_out, proof.before.words_lost) == (2, 0)
    assert (proof.phrases, proof.words, proof.breakpoints) == (4, 4, 0)
    assert proof.dynamics_kept == pytest.approx(1.0)


def test_proof_tells_what_the_rides_did():
    gains = {"p1": 1.0, "p2": -1.0, "p3": 0.0, "p4": 0.0}
    session = decided()
    for phrase_id, gain_db in gains.items():
        session = edits.nudge(session, [phrase_id], gain_db)
    proof = prove(session, pair(p1=0.0, p2=4.0))
    assert proof.after.phrase_spread_lu == pytest.approx(np.sqrt(0.5), abs=1e-6)
    assert (proof.before.phrases_out, proof.after.phrases_out) == (2, 0)
    assert proof.dynamics_kept == pytest.approx(0.5, abs=1e-6)
    assert proof.breakpoints == len(session.lane.points) == 8
    assert proof.breakpoints_per_phrase == 2.0
    assert proof.breakpoints_per_minute == pytest.approx(24.0)


def test_proof_tells_how_much_of_the_dynamics_inside_phrases_is_kept():
    """Words at 0, 0, 4 and 0 dB in two phrases of two; by hand: what is left of the one difference inside a phrase."""
    session = decided()
    first, second = session.segments.phrases[:2]
    words = [
        replace(word, id=f"{phrase.id}{k}", start_n=start_n, end_n=end_n)
        for phrase, word in ((first, session.segments.words[0]), (second, session.segments.words[1]))
        for k, (start_n, end_n) in enumerate(((phrase.start_n, phrase.middle_n), (phrase.middle_n, phrase.end_n)))
    ]
    session = replace(session, segments=session.segments.with_spans(Kind.WORD, words))
    measures = pair()
    power = measures.vocal.cell_power.copy()
    grid_n = measures.vocal.grid_n[:-1]
    power[(grid_n >= words[2].start_n) & (grid_n < words[2].end_n)] *= 10.0**0.4
    measures = replace(measures, vocal=StemMeasures(measures.rate_hz, measures.frames_n, power))
    assert prove(session, measures).word_dynamics_kept == pytest.approx(1.0)
    down = Lane.from_pairs([(words[2].start_n, 0.0), (words[2].start_n + 1, -3.0), (words[2].end_n - 1, -3.0)])
    ridden = replace(session, lane=Lane((*down.points, Breakpoint(words[2].end_n, 0.0))))
    assert prove(ridden, measures).word_dynamics_kept == pytest.approx(0.25, abs=0.02)
    kept = dynamics_kept(measures, ridden.segments, ridden.lane)
    assert kept.words == prove(ridden, measures).word_dynamics_kept
    assert f"{100 * kept.words:.0f} % of the dynamics inside phrases" in kept.sentence


def test_what_is_kept_of_the_dynamics_is_told_as_far_as_it_is_known():
    assert DynamicsKept(0.63, 0.92).sentence == "keeps 92 % of the dynamics inside phrases, 63 % between them"
    assert DynamicsKept(None, 0.92).sentence == "keeps 92 % of the dynamics inside phrases"
    assert DynamicsKept(0.63, None).sentence == "keeps 63 % of the dynamics between phrases"
    assert DynamicsKept(None, None).sentence == ""


def test_proof_counts_lost_words_but_not_those_meant_to_be_quiet():
    measures = lost_word(8.0)
    raised = edits.nudge(decided(), ["w1"], 3.0)
    proof = prove(raised, measures)
    assert (proof.before.words_lost, proof.after.words_lost) == (1, 0)
    assert prove(edits.set_quiet(decided(), ["p1"]), measures).before.words_lost == 0
    with_trim = prove(edits.set_trim(decided(), 3.0), measures)
    assert (with_trim.before.words_lost, with_trim.after.words_lost) == (0, 0)


def test_proof_of_next_to_nothing():
    bare = prove(small_session(segments=Segments()), pair())
    assert (bare.dynamics_kept, bare.before.phrase_spread_lu, bare.breakpoints_per_phrase) == (None, None, 0.0)
    even = prove(decided(), pair())
    assert even.dynamics_kept is None
    assert even.before.phrase_spread_lu == pytest.approx(0.0, abs=1e-9)
    one = decided(decisions={}, segments=Segments(phrases=(span("p1", "phrase", 1, 4),)))
    assert prove(one, pair()).after.phrase_spread_lu is None
    assert prove(decided(), pair(bed_lufs=-90.0)).after.phrase_spread_lu is None
