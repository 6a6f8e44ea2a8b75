"""Menus: no letter stands for two things in one menu, so that a letter does what it says."""

from __future__ import annotations

from collections import Counter

import pytest
from PySide6.QtWidgets import QMenu

from ridebook.gui.app import Windows


def letter(text):
    at = text.replace("&&", "  ").find("&")
    return text[at + 1].lower() if at >= 0 else ""


@pytest.fixture
def window(qapp, qtbot):
    made = Windows(qapp).make()
    yield made
    made.leave()


def test_no_letter_stands_for_two_items_of_a_menu(window):
    menus = [window.menuBar(), *window.menuBar().findChildren(QMenu)]
    assert len(menus) > 8
    assert letter(menus[0].actions()[0].text()) == "f"
    for menu in menus:
        letters = Counter(filter(None, (letter(action.text()) for action in menu.actions())))
        assert not [each for each, count in letters.items() if count > 1], [a.text() for a in menu.actions()]
