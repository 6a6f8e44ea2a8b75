"""Segment lists: sections, phrases, words, breaths, sibilants and plosives as a table."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from ridebook.errors import ExchangeError, SegmentError
from ridebook.exchange.tables import cell_text, read_table, text_cell, time_cell, time_frame_n, write_table
from ridebook.segment.repeats import with_repeats
from ridebook.segment.spans import Kind, Origin, Segments, Span

HEADER = ("kind", "start_s", "end_s", "label")

_ORDER = {kind: i for i, kind in enumerate(Kind)}


def write_segments(path: str | Path, segments: Segments, rate_hz: int, protect: Iterable[str | Path] = ()) -> None:
    """Write segments as a list in order of time, a section before its phrases and a phrase before its words.

    Parameters
    ----------
    path : str or Path
        Where; a file that is there is replaced.
    segments : Segments
        The segments.
    rate_hz : int
        The pair's rate; times have 9 decimals and round back to the exact frame.
    protect : iterable of str or Path
        Sources, which are never written over.

    Raises
    ------
    OutputError
        The file cannot be written, or is one of `protect`.
    """
    spans = sorted(segments.all_spans(), key=lambda span: (span.start_n, _ORDER[span.kind]))
    rows = [
        (span.kind.value, time_cell(span.start_n, rate_hz), time_cell(span.end_n, rate_hz), text_cell(span.label))
        for span in spans
    ]
    write_table(path, HEADER, rows, protect)


def read_segments(path: str | Path, rate_hz: int, frames_n: int | None = None) -> Segments:
    """Segments out of a list, of origin file, with new ids; what has the same label repeats.

    Parameters
    ----------
    path : str or Path
        The list; further columns are passed over, rows may be in any order.
    rate_hz : int
        The pair's rate.
    frames_n : int, optional
        Length of the vocal, which no segment may pass.

    Raises
    ------
    ExchangeError
        The file cannot be read, has another header, or a row does not hold; says where.
    """
    spans: dict[Kind, list[Span]] = {kind: [] for kind in Kind}
    for i, (line, row) in enumerate(read_table(path, HEADER), start=1):
        name = row[0].strip()
        if name not in _ORDER:
            raise ExchangeError(f"{path}, line {line}: kind is {name[:40]!r}, but must be one of {', '.join(Kind)}")
        kind = Kind(name)
        start_n = time_frame_n(path, line, "start_s", row[1], rate_hz)
        end_n = time_frame_n(path, line, "end_s", row[2], rate_hz)
        if end_n <= start_n:
            raise ExchangeError(
                f"{path}, line {line}: the {kind} ends at {row[2]} s, not after its start at {row[1]} s"
            )
        if frames_n is not None and end_n > frames_n:
            raise ExchangeError(
                f"{path}, line {line}: the {kind} ends at {row[2]} s, but the vocal at {frames_n / rate_hz:.3f} s"
            )
        span_id = f"{kind.value[0]}{i}"  # sections and sibilants share a letter, but no two rows a number
        spans[kind].append(Span(span_id, kind, start_n, end_n, cell_text(row[3]), Origin.FILE))
    try:
        return with_repeats(Segments(*(tuple(spans[kind]) for kind in _ORDER)))
    except SegmentError as error:
        raise ExchangeError(f"{path}: {error}") from error
