"""Segments by hand, through the window: mouse and keys alone."""

from __future__ import annotations

from dataclasses import replace

import pytest
from PySide6.QtCore import QEvent, QPoint, QRect, Qt
from PySide6.QtGui import QContextMenuEvent, QHelpEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QMenu, QToolTip

from ridebook.gui.label_editor import LabelEditor
from ridebook.gui.sheet_rows import Filter
from ridebook.gui.theme import themes
from ridebook.segment.spans import Kind, Origin
from ridebook.session import edits
from ridebook.session.document import State
from tests.gui.hands import press, put, rest, steps
from tests.gui.songs import RATE_HZ, mid_pass, song

CTRL, SHIFT, ALT = (
    Qt.KeyboardModifier.ControlModifier,
    Qt.KeyboardModifier.ShiftModifier,
    Qt.KeyboardModifier.AltModifier,
)
NONE = Qt.KeyboardModifier.NoModifier
LEFT = Qt.MouseButton.LeftButton
MS = RATE_HZ // 1000


def spans(window, kind):
    return {each.id: each for each in getattr(window.desk.session.segments, f"{kind.value}s")}


def words(window, phrase_id):
    segments = window.desk.session.segments
    phrase = next(each for each in segments.phrases if each.id == phrase_id)
    return [word.label for word in segments.words_of(phrase)]


def editor(window):
    found = [each for each in window.findChildren(LabelEditor) if each.isVisible()]
    assert len(found) == 1
    assert window.focusWidget() is found[0]
    return found[0]


def typed(window, text, key=Qt.Key.Key_Return):
    field = editor(window)
    QTest.keyClicks(field, text)
    QTest.keyClick(field, key)
    QApplication.processEvents()


def message(window):
    return window.statusBar().currentMessage()


# --- the sheet ---------------------------------------------------------------------------------------


def on_word(window, span_id):
    view = window.sheet.view
    for row in view._rows:
        for box in row.words:
            if box.span is not None and box.span.id == span_id:
                middle = box.rect.center().toPoint()
                return QPoint(middle.x(), middle.y() - view.verticalScrollBar().value())
    raise AssertionError(span_id)


def beside(window, phrase_id):
    view = window.sheet.view
    row = next(row for row in view._rows if row.span.id == phrase_id)
    return QPoint(24, round(row.top) + 20 - view.verticalScrollBar().value())


def click(window, place, modifiers=NONE):
    QTest.mouseClick(window.sheet.view.viewport(), LEFT, modifiers, place)
    QApplication.processEvents()


def select_word(window, phrase_id, word_id):
    click(window, beside(window, phrase_id))
    click(window, on_word(window, word_id))
    assert window.desk.selection.current_id == word_id


def open_menu(widget, place, reason=QContextMenuEvent.Reason.Mouse):
    QTest.mousePress(widget, Qt.MouseButton.RightButton, NONE, place)
    QApplication.sendEvent(widget, QContextMenuEvent(reason, place, widget.mapToGlobal(place)))
    QTest.mouseRelease(widget, Qt.MouseButton.RightButton, NONE, place)
    QApplication.processEvents()
    menu = QApplication.activePopupWidget()
    assert isinstance(menu, QMenu)
    return menu


def choose(menu, text):
    """Click on a line of a menu, or of one that opens from it."""
    for action in menu.actions():
        if action.text().replace("&", "").split("\t")[0].startswith(text) and action.isEnabled():
            QTest.mouseClick(menu, LEFT, NONE, menu.actionGeometry(action).center())
            QApplication.processEvents()
            return
        if action.menu() is not None and any(text in each.text().replace("&", "") for each in action.menu().actions()):
            QTest.mouseClick(menu, LEFT, NONE, menu.actionGeometry(action).center())
            QTest.keyClick(menu, Qt.Key.Key_Right)
            assert action.menu().isVisible()
            choose(action.menu(), text)
            return
    raise AssertionError(f"{text} is not in {[action.text() for action in menu.actions()]}")


def test_a_word_is_retyped_where_it_stands(window):
    select_word(window, "p0", "w0.3")
    press(window, Qt.Key.Key_F2)
    assert editor(window).text() == "the"
    typed(window, "a")
    assert words(window, "p0") == ["Low", "water", "under", "a", "pier"]
    assert spans(window, Kind.PHRASE)["p0"].label == "Low water under a pier"
    assert spans(window, Kind.WORD)["w0.3"].origin is Origin.HAND
    assert steps(window) == ["Retype “the” as “a”"]
    assert window.focusWidget() is window.sheet.view
    press(window, Qt.Key.Key_Z, CTRL)
    assert words(window, "p0")[3] == "the"
    assert spans(window, Kind.PHRASE)["p0"].label == "Low water under the pier"


def test_double_click_retypes_escape_leaves_and_tab_goes_on(window):
    viewport = window.sheet.view.viewport()
    QTest.mouseDClick(viewport, LEFT, NONE, on_word(window, "w1.1"))
    typed(window, "xyz", Qt.Key.Key_Escape)
    assert steps(window) == []
    QTest.mouseDClick(viewport, LEFT, NONE, on_word(window, "w1.1"))
    typed(window, "all", Qt.Key.Key_Tab)
    typed(window, "the", Qt.Key.Key_Tab)
    assert editor(window).text() == "we"
    # A click elsewhere keeps what is typed; letters and keys of the window stay in the field.
    QTest.keyClicks(editor(window), "nix +")
    click(window, beside(window, "p4"))
    assert words(window, "p1") == ["counting", "all", "the", "nix +", "passed"]
    assert window.desk.selection.current_id == "p4"
    assert window.desk.session.decision("p1").state is State.OPEN
    assert len(steps(window)) == 3


def test_a_line_is_retyped_as_a_whole(window):
    click(window, beside(window, "p2"))
    press(window, Qt.Key.Key_F2)
    assert editor(window).text() == "nobody waits on the far side"
    typed(window, "nobody waits on that far side")
    assert words(window, "p2") == ["nobody", "waits", "on", "that", "far", "side"]
    before = spans(window, Kind.WORD)
    press(window, Qt.Key.Key_F2)
    typed(window, "nobody waits on the far far side")
    assert words(window, "p2") == ["nobody", "waits", "on", "the", "far", "far", "side"]
    assert steps(window) == ["Retype “nobody waits on the far side”", "Retype “nobody waits on that far si…”"]
    found = window.desk.session.segments.words_of(spans(window, Kind.PHRASE)["p2"])
    assert found[3].start_n == before["w2.3"].start_n
    assert found[4].end_n == before["w2.3"].end_n
    assert found[5] == before["w2.4"]
    assert [word.doubtful for word in found] == [False, False, False, False, True, False, False]
    press(window, Qt.Key.Key_F2)
    typed(window, " ")
    assert "needs a word" in message(window)


def test_a_section_gets_another_name(window):
    press(window, Qt.Key.Key_Left)
    assert window.desk.selection.kind is Kind.SECTION
    press(window, Qt.Key.Key_F2)
    typed(window, "Intro")
    assert spans(window, Kind.SECTION)["s0"].label == "Intro"
    assert steps(window) == ["Retype “Verse 1” as “Intro”"]


def test_new_line_and_join_by_keys(window):
    lyric = "\n".join(each.label for each in window.desk.session.segments.phrases)
    window.desk.edit("Lyric", lambda session: edits.set_lyric(session, lyric))
    lane = window.desk.session.lane
    select_word(window, "p4", "w4.3")
    press(window, Qt.Key.Key_Return, CTRL)
    labels = [each.label for each in spans(window, Kind.PHRASE).values()]
    assert labels[4:6] == ["Turn the tide,", "turn the tide"]
    assert "Turn the tide,\nturn the tide\n" in window.desk.session.lyric
    assert steps(window)[-1] == "New line from “turn”"
    click(window, beside(window, "p4"))
    press(window, Qt.Key.Key_J, CTRL)
    assert spans(window, Kind.PHRASE)["p4"].label == "Turn the tide, turn the tide"
    assert len(spans(window, Kind.PHRASE)) == 13
    assert window.desk.session.lyric == lyric
    assert steps(window)[-1] == "Join “Turn the tide,” and “turn the tide”"
    assert window.desk.session.lane is lane
    select_word(window, "p4", "w4.0")
    press(window, Qt.Key.Key_Return, CTRL)
    assert "begins its line already" in message(window)


def test_words_are_split_and_joined(window):
    select_word(window, "p3", "w3.1")
    whole = spans(window, Kind.WORD)["w3.1"]
    press(window, Qt.Key.Key_Slash)
    assert words(window, "p3") == ["nobody", "waits", "", "for", "long"]
    assert "Split in the middle" in message(window)
    second = window.desk.span(window.desk.selection.current_id)
    assert second.start_n == whole.middle_n
    press(window, Qt.Key.Key_F2)
    typed(window, "up")
    select_word(window, "p3", "w3.1")
    press(window, Qt.Key.Key_Right, SHIFT)
    press(window, Qt.Key.Key_J, CTRL)
    assert words(window, "p3") == ["nobody", "waits up", "for", "long"]
    assert spans(window, Kind.WORD)["w3.1"].end_n == whole.end_n
    select_word(window, "p3", "w3.3")
    press(window, Qt.Key.Key_J, CTRL)
    assert "last word of the line" in message(window)


def test_shift_and_control_click_select_words_to_join(window):
    select_word(window, "p5", "w5.0")
    click(window, on_word(window, "w5.2"), SHIFT)
    assert window.desk.selection.span_ids == ("w5.0", "w5.1", "w5.2")
    click(window, on_word(window, "w5.2"), CTRL)
    press(window, Qt.Key.Key_J, CTRL)
    assert words(window, "p5")[0] == "carry me"


def test_a_line_goes_with_its_words_and_comes_back(window):
    click(window, beside(window, "p6"))
    press(window, Qt.Key.Key_Delete)
    assert "p6" not in spans(window, Kind.PHRASE)
    assert not any(key.startswith("w6.") for key in spans(window, Kind.WORD))
    assert steps(window) == ["Delete “turn the tide, I am wide aw…”"]
    assert "brings it back" in message(window)
    assert window.desk.selection.current_id == "p7"
    press(window, Qt.Key.Key_Z, CTRL)
    assert "p6" in spans(window, Kind.PHRASE)
    assert words(window, "p6") == ["turn", "the", "tide,", "I", "am", "wide", "awake"]


def test_delete_in_the_timeline_is_of_breakpoints_and_with_control_of_segments(window):
    click(window, beside(window, "p6"))
    window.timeline.canvas.setFocus()
    press(window, Qt.Key.Key_Delete)
    assert "p6" in spans(window, Kind.PHRASE)
    press(window, Qt.Key.Key_Delete, CTRL)
    assert "p6" not in spans(window, Kind.PHRASE)


def test_borders_by_keys_from_the_sheet(window):
    select_word(window, "p1", "w1.2")
    word, before = spans(window, Kind.WORD)["w1.2"], spans(window, Kind.WORD)["w1.1"]
    for _ in range(3):
        press(window, Qt.Key.Key_Right, ALT)
    press(window, Qt.Key.Key_Comma, ALT)
    moved = spans(window, Kind.WORD)["w1.2"]
    assert moved.start_n == word.start_n + 29 * MS
    assert spans(window, Kind.WORD)["w1.1"].end_n == moved.start_n
    assert before.end_n == word.start_n
    press(window, Qt.Key.Key_Left, ALT | SHIFT)
    press(window, Qt.Key.Key_Period, ALT | SHIFT)
    assert spans(window, Kind.WORD)["w1.2"].end_n == word.end_n - 9 * MS
    assert steps(window) == ["Move a word's border", "Move a word's border"]


def test_context_menu_of_the_sheet(window):
    menu = open_menu(window.sheet.view.viewport(), on_word(window, "w0.1"))
    assert window.desk.selection.current_id == "w0.1"
    choose(menu, "Retype")
    typed(window, "tide")
    assert words(window, "p0")[1] == "tide"
    menu = open_menu(window.sheet.view.viewport(), beside(window, "p3"))
    assert window.desk.selection.current_id == "p3"
    choose(menu, "Join with the next")
    assert len(spans(window, Kind.PHRASE)) == 12


# --- doubt -------------------------------------------------------------------------------------------


def test_doubtful_words_are_found_and_confirmed(window, qtbot):
    put(window, mid_pass())
    buttons = {each.property("wanted"): each for each in window.sheet._filters.buttons()}
    qtbot.waitUntil(lambda: buttons["doubtful"].text() == "doubtful 2")
    press(window, Qt.Key.Key_V)
    assert window.desk.selection.current_id == "w7.2"
    assert "2 words to look at; this one was heard at 0:30.06: check where it begins" in message(window)
    press(window, Qt.Key.Key_Y)
    assert not spans(window, Kind.WORD)["w7.2"].doubtful
    assert spans(window, Kind.WORD)["w7.2"].origin is Origin.HAND
    assert window.desk.selection.current_id == "w10.3"
    press(window, Qt.Key.Key_V, SHIFT)
    assert window.desk.selection.current_id == "w10.3"
    press(window, Qt.Key.Key_Right, ALT)
    assert not spans(window, Kind.WORD)["w10.3"].doubtful
    assert steps(window) == ["Confirm “leaning”", "Move a word's border"]
    press(window, Qt.Key.Key_V)
    assert message(window) == "No word is doubtful."
    qtbot.waitUntil(lambda: not buttons["doubtful"].isVisible())
    press(window, Qt.Key.Key_Z, CTRL)
    qtbot.waitUntil(lambda: buttons["doubtful"].text() == "doubtful 1")


def test_filter_shows_the_lines_with_doubtful_words(window, qtbot):
    put(window, mid_pass())
    button = next(each for each in window.sheet._filters.buttons() if each.property("wanted") == "doubtful")
    qtbot.waitUntil(button.isVisible)
    press(window, Qt.Key.Key_7, ALT)
    qtbot.waitUntil(lambda: window.sheet.view.shown_phrases() == ["p7", "p10"])  # a key presses a button visibly
    click(window, beside(window, "p7"))
    press(window, Qt.Key.Key_Y)
    assert window.sheet.view.shown_phrases() == ["p10"]
    assert window.sheet.view.filter is Filter.DOUBTFUL


def marks(image, rect, colour):
    """How many pixels of a colour a rectangle of a picture has."""
    return sum(
        image.pixelColor(x, y).name() == colour.name()
        for x in range(rect.left(), rect.right() + 1)
        for y in range(rect.top(), rect.bottom() + 1)
    )


def test_mark_is_seen_in_sheet_and_timeline_and_goes_when_confirmed(window, qtbot):
    put(window, mid_pass())
    ink = themes().current.colour("ink")
    canvas, viewport = window.timeline.canvas, window.sheet.view.viewport()
    press(window, Qt.Key.Key_V)
    press(window, Qt.Key.Key_2)
    qtbot.waitUntil(lambda: not window.timeline.canvas.gliding)
    rest(window, qtbot)
    word = spans(window, Kind.WORD)["w7.2"]

    def seen():
        QApplication.processEvents()
        under = on_word(window, "w7.2")
        box = next(b.rect for r in window.sheet.view._rows for b in r.words if b.span and b.span.id == "w7.2")
        left, foot = round(box.left()), under.y() + round(box.height() / 2)
        in_sheet = marks(viewport.grab().toImage(), QRect(left, foot - 4, 12, 4), ink)
        x, base = round(canvas.time.x_px(word.start_n)), canvas.strips["words"].bottom_px
        in_timeline = marks(canvas.grab().toImage(), QRect(x - 3, base - 13, 5, 11), ink)
        return in_sheet, in_timeline

    window.desk.select()
    in_sheet, in_timeline = seen()
    assert in_sheet >= 9
    assert in_timeline >= 9
    window.desk.edit("Confirm", lambda session: edits.confirm(session, ["w7.2"]))
    after_sheet, after_timeline = seen()
    assert after_sheet < in_sheet - 8
    assert after_timeline < in_timeline - 8


def test_tips_say_what_to_look_at(window, qtbot):
    put(window, mid_pass())
    canvas, viewport = window.timeline.canvas, window.sheet.view.viewport()
    press(window, Qt.Key.Key_V)
    press(window, Qt.Key.Key_1)
    place = on_word(window, "w7.2")
    QApplication.sendEvent(viewport, QHelpEvent(QEvent.Type.ToolTip, place, viewport.mapToGlobal(place)))
    assert "Doubtful, heard at 0:30.06: check where it begins." in QToolTip.text()
    word = spans(window, Kind.WORD)["w7.2"]
    place = QPoint(round(canvas.time.x_px(word.middle_n)), canvas.strips["words"].bottom_px - 6)
    qtbot.waitUntil(lambda: not canvas.gliding)
    QApplication.sendEvent(canvas, QHelpEvent(QEvent.Type.ToolTip, place, canvas.mapToGlobal(place)))
    assert "“leaning”, 0:30.06 to" in QToolTip.text()
    assert "check where it begins" in QToolTip.text()
    QToolTip.hideText()
    assert "check where it begins" in window.sheet.view.described(word)


# --- the timeline ------------------------------------------------------------------------------------


def at(window, strip, frame_n, down=0.5):
    canvas = window.timeline.canvas
    found = canvas.strips[strip]
    return QPoint(round(canvas.time.x_px(frame_n)), round(found.top_px + found.height_px * down))


def drag(window, *way):
    canvas = window.timeline.canvas
    QTest.mousePress(canvas, LEFT, NONE, way[0])
    for place in way[1:]:
        QTest.mouseMove(canvas, place)
    QTest.mouseRelease(canvas, LEFT, NONE, way[-1])
    QApplication.processEvents()


def zoom(window, qtbot, phrase_id):
    click(window, beside(window, phrase_id))
    press(window, Qt.Key.Key_2)
    qtbot.waitUntil(lambda: not window.timeline.canvas.gliding)


def test_a_border_dragged_in_the_timeline_is_one_step_and_the_sheet_follows(window, qtbot):
    zoom(window, qtbot, "p1")
    word = spans(window, Kind.WORD)["w1.2"]
    base = at(window, "words", word.start_n, 1.0) - QPoint(0, 4)
    drag(window, base, base + QPoint(10, 0), base + QPoint(20, 0))
    moved = spans(window, Kind.WORD)["w1.2"]
    assert moved.start_n == pytest.approx(word.start_n + 20 * window.timeline.canvas.time.frames_per_px, abs=200)
    assert moved.origin is Origin.HAND
    assert steps(window) == ["Move a word's border"]
    boxes = {box.span.id: box.span for row in window.sheet.view._rows for box in row.words if box.span}
    assert boxes["w1.2"] == moved


def test_a_section_border_is_dragged_at_the_top(window, qtbot):
    zoom(window, qtbot, "p4")
    section = spans(window, Kind.SECTION)["s1"]
    place = at(window, "words", section.start_n, 0.0) + QPoint(0, 6)
    drag(window, place, place - QPoint(8, 0), place - QPoint(16, 0))
    assert spans(window, Kind.SECTION)["s1"].start_n < section.start_n
    assert steps(window) == ["Move a section's border"]


def test_a_word_is_inserted_on_a_stretch_that_was_dragged_over(window, qtbot):
    zoom(window, qtbot, "p0")
    click(window, on_word(window, "w0.2"))
    press(window, Qt.Key.Key_Delete)
    gone = song()[0].segments.words[2]
    drag(
        window,
        at(window, "vocal", gone.start_n + 4800),
        at(window, "vocal", gone.middle_n),
        at(window, "vocal", gone.end_n - 4800),
    )
    start_n, end_n = window.desk.selection.stretch
    window.desk.select(stretch=(start_n, end_n))
    assert "Shift+W inserts a word here, Shift+P a phrase" in message(window)
    assert start_n == pytest.approx(gone.start_n + 4800, abs=2 * window.timeline.canvas.time.frames_per_px)
    press(window, Qt.Key.Key_W, SHIFT)
    typed(window, "below")
    assert words(window, "p0") == ["Low", "water", "below", "the", "pier"]
    made = window.desk.span(window.desk.selection.current_id)
    assert (made.start_n, made.end_n, made.origin) == (start_n, end_n, Origin.HAND)
    assert steps(window)[-2:] == ["Insert a word", "Retype word 3 as “below”"]


def test_a_phrase_is_inserted_at_the_playhead_and_not_where_one_is(window):
    pause_n = spans(window, Kind.PHRASE)["p2"].end_n + 100 * MS
    window.timeline.canvas.setFocus()
    QTest.mouseClick(window.timeline.canvas, LEFT, NONE, at(window, "vocal", pause_n + 200 * MS))
    press(window, Qt.Key.Key_P, SHIFT)
    typed(window, "ah la")
    made = window.desk.span(window.desk.selection.current_id)
    assert made.label == "ah la"
    assert made.end_n == spans(window, Kind.PHRASE)["p3"].start_n
    assert words(window, made.id) == ["ah", "la"]
    QTest.mouseClick(window.timeline.canvas, LEFT, NONE, at(window, "vocal", spans(window, Kind.PHRASE)["p8"].middle_n))
    press(window, Qt.Key.Key_P, SHIFT)
    assert "is here already" in message(window)


def test_context_menu_of_the_timeline_splits_where_it_was_opened(window, qtbot):
    zoom(window, qtbot, "p9")
    word = spans(window, Kind.WORD)["w9.4"]
    place = at(window, "words", word.start_n + word.length_n // 3, 1.0) - QPoint(0, 5)
    menu = open_menu(window.timeline.canvas, place)
    assert window.desk.selection.current_id == "w9.4"
    choose(menu, "Split here")
    cut_n = spans(window, Kind.WORD)["w9.4"].end_n
    assert cut_n == pytest.approx(window.timeline.canvas.time.frame_n(place.x()), abs=1)
    assert len(words(window, "p9")) == 15
    menu = open_menu(window.timeline.canvas, at(window, "vocal", word.start_n))
    assert window.desk.selection.current_id == "p9"
    choose(menu, "Delete")
    assert "p9" not in spans(window, Kind.PHRASE)


def test_a_phrase_is_split_at_the_playhead(window):
    phrase = spans(window, Kind.PHRASE)["p5"]
    place = at(window, "vocal", phrase.start_n + phrase.length_n // 4)
    QTest.mouseClick(window.timeline.canvas, LEFT, NONE, place)
    assert window.desk.selection.current_id == "p5"
    press(window, Qt.Key.Key_Slash)
    assert spans(window, Kind.PHRASE)["p5"].end_n == window.desk.playhead_n
    assert message(window).startswith("Split at the playhead, at 0:21.")


def test_a_word_is_retyped_in_the_timeline(window, qtbot):
    zoom(window, qtbot, "p3")
    word = spans(window, Kind.WORD)["w3.0"]
    place = at(window, "words", word.middle_n, 1.0) - QPoint(0, 5)
    QTest.mouseDClick(window.timeline.canvas, LEFT, NONE, place)
    assert editor(window).parentWidget() is window.timeline.canvas
    typed(window, "no one")
    assert words(window, "p3")[0] == "no one"
    assert window.focusWidget() is window.timeline.canvas


# --- what was set stays ------------------------------------------------------------------------------


def test_a_later_analysis_moves_nothing_that_was_set_by_hand(window):
    found = window.desk.session.segments
    select_word(window, "p1", "w1.2")
    press(window, Qt.Key.Key_Right, ALT)
    press(window, Qt.Key.Key_F2)
    typed(window, "any")
    click(window, beside(window, "p4"))
    press(window, Qt.Key.Key_Slash)
    by_hand = {each.id: each for each in window.desk.session.segments.all_spans() if each.origin is Origin.HAND}
    assert len(by_hand) == 4  # both words of the border, both halves of the line
    later = replace(
        found,
        phrases=tuple(replace(each, start_n=each.start_n + 960, end_n=each.end_n + 960) for each in found.phrases),
        words=tuple(replace(each, start_n=each.start_n + 960, end_n=each.end_n + 960) for each in found.words),
    )
    window.desk.edit("Lay the lyric", lambda session: edits.replace_segments(session, later))
    now = {each.id: each for each in window.desk.session.segments.all_spans()}
    assert {key: now[key] for key in by_hand} == by_hand
    assert now["w7.0"].start_n == found.words_of(found.phrases[7])[0].start_n + 960


def test_every_action_is_in_the_menu_with_a_key_and_a_tip(window):
    (menu,) = [action.menu() for action in window.menuBar().actions() if action.text().replace("&", "") == "Segments"]
    actions = [each for each in menu.actions() if not each.isSeparator() and each.menu() is None]
    actions += [each for sub in menu.actions() if sub.menu() is not None for each in sub.menu().actions()]
    lines = {line.what: line for line in window.key_lines() if line.group == "Segments"}
    for action in actions:
        if not action.shortcut().isEmpty():
            assert action.toolTip()
            assert action.statusTip() in lines or action.text() in lines, action.text()
    assert sum(not action.shortcut().isEmpty() for action in actions) >= 19


def test_dragging_a_border_asks_for_one_suggestion_and_the_sheet_follows_once(window, qtbot, monkeypatch):
    zoom(window, qtbot, "p1")
    asked, made = [], []
    desk, view = window.desk, window.sheet.view
    suggest_again, rebuild = desk.suggest_again, view.rebuild
    monkeypatch.setattr(desk, "suggest_again", lambda: (asked.append(desk.in_gesture), suggest_again()))
    monkeypatch.setattr(view, "rebuild", lambda: (made.append(desk.in_gesture), rebuild()))
    word = spans(window, Kind.WORD)["w1.2"]
    base = at(window, "words", word.start_n, 1.0) - QPoint(0, 4)
    drag(window, base, *(base + QPoint(x, 0) for x in range(4, 40, 2)))
    assert steps(window) == ["Move a word's border"]
    assert asked == [False]
    assert made == [False]


def test_editor_follows_its_label_and_goes_where_that_is_gone(window):
    press(window, Qt.Key.Key_F2)
    field = editor(window)
    themes().choose(text_size=1.5)
    QApplication.processEvents()
    assert field.geometry().intersects(window.sheet.view._label_place(window.desk.span("p0")))
    QTest.keyClicks(field, "never kept")
    window.sheet.show_filter(Filter.LOCKED)
    assert not field.isVisible()
    window.timeline.canvas.setFocus()
    press(window, Qt.Key.Key_F2)
    field = editor(window)
    window.desk.set_view(40 * RATE_HZ, 44 * RATE_HZ)
    assert not field.isVisible()
    assert steps(window) == []
