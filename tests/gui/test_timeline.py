"""The timeline under real mouse and keys."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QColor, QWheelEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from ridebook.gui.desk import Desk
from ridebook.gui.theme import themes
from ridebook.gui.timeline import Timeline
from ridebook.gui.timeline_paint import PAINTERS, tones
from ridebook.ride.lane import Lane
from ridebook.segment.spans import Kind
from ridebook.session import edits
from tests.gui.timeline_song import RATE_HZ, song

CTRL, SHIFT, ALT = (
    Qt.KeyboardModifier.ControlModifier,
    Qt.KeyboardModifier.ShiftModifier,
    Qt.KeyboardModifier.AltModifier,
)
NONE = Qt.KeyboardModifier.NoModifier
PAIRS = [(2 * RATE_HZ, 0.0), (4 * RATE_HZ, 2.0), (6 * RATE_HZ, 2.0), (8 * RATE_HZ, -1.0), (20 * RATE_HZ, 1.0)]


@pytest.fixture(scope="module")
def made():
    return song(40.0)


@pytest.fixture
def timeline(made, qtbot):
    session, measures, pyramids, suggestion = made
    desk = Desk()
    shown = Timeline(desk)
    qtbot.addWidget(shown)
    shown.resize(960, 640)
    desk.show_session(
        edits.replace_lane(session, Lane.from_pairs(PAIRS)),
        measures=measures,
        pyramids=pyramids,
        suggestion=suggestion,
    )
    shown.show()
    shown.activateWindow()
    shown.canvas.setFocus()
    QTest.qWaitForWindowActive(shown, 60_000)
    desk.set_view(0, 12 * RATE_HZ)
    QApplication.processEvents()
    yield shown
    desk.close()


def pairs(timeline):
    return [(point.frame_n, round(point.gain_db, 6)) for point in timeline.desk.session.lane.points]


def labels(timeline):
    return [step.label for step in timeline.desk.history.steps]


def point(timeline, index):
    return timeline.canvas.point_px(index).toPoint()


def place(timeline, strip, seconds, down=0.5):
    canvas = timeline.canvas
    found = canvas.strips[strip]
    return QPoint(round(canvas.time.x_px(seconds * RATE_HZ)), round(found.top_px + found.height_px * down))


def drag(timeline, *way, modifiers=NONE, button=Qt.MouseButton.LeftButton, release=True):
    canvas = timeline.canvas
    QTest.mousePress(canvas, button, modifiers, way[0])
    for at in way[1:]:
        QTest.mouseMove(canvas, at)
    if release:
        QTest.mouseRelease(canvas, button, modifiers, way[-1])
    QApplication.processEvents()


def press(timeline, key, modifiers=NONE):
    QTest.keyClick(timeline.canvas, key, modifiers)
    QApplication.processEvents()


def settled(timeline, qtbot):
    """Wait for the view's glide to end."""
    qtbot.waitUntil(lambda: not timeline.canvas.gliding)
    return timeline.desk.view


def wheel(timeline, at, angle=0, pixels=(0, 0), modifiers=NONE):
    canvas = timeline.canvas
    event = QWheelEvent(
        QPointF(at),
        QPointF(canvas.mapToGlobal(at)),
        QPoint(*pixels),
        QPoint(0, angle),
        Qt.MouseButton.NoButton,
        modifiers,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    QApplication.sendEvent(canvas, event)


# --- the lane by mouse -----------------------------------------------------------------------------


def test_drag_a_breakpoint_and_undo(timeline):
    from_ = point(timeline, 1)
    per_db = 1 / timeline.canvas.lane_scale().per_px
    drag(timeline, from_, from_ - QPoint(0, round(per_db)), from_ - QPoint(0, round(1.5 * per_db)))
    assert pairs(timeline)[1] == (4 * RATE_HZ, 3.5)
    assert timeline.desk.selection.points == {1}
    assert labels(timeline) == ["Move 1 breakpoint"]
    timeline.desk.undo()
    assert pairs(timeline) == PAIRS


def test_a_breakpoint_is_hit_within_24_pixels(timeline):
    for off in (QPoint(11, 0), QPoint(-11, 11), QPoint(0, -11)):
        timeline.desk.select_points(frozenset())
        at = point(timeline, 1) + off
        drag(timeline, at, at)
        assert timeline.desk.selection.points == {1}
    at = point(timeline, 1) + QPoint(0, 16)
    drag(timeline, at, at)
    assert timeline.desk.selection.points == set()


def test_escape_takes_a_drag_back(timeline):
    from_ = point(timeline, 1)
    drag(timeline, from_, from_ + QPoint(0, 20), from_ + QPoint(0, 40), release=False)
    assert pairs(timeline) != PAIRS
    press(timeline, Qt.Key.Key_Escape)
    assert pairs(timeline) == PAIRS
    QTest.mouseRelease(timeline.canvas, Qt.MouseButton.LeftButton, NONE, from_ + QPoint(0, 40))
    assert pairs(timeline) == PAIRS
    assert labels(timeline) == []


def test_double_click_adds_and_takes_away(timeline):
    scale = timeline.canvas.lane_scale()
    at = place(timeline, "lane", 10.5)
    at.setY(round(scale.y_px(-2.9)))
    QTest.mouseDClick(timeline.canvas, Qt.MouseButton.LeftButton, NONE, at)
    assert len(pairs(timeline)) == len(PAIRS) + 1
    frame_n, gain_db = pairs(timeline)[4]
    assert gain_db == -3.0
    assert abs(frame_n - 10.5 * RATE_HZ) < 0.12 * RATE_HZ
    QTest.mouseDClick(timeline.canvas, Qt.MouseButton.LeftButton, NONE, point(timeline, 4))
    assert pairs(timeline) == PAIRS
    assert labels(timeline) == ["Add a breakpoint", "Delete 1 breakpoint"]


def test_rubber_band_and_control_click(timeline):
    strip = timeline.canvas.strips["lane"]
    start = QPoint(round(timeline.canvas.time.x_px(3.5 * RATE_HZ)), strip.top_px + 4)
    drag(timeline, start, start + QPoint(60, 60), place(timeline, "lane", 6.5, 0.5))
    assert timeline.desk.selection.points == {1, 2}
    QTest.mouseClick(timeline.canvas, Qt.MouseButton.LeftButton, CTRL, point(timeline, 3))
    assert timeline.desk.selection.points == {1, 2, 3}
    QTest.mouseClick(timeline.canvas, Qt.MouseButton.LeftButton, CTRL, point(timeline, 1))
    assert timeline.desk.selection.points == {2, 3}


def test_a_group_moves_together_and_is_scaled_by_its_grip(timeline):
    timeline.desk.select_points(frozenset({1, 2}))
    per_db = 1 / timeline.canvas.lane_scale().per_px
    from_ = point(timeline, 2)
    drag(timeline, from_, from_ - QPoint(0, 10), from_ - QPoint(0, round(per_db)))
    assert [gain for _, gain in pairs(timeline)] == [0.0, 3.0, 3.0, -1.0, 1.0]
    grip = timeline.canvas.handle_rect().center().toPoint()
    drag(timeline, grip, grip - QPoint(0, 10), grip - QPoint(0, round(per_db)))
    assert [gain for _, gain in pairs(timeline)] == [0.0, 4.0, 4.0, -1.0, 1.0]
    assert labels(timeline) == ["Move 2 breakpoints", "Scale 2 breakpoints"]


def test_freehand_and_line(timeline):
    press(timeline, Qt.Key.Key_D)
    assert timeline.canvas.tool == "freehand"
    way = [place(timeline, "lane", 9.0 + k * 0.05, 0.5 - 0.3 * np.sin(k / 20 * np.pi)) for k in range(21)]
    drag(timeline, *way)
    assert labels(timeline) == ["Draw freehand"]
    scale = timeline.canvas.lane_scale()
    top_db = timeline.desk.session.lane.gain_db_at([9.5 * RATE_HZ])[0]
    assert top_db == pytest.approx(scale.value(way[10].y()), abs=0.4)
    assert len(pairs(timeline)) < len(PAIRS) + 10
    press(timeline, Qt.Key.Key_L)
    drag(
        timeline,
        place(timeline, "lane", 10.6, 0.4),
        place(timeline, "lane", 11.0, 0.4),
        place(timeline, "lane", 11.6, 0.4),
    )
    assert labels(timeline) == ["Draw freehand", "Draw a line"]
    press(timeline, Qt.Key.Key_Escape)
    assert timeline.canvas.tool == "points"
    assert timeline.commands["points"].isChecked()


# --- the lane by keys ------------------------------------------------------------------------------


def test_breakpoints_by_keys_alone(timeline):
    press(timeline, Qt.Key.Key_Right, CTRL)
    assert timeline.desk.selection.points == {0}
    press(timeline, Qt.Key.Key_Right, CTRL)
    press(timeline, Qt.Key.Key_Up)
    press(timeline, Qt.Key.Key_Up, SHIFT)
    press(timeline, Qt.Key.Key_Right)
    press(timeline, Qt.Key.Key_Left, SHIFT)
    assert pairs(timeline)[1] == (4 * RATE_HZ + 480 - 48, 2.6)
    assert labels(timeline) == ["Nudge 1 breakpoint"]
    press(timeline, Qt.Key.Key_Right, CTRL | SHIFT)
    assert timeline.desk.selection.points == {1, 2}
    press(timeline, Qt.Key.Key_Up, CTRL)
    assert pairs(timeline)[2][1] == pytest.approx(2.2)
    press(timeline, Qt.Key.Key_Delete)
    assert len(pairs(timeline)) == 3
    timeline.desk.set_playhead(5 * RATE_HZ)
    press(timeline, Qt.Key.Key_B)
    assert pairs(timeline)[1][0] == 5 * RATE_HZ
    assert "breakpoint 2 of 4, 0:05.000" in timeline.canvas.accessibleDescription()


def test_straighten_and_carry_by_keys(timeline):
    press(timeline, Qt.Key.Key_A, CTRL)
    assert timeline.desk.selection.points == {0, 1, 2, 3, 4}
    press(timeline, Qt.Key.Key_S)
    assert pairs(timeline) == [PAIRS[0], PAIRS[-1]]
    timeline.desk.undo()
    first, *_, last = timeline.desk.session.segments.phrases
    assert not timeline.commands["paste"].isEnabled()
    timeline.desk.select((first.id,))
    press(timeline, Qt.Key.Key_C, CTRL)
    timeline.desk.select((last.id,))
    press(timeline, Qt.Key.Key_V, CTRL)
    assert labels(timeline)[-1].startswith("Carry rides to")


def test_borders_by_keys(timeline):
    word = timeline.desk.session.segments.words[3]
    timeline.desk.select((word.id,), kind=Kind.WORD)
    press(timeline, Qt.Key.Key_Left, ALT | SHIFT)
    assert timeline.desk.session.segments.words[3].end_n == word.end_n - 480
    press(timeline, Qt.Key.Key_Right, ALT)
    assert timeline.desk.session.segments.words[3].start_n == word.start_n + 480
    assert labels(timeline) == ["Move a word's border", "Move a word's border"]


def test_every_action_has_a_key_or_is_in_a_menu_and_says_what_it_does(timeline):
    for name, action in timeline.commands.items():
        assert action.toolTip(), name
        assert action.shortcuts() or name.startswith("window_"), name
    keys = [key.toString() for action in timeline.commands.values() for key in action.shortcuts()]
    assert len(keys) == len(set(keys))


# --- words and selection ---------------------------------------------------------------------------


def test_drag_a_word_border(timeline):
    words = timeline.desk.session.segments.words
    canvas = timeline.canvas
    at = QPoint(round(canvas.time.x_px(words[1].end_n)), canvas.strips["words"].bottom_px - 3)
    drag(timeline, at, at + QPoint(4, 0), at + QPoint(9, 0))
    moved = timeline.desk.session.segments.words
    assert moved[1].end_n == pytest.approx(
        words[1].end_n + 9 * canvas.time.frames_per_px, abs=canvas.time.frames_per_px
    )
    assert moved[2].start_n == moved[1].end_n
    assert pairs(timeline) == PAIRS
    assert labels(timeline) == ["Move a word's border"]


def test_click_selects_words_phrases_sections(timeline):
    segments = timeline.desk.session.segments
    word, phrase = segments.words[2], segments.phrases[1]
    QTest.mouseClick(
        timeline.canvas, Qt.MouseButton.LeftButton, NONE, place(timeline, "words", word.middle_n / RATE_HZ, 0.75)
    )
    assert timeline.desk.selection.span_ids == (word.id,)
    QTest.mouseClick(
        timeline.canvas, Qt.MouseButton.LeftButton, NONE, place(timeline, "vocal", phrase.middle_n / RATE_HZ)
    )
    assert timeline.desk.selection.span_ids == (phrase.id,)
    assert timeline.desk.playhead_n == pytest.approx(phrase.middle_n, abs=timeline.canvas.time.frames_per_px)
    QTest.mouseClick(
        timeline.canvas, Qt.MouseButton.LeftButton, NONE, place(timeline, "words", phrase.middle_n / RATE_HZ, 0.1)
    )
    assert timeline.desk.selection.kind is Kind.SECTION


def test_drag_over_the_wave_selects_phrases(timeline):
    first, second, *_ = timeline.desk.session.segments.phrases
    drag(
        timeline,
        place(timeline, "vocal", first.middle_n / RATE_HZ),
        place(timeline, "vocal", first.end_n / RATE_HZ),
        place(timeline, "vocal", second.middle_n / RATE_HZ),
    )
    assert timeline.desk.selection.span_ids == (first.id, second.id)


# --- view ------------------------------------------------------------------------------------------


def test_wheel_scrolls_and_zooms_around_the_pointer(timeline, qtbot):
    at = place(timeline, "bed", 6.0)
    wheel(timeline, at, angle=-120)
    view = settled(timeline, qtbot)
    assert view.start_n == pytest.approx(1.2 * RATE_HZ, abs=2)
    under = timeline.canvas.time.frame_n(at.x())
    wheel(timeline, at, angle=120, modifiers=CTRL)
    after = settled(timeline, qtbot)
    assert after.length_n == pytest.approx(view.length_n / 1.25, abs=2)
    assert timeline.canvas.time.frame_n(at.x()) == pytest.approx(under, abs=2)
    wheel(timeline, at, pixels=(-50, 0))
    assert timeline.desk.view.start_n == pytest.approx(after.start_n + 50 * timeline.canvas.time.frames_per_px, abs=2)


def test_overview_scrolls_and_its_edges_zoom(timeline):
    canvas = timeline.canvas
    window = canvas.overview_window()
    y = round(window.center().y())
    inside = QPoint(round(window.center().x()), y)
    drag(timeline, inside, inside + QPoint(100, 0), inside + QPoint(200, 0))
    view = timeline.desk.view
    assert view.length_n == 12 * RATE_HZ
    assert view.start_n == pytest.approx(200 * canvas.whole.frames_per_px, abs=canvas.whole.frames_per_px)
    right = QPoint(round(canvas.overview_window().right()), y)
    drag(timeline, right, right + QPoint(20, 0), right + QPoint(60, 0))
    assert timeline.desk.view.start_n == view.start_n
    assert timeline.desk.view.end_n == pytest.approx(
        view.end_n + 60 * canvas.whole.frames_per_px, abs=canvas.whole.frames_per_px
    )
    QTest.mouseClick(canvas, Qt.MouseButton.LeftButton, NONE, QPoint(round(canvas.whole.x_px(5 * RATE_HZ)), y))
    assert timeline.desk.view.start_n < 5 * RATE_HZ < timeline.desk.view.end_n


def test_middle_button_pans(timeline):
    at = place(timeline, "loudness", 8.0)
    drag(timeline, at, at - QPoint(50, 0), at - QPoint(100, 0), button=Qt.MouseButton.MiddleButton)
    assert timeline.desk.view.start_n == pytest.approx(100 * timeline.canvas.time.frames_per_px, abs=600)


def test_zoom_to_song_phrase_and_selection_by_keys(timeline, qtbot):
    phrase, *_ = timeline.desk.session.segments.phrases
    press(timeline, Qt.Key.Key_3)
    assert (timeline.desk.view.start_n, timeline.desk.view.end_n) == (0, timeline.desk.frames_n)
    timeline.desk.set_playhead(phrase.middle_n)
    press(timeline, Qt.Key.Key_2)
    view = timeline.desk.view
    assert view.start_n <= phrase.start_n < phrase.end_n <= view.end_n
    assert view.length_n < 2 * phrase.length_n
    timeline.desk.select(tuple(p.id for p in timeline.desk.session.segments.phrases[1:3]))
    press(timeline, Qt.Key.Key_1)
    view = timeline.desk.view
    assert view.start_n <= timeline.desk.session.segments.phrases[1].start_n
    length_n = view.length_n
    press(timeline, Qt.Key.Key_Plus)
    assert settled(timeline, qtbot).length_n < length_n
    press(timeline, Qt.Key.Key_Home)
    assert settled(timeline, qtbot).start_n == 0
    press(timeline, Qt.Key.Key_PageDown)
    assert settled(timeline, qtbot).start_n > 0


def test_keys_scroll_when_no_breakpoint_is_selected(timeline, qtbot):
    press(timeline, Qt.Key.Key_Right)
    assert settled(timeline, qtbot).start_n == pytest.approx(1.2 * RATE_HZ, abs=2)
    press(timeline, Qt.Key.Key_Left)
    assert settled(timeline, qtbot).start_n == 0


def test_ruler_sets_the_playhead(timeline):
    drag(timeline, place(timeline, "ruler", 3.0), place(timeline, "ruler", 5.0))
    assert timeline.desk.playhead_n == pytest.approx(5 * RATE_HZ, abs=timeline.canvas.time.frames_per_px)


# --- read-out and picture --------------------------------------------------------------------------


def test_read_out_under_the_pointer(timeline):
    canvas = timeline.canvas
    phrase = timeline.desk.session.segments.phrases[0]
    at = place(timeline, "balance", phrase.middle_n / RATE_HZ)
    QTest.mouseMove(canvas, at)
    frame_n = canvas.time.frame_n(at.x())
    read = timeline.read_out.read_out
    assert read.gain_db == pytest.approx(timeline.desk.session.lane.gain_db_at([frame_n])[0])
    assert read.balance_lu == pytest.approx(read.vocal_lufs - read.bed_lufs)
    assert read.word in phrase.label.split()
    assert "LUFS" in read.sentence()
    before = read.vocal_lufs
    press(timeline, Qt.Key.Key_W)
    assert canvas.window_length.name == "SHORT_TERM"
    assert timeline.read_out.read_out.vocal_lufs != before


def contrast(one, other):
    """Contrast ratio of WCAG 2.2, success criterion 1.4.3."""

    def luminance(colour):
        parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour.getRgbF()[:3]]
        return float(np.dot(parts, (0.2126, 0.7152, 0.0722)))

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("name", ["paper", "lamp"])
def test_waves_and_borders_stand_out(qapp, name):
    """Graphics at 3:1, WCAG 2.2 success criterion 1.4.11; the themes' own colours are tested with the themes."""
    themes().choose(name)
    theme = themes().current
    for tone, colour in tones(theme).items():
        surface = theme.colour("card" if tone in ("overview", "aim") else "page")
        assert contrast(colour, surface) >= 3.0, tone


def test_the_page_turns_when_the_playhead_runs_out(timeline):
    for k in range(230, 250):
        timeline.desk.set_playhead(k * RATE_HZ // 20)
    view = timeline.desk.view
    assert view.start_n <= timeline.desk.playhead_n < view.start_n + view.length_n // 3
    timeline.desk.set_view(0, 12 * RATE_HZ)
    timeline.desk.set_playhead(30 * RATE_HZ)
    assert timeline.desk.view.start_n == 0


def test_dashes_stay_where_they_are_while_the_view_moves(timeline):
    canvas = timeline.canvas
    timeline.desk.edit("flat", lambda session: edits.replace_lane(session, Lane()))
    timeline.desk.set_playhead(0)
    step_n = canvas.time.frames_per_px * 40
    timeline.desk.set_view(4 * step_n, 4 * step_n + 12 * RATE_HZ)
    strip, left = canvas.strips["lane"], int(canvas.time.left_px)
    before = canvas.grab().toImage().copy(left + 140, strip.top_px, 500, strip.height_px)
    timeline.desk.set_view(5 * step_n, 5 * step_n + 12 * RATE_HZ)
    after = canvas.grab().toImage().copy(left + 100, strip.top_px, 500, strip.height_px)
    differ = sum(
        before.pixel(x, y) != after.pixel(x, y) for x in range(0, 500, 3) for y in range(0, strip.height_px, 2)
    )
    assert differ < 0.01 * 500 * strip.height_px / 6


def colours_in(timeline, strip, seconds):
    """Colours in a column of a strip."""
    image = timeline.canvas.grab().toImage()
    found = timeline.canvas.strips[strip]
    x = round(timeline.canvas.time.x_px(seconds * RATE_HZ))
    return [
        image.pixelColor(x + dx, y) for dx in (-3, -2, -1, 0, 1, 2, 3) for y in range(found.top_px, found.bottom_px)
    ]


def near(colours, role, tolerance=60):
    wanted = QColor(getattr(themes().current.colours, role))
    return sum(
        abs(c.red() - wanted.red()) + abs(c.green() - wanted.green()) + abs(c.blue() - wanted.blue()) < tolerance
        for c in colours
    )


@pytest.mark.parametrize("theme", ["paper", "lamp"])
def test_the_vocal_under_the_bed_is_hatched(timeline, theme):
    themes().choose(theme)
    phrase = timeline.desk.session.segments.phrases[1]
    middle_s = phrase.middle_n / RATE_HZ
    timeline.desk.set_playhead(0)
    timeline.desk.edit("up", lambda session: edits.set_trim(session, 12.0))
    assert near(colours_in(timeline, "loudness", middle_s), "lost") == 0
    timeline.desk.edit("down", lambda session: edits.set_trim(session, -12.0))
    assert near(colours_in(timeline, "loudness", middle_s), "lost") > 5
    assert near(colours_in(timeline, "balance", middle_s), "lost") > 5


def test_a_ride_changes_the_wave_and_undo_brings_it_back(timeline):
    before = timeline.canvas.grab().toImage()
    timeline.desk.select_points(frozenset({1, 2}))
    press(timeline, Qt.Key.Key_Down)
    press(timeline, Qt.Key.Key_Up)
    timeline.desk.select_points(frozenset())
    assert timeline.canvas.grab().toImage() == before
    strip = timeline.canvas.strips["vocal"]
    wave = before.copy(0, strip.top_px, before.width(), strip.height_px)
    timeline.desk.edit("nudge", lambda session: edits.move_breakpoints(session, [1, 2], by_db=4.0))
    after = timeline.canvas.grab().toImage()
    assert after.copy(0, strip.top_px, before.width(), strip.height_px) != wave
    timeline.desk.undo()
    assert timeline.canvas.grab().toImage() == before


def test_what_is_kept_is_what_a_fresh_timeline_paints(timeline, qtbot):
    """The strips that were left alone through many edits look as if they had been painted now."""
    desk = timeline.desk
    for k in range(6):
        desk.set_view(k * RATE_HZ, (k + 14) * RATE_HZ)
        desk.edit(f"e{k}", lambda session, k=k: edits.move_breakpoints(session, [1, 2], by_db=(-1) ** k * 3.0))
        timeline.canvas.repaint()
    desk.edit("lock", lambda session: edits.lock(session, [session.segments.phrases[1].id]))
    desk.edit("strike", lambda session: edits.strike(session, [session.segments.phrases[2].id], desk.suggestion))
    kept = timeline.canvas.grab().toImage()
    timeline.canvas._picture = None
    assert timeline.canvas.grab().toImage() == kept


@pytest.mark.parametrize("view_s", [0.3, 3.0, 17.3, 41.0])
def test_a_view_that_moves_is_what_a_fresh_timeline_paints(timeline, view_s):
    """What is moved along with the view, and painted at its seam, looks as if all had been painted now."""
    desk, canvas = timeline.desk, timeline.canvas
    for moved in (2.0, -1.1, 0.011, 0.3, -0.17, 0.9, -0.004, 0.05, -0.6, 0.1):
        start_n = desk.view.start_n + moved * view_s * RATE_HZ
        desk.set_view(start_n, start_n + view_s * RATE_HZ)
        canvas.repaint()
        desk.edit("nudge", lambda session: edits.move_breakpoints(session, [2], by_db=0.5))
        canvas.repaint()
    kept = canvas.grab().toImage()
    canvas._picture = None
    assert canvas.grab().toImage() == kept


def test_a_small_step_of_the_view_is_not_painted_anew(timeline, monkeypatch):
    seen = []
    paint = dict(PAINTERS)
    for name in paint:
        monkeypatch.setitem(
            PAINTERS,
            name,
            lambda painter, scene, name=name: (seen.append((name, scene.part)), paint[name](painter, scene)),
        )
    timeline.desk.set_view(5 * RATE_HZ, 25 * RATE_HZ)
    timeline.canvas.repaint()
    seen.clear()
    timeline.desk.set_view(5.2 * RATE_HZ, 25.2 * RATE_HZ)
    timeline.canvas.repaint()
    parts = dict(seen)
    assert "overview" not in parts
    for name in ("vocal", "bed", "loudness"):
        left_px, right_px = parts[name]
        assert right_px - left_px < 0.06 * timeline.canvas.width()


def test_nothing_opened_and_nothing_measured_yet(qtbot, made):
    session, *_ = made
    desk = Desk()
    shown = Timeline(desk)
    qtbot.addWidget(shown)
    shown.resize(700, 480)
    shown.show()
    QTest.mouseClick(shown.canvas, Qt.MouseButton.LeftButton, NONE, QPoint(300, 200))
    QTest.keyClick(shown.canvas, Qt.Key.Key_Delete)
    desk.show_session(session)
    assert shown.grab().toImage().pixelColor(300, 200).isValid()
    QTest.mouseMove(shown.canvas, QPoint(310, 210))
    assert shown.read_out.read_out.vocal_lufs is None
    desk.close()


@pytest.mark.parametrize("size", [1.0, 1.5, 2.0])
def test_larger_text_still_fits(timeline, size):
    themes().choose(text_size=size)
    timeline.resize(1400, 1300)
    timeline.canvas.repaint()
    made = list(timeline.canvas.strips.values())
    assert made[-1].bottom_px <= timeline.canvas.height()
    assert timeline.canvas.minimumHeight() >= 380 * size
