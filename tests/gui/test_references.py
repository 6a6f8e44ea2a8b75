"""References in the window: measured, shown with their bar, taken as aim, kept in the session."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from PySide6.QtWidgets import QLabel, QPushButton

from ridebook.ride.reference import PUBLISHED
from tests.songs import RATE_HZ, noise_bed, sung, write_pair


@pytest.fixture
def other(tmp_path: Path) -> tuple[Path, Path]:
    vocal, _ = sung([[0.0] * 4] * 3)
    return write_pair(tmp_path, vocal, noise_bed(len(vocal)))


@pytest.fixture
def record(other: tuple[Path, Path], tmp_path: Path) -> Path:
    vocal, _ = soundfile.read(other[0])
    bed, _ = soundfile.read(other[1])
    path = tmp_path / "record.wav"
    soundfile.write(path, np.asarray(vocal)[:, None] + bed, RATE_HZ, subtype="FLOAT")
    return path


def named(dialog, text, of=""):
    return [
        button
        for button in dialog.findChildren(QPushButton)
        if button.text() == text and not button.isHidden() and of in button.accessibleName()
    ]


def test_a_pair_is_measured_and_taken_as_aim(window, qtbot, other):
    references = window.references
    assert window.panel.references.text() == "references…"
    references.add_pair(other[0], [other[1]])
    qtbot.waitUntil(lambda: len(references.known()) == 1)
    (known,) = references.known()
    dialog = references.show()
    shown = [label.text() for label in dialog.findChildren(QLabel)]
    assert "vocal.wav" in shown
    window.desk.take_trim()
    before = window.desk.session
    named(dialog, "Take as aim", "vocal.wav")[-1].click()
    after = window.desk.session
    assert after.settings.aim_lu == round(known.balance_lu, 1)
    # The trim was the one that the aim asks for, so it goes along.
    assert after.trim_db - before.trim_db == pytest.approx(after.settings.aim_lu - before.settings.aim_lu)
    window.desk.undo()
    assert window.desk.session.settings == before.settings
    dialog.close()


def test_a_record_that_is_listened_to_is_kept_and_its_bar_shown(window, qtbot, record):
    told = []
    window.desk.message.connect(told.append)
    window.references.add_mixes([record], tell=True)
    qtbot.waitUntil(lambda: len(window.references.known()) == 1)
    assert [Path(mix.path).name for mix in window.desk.session.references] == ["record.wav"]
    assert any("9 of 10 songs" in each for each in told)
    dialog = window.references.show()
    (known,) = window.references.known()
    assert known.half_width_lu > 0
    assert any(f"± {known.half_width_lu:.1f} LU" in label.text() for label in dialog.findChildren(QLabel))
    assert "± " in dialog.together.text()
    named(dialog, "Take out", "record.wav")[-1].click()
    assert not window.desk.session.references
    assert not dialog.take_all.isEnabled()
    dialog.close()


def test_the_published_mean_can_be_taken(window, qtbot):
    dialog = window.references.show()
    named(dialog, "Take as aim", "published")[-1].click()
    assert window.desk.session.settings.aim_lu == PUBLISHED.balance_lu
    dialog.close()


def test_key_of_the_reference_plays_the_one_that_is_kept(window, qtbot, record, monkeypatch):
    window.references.add_mixes([record])
    qtbot.waitUntil(lambda: bool(window.desk.session.references))
    taken = []
    monkeypatch.setattr(window.player, "take_reference", taken.append)
    assert window.choose_reference() is None
    assert taken == [record.resolve()]


def test_a_reference_that_is_gone_says_so_and_does_not_hold_up_the_song(window, qtbot, record):
    window.references.add_mixes([record])
    qtbot.waitUntil(lambda: len(window.references.known()) == 1)
    record.unlink()
    window.references._learnt.clear()
    window.references._learn()
    (mix,) = window.desk.session.references
    qtbot.waitUntil(lambda: window.references.learnt(mix) is not None)
    assert "no longer where it was" in window.references.learnt(mix).line()
