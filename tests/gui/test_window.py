from __future__ import annotations

import itertools
from collections import defaultdict
from pathlib import Path

import pytest
from PySide6.QtCore import QMimeData, QPoint, QPointF, Qt, QUrl
from PySide6.QtGui import QAction, QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import (
    QAbstractButton,
    QApplication,
    QDialog,
    QFileDialog,
    QLabel,
    QLineEdit,
    QPushButton,
    QToolButton,
)

from ridebook.check.dynamics import dynamics_kept
from ridebook.gui import settings as user
from ridebook.gui.app import CrashHook, Windows
from ridebook.gui.dialogs import WALK, ErrorDialog, KeysPage, NewPairDialog, UndoList
from ridebook.gui.findings_list import FINDING
from ridebook.gui.theme import ThemeChoice, themes
from ridebook.segment.spans import Kind
from ridebook.session.document import State
from ridebook.session.file import load_session, save_session
from tests.gui.hands import rest
from tests.gui.songs import mid_pass, song
from tests.songs import noise_bed, sung, write_pair


@pytest.fixture
def windows(qapp):
    made = Windows()
    yield made
    for window in list(made.open):
        window._leaving = True
        window.close()
    made.deleteLater()


@pytest.fixture
def window(windows, qtbot):
    made = windows.make()
    made.resize(1280, 800)
    made.show()
    qtbot.waitExposed(made)
    return made


@pytest.fixture
def at_work(window):
    put(window, song())
    return window


@pytest.fixture
def stems(tmp_path):
    vocal, _ = sung([(0, 0, -8, 0), (0, -2, 0, 0), (0, 0, 0)])
    return write_pair(tmp_path, vocal, noise_bed(len(vocal)))


def put(window, made):
    session, measures, suggestion = made
    window.desk.show_session(session, measures=measures, suggestion=suggestion)
    window.desk.opened.emit()


def state(window, phrase_id):
    return window.desk.session.decision(phrase_id).state


def press(qtbot, window, *keys):
    for key in keys:
        modifier = Qt.KeyboardModifier.NoModifier
        if isinstance(key, tuple):
            modifier, key = key
        qtbot.keyClick(window.focusWidget() or window, key, modifier)


def dialog_of(window, kind=QDialog):
    QApplication.processEvents()
    found = [dialog for dialog in window.findChildren(kind) if dialog.isVisible()]
    assert len(found) == 1, found
    return found[0]


def button(dialog, text):
    return next(each for each in dialog.findChildren(QPushButton) if each.text().replace("&", "") == text)


def text_of(dialog):
    return "\n".join(label.text() for label in dialog.findChildren(QLabel))


# --- first page ------------------------------------------------------------------------------------


def test_first_page_offers_the_demo_and_nothing_else_is_in_the_way(window):
    assert window.first_page.isVisible()
    texts = [each.text() for each in window.first_page.findChildren(QPushButton)]
    assert texts[:3] == ["Open the demo song", "New from stems…", "Open a session…"]
    assert "damages hearing" in text_of(window.first_page)
    assert not window.header.isVisible()
    assert not window.actions_["save"].isEnabled()


# --- the pass by keys ------------------------------------------------------------------------------


def test_pass_by_keys_alone(at_work, qtbot):
    desk = at_work.desk
    assert desk.selection.current_id == "p0"
    press(qtbot, at_work, Qt.Key.Key_Return)
    assert state(at_work, "p0") is State.INKED
    assert desk.selection.current_id == "p1"
    press(qtbot, at_work, Qt.Key.Key_X)
    assert state(at_work, "p1") is State.STRUCK
    press(qtbot, at_work, Qt.Key.Key_N)
    assert desk.selection.current_id == "p2"
    press(qtbot, at_work, Qt.Key.Key_Plus, Qt.Key.Key_Plus, Qt.Key.Key_Minus)
    assert desk.standing.phrases["p2"].ride_db == pytest.approx(0.5, abs=0.01)
    assert state(at_work, "p2") is State.DRAWN
    assert len(desk.history.steps) == 3
    press(qtbot, at_work, Qt.Key.Key_F)
    assert desk.standing.phrases["p2"].ride_db == pytest.approx(0.0, abs=1e-9)
    press(qtbot, at_work, Qt.Key.Key_O)
    assert state(at_work, "p2") is State.OPEN
    press(qtbot, at_work, Qt.Key.Key_K)
    assert desk.session.decision("p2").locked
    press(qtbot, at_work, Qt.Key.Key_I)
    assert state(at_work, "p2") is State.OPEN
    press(qtbot, at_work, Qt.Key.Key_K, Qt.Key.Key_Q)
    assert not desk.session.decision("p2").locked
    assert desk.session.decision("p2").quiet
    press(qtbot, at_work, (Qt.KeyboardModifier.ControlModifier, Qt.Key.Key_Z))
    assert not desk.session.decision("p2").quiet


def test_word_is_ridden_by_itself(at_work, qtbot):
    desk = at_work.desk
    press(qtbot, at_work, Qt.Key.Key_M)
    assert desk.selection.current_id == "w0.2"
    before = desk.standing.words["w0.1"].ride_db
    press(qtbot, at_work, Qt.Key.Key_Plus, Qt.Key.Key_Plus)
    assert desk.standing.words["w0.2"].ride_db == pytest.approx(1.0, abs=0.2)
    assert desk.standing.words["w0.1"].ride_db == pytest.approx(before, abs=0.1)


def test_ink_all_leaves_what_is_decided(window, qtbot):
    put(window, mid_pass())
    press(qtbot, window, (Qt.KeyboardModifier.ControlModifier, Qt.Key.Key_I))
    states = [state(window, f"p{i}") for i in range(13)]
    assert states.count(State.OPEN) == 0
    assert states[6] is State.STRUCK
    assert states[3] is State.DRAWN
    assert len(window.desk.history.steps) == 1
    assert window.desk.history.undo_label == "Ink 9 phrases"


def test_all_lines_at_once(at_work, qtbot):
    press(qtbot, at_work, (Qt.KeyboardModifier.ControlModifier, Qt.Key.Key_A))
    assert len(at_work.desk.selection.span_ids) == 13
    press(qtbot, at_work, Qt.Key.Key_X)
    assert all(state(at_work, f"p{i}") is State.STRUCK for i in range(13))


def test_panel_tells_what_the_suggestion_keeps_of_the_dynamics(at_work, qtbot):
    panel, desk = at_work.panel, at_work.desk
    assert panel.dynamics.text() == ""  # not reckoned where it is not seen
    at_work.actions_["panel"].trigger()
    first = panel.dynamics.text()
    kept = dynamics_kept(desk.measures, desk.session.segments, desk.suggestion.lane)
    assert kept.phrases < 0.9
    assert first == f"The suggestion {kept.sentence}."
    with qtbot.waitSignal(desk.suggestion_changed, timeout=20_000):
        panel.sliders["share"].setValue(0)
    assert "100 %" in panel.dynamics.text()
    assert panel.dynamics.text() != first


def test_keys_that_type_stay_in_their_field(at_work, qtbot):
    at_work.actions_["panel"].trigger()
    field = at_work.panel.fields["aim_lu"]
    field.selectAll()
    qtbot.keyClicks(field, "-3.5")
    qtbot.keyClick(field, Qt.Key.Key_Return)
    assert at_work.desk.session.settings.aim_lu == -3.5
    assert state(at_work, "p0") is State.OPEN
    assert at_work.desk.selection.current_id == "p0"


def test_no_key_means_two_things(at_work):
    seen = defaultdict(set)
    for action in at_work.findChildren(QAction):
        for keys in action.shortcuts():
            if not keys.isEmpty():
                seen[keys.toString()].add(action)
    for each in at_work.findChildren(QToolButton):
        if not each.shortcut().isEmpty():
            seen[each.shortcut().toString()].add(each)
    double = {keys: [a.text() for a in owners] for keys, owners in seen.items() if len(owners) > 1}
    # A tool button shows the key of its own action.
    assert double == {}
    assert len(seen) > 50


def test_every_key_is_on_the_page_of_keys(at_work, qtbot):
    lines = at_work.key_lines()
    told = " ".join(line.keys for line in lines)
    for action in at_work.actions_._actions.values():
        if not action.shortcut().isEmpty():
            assert action.shortcut().toString() in told
    page = at_work.show_keys()
    assert isinstance(page, KeysPage)
    assert "Ride half a dB up" in text_of(page)
    page.close()


# --- notes, aims, undo list --------------------------------------------------------------------------


def test_note_is_written(at_work, qtbot):
    press(qtbot, at_work, Qt.Key.Key_T)
    dialog = dialog_of(at_work)
    qtbot.keyClicks(dialog.field, "closer")
    qtbot.mouseClick(button(dialog, "Keep"), Qt.MouseButton.LeftButton)
    assert at_work.desk.session.decision("p0").note == "closer"


def test_section_gets_an_aim_of_its_own_and_loses_it(at_work, qtbot):
    at_work.desk.select(["p4"], kind=Kind.PHRASE)
    press(qtbot, at_work, (Qt.KeyboardModifier.ShiftModifier, Qt.Key.Key_A))
    dialog = dialog_of(at_work)
    dialog.field.setValue(0.5)
    qtbot.mouseClick(button(dialog, "Set"), Qt.MouseButton.LeftButton)
    assert at_work.desk.session.section_aims == {"s1": 0.5}
    at_work.rides.section_aim()
    qtbot.mouseClick(button(dialog_of(at_work), "As the song"), Qt.MouseButton.LeftButton)
    assert at_work.desk.session.section_aims == {}


def test_undo_list_jumps(at_work, qtbot):
    press(qtbot, at_work, Qt.Key.Key_Return, Qt.Key.Key_Return, Qt.Key.Key_X)
    page = at_work.show_undo_list()
    assert isinstance(page, UndoList)
    texts = [page.list.item(i).text() for i in range(page.list.count())]
    assert texts[0] == "As it was opened"
    assert texts[1] == "Ink “Low water under the pier”"
    page.list.setCurrentRow(1)
    assert state(at_work, "p0") is State.INKED
    assert state(at_work, "p1") is State.OPEN
    page.list.setCurrentRow(3)
    assert state(at_work, "p2") is State.STRUCK
    page.close()


def test_menu_says_what_would_be_undone(at_work, qtbot):
    assert not at_work.actions_["undo"].isEnabled()
    press(qtbot, at_work, Qt.Key.Key_I)
    assert at_work.actions_["undo"].text() == "&Undo: Ink “Low water under the pier”"


# --- findings ----------------------------------------------------------------------------------------


def finding_keys(window):
    return [window.findings.item(i).data(FINDING).key for i in range(window.findings.count())]


def test_findings_come_and_lead_to_their_place(at_work, qtbot):
    qtbot.waitUntil(lambda: at_work.findings.count() > 0)
    assert at_work.findings_part.head.text() == f"Findings  {at_work.findings.count()}"
    item = at_work.findings.item(1)
    at_work.findings.go_to(item)
    assert at_work.desk.selection.current_id == "w1.3"
    assert "lost:w1.3" in finding_keys(at_work)
    at_work.sheet.view.setFocus()
    press(qtbot, at_work, *[Qt.Key.Key_Plus] * 11)
    qtbot.waitUntil(lambda: "lost:w1.3" not in finding_keys(at_work))
    assert "lost:w0.2" in finding_keys(at_work)


# --- files -------------------------------------------------------------------------------------------


def test_new_pair_dialog_tells_the_vocal_by_its_name(window, qtbot, stems):
    dialog = window.new_pair([stems[1], stems[0]])
    assert dialog.vocal.text() == str(stems[0])
    assert dialog.bed_paths() == [stems[1]]
    dialog.beds.setCurrentRow(0)
    qtbot.mouseClick(button(dialog, "This one is the vocal"), Qt.MouseButton.LeftButton)
    assert dialog.vocal.text() == str(stems[1])
    assert dialog.bed_paths() == [stems[0]]
    dialog.reject()


def test_dropped_stems_are_offered_as_a_pair_and_opened(window, qtbot, stems):
    mime = QMimeData()
    mime.setUrls([QUrl.fromLocalFile(str(path)) for path in stems])
    keys, buttons = Qt.KeyboardModifier.NoModifier, Qt.MouseButton.LeftButton
    enter = QDragEnterEvent(QPoint(9, 9), Qt.DropAction.CopyAction, mime, buttons, keys)
    window.dragEnterEvent(enter)
    assert enter.isAccepted()
    window.dropEvent(QDropEvent(QPointF(9, 9), Qt.DropAction.CopyAction, mime, buttons, keys))
    dialog = dialog_of(window, NewPairDialog)
    with qtbot.waitSignal(window.desk.opened):
        qtbot.mouseClick(dialog.start, Qt.MouseButton.LeftButton)
    assert window.pages.currentWidget() is window.down
    assert window.header.isVisible()
    assert window.windowTitle().startswith("vocal")


def test_save_asks_for_a_name_once(at_work, qtbot, tmp_path, monkeypatch):
    QApplication.setAttribute(Qt.ApplicationAttribute.AA_DontUseNativeDialogs)
    press(qtbot, at_work, Qt.Key.Key_I)
    press(qtbot, at_work, (Qt.KeyboardModifier.ControlModifier, Qt.Key.Key_S))
    dialog = dialog_of(at_work, QFileDialog)
    path = tmp_path / "low.ridebook"
    with qtbot.waitSignal(at_work.desk.saved):
        dialog.findChild(QLineEdit, "fileNameEdit").setText(str(path))
        dialog.accept()
    assert load_session(path).decision("p0").state is State.INKED
    assert user.recent_sessions() == [path]
    at_work.activateWindow()
    qtbot.waitUntil(lambda: at_work.isActiveWindow() and QApplication.activeModalWidget() is None)
    rest(at_work, qtbot)
    press(qtbot, at_work, Qt.Key.Key_X)
    assert state(at_work, "p0") is State.STRUCK
    assert at_work.isWindowModified()
    with qtbot.waitSignal(at_work.desk.saved):
        press(qtbot, at_work, (Qt.KeyboardModifier.ControlModifier, Qt.Key.Key_S))
    assert load_session(path).decision("p0").state is State.STRUCK
    assert not at_work.isWindowModified()


def test_close_asks_when_something_is_not_saved(at_work, qtbot, windows):
    press(qtbot, at_work, Qt.Key.Key_I)
    assert not at_work.close()
    question = dialog_of(at_work)
    assert "1 step would be lost" in text_of(question)
    button(question, "Cancel").click()
    assert at_work.isVisible()
    at_work.close()
    with qtbot.waitSignal(at_work.closed):
        button(dialog_of(at_work), "Close without saving").click()
    assert windows.open == []


def test_close_saves_first_where_asked(at_work, qtbot, tmp_path):
    path = tmp_path / "low.ridebook"
    with qtbot.waitSignal(at_work.desk.saved):
        at_work.desk.save(path)
    press(qtbot, at_work, Qt.Key.Key_I)
    at_work.close()
    with qtbot.waitSignal(at_work.closed):
        button(dialog_of(at_work), "Save").click()
    assert load_session(path).decision("p0").state is State.INKED


def test_close_saves_under_a_new_name_and_then_closes(at_work, qtbot, tmp_path):
    press(qtbot, at_work, Qt.Key.Key_I)
    at_work.close()
    button(dialog_of(at_work), "Save").click()
    asked = dialog_of(at_work, QFileDialog)
    asked.reject()
    assert at_work.isVisible()
    at_work.close()
    button(dialog_of(at_work), "Save").click()
    path = tmp_path / "low.ridebook"
    with qtbot.waitSignal(at_work.closed):
        dialog_of(at_work, QFileDialog).fileSelected.emit(str(path))
    assert load_session(path).decision("p0").state is State.INKED


def test_second_song_goes_to_a_window_of_its_own(at_work, windows, stems, qtbot):
    at_work.open_pair(stems[0], stems[1:])
    assert len(windows.open) == 2
    with qtbot.waitSignal(windows.open[1].desk.opened):
        pass
    assert at_work.desk.session.title == "Low Water"


def test_moved_files_are_found(window, qtbot, stems, tmp_path):
    with qtbot.waitSignal(window.desk.opened):
        window.open_pair(stems[0], stems[1:])
    path = tmp_path / "song.ridebook"
    save_session(window.desk.session, path)
    moved = tmp_path / "moved"
    moved.mkdir()
    for stem in stems:
        stem.rename(moved / stem.name)
    window.desk.open_session(path)
    qtbot.waitUntil(lambda: any(d.isVisible() for d in window.findChildren(QDialog)))
    question = dialog_of(window)
    assert "vocal.wav" in text_of(question)
    button(question, "Cancel").click()
    session = load_session(path)
    with qtbot.waitSignal(window.desk.opened):
        window._look_in(moved, session, path, None)
    assert Path(window.desk.session.vocal.path).parent == moved


# --- look ----------------------------------------------------------------------------------------------


def test_theme_and_text_size_are_remembered(at_work):
    at_work.actions_["theme_lamp"].trigger()
    assert themes().current.dark
    at_work.actions_["text_larger"].trigger()
    assert themes().text_size == 1.15
    assert user.settings().value("theme") == "lamp"
    assert float(user.settings().value("text_size")) == 1.15
    themes().choose(ThemeChoice.PAPER, 1.0)


def test_sheet_widens_with_its_text(at_work, qtbot):
    at_work.resize(1920, 1080)
    rest(at_work, qtbot)
    before = at_work.across.sizes()[0]
    themes().choose(text_size=1.3)
    rest(at_work, qtbot)
    assert at_work.across.sizes()[0] == pytest.approx(1.3 * before, abs=3)
    themes().choose(text_size=1.0)
    rest(at_work, qtbot)
    assert at_work.across.sizes()[0] == pytest.approx(before, abs=3)


@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080)])
@pytest.mark.parametrize("panel", [False, True])
def test_all_that_is_needed_shows_without_scrolling_sideways(window, qtbot, size, panel):
    window.resize(*size)
    put(window, mid_pass())
    rest(window, qtbot)
    if panel:
        window.actions_["panel"].trigger()
    rest(window, qtbot)
    assert (window.width(), window.height()) == size
    parts = (window.header, window.panel, window.sheet, window.timeline, window.findings_part, window.listen_part)
    for part in (each for each in parts if each.isVisible()):
        inside = part.mapTo(window, QPoint(part.width(), part.height()))
        assert inside.x() <= size[0]
        assert inside.y() <= size[1]
    buttons = [each for each in window.header.findChildren(QAbstractButton) if each.isVisible()]
    assert len(buttons) == 9
    places = sorted((each.geometry() for each in buttons), key=lambda place: place.left())
    for one, other in itertools.pairwise(places):
        assert one.right() < other.left()
    assert all(place.height() >= 24 and place.width() >= 24 for place in places)
    for each in buttons:
        room = each.fontMetrics().horizontalAdvance(each.text().replace("&", ""))
        assert each.width() >= room


def test_everything_clickable_has_a_name_and_a_tip(at_work):
    at_work.actions_["panel"].trigger()
    for each in at_work.findChildren(QAbstractButton):
        if each.isVisible() and each.objectName() != "qt_toolbar_ext_button":
            assert each.accessibleName() or each.text(), each
            assert each.toolTip(), each.text()
    for field in at_work.panel.fields.values():
        assert field.accessibleName()
        assert field.toolTip()


def test_parts_can_be_folded_and_reached_by_key(at_work, qtbot):
    at_work.actions_["sheet"].trigger()
    assert not at_work.sheet.isVisible()
    at_work.actions_["sheet"].trigger()
    at_work.actions_["strip"].trigger()
    assert not at_work.strip.isVisible()
    at_work.actions_["strip"].trigger()
    at_work.sheet.view.setFocus()
    press(qtbot, at_work, Qt.Key.Key_F6)
    assert at_work.timeline.canvas.hasFocus()
    press(qtbot, at_work, Qt.Key.Key_F6)
    assert at_work.findings.hasFocus()


def test_walk_through_has_an_end(window, qtbot):
    page = window.show_walk()
    for _ in WALK:
        assert page.isVisible()
        page.on.click()
    assert not page.isVisible()


# --- what goes wrong ------------------------------------------------------------------------------------


def test_unexpected_error_is_shown_with_details_and_a_recovery_copy(at_work, windows, qtbot, tmp_path):
    press(qtbot, at_work, Qt.Key.Key_I)
    hook = CrashHook(windows)
    try:
        raise RuntimeError("the roof fell in")
    except RuntimeError as error:
        hook.caught(type(error), error, error.__traceback__)
    dialog = dialog_of(at_work, ErrorDialog)
    assert "the roof fell in" in dialog.details.toPlainText()
    assert "recovery copy of 1 session" in text_of(dialog)
    assert len(list((tmp_path / "user").rglob("*.recovery"))) == 1
    button(dialog, "Copy the details").click()
    assert "the roof fell in" in QApplication.clipboard().text()
    button(dialog, "Go on").click()


def test_error_of_the_user_is_shown_as_it_is(window, qtbot, tmp_path):
    window.open_pair(tmp_path / "no.wav", [tmp_path / "bed.wav"])
    qtbot.waitUntil(lambda: any(d.isVisible() for d in window.findChildren(QDialog)))
    shown = dialog_of(window)
    assert "no.wav" in text_of(shown)
    button(shown, "OK").click()
    assert window.first_page.isVisible()
