"""The sheet as a screen reader is given it."""

from __future__ import annotations

import pytest
from PySide6.QtGui import QAccessible

from ridebook.gui import sheet_tree
from ridebook.gui.desk import Desk
from ridebook.gui.sheet import SheetView
from ridebook.gui.sheet_rows import Filter
from ridebook.segment.spans import Kind
from tests.gui.timeline_song import song


@pytest.fixture
def view(qtbot):
    session, measures, _, suggestion = song(30.0, waves=False)
    sheet_tree.install()
    desk = Desk()
    shown = SheetView(desk)
    qtbot.addWidget(shown)
    shown.resize(500, 400)
    desk.show_session(session, measures=measures, pyramids=None, suggestion=suggestion)
    shown.show()
    qtbot.waitExposed(shown)
    yield shown
    desk.close()


def lines(view):
    tree = QAccessible.queryAccessibleInterface(view)
    return [tree.child(i) for i in range(tree.childCount())]


def test_every_line_is_a_child_with_its_words_and_what_is_said_of_it(view):
    session = view._desk.session
    tree = QAccessible.queryAccessibleInterface(view)
    assert tree.role() == QAccessible.Role.List
    found = lines(view)
    headings = [line for line in found if line.role() == QAccessible.Role.Heading]
    assert len(found) - len(headings) == len(session.segments.phrases)
    assert [line.text(QAccessible.Text.Name) for line in headings] == [s.label for s in session.segments.sections]
    second = found[2]
    phrase = session.segments.phrases[1]
    assert second.text(QAccessible.Text.Name) == phrase.label
    assert second.text(QAccessible.Text.Description) == view.described(phrase)
    assert tree.indexOfChild(second) == 2
    assert second.parent() is tree
    place = second.rect().center()
    assert tree.childAt(place.x(), place.y()) is second


def test_a_line_says_whether_it_is_selected_seen_and_still_there(view):
    desk = view._desk
    phrases = desk.session.segments.phrases
    desk.select([phrases[1].id], kind=Kind.PHRASE, current_id=phrases[1].id)
    found = lines(view)
    assert [line.state().selected for line in found[:4]] == [False, False, True, False]
    assert not found[1].state().offscreen
    assert found[-1].state().offscreen
    view.set_filter(Filter.LOCKED)
    assert lines(view) == []
    assert not found[2].isValid()
    assert found[2].state().invalid
    view.set_filter(Filter.ALL)
    assert found[2].isValid()


def test_what_is_left_of_a_sheet_that_is_gone_says_so(qtbot):
    session, *_ = song(10.0, waves=False)
    sheet_tree.install()
    desk = Desk()
    shown = SheetView(desk)
    desk.show_session(session)
    tree = QAccessible.queryAccessibleInterface(shown)
    assert tree.childCount() > 1
    assert tree.child(1).isValid()
    kept = len(sheet_tree._trees)
    shown.deleteLater()
    qtbot.waitUntil(lambda: len(sheet_tree._trees) == kept - 1)
    desk.close()
