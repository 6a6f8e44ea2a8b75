"""True peaks on the desk are those of the lane as it is."""

from __future__ import annotations

import threading

import pytest

from ridebook.gui.desk import Desk
from ridebook.gui.song_watch import SongWatch
from ridebook.session.edits import set_trim
from ridebook.work import peaks
from ridebook.work.peaks import TruePeaks, true_peaks
from tests.songs import noise_bed, sung, write_pair


@pytest.fixture
def desk(qtbot):
    made = Desk()
    yield made
    made.close()


def test_peaks_of_a_lane_that_was_left_are_not_shown(desk, qtbot, tmp_path, monkeypatch):
    vocal, _ = sung([(0, 0, -8, 0), (0, -2, 0, 0)])
    stems = write_pair(tmp_path, vocal, noise_bed(len(vocal)))
    asked, go_on = threading.Event(), threading.Event()

    def late(*of_what: object) -> TruePeaks:
        found = true_peaks(*of_what[:4])
        asked.set()
        go_on.wait(60)
        return found

    monkeypatch.setattr(peaks, "true_peaks", late)
    watch = SongWatch(desk)
    desk.open_pair(stems[0], stems[1:])
    qtbot.waitUntil(asked.is_set)
    trim_db = desk.session.trim_db
    desk.edit("Trim", lambda session: set_trim(session, trim_db - 12.0))
    go_on.set()
    qtbot.waitUntil(lambda: bool(watch.peaks_dbtp))
    first = watch.peaks_dbtp
    desk.edit("Trim", lambda session: set_trim(session, trim_db))
    assert not watch.peaks_dbtp
    qtbot.waitUntil(lambda: bool(watch.peaks_dbtp))
    assert watch.peaks_dbtp["ridden stem"] == pytest.approx(first["ridden stem"] + 12.0, abs=0.01)


def test_a_file_that_is_away_is_told_without_a_dialog(desk, qtbot, tmp_path):
    vocal, _ = sung([(0, 0, -8, 0), (0, -2, 0, 0)])
    stems = write_pair(tmp_path, vocal, noise_bed(len(vocal)))
    watch = SongWatch(desk)
    desk.open_pair(stems[0], stems[1:])
    qtbot.waitUntil(lambda: bool(watch.peaks_dbtp))
    stems[1].unlink()
    failed, told = [], []
    desk.failed.connect(failed.append)
    desk.message.connect(told.append)
    desk.edit("Trim", lambda session: set_trim(session, session.trim_db - 1.0))
    qtbot.waitUntil(lambda: any("no longer where" in each for each in told))
    assert not failed
    assert not watch.peaks_dbtp
