from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as runs
from hypothesis import strategies as st

from ridebook.errors import LaneError, SegmentError, SettingError
from ridebook.ride.lane import Lane
from ridebook.ride.settings import RideSettings
from ridebook.segment.spans import Kind, Origin, Segments
from ridebook.session import edits
from ridebook.session.document import Decision, Follower, Session, State, check_session
from tests.session.made import S, lanes, small_session, small_suggestion, source, span
from tests.timing import best_cpu_s

EVERY = np.arange(0, 20 * S + 1, 97)
ALL = ("p1", "p2", "p3", "p4")
HILL = Lane.from_pairs([(0, 1.0), (2 * S, 3.0), (6 * S, -2.0), (12 * S, 4.0), (16 * S, 0.0), (20 * S, 1.0)])


def at(session, *seconds):
    return pytest.approx(session.lane.gain_db_at([s * S for s in seconds]).tolist(), abs=1e-9)


def states(session):
    return [session.decision(phrase_id).state.value for phrase_id in ALL]


def same_outside(before, after, *stretches_s):
    outside = np.ones(len(EVERY), bool)
    for start_s, end_s in stretches_s:
        outside &= (start_s * S > EVERY) | (end_s * S < EVERY)
    assert np.abs(before.lane.gain_db_at(EVERY) - after.lane.gain_db_at(EVERY))[outside].max(initial=0.0) < 1e-9


def locked(session, *phrase_ids):
    return edits.lock(session, phrase_ids)


# ---- cells ----


def test_cells_are_those_of_the_segments():
    session = small_session()
    cells = edits.phrase_cells(session)
    assert cells == {p.id: session.segments.cell_of(p, 20 * S) for p in session.segments.phrases}
    assert cells["p2"] == (4.5 * S, 9.5 * S)
    assert edits.phrase_cells(replace(session, segments=Segments())) == {}


def test_a_words_cell_reaches_to_its_neighbours_and_the_ends_of_its_phrase():
    session = small_session()
    cells = [edits.word_cell(session, word) for word in session.segments.words]
    assert cells == [(0, 2.25 * S), (2.25 * S, 4.5 * S), (4.5 * S, 6.5 * S), (6.5 * S, 9.5 * S)]


# ---- ink, strike, leave open ----


def test_ink_takes_the_suggestion_into_the_phrases_cell_alone():
    before = small_session()
    after = edits.ink(before, small_suggestion(), ["p1"])
    assert states(after) == ["inked", "open", "open", "open"]
    assert after.decision("p1").decided_on == small_suggestion().phrases[0]
    assert at(after, 0, 1, 3, 4) == [2.0] * 4
    assert at(after, 4.5, 5, 12) == [0.0] * 3
    same_outside(before, after, (0, 4.5))


def test_ink_of_all_is_the_suggested_lane_and_one_by_one_comes_to_the_same():
    session, suggestion = small_session(), small_suggestion()
    at_once = edits.ink(session, suggestion)
    assert at_once.lane == suggestion.lane
    assert states(at_once) == ["inked"] * 4
    for order in (ALL, ALL[::-1], ("p3", "p1", "p4", "p2")):
        one_by_one = session
        for phrase_id in order:
            one_by_one = edits.ink(one_by_one, suggestion, [phrase_id])
        assert np.abs(one_by_one.lane.gain_db_at(EVERY) - suggestion.lane.gain_db_at(EVERY)).max() < 1e-9
        assert one_by_one.decisions == at_once.decisions


def test_ink_again_changes_nothing():
    session = edits.ink(small_session(), small_suggestion())
    assert edits.ink(session, small_suggestion()) is session
    assert edits.ink(session, small_suggestion(), []) is session


def test_ink_of_all_leaves_locked_struck_and_drawn_phrases_alone():
    session = edits.nudge(edits.strike(locked(small_session(lane=HILL), "p1"), ["p2"]), ["p3"], 1.0)
    after = edits.ink(session, small_suggestion())
    assert states(after) == ["open", "struck", "drawn", "inked"]
    same_outside(session, after, (14, 20))
    named = edits.ink(session, small_suggestion(), ALL)
    assert states(named) == ["open", "inked", "inked", "inked"]
    same_outside(session, named, (4.5, 20))


def test_ink_knows_its_phrases():
    with pytest.raises(SegmentError, match="no phrase 'w1'"):
        edits.ink(small_session(), small_suggestion(), ["w1"])


def test_strike_makes_the_cell_flat_and_keeps_what_was_turned_down():
    before = small_session(lane=HILL)
    after = edits.strike(before, ["p2"], small_suggestion())
    assert states(after) == ["open", "struck", "open", "open"]
    assert after.decision("p2").decided_on == small_suggestion().phrases[1]
    assert at(after, 5, 6.5, 8) == [0.0] * 3
    same_outside(before, after, (4.5, 9.5))
    inked = edits.ink(small_session(), small_suggestion())
    assert edits.strike(inked, ["p4"]).decision("p4").decided_on == small_suggestion().phrases[3]


def test_strike_of_a_locked_phrase_does_nothing():
    session = locked(small_session(lane=HILL), "p2")
    assert edits.strike(session, ["p2"]) is session


def test_leave_open_takes_ink_out_and_leaves_what_was_drawn():
    inked = edits.ink(small_session(), small_suggestion())
    drawn = edits.nudge(inked, ["p4"], -1.0)
    after = edits.leave_open(drawn, ["p1", "p4"])
    assert states(after) == ["open", "inked", "inked", "open"]
    assert after.decisions.keys() == {"p2", "p3"}
    assert at(after, 1, 3) == [0.0, 0.0]
    assert at(after, 16, 18) == [2.0, 2.0]
    same_outside(drawn, after, (0, 4.5))


def test_ink_strike_and_back_again_is_the_lane_that_was():
    session = small_session()
    for phrase_id in ALL:
        there = edits.ink(session, small_suggestion(), [phrase_id])
        assert np.abs(edits.strike(there, [phrase_id]).lane.gain_db_at(EVERY)).max() < 1e-9
        assert edits.leave_open(there, [phrase_id]).decisions == {}


# ---- marks ----


def test_locks_notes_and_quiet():
    session = edits.set_note(locked(small_session(), "p1", "p2"), "breathy", "p1")
    session = edits.set_quiet(edits.set_note(session, "whole song"), ["p3", "w4"])
    assert session.note == "whole song"
    assert session.decision("p1") == Decision(locked=True, note="breathy")
    assert edits.quiet_ids(session) == {"p3", "w4"}
    back = edits.set_quiet(edits.set_note(edits.unlock(session, ["p1", "p2"]), "", "p1"), ["p3", "w4"], quiet=False)
    assert (back.decisions, back.quiet_words) == ({}, frozenset())
    for wrong in (
        lambda: edits.lock(session, ["w1"]),
        lambda: edits.set_quiet(session, ["s1"]),
        lambda: edits.set_note(session, "x", "p9"),
    ):
        with pytest.raises(SegmentError):
            wrong()


def test_what_changes_nothing_gives_the_same_session():
    session = small_session(lane=HILL, accepted={"k": "n"})
    for edit in (
        lambda: edits.set_trim(session, 0.0),
        lambda: edits.take_settings(session, RideSettings()),
        lambda: edits.set_title(session, ""),
        lambda: edits.set_lyric(session, ""),
        lambda: edits.set_note(session, ""),
        lambda: edits.set_note(session, "", "p1"),
        lambda: edits.set_section_aim(session, "s1", None),
        lambda: edits.set_references(session, ()),
        lambda: edits.set_followers(session, ()),
        lambda: edits.accept_finding(session, "k", "n"),
        lambda: edits.withdraw_acceptance(session, "other"),
        lambda: edits.unlock(session, ALL),
        lambda: edits.set_quiet(session, ["p1", "w1"], quiet=False),
        lambda: edits.nudge(session, [], 1.0),
        lambda: edits.nudge(session, ["p1"], 0.0),
        lambda: edits.move_breakpoints(session, [1]),
        lambda: edits.rename(session, "w1", "one"),
        lambda: edits.delete_spans(session, []),
        lambda: edits.move_border(session, "p1", "end", 4 * S),
        lambda: edits.replace_lane(session, HILL),
        lambda: edits.draw_freehand(session, [], []),
    ):
        assert edit() is session


def test_trim_and_aims_are_held_to_their_ranges():
    session = edits.set_section_aim(edits.set_trim(small_session(), -2.5), "s2", 1.0)
    assert (session.trim_db, session.section_aims) == (-2.5, {"s2": 1.0})
    assert edits.set_section_aim(session, "s2", None).section_aims == {}
    for wrong in (lambda: edits.set_trim(session, 61), lambda: edits.set_section_aim(session, "s1", float("nan"))):
        with pytest.raises(SettingError):
            wrong()
    with pytest.raises(SegmentError):
        edits.set_section_aim(session, "p1", 1.0)


def test_followers_are_set_and_follow_a_new_file():
    double = source("/songs/double.wav")
    session = edits.set_followers(small_session(), [Follower(double, 0.5)])
    assert session.sources == (session.vocal, *session.beds, double)
    for wrong in (Follower(double, -0.1), Follower(double, float("nan")), Follower(session.vocal)):
        with pytest.raises(SettingError):
            edits.set_followers(session, [wrong])
    again = source("/songs/double_2.wav")
    assert edits.change_source(session, double, again).followers == (Follower(again, 0.5),)


def test_findings_are_accepted_and_withdrawn():
    session = edits.accept_finding(edits.accept_finding(small_session(), "lost:w1", "it whispers"), "band:p1")
    assert session.accepted == {"lost:w1": "it whispers", "band:p1": ""}
    assert edits.withdraw_acceptance(session, "lost:w1").accepted == {"band:p1": ""}


# ---- the lane by hand ----


def test_nudge_moves_the_phrase_and_ramps_in_its_gaps():
    before = small_session(lane=HILL)
    after = edits.nudge(before, ["p2"], 1.5)
    assert states(after) == ["open", "drawn", "open", "open"]
    inside = np.arange(5 * S, 8 * S, 100)
    assert np.abs(after.lane.gain_db_at(inside) - before.lane.gain_db_at(inside) - 1.5).max() < 1e-9
    same_outside(before, after, (5 - 0.15, 8 + 0.15))


def test_a_nudge_of_an_inked_phrase_makes_it_drawn_and_keeps_what_was_suggested():
    after = edits.nudge(edits.ink(small_session(), small_suggestion()), ["p1"], 0.5)
    assert states(after) == ["drawn", "inked", "inked", "inked"]
    assert after.decision("p1").decided_on == small_suggestion().phrases[0]
    assert at(after, 1, 2, 4) == [2.5] * 3


def test_phrases_that_follow_each_other_are_nudged_as_one():
    before = small_session(lane=HILL)
    after = edits.nudge(before, ["p2", "p1", "p4"], 1.0)
    inside = np.concatenate([np.arange(1 * S, 8 * S, 100), np.arange(15 * S, 18 * S, 100)])
    assert np.abs(after.lane.gain_db_at(inside) - before.lane.gain_db_at(inside) - 1.0).max() < 1e-9
    assert states(after) == ["drawn", "drawn", "open", "drawn"]  # p3 touches p4: the ramp lies across, no more
    same_outside(before, after, (0.85, 8.15), (13.9, 18.15))


def test_nudging_a_section_nudges_its_phrases():
    assert edits.nudge(small_session(), ["s1"], 1.0) == edits.nudge(small_session(), ["p1", "p2"], 1.0)


def test_words_are_nudged_by_themselves_and_not_twice():
    before = small_session(lane=HILL)
    after = edits.nudge(before, ["w3"], 1.0)
    assert states(after) == ["open", "drawn", "open", "open"]
    same_outside(before, after, (5 - 0.04, 6.5 + 0.04))
    assert after.lane.gain_db_at([5.5 * S]) - before.lane.gain_db_at([5.5 * S]) == pytest.approx(1.0)
    assert edits.nudge(before, ["w3", "p2"], 1.0) == edits.nudge(before, ["p2"], 1.0)
    both = edits.nudge(before, ["w3", "w4"], 1.0)
    inside = np.arange(5 * S, 8 * S, 100)
    assert np.abs(both.lane.gain_db_at(inside) - before.lane.gain_db_at(inside) - 1.0).max() < 1e-9
    apart = edits.nudge(before, ["w2", "w3"], 1.0)  # of two phrases: the gap between them is not lifted
    assert apart.lane.gain_db_at([4.5 * S]) == pytest.approx(before.lane.gain_db_at([4.5 * S]))


def test_nudges_stop_at_the_limits():
    session = edits.nudge(small_session(), ["p1"], 50.0)
    assert at(session, 1, 3) == [6.0, 6.0]
    assert edits.nudge(session, ["p1"], 1.0) is session
    assert at(edits.nudge(session, ["p1"], -50.0), 1, 3) == [-6.0, -6.0]


def test_one_locked_phrase_can_be_nudged_by_name_but_not_among_others():
    session = locked(small_session(lane=HILL), "p2")
    alone = edits.nudge(session, ["p2"], 1.0)
    assert alone.decision("p2") == Decision(State.DRAWN, locked=True)
    among = edits.nudge(session, ["p1", "p2", "p3"], 1.0)
    same_outside(session, among, (0, 4.5), (9.5, 20))
    assert among.decision("p2") == session.decision("p2")
    assert at(among, 2, 12) == [4.0, 5.0]
    words = edits.nudge(session, ["w2", "w3"], 1.0)
    same_outside(session, words, (0, 4.5))


def test_only_what_has_a_ride_can_be_nudged():
    for span_id, says in (("b1", "breath has no ride"), ("x9", "no segment 'x9'")):
        with pytest.raises(SegmentError, match=says):
            edits.nudge(small_session(), [span_id], 1.0)


def test_flatten_a_phrase_and_a_word():
    before = small_session(lane=HILL)
    phrase = edits.flatten(before, ["p2"])
    assert at(phrase, 5, 6.5, 8) == [0.0] * 3
    assert states(phrase)[1] == "drawn"
    same_outside(before, phrase, (4.5, 9.5))
    ridden = edits.nudge(edits.nudge(small_session(), ["p2"], 2.0), ["w3"], 1.5)
    word = edits.flatten(ridden, ["w3"])
    assert at(word, 5, 5.5, 6.4, 8) == [2.0] * 4
    assert edits.flatten(locked(before, "p1"), ["s1"]).lane.gain_db_at([2 * S]) == before.lane.gain_db_at([2 * S])


def test_breakpoints_are_added_moved_scaled_and_deleted():
    session = edits.add_breakpoint(small_session(), 2 * S, 3.0)
    session = edits.add_breakpoint(session, 6 * S, -1.0)
    assert session.lane == Lane.from_pairs([(2 * S, 3.0), (6 * S, -1.0)])
    assert states(session) == ["drawn"] * 4  # flat outside: the first and last point hold all that is beyond them
    moved = edits.move_breakpoints(session, [1], by_n=S, by_db=0.5)
    assert moved.lane.points[1] == (7 * S, -0.5)
    assert edits.scale_breakpoints(session, [0, 1], 0.5).lane == Lane.from_pairs([(2 * S, 1.5), (6 * S, -0.5)])
    assert edits.scale_breakpoints(session, [0], 9).lane.points[0].gain_db == 6.0
    assert edits.delete_breakpoints(session, [0]).lane == Lane.from_pairs([(6 * S, -1.0)])
    for wrong in (edits.move_breakpoints, edits.delete_breakpoints):
        with pytest.raises(LaneError):
            wrong(session, [2])


def test_a_breakpoint_that_bends_nothing_decides_nothing():
    session = small_session(lane=HILL)
    after = edits.add_breakpoint(session, 7 * S)
    assert len(after.lane.points) == len(HILL.points) + 1
    assert after.decisions == {}
    assert edits.thin(after, 0.0).lane == HILL
    assert edits.add_breakpoint(session, 99 * S, 50.0).lane.points[-1] == (20 * S, 6.0)


def test_a_moved_breakpoint_makes_drawn_only_the_phrases_that_it_changes():
    lane = Lane.from_pairs([(0, 0.0), (5 * S, 0.0), (6 * S, 2.0), (7 * S, 0.0), (20 * S, 0.0)])
    after = edits.move_breakpoints(small_session(lane=lane), [2], by_db=1.0)
    assert states(after) == ["open", "drawn", "open", "open"]


def test_a_move_that_reaches_into_a_locked_phrase_leaves_its_lane():
    lane = Lane.from_pairs([(0, 0.0), (2 * S, 2.0), (6 * S, 0.0), (20 * S, 0.0)])
    session = locked(small_session(lane=lane), "p2")
    after = edits.move_breakpoints(session, [1], by_db=1.0)
    same_outside(session, after, (0, 4.5))
    assert at(after, 2) == [3.0]
    assert after.decision("p2") == session.decision("p2")
    aimed = edits.move_breakpoints(session, [2], by_db=1.0)  # the point lies in the locked phrase alone
    assert at(aimed, 6) == [1.0]
    assert aimed.decision("p2").state is State.DRAWN


def test_thin_leaves_out_points_in_the_phrases_named():
    points = [(k * S // 2, (1.0 if k % 2 else 1.1) if 2 <= k < 36 else 0.0) for k in range(41)]
    session = small_session(lane=Lane.from_pairs(points))
    some = edits.thin(session, 0.2, ["p2"])
    assert [p for p in some.lane.points if not 4.5 * S <= p.frame_n <= 9.5 * S] == [
        p for p in session.lane.points if not 4.5 * S <= p.frame_n <= 9.5 * S
    ]
    assert len(some.lane.points) < len(session.lane.points)
    every = edits.thin(session, 0.2)
    assert np.abs(every.lane.gain_db_at(EVERY) - session.lane.gain_db_at(EVERY)).max() <= 0.2 + 1e-9
    assert len(every.lane.points) <= 8


def test_lines_and_freehand():
    line = edits.draw_line(small_session(), 5 * S, 1.0, 8 * S, 3.0)
    assert at(line, 5, 6.5, 8) == [1.0, 2.0, 3.0]
    same_outside(small_session(), line, (4.9, 8.1))
    assert states(line) == ["open", "drawn", "open", "open"]
    hand_n = np.arange(5 * S, 8 * S, 200)
    hand_db = 4 * np.sin((hand_n - 5 * S) / S)
    free = edits.draw_freehand(small_session(), hand_n.tolist(), hand_db.tolist())
    assert np.abs(free.lane.gain_db_at(hand_n) - hand_db).max() <= edits.FREEHAND_TOLERANCE_DB + 1e-9
    assert len(free.lane.points) < 16
    wild = edits.draw_freehand(small_session(), [-5, 25 * S], [99.0, 99.0])
    assert at(wild, 0, 10, 20) == [6.0] * 3
    assert wild.lane.points[-1].frame_n == 20 * S
    assert edits.draw_freehand(locked(small_session(), "p2"), [S, 12 * S], [1.0, 1.0]).lane.gain_db_at([6 * S]) == 0.0


def test_carry_brings_onset_to_onset_and_stretches_to_fit():
    session = edits.nudge(edits.nudge(small_session(), ["p1"], 2.0), ["w2"], 1.0)
    after = edits.carry(session, "p1", "p3")
    same_outside(session, after, (9.5, 14))
    # p1 sounds from 1 to 4 s, p3 from 11 to 14: as long, so that each place in it carries over as it is.
    inside = np.arange(round(1.05 * S), round(3.8 * S), 97)
    assert np.abs(after.lane.gain_db_at(inside + 10 * S) - session.lane.gain_db_at(inside)).max() < 0.01
    assert states(after) == ["drawn", "open", "drawn", "open"]
    longer = edits.carry(session, "p1", "p4")
    places = np.array([0.1, 0.3, 0.6, 0.9])
    there, here = longer.lane.gain_db_at((14 + 4 * places) * S), session.lane.gain_db_at((1 + 3 * places) * S)
    assert there == pytest.approx(here, abs=1e-6)


def test_sections_of_as_many_phrases_carry_phrase_by_phrase():
    session = edits.nudge(edits.nudge(small_session(), ["p1"], 2.0), ["p2"], -1.0)
    after = edits.carry(session, "s1", "s2")
    assert at(after, 11.5, 13.5, 15, 17) == [2.0, 2.0, -1.0, -1.0]
    same_outside(session, after, (9.5, 20))


def test_rides_are_carried_to_all_that_repeat_a_phrase_but_for_the_locked():
    session = edits.nudge(small_session(), ["p1"], 2.0)
    alike = [replace(phrase, label="la la") for phrase in session.segments.phrases]
    alike[1] = replace(alike[1], label="else")
    session = replace(session, segments=session.segments.with_spans(Kind.PHRASE, alike))
    after = edits.carry_to_repeats(session, "p1")
    assert after == edits.carry(edits.carry(session, "p1", "p3"), "p1", "p4")
    assert states(after) == ["drawn", "open", "drawn", "drawn"]
    kept = edits.carry_to_repeats(locked(session, "p3"), "p1")
    assert states(kept) == ["drawn", "open", "open", "drawn"]
    assert [each.id for each in edits.open_to_carry(locked(session, "p3"), "p1")] == ["p4"]
    assert edits.carry_to_repeats(session, "p2") is session


def test_what_cannot_be_carried_is_told():
    for from_id, to_id in (("p1", "s1"), ("w1", "w2"), ("p1", "p9")):
        with pytest.raises(SegmentError):
            edits.carry(small_session(), from_id, to_id)
    empty = edits.delete_spans(small_session(), ["p3", "p4"])
    with pytest.raises(SegmentError, match="'s2' holds no phrase"):
        edits.carry(empty, "s1", "s2")


def test_a_whole_lane_makes_drawn_what_it_changes_but_for_locked_phrases():
    session = locked(small_session(), "p1")
    lane = Lane.from_pairs([(0, 1.0), (12 * S, 1.0), (13 * S, 0.0)])
    after = edits.replace_lane(session, lane)
    assert states(after) == ["open", "drawn", "drawn", "open"]
    assert at(after, 1, 4, 6, 12, 15) == [0.0, 0.0, 1.0, 1.0, 0.0]


@given(
    lane=lanes(),
    moves=st.lists(
        st.tuples(st.sampled_from(["nudge", "flatten", "ink", "strike", "open", "draw", "carry", "thin"]), st.data()),
        min_size=1,
        max_size=4,
    ),
    lock_ids=st.sets(st.sampled_from(ALL), max_size=2),
)
@runs(max_examples=60, deadline=None)
def test_edits_of_many_never_touch_a_locked_phrase_and_hold_all_rules(lane, moves, lock_ids):
    session = first = locked(small_session(lane=lane), *lock_ids)
    for verb, data in moves:
        ids = data.draw(st.lists(st.sampled_from(ALL), min_size=2, unique=True))
        by = data.draw(st.floats(-8, 8))
        session = {
            "nudge": lambda s, ids=ids, by=by: edits.nudge(s, ids, by),
            "flatten": lambda s, ids=ids: edits.flatten(s, ids),
            "ink": lambda s, ids=ids: edits.ink(s, small_suggestion(), ids),
            "strike": lambda s, ids=ids: edits.strike(s, ids),
            "open": lambda s, ids=ids: edits.leave_open(s, ids),
            "draw": lambda s, by=by: edits.draw_line(s, 2 * S, by, 17 * S, -by),
            "carry": lambda s: edits.carry(s, "s1", "s2"),
            "thin": lambda s: edits.thin(s, 0.5),
        }[verb](session)
        check_session(session)
    cells = edits.phrase_cells(session)
    for phrase_id in lock_ids:
        inside = np.unique([*np.linspace(*cells[phrase_id], 200).astype(int)])
        assert session.lane.gain_db_at(inside) == pytest.approx(first.lane.gain_db_at(inside), abs=1e-8)
        assert session.decision(phrase_id) == first.decision(phrase_id)


# ---- segments ----


def spans_of(session, kind):
    return {s.id: (s.start_n / S, s.end_n / S) for s in getattr(session.segments, f"{kind}s")}


def test_a_border_moves_as_far_as_there_is_room():
    session = small_session(lane=HILL)
    moved = edits.move_border(session, "p1", "end", round(4.5 * S))
    assert spans_of(moved, "phrase")["p1"] == (1, 4.5)
    assert edits.span_of(moved, "p1").origin is Origin.HAND
    assert edits.span_of(moved, "p2").origin is Origin.FOUND
    assert moved.lane is session.lane
    assert spans_of(edits.move_border(session, "p1", "end", 9 * S), "phrase")["p1"] == (1, 5)
    assert spans_of(edits.move_border(session, "p1", "start", -5), "phrase")["p1"] == (0, 4)
    assert spans_of(edits.move_border(session, "p4", "end", 99 * S), "phrase")["p4"] == (14, 20)
    assert spans_of(edits.move_border(session, "p1", "start", 9 * S), "phrase")["p1"] == (3.99, 4)


def test_a_border_that_two_share_moves_for_both():
    for span_id, edge in (("p3", "end"), ("p4", "start")):
        moved = edits.move_border(small_session(), span_id, edge, 13 * S)
        assert spans_of(moved, "phrase")["p3"] == (11, 13)
        assert spans_of(moved, "phrase")["p4"] == (13, 18)
        assert edits.span_of(moved, "p3").origin is edits.span_of(moved, "p4").origin is Origin.HAND
        far = edits.move_border(small_session(), span_id, edge, 19 * S)
        assert spans_of(far, "phrase")["p4"] == (17.99, 18)


def test_split_carries_the_state_and_shares_the_label_out():
    session = edits.set_note(edits.ink(small_session(), small_suggestion()), "n", "p1")
    after = edits.split(session, "p1", round(2.2 * S))
    first, second = after.segments.phrases[:2]
    assert (first.id, first.label, first.end_n) == ("p1", "one", round(2.2 * S))
    assert (second.label, second.start_n, second.end_n) == ("two", round(2.2 * S), 4 * S)
    assert after.decision(second.id) == replace(
        session.decision("p1"), decided_on=replace(session.decision("p1").decided_on, phrase_id=second.id)
    )
    assert after.decision("p1") == session.decision("p1")
    assert after.lane is session.lane
    check_session(after)
    for at_n in (S, 4 * S, 9 * S):
        with pytest.raises(SegmentError, match="can be split between"):
            edits.split(session, "p1", at_n)


def test_split_of_a_section_and_a_word_carry_aim_and_mark():
    session = edits.set_quiet(edits.set_section_aim(small_session(), "s1", 3.0), ["w1"])
    after = edits.split(edits.split(session, "s1", 4 * S), "w1", round(1.5 * S))
    assert [s.label for s in after.segments.sections] == ["verse", "", "chorus"]
    assert len(after.section_aims) == len(after.quiet_words) == 2
    check_session(after)


def test_merge_of_one_state_keeps_it():
    session = edits.ink(small_session(), small_suggestion())
    after = edits.merge(session, ["p2", "p1"])
    assert edits.span_of(after, "p1").label == "one two three four"
    assert spans_of(after, "phrase")["p1"] == (1, 8)
    assert after.decision("p1").state is State.INKED
    assert "p2" not in after.decisions
    assert after.lane is session.lane
    assert after.segments.words == session.segments.words
    check_session(after)


@pytest.mark.parametrize(
    ("first", "second", "merged"),
    [
        (State.INKED, State.OPEN, State.OPEN),
        (State.DRAWN, State.OPEN, State.OPEN),
        (State.INKED, State.STRUCK, State.DRAWN),
        (State.STRUCK, State.DRAWN, State.DRAWN),
        (State.STRUCK, State.STRUCK, State.STRUCK),
    ],
)
def test_merge_of_two_states(first, second, merged):
    session = small_session(
        decisions={
            "p1": Decision(first, locked=True, quiet=True, note="a"),
            "p2": Decision(second, quiet=first is State.STRUCK, note="b"),
        }
    )
    assert edits.merge(session, ["p1", "p2"]).decision("p1") == Decision(
        merged, locked=True, quiet=first is State.STRUCK, note="a\nb"
    )


def test_merge_of_sections_and_words():
    session = edits.set_quiet(edits.set_section_aim(small_session(), "s2", 3.0), ["w1", "w2", "w3"])
    after = edits.merge(edits.merge(session, ["s1", "s2"]), ["w1", "w2"])
    assert after.section_aims == {"s1": 3.0}
    assert after.quiet_words == {"w1", "w3"}
    assert edits.merge(after, ["w3", "w4"]).quiet_words == {"w1"}
    for wrong in (["p1"], ["p1", "p3"], ["p1", "w1"], ["p1", "p9"], []):
        with pytest.raises(SegmentError):
            edits.merge(session, wrong)


def test_names_deletions_and_insertions():
    session = edits.ink(edits.accept_finding(small_session(), "lost:w3"), small_suggestion())
    named = edits.rename(session, "w1", "won")
    assert (edits.span_of(named, "w1").label, edits.span_of(named, "w1").origin) == ("won", Origin.HAND)
    gone = edits.delete_spans(edits.set_section_aim(session, "s1", 1.0), ["p2", "w3", "s1"])
    assert [p.id for p in gone.segments.phrases] == ["p1", "p3", "p4"]
    assert (gone.accepted, gone.section_aims) == ({}, {})
    assert "p2" not in gone.decisions
    assert gone.lane is session.lane
    check_session(gone)
    back = edits.insert_span(gone, Kind.PHRASE, 5 * S, 8 * S, "new")
    new = back.segments.phrases[1]
    assert (new.label, new.origin) == ("new", Origin.HAND)
    assert back.decision(new.id) == Decision()
    check_session(back)
    for start_n, end_n in ((7 * S, 12 * S), (19 * S, 21 * S), (-1, S // 2), (9 * S, 9 * S)):
        with pytest.raises(SegmentError):
            edits.insert_span(back, Kind.PHRASE, start_n, end_n)
    with pytest.raises(SegmentError, match="no segment 'p9'"):
        edits.delete_spans(session, ["p9"])


def test_ids_of_new_spans_are_free_even_of_old_acceptances():
    session = small_session(accepted={"lost:w7": ""})
    ids = [s.id for s in edits.insert_span(session, Kind.WORD, 9 * S, 10 * S).segments.words]
    assert ids == ["w1", "w2", "w3", "w4", "w8"]


# ---- a new analysis ----


def found(*phrases, words=()):
    return Segments(
        phrases=tuple(span(f"p{i}", "phrase", *pair) for i, pair in enumerate(phrases, 1)),
        words=tuple(span(f"w{i}", "word", *pair) for i, pair in enumerate(words, 1)),
    )


def test_a_new_analysis_keeps_decisions_of_phrases_that_match():
    session = edits.nudge(edits.ink(small_session(), small_suggestion()), ["p4"], 0.5)
    after = edits.replace_segments(session, found((1.2, 4.1), (5, 6), (6.2, 8), (11, 13.5), (14.1, 19)))
    phrases = spans_of(after, "phrase")
    assert phrases["p1"] == (1.2, 4.1)
    assert phrases["p3"] == (11, 13.5)
    assert phrases["p4"] == (14.1, 19)
    assert phrases["p2"] == (6.2, 8)  # the half that is more than half of the old phrase
    assert states(after) == ["inked", "inked", "inked", "drawn"]
    (new,) = phrases.keys() - set(ALL)
    assert after.decision(new) == Decision()
    assert after.lane is session.lane
    check_session(after)


def test_a_phrase_that_is_gone_takes_its_decision_along():
    session = edits.accept_finding(edits.ink(small_session(), small_suggestion()), "band:p2")
    after = edits.replace_segments(session, found((1, 4), (8.5, 10.5), (11, 14)))
    assert after.decisions.keys() == {"p1", "p3"}
    assert after.accepted == {}
    assert after.segments.words == ()
    assert not {s.id for s in after.segments.phrases} & {"p2", "p4"}
    check_session(after)


def test_a_phrase_that_falls_into_halves_passes_its_decision_to_neither():
    session = edits.ink(small_session(), small_suggestion())
    after = edits.replace_segments(session, found((1, 4), (5, 6.45), (6.55, 8), (11, 14), (14, 18)))
    assert after.decisions.keys() == {"p1", "p3", "p4"}
    check_session(after)


def test_spans_by_hand_and_locked_phrases_stay_and_the_new_gives_way():
    session = edits.rename(locked(small_session(), "p3"), "p1", "mine")
    after = edits.replace_segments(session, found((0.5, 9), (10, 11.05), (11.2, 16)))
    phrases = {(s.start_n / S, s.end_n / S): s for s in after.segments.phrases}
    assert list(phrases) == [(0.5, 1), (1, 4), (4, 9), (10, 11), (11, 14), (14, 16)]
    assert phrases[1, 4].label == "mine"
    assert phrases[1, 4].id == "p1"
    assert phrases[11, 14].id == "p3"
    assert after.decision("p3").locked
    check_session(after)


def test_the_same_analysis_again_changes_nothing():
    session = edits.set_quiet(edits.ink(small_session(), small_suggestion()), ["w2"])
    assert edits.replace_segments(session, session.segments) == session


@given(st.data())
@runs(max_examples=60, deadline=None)
def test_any_analysis_leaves_a_session_that_holds_its_rules(data):
    from tests.session.made import spans as some

    session = edits.set_quiet(edits.ink(small_session(), small_suggestion()), ["w1", "w4"])
    session = edits.rename(session, data.draw(st.sampled_from(["p1", "w2", "s1", "b1"])), "mine")
    hand = next(s for s in session.segments.all_spans() if s.origin is Origin.HAND)
    kinds = [(Kind.SECTION, "s"), (Kind.PHRASE, "p"), (Kind.WORD, "w"), (Kind.BREATH, "b"), (Kind.SIBILANT, "x")]
    segments = Segments(*(data.draw(some(kind, letter)) for kind, letter in kinds))
    after = edits.replace_segments(session, segments)
    check_session(after)
    assert hand in after.segments.all_spans()
    assert after.lane is session.lane


# ---- new versions of sources ----


def test_a_new_bed_opens_only_the_phrases_that_sound_different():
    session = edits.ink(small_session(), small_suggestion())
    session = edits.set_note(locked(session, "p2"), "keep", "p2")
    new = source("/songs/bed2.wav", sha256="cd" * 32)
    after = edits.change_source(session, session.beds[0], new, changed=[(4 * S, round(5.1 * S)), (18 * S, 20 * S)])
    assert after.beds == (new,)
    assert states(after) == ["inked", "open", "inked", "inked"]
    assert after.decision("p2") == Decision(locked=True, note="keep")
    assert after.lane == session.lane


def test_a_new_vocal_that_starts_elsewhere_shifts_everything():
    session = edits.set_quiet(edits.ink(small_session(), small_suggestion()), ["w1"])
    new = source("/songs/vocal2.wav", frames_n=22 * S, sha256="cd" * 32)
    after = edits.change_source(session, session.vocal, new, shift_n=2 * S)
    assert after.vocal == new
    assert states(after) == ["inked"] * 4
    assert spans_of(after, "phrase") == {"p1": (3, 6), "p2": (7, 10), "p3": (13, 16), "p4": (16, 20)}
    assert after.lane.gain_db_at(EVERY + 2 * S) == pytest.approx(session.lane.gain_db_at(EVERY), abs=1e-9)
    assert after.decision("p2").decided_on.start_n == 6.5 * S
    back = edits.change_source(after, after.vocal, session.vocal, shift_n=-2 * S)
    assert back == session


def test_what_falls_outside_a_new_vocal_is_cut_off():
    session = edits.accept_finding(edits.ink(small_session(), small_suggestion()), "band:p1")
    new = source("/songs/vocal2.wav", frames_n=11 * S)
    after = edits.change_source(session, session.vocal, new, shift_n=-4 * S)
    assert spans_of(after, "phrase") == {"p2": (1, 4), "p3": (7, 10), "p4": (10, 11)}
    assert spans_of(after, "section") == {"s1": (0, 6), "s2": (6, 11)}
    assert after.accepted == {}
    inside = np.arange(0, 11 * S, 97)
    assert after.lane.gain_db_at(inside) == pytest.approx(session.lane.gain_db_at(inside + 4 * S), abs=1e-9)
    assert 0 <= after.lane.points[0].frame_n <= after.lane.points[-1].frame_n <= 11 * S
    check_session(after)


def test_a_new_vocal_at_another_rate_keeps_the_times():
    session = edits.ink(small_session(), small_suggestion())
    new = source("/songs/vocal44.wav", frames_n=20 * 44100, rate_hz=44100)
    after = edits.change_source(session, session.vocal, new)
    assert [(s.id, s.start_n / 44100, s.end_n / 44100) for s in after.segments.words] == [
        (s.id, s.start_n / S, s.end_n / S) for s in session.segments.words
    ]
    assert after.lane.gain_db_at(EVERY * 44100 / 48000) == pytest.approx(session.lane.gain_db_at(EVERY), abs=1e-3)
    check_session(after)


def test_a_source_that_is_none_is_told():
    with pytest.raises(SegmentError, match="not a source of this session"):
        edits.change_source(small_session(), source("/else.wav"), source("/new.wav"))
    with pytest.raises(SegmentError, match="only a new vocal"):
        edits.change_source(small_session(), source("/songs/bed.wav"), source("/new.wav"), shift_n=5)


def test_the_cost_of_an_edit_grows_with_the_song_and_not_with_its_square():
    short, long = long_session(250), long_session(2000)
    short_s = best_cpu_s(lambda: [edits.move_breakpoints(short, [125], 5, 0.5) for _ in range(10)])
    long_s = best_cpu_s(lambda: [edits.move_breakpoints(long, [1000], 5, 0.5) for _ in range(10)])
    assert long_s < 24 * short_s


def long_session(points_n):
    phrases = tuple(span(f"p{i}", "phrase", 4 * i + 1, 4 * i + 4) for i in range(points_n // 4))
    lane = Lane.from_pairs([(k * S, (k % 7) / 2) for k in range(points_n)])
    return Session(source("/v.wav", points_n * S), (), segments=Segments(phrases=phrases), lane=lane)
