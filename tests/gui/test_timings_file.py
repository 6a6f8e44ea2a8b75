"""Times from a file, through the window."""

from __future__ import annotations

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QDialog, QFileDialog, QLabel, QPushButton

from ridebook.exchange.timings import write_textgrid, write_webvtt
from ridebook.gui.dialogs import LyricDialog
from ridebook.segment.spans import Kind, Origin, Segments, Span
from ridebook.session import edits
from tests.gui.hands import press, steps
from tests.gui.songs import RATE_HZ, song


def dialog_of(window, kind):
    QApplication.processEvents()
    found = [dialog for dialog in window.findChildren(kind) if dialog.isVisible()]
    assert len(found) == 1, found
    return found[0]


def file_segments():
    """Two lines of two words each, in the first two lines of the song."""
    words, phrases = [], []
    for i, texts in enumerate((("deep", "water"), ("count", "lamps"))):
        start_n = round((1.1 + 4 * i) * RATE_HZ)
        for k, text in enumerate(texts):
            at_n = start_n + k * RATE_HZ
            words.append(Span(f"x{i}{k}", Kind.WORD, at_n, at_n + RATE_HZ, text))
        phrases.append(Span(f"y{i}", Kind.PHRASE, start_n, start_n + 2 * RATE_HZ, " ".join(texts)))
    return Segments(phrases=tuple(phrases), words=tuple(words))


def opened(window, path):
    window.actions_["timings"].trigger()
    dialog = dialog_of(window, QFileDialog)
    dialog.fileSelected.emit(str(path))
    dialog.reject()
    window.activateWindow()


def labels(window):
    return [word.label for word in window.desk.session.segments.words]


def test_timings_are_taken_as_one_step(window, qtbot, tmp_path):
    path = tmp_path / "song.TextGrid"
    write_textgrid(path, file_segments(), RATE_HZ, window.desk.frames_n)
    opened(window, path)
    qtbot.waitUntil(lambda: steps(window) == ["Take the timings of song.TextGrid"])
    assert labels(window) == ["deep", "water", "count", "lamps"]
    assert window.desk.session.segments.words[1].start_n == round(2.1 * RATE_HZ)
    assert {word.origin for word in window.desk.session.segments.words} == {Origin.FILE}
    assert window.desk.session.lyric == "deep water\ncount lamps"
    assert "Took 2 lines and 4 words of song.TextGrid." in window.statusBar().currentMessage()
    press(window, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert labels(window) == [word.label for word in song()[0].segments.words]


def test_what_is_by_hand_stays_where_timings_are_taken(window, qtbot, tmp_path):
    window.desk.edit("Mine", lambda session: edits.rename(session, "w1.0", "mine"))
    mine = window.desk.span("w1.0")
    path = tmp_path / "song.vtt"
    write_webvtt(path, file_segments(), RATE_HZ)
    opened(window, path)
    qtbot.waitUntil(lambda: len(steps(window)) == 2)
    assert window.desk.span("w1.0") == mine
    assert "deep" in labels(window)


def test_what_did_not_fit_is_told_in_the_window_and_in_the_dialog(window, qtbot, tmp_path):
    path = tmp_path / "song.tsv"
    rows = ["1.0\t2.0\tone", "1.5\t3.0\ttwo", "4.0\t3.5\tback", "5.0\t6.0\tthree", "900\t901\tfar", "5.5\t5.8\tin"]
    path.write_text("\n".join(rows))
    opened(window, path)
    qtbot.waitUntil(window.notices.isVisible)
    shown = "\n".join(label.text() for label in window.notices.findChildren(QLabel))
    assert shown.startswith("Took ")
    assert "of song.tsv. To look at:" in shown
    assert "'back'" in shown
    more = next(each for each in window.notices.children() if getattr(each, "text", str)().startswith("and "))
    QTest.mouseClick(more, Qt.MouseButton.LeftButton)
    box = dialog_of(window, QDialog)
    text = "\n".join(label.text() for label in box.findChildren(QLabel))
    for name in ("'one'", "'back'", "'far'", "'three'"):
        assert name in text
    QTest.mouseClick(box.findChildren(QPushButton)[0], Qt.MouseButton.LeftButton)
    window.actions_["lyric"].trigger()
    dialog = dialog_of(window, LyricDialog)
    assert "'back'" in dialog.misfits.toPlainText()
    assert dialog.misfits.isVisible()
    dialog.reject()


@pytest.mark.parametrize("content", ["", "hello\nworld\n", "WEBVTT\n\n"])
def test_a_file_without_times_is_refused_in_words(window, qtbot, tmp_path, content):
    path = tmp_path / "song.vtt"
    path.write_text(content)
    window.actions_["lyric"].trigger()
    dialog = dialog_of(window, LyricDialog)
    button = next(each for each in dialog.findChildren(QPushButton) if each.text().startswith("Open a text"))
    QTest.mouseClick(button, Qt.MouseButton.LeftButton)
    dialog_of(dialog, QFileDialog).fileSelected.emit(str(path))

    def told():
        QApplication.processEvents()
        return [each for each in window.findChildren(QLabel) if each.isVisible() and "song.vtt" in each.text()]

    qtbot.waitUntil(lambda: bool(told()))
    assert steps(window) == []
    for each in window.findChildren(QDialog):
        if each.isVisible():
            each.reject()
