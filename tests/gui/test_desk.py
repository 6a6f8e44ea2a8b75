from __future__ import annotations

import threading
from dataclasses import replace

import pytest

from ridebook.errors import SessionChangedError
from ridebook.gui import desk as desk_module
from ridebook.gui.desk import Desk
from ridebook.gui.panel import set_setting
from ridebook.segment.spans import Kind
from ridebook.session import edits
from ridebook.session.file import load_session
from ridebook.session.recovery import recovery_folder
from tests.gui.songs import mid_pass, song
from tests.songs import noise_bed, sung, write_pair


@pytest.fixture
def desk(qtbot):
    made = Desk()
    yield made
    made.close()


@pytest.fixture
def opened(desk):
    session, measures, suggestion = song()
    desk.show_session(session, measures=measures, suggestion=suggestion)
    return desk


@pytest.fixture
def stems(tmp_path):
    vocal, _ = sung([(0, 0, -8, 0), (0, -2, 0, 0), (0, 0, 0)])
    return write_pair(tmp_path, vocal, noise_bed(len(vocal)))


def titled(title):
    return lambda session: replace(session, title=title)


def test_edit_is_one_step_and_tells_before_and_after(opened, qtbot):
    before = opened.session
    with qtbot.waitSignal(opened.session_changed) as told:
        assert opened.edit("Title", titled("Tide"))
    assert told.args == [before, opened.session]
    assert opened.session.title == "Tide"
    assert opened.changed
    opened.undo()
    assert opened.session is before
    assert not opened.changed
    opened.redo()
    assert opened.session.title == "Tide"


def test_edit_that_changes_nothing_is_no_step(opened):
    assert not opened.edit("Title", titled(opened.session.title))
    assert opened.history.undo_label is None


def test_refused_edit_leaves_all_and_says_why(opened, qtbot):
    before = opened.session
    with qtbot.waitSignal(opened.message) as told:
        assert not opened.edit("Trim", lambda session: edits.set_trim(session, 999.0))
    assert "999" in told.args[0]
    assert opened.session is before


def test_gesture_is_staged_from_its_beginning_and_is_one_step(opened):
    opened.begin("Drag")
    for title in ("a", "ab", "abc"):
        opened.stage(lambda session, title=title: replace(session, title=session.title + title))
    assert opened.session.title == "Low Waterabc"
    opened.commit()
    assert [step.label for step in opened.history.steps] == ["Drag"]
    opened.undo()
    assert opened.session.title == "Low Water"


def test_aborted_gesture_leaves_no_step(opened):
    before = opened.session
    opened.begin("Drag")
    opened.stage(titled("x"))
    opened.abort()
    assert opened.session is before
    assert not opened.history.steps
    opened.begin("Drag")
    opened.stage(titled("y"))
    opened.undo()
    assert opened.session is before
    assert not opened.in_gesture


def test_gesture_that_comes_back_is_no_step(opened):
    opened.begin("Drag")
    opened.stage(titled("x"))
    opened.stage(lambda session: session)
    opened.commit()
    assert not opened.history.steps


def test_steps_with_one_key_merge(opened):
    for title in ("a", "b", "c"):
        opened.edit("Title", titled(title), merge_key="title")
    assert len(opened.history.steps) == 1
    opened.undo()
    assert opened.session.title == "Low Water"


def test_jump_goes_back_and_on(opened):
    for title in ("a", "b", "c"):
        opened.edit(title, titled(title))
    opened.jump(1)
    assert opened.session.title == "a"
    opened.jump(3)
    assert opened.session.title == "c"


def test_selection_is_in_order_and_drops_what_is_gone(opened):
    opened.select(["p4", "p1"], current_id="p1")
    assert opened.selection.span_ids == ("p1", "p4")
    opened.edit("Delete", lambda session: edits.delete_spans(session, ["p1"]))
    assert opened.selection.span_ids == ("p4",)
    assert opened.selection.current_id == "p4"


def test_phrases_of_a_selection_by_kind(opened):
    opened.select(["s1"], kind=Kind.SECTION)
    assert [phrase.id for phrase in opened.selected_phrases()] == ["p4", "p5", "p6"]
    opened.select(["w5.1", "w5.2"], kind=Kind.WORD)
    assert [phrase.id for phrase in opened.selected_phrases()] == ["p5"]


def test_view_stays_in_the_song(opened):
    opened.set_view(-500, 100_000)
    assert (opened.view.start_n, opened.view.end_n) == (0, 100_500)
    opened.set_view(10**9, 2 * 10**9)
    assert opened.view.end_n == opened.frames_n
    opened.set_view(1000, 1001)
    assert opened.view.length_n == 2400
    phrase = opened.span("p5")
    opened.zoom_to(phrase)
    assert opened.view.start_n < phrase.start_n < phrase.end_n < opened.view.end_n
    opened.zoom_to("song")
    assert (opened.view.start_n, opened.view.end_n) == (0, opened.frames_n)


def test_standing_is_kept_until_something_changes(opened):
    first = opened.standing
    assert opened.standing is first
    assert first.words["w0.2"].lost
    opened.edit("Ride", lambda session: edits.nudge(session, ["p0"], 3.0))
    assert opened.standing is not first
    assert not opened.standing.words["w0.2"].lost


def test_new_settings_bring_a_new_suggestion_and_touch_no_decision(desk, qtbot):
    session, measures, suggestion = mid_pass()
    desk.show_session(session, measures=measures, suggestion=suggestion)
    with qtbot.waitSignal(desk.suggestion_changed):
        set_setting(desk, "share", 0.8)
        set_setting(desk, "share", 0.2)
    assert desk.suggestion is not suggestion
    assert desk.session.decisions is session.decisions
    assert desk.session.lane is session.lane
    little = desk.suggestion
    with qtbot.waitSignal(desk.suggestion_changed):
        set_setting(desk, "share", 1.0)
    assert reach(desk.suggestion) > reach(little)
    assert len(desk.history.steps) == 1


def reach(suggestion):
    return sum(abs(phrase.ride_db) for phrase in suggestion.phrases)


def test_trim_goes_along_with_the_aim_until_it_is_set_by_hand(opened, qtbot):
    opened.take_trim()
    assert opened.trim_follows
    before_db = opened.session.trim_db
    set_setting(opened, "aim_lu", opened.session.settings.aim_lu + 1.5)
    assert opened.session.trim_db == pytest.approx(before_db + 1.5)
    opened.undo()
    assert opened.session.trim_db == before_db
    opened.edit("Trim", lambda session: edits.set_trim(session, 5.0))
    set_setting(opened, "aim_lu", 0.0)
    assert opened.session.trim_db == 5.0


def test_stale_suggestion_is_dropped(opened, qtbot, monkeypatch):
    gate, heard = threading.Event(), []

    def slow(session, _measures, _hearing):
        if session.settings.aim_lu == 3.0:
            gate.wait(60)
        return replace(song()[2], trim_db=session.settings.aim_lu)

    monkeypatch.setattr(desk_module, "_suggested", slow)
    opened.suggestion_changed.connect(lambda: heard.append(opened.suggestion.trim_db))
    for aim_lu in (3.0, 4.0):
        opened.edit("Aim", lambda now, aim=aim_lu: edits.take_settings(now, replace(now.settings, aim_lu=aim)))
    qtbot.waitUntil(lambda: heard == [4.0])
    gate.set()
    qtbot.waitUntil(lambda: not opened.pool._jobs)
    assert heard == [4.0]


def test_pair_is_opened_measured_saved_and_opened_again(desk, stems, tmp_path, qtbot):
    with qtbot.waitSignal(desk.opened):
        desk.open_pair(stems[0], stems[1:])
    assert desk.measures is not None
    assert desk.suggestion is not None
    assert set(desk.pyramids) == {"vocal", "bed"}
    assert desk.session.segments.phrases
    assert not desk.changed
    desk.edit("Title", titled("Tones"))
    path = tmp_path / "tones.ridebook"
    with qtbot.waitSignal(desk.saved):
        desk.save(path)
    assert not desk.changed
    assert load_session(path).title == "Tones"

    desk.edit("Title", titled("Other"))
    with qtbot.waitSignal(desk.opened):
        desk.open_session(path)
    assert desk.session.title == "Tones"
    assert desk.path == path
    assert not desk.changed


def test_edit_while_saving_is_still_unsaved(opened, tmp_path, qtbot):
    opened.edit("Title", titled("a"))
    opened.save(tmp_path / "a.ridebook")
    opened.edit("Title", titled("b"))
    with qtbot.waitSignal(opened.saved):
        pass
    assert opened.changed
    assert load_session(tmp_path / "a.ridebook").title == "a"


def test_file_changed_by_another_is_not_written_over(opened, tmp_path, qtbot):
    path = tmp_path / "a.ridebook"
    with qtbot.waitSignal(opened.saved):
        opened.save(path)
    path.write_text(path.read_text("utf-8").replace("Low Water", "Theirs"), "utf-8")
    opened.edit("Title", titled("Mine"))
    errors = []
    opened.save(failed=errors.append)
    qtbot.waitUntil(lambda: bool(errors))
    assert isinstance(errors[0], SessionChangedError)
    assert load_session(path).title == "Theirs"
    with qtbot.waitSignal(opened.saved):
        opened.save(force=True)
    assert load_session(path).title == "Mine"


def test_missing_pair_fails_with_its_path(desk, tmp_path, qtbot):
    with qtbot.waitSignal(desk.failed) as told:
        desk.open_pair(tmp_path / "no.wav", [tmp_path / "bed.wav"])
    assert "no.wav" in str(told.args[0])
    assert desk.session is None


def test_moved_sources_are_told(opened, tmp_path, qtbot):
    path = tmp_path / "a.ridebook"
    with qtbot.waitSignal(opened.saved):
        opened.save(path)
    with qtbot.waitSignal(opened.sources_missing) as told:
        opened.open_session(path)
    assert told.args[0].title == "Low Water"
    assert told.args[1] == path


def test_recovery_copy_is_kept_while_unsaved_and_goes_with_a_save(opened, tmp_path, qtbot):
    opened.keep_recovery()
    assert not list(recovery_folder().glob("*"))
    opened.edit("Title", titled("a"))
    opened.keep_recovery()
    qtbot.waitUntil(lambda: bool(list(recovery_folder().glob("*.recovery"))))
    with qtbot.waitSignal(opened.saved):
        opened.save(tmp_path / "a.ridebook")
    assert not list(recovery_folder().glob("*.recovery"))
