"""How the window writes times, gains and balances."""

from __future__ import annotations

import math
import re

MINUS = "\N{MINUS SIGN}"


def clock(frame_n: float, rate_hz: int, decimals: int = 0) -> str:
    """Time as minutes and seconds, such as ``1:07`` or ``1:07.3``; rounded down, as a clock does."""
    step = 10**decimals
    ticks = math.floor(abs(frame_n) / rate_hz * step + 1e-6)
    minutes, rest = divmod(ticks, 60 * step)
    seconds, part = divmod(rest, step)
    sign = MINUS if frame_n < 0 and ticks else ""
    tail = f".{part:0{decimals}d}" if decimals else ""
    return f"{sign}{minutes}:{seconds:02d}{tail}"


def signed(value: float | None, decimals: int = 1) -> str:
    """Gain or balance with its sign, such as ``+1.5`` or ``0.0``; a dash where there is none."""
    if value is None or math.isnan(value):
        return "\N{EN DASH}"
    if math.isinf(value):
        return f"{MINUS if value < 0 else '+'}\N{INFINITY}"
    text = f"{abs(value):.{decimals}f}"
    if not float(text):
        return text
    return f"{MINUS if value < 0 else '+'}{text}"


def with_minus(text: str) -> str:
    """Write a sentence's negative numbers with a true minus, as everything else in the window."""
    return re.sub(r"(?<![\w.])-(?=\d)", MINUS, text)


def ago(seconds: float) -> str:
    """How long ago, in words short enough for the header."""
    if seconds < 5:
        return "just now"
    if seconds < 60:
        return f"{int(seconds)} s ago"
    if seconds < 3600:
        return f"{int(seconds // 60)} min ago"
    return f"{int(seconds // 3600)} h ago"


def counted(count: int, one: str, many: str | None = None) -> str:
    """Count with its noun: ``1 phrase``, ``3 phrases``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def doubt_said(start_n: float, rate_hz: int) -> str:
    """Say that the beginning of a word is doubtful."""
    return f"heard at {clock(start_n, rate_hz, 2)}: check where it begins"
