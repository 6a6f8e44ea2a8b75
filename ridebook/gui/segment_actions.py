"""Segments by hand: what keys, menus and the context menu do to sections, phrases and words."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from itertools import pairwise

from PySide6.QtCore import QObject, Signal

from ridebook.gui.actions import ActionSet, keys_said, spans_named
from ridebook.gui.desk import Desk, spans_of
from ridebook.gui.label_editor import label_text
from ridebook.gui.words import clock, counted, doubt_said
from ridebook.segment.spans import Kind, Span
from ridebook.session import edits
from ridebook.session.document import Session

USUAL_S = {Kind.WORD: 0.3, Kind.PHRASE: 2.0}
"""Length of what is inserted at the playhead where no stretch is selected; a section reaches to the next one."""

_NONE_SELECTED = "Select a word, a line or a section first."


class SegmentActions(QObject):
    """Actions on the segments; each is one undo step, and none changes the lane."""

    label_asked = Signal(object)
    """The label of this span is to be typed anew, where the user is."""

    MENU = (
        "relabel",
        "split",
        "break_line",
        "merge",
        "delete_span",
        "",
        "insert_word",
        "insert_phrase",
        "insert_section",
        "",
        "confirm",
        "next_doubtful",
        "previous_doubtful",
    )
    CONTEXT = ("relabel", "split", "break_line", "merge", "delete_span", "", "confirm")
    INSERT = ("insert_word", "insert_phrase", "insert_section")

    def __init__(self, desk: Desk, actions: ActionSet) -> None:
        super().__init__(actions)
        self._desk = desk
        self._actions = actions
        group = "Segments"

        def add(name: str, text: str, keys: str, slot: Callable[[], object], tip: str) -> None:
            actions.add(group, name, text, keys, slot, tip)

        add("relabel", "&Retype", "F2", self.relabel, "Type the word, the line or the name of the section anew")
        add("split", "&Split", "/", self.split, "Split at the playhead, else in the middle")
        add("break_line", "New &line from here", "Ctrl+Return", self.break_line, "Begin a new line with this word")
        add("merge", "&Join", "Ctrl+J", self.merge, "Join with the next one, or join all that is selected")
        add("delete_span", "&Delete", "Ctrl+Del", self.delete, "Delete the word, or the line with its words")
        add(
            "insert_word",
            "Insert a &word",
            "Shift+W",
            lambda: self.insert(Kind.WORD),
            "Insert a word over the selected stretch, or at the playhead",
        )
        add(
            "insert_phrase",
            "Insert a &phrase",
            "Shift+P",
            lambda: self.insert(Kind.PHRASE),
            "A phrase over the stretch",
        )
        add(
            "insert_section",
            "Insert a s&ection",
            "Shift+S",
            lambda: self.insert(Kind.SECTION),
            "Insert a section there",
        )
        add("confirm", "&Yes, it begins here", "Y", self.confirm, "Say that the word begins where it should")
        add("next_doubtful", "Next doubtful word", "V", lambda: self.go(1), "Next word whose beginning is doubtful")
        add("previous_doubtful", "Doubtful word before", "Shift+V", lambda: self.go(-1), "Doubtful word before")
        for signal in (desk.session_changed, desk.selection_changed):
            signal.connect(self._refresh)
        desk.selection_changed.connect(self._say_stretch)
        self._refresh()

    # --- edits -----------------------------------------------------------------------------------

    def relabel(self) -> None:
        """Ask for the label of the current span."""
        span = self._current()
        if span is not None:
            self.label_asked.emit(span)

    def write_label(self, span_id: str, text: str, step: int = 0) -> None:
        """Take a label that was typed; then go on to the label `step` further, where that is not 0."""
        desk = self._desk
        span = desk.span(span_id)
        if span is None:
            return
        text = " ".join(text.split())
        if span.kind is Kind.PHRASE and text != label_text(desk.session, span):
            self._edit(f"Retype {spans_named(desk.session, [span])}", lambda now: edits.retype_line(now, span_id, text))
        elif span.kind is not Kind.PHRASE and text != span.label:
            label = f"Retype {spans_named(desk.session, [span])} as “{text}”" if text else f"Untitle “{span.label}”"
            self._edit(label, lambda now: edits.rename(now, span_id, text))
        if step:
            spans = spans_of(desk.session, span.kind)
            i = next((i for i, each in enumerate(spans) if each.id == span_id), None)
            if i is not None and 0 <= i + step < len(spans):
                self._select(spans[i + step])
                self.label_asked.emit(spans[i + step])

    def split(self, at_n: int | None = None) -> None:
        """Split the current span: at a frame, else at the playhead where that lies in it, else in the middle."""
        span = self._current()
        if span is None:
            return
        desk, head_n = self._desk, self._desk.playhead_n
        where = "here"
        if at_n is None or not span.start_n < at_n < span.end_n:
            inside = span.start_n < head_n < span.end_n
            at_n = head_n if inside else _middle_n(desk.session, span)
            where = "at the playhead" if inside else "in the middle"
        before = {each.id for each in spans_of(desk.session, span.kind)}
        if self._edit(f"Split {spans_named(desk.session, [span])}", lambda now: edits.split(now, span.id, at_n)):
            self._select(*(each for each in spans_of(desk.session, span.kind) if each.id not in before))
            desk.message.emit(f"Split {where}, at {clock(at_n, desk.rate_hz, 3)}.")

    def break_line(self) -> None:
        """Begin a new line with the current word."""
        span = self._current()
        if span is None:
            return
        if span.kind is not Kind.WORD:
            self._desk.message.emit("Select the word that the new line is to begin with: Right goes into a line.")
            return
        self._edit(
            f"New line from {spans_named(self._desk.session, [span])}", lambda now: edits.break_line(now, span.id)
        )

    def merge(self) -> None:
        """Join the selected spans, or the current one with the next."""
        desk = self._desk
        chosen = list(desk.selected_spans())
        if not chosen:
            desk.message.emit(_NONE_SELECTED)
            return
        if len(chosen) == 1:
            spans = spans_of(desk.session, chosen[0].kind)
            following = spans[spans.index(chosen[0]) + 1 :][:1]
            phrase_of = desk.session.segments.phrase_of
            if not following or (chosen[0].kind is Kind.WORD and phrase_of(chosen[0]) != phrase_of(following[0])):
                whole = "line" if chosen[0].kind is Kind.WORD else "song"
                desk.message.emit(f"This is the last {_said(chosen[0].kind)} of the {whole}: nothing follows to join.")
                return
            chosen += following
        ids = [span.id for span in chosen]
        label = "Join " + (
            " and ".join(spans_named(desk.session, [span]) for span in chosen)
            if len(chosen) == 2
            else counted(len(chosen), chosen[0].kind.value)
        )
        if self._edit(label, lambda now: edits.merge(now, ids)):
            self._select(desk.span(ids[0]))

    def delete(self) -> None:
        """Delete the selected spans, phrases with their words; the lane stays."""
        desk = self._desk
        chosen = desk.selected_spans()
        if not chosen:
            desk.message.emit(_NONE_SELECTED)
            return
        kind, segments = chosen[0].kind, desk.session.segments
        words = [word for phrase in chosen if kind is Kind.PHRASE for word in segments.words_of(phrase)]
        ids = [span.id for span in (*chosen, *words)]
        label = f"Delete {spans_named(desk.session, chosen)}"
        if self._edit(label, lambda now: edits.delete_spans(now, ids)):
            left = spans_of(desk.session, kind)
            i = bisect_right(left, chosen[0].start_n, key=lambda span: span.start_n)
            if left:
                self._select(left[min(i, len(left) - 1)])
            back = keys_said(self._actions["undo"]).split(" or ")[0]
            desk.message.emit(f"{label.replace('Delete', 'Deleted')}; the rides stay. {back} brings it back.")

    def insert(self, kind: Kind) -> None:
        """Insert a span over the stretch that is selected in the timeline, else from the playhead on."""
        desk = self._desk
        if desk.session is None:
            return
        stretch = desk.selection.stretch or self._from_playhead(kind)
        place = edits.room_for(desk.session, kind, *stretch) if stretch is not None else None
        if place is None:
            desk.message.emit(
                f"A {kind.value} is here already. Drag over a free stretch of the timeline, or put the playhead there."
            )
            return
        before = {each.id for each in spans_of(desk.session, kind)}
        if not self._edit(f"Insert a {kind.value}", lambda now: edits.insert_span(now, kind, *place)):
            return
        made = next(each for each in spans_of(desk.session, kind) if each.id not in before)
        self._select(made)
        if kind is Kind.WORD and desk.session.segments.phrase_of(made) is None:
            desk.message.emit("The word lies outside every line: insert a phrase around it, or move a line's border.")
        self.label_asked.emit(made)

    def _from_playhead(self, kind: Kind) -> tuple[int, int] | None:
        desk = self._desk
        start_n = desk.playhead_n
        spans = spans_of(desk.session, kind)
        i = bisect_right(spans, start_n, key=lambda span: span.start_n)
        if i and start_n < spans[i - 1].end_n:
            return None
        end_n = spans[i].start_n if i < len(spans) else desk.frames_n
        if kind in USUAL_S:
            end_n = min(end_n, start_n + round(USUAL_S[kind] * desk.rate_hz))
        return start_n, end_n

    def confirm(self) -> None:
        """Say that the selected words, or the words of the selected lines, begin where they should."""
        desk = self._desk
        chosen = desk.selected_spans()
        if not chosen:
            desk.message.emit(_NONE_SELECTED)
            return
        segments = desk.session.segments
        words = chosen
        if chosen[0].kind is Kind.SECTION:
            chosen = desk.selected_phrases()
        if chosen and chosen[0].kind is Kind.PHRASE:
            words = tuple(word for phrase in chosen for word in segments.words_of(phrase))
        doubted = any(word.doubtful for word in words)
        ids = [word.id for word in words]
        if (
            ids
            and self._edit(f"Confirm {spans_named(desk.session, words)}", lambda now: edits.confirm(now, ids))
            and doubted
        ):
            self.go(1)

    # --- getting about ---------------------------------------------------------------------------

    def go(self, by: int) -> None:
        """Go to the next (`by` 1) or previous (-1) word whose beginning is doubtful, round the song's end."""
        desk = self._desk
        if desk.session is None:
            return
        words = [word for word in desk.session.segments.words if word.doubtful]
        if not words:
            desk.message.emit("No word is doubtful.")
            return
        current = desk.span(desk.selection.current_id)
        at_n = current.start_n if current is not None else -by
        if by > 0:
            there = next((word for word in words if word.start_n > at_n), words[0])
        else:
            there = next((word for word in reversed(words) if word.start_n < at_n), words[-1])
        self._select(there)
        desk.message.emit(
            f"{counted(len(words), 'word')} to look at; this one was {doubt_said(there.start_n, desk.rate_hz)}."
        )

    # --- helpers ---------------------------------------------------------------------------------

    def _current(self) -> Span | None:
        desk = self._desk
        span = desk.span(desk.selection.current_id)
        if span is None and desk.session is not None:
            desk.message.emit(_NONE_SELECTED)
        return span

    def _select(self, *spans: Span) -> None:
        if spans:
            self._desk.select([span.id for span in spans], kind=spans[0].kind, current_id=spans[-1].id)
            self._desk.show_span(spans[-1])

    def _edit(self, label: str, fn: Callable[[Session], Session]) -> bool:
        return self._desk.edit(label, lambda session: edits.with_texts(session, fn(session)))

    def _say_stretch(self) -> None:
        """Say what a stretch without a word or phrase is good for."""
        selection = self._desk.selection
        if selection.stretch is not None and not selection.span_ids:
            length_s = (selection.stretch[1] - selection.stretch[0]) / self._desk.rate_hz
            word, phrase = (keys_said(self._actions[name]) for name in ("insert_word", "insert_phrase"))
            self._desk.message.emit(f"{length_s:.2f} s: {word} inserts a word here, {phrase} a phrase.")

    def _refresh(self, *_sessions: object) -> None:
        desk = self._desk
        there = desk.session is not None
        selection = desk.selection
        chosen = there and bool(selection.span_ids)
        for name in ("relabel", "split", "merge", "delete_span", "confirm"):
            self._actions[name].setEnabled(chosen)
        self._actions["break_line"].setEnabled(chosen and selection.kind is Kind.WORD)
        several = len(selection.span_ids) > 1
        self._actions["merge"].setText("&Join the selected" if several else "&Join with the next")
        for name in (*self.INSERT, "next_doubtful", "previous_doubtful"):
            self._actions[name].setEnabled(there)


def _said(kind: Kind) -> str:
    return "line" if kind is Kind.PHRASE else kind.value


def _middle_n(session: Session, span: Span) -> int:
    """Where a span falls in two best: in its longest pause between words or phrases, else in the middle."""
    segments = session.segments
    inner: Sequence[Span] = ()
    if span.kind is Kind.PHRASE:
        inner = segments.words_of(span)
    elif span.kind is Kind.SECTION:
        inner = segments.phrases_of(span)
    pauses = [
        (one.end_n, other.start_n)
        for one, other in pairwise(inner)
        if span.start_n < one.end_n and other.start_n < span.end_n
    ]
    if not pauses:
        return span.middle_n
    longest = max(pauses, key=lambda pause: (pause[1] - pause[0], -abs(sum(pause) // 2 - span.middle_n)))
    return sum(longest) // 2
