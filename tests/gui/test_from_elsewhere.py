"""A lane and a mix from elsewhere, and what is watched of the files, in the window."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from PySide6.QtCore import QPoint, Qt
from PySide6.QtWidgets import QDialog

from ridebook.gui.app import Windows
from ridebook.gui.findings_list import FINDING
from ridebook.gui.from_elsewhere import ApprovedMixDialog, LaneDialog
from ridebook.gui.limits_dialog import LimitsDialog
from ridebook.session.document import State
from ridebook.session.edits import set_trim
from ridebook.session.limits import CheckLimits
from tests.songs import RATE_HZ, noise_bed, sung, write_pair


@pytest.fixture
def window(qapp, qtbot, tmp_path):
    windows = Windows()
    made = windows.make()
    made.resize(1280, 800)
    made.show()
    qtbot.waitExposed(made)
    vocal, _ = sung([(0, 0, -8, 0), (0, -2, 0, 0), (0, 0, 0)])
    stems = write_pair(tmp_path, vocal, noise_bed(len(vocal)))
    with qtbot.waitSignal(made.desk.opened):
        made.desk.open_pair(stems[0], stems[1:])
    yield made
    made.leave()
    windows.deleteLater()


def keys(window) -> list[str]:
    return [window.findings.item(i).data(FINDING).key for i in range(window.findings.count())]


def opened(window, action: str, kind: type[QDialog]) -> QDialog:
    window.actions_[action].trigger()
    return next(dialog for dialog in window.findChildren(kind) if dialog.isVisible())


def test_a_table_is_taken_over_in_one_step_that_can_be_undone(window, qtbot, tmp_path):
    table = tmp_path / "rides.csv"
    table.write_text("time;gain\n0,0;-3,0\n1,0;-3,0\n1,2;2,5\n9,0;2,5\n", encoding="utf-8")
    before = window.desk.session
    dialog = opened(window, "lane_over", LaneDialog)
    assert not dialog.take.isEnabled()
    qtbot.keyClicks(dialog.table, str(table))
    said = []
    window.desk.message.connect(said.append)
    with qtbot.waitSignal(window.desk.message):
        qtbot.mouseClick(dialog.take, Qt.MouseButton.LeftButton)
    session = window.desk.session
    whole_db = session.trim_db + session.lane.gain_db_at([RATE_HZ // 2, 4 * RATE_HZ])
    assert whole_db.tolist() == pytest.approx([-3.0, 2.5])
    assert {session.decision(phrase.id).state for phrase in session.segments.phrases} == {State.DRAWN}
    assert "4 breakpoints" in said[-1]
    assert "decibels" in said[-1]
    assert window.desk.history.undo_label == "Lane from rides.csv"
    window.desk.undo()
    assert window.desk.session == before


def test_units_that_are_named_go_before_what_is_recognised(window, qtbot, tmp_path):
    table = tmp_path / "factors.csv"
    table.write_text(f"time,gain\n0,0.5\n{2 * RATE_HZ},2\n", encoding="utf-8")
    dialog = opened(window, "lane_over", LaneDialog)
    dialog.table.setText(str(table))
    dialog.gain_unit.setCurrentText("linear gain")
    dialog.time_unit.setCurrentText("samples")
    with qtbot.waitSignal(window.desk.message):
        qtbot.mouseClick(dialog.take, Qt.MouseButton.LeftButton)
    session = window.desk.session
    whole_db = session.trim_db + session.lane.gain_db_at([0, 2 * RATE_HZ])
    assert whole_db.tolist() == pytest.approx([-6.02, 6.02], abs=0.01)


def test_two_renders_give_the_lane_between_them(window, qtbot, tmp_path):
    samples, rate_hz = soundfile.read(window.desk.session.vocal.path)
    gain_db = np.interp(np.arange(len(samples)), [0, 2 * rate_hz, 3 * rate_hz], [-2.0, -2.0, 3.0])
    after = tmp_path / "ridden.wav"
    soundfile.write(after, samples * 10 ** (gain_db / 20) * 0.5, rate_hz, subtype="FLOAT")
    dialog = opened(window, "lane_over", LaneDialog)
    qtbot.mouseClick(dialog.from_renders, Qt.MouseButton.LeftButton, pos=QPoint(8, 8))
    assert not dialog.table.isEnabled()
    dialog.after.setText(str(after))
    with qtbot.waitSignal(window.desk.message):
        qtbot.mouseClick(dialog.take, Qt.MouseButton.LeftButton)
    session = window.desk.session
    whole_db = session.trim_db + session.lane.gain_db_at([rate_hz, 4 * rate_hz])
    assert whole_db.tolist() == pytest.approx([-8.02, -3.02], abs=0.1)


def test_an_approved_mix_is_held_against_the_sum_and_can_be_put_away(window, qtbot, tmp_path):
    session = window.desk.session
    vocal, rate_hz = soundfile.read(session.vocal.path)
    bed, _ = soundfile.read(session.beds[0].path)
    mix = tmp_path / "approved.wav"
    soundfile.write(mix, np.tanh(2.0 * (vocal[:, None] + bed)) / 2.0, rate_hz, subtype="FLOAT")
    window.desk.edit("Trim", lambda now: set_trim(now, 0.0))
    dialog = opened(window, "approved_mix", ApprovedMixDialog)
    assert not dialog.without.isEnabled()
    dialog.mix.setText(str(mix))
    qtbot.mouseClick(dialog.hold, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: "sum:mix" in keys(window))
    assert window.desk.session.approved_mix.path == str(mix)
    dialog = opened(window, "approved_mix", ApprovedMixDialog)
    assert dialog.mix.text() == str(mix)
    qtbot.mouseClick(dialog.without, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: "sum:mix" not in keys(window))
    assert window.desk.session.approved_mix is None


def test_a_source_that_is_written_over_while_it_is_open_is_told(window, qtbot):
    qtbot.waitUntil(lambda: window.findings.watch.health is not None)
    path = Path(window.desk.session.beds[0].path)
    whole = path.read_bytes()
    path.write_bytes(whole[:-4] + b"\x01\x02\x03\x04")
    qtbot.waitUntil(lambda: f"stale:{path.name}" in keys(window))
    path.write_bytes(whole)
    qtbot.waitUntil(lambda: f"stale:{path.name}" not in keys(window))


def test_peaks_follow_the_trim(window, qtbot):
    watch = window.findings.watch
    qtbot.waitUntil(lambda: bool(watch.peaks_dbtp))
    before_dbtp, before_db = watch.peaks_dbtp["ridden stem"], window.desk.session.trim_db
    window.desk.edit("Trim", lambda now: set_trim(now, before_db + 24.0))
    assert not watch.peaks_dbtp
    qtbot.waitUntil(lambda: bool(watch.peaks_dbtp))
    assert watch.peaks_dbtp["ridden stem"] == pytest.approx(before_dbtp + 24.0, abs=0.01)
    qtbot.waitUntil(lambda: "peak:ridden stem" in keys(window))


def test_limits_are_set_in_one_step_and_the_findings_go_by_them(window, qtbot):
    watch = window.findings.watch
    qtbot.waitUntil(lambda: bool(watch.peaks_dbtp))
    assert "peak:mix" not in keys(window)
    dialog = opened(window, "limits", LimitsDialog)
    dialog.fields["ceiling_dbtp"].setValue(-20.0)
    dialog.accept_button.click()
    qtbot.waitUntil(lambda: "peak:mix" in keys(window))
    assert window.desk.history.undo_label == "Limits of the checks"
    dialog = opened(window, "limits", LimitsDialog)
    assert dialog.fields["ceiling_dbtp"].value() == -20.0
    qtbot.mouseClick(dialog.begin, Qt.MouseButton.LeftButton)
    dialog.accept_button.click()
    assert window.desk.session.limits == CheckLimits()
