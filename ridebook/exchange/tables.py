"""Tables as RFC 4180 has them: commas, CRLF, quotes where they are needed; UTF-8, a point as decimal mark.

Where the decimal mark is a comma, semicolons part the columns, as spreadsheets of such countries have it (common
practice, no source).
"""

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

_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def table_text(header: Sequence[str], rows: Iterable[Sequence[str]], separator: str = ",") -> str:
    """Text of a table, header first."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator, lineterminator="\r\n")  # RFC 4180, section 2, rule 1
    writer.writerow(header)
    # No text has use for a null character, and many readers end there.
    writer.writerows([cell.replace("\0", "") for cell in row] for row in rows)
    return text.getvalue()


def write_table(
    path: str | Path,
    header: Sequence[str],
    rows: Iterable[Sequence[str]],
    protect: Iterable[str | Path] = (),
    separator: str = ",",
) -> None:
    """Write a table at once.

    Parameters
    ----------
    path : str or Path
        Where; a file that is there is replaced.
    header : sequence of str
        Names of the columns.
    rows : iterable of sequence of str
        The cells; those with text that is not this program's own go through `text_cell`.
    protect : iterable of str or Path
        Sources, which are never written over.
    separator : str
        What parts the columns; a semicolon where the decimal mark is a comma.

    Raises
    ------
    OutputError
        The file cannot be written, or is one of `protect`.
    """
    atomic_write(path, table_text(header, rows, separator).encode("utf-8", "backslashreplace"), protect)


def read_rows(path: str | Path) -> tuple[str, list[tuple[int, list[str]]]]:
    """Rows of a table, and what parts its columns: a semicolon where the first line has one and no comma, else a comma.

    Line ends of any system, a byte order mark and empty lines are taken.

    Returns
    -------
    str
        Comma or semicolon.
    list of (int, list of str)
        Number of the line that a row ends on, from 1, and its cells.

    Raises
    ------
    ExchangeError
        The file cannot be read, is not UTF-8, or has broken quotes; says where.
    """
    try:
        content = Path(path).read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise ExchangeError(f"{path} cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise ExchangeError(f"{path} is not UTF-8 text (byte {error.start}); save it as UTF-8") from error
    first = next((line for line in content.splitlines() if line), "")
    separator = ";" if ";" in first and "," not in first else ","
    reader = csv.reader(io.StringIO(content, newline=""), delimiter=separator, strict=True)
    rows: list[tuple[int, list[str]]] = []
    try:
        rows += ((reader.line_num, row) for row in reader if row)
    except csv.Error as error:
        raise ExchangeError(f"{path}, line {reader.line_num}: {error}") from error
    return separator, rows


def read_table(path: str | Path, header: Sequence[str]) -> list[tuple[int, list[str]]]:
    """Rows of a table whose first columns are `header`; further columns are passed over.

    Returns
    -------
    list of (int, list of str)
        Number of the line that a row ends on, from 1, and its cells.

    Raises
    ------
    ExchangeError
        As for `read_rows`, or it has another header or a row that is too short; says where.
    """
    separator, rows = read_rows(path)
    names = [name.strip() for name in rows[0][1]] if rows else []
    if names[: len(header)] != list(header):
        found = separator.join(names)[:80] or "nothing"
        raise ExchangeError(f"{path} must begin with the header {','.join(header)}, but begins with {found}")
    for line, row in rows[1:]:
        if len(row) < len(header):
            raise ExchangeError(f"{path}, line {line}: {len(row)} columns, but {','.join(header)} are needed")
    return rows[1:]


def text_cell(text: str) -> str:
    """Text as a cell that no spreadsheet takes for a formula.

    Text that begins with ``=``, ``+``, ``-``, ``@``, a tab or a return gets an apostrophe before it, as does what would
    else be read back as such a cell (the usual cure, as OWASP's page on CSV injection has it; from memory).
    """
    return f"'{text}" if _FORMULA.match(text) else text


def cell_text(cell: str) -> str:
    """Text of a cell as `text_cell` wrote it; other cells are as they are."""
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell


def number(path: str | Path, line: int, name: str, cell: str, comma: bool = False) -> float:
    """Finite number in a cell; its decimal mark is a point, with `comma` a comma too.

    Raises
    ------
    ExchangeError
        It is none, with the place and, for a decimal comma, the cure.
    """
    text = cell.strip()
    if comma and text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    if not _NUMBER.fullmatch(text) or abs(float(text)) > 1e12:
        cure = "; the decimal mark must be a point" if "," in text and not comma else ""
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
