from __future__ import annotations

import itertools
from collections import Counter

import pytest
from PySide6.QtCore import QEvent, QObject, QPoint, Qt
from PySide6.QtGui import QColor, QRegion

from ridebook.gui.desk import Desk
from ridebook.gui.sheet import Sheet
from ridebook.gui.sheet_rows import Filter, columns, counts_of, passes
from ridebook.gui.theme import themes
from ridebook.segment.spans import Kind
from ridebook.session import edits
from tests.gui.hands import rest
from tests.gui.songs import mid_pass, song

WIDE, HIGH = 500, 900


@pytest.fixture
def desk(qtbot):
    made = Desk()
    yield made
    made.close()


@pytest.fixture
def sheet(desk, qtbot):
    made = Sheet(desk)
    qtbot.addWidget(made)
    made.resize(WIDE, HIGH)
    made.show()
    qtbot.waitExposed(made)
    return made


def put(desk, made):
    session, measures, suggestion = made
    desk.show_session(session, measures=measures, suggestion=suggestion)


def row(sheet, span_id):
    return sheet.view._rows_by_id[span_id]


def point(sheet, x, y):
    return QPoint(round(x), round(y - sheet.view.verticalScrollBar().value()))


def click(sheet, qtbot, span_id, modifier=Qt.KeyboardModifier.NoModifier):
    at = row(sheet, span_id)
    place = point(sheet, 24, at.top + themes().current.row_px / 2)
    qtbot.mouseClick(sheet.view.viewport(), Qt.MouseButton.LeftButton, modifier, place)


def test_rows_are_sections_and_phrases_in_order_of_time(sheet, desk):
    put(desk, song())
    rows = sheet.view._rows
    assert [r.span.label for r in rows if r.is_section] == ["Verse 1", "Chorus 1", "Verse 2", "Chorus 2"]
    assert sheet.view.shown_phrases() == [f"p{i}" for i in range(13)]
    tops = [r.top for r in rows]
    assert tops == sorted(tops)
    assert all(r.top + r.height <= after.top + 1e-9 for r, after in itertools.pairwise(rows))


def test_words_stay_inside_their_column_and_do_not_overlap(sheet, desk):
    for made in (song(), song(labelled=False)):
        put(desk, made)
        where = columns(themes().current, sheet.view.viewport().width())
        for each in sheet.view._rows:
            for box in each.words:
                assert where.words <= box.rect.left()
                assert box.rect.right() <= where.words_end + 1
                assert each.top <= box.rect.top()
                assert box.rect.bottom() <= each.top + each.height
            for one, other in zip(each.words, each.words[1:]):
                assert not one.rect.intersects(other.rect)


def test_line_without_lyric_shows_numbers(sheet, desk):
    put(desk, song(labelled=False))
    assert [box.text for box in row(sheet, "p0").words] == ["1", "2", "3", "4", "5"]
    assert all(box.numbered for box in row(sheet, "p0").words)


def test_long_line_wraps_and_its_row_grows(sheet, desk):
    put(desk, song())
    assert row(sheet, "p9").height > row(sheet, "p7").height


def test_note_makes_its_row_higher(sheet, desk):
    put(desk, song())
    before = row(sheet, "p2").height
    desk.edit("Note", lambda session: edits.set_note(session, "softer", "p2"))
    assert row(sheet, "p2").height > before


def test_filters_and_counts(sheet, desk, qtbot):
    put(desk, mid_pass())
    shown = {}
    for wanted in Filter:
        sheet.show_filter(wanted)
        shown[wanted] = sheet.view.shown_phrases()
    assert shown[Filter.ALL] == [f"p{i}" for i in range(13)]
    assert shown[Filter.OPEN] == ["p0", "p4", "p5", "p7", "p8", "p9", "p10", "p11", "p12"]
    assert shown[Filter.CHANGED] == ["p2"]
    assert shown[Filter.LOCKED] == ["p1"]
    assert shown[Filter.NOTED] == ["p3"]
    assert shown[Filter.DOUBTFUL] == ["p7", "p10"]
    # p8 has a lost word too, but is meant to be quiet.
    assert shown[Filter.LOST] == ["p0", "p1", "p5", "p9", "p11"]
    texts = {button.property("wanted"): button.text() for button in sheet._filters.buttons()}
    assert texts["open"] == "open 9"
    assert "<b>9</b> of 13 phrases still open" in sheet._count.text()


def test_open_filter_follows_decisions(sheet, desk):
    put(desk, song())
    sheet.show_filter(Filter.OPEN)
    desk.edit("Ink", lambda session: edits.ink(session, desk.suggestion, ["p3"]))
    assert "p3" not in sheet.view.shown_phrases()


def test_click_selects_and_a_second_click_selects_the_word(sheet, desk, qtbot):
    put(desk, song())
    click(sheet, qtbot, "p1")
    assert desk.selection.span_ids == ("p1",)
    box = row(sheet, "p1").words[2]
    place = point(sheet, box.rect.center().x(), box.rect.center().y())
    qtbot.mouseClick(sheet.view.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert desk.selection.kind is Kind.WORD
    assert desk.selection.current_id == "w1.2"


def test_click_with_control_and_shift(sheet, desk, qtbot):
    put(desk, song())
    click(sheet, qtbot, "p1")
    click(sheet, qtbot, "p3", Qt.KeyboardModifier.ControlModifier)
    assert desk.selection.span_ids == ("p1", "p3")
    click(sheet, qtbot, "p3", Qt.KeyboardModifier.ControlModifier)
    assert desk.selection.span_ids == ("p1",)
    click(sheet, qtbot, "p0")
    click(sheet, qtbot, "p4", Qt.KeyboardModifier.ShiftModifier)
    assert desk.selection.span_ids == ("p0", "p1", "p2", "p3", "p4")


def test_keys_move_through_lines_words_and_sections(sheet, desk, qtbot):
    put(desk, song())
    view = sheet.view
    steps = (
        (Qt.Key.Key_Down, "p0"),
        (Qt.Key.Key_Down, "p1"),
        (Qt.Key.Key_Right, "w1.0"),
        (Qt.Key.Key_Right, "w1.1"),
        (Qt.Key.Key_Left, "w1.0"),
        (Qt.Key.Key_Left, "p1"),
        (Qt.Key.Key_Left, "s0"),
        (Qt.Key.Key_Down, "s1"),
        (Qt.Key.Key_Right, "p4"),
        (Qt.Key.Key_End, "p12"),
        (Qt.Key.Key_Home, "p0"),
        (Qt.Key.Key_Up, "p0"),
    )
    for key, wanted in steps:
        qtbot.keyClick(view, key)
        assert desk.selection.current_id == wanted, key
    qtbot.keyClick(view, Qt.Key.Key_Down, Qt.KeyboardModifier.ShiftModifier)
    assert desk.selection.span_ids == ("p0", "p1")
    qtbot.keyClick(view, Qt.Key.Key_Escape)
    assert desk.selection.span_ids == ()


def test_sheet_and_timeline_follow_each_other(sheet, desk, qtbot):
    put(desk, song())
    desk.zoom_to(desk.span("p0"))
    sheet.resize(WIDE, 260)
    qtbot.keyClick(sheet.view, Qt.Key.Key_End)
    last = desk.span("p12")
    assert desk.view.start_n <= last.start_n < last.end_n <= desk.view.end_n
    desk.select(["p0"], current_id="p0")
    first = row(sheet, "p0")
    assert sheet.view.verticalScrollBar().value() <= first.top


def test_aim_of_a_section_is_asked_by_a_click(sheet, desk, qtbot):
    put(desk, song())
    heading = row(sheet, "s1")
    theme = themes().current
    where = columns(theme, sheet.view.viewport().width())
    place = sheet.view._aim_rect(heading, theme, where).center()
    with qtbot.waitSignal(sheet.view.section_aim_asked) as told:
        qtbot.mouseClick(sheet.view.viewport(), Qt.MouseButton.LeftButton, pos=point(sheet, place.x(), place.y()))
    assert told.args == ["s1"]


def colours_at(sheet, rect):
    image = sheet.view.viewport().grab(rect.toAlignedRect()).toImage()
    return Counter(image.pixelColor(x, y).name() for x in range(image.width()) for y in range(image.height()))


def test_lost_word_stands_in_the_bed_until_it_is_ridden(sheet, desk, qtbot):
    put(desk, song())
    lost = QColor(themes().current.colours.lost).name()
    box = row(sheet, "p0").words[2]
    beside = box.rect.adjusted(-8, 0, 0, 0)
    assert colours_at(sheet, beside)[lost] > 4
    assert colours_at(sheet, row(sheet, "p0").words[0].rect.adjusted(-8, 0, 0, 0))[lost] == 0
    desk.edit("Ride", lambda session: edits.nudge(session, ["p0"], 3.5))
    assert colours_at(sheet, beside)[lost] == 0


def test_wash_is_as_high_as_the_word_has_sunk(sheet, desk):
    put(desk, song())

    def height(word):
        box = next(b for b in row(sheet, "p5").words if b.span.id == word)
        image = sheet.view.viewport().grab(box.rect.toAlignedRect()).toImage()
        page = QColor(themes().current.colours.page).name()
        x = image.width() - 1
        return sum(image.pixelColor(x, y).name() != page for y in range(image.height()))

    standing = desk.standing.words
    assert standing["w5.3"].sunk > standing["w5.2"].sunk
    assert height("w5.3") > height("w5.2") > 0


def test_pencil_becomes_ink(sheet, desk):
    put(desk, song())
    theme = themes().current
    where = columns(theme, sheet.view.viewport().width())
    at = row(sheet, "p4")
    from PySide6.QtCore import QRectF

    margin = QRectF(where.glyph, at.top, where.ride_end - where.glyph, theme.row_px)
    ink = QColor(theme.colours.ink).name()
    assert colours_at(sheet, margin)[ink] == 0
    desk.edit("Ink", lambda session: edits.ink(session, desk.suggestion, ["p4"]))
    assert colours_at(sheet, margin)[ink] > 20


def test_what_is_said_of_a_line(sheet, desk):
    put(desk, mid_pass())
    said = sheet.view.described(desk.span("p1"))
    assert said.startswith("Phrase 2, 0:05.0, inked.")
    assert "Locked." in said
    assert "1 word lost." in said
    assert "Note: producer wants this one close" in sheet.view.described(desk.span("p3"))
    assert "It sinks. Lost by its balance" in sheet.view.described(desk.span("w0.2"))
    assert "Aim of the song: +2.0 LU." in sheet.view.described(desk.span("s0"))


def test_only_what_is_seen_is_painted(sheet, desk, monkeypatch):
    put(desk, song())
    sheet.resize(WIDE, 260)
    painted = []
    original = type(sheet.view)._paint_phrase
    monkeypatch.setattr(
        type(sheet.view),
        "_paint_phrase",
        lambda self, painter, r, *rest: (painted.append(r), original(self, painter, r, *rest)),
    )
    sheet.view.viewport().grab()
    assert 0 < len(painted) < 8


@pytest.mark.parametrize("scale", [0.85, 1.5, 2.0])
def test_text_size_lays_out_anew(sheet, desk, scale, qtbot):
    put(desk, song())
    before = row(sheet, "p0").height
    themes().choose(text_size=scale)
    assert row(sheet, "p0").height != before
    themes().choose(text_size=1.0)
    assert row(sheet, "p0").height == before


def test_counts_are_those_of_the_lines_that_the_filters_show(sheet, desk):
    put(desk, mid_pass())
    session = desk.session
    counts = counts_of(session, desk.standing, desk.suggestion_of)
    for wanted in Filter:
        shown = [
            phrase
            for phrase in session.segments.phrases
            if passes(wanted, phrase, session, desk.standing, desk.suggestion_of(phrase.id))
        ]
        assert counts[wanted] == len(shown) > 0


class PaintWatch(QObject):
    """Notes what a widget is asked to paint."""

    def __init__(self, watched):
        super().__init__()
        self.region = QRegion()
        watched.installEventFilter(self)

    def eventFilter(self, _watched, event):
        if event.type() == QEvent.Type.Paint:
            self.region += event.region()
        return False


@pytest.mark.parametrize(
    "edit",
    [
        lambda now, _: edits.nudge(now, ["p5"], 2.0),
        lambda now, _: edits.move_breakpoints(now, [2], by_db=-3.0),
        lambda now, _: edits.lock(now, ["p0"]),
        lambda now, suggestion: edits.strike(now, ["p4"], suggestion),
    ],
    ids=["nudge", "move", "lock", "strike"],
)
def test_an_edit_paints_the_lines_that_look_different_and_leaves_others(sheet, desk, qtbot, edit):
    put(desk, mid_pass())
    view = sheet.view.viewport()
    rest(sheet, qtbot)
    before = view.grab().toImage()
    watch = PaintWatch(view)
    desk.edit("edit", lambda now: edit(now, desk.suggestion))
    qtbot.waitUntil(lambda: not watch.region.isEmpty())
    rest(sheet, qtbot)
    region = QRegion(watch.region)
    after = view.grab().toImage()
    different = {
        y for y in range(after.height()) for x in range(0, after.width(), 2) if after.pixel(x, y) != before.pixel(x, y)
    }
    assert different
    painted = {y for y in range(after.height()) if region.contains(QPoint(WIDE // 2, y))}
    assert different <= painted
    assert len(painted) < after.height() * 0.9


def test_filters_go_on_in_another_line_rather_than_be_cut(sheet, desk, qtbot):
    put(desk, mid_pass())
    themes().choose(text_size=1.5)
    sheet.resize(400, HIGH)
    buttons = [each for each in sheet._filters.buttons() if each.isVisible()]
    qtbot.waitUntil(lambda: len({each.y() for each in buttons}) == 2)
    assert len(buttons) == len(Filter)
    assert all(each.width() >= each.sizeHint().width() for each in buttons)
    for one, other in itertools.combinations(buttons, 2):
        assert not one.geometry().intersects(other.geometry())
    assert max(each.geometry().bottom() for each in buttons) < sheet.view.y()
