"""The report on a song: one value that holds everything the printed sheet shows, and JSON of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from ridebook.check.findings import Cure, Finding, Severity
from ridebook.check.hidden import hidden
from ridebook.check.proof import Proof
from ridebook.check.standing import Standing, standing
from ridebook.measure.audibility import LOST
from ridebook.measure.measures import Measures
from ridebook.ride.hearing import Hearing
from ridebook.session.document import Session, State


@dataclass(frozen=True, slots=True)
class ReportFinding:
    """A finding with its place in seconds as well; fields as `ridebook.check.finding.Finding` has them."""

    key: str
    severity: Severity
    start_n: int
    end_n: int
    start_s: float
    end_s: float
    sentence: str
    value: float
    limit: float
    unit: str
    cure: Cure | None = None


@dataclass(frozen=True, slots=True)
class ReportWord:
    """A word: its text, place, ride, balance, and whether it is lost.

    Parameters
    ----------
    label : str
        Its text.
    start_s, end_s : float
        Its place.
    ride_db : float
        Mean of the lane over it.
    balance_before_lu, balance_after_lu : float or None
        With the trim alone, and with the rides; None where there is no bed.
    lost : bool
        The bed hides it, by what `Proof.lost_by` names.
    sinks : bool
        It stands far under the aim, whatever is heard of it.
    audibility_before, audibility_after : float or None
        0 to 1; None where it was not measured.
    missing_db : float or None
        Further gain that it takes to be heard, under 0 where it has that much to spare; None where that is not known
        or no gain would do.
    in_the_way : str
        Of a lost word, what covers it and whether level is the cure; else empty.
    """

    label: str
    start_s: float
    end_s: float
    ride_db: float
    balance_before_lu: float | None
    balance_after_lu: float | None
    lost: bool
    sinks: bool = False
    audibility_before: float | None = None
    audibility_after: float | None = None
    missing_db: float | None = None
    in_the_way: str = ""


@dataclass(frozen=True, slots=True)
class ReportPhrase:
    """A phrase: its text, place, what was decided, ride, balance against its aim, and its words."""

    label: str
    start_s: float
    end_s: float
    section: int | None
    state: State
    locked: bool
    quiet: bool
    note: str
    ride_db: float
    aim_lu: float
    balance_before_lu: float | None
    balance_after_lu: float | None
    words: tuple[ReportWord, ...]


@dataclass(frozen=True, slots=True)
class ReportSection:
    """A section: its name and place, and the aim that holds in it."""

    label: str
    start_s: float
    end_s: float
    aim_lu: float


@dataclass(frozen=True, slots=True)
class Report:
    """Everything that a check has to say of a song.

    Parameters
    ----------
    title, vocal : str
        The song's title and the name of the vocal's file.
    beds : tuple of str
        Names of the bed's files.
    rate_hz : int
        The pair's rate.
    seconds : float
        Length of the vocal.
    trim_db, aim_lu, band_lu : float
        Trim, and the song's aim with the half width of its band.
    listening_level_db, audible : float
        Level at which the words are taken to be heard, dB SPL, and the least audibility of a word that is not lost.
    note : str
        The note about the whole.
    findings : tuple of ReportFinding
        What must be seen to first.
    accepted : dict of str to str
        Findings that were accepted, with their notes.
    proof : Proof
        Figures before and after.
    sections, phrases
        In order of time.
    lane : tuple of (float, float)
        Breakpoints: seconds, and gain in dB without the trim.
    """

    title: str
    vocal: str
    beds: tuple[str, ...]
    rate_hz: int
    seconds: float
    trim_db: float
    aim_lu: float
    band_lu: float
    listening_level_db: float
    audible: float
    note: str
    findings: tuple[ReportFinding, ...]
    accepted: dict[str, str]
    proof: Proof
    sections: tuple[ReportSection, ...]
    phrases: tuple[ReportPhrase, ...]
    lane: tuple[tuple[float, float], ...]


def report_of(
    session: Session,
    measures: Measures,
    findings: Sequence[Finding],
    proof: Proof,
    hearing: Hearing | None = None,
) -> Report:
    """Gather the report on a song.

    Parameters
    ----------
    session : Session
        What was decided.
    measures : Measures
        Measures of the pair.
    findings, proof
        What a check found.
    hearing : Hearing, optional
        What the words take to be heard; the same that the check had.
    """
    rate_hz, segments = session.vocal.rate_hz, session.segments
    stands = standing(session, measures, hearing=hearing)
    said = _words_said(session, stands)
    numbers = {section.id: i for i, section in enumerate(segments.sections)}
    phrases = []
    for phrase in segments.phrases:
        stand, decision, section = stands.phrases[phrase.id], session.decision(phrase.id), segments.section_of(phrase)
        words = tuple(said[word.id] for word in segments.words_of(phrase))
        phrases.append(
            ReportPhrase(
                phrase.label,
                phrase.start_n / rate_hz,
                phrase.end_n / rate_hz,
                numbers[section.id] if section is not None else None,
                decision.state,
                decision.locked,
                decision.quiet,
                decision.note,
                stand.ride_db,
                stand.aim_lu,
                stand.before_lu,
                stand.after_lu,
                words,
            )
        )
    return Report(
        title=session.title,
        vocal=Path(session.vocal.path).name,
        beds=tuple(Path(bed.path).name for bed in session.beds),
        rate_hz=rate_hz,
        seconds=session.vocal.frames_n / rate_hz,
        trim_db=session.trim_db,
        aim_lu=session.settings.aim_lu,
        band_lu=session.settings.band_lu,
        listening_level_db=session.settings.listening_level_db,
        audible=LOST,
        note=session.note,
        findings=tuple(
            ReportFinding(
                found.key,
                found.severity,
                found.start_n,
                found.end_n,
                found.start_n / rate_hz,
                found.end_n / rate_hz,
                found.sentence,
                found.value,
                found.limit,
                found.unit,
                found.cure,
            )
            for found in findings
        ),
        accepted=dict(session.accepted),
        proof=proof,
        sections=tuple(
            ReportSection(
                section.label,
                section.start_n / rate_hz,
                section.end_n / rate_hz,
                session.section_aims.get(section.id, session.settings.aim_lu),
            )
            for section in segments.sections
        ),
        phrases=tuple(phrases),
        lane=tuple((frame_n / rate_hz, gain_db) for frame_n, gain_db in session.lane.points),
    )


def _words_said(session: Session, stands: Standing) -> dict[str, ReportWord]:
    """Say all that is known of each word, by its id."""
    words, known, rate_hz = session.segments.words, stands.words, session.vocal.rate_hz
    audibility: list[tuple[float | None, float | None]] = [(None, None)] * len(words)
    if stands.hearing is not None:
        before = stands.hearing.audibility(known.gains_db - known.rides_gain_db)
        audibility = list(zip(before.tolist(), stands.hearing.audibility(known.gains_db).tolist()))
    in_the_way = hidden(session, stands, [word for word in words if known.is_lost(word.id)])
    said = {}
    for word, (heard_before, heard_after) in zip(words, audibility, strict=True):
        stand = known[word.id]
        said[word.id] = ReportWord(
            label=word.label,
            start_s=word.start_n / rate_hz,
            end_s=word.end_n / rate_hz,
            ride_db=stand.ride_db,
            balance_before_lu=stand.before_lu,
            balance_after_lu=stand.after_lu,
            lost=stand.lost,
            sinks=stand.sinks,
            audibility_before=heard_before,
            audibility_after=heard_after,
            missing_db=stand.missing_db,
            in_the_way=in_the_way[word.id].said if word.id in in_the_way else "",
        )
    return said


def report_json(report: Report) -> bytes:
    """Report as one JSON object, UTF-8; what is infinite or unknown is null."""
    return msgspec.json.encode(report)


def report_from_json(text: bytes) -> Report:
    """Report out of what `report_json` gave."""
    return msgspec.json.decode(text, type=Report)
