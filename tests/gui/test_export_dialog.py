"""Export and followers in the window: Enter is enough, choices are remembered, and it is told what was written."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pytest
import soundfile
from PySide6.QtCore import Qt
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import QAbstractButton, QAbstractSpinBox, QComboBox, QDialog, QLabel, QLineEdit, QPushButton

from ridebook.exchange.breakpoints import ListTime
from ridebook.exchange.manifest import differing_files
from ridebook.gui.app import Windows
from ridebook.gui.export_dialog import ExportedDialog
from ridebook.gui.followers_dialog import FollowersDialog
from ridebook.gui.theme import ThemeChoice, themes
from ridebook.ride.settings import RideSettings
from ridebook.work.deliverables import Part
from tests.handed import made_song


@pytest.fixture
def session(tmp_path):
    return replace(made_song(tmp_path / "song"), followers=(), title="Wall")


@pytest.fixture
def window(qapp, qtbot, session):
    windows = Windows()
    made = windows.make()
    made.resize(1280, 800)
    made.show()
    qtbot.waitExposed(made)
    made.desk.show_session(session)
    yield made
    made.leave()
    windows.deleteLater()


def shown(window, kind, qtbot=None):
    def there():
        return [dialog for dialog in window.findChildren(kind) if dialog.isVisible()]

    if qtbot is not None:
        qtbot.waitUntil(lambda: bool(there()))
    (dialog,) = there()
    return dialog


def folder_of(session):
    return Path(session.vocal.path).parent


def written(session):
    return {path.name for path in folder_of(session).iterdir() if path.name.startswith("Wall")}


def export(window, qtbot, **set_up):
    dialog = window.exporting.ask()
    for part in Part:
        if set_up and dialog.checks[part].isEnabled():
            dialog.checks[part].setChecked(part in set_up["parts"])
    qtbot.keyClick(dialog.focusWidget() or dialog, Qt.Key.Key_Return)
    done = shown(window, ExportedDialog, qtbot)
    told = done.list.toPlainText()
    qtbot.keyClick(done.focusWidget() or done, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: not done.isVisible())
    return told


def test_enter_alone_writes_rides_and_ridden_vocal_beside_the_song(window, qtbot, session):
    told = export(window, qtbot)
    assert written(session) == {"Wall rides.csv", "Wall ridden.wav"}
    assert [line.split(":")[0] for line in told.splitlines()] == [
        "Wrote the rides to Wall rides.csv",
        "Wrote the ridden stem to Wall ridden.wav",
    ]
    with (folder_of(session) / "Wall rides.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [round(float(row["time_s"]) * session.vocal.rate_hz) for row in rows] == [
        point.frame_n for point in session.lane.points
    ]
    assert soundfile.info(folder_of(session) / "Wall ridden.wav").frames == session.vocal.frames_n


def test_what_was_chosen_is_remembered_and_nothing_is_replaced_unasked(window, qtbot, session):
    export(window, qtbot, parts={Part.MIDI, Part.SEGMENTS, Part.MANIFEST})
    first = written(session)
    assert first == {"Wall rides.mid", "Wall segments.csv", "Wall manifest.json"}
    dialog = window.exporting.ask()
    assert {part for part, check in dialog.checks.items() if check.isChecked()} == {
        Part.MIDI,
        Part.SEGMENTS,
        Part.MANIFEST,
    }
    assert "Wall rides 2.mid" in dialog.written.text().replace("\N{NO-BREAK SPACE}", " ")
    assert "replaced" not in dialog.remark.text()
    dialog.replace.setChecked(True)
    assert "Will be replaced: Wall rides.mid, Wall segments.csv and 1 more." in dialog.remark.text()
    dialog.replace.setChecked(False)
    dialog.reject()
    export(window, qtbot)
    assert written(session) == first | {"Wall rides 2.mid", "Wall segments 2.csv", "Wall manifest 2.json"}
    assert differing_files(folder_of(session) / "Wall manifest 2.json") == ()


def test_everything_is_written_in_another_folder_and_shown(window, qtbot, session, tmp_path, monkeypatch):
    out = tmp_path / "out"
    out.mkdir()
    dialog = window.exporting.ask()
    dialog.folder.setText(str(out))
    dialog.pattern.setText("{what}, {title}")
    for check in dialog.checks.values():
        check.setChecked(check.isEnabled())
    qtbot.keyClick(dialog.start, Qt.Key.Key_Return)
    done = shown(window, ExportedDialog, qtbot)
    assert len(list(out.iterdir())) == len(done.list.toPlainText().splitlines()) == 12
    assert str(out) in "".join(label.text() for label in done.findChildren(QLabel))
    opened = []
    monkeypatch.setattr(QDesktopServices, "openUrl", lambda url: opened.append(url.toLocalFile()))
    qtbot.mouseClick(done.show_folder, Qt.MouseButton.LeftButton)
    assert opened == [str(out)]
    done.accept()
    # The same song goes there again; another one begins beside its own files.
    again = window.exporting.ask()
    assert again.folder.text() == str(out)
    again.reject()
    other = replace(session, vocal=replace(session.vocal, path=str(tmp_path / "other" / "vocal.wav")))
    (tmp_path / "other").mkdir()
    window.desk.show_session(other)
    fresh = window.exporting.ask()
    assert fresh.folder.text() == str(tmp_path / "other")
    fresh.reject()


def test_the_preview_follows_the_columns(window):
    dialog = window.exporting.ask()
    assert "time_s" in dialog.preview.text()
    assert "-1.500000000" in dialog.preview.text()  # the trim
    dialog.trim.setChecked(False)
    assert "-1.500000000" not in dialog.preview.text()
    dialog.times[ListTime.SAMPLES].setChecked(True)
    dialog.times[ListTime.SECONDS].setChecked(False)
    assert "time_samples" in dialog.preview.text()
    assert "time_s<" not in dialog.preview.text()
    dialog.decimal.setCurrentIndex(1)
    assert "3,000000000" in dialog.preview.text()
    dialog.offset.setValue(1.0)
    assert "74100" in dialog.preview.text()
    assert dialog.pages.currentIndex() == 0
    dialog.checks[Part.AAF].click()
    assert dialog.tabs["AAF"].isChecked()
    dialog.reject()


def test_a_selection_goes_out_alone(window, session):
    dialog = window.exporting.ask()
    assert not dialog.only_selection.isEnabled()
    dialog.reject()
    phrase = session.segments.phrases[1]
    window.desk.select([phrase.id])
    dialog = window.exporting.ask()
    dialog.only_selection.setChecked(True)
    dialog.times[ListTime.SAMPLES].setChecked(True)
    assert f">{phrase.start_n}<" in dialog.preview.text()
    assert dialog._chosen.plan.list_form.span == (phrase.start_n, phrase.end_n)
    assert dialog._chosen.plan.midi_form.span == (phrase.start_n, phrase.end_n)
    dialog.reject()


def troubles(dialog):
    dialog.times[ListTime.BARS].setChecked(True)
    yield "need a tempo"
    dialog.times[ListTime.BARS].setChecked(False)
    dialog.pattern.setText("{title}")
    yield "lacks {what}"
    dialog.pattern.setText("{what}")
    dialog.folder.setText("/no/such/folder")
    yield "There is no folder"
    dialog.folder.setText(str(Path.home()))
    dialog.start_timecode.setText("noon")
    yield "no timecode"
    dialog.start_timecode.setText("01:00:00:00")
    dialog.tempo_kind.setCurrentIndex(2)
    dialog.tempo_file.setText("/no/map.mid")
    yield "/no/map.mid cannot be read"
    dialog.tempo_kind.setCurrentIndex(0)
    dialog.steps.setText("a bit")
    yield "numbers parted by commas"
    dialog.steps.setText("0.5")


def test_what_cannot_be_is_said_and_not_begun(window):
    dialog = window.exporting.ask()
    for says in troubles(dialog):
        assert says in dialog.remark.text()
        assert not dialog.start.isEnabled()
    assert dialog.start.isEnabled()
    for check in dialog.checks.values():
        check.setChecked(False)
    assert not dialog.start.isEnabled()
    dialog.reject()


def test_a_source_is_never_written_over(window, qtbot, session):
    vocal = Path(session.vocal.path).rename(folder_of(session) / "Wall ridden.wav")
    before = vocal.read_bytes()
    window.desk.show_session(replace(session, vocal=replace(session.vocal, path=str(vocal))))
    dialog = window.exporting.ask()
    dialog.replace.setChecked(True)
    qtbot.keyClick(dialog.start, Qt.Key.Key_Return)
    told = shown(window, QDialog, qtbot)
    assert "is a source" in "".join(label.text() for label in told.findChildren(QLabel))
    told.accept()
    assert vocal.read_bytes() == before
    assert written(session) == {"Wall ridden.wav"}


def test_an_export_that_is_called_off_leaves_nothing(window, qtbot, session, tmp_path):
    dialog = window.exporting.ask()
    said = []
    window.desk.message.connect(said.append)
    dialog.start.click()
    ((job_id, _, _),) = window.desk.pool.running()
    window.desk.pool.cancel(job_id)
    qtbot.waitUntil(lambda: not window.desk.pool.running() and bool(said))
    assert said == ["The export was called off; nothing was written."]
    assert written(session) == set()


@pytest.mark.parametrize("theme", [ThemeChoice.PAPER, ThemeChoice.LAMP])
def test_all_can_be_reached_by_keys_and_has_a_name(window, qtbot, theme):
    themes().choose(theme)
    dialog = window.exporting.ask()
    kinds = (QAbstractButton, QComboBox, QLineEdit, QAbstractSpinBox)
    for name in dialog.tabs:
        dialog.show_page(name)
        wanted = {
            each
            for kind in kinds
            for each in dialog.findChildren(kind)
            if each.isVisible()
            and each.isEnabled()
            and each.focusPolicy() & Qt.FocusPolicy.TabFocus
            and each.objectName() != "qt_spinbox_lineedit"
        }
        assert len(wanted) > 15
        for each in wanted:
            text = each.text() if isinstance(each, QAbstractButton) else ""
            assert each.accessibleName() or text, each
        reached = set()
        dialog.checks[Part.RIDES].setFocus()
        for _ in range(80):
            reached.add(dialog.focusWidget())
            qtbot.keyClick(dialog.focusWidget(), Qt.Key.Key_Tab)
        # Of buttons that exclude each other the one that is on is reached, and the others from it by the arrows.
        tabs = set(dialog.tabs.values())
        assert wanted - tabs <= reached
        assert dialog.tabs[name] in reached
    assert dialog.width() <= 1280
    dialog.reject()


def test_followers_are_named_shared_and_taken_back(window, qtbot, session, tmp_path):
    asked = window.exporting.ask()
    assert not asked.checks[Part.FOLLOWERS].isEnabled()
    qtbot.mouseClick(asked.followers_button, Qt.MouseButton.LeftButton)
    dialog = shown(window, FollowersDialog)
    folder = folder_of(session)
    dialog.take([folder / "double.wav", folder / "hall.wav", folder / "bed.wav", folder / "double.wav"])
    assert [path.name for path, _ in dialog.followers()] == ["double.wav", "hall.wav"]
    assert "bed.wav" in dialog.remark.text()
    spin = next(each for each in dialog.findChildren(QAbstractSpinBox) if "double" in each.accessibleName())
    spin.setValue(40)
    with qtbot.waitSignal(window.desk.session_changed):
        dialog.keep.click()
    followers = window.desk.session.followers
    assert [(Path(each.source.path).name, each.share) for each in followers] == [("double.wav", 0.4), ("hall.wav", 1.0)]
    assert followers[0].source.rate_hz == 48_000
    assert asked.checks[Part.FOLLOWERS].isChecked()
    assert "double 40 %" in asked.remarks[Part.FOLLOWERS].text()
    asked.start.click()
    shown(window, ExportedDialog, qtbot).accept()
    assert written(session) == {
        "Wall rides.csv",
        "Wall ridden.wav",
        "Wall double ridden.wav",
        "Wall double rides.csv",
        "Wall hall ridden.wav",
        "Wall hall rides.csv",
    }

    dialog = window.exporting.ask_followers()
    out = next(each for each in dialog.findChildren(QPushButton) if each.accessibleName() == "Take out double.wav")
    out.click()
    with qtbot.waitSignal(window.desk.session_changed):
        dialog.keep.click()
    assert [Path(each.source.path).name for each in window.desk.session.followers] == ["hall.wav"]
    window.desk.undo()
    assert window.desk.session.followers == followers
    window.desk.undo()
    assert window.desk.session.followers == ()
    assert window.desk.session.settings == RideSettings()
