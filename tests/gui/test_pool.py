from __future__ import annotations

import sys
import threading

import pytest

from ridebook.errors import SettingError
from ridebook.gui.pool import Pool
from ridebook.work.steps import raise_if


@pytest.fixture
def pool(qtbot):
    made = Pool()
    yield made
    made.close()


def test_result_and_progress_reach_the_window(pool, qtbot):
    results, shares, asked = [], [], threading.Event()

    def work(progress, _cancelled):
        progress(0.5)
        asked.wait(60)
        return 42

    pool.busy_changed.connect(lambda: shares.extend(share for _, _, share in pool.running()))
    pool.start(work, done=results.append, label="Counting")
    qtbot.waitUntil(lambda: 0.5 in shares)
    assert pool.running()[0][1] == "Counting"
    asked.set()
    qtbot.waitUntil(lambda: results == [42])
    assert pool.running() == []


def test_error_of_the_user_is_reported_and_nothing_is_done(pool, qtbot):
    errors, results = [], []

    def work(_progress, _cancelled):
        raise SettingError("too loud")

    pool.start(work, done=results.append, failed=errors.append)
    qtbot.waitUntil(lambda: bool(errors))
    assert str(errors[0]) == "too loud"
    assert results == []


def test_unexpected_error_goes_to_the_exception_hook(pool, qtbot, monkeypatch):
    seen = []
    monkeypatch.setattr(sys, "excepthook", lambda kind, error, trace: seen.append((kind, str(error), trace)))

    def work(_progress, _cancelled):
        raise ZeroDivisionError("oh")

    pool.start(work, done=lambda _result: None)
    qtbot.waitUntil(lambda: bool(seen))
    assert seen[0][:2] == (ZeroDivisionError, "oh")
    assert seen[0][2] is not None


def test_cancel_stops_the_work_and_is_told(pool, qtbot):
    begun, called_off, results = threading.Event(), [], []

    def work(_progress, cancelled):
        begun.set()
        while True:
            raise_if(cancelled)
            threading.Event().wait(0.005)

    job = pool.start(work, done=results.append, called_off=lambda: called_off.append(True), label="Long")
    assert begun.wait(60)
    pool.cancel(job)
    qtbot.waitUntil(lambda: called_off == [True])
    assert results == []


def test_only_the_newest_of_a_group_counts(pool, qtbot):
    gate, results, lost = threading.Event(), [], []

    def slow(_progress, _cancelled):
        gate.wait(60)
        return "old"

    pool.start(slow, done=results.append, lost=lost.append, group="suggest")
    pool.start(lambda _p, _c: "new", done=results.append, group="suggest")
    qtbot.waitUntil(lambda: results == ["new"])
    gate.set()
    qtbot.waitUntil(lambda: lost == ["old"])
    assert results == ["new"]


def test_close_waits_for_what_runs_and_lets_go_of_its_result(qtbot):
    pool = Pool()
    gate, lost, results = threading.Event(), [], []

    def work(_progress, cancelled):
        gate.set()
        while not cancelled():
            threading.Event().wait(0.005)
        return "late"

    pool.start(work, done=results.append, lost=lost.append)
    assert gate.wait(60)
    pool.close()
    assert lost == ["late"]
    assert results == []


def test_nothing_is_started_once_it_is_closed(pool):
    pool.close()
    assert pool.start(lambda _progress, _cancelled: None, done=lambda _result: None) == 0
    assert pool.running() == []
