"""Names of the files that go out, made from a pattern."""

from __future__ import annotations

import re
import string
import unicodedata
from dataclasses import dataclass
from datetime import datetime

from ridebook.errors import SettingError

DEFAULT_PATTERN = "{title} {what}"

PLACEHOLDERS = {
    "title": "the song's title",
    "what": "what the file holds: rides, ridden, mix, and so on; without it all would have one name",
    "vocal": "the name of the vocal's file",
    "date": "the day, as 2031-05-09",
    "time": "the hour and minute, as 17-42",
}
"""What may stand in a pattern, in braces."""

LONGEST_BYTES_N = 180
"""A name has at most so many bytes, its ending not counted: most systems hold 255, and some paths less."""

# Microsoft, "Naming Files, Paths, and Namespaces": characters and names that Windows keeps for itself (from memory).
_FORBIDDEN = re.compile(r'[\\/:*?"<>|\x00-\x1f\x7f]')
_KEPT_NAMES = re.compile(r"(con|prn|aux|nul|(com|lpt)[\d¹²³])(\..*)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Naming:
    """What all files of one hand-over share in their names.

    Parameters
    ----------
    title, vocal : str
        The song's title and the name of the vocal's file without its ending.
    moment : datetime
        When.
    pattern : str
        With the placeholders of `PLACEHOLDERS`.

    Raises
    ------
    SettingError
        The pattern has another placeholder or a stray brace, or lacks ``{what}``.
    """

    title: str
    vocal: str
    moment: datetime
    pattern: str = DEFAULT_PATTERN

    def __post_init__(self) -> None:
        known = ", ".join(f"{{{name}}}" for name in PLACEHOLDERS)
        try:
            parts = list(string.Formatter().parse(self.pattern))
        except ValueError as error:
            raise SettingError(
                f"the pattern {self.pattern!r} has a brace too many or too few; known are {known}"
            ) from error
        named = [name for _, name, _, _ in parts if name is not None]
        plain = all(not form and not conversion for _, _, form, conversion in parts)
        if not plain or any(name not in PLACEHOLDERS for name in named):
            raise SettingError(f"the pattern {self.pattern!r} has a placeholder that is not known; known are {known}")
        if "what" not in named:
            raise SettingError(f"the pattern {self.pattern!r} lacks {{what}}, so that all files would have one name")

    def file_name(self, what: str, suffix: str, number: int = 1) -> str:
        """Name of one file, safe on any system; title and vocal are cut short where it would be too long.

        Parameters
        ----------
        what : str
            What the file holds.
        suffix : str
            Its ending, with the dot.
        number : int
            From 2 on it stands behind the name.
        """
        tail = f" {number}" if number > 1 else ""
        longest_bytes_n = LONGEST_BYTES_N - len(tail)

        def filled(kept_bytes_n: int) -> str:
            return self.pattern.format(
                title=_cut(self.title or "song", kept_bytes_n),
                what=what,
                vocal=_cut(self.vocal, kept_bytes_n),
                date=f"{self.moment:%Y-%m-%d}",
                time=f"{self.moment:%H-%M}",
            )

        # What a file holds must stay, as it tells it from the others.
        kept_bytes_n = longest_bytes_n
        while kept_bytes_n and len(filled(kept_bytes_n).encode("utf-8", "replace")) > longest_bytes_n:
            kept_bytes_n -= 1
        return safe_name(filled(kept_bytes_n), longest_bytes_n) + tail + suffix


def safe_name(text: str, longest_bytes_n: int = LONGEST_BYTES_N) -> str:
    """Text as a file may be named on any system, its ending not included; never empty."""
    # Names of files may have bytes that are no letters; encoding makes question marks of them.
    plain = unicodedata.normalize("NFC", text).encode("utf-8", "replace").decode()
    name = " ".join(_cut(_FORBIDDEN.sub("_", plain), longest_bytes_n).split()).strip(" .")
    if _KEPT_NAMES.fullmatch(name):
        name = f"_{name}"
    return name or "song"


def _cut(text: str, longest_bytes_n: int) -> str:
    return text.encode("utf-8", "replace")[:longest_bytes_n].decode("utf-8", "ignore")
