from dataclasses import replace

import pytest
from hypothesis import settings as runs
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from ridebook.session.history import History
from tests.session.made import small_session


def titled(title):
    return replace(small_session(), title=title)


def test_undo_and_redo_give_the_same_objects_back():
    first, second, third = titled("1"), titled("2"), titled("3")
    history = History(first)
    assert (history.undo_label, history.redo_label, history.is_clean) == (None, None, True)
    history.do("Second", second)
    history.do("Third", third)
    assert history.undo_label == "Third"
    assert history.undo() is second
    assert (history.undo_label, history.redo_label) == ("Second", "Third")
    assert history.undo() is first
    assert history.undo() is first
    assert history.redo() is second
    assert history.redo() is third
    assert history.redo() is third


def test_a_new_step_forgets_what_was_undone():
    history = History(titled("1"))
    history.do("Second", titled("2"))
    history.undo()
    history.do("Other", titled("3"))
    assert history.redo_label is None
    assert [step.label for step in history.steps] == ["Other"]


def test_no_change_is_no_step():
    history = History(titled("1"))
    history.do("Nothing", history.present)
    assert history.steps == ()


def test_key_nudges_in_a_row_are_one_step():
    first = titled("0")
    history = History(first)
    for title in "123":
        history.do(f"Nudge by {title}", titled(title), merge_key=("nudge", "p1"))
    assert [step.label for step in history.steps] == ["Nudge by 3"]
    history.do("Nudge another", titled("4"), merge_key=("nudge", "p2"))
    history.do("Nudge by 5", titled("5"), merge_key=("nudge", "p1"))
    assert len(history.steps) == 3
    history.jump(1)
    assert history.undo() is first


def test_steps_do_not_merge_over_an_undo_nor_a_save():
    history = History(titled("0"))
    history.do("a", titled("1"), merge_key="k")
    history.do("b", titled("2"))
    history.undo()
    history.do("c", titled("3"), merge_key="k")
    assert len(history.steps) == 2
    history.mark_clean()
    saved = history.present
    history.do("d", titled("4"), merge_key="k")
    assert not history.is_clean
    assert history.undo() is saved
    assert history.is_clean


def test_a_save_in_the_background_marks_what_it_wrote():
    history = History(titled("0"))
    written = history.do("a", titled("1"))
    history.do("b", titled("2"))
    history.mark_clean(written)
    assert not history.is_clean
    history.undo()
    assert history.is_clean
    history.mark_unclean()
    assert not history.is_clean


def test_a_clean_session_in_a_branch_that_is_gone_is_out_of_reach():
    history = History(titled("0"))
    history.do("a", titled("1"))
    history.mark_clean()
    history.undo()
    history.do("b", titled("2"))
    for done_n in (0, 1):
        history.jump(done_n)
        assert not history.is_clean


def test_the_oldest_steps_are_dropped():
    history = History(titled("0"), steps_kept=3)
    for number in range(1, 6):
        history.do(f"to {number}", titled(str(number)))
    assert [step.label for step in history.steps] == ["to 3", "to 4", "to 5"]
    assert history.jump(0).title == "2"
    with pytest.raises(ValueError, match="1 step or more"):
        History(titled("0"), steps_kept=0)


def test_jumping():
    sessions = [titled(str(number)) for number in range(4)]
    history = History(sessions[0])
    for session in sessions[1:]:
        history.do("step", session)
    for done_n in (1, 3, 0, 2):
        assert history.jump(done_n) is sessions[done_n]
    with pytest.raises(IndexError, match="no place 4"):
        history.jump(4)
    assert history.present is sessions[2]


def test_a_gesture_is_one_step():
    first = titled("0")
    history = History(first)
    history.begin("Drag")
    for title in "123":
        history.stage(titled(title))
        assert history.present.title == title
    assert history.steps == ()
    assert history.undo_label == "Drag"
    history.commit("Drag by 3")
    assert [step.label for step in history.steps] == ["Drag by 3"]
    assert history.undo() is first


def test_a_gesture_that_is_aborted_undone_or_comes_back_is_no_step():
    first = titled("0")
    history = History(first)
    for end in (
        history.abort,
        history.undo,
        lambda: history.jump(0),
        lambda: history.stage(titled("0")) and history.commit(),
    ):
        history.begin("Drag")
        history.stage(titled("1"))
        end()
        assert history.present is first
        assert not history.in_gesture
        assert history.steps == ()


def test_what_does_not_fit_a_gesture_is_a_mistake():
    history = History(titled("0"))
    for wrong in (history.commit, history.abort, lambda: history.stage(titled("1"))):
        with pytest.raises(RuntimeError):
            wrong()
    history.begin("Drag")
    with pytest.raises(RuntimeError, match="'Drag' is under way"):
        history.do("Other", titled("1"))
    with pytest.raises(RuntimeError, match="'Drag' is under way"):
        history.begin("Other")
    assert history.redo() is history.present


class HistoryAgainstAList(RuleBasedStateMachine):
    """The history does what a plain list of sessions with a cursor does."""

    @initialize(kept=st.integers(1, 6))
    def start(self, kept):
        self.count = 0
        self.kept = kept
        self.states = [titled("start")]
        self.keys = []
        self.at = 0
        self.clean = self.states[0]
        self.gesture_from = None
        self.history = History(self.states[0], steps_kept=kept)

    def fresh(self):
        self.count += 1
        return titled(str(self.count))

    def model_do(self, session, key):
        merges = (
            key is not None
            and self.at == len(self.keys)
            and self.at > 0
            and self.keys[-1] == key
            and self.states[self.at] is not self.clean
        )
        del self.states[self.at + 1 :], self.keys[self.at :]
        if merges:
            self.states[-1] = session
        else:
            self.states.append(session)
            self.keys.append(key)
        if len(self.keys) > self.kept:
            del self.states[0], self.keys[0]
        self.at = len(self.keys)

    @precondition(lambda self: self.gesture_from is None)
    @rule(key=st.sampled_from([None, "a", "b"]))
    def do(self, key):
        session = self.fresh()
        self.history.do("do", session, key)
        self.model_do(session, key)

    @rule()
    def undo(self):
        self.history.undo()
        if self.gesture_from is not None:
            self.gesture_from = None
        elif self.at:
            self.at -= 1

    @rule()
    def redo(self):
        self.history.redo()
        if self.gesture_from is None:
            self.at = min(self.at + 1, len(self.keys))

    @rule(data=st.data())
    def jump(self, data):
        self.at = data.draw(st.integers(0, len(self.keys)))
        self.gesture_from = None
        self.history.jump(self.at)

    @precondition(lambda self: self.gesture_from is None)
    @rule()
    def save(self):
        self.history.mark_clean()
        self.clean = self.states[self.at]

    @precondition(lambda self: self.gesture_from is None)
    @rule()
    def begin(self):
        self.history.begin("drag", "a")
        self.gesture_from = self.staged = self.states[self.at]

    @precondition(lambda self: self.gesture_from is not None)
    @rule()
    def stage(self):
        self.staged = self.history.stage(self.fresh())

    @precondition(lambda self: self.gesture_from is not None)
    @rule(keep=st.booleans())
    def end(self, keep):
        staged, begun = self.staged, self.gesture_from
        self.gesture_from = None
        if keep:
            self.history.commit()
            if staged is not begun:
                self.model_do(staged, "a")
        else:
            self.history.abort()

    @invariant()
    def the_same(self):
        expected = self.states[self.at] if self.gesture_from is None else self.staged
        assert self.history.present is expected
        assert self.history.done_n == self.at
        assert [step.after for step in self.history.steps] == self.states[1:]
        assert [step.before for step in self.history.steps] == self.states[:-1]
        assert self.history.is_clean == (expected is self.clean)


TestHistoryAgainstAList = HistoryAgainstAList.TestCase
TestHistoryAgainstAList.settings = runs(max_examples=60, stateful_step_count=30, deadline=None)
