"""Tables as RFC 4180 has them: commas, CRLF, quotes where they are needed; UTF-8, a point as decimal mark."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from ridebook.audio.output import atomic_write
from ridebook.errors import ExchangeError

FARTHEST_S = 1e7
"""Times beyond this, some months, are taken for a slip."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def write_table(
    path: str | Path, header: Sequence[str], rows: Iterable[Sequence[str]], protect: Iterable[str | Path] = ()
) -> None:
    """Write a table at once.

    Parameters
    ----------
    path : str or Path
        Where; a file that is there is replaced.
    header : sequence of str
        Names of the columns.
    rows : iterable of sequence of str
        The cells.
    protect : iterable of str or Path
        Sources, which are never written over.

    Raises
    ------
    OutputError
        The file cannot be written, or is one of `protect`.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")  # RFC 4180, section 2, rule 1
    writer.writerow(header)
    # No text has use for a null character, and many readers end there.
    writer.writerows([cell.replace("\0", "") for cell in row] for row in rows)
    atomic_write(path, text.getvalue().encode("utf-8", "backslashreplace"), protect)


def read_table(path: str | Path, header: Sequence[str]) -> list[tuple[int, list[str]]]:
    """Rows of a table whose first columns are `header`; further columns are passed over.

    Line ends of any system, a byte order mark and empty lines are taken.

    Returns
    -------
    list of (int, list of str)
        Number of the line that a row ends on, from 1, and its cells.

    Raises
    ------
    ExchangeError
        The file cannot be read, is not UTF-8, or has another header or broken quotes; says where.
    """
    try:
        content = Path(path).read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise ExchangeError(f"{path} cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise ExchangeError(f"{path} is not UTF-8 text (byte {error.start}); save it as UTF-8") from error
    reader = csv.reader(io.StringIO(content, newline=""), strict=True)
    rows: list[tuple[int, list[str]]] = []
    try:
        rows += ((reader.line_num, row) for row in reader if row)
    except csv.Error as error:
        raise ExchangeError(f"{path}, line {reader.line_num}: {error}") from error
    names = [name.strip() for name in rows[0][1]] if rows else []
    if names[: len(header)] != list(header):
        raise ExchangeError(
            f"{path} must begin with the header {','.join(header)}, but begins with {','.join(names)[:80] or 'nothing'}"
        )
    for line, row in rows[1:]:
        if len(row) < len(header):
            raise ExchangeError(f"{path}, line {line}: {len(row)} columns, but {','.join(header)} are needed")
    return rows[1:]


def number(path: str | Path, line: int, name: str, cell: str) -> float:
    """Finite number in a cell.

    Raises
    ------
    ExchangeError
        It is none, with the place and, for a decimal comma, the cure.
    """
    text = cell.strip()
    if not _NUMBER.fullmatch(text) or abs(float(text)) > 1e12:
        cure = "; the decimal mark must be a point" if "," in text else ""
        raise ExchangeError(f"{path}, line {line}: {name} is {cell[:40]!r}, but must be a number{cure}")
    return float(text)


def time_frame_n(path: str | Path, line: int, name: str, cell: str, rate_hz: int) -> int:
    """Frame that a time in seconds means at a rate.

    Raises
    ------
    ExchangeError
        It is no number, before the vocal's first frame, or beyond any song.
    """
    time_s = number(path, line, name, cell)
    if not 0.0 <= time_s <= FARTHEST_S:
        raise ExchangeError(f"{path}, line {line}: {name} is {time_s:g} s, but must be from 0 to {FARTHEST_S:g}")
    return round(time_s * rate_hz)


def time_cell(frame_n: int, rate_hz: int) -> str:
    """Time of a frame in seconds with 9 decimals: far finer than half a frame at any rate."""
    return f"{frame_n / rate_hz:.9f}"
