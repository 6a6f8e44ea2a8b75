"""Findings in the window: their cures by a key, and what takes a pass over the samples."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from PySide6.QtCore import Qt

from ridebook.gui.app import Windows
from ridebook.gui.findings_list import FINDING, LOOKING, NOTHING
from ridebook.session.document import State
from tests.gui.songs import song
from tests.songs import noise_bed, sung, write_pair


@pytest.fixture
def window(qapp, qtbot):
    made = Windows()
    one = made.make()
    one.resize(1280, 800)
    one.show()
    qtbot.waitExposed(one)
    yield one
    for each in list(made.open):
        each._leaving = True
        each.close()
    made.deleteLater()


def keys(window) -> list[str]:
    return [window.findings.item(i).data(FINDING).key for i in range(window.findings.count())]


def choose(window, what: str) -> None:
    row = next(i for i, key in enumerate(keys(window)) if key.startswith(what))
    window.findings.setCurrentRow(row)


@pytest.fixture
def at_work(window, qtbot):
    session, measures, suggestion = song()
    window.desk.show_session(session, measures=measures, suggestion=suggestion)
    qtbot.waitUntil(lambda: window.findings.count() > 0)
    return window


def test_c_cures_the_current_finding_in_one_step_to_undo(at_work, qtbot):
    choose(at_work, "open")
    before = at_work.desk.session
    finding = at_work.findings.currentItem().data(FINDING)
    assert at_work.findings.currentItem().toolTip() == "Ink what is suggested (C)"
    at_work.findings.setFocus()
    qtbot.keyClick(at_work.findings, Qt.Key.Key_C)
    assert {at_work.desk.session.decision(span_id).state for span_id, _ in finding.cure.gains_db} == {State.INKED}
    qtbot.waitUntil(lambda: finding.key not in keys(at_work))
    at_work.desk.undo()
    assert at_work.desk.session is before


def test_c_works_from_the_sheet_and_says_so_where_there_is_nothing_to_cure(at_work, qtbot):
    said = []
    at_work.desk.message.connect(said.append)
    at_work.findings.setCurrentItem(None)
    at_work.sheet.view.setFocus()
    qtbot.keyClick(at_work.sheet.view, Qt.Key.Key_C)
    assert said[-1].startswith("Choose a finding first")
    choose(at_work, "lost")
    lane = at_work.desk.session.lane
    qtbot.keyClick(at_work.sheet.view, Qt.Key.Key_C)
    assert at_work.desk.session.lane != lane
    assert said[-1].endswith("done.")


def test_a_finding_without_a_cure_says_that_a_hand_is_needed(at_work):
    said = []
    at_work.desk.message.connect(said.append)
    finding = at_work.findings.item(0).data(FINDING)
    at_work.findings.cure(replace(finding, cure=None))
    assert said[-1] == "No key cures this one; its sentence says what does."


def test_peaks_and_clipping_of_an_open_pair_come_by_themselves(window, qtbot, tmp_path: Path):
    vocal, _ = sung([[0, 0, 0], [-2, -2, -2], [0, 0, 0]])
    vocal = 0.8 * np.clip(vocal / np.abs(vocal).max() * 1.4, -1, 1)
    paths = write_pair(tmp_path, vocal, noise_bed(len(vocal)))
    with qtbot.waitSignal(window.desk.opened):
        window.desk.open_pair(paths[0], [paths[1]])
    qtbot.waitUntil(lambda: "clipped:vocal" in keys(window))
    window.desk.edit("Trim", lambda session: replace(session, trim_db=12.0))
    qtbot.waitUntil(lambda: "peak:ridden stem" in keys(window))
    choose(window, "peak:ridden stem")
    window.findings.cure()
    qtbot.waitUntil(lambda: "peak:ridden stem" not in keys(window))
    # By an independent way: the samples over-sampled by an FFT.
    whole, _ = soundfile.read(paths[0])
    spectrum = np.fft.rfft(whole)
    finer = np.fft.irfft(np.concatenate([spectrum, np.zeros(3 * (len(whole) // 2))]), 4 * len(whole)) * 4
    peak_db = 20 * np.log10(np.abs(finer).max()) + window.desk.session.trim_db
    assert peak_db == pytest.approx(-1.0, abs=0.4)


def test_the_sheet_is_printed_from_the_menu(window, qtbot, tmp_path: Path):
    vocal, _ = sung([[0, 0, 0], [-2, -2, -2]])
    paths = write_pair(tmp_path, vocal, noise_bed(len(vocal)))
    assert window.print_sheet() is None
    with qtbot.waitSignal(window.desk.opened):
        window.desk.open_pair(paths[0], [paths[1]])
    assert window.actions_["print_sheet"].isEnabled()
    dialog = window.print_sheet()
    assert dialog is not None
    dialog.reject()
    target = tmp_path / "sheet.pdf"
    window._print_sheet(target)
    qtbot.waitUntil(target.is_file)
    assert target.read_bytes().startswith(b"%PDF")


def test_an_empty_list_says_whether_it_still_looks_or_found_nothing(window, qtbot):
    findings = window.findings
    assert findings.instead() == ""
    session, measures, suggestion = song()
    window.desk.show_session(session, measures=measures, suggestion=suggestion)
    qtbot.waitUntil(lambda: findings.instead() == LOOKING or findings.count() > 0)
    qtbot.waitUntil(lambda: findings.count() > 0)
    assert findings.instead() == ""
    findings.show_findings(())
    assert findings.instead() == NOTHING
