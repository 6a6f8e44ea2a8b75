"""Drawing without a widget: gestures on a desk."""

from __future__ import annotations

import numpy as np
import pytest

from ridebook.gui import drawing
from ridebook.gui.desk import Desk
from ridebook.gui.drawing import At
from ridebook.ride.lane import Lane
from ridebook.segment.spans import Kind
from ridebook.session.document import State
from ridebook.session.edits import replace_lane
from tests.gui.timeline_song import RATE_HZ, song

PAIRS = [(48000, 0.0), (96000, 2.0), (144000, 2.0), (192000, 0.0), (480000, 1.2)]
PX = {"frames_per_px": 480.0, "db_per_px": 0.05}


@pytest.fixture
def desk(qapp):
    session, *_ = song(30.0, waves=False)
    desk = Desk()
    desk.show_session(replace_lane(session, Lane.from_pairs(PAIRS)))
    yield desk
    desk.close()


def at(frame_n, gain_db, **more):
    return At(frame_n, gain_db, **PX, **more)


def pairs(desk):
    return [(point.frame_n, round(point.gain_db, 6)) for point in desk.session.lane.points]


def labels(desk):
    return [step.label for step in desk.history.steps]


def moved(desk, way, hit=1, points=None, borders=()):
    """Drag breakpoint `hit` along a way of (frames, dB, flags)."""

    frame_n, gain_db = desk.session.lane.points[hit]
    points = points or frozenset({hit})
    gesture = drawing.MovePoints(desk, at(frame_n, gain_db, hit=hit), points, np.array(borders, dtype=np.int64))
    for by_n, by_db, flags in way:
        gesture.move(at(frame_n + by_n, gain_db + by_db, **flags))
    gesture.release(at(frame_n + by_n, gain_db + by_db, **flags))
    return gesture


def test_a_drag_snaps_to_half_a_db_and_is_one_step(desk):
    moved(desk, [(0, 0.4, {}), (0, 0.9, {}), (0, 1.3, {})])
    assert pairs(desk)[1] == (96000, 3.5)
    assert labels(desk) == ["Move 1 breakpoint"]
    desk.undo()
    assert pairs(desk) == PAIRS


def test_a_gain_is_set_without_slipping_in_time(desk):
    moved(desk, [(960, 1.0, {})])
    assert pairs(desk)[1] == (96000, 3.0)


def test_time_snaps_to_a_border_that_is_near(desk):
    moved(desk, [(9000, 0.0, {})], borders=[20000, 106000, 140000])
    assert pairs(desk)[1] == (106000, 2.0)


def test_nothing_snaps_when_free(desk):
    moved(desk, [(9000, 0.33, {"free": True})], borders=[106000])
    assert pairs(desk)[1] == (105000, 2.33)


def test_fine_goes_a_tenth_of_the_way(desk):
    moved(desk, [(0, 0.0, {"fine": True}), (4800, 2.0, {"fine": True})])
    assert pairs(desk)[1] == (96480, 2.2)


def test_a_group_keeps_its_shape_and_stops_at_its_neighbour(desk):
    moved(desk, [(0, 3.0, {}), (500_000, 3.0, {})], points=frozenset({1, 2}))
    assert [gain for _, gain in pairs(desk)] == [0.0, 5.0, 5.0, 0.0, 1.2]
    assert pairs(desk)[2][0] == 191999
    assert labels(desk) == ["Move 2 breakpoints"]


def test_a_click_changes_nothing(desk):
    moved(desk, [(100, 0.01, {})])
    assert pairs(desk) == PAIRS
    assert labels(desk) == []


def test_a_gesture_can_be_taken_back(desk):

    gesture = drawing.MovePoints(desk, at(96000, 2.0, hit=1), frozenset({1}), np.array([], dtype=np.int64))
    gesture.move(at(96000, 4.0))
    assert pairs(desk)[1] == (96000, 4.0)
    gesture.cancel()
    assert pairs(desk) == PAIRS
    assert labels(desk) == []


def test_scaling_follows_the_gain_furthest_from_zero(desk):
    gesture = drawing.ScalePoints(desk, at(0, 5.0), frozenset({0, 1, 2, 4}))
    gesture.move(at(0, 6.0))
    gesture.release(at(0, 6.0))
    assert [gain for _, gain in pairs(desk)] == [0.0, 3.0, 3.0, 0.0, 1.8]
    assert labels(desk) == ["Scale 4 breakpoints"]


def test_rubber_band_selects_what_lies_inside(desk):
    band = drawing.RubberBand(desk, at(90000, 3.0), frozenset())
    band.move(at(200000, 1.0))
    assert desk.selection.points == {1, 2}
    band.release(at(200000, 1.0))
    more = drawing.RubberBand(desk, at(400000, 3.0, extend=True), desk.selection.points)
    more.release(at(500000, 0.5, extend=True))
    assert desk.selection.points == {1, 2, 4}
    nothing = drawing.RubberBand(desk, at(300000, -3.0), desk.selection.points)
    nothing.release(at(300000, -3.0))
    assert desk.selection.points == set()


def test_freehand_is_thinned_and_close_to_the_hand(desk):
    gesture = drawing.DrawFreehand(desk, at(240000, 0.0))
    hand = [(240000 + k * 960, 3.0 * min(k, 100 - k) / 50) for k in range(101)]
    for frame_n, gain_db in hand:
        gesture.move(at(frame_n, gain_db))
    gesture.release(at(*hand[-1]))
    lane = desk.session.lane
    drawn = lane.gain_db_at([frame for frame, _ in hand])
    assert abs(drawn - [gain for _, gain in hand]).max() <= 0.2501
    assert len(lane.points) <= len(PAIRS) + 6
    assert labels(desk) == ["Draw freehand"]


def test_going_back_draws_over(desk):
    gesture = drawing.DrawFreehand(desk, at(240000, 0.0))
    for k in range(60):
        gesture.move(at(240000 + k * 960, 4.0))
    for k in range(60, -1, -1):
        gesture.move(at(240000 + k * 960, -2.0))
    gesture.release(at(240000, -2.0))
    assert desk.session.lane.gain_db_at([250000, 270000, 290000]) == pytest.approx(-2.0, abs=0.26)


def test_a_line_runs_from_press_to_release(desk):

    gesture = drawing.DrawLine(desk, at(240000, 0.1), np.array([], dtype=np.int64))
    gesture.move(at(300000, 1.0))
    gesture.release(at(336000, 3.1))
    assert desk.session.lane.gain_db_at([240000, 288000, 336000]) == pytest.approx([0.0, 1.5, 3.0])
    assert labels(desk) == ["Draw a line"]


def test_moving_a_border_leaves_the_lane(desk):
    span = desk.session.segments.words[2]
    gesture = drawing.MoveBorder(desk, at(span.end_n, 0.0), span, "end")
    gesture.move(at(span.end_n - 4000, 0.0))
    gesture.release(at(span.end_n - 4000, 0.0))
    word = desk.session.segments.words[2]
    assert word.end_n == span.end_n - 4000
    assert desk.session.segments.words[3].start_n == word.end_n
    assert pairs(desk) == PAIRS
    assert labels(desk) == ["Move a word's border"]


def test_keys_nudge_and_join_into_one_step(desk):
    commands = drawing.Commands(desk)
    desk.select_points(frozenset({1}))
    for _ in range(3):
        commands.nudge(steps_db=1)
    commands.nudge(steps_s=-1, fine=True)
    assert pairs(desk)[1] == (96000 - RATE_HZ // 1000, 3.5)
    assert labels(desk) == ["Nudge 1 breakpoint"]
    desk.select_points(frozenset({2}))
    commands.nudge(steps_db=-1, fine=True)
    assert pairs(desk)[2] == (144000, 1.9)
    assert len(labels(desk)) == 2


def test_add_next_previous_and_delete(desk):
    commands = drawing.Commands(desk)
    commands.add(336000)
    assert pairs(desk)[4] == (336000, 0.6)
    assert desk.selection.points == {4}
    assert commands.select_next(1, 0) == 5
    assert commands.select_next(1, 0) is None
    assert commands.select_next(-1, 0, extend=True) == 4
    assert desk.selection.points == {4, 5}
    commands.delete()
    assert pairs(desk) == PAIRS[:4]
    assert labels(desk) == ["Add a breakpoint", "Delete 2 breakpoints"]
    assert desk.selection.points == set()
    assert commands.select_next(-1, 100000) == 1


def test_straighten_takes_out_what_lies_between(desk):
    commands = drawing.Commands(desk)
    desk.select_points(frozenset({0, 3}))
    commands.straighten()
    assert pairs(desk) == [PAIRS[0], *PAIRS[3:]]
    assert desk.selection.points == {0, 1}


def test_select_all_of_some_spans(desk):
    commands = drawing.Commands(desk)
    commands.select_all()
    assert len(desk.selection.points) == len(PAIRS)
    phrase = desk.session.segments.phrases[0]
    inside = {i for i, (frame, _) in enumerate(PAIRS) if phrase.start_n <= frame < phrase.end_n}
    commands.select_all([phrase])
    assert desk.selection.points == inside
    assert inside


def test_rides_are_carried_to_another_phrase(desk):
    commands = drawing.Commands(desk)
    first, *_, last = desk.session.segments.phrases
    assert first.kind is Kind.PHRASE
    commands.paste(last)
    assert labels(desk) == []
    commands.copy(first)
    commands.paste(first)
    assert labels(desk) == []
    commands.paste(last)
    assert labels(desk) == [f"Carry rides to {last.label}"]
    middle = desk.session.lane.gain_db_at([first.middle_n, last.middle_n])
    assert middle[0] == pytest.approx(middle[1], abs=0.05)
    assert middle[0] != 0.0
    assert desk.session.decision(last.id).state is State.DRAWN
