"""The lyric is pasted, laid on the voice, and shown on the sheet."""

from __future__ import annotations

import pytest

from ridebook.gui.desk import Desk
from ridebook.gui.dialogs import LyricDialog
from ridebook.segment.spans import Origin
from ridebook.session import edits
from ridebook.work.demo import demo_sources


@pytest.fixture
def desk(qtbot):
    made = Desk()
    made.cache_on = False
    vocal, beds = demo_sources()
    with qtbot.waitSignal(made.opened):
        made.open_pair(vocal, beds)
    yield made
    made.close()


def test_lyric_is_laid_as_one_step_and_decisions_stay(qtbot, desk):
    first = desk.session.segments.phrases[0]
    desk.edit("Ink", lambda session: edits.ink(session, desk.suggestion, [first.id]))
    inked = desk.session.lane
    text = demo_sources()[0].with_name("lyric.txt").read_text("utf-8")
    told = []
    desk.message.connect(told.append)
    desk.told.connect(lambda heading, sentences: told.extend([heading, *sentences]))
    desk.lay_lyric(text)
    qtbot.waitUntil(lambda: bool(told))
    session = desk.session
    assert desk.history.undo_label == "Lay the lyric"
    assert session.lyric == text
    assert [word.label for word in session.segments.words][:4] == ["Apples", "on", "the", "windowsill"]
    assert [section.label for section in session.segments.sections][:2] == ["verse 1", "chorus"]
    assert session.lane == inked
    assert session.segments.phrases[0].id == first.id
    assert first.id in session.decisions
    assert told[0].startswith("The lyric lies on the voice")
    assert tuple(told[1:]) == desk.misfits
    # What is set by hand stays when the lyric is laid again.
    word = session.segments.words[2]
    desk.edit("Move", lambda now: edits.move_border(now, word.id, "start", word.start_n + 2000))
    desk.edit("Retype", lambda now: edits.rename(now, session.segments.words[5].id, "mine"))
    desk.edit("Confirm", lambda now: edits.confirm(now, [session.segments.words[8].id]))
    by_hand = [span for span in desk.session.segments.all_spans() if span.origin is Origin.HAND]
    told.clear()
    desk.lay_lyric(text)
    qtbot.waitUntil(lambda: bool(told))
    assert len(by_hand) >= 4
    assert [span for span in desk.session.segments.all_spans() if span.origin is Origin.HAND] == by_hand
    assert len(desk.session.segments.words) == len(session.segments.words)
    for _ in range(5):
        desk.undo()
    assert desk.session.lyric == ""
    assert not any(word.label for word in desk.session.segments.words)


def test_dialog_gives_what_was_pasted(qtbot):
    dialog = LyricDialog("", "")
    qtbot.addWidget(dialog)
    assert not dialog.lay.isEnabled()
    given = []
    dialog.given.connect(given.append)
    dialog.field.setPlainText("[verse]\nApples on the windowsill")
    dialog.lay.click()
    assert given == ["[verse]\nApples on the windowsill"]


def test_text_that_is_not_utf8_is_told(qtbot, tmp_path, monkeypatch):
    from ridebook.gui import dialogs

    told = []
    monkeypatch.setattr(dialogs, "ask", lambda _parent, title, text, _choices: told.append((title, text)))
    path = tmp_path / "bad.txt"
    path.write_bytes(b"\xff\xff\xff")
    dialog = LyricDialog("mine", "")
    qtbot.addWidget(dialog)
    dialog._read(str(path))
    assert str(path) in told[0][1]
    assert dialog.field.toPlainText() == "mine"
