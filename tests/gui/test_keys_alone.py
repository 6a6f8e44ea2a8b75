"""The window without a mouse: everything that can be pressed can be reached, and its own keys press it."""

from __future__ import annotations

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QAbstractButton, QApplication, QButtonGroup, QFileDialog, QScrollBar

from ridebook.gui.app import Windows
from ridebook.gui.export_dialog import ExportDialog
from ridebook.gui.theme import themes
from ridebook.segment.spans import Kind
from ridebook.session.document import State
from tests.gui.hands import steps
from tests.gui.songs import song


@pytest.fixture
def window(qapp, qtbot):
    windows = Windows()
    made = windows.make()
    made.resize(1280, 800)
    made.show()
    qtbot.waitActive(made)
    session, measures, suggestion = song()
    made.desk.show_session(session, measures=measures, suggestion=suggestion)
    made.desk.opened.emit()
    QApplication.processEvents()
    yield made
    made.leave()
    windows.deleteLater()


def test_space_presses_a_focused_button_and_plays_elsewhere(window, qtbot, monkeypatch):
    played = []
    monkeypatch.setattr(window.player, "play", lambda: played.append(True))
    word = window.header._scales["word"]
    assert word.isChecked()
    word.setFocus()
    qtbot.keyClick(word, Qt.Key.Key_Space)
    assert not word.isChecked()
    assert not played
    window.sheet.view.setFocus()
    qtbot.keyClick(window.sheet.view, Qt.Key.Key_Space)
    assert played


def test_return_in_the_findings_goes_there_and_inks_nothing(window, qtbot):
    qtbot.waitUntil(lambda: window.findings.count() > 0)
    before = window.desk.session
    window.desk.select()
    window.findings.setFocus()
    assert window.findings.selectedItems() == [window.findings.item(0)]
    qtbot.keyClick(window.findings, Qt.Key.Key_Return)
    assert window.desk.selection.current_id is not None
    assert window.desk.session is before


def test_tab_comes_by_every_button_that_is_seen(window):
    groups = [group for group in window.findChildren(QButtonGroup) if group.exclusive()]
    wanted = {each for each in window.findChildren(QAbstractButton) if each.isVisible() and each.isEnabled()}
    wanted -= {each for each in wanted if isinstance(each.parent(), QScrollBar)}
    # In a choice of one, Tab comes by the chosen one and arrows go to the others.
    wanted -= {each for group in groups for each in group.buttons() if not each.isChecked()}
    assert {window.header._export, window.header._scales["word"]} < wanted
    window.sheet.view.setFocus()
    met = set()
    for _ in range(200):
        met.add(window.focusWidget())
        window.focusNextChild()
        if window.focusWidget() is window.sheet.view:
            break
    assert wanted <= met, [each.accessibleName() or each.text() for each in wanted - met]


def test_keys_of_listening_do_nothing_before_a_song_is_there(qapp, qtbot):
    windows = Windows()
    window = windows.make()
    window.show()
    qtbot.waitActive(window)
    qtbot.keyClick(window, Qt.Key.Key_9)
    assert not [dialog for dialog in window.findChildren(QFileDialog) if dialog.isVisible()]
    assert not window.actions_["listen_play"].isEnabled()
    window.leave()
    windows.deleteLater()


def test_panel_is_left_with_escape_and_knows_the_keys_of_functions(window, qtbot):
    window.actions_["panel"].trigger()
    field = window.panel.fields["aim_lu"]
    assert field.hasFocus()
    qtbot.keyClick(field, Qt.Key.Key_K)
    assert window.panel.isVisible()
    qtbot.keyClick(field, Qt.Key.Key_F7)
    assert not window.sheet.isVisible()
    qtbot.keyClick(field, Qt.Key.Key_F7)
    qtbot.keyClick(field, Qt.Key.Key_Escape)
    assert not window.panel.isVisible()
    assert not window.actions_["panel"].isChecked()
    assert window.sheet.view.hasFocus()


def test_keys_that_a_field_has_no_use_for_go_to_the_window(window, qtbot):
    window.actions_["panel"].trigger()
    field = window.panel.fields["aim_lu"]
    qtbot.waitUntil(field.hasFocus)
    qtbot.keyClick(field, Qt.Key.Key_E, Qt.KeyboardModifier.ControlModifier)
    dialog = window.findChild(ExportDialog)
    assert dialog is not None
    dialog.reject()
    field.setFocus()
    qtbot.keyClick(field, Qt.Key.Key_P)
    assert not window.panel.isVisible()


def test_listening_is_folded_where_large_text_leaves_no_room_for_it(window):
    available_px = window.screen().availableSize().height()
    assert window._least_height_px() <= available_px
    assert window.actions_["strip"].isChecked()
    themes().choose("paper", 2.0)
    assert window._least_height_px() > available_px
    assert not window.actions_["strip"].isChecked()
    assert "F8" in window.statusBar().currentMessage()
    window.actions_["strip"].trigger()
    assert window.strip.isVisible()


def test_rides_are_carried_to_all_repeats_by_one_key_and_taken_back_by_another(window, qtbot):
    desk, view = window.desk, window.sheet.view
    control, shift = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier
    view.setFocus()
    before = desk.session
    desk.select(("p4",))
    assert window.actions_["carry_on"].isEnabled()
    qtbot.keyClick(view, Qt.Key.Key_Plus)
    nudged = desk.session
    qtbot.keyClick(view, Qt.Key.Key_V, control | shift)
    (first, again) = (next(p for p in before.segments.phrases if p.id == each) for each in ("p4", "p10"))
    gains_db = desk.session.lane.gain_db_at([first.middle_n, again.middle_n])
    assert gains_db[1] == pytest.approx(gains_db[0], abs=0.05)
    assert gains_db[0] > nudged.lane.gain_db_at([again.middle_n])[0] + 0.3
    assert desk.session.decision("p10").state is State.DRAWN
    assert [p.id for p in before.segments.phrases if desk.session.decision(p.id) != nudged.decision(p.id)] == ["p10"]
    assert "1 repeat, at 0:41" in window.statusBar().currentMessage()
    qtbot.keyClick(view, Qt.Key.Key_Z, control)
    assert desk.session == nudged


def test_a_word_and_a_section_are_carried_too_and_what_nothing_repeats_is_told(window, qtbot):
    desk, view = window.desk, window.sheet.view
    keys = Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.ShiftModifier
    view.setFocus()
    desk.select(("p5",))
    qtbot.keyClick(view, Qt.Key.Key_Plus)
    nudged = desk.session
    desk.select(("w5.1",), kind=Kind.WORD)
    qtbot.keyClick(view, Qt.Key.Key_V, keys)
    assert desk.session.decision("p11").state is State.DRAWN
    desk.undo()
    desk.select(("s1",), kind=Kind.SECTION)
    qtbot.keyClick(view, Qt.Key.Key_V, keys)
    assert desk.session.decision("p11").state is State.DRAWN
    assert steps(window)[-1] == "Carry rides of “Chorus 1” to 1 repeat"
    desk.undo()
    desk.select(("p0",))
    qtbot.keyClick(view, Qt.Key.Key_V, keys)
    assert desk.session is nudged
    assert "Nothing that is not locked is known to repeat" in window.statusBar().currentMessage()
    lines = {line.keys: line for line in window.key_lines()}
    assert lines["Ctrl+Shift+V"].group == "Rides"
