"""Everything that a key or a menu does to the rides: one QAction each, the same in every place."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from PySide6.QtCore import QObject, Signal
from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import QMenu, QWidget

from ridebook.gui.desk import Desk
from ridebook.gui.words import clock, counted, signed
from ridebook.segment.spans import Kind, Span
from ridebook.session import edits
from ridebook.session.document import Session, State

NUDGE_DB = 0.5
FINE_DB = 0.1
NAMED_KEYS = (
    "Return",
    "Enter",
    "Del",
    "Delete",
    "Backspace",
    "Ins",
    "Esc",
    "Space",
    "Home",
    "End",
    "PgUp",
    "PgDown",
    "F11",
)


@dataclass(frozen=True, slots=True)
class KeyLine:
    """One line of the page of keys."""

    group: str
    keys: str
    what: str


def keys_said(action: QAction) -> str:
    """Say an action's keys, two at most; keys that few keyboards have (``Save``, ``Undo``) are left out."""
    texts = dict.fromkeys(key.toString(QKeySequence.SequenceFormat.NativeText) for key in action.shortcuts())
    common = [text for text in texts if text and ("+" in text or len(text) < 3 or text in NAMED_KEYS)]
    return " or ".join(common[:2])


class ActionSet(QObject):
    """QActions of one window by name, with the group that the page of keys lists them under."""

    def __init__(self, widget: QWidget) -> None:
        super().__init__(widget)
        self._widget = widget
        self._actions: dict[str, QAction] = {}
        self._groups: dict[str, str] = {}

    def __getitem__(self, name: str) -> QAction:
        return self._actions[name]

    def add(
        self,
        group: str,
        name: str,
        text: str,
        keys: str | QKeySequence.StandardKey | Sequence[str],
        slot: Callable[[], object],
        tip: str = "",
        *,
        checkable: bool = False,
        role: QAction.MenuRole = QAction.MenuRole.NoRole,
    ) -> QAction:
        """Make an action.

        Parameters
        ----------
        group : str
            Heading on the page of keys.
        name : str
            What to get it by.
        text : str
            As the menu says it.
        keys : str, StandardKey or sequence of str
            Its keys; empty for none.
        slot : callable
            What it does; a checkable one is called with whether it is on.
        tip : str
            What it does, in a few words.
        checkable : bool
            Whether it is on or off.
        role : QAction.MenuRole
            Where macOS puts it.
        """
        action = QAction(text, self._widget)
        action.setObjectName(name)
        action.setMenuRole(role)
        if isinstance(keys, QKeySequence.StandardKey):
            action.setShortcuts(keys)
        else:
            sequences = [keys] if isinstance(keys, str) else keys
            action.setShortcuts([QKeySequence(key) for key in sequences if key])
        shown = action.shortcut().toString(QKeySequence.SequenceFormat.NativeText)
        tip = tip or text.replace("&", "").removesuffix("…")
        action.setToolTip(f"{tip} ({shown})" if shown else tip)
        action.setStatusTip(tip)
        action.setCheckable(checkable)
        if checkable:
            action.toggled.connect(slot)
        else:
            action.triggered.connect(lambda _checked=False: slot())
        self._widget.addAction(action)
        self._actions[name] = action
        self._groups[name] = group
        return action

    def menu(self, menu: QMenu, names: Iterable[str]) -> QMenu:
        """Fill a menu; an empty name draws a line."""
        for name in names:
            if name:
                menu.addAction(self._actions[name])
            else:
                menu.addSeparator()
        return menu

    def key_lines(self) -> list[KeyLine]:
        """Lines for the page of keys, in the order in which the actions were made."""
        lines = []
        for name, action in self._actions.items():
            keys = keys_said(action)
            if keys:
                lines.append(KeyLine(self._groups[name], keys, action.statusTip()))
        return lines


class RideActions(QObject):
    """Actions on the selected phrases and words."""

    note_asked = Signal(str)
    """A note is to be written about this phrase."""
    section_aim_asked = Signal(str)
    """This section is to have an aim of its own."""

    MENU = (
        "ink",
        "ink_on",
        "strike",
        "leave_open",
        "",
        "nudge_up",
        "nudge_down",
        "nudge_up_fine",
        "nudge_down_fine",
        "flatten",
        "carry_on",
        "",
        "lock",
        "quiet",
        "note",
        "section_aim",
        "",
        "ink_all",
        "suggest_again",
        "",
        "next_open",
        "previous_open",
        "next_lost",
        "previous_lost",
        "",
        "cure",
    )
    CONTEXT = (
        "ink",
        "strike",
        "leave_open",
        "",
        "nudge_up",
        "nudge_down",
        "flatten",
        "carry_on",
        "",
        "lock",
        "quiet",
        "note",
        "section_aim",
        "",
        "zoom_selection",
    )

    def __init__(self, desk: Desk, actions: ActionSet) -> None:
        super().__init__(actions)
        self._desk = desk
        self._actions = actions
        add = actions.add
        group = "Rides"
        add(group, "ink", "&Ink", "I", self.ink, "Take the suggestion")
        add(group, "ink_on", "Ink and &go on", ["Return", "Enter"], self.ink_on, "Take it, then the next open phrase")
        add(group, "strike", "&Strike out", "X", self.strike, "Turn the suggestion down")
        add(group, "leave_open", "Leave &open", "O", self.leave_open, "Take the decision back")
        add(group, "nudge_up", "&Up half a dB", ["+", "="], lambda: self.nudge(NUDGE_DB), "Ride half a dB up")
        add(group, "nudge_down", "&Down half a dB", "-", lambda: self.nudge(-NUDGE_DB), "Ride half a dB down")
        add(
            group,
            "nudge_up_fine",
            "Up a tenth of a dB",
            ["Alt++", "Alt+="],
            lambda: self.nudge(FINE_DB),
            "Ride a tenth of a dB up",
        )
        add(
            group,
            "nudge_down_fine",
            "Down a tenth of a dB",
            "Alt+-",
            lambda: self.nudge(-FINE_DB),
            "Ride a tenth of a dB down",
        )
        add(group, "flatten", "&Flatten", "F", self.flatten, "Take the ride out")
        add(
            group,
            "carry_on",
            "Carry to its &repeats",
            "Ctrl+Shift+V",
            self.carry_to_repeats,
            "Carry the rides of the phrase or section to those that sing the same, stretched to fit",
        )
        add(group, "lock", "&Lock", "K", self.lock, "Keep as it is, or let go again")
        add(group, "quiet", "Meant to be &quiet", "Q", self.quiet, "Say that it is meant to be quiet, or not")
        add(group, "note", "&Note…", "T", self.note, "Write a note in the margin")
        add(
            group,
            "section_aim",
            "&Aim of the section…",
            "Shift+A",
            self.section_aim,
            "Give the section an aim of its own",
        )
        add(group, "ink_all", "Ink all open", "Ctrl+I", self.ink_all, "Take every suggestion that is still open")
        add(group, "suggest_again", "Suggest again", "Ctrl+R", desk.suggest_with_trim, "Make trim and rides anew")
        group = "Getting about"
        add(group, "next_open", "Next open phrase", "N", lambda: self.go("open", 1), "Next phrase that is still open")
        add(group, "previous_open", "Open phrase before", "Shift+N", lambda: self.go("open", -1), "Open phrase before")
        add(group, "next_lost", "Next lost word", "M", lambda: self.go("lost", 1), "Next word that is lost (missing)")
        add(group, "previous_lost", "Lost word before", "Shift+M", lambda: self.go("lost", -1), "Lost word before")
        desk.session_changed.connect(self._refresh)
        desk.selection_changed.connect(self._refresh)
        desk.suggestion_changed.connect(self._refresh)
        self._refresh()

    # --- decisions -------------------------------------------------------------------------------

    def ink(self) -> bool:
        """Take the suggestion of the selected phrases."""
        suggestion = self._desk.suggestion
        ids = [phrase.id for phrase in self._phrases()]
        if suggestion is None or not ids:
            return False
        return self._decide("Ink", ids, lambda session: edits.ink(session, suggestion, ids))

    def ink_on(self) -> None:
        """Take the suggestion and go to the next open phrase."""
        self.ink()
        self.go("open", 1)

    def strike(self) -> None:
        """Turn the suggestion of the selected phrases down."""
        suggestion = self._desk.suggestion
        ids = [phrase.id for phrase in self._phrases()]
        self._decide("Strike out", ids, lambda session: edits.strike(session, ids, suggestion))

    def leave_open(self) -> None:
        """Take the decision about the selected phrases back."""
        ids = [phrase.id for phrase in self._phrases()]
        self._decide("Leave open", ids, lambda session: edits.leave_open(session, ids))

    def ink_all(self) -> None:
        """Take every suggestion that is still open."""
        desk = self._desk
        session, suggestion = desk.session, desk.suggestion
        if session is None or suggestion is None:
            return
        ids = [phrase.id for phrase in session.segments.phrases if session.decision(phrase.id).state is State.OPEN]
        if ids:
            self._decide("Ink", ids, lambda now: edits.ink(now, suggestion, ids))

    def nudge(self, by_db: float) -> None:
        """Ride the selected phrases or words a little up or down."""
        spans = self._desk.selected_spans()
        ids = [span.id for span in spans]
        if ids:
            key = f"nudge {' '.join(ids)}"
            label = f"Ride {spans_named(self._desk.session, spans)} {'up' if by_db > 0 else 'down'}"
            self._decide(label, ids, lambda session: edits.nudge(session, ids, by_db), key, named=True)
            self._say_ride(spans)

    def flatten(self) -> None:
        """Take the rides out of the selected phrases or words."""
        ids = [span.id for span in self._desk.selected_spans()]
        self._decide("Flatten", ids, lambda session: edits.flatten(session, ids))

    def carry_to_repeats(self) -> None:
        """Carry the rides of the current phrase or section to all that repeat it, in one step."""
        desk = self._desk
        span = desk.span(desk.selection.current_id)
        if span is not None and span.kind is Kind.WORD:
            span = desk.session.segments.phrase_of(span)
        if span is None:
            return
        session = desk.session
        others = edits.open_to_carry(session, span.id)
        named = spans_named(session, [span])
        if not others:
            desk.message.emit(f"Nothing that is not locked is known to repeat {named}: copy its rides and carry them.")
            return
        many = counted(len(others), "repeat")
        places = ", ".join(clock(other.start_n, session.vocal.rate_hz) for other in others)
        if desk.edit(f"Carry rides of {named} to {many}", lambda now: edits.carry_to_repeats(now, span.id)):
            desk.message.emit(f"Carried the rides of {named} to {many}, at {places}.")

    def lock(self) -> None:
        """Lock the selected phrases, or unlock them where all are locked."""
        session = self._desk.session
        ids = [phrase.id for phrase in self._phrases()]
        if not ids:
            return
        if all(session.decision(each).locked for each in ids):
            self._decide("Unlock", ids, lambda now: edits.unlock(now, ids))
        else:
            self._decide("Lock", ids, lambda now: edits.lock(now, ids))

    def quiet(self) -> None:
        """Say that the selected phrases or words are meant to be quiet, or not where all are."""
        session = self._desk.session
        if session is None:
            return
        words = self._desk.selection.kind is Kind.WORD
        ids = [span.id for span in (self._desk.selected_spans() if words else self._phrases())]
        if not ids:
            return
        on = not all(each in edits.quiet_ids(session) for each in ids)
        label = "Meant to be quiet:" if on else "Not meant to be quiet:"
        self._decide(label, ids, lambda now: edits.set_quiet(now, ids, on))

    def note(self) -> None:
        """Ask for a note about the current phrase."""
        phrases = self._phrases()
        if phrases:
            self.note_asked.emit(phrases[-1].id)

    def section_aim(self) -> None:
        """Ask for an aim of the current section."""
        desk = self._desk
        span = desk.span(desk.selection.current_id)
        if span is None:
            return
        section = span if span.kind is Kind.SECTION else desk.session.segments.section_of(span)
        if section is not None:
            self.section_aim_asked.emit(section.id)
        else:
            desk.message.emit("No section is known here: the aim of the song holds.")

    # --- getting about ---------------------------------------------------------------------------

    def go(self, what: str, by: int) -> None:
        """Go to the next (`by` 1) or previous (-1) open phrase or lost word, round the song's end."""
        desk = self._desk
        session = desk.session
        if session is None:
            return
        if what == "open":
            spans = [
                phrase
                for phrase in session.segments.phrases
                if session.decision(phrase.id).state is State.OPEN and not session.decision(phrase.id).locked
            ]
            none = "Every phrase is decided."
        else:
            standing = desk.standing
            words = standing.words if standing is not None else {}
            spans = [word for word in session.segments.words if word.id in words and words[word.id].lost]
            none = "No word is lost."
        if not spans:
            desk.message.emit(none)
            return
        current = desk.span(desk.selection.current_id)
        if current is None:
            there = spans[0 if by > 0 else -1]
        elif by > 0:
            there = next((span for span in spans if span.start_n > current.start_n), spans[0])
        else:
            there = next((span for span in reversed(spans) if span.start_n < current.start_n), spans[-1])
        desk.select([there.id], kind=there.kind, current_id=there.id)
        desk.show_span(there)

    # --- helpers ---------------------------------------------------------------------------------

    def _phrases(self) -> tuple[Span, ...]:
        phrases = self._desk.selected_phrases()
        if not phrases and self._desk.session is not None:
            self._desk.message.emit("Select a phrase first: click it, or use the arrow keys in the sheet.")
        return phrases

    def _decide(
        self,
        label: str,
        ids: Sequence[str],
        fn: Callable[[Session], Session],
        merge_key: str | None = None,
        *,
        named: bool = False,
    ) -> bool:
        desk = self._desk
        if desk.session is None or not ids:
            return False
        spans = [span for span in map(desk.span, ids) if span is not None]
        done = desk.edit(label if named else f"{label} {spans_named(desk.session, spans)}", fn, merge_key)
        if not done and any(desk.session.decision(each).locked for each in ids):
            desk.message.emit("Locked: nothing was changed. K lets go.")
        return done

    def _say_ride(self, spans: Sequence[Span]) -> None:
        standing = self._desk.standing
        if standing is None or len(spans) != 1:
            return
        found = standing.phrases.get(spans[0].id) or standing.words.get(spans[0].id)
        if found is not None:
            self._desk.message.emit(f"{spans_named(self._desk.session, spans)}: {signed(found.ride_db)} dB")

    def _refresh(self) -> None:
        desk = self._desk
        session = desk.session
        has = session is not None and bool(desk.selection.span_ids)
        phrases = desk.selected_phrases() if has else ()
        for name in ("ink", "ink_on"):
            self._actions[name].setEnabled(has and desk.suggestion is not None)
        for name in (
            "strike",
            "leave_open",
            "nudge_up",
            "nudge_down",
            "nudge_up_fine",
            "nudge_down_fine",
            "flatten",
            "carry_on",
            "lock",
            "quiet",
            "note",
            "section_aim",
        ):
            self._actions[name].setEnabled(has)
        locked = bool(phrases) and all(session.decision(phrase.id).locked for phrase in phrases)
        self._actions["lock"].setText("Un&lock" if locked else "&Lock")
        self._actions["ink_all"].setEnabled(session is not None and desk.suggestion is not None)
        self._actions["suggest_again"].setEnabled(session is not None and desk.measures is not None)
        for name in ("next_open", "previous_open", "next_lost", "previous_lost"):
            self._actions[name].setEnabled(session is not None)


def spans_named(session: Session, spans: Sequence[Span]) -> str:
    """Name spans for the undo list: one by its words, several by their count."""
    if len(spans) != 1:
        kind = spans[0].kind.value if spans else "phrase"
        return counted(len(spans), kind)
    span = spans[0]
    text = span.label or " ".join(word.label for word in session.segments.words_of(span) if word.label)
    if text:
        return f"“{text if len(text) <= 28 else text[:27].rstrip() + '…'}”"
    of_kind = getattr(session.segments, f"{span.kind.value}s")
    return f"{span.kind.value} {of_kind.index(span) + 1}" if span in of_kind else span.kind.value
