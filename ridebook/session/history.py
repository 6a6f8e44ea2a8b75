"""History of edits: undo by keeping the old session."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

from ridebook.session.document import Session

STEPS_KEPT = 1000
"""Steps that are kept; sessions share what did not change, so that a step costs little."""


@dataclass(frozen=True, slots=True)
class Step:
    """One edit that can be undone.

    Parameters
    ----------
    label : str
        What was done, as the undo list says it.
    before, after : Session
        The session before and after it.
    merge_key : hashable or None
        Steps in a row with the same key become one; None never merges.
    """

    label: str
    before: Session
    after: Session
    merge_key: Hashable = None


class History:
    """Steps from a first session to the present one, and those that were undone.

    A gesture (a drag, a hand on the fader) is `begin`, any number of `stage`, then `commit` or `abort`: one step, or
    none. While it is under way, `undo` and `jump` abort it, and `do` and `begin` are mistakes of the caller.

    Parameters
    ----------
    session : Session
        The session as it was opened or made; clean, as long as nothing else is said.
    steps_kept : int
        How many steps can be undone at most; the oldest are dropped.
    """

    def __init__(self, session: Session, steps_kept: int = STEPS_KEPT) -> None:
        if steps_kept < 1:
            raise ValueError(f"a history keeps 1 step or more, not {steps_kept}")
        self._steps_kept = steps_kept
        self._steps: list[Step] = []
        self._done_n = 0
        self._present = session
        self._clean: Session | None = session
        self._gesture: tuple[str, Session, Hashable] | None = None

    @property
    def present(self) -> Session:
        """The session as it is now, with what a gesture has staged."""
        return self._present

    @property
    def steps(self) -> tuple[Step, ...]:
        """All steps, the undone ones last."""
        return tuple(self._steps)

    @property
    def done_n(self) -> int:
        """How many of `steps` are done; the rest can be redone."""
        return self._done_n

    @property
    def in_gesture(self) -> bool:
        """Whether a gesture is under way."""
        return self._gesture is not None

    @property
    def undo_label(self) -> str | None:
        """What `undo` would take back, or None where there is nothing."""
        if self._gesture is not None:
            return self._gesture[0]
        return self._steps[self._done_n - 1].label if self._done_n else None

    @property
    def redo_label(self) -> str | None:
        """What `redo` would do again, or None where there is nothing."""
        if self._gesture is not None or self._done_n == len(self._steps):
            return None
        return self._steps[self._done_n].label

    @property
    def is_clean(self) -> bool:
        """Whether the present session is the one that was last marked clean, reached by undo and redo or not left."""
        return self._present is self._clean

    def mark_clean(self, session: Session | None = None) -> None:
        """Note that `session`, by default the present one, is what lies on disk.

        A save that ran in the background names the session that it wrote, as there may be edits since.
        """
        self._clean = self._present if session is None else session

    def mark_unclean(self) -> None:
        """Note that nothing on disk holds any session of this history, as after opening a recovery copy."""
        self._clean = None

    def do(self, label: str, after: Session, merge_key: Hashable = None) -> Session:
        """Take a step to `after`; what was undone before is forgotten.

        Nothing happens when `after` is the present session itself. A step joins the one before it when both have the
        same `merge_key`, unless something was undone or marked clean between them.

        Returns
        -------
        Session
            The present session.

        Raises
        ------
        RuntimeError
            A gesture is under way.
        """
        if self._gesture is not None:
            raise RuntimeError(f"{label!r} while {self._gesture[0]!r} is under way")
        before = self._present
        if after is before:
            return before
        last = self._steps[self._done_n - 1] if self._done_n else None
        is_last = self._done_n == len(self._steps)
        del self._steps[self._done_n :]
        if last is not None and is_last and merge_key is not None and last.merge_key == merge_key and not self.is_clean:
            self._steps[-1] = Step(label, last.before, after, merge_key)
        else:
            self._steps.append(Step(label, before, after, merge_key))
            del self._steps[: -self._steps_kept]
        self._done_n = len(self._steps)
        self._present = after
        return after

    def undo(self) -> Session:
        """Take back the last step, or abort the gesture under way; returns the present session."""
        if self._gesture is not None:
            return self.abort()
        if self._done_n:
            self._done_n -= 1
            self._present = self._steps[self._done_n].before
        return self._present

    def redo(self) -> Session:
        """Do the step again that was undone last; returns the present session."""
        if self._gesture is None and self._done_n < len(self._steps):
            self._present = self._steps[self._done_n].after
            self._done_n += 1
        return self._present

    def jump(self, done_n: int) -> Session:
        """Undo or redo until `done_n` of the steps are done; returns the present session.

        Raises
        ------
        IndexError
            There are not so many steps.
        """
        if not 0 <= done_n <= len(self._steps):
            raise IndexError(f"a history of {len(self._steps)} steps has no place {done_n}")
        if self._gesture is not None:
            self.abort()
        while self._done_n > done_n:
            self.undo()
        while self._done_n < done_n:
            self.redo()
        return self._present

    def begin(self, label: str, merge_key: Hashable = None) -> None:
        """Begin a gesture.

        Raises
        ------
        RuntimeError
            One is under way already.
        """
        if self._gesture is not None:
            raise RuntimeError(f"{label!r} begins while {self._gesture[0]!r} is under way")
        self._gesture = (label, self._present, merge_key)

    def stage(self, session: Session) -> Session:
        """Show `session` as the present one while a gesture is under way.

        Raises
        ------
        RuntimeError
            None is.
        """
        if self._gesture is None:
            raise RuntimeError("nothing can be staged outside a gesture")
        self._present = session
        return session

    def commit(self, label: str | None = None) -> Session:
        """End a gesture as one step, under the name it began with or a better one; no step if nothing changed.

        Raises
        ------
        RuntimeError
            None is under way.
        """
        if self._gesture is None:
            raise RuntimeError("there is no gesture to commit")
        begun_as, before, merge_key = self._gesture
        after, self._gesture, self._present = self._present, None, before
        return self.do(label or begun_as, before if after == before else after, merge_key)

    def abort(self) -> Session:
        """End a gesture with the session as it was before it; returns that.

        Raises
        ------
        RuntimeError
            None is under way.
        """
        if self._gesture is None:
            raise RuntimeError("there is no gesture to abort")
        self._present = self._gesture[1]
        self._gesture = None
        return self._present
