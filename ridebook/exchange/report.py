"""The report on a song: one value that holds everything the printed sheet shows, and JSON of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from ridebook.check.findings import Cure, Finding, Severity
from ridebook.check.proof import Proof
from ridebook.check.standing import standing
from ridebook.measure.measures import Measures
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
    """A word: its text, place, ride and balance (None where there is no bed), and whether it is lost."""

    label: str
    start_s: float
    end_s: float
    ride_db: float
    balance_before_lu: float | None
    balance_after_lu: float | None
    lost: bool


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
    note: str
    findings: tuple[ReportFinding, ...]
    accepted: dict[str, str]
    proof: Proof
    sections: tuple[ReportSection, ...]
    phrases: tuple[ReportPhrase, ...]
    lane: tuple[tuple[float, float], ...]


def report_of(session: Session, measures: Measures, findings: Sequence[Finding], proof: Proof) -> Report:
    """Gather the report on a song.

    Parameters
    ----------
    session : Session
        What was decided.
    measures : Measures
        Measures of the pair.
    findings, proof
        What a check found.
    """
    rate_hz, segments = session.vocal.rate_hz, session.segments
    stands = standing(session, measures)
    numbers = {section.id: i for i, section in enumerate(segments.sections)}
    phrases = []
    for phrase in segments.phrases:
        stand, decision, section = stands.phrases[phrase.id], session.decision(phrase.id), segments.section_of(phrase)
        words = tuple(
            ReportWord(
                word.label,
                word.start_n / rate_hz,
                word.end_n / rate_hz,
                stands.words[word.id].ride_db,
                stands.words[word.id].before_lu,
                stands.words[word.id].after_lu,
                stands.words[word.id].lost,
            )
            for word in segments.words_of(phrase)
        )
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


def report_json(report: Report) -> bytes:
    """Report as one JSON object, UTF-8; what is infinite or unknown is null."""
    return msgspec.json.encode(report)


def report_from_json(text: bytes) -> Report:
    """Report out of what `report_json` gave."""
    return msgspec.json.decode(text, type=Report)
