"""What the printed sheet says, as text and marks; how it lies on paper is the window's matter."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from ridebook.check.findings import Severity
from ridebook.check.proof import Metered
from ridebook.exchange.report import Report, ReportPhrase
from ridebook.session.document import State

MINUS = "\N{MINUS SIGN}"
DASH = "\N{EN DASH}"


class Mark(StrEnum):
    """How a ride stands in the margin: pencilled, inked, struck out, or drawn by hand."""

    OPEN = "open"
    INKED = "inked"
    STRUCK = "struck"
    DRAWN = "drawn"


@dataclass(frozen=True, slots=True)
class SheetWord:
    """A word as it is printed, whether the bed hides it, and what is in its way then."""

    text: str
    lost: bool
    in_the_way: str = ""


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One phrase: its time, words, ride and balance, as text.

    Parameters
    ----------
    time, ride, balance : str
        As they are printed.
    words : tuple of SheetWord
        Its words; the phrase's name and numbers where they have no text.
    mark : Mark
        What was decided.
    locked, quiet : bool
        It is locked; it is meant to be quiet.
    note : str
        The engineer's note.
    start_s, end_s : float
        Its place, for the glyph of its ride.
    """

    time: str
    words: tuple[SheetWord, ...]
    ride: str
    balance: str
    mark: Mark
    locked: bool
    quiet: bool
    note: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class SheetBlock:
    """A section: its heading (empty where none is known) and its phrases."""

    heading: str
    rows: tuple[SheetRow, ...]


@dataclass(frozen=True, slots=True)
class SheetFigure:
    """One line of figures: what, before, after."""

    name: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class SheetFinding:
    """One finding: its time, sentence, and whether it must be seen to."""

    time: str
    sentence: str
    must: bool


@dataclass(frozen=True, slots=True)
class SheetContent:
    """Everything that is printed, but for the two pictures.

    Parameters
    ----------
    title : str
        The song.
    about : tuple of str
        Lines under the title.
    counts, meters : tuple of SheetFigure
        Before and after: how phrases and words stand, and what a meter says of vocal and mix.
    blocks : tuple of SheetBlock
        The lyric with its rides.
    findings : tuple of SheetFinding
        What the check has to say.
    notes : tuple of str
        What was accepted, and the note about the whole.
    """

    title: str
    about: tuple[str, ...]
    counts: tuple[SheetFigure, ...]
    meters: tuple[SheetFigure, ...]
    blocks: tuple[SheetBlock, ...]
    findings: tuple[SheetFinding, ...]
    notes: tuple[str, ...]


def sheet_content(report: Report) -> SheetContent:
    """Text of the sheet; every figure is one of the report's, rounded as it is printed."""
    proof = report.proof
    length = clock(report.seconds)
    about = (
        f"{report.vocal} over {', '.join(report.beds)} · {length} · {report.rate_hz / 1000:g} kHz",
        f"Trim {signed(report.trim_db)} dB · aim {signed(report.aim_lu)} LU, band {report.band_lu:g} LU either way · "
        f"{proof.breakpoints} breakpoints, {proof.breakpoints_per_phrase:.1f} a phrase"
        + ("" if proof.dynamics_kept is None else f" · {100 * proof.dynamics_kept:.0f} % of the dynamics kept")
        + ("" if proof.word_dynamics_kept is None else f", {100 * proof.word_dynamics_kept:.0f} % inside phrases"),
    )
    blocks: list[SheetBlock] = []
    for number in dict.fromkeys(phrase.section for phrase in report.phrases):
        rows = tuple(_row(phrase, i) for i, phrase in enumerate(report.phrases, start=1) if phrase.section == number)
        heading = ""
        if number is not None:
            section = report.sections[number]
            heading = section.label or f"section {number + 1}"
            if section.aim_lu != report.aim_lu:
                heading += f" · aim {signed(section.aim_lu)} LU"
        blocks.append(SheetBlock(heading, rows))
    findings = tuple(
        SheetFinding(clock(found.start_s), found.sentence, found.severity is Severity.MUST) for found in report.findings
    )
    notes = [report.note] if report.note else []
    for key, note in report.accepted.items():
        notes.append(f"Accepted: {key.partition(':')[0]}{f' {DASH} {note}' if note else ''}")
    return SheetContent(
        report.title or report.vocal, about, _counts(report), _meters(report), tuple(blocks), findings, tuple(notes)
    )


def _row(phrase: ReportPhrase, number: int) -> SheetRow:
    words = tuple(SheetWord(word.label, word.lost, word.in_the_way) for word in phrase.words)
    if not any(word.text for word in words):
        # Numbers stand for words whose text is not known, so that those that are lost can be told apart.
        words = tuple(SheetWord(str(i), word.lost, word.in_the_way) for i, word in enumerate(phrase.words, start=1))
        name = phrase.label or f"phrase {number}"
        words = (SheetWord(f"{name}:" if words else name, False), *words)
    mark = Mark.STRUCK if phrase.state is State.STRUCK else Mark(phrase.state.value)
    return SheetRow(
        clock(phrase.start_s),
        words,
        signed(phrase.ride_db),
        signed(phrase.balance_after_lu),
        mark,
        phrase.locked,
        phrase.quiet,
        phrase.note,
        phrase.start_s,
        phrase.end_s,
    )


def _counts(report: Report) -> tuple[SheetFigure, ...]:
    proof = report.proof
    figures: list[SheetFigure] = []

    def count(name: str, field: str) -> None:
        figures.append(SheetFigure(name, str(getattr(proof.before, field)), str(getattr(proof.after, field))))

    count(f"Words lost by {proof.lost_by.value}, of {proof.words}", "words_lost")
    count("Words far under the aim", "words_sunk")
    count("Words outside the band", "words_out")
    count(f"Phrases outside the band, of {proof.phrases}", "phrases_out")
    spreads = plain(proof.before.phrase_spread_lu), plain(proof.after.phrase_spread_lu)
    figures.append(SheetFigure("Spread of the phrases' balance, LU", *spreads))
    figures.append(SheetFigure("Balance of the song, LU", signed(proof.song_before_lu), signed(proof.song_after_lu)))
    for known in proof.balances:
        bar = f" ± {known.half_width_lu:.1f}" if known.half_width_lu and known.balance_lu is not None else ""
        figures.append(SheetFigure(f"Reference {known.name}, balance, LU", "", f"{signed(known.balance_lu)}{bar}"))
    return tuple(figures)


def _meters(report: Report) -> tuple[SheetFigure, ...]:
    proof = report.proof
    figures: list[SheetFigure] = []
    if proof.rendered_before is not None and proof.rendered_after is not None:
        for name, before, after in (
            ("Vocal", proof.rendered_before.stem, proof.rendered_after.stem),
            ("Mix", proof.rendered_before.mix, proof.rendered_after.mix),
        ):
            figures += [
                SheetFigure(f"{name}, {what}", _metered(before, what), _metered(after, what)) for what in _METERS
            ]
    figures += [
        SheetFigure(f"Reference {name}, {what}", "", _metered(meter, what))
        for name, meter in proof.references
        for what in _METERS
    ]
    return tuple(figures)


_METERS = ("integrated, LUFS", "loudness range, LU", "true peak, dBTP")


def _metered(meter: Metered, what: str) -> str:
    return level(dict(zip(_METERS, (meter.integrated_lufs, meter.loudness_range_lu, meter.true_peak_dbtp)))[what])


def lane_line(report: Report) -> list[tuple[float, float]]:
    """Corners of the lane over the whole song: seconds and dB."""
    if not report.lane:
        return [(0.0, 0.0), (report.seconds, 0.0)]
    inside = [(at, db) for at, db in report.lane if 0.0 <= at <= report.seconds]
    first, last = report.lane[0], report.lane[-1]
    before = [(0.0, first[1])] if first[0] > 0.0 else []
    after = [(report.seconds, last[1])] if last[0] < report.seconds else []
    return [*before, *inside, *after]


def balance_limits(report: Report) -> tuple[float, float]:
    """Lowest and highest balance of the picture, in LU: the band and all phrases, no further than 12 LU off the aim."""
    reach = report.band_lu + 2.0
    for phrase in report.phrases:
        for value in (phrase.balance_before_lu, phrase.balance_after_lu):
            if value is not None:
                reach = max(reach, min(abs(value - report.aim_lu) + 0.5, 12.0))
    return report.aim_lu - reach, report.aim_lu + reach


def lane_limits(report: Report) -> tuple[float, float]:
    """Lowest and highest gain of the picture, in dB, 0 among them."""
    gains = [db for _, db in report.lane] or [0.0]
    return min(*gains, -2.0) - 0.5, max(*gains, 2.0) + 0.5


def clock(time_s: float) -> str:
    """Time as minutes, seconds and tenths."""
    tenths = round(10 * time_s)
    return f"{tenths // 600}:{tenths // 10 % 60:02d}.{tenths % 10}"


def signed(value: float | None) -> str:
    """Gain or balance to a tenth, with its sign; a dash where there is none."""
    if value is None:
        return DASH
    text = f"{abs(value):.1f}"
    return text if not float(text) else f"{MINUS if value < 0 else '+'}{text}"


def plain(value: float | None) -> str:
    """Figure to a tenth; a dash where there is none."""
    return DASH if value is None else f"{value:.1f}"


def level(value: float | None) -> str:
    """Level to a tenth, a minus before it where it is under 0."""
    return DASH if value is None else f"{value:.1f}".replace("-", MINUS)
