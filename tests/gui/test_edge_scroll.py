"""What is dragged to the view's edge scrolls the view on: real presses and moves on the timeline."""

from __future__ import annotations

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest

from ridebook.gui.desk import Desk
from ridebook.gui.timeline import Timeline
from ridebook.ride.lane import Lane
from ridebook.session import edits
from tests.gui.timeline_song import RATE_HZ, song

LEFT = Qt.MouseButton.LeftButton
PAIRS = [(10 * RATE_HZ, 0.0), (14 * RATE_HZ, 2.0), (18 * RATE_HZ, 0.0)]


@pytest.fixture(scope="module")
def made():
    return song(40.0, waves=False)


@pytest.fixture
def canvas(made, qtbot):
    session, measures, _, suggestion = made
    desk = Desk()
    shown = Timeline(desk)
    qtbot.addWidget(shown)
    shown.resize(960, 640)
    desk.show_session(
        edits.replace_lane(session, Lane.from_pairs(PAIRS)), measures=measures, pyramids=None, suggestion=suggestion
    )
    shown.show()
    qtbot.waitExposed(shown)
    desk.set_view(9 * RATE_HZ, 15 * RATE_HZ)
    yield shown.canvas
    desk.close()


def hold(canvas, *way):
    QTest.mousePress(canvas, LEFT, pos=way[0])
    for place in way[1:]:
        QTest.mouseMove(canvas, place)


def edge(canvas, y, beyond=0):
    return QPoint(round(canvas.time.right_px) + beyond, y)


def scrolled_to_start_of(canvas, seconds):
    return lambda: canvas.desk.view.start_n >= seconds * RATE_HZ


def test_a_breakpoint_held_at_the_edge_goes_on_with_the_view(canvas, qtbot):
    at = canvas.point_px(1).toPoint()
    hold(canvas, at, at + QPoint(20, 0), edge(canvas, at.y(), 10))
    qtbot.waitUntil(scrolled_to_start_of(canvas, 11))
    QTest.mouseRelease(canvas, LEFT, pos=edge(canvas, at.y(), 10))
    desk = canvas.desk
    assert desk.view.length_n == 6 * RATE_HZ
    frame_n = desk.session.lane.points[1].frame_n
    # It lies under the pointer, or against its neighbour, and all of it is one step.
    assert min(desk.view.end_n, 18 * RATE_HZ - 1) <= frame_n + 0.2 * RATE_HZ
    assert [step.label for step in desk.history.steps] == ["Move 1 breakpoint"]
    rested_n = desk.view.start_n
    qtbot.wait(120)
    assert desk.view.start_n == rested_n
    desk.undo()
    assert [(point.frame_n, point.gain_db) for point in desk.session.lane.points] == PAIRS


def test_it_stops_when_the_pointer_comes_back_and_at_the_end_of_the_song(canvas, qtbot):
    at = canvas.point_px(1).toPoint()
    hold(canvas, at, at + QPoint(20, 0), edge(canvas, at.y()))
    qtbot.waitUntil(scrolled_to_start_of(canvas, 9.5))
    QTest.mouseMove(canvas, at)
    rested_n = canvas.desk.view.start_n
    qtbot.wait(120)
    assert canvas.desk.view.start_n == rested_n
    QTest.mouseMove(canvas, edge(canvas, at.y(), 60))
    qtbot.waitUntil(lambda: canvas.desk.view.end_n == canvas.desk.frames_n)
    qtbot.waitUntil(lambda: not canvas._edge.active)
    QTest.mouseRelease(canvas, LEFT, pos=edge(canvas, at.y(), 60))


def test_a_gain_is_changed_near_the_edge_without_scrolling(canvas, qtbot):
    desk = canvas.desk
    desk.set_view(8 * RATE_HZ, round(14.05 * RATE_HZ))
    at = canvas.point_px(1).toPoint()
    assert canvas.time.right_px - at.x() < 12
    view = desk.view
    hold(canvas, at, at - QPoint(0, 10), at - QPoint(0, 25))
    qtbot.wait(120)
    QTest.mouseRelease(canvas, LEFT, pos=at - QPoint(0, 25))
    assert desk.view == view
    assert desk.session.lane.points[1].gain_db > 2.0


def test_escape_ends_the_scrolling_and_takes_the_drag_back(canvas, qtbot):
    at = canvas.point_px(1).toPoint()
    hold(canvas, at, at + QPoint(20, 0), edge(canvas, at.y(), 10))
    qtbot.waitUntil(scrolled_to_start_of(canvas, 9.5))
    canvas.escape()
    rested_n = canvas.desk.view.start_n
    qtbot.wait(120)
    assert canvas.desk.view.start_n == rested_n
    assert [(point.frame_n, point.gain_db) for point in canvas.desk.session.lane.points] == PAIRS
    QTest.mouseRelease(canvas, LEFT, pos=edge(canvas, at.y(), 10))


def test_a_border_and_the_playhead_go_on_too(canvas, qtbot):
    desk = canvas.desk
    phrase = next(each for each in desk.session.segments.phrases if each.end_n > 10 * RATE_HZ)
    desk.set_view(phrase.end_n - 4 * RATE_HZ, phrase.end_n + 2 * RATE_HZ)
    begin_n = desk.view.start_n
    word = desk.session.segments.words_of(phrase)[-1]
    at = QPoint(round(canvas.time.x_px(word.start_n)), canvas.strips["words"].bottom_px - 3)
    left = QPoint(round(canvas.time.left_px) - 20, at.y())
    hold(canvas, at, at - QPoint(12, 0), left)
    qtbot.waitUntil(lambda: desk.view.start_n < begin_n - RATE_HZ // 2)
    QTest.mouseRelease(canvas, LEFT, pos=left)
    assert len(desk.history.steps) == 1

    desk.set_view(9 * RATE_HZ, 15 * RATE_HZ)
    ruler = canvas.strips["ruler"].top_px + 4
    hold(canvas, QPoint(400, ruler), QPoint(500, ruler), edge(canvas, ruler, 20))
    qtbot.waitUntil(lambda: desk.playhead_n > 16 * RATE_HZ)
    QTest.mouseRelease(canvas, LEFT, pos=edge(canvas, ruler, 20))
