"""What a finding is: one thing that a check has to say, with its place, its figure and its cure as data."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from ridebook.segment.spans import Kind, Span
from ridebook.session.document import Session


class Severity(StrEnum):
    """How much a finding matters."""

    MUST = "must"
    LOOK = "look"


class CureKind(StrEnum):
    """What a cure does; `ridebook.check.cures` holds the edit of each."""

    NUDGE = "nudge"
    LEVEL = "level"
    THIN = "thin"
    CUT = "cut"
    WIDEN = "widen"
    INK = "ink"
    TRIM = "trim"


@dataclass(frozen=True, slots=True)
class Cure:
    """A cure as data: an edit of the session by its name, and what it is called with.

    Parameters
    ----------
    kind : CureKind
        What is done.
    label : str
        The same as a reader sees it, such as ``Raise it by 1.2 dB``.
    gains_db : tuple of (str, float)
        Spans to nudge and by how much, for `NUDGE`; spans that are meant with 0 for `THIN` and `INK`.
    stretches : tuple of (int, int, float)
        First frame, frame after the last and gain in dB, for `LEVEL`; frames of two breakpoints for `WIDEN`.
    value_db : float
        How much, for `TRIM` and `THIN`.
    """

    kind: CureKind
    label: str
    gains_db: tuple[tuple[str, float], ...] = ()
    stretches: tuple[tuple[int, int, float], ...] = ()
    value_db: float = 0.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a check has to say.

    Parameters
    ----------
    key : str
        What it is and of which spans, ``what:id:id``; the same as long as the fault and the spans are.
    severity : Severity
        Must be seen to, or worth a look.
    start_n, end_n : int
        Its place, in frames.
    sentence : str
        What is the matter and what cures it.
    value, limit : float
        What was measured and what it was held against, finite; of several spans the worst.
    unit : str
        Unit of both.
    cure : Cure or None
        What one key does about it, where there is such a thing.
    """

    key: str
    severity: Severity
    start_n: int
    end_n: int
    sentence: str
    value: float
    limit: float
    unit: str
    cure: Cure | None = None


@dataclass(frozen=True, slots=True)
class Fault:
    """One span with what is wrong of it, before neighbours are told together.

    Parameters
    ----------
    span : Span
        The span.
    value : float
        What was measured.
    gain_db : float
        How much a nudge of the span would take to cure it.
    """

    span: Span
    value: float
    gain_db: float = 0.0


def up(gain_db: float) -> float:
    """Gain rounded up to a tenth of a dB, as a fader shows it."""
    return math.ceil(round(10.0 * gain_db, 6)) / 10.0


def nudges(faults: Sequence[Fault]) -> Cure:
    """Cure that nudges spans, each by what it takes."""
    gains_db = [fault.gain_db for fault in faults]
    verb = "Raise" if min(gains_db) > 0.0 else "Lower"
    label = f"{verb} {'it' if len(faults) == 1 else 'them'} by {ranged([abs(gain) for gain in gains_db], 'dB')}"
    return Cure(CureKind.NUDGE, label, tuple((fault.span.id, fault.gain_db) for fault in faults))


def about(
    what: str,
    spans: Sequence[Span],
    severity: Severity,
    sentence: str,
    value: float,
    limit: float,
    unit: str,
    cure: Cure | None,
) -> Finding:
    """Make the finding about some spans, in order of time."""
    start_n, end_n = spans[0].start_n, spans[-1].end_n
    return Finding(key_of(what, spans), severity, start_n, end_n, sentence, float(value), float(limit), unit, cure)


def time_text(frame_n: int, rate_hz: int) -> str:
    """Time of a frame as a reader sees it, minutes and seconds to a tenth."""
    tenths = round(10 * frame_n / rate_hz)
    return f"{tenths // 600}:{tenths // 10 % 60:02d}.{tenths % 10}"


def named(session: Session, span: Span, small: bool = False) -> str:
    """Name a span in a sentence by its words and time."""
    at = time_text(span.start_n, session.vocal.rate_hz)
    if span.label:
        return f"“{span.label}” at {at}"
    return f"{'the' if small else 'The'} {span.kind} at {at}"


def counted(number: int, what: str) -> str:
    """Count with its noun: ``1 phrase``, ``3 phrases``."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def ranged(values: Iterable[float], unit: str, *, signed: bool = False) -> str:
    """Range of some values as a reader sees it, to a tenth: ``1.8 to 2.3 LU``, or one value where all are alike."""
    low, high = min(ends := list(values)), max(ends)
    form = "+.1f" if signed else ".1f"
    texts = dict.fromkeys(f"{value:{form}}" for value in (low, high))
    return f"{' to '.join(texts)} {unit}"


def section_said(label: str) -> str:
    """Name a section in a sentence: "the chorus", but "verse 1"."""
    return label if label[-1:].isdigit() else f"the {label}"


def group_named(session: Session, outer: Span | None, spans: Sequence[Span], kind: str) -> str:
    """Name several spans by their number, what they lie in, and their time."""
    rate_hz = session.vocal.rate_hz
    places = f"{time_text(spans[0].start_n, rate_hz)} and {time_text(spans[-1].end_n, rate_hz)}"
    of = ""
    if outer is not None and outer.kind is Kind.PHRASE:
        of = f" of “{outer.label}”" if outer.label else " of a phrase"
    elif outer is not None and outer.label:
        of = f" of {section_said(outer.label)}"
    return f"{counted(len(spans), kind)}{of} between {places}"


def grouped(faults: Sequence[Fault], outer_of: Callable[[Span], Span | None]) -> list[tuple[Span | None, list[Fault]]]:
    """Faults of the same sign that lie in one outer span, together, in order of time."""
    groups: dict[tuple[str, bool], tuple[Span | None, list[Fault]]] = {}
    for fault in faults:
        outer = outer_of(fault.span)
        key = (outer.id if outer is not None else "", fault.value < 0)
        groups.setdefault(key, (outer, []))[1].append(fault)
    return list(groups.values())


def key_of(what: str, spans: Iterable[Span]) -> str:
    """Key of a finding about some spans."""
    return ":".join([what, *(span.id for span in spans)])


def accepted_ids(session: Session, what: str) -> frozenset[str]:
    """Ids of the spans of which a kind of finding was accepted, alone or among others."""
    parts = (key.split(":") for key in session.accepted)
    return frozenset(i for name, *ids in parts if name == what for i in ids)
