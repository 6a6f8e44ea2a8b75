"""Limits of the checks in their dialog."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

from ridebook.gui.limits_dialog import LimitsDialog
from ridebook.session.limits import CheckLimits
from tests.gui.songs import song


def test_a_limit_finer_than_its_field_stays_until_it_is_touched(qtbot):
    fine = CheckLimits(left_over_db=-40.55, ceiling_dbtp=-0.25, pump_correlation=0.812)
    session = replace(song()[0], limits=fine)
    edited = []
    desk = SimpleNamespace(session=session, edit=lambda _label, edit: edited.append(edit(session)))
    dialog = LimitsDialog(desk)
    qtbot.addWidget(dialog)
    dialog.fields["lurch_db"].setValue(3.0)
    dialog.accept_button.click()
    assert edited[0].limits == replace(fine, lurch_db=3.0)
