"""The user's hand in the window: kept at a save, shown, taken by a click, switched off, deleted."""

from __future__ import annotations

import pytest

from ridebook.ride.hand import Case, SongRecord
from ridebook.session import edits
from ridebook.work.hand import HandStore


def decide(window):
    desk = window.desk
    ids = [phrase.id for phrase in desk.session.segments.phrases]
    desk.edit("Ink", lambda session: edits.ink(session, desk.suggestion, ids[:2]))
    desk.edit("Ride", lambda session: edits.nudge(session, ids[:1], -1.0))


def settled(window, qtbot):
    """Wait until all that was asked of the pool has been done."""
    qtbot.waitUntil(lambda: not window.desk.pool._jobs)


def saved(window, qtbot, path):
    with qtbot.waitSignal(window.desk.saved):
        window.desk.save(path)
    settled(window, qtbot)


def test_a_save_keeps_what_was_decided_and_changes_no_setting(window, qtbot, tmp_path):
    settings = window.desk.session.settings
    decide(window)
    saved(window, qtbot, tmp_path / "song.ridebook")
    (song,) = HandStore().read().songs
    assert len(song.cases) == 2
    assert song.cases[0].final_db == pytest.approx(song.cases[0].suggested_db - 1.0, abs=0.3)
    assert window.desk.session.settings == settings
    decide(window)
    saved(window, qtbot, None)
    assert len(HandStore().read().songs) == 1


def test_what_was_learnt_is_told_and_taken_by_a_click(window, qtbot):
    case = Case(2.0, 1.2, 0.8, 4.0)
    HandStore().keep(SongRecord("a", "Old song", "2026-01-31", (case,) * 100))
    dialog = window.hand.show()
    settled(window, qtbot)
    assert dialog.songs.count() == 1
    share = window.hand.hand.share
    assert share == pytest.approx(0.5, abs=0.04)
    assert "100 phrases of 1 song" in dialog.learnt.text()
    assert f"{100 * share:.0f} %" in window.panel.hand.text()
    assert "Old song: 100 phrases decided, 2026-01-31" in dialog.songs.item(0).text()
    assert window.desk.session.settings.share == 0.8
    dialog.take.click()
    assert window.desk.session.settings.share == round(share, 2)
    assert not dialog.take.isEnabled()
    window.desk.undo()
    assert window.desk.session.settings.share == 0.8
    dialog.close()


def test_switched_off_a_save_writes_nothing(window, qtbot, tmp_path):
    dialog = window.hand.show()
    settled(window, qtbot)
    dialog.on.click()
    settled(window, qtbot)
    before = HandStore().path.read_bytes()
    decide(window)
    saved(window, qtbot, tmp_path / "song.ridebook")
    assert HandStore().path.read_bytes() == before
    assert window.panel.hand.text() == "your hand: off…"
    dialog.close()


def test_songs_are_deleted_one_by_one_or_all(window, qtbot):
    for name in "abc":
        HandStore().keep(SongRecord(name, name, "2026-01-31", (Case(2.0, 1.0, 0.8, 4.0),)))
    dialog = window.hand.show()
    settled(window, qtbot)
    assert dialog.songs.count() == 3
    assert not dialog.delete_one.isEnabled()
    dialog.songs.setCurrentRow(0)
    dialog.delete_one.click()
    settled(window, qtbot)
    assert [song.id for song in HandStore().read().songs] == ["a", "b"]
    dialog.delete_all.click()
    settled(window, qtbot)
    assert not HandStore().path.exists()
    assert dialog.songs.count() == 0
    assert window.panel.hand.text() == "your hand: nothing yet…"
    dialog.close()
