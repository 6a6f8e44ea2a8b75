"""Faults of levels: phrases out of band, repeats that differ, a take too uneven to ride."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from ridebook.check.finding import (
    Cure,
    CureKind,
    Fault,
    Finding,
    Severity,
    about,
    accepted_ids,
    counted,
    group_named,
    grouped,
    named,
    nudges,
    ranged,
    section_said,
    time_text,
    up,
)
from ridebook.check.standing import Standing
from ridebook.measure.measures import Measures
from ridebook.measure.spans import mean_balance_lu, span_loudness_lufs
from ridebook.ride.ridden import ridden
from ridebook.segment.repeats import sung_name
from ridebook.segment.spans import Span
from ridebook.session.document import Session
from ridebook.session.edits import quiet_ids

SPREAD_WORDS_N = 12
"""Fewer pairs of words than this say nothing about a take."""

SPREAD_PART = 75.0
"""A take is as uneven as the step that one word in four passes."""

_VOICE_LUFS = -70.0
_WORD_CELLS_S = 0.06


def out_of_band(session: Session, stands: Standing) -> Iterator[Finding]:
    """Phrases outside the aim's band; those of one section on one side together."""
    band_lu = session.settings.band_lu
    exempt = quiet_ids(session)
    accepted = accepted_ids(session, "band")
    faults = []
    for phrase in session.segments.phrases:
        apart_lu = stands.phrases[phrase.id].apart_lu
        if apart_lu is None or abs(apart_lu) <= band_lu or (apart_lu < 0 and phrase.id in exempt):
            continue
        if phrase.id not in accepted:
            to_db = math.copysign(up(abs(apart_lu) - band_lu / 2.0), -apart_lu)
            faults.append(Fault(phrase, apart_lu, to_db))
    for section, group in grouped(faults, session.segments.section_of):
        spans = [fault.span for fault in group]
        worst = max((fault.value for fault in group), key=abs)
        where, verb = ("under", "Raise") if worst < 0 else ("over", "Lower")
        apart = ranged([abs(fault.value) for fault in group], "LU")
        one = len(group) == 1
        sentence = (
            f"{named(session, spans[0])} stands {apart} {where} the aim, outside its band of {band_lu:g} LU. "
            f"{verb} it by {abs(worst) - band_lu:.1f} dB or more."
            if one
            else f"{group_named(session, section, spans, 'phrase')} stand {apart} {where} the aim, outside its band of "
            f"{band_lu:g} LU. {verb} each by what it is off, or look at the trim or the section's aim."
        )
        limit = math.copysign(band_lu, worst)
        yield about("band", spans, Severity.LOOK, sentence, worst, limit, "LU", nudges(group))


def repeats_that_differ(session: Session, measures: Measures) -> Iterator[Finding]:
    """Sections that repeat each other and stand at different balances with the rides on them; a question, no fault."""
    by_name: dict[str, list[Span]] = {}
    for section in session.segments.sections:
        name = sung_name(section)
        if name:
            by_name.setdefault(name, []).append(section)
    repeated = {name: sections for name, sections in by_name.items() if len(sections) > 1}
    if not repeated:
        return
    with_rides = ridden(measures.vocal, session.lane, session.trim_db)
    heard = Measures(with_rides, measures.beds, measures.bed, measures.vocal_spread)
    for sections in repeated.values():
        apart = {section.id: _section_apart_lu(session, heard, section) for section in sections}
        known = [section for section in sections if math.isfinite(apart[section.id])]
        if len(known) < 2:
            continue
        first = known[0]
        other = max(known[1:], key=lambda section: abs(apart[section.id] - apart[first.id]))
        by_lu = apart[other.id] - apart[first.id]
        if abs(by_lu) <= session.limits.differ_lu:
            continue
        rate_hz = session.vocal.rate_hz
        said = section_said(other.label or "section")
        sentence = (
            f"{said[:1].upper()}{said[1:]} at {time_text(other.start_n, rate_hz)} stands {abs(by_lu):.1f} LU "
            f"{'over' if by_lu > 0 else 'under'} {section_said(first.label or 'section like it')} at "
            f"{time_text(first.start_n, rate_hz)}, each against its aim. Is that meant?"
        )
        verb = "Lower" if by_lu > 0 else "Raise"
        cure = Cure(CureKind.NUDGE, f"{verb} the section by {abs(by_lu):.1f} dB", ((other.id, -round(by_lu, 1)),))
        limit = math.copysign(session.limits.differ_lu, by_lu)
        yield about("differ", [other], Severity.LOOK, sentence, by_lu, limit, "LU", cure)


def _section_apart_lu(session: Session, heard: Measures, section: Span) -> float:
    phrases = session.segments.phrases_of(section)
    if not phrases:
        return math.nan
    starts, ends = (np.array([getattr(phrase, name) for phrase in phrases]) for name in ("start_n", "end_n"))
    aim_lu = session.section_aims.get(section.id, session.settings.aim_lu)
    return mean_balance_lu(heard, starts, ends, session.settings.centre_law_db) - aim_lu


def too_uneven(session: Session, measures: Measures) -> Iterator[Finding]:
    """Find a take whose words jump more than rides should carry, as it is without them."""
    segments = session.segments
    least_n = round(_WORD_CELLS_S * session.vocal.rate_hz)
    steps: list[np.ndarray] = []
    quiet = quiet_ids(session)
    for phrase in segments.phrases:
        words = [word for word in segments.words_of(phrase) if word.length_n >= least_n and word.id not in quiet]
        if phrase.id in quiet or len(words) < 2:
            continue
        starts, ends = (np.array([getattr(word, name) for word in words]) for name in ("start_n", "end_n"))
        levels = span_loudness_lufs(measures.vocal, starts, ends)
        steps.append(np.abs(np.diff(levels[levels > _VOICE_LUFS])))
    steps_lu = np.concatenate(steps) if steps else np.zeros(0)
    if len(steps_lu) < SPREAD_WORDS_N:
        return
    spread_lu, limit_lu = float(np.percentile(steps_lu, SPREAD_PART)), session.limits.spread_lu
    if spread_lu > limit_lu:
        sentence = (
            f"The take is uneven: one word in four stands {spread_lu:.1f} LU or more from the word before it, and "
            f"{limit_lu:g} is much for rides. Even the level before the compressor, or compress lightly, and ride "
            "what is left."
        )
        yield Finding(
            "spread:song", Severity.LOOK, 0, session.vocal.frames_n, sentence, spread_lu, session.limits.spread_lu, "LU"
        )


def undecided(session: Session, open_phrases: Sequence[Span]) -> Iterator[Finding]:
    """Stretches that were never decided; phrases that follow each other together."""
    rate_hz = session.vocal.rate_hz
    is_open = {phrase.id for phrase in open_phrases}
    run: list[Span] = []
    for phrase in (*session.segments.phrases, None):
        if phrase is not None and phrase.id in is_open:
            run.append(phrase)
        elif run:
            places = f"{time_text(run[0].start_n, rate_hz)} to {time_text(run[-1].end_n, rate_hz)}"
            sentence = (
                f"{counted(len(run), 'phrase')} from {places} {'was' if len(run) == 1 else 'were'} never decided. "
                "Ink, strike or draw each."
            )
            cure = Cure(CureKind.INK, "Ink what is suggested", tuple((phrase.id, 0.0) for phrase in run))
            key = f"open:{run[0].id}"
            yield Finding(key, Severity.LOOK, run[0].start_n, run[-1].end_n, sentence, len(run), 0.0, "phrases", cure)
            run = []
