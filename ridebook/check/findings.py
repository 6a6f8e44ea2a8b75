"""Findings: what a check has to say of a session, each with its place, its figure and its cure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from ridebook.check.cures import apply_cure
from ridebook.check.finding import Cure, CureKind, Finding, Severity, time_text, up
from ridebook.check.lane_faults import (
    at_limit,
    beyond_song,
    lifted_noises,
    lurches,
    pumping,
    short_of_song,
    steps,
    too_dense,
)
from ridebook.check.level_faults import out_of_band, repeats_that_differ, too_uneven, undecided
from ridebook.check.source_faults import SourceHealth, source_faults
from ridebook.check.standing import standing
from ridebook.check.word_faults import lost_words, sunk_words
from ridebook.measure.measures import Measures
from ridebook.ride.hearing import Hearing
from ridebook.session.document import Session, State

__all__ = ["Cure", "CureKind", "Finding", "Severity", "apply_cure", "find", "time_text"]


def find(
    session: Session,
    measures: Measures,
    peaks_dbtp: Mapping[str, float] | None = None,
    *,
    health: SourceHealth | None = None,
    hearing: Hearing | None = None,
    with_accepted: bool = False,
) -> tuple[Finding, ...]:
    """All findings about a session.

    Parameters
    ----------
    session : Session
        What is checked: trim plus lane, decisions, settings.
    measures : Measures
        Measures of the pair.
    peaks_dbtp : mapping of str to float, optional
        True peaks that were measured of what is rendered, by what it is: ``ridden stem``, ``mix``.
    health : SourceHealth, optional
        What was measured of the sources.
    hearing : Hearing, optional
        What the words take to be heard; without it those count as lost that sink.
    with_accepted : bool
        Whether to name those too that were accepted.

    Returns
    -------
    tuple of Finding
        What must be seen to first, each in order of time.
    """
    if with_accepted:
        session = replace(session, accepted={})
    stands = standing(session, measures, hearing=hearing)
    lurching = tuple(lurches(session, measures))
    is_open = [phrase for phrase in session.segments.phrases if session.decision(phrase.id).state is State.OPEN]
    found = [
        *lost_words(session, stands),
        *sunk_words(session, stands),
        *out_of_band(session, stands),
        *repeats_that_differ(session, measures),
        *too_uneven(session, measures),
        *at_limit(session),
        *lurching,
        *steps(session, lurching),
        *too_dense(session),
        *lifted_noises(session, measures),
        *pumping(session, measures),
        *beyond_song(session),
        *short_of_song(session),
        *undecided(session, is_open),
        *_peaks(session, peaks_dbtp or {}),
        *(source_faults(session, health) if health is not None else ()),
    ]
    found = [finding for finding in found if finding.key not in session.accepted]
    return tuple(sorted(found, key=lambda each: (each.severity is not Severity.MUST, each.start_n, each.key)))


def _peaks(session: Session, peaks_dbtp: Mapping[str, float]) -> Iterator[Finding]:
    ceiling_dbtp = session.limits.ceiling_dbtp
    for what, peak_dbtp in peaks_dbtp.items():
        if peak_dbtp > ceiling_dbtp:
            # Up to the next tenth, so that what is lowered is not found at the very ceiling again.
            over_db = up(peak_dbtp - ceiling_dbtp)
            sentence = (
                f"The {what} peaks at {peak_dbtp:+.1f} dBTP, over the ceiling of {ceiling_dbtp:g}. "
                f"Nothing is limited: lower the trim by {over_db:.1f} dB or the ride that peaks."
            )
            frames_n = session.vocal.frames_n
            # Less vocal lowers a mix's peak by no more than that, so that the mix is left to the engineer.
            cure = None
            if what != "mix":
                cure = Cure(CureKind.TRIM, f"Lower the trim by {over_db:.1f} dB", value_db=-over_db)
            yield Finding(f"peak:{what}", Severity.MUST, 0, frames_n, sentence, peak_dbtp, ceiling_dbtp, "dBTP", cure)
