"""The window goes by the balance until the words were listened to, and says by what it goes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ridebook.check.standing import standing
from ridebook.gui import hearing as hearing_module
from ridebook.gui.desk import Desk
from ridebook.gui.panel import SuggestionPanel
from ridebook.gui.sheet import Sheet
from ridebook.gui.sheet_rows import Filter
from ridebook.gui.timeline_canvas import TimelineCanvas
from ridebook.segment.spans import Kind
from ridebook.session import edits
from tests.gui.songs import song
from tests.songs import RATE_HZ, noise_bed, sung, write_pair


@pytest.fixture
def desk(qtbot):
    made = Desk()
    yield made
    made.close()


@pytest.fixture
def heard(desk, qtbot, tmp_path):
    """A song of which one word in each phrase is lost, listened to; none of it rides."""
    vocal, phrases = sung([[0.0, 0.0, -16.0, 0.0]] * 3)
    paths = write_pair(tmp_path, vocal, noise_bed(len(vocal), 0.08))
    rows = ["kind,start_s,end_s,label"]
    for start_n, end_n in phrases:
        rows.append(f"phrase,{start_n / RATE_HZ},{end_n / RATE_HZ},")
        rows += [f"word,{start_n / RATE_HZ + 0.4 * k},{start_n / RATE_HZ + 0.4 * k + 0.35}," for k in range(4)]
    words = tmp_path / "words.csv"
    words.write_text("\n".join(rows) + "\n", "utf-8")
    with qtbot.waitSignals([desk.opened, desk.hearing.changed, desk.suggestion_changed]):
        desk.open_pair(paths[0], [paths[1]], words=words)
    qtbot.waitUntil(lambda: desk.pool.idle)
    return desk


def lost_ids(desk):
    return [word_id for word_id, found in desk.standing.words.items() if found.lost]


def test_without_files_the_balance_says_who_is_lost_and_is_named(desk, qtbot):
    sheet = Sheet(desk)
    qtbot.addWidget(sheet)
    session, measures, suggestion = song()
    desk.show_session(session, measures=measures, suggestion=suggestion)
    assert desk.standing.hearing is None
    sheet.why.refresh()
    assert "not measured yet; until then these count as lost" in sheet.why.text()
    word = lost_ids(desk)[0]
    desk.select([word], kind=Kind.WORD, current_id=word)
    sheet.why.refresh()
    assert sheet.why.text().startswith("Lost by its balance; what is heard of it is not measured yet.")


def test_once_listened_all_parts_of_the_window_go_by_it(heard, qtbot):
    sheet, canvas = Sheet(heard), TimelineCanvas(heard)
    qtbot.addWidget(sheet)
    qtbot.addWidget(canvas)
    lost = lost_ids(heard)
    assert heard.standing.hearing is not None
    assert lost
    words = heard.session.segments.words
    assert [word.id for word, is_lost in zip(words, canvas._data.lost) if is_lost] == lost
    sheet.show_filter(Filter.LOST)
    assert set(sheet.view.shown_phrases()) == set(heard.standing.lost_phrases)
    sheet.why.refresh()
    count = f"{len(lost)} words are" if len(lost) > 1 else "1 word is"
    assert sheet.why.text().startswith(f"{count} lost: M goes to the next (audibility, heard at 75 dB SPL).")
    heard.select([lost[0]], kind=Kind.WORD, current_id=lost[0])
    sheet.why.refresh()
    assert "Lost: audibility 0." in sheet.why.text()
    assert "0.33 is the least" in sheet.view.described(heard.span(lost[0]))
    phrase = heard.session.segments.phrase_of(heard.span(lost[0]))
    heard.select([phrase.id], current_id=phrase.id)
    sheet.why.refresh()
    assert sheet.why.text().startswith("1 word lost by audibility. Suggested: ")
    assert "lost as it is: the bed covers" in sheet.why.text()
    free = next(word.id for word in words if word.id not in lost)
    assert "udibility 0." in sheet.view.described(heard.span(free))


def test_a_moved_border_is_listened_to_at_once(heard, qtbot):
    session = heard.session
    word = session.segments.words[1]
    moved = edits.move_border(session, word.id, "end", word.end_n - 600)
    assert moved.segments.words is not session.segments.words
    heard.edit("Move", lambda _now: moved)
    assert heard.standing.hearing is not None
    assert heard.standing.hearing.words is heard.session.segments.words


def test_another_listening_level_is_listened_for_off_the_windows_thread(heard, qtbot, monkeypatch):
    monkeypatch.setattr(hearing_module, "AT_ONCE_N", 3)
    panel = SuggestionPanel(heard)
    qtbot.addWidget(panel)
    with qtbot.waitSignal(heard.hearing.changed):
        panel.fields["listening_level_db"].setValue(90.0)
        assert heard.standing.hearing is None
    assert heard.standing.hearing.listening_db == 90.0
    assert heard.history.undo_label == "Suggest with listening at 90 dB SPL"
    # What the desk says is what the check says.
    apart = standing(heard.session, heard.measures, hearing=heard.standing.hearing)
    assert [word_id for word_id, found in apart.words.items() if found.lost] == lost_ids(heard)


def test_a_lost_word_is_raised_and_no_longer_lost(heard):
    lost = lost_ids(heard)[0]
    missing_db = heard.standing.words[lost].missing_db
    heard.edit("Up", lambda now: replace(edits.nudge(now, [lost], min(missing_db + 1.0, 6.0))))
    assert (lost in lost_ids(heard)) == (missing_db > 5.0)
