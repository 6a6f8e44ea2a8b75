"""A screen without a monitor, with a hand that moves its mouse and presses its keys, and an eye that sees its pixels.

Nothing here knows the program: it drives whatever window is there, as a person would.
"""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

TOOLS = ("Xvfb", "xdotool")


def missing_tools() -> list[str]:
    return [name for name in TOOLS if shutil.which(name) is None]


def until(true: Callable[[], object], seconds: float, what: str) -> object:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        found = true()
        if found:
            return found
        time.sleep(0.1)
    raise AssertionError(f"waited {seconds:g} s in vain for {what}")


class Screen:
    """An X screen in memory."""

    def __init__(self, folder: Path, width: int = 1280, height: int = 800) -> None:
        self.width, self.height = width, height
        self._folder = folder
        read_end, write_end = os.pipe()
        command = ["Xvfb", "-displayfd", str(write_end), "-nolisten", "tcp", "-fbdir", str(folder)]
        command += ["-screen", "0", f"{width}x{height}x24"]
        self._server = subprocess.Popen(
            command,
            pass_fds=(write_end,),
            stderr=subprocess.DEVNULL,
        )
        os.close(write_end)
        with os.fdopen(read_end) as told:
            self.display = f":{told.readline().strip()}"
        self.env = {**os.environ, "DISPLAY": self.display}

    def close(self) -> None:
        self._server.terminate()
        self._server.wait(60)

    def do(self, *words: object) -> str:
        """Give xdotool one command."""
        command = ["xdotool", *map(str, words)]
        done = subprocess.run(command, env=self.env, capture_output=True, text=True, timeout=60, check=False)
        return done.stdout.strip()

    def windows(self, name: str) -> list[str]:
        return self.do("search", "--onlyvisible", "--name", name).split()

    def focus(self, name: str, seconds: float = 120) -> str:
        """Wait for a window and give it the keyboard; there is no window manager that would."""
        found = until(lambda: self.windows(name), seconds, f"the window {name!r}")
        self.do("windowfocus", "--sync", found[-1])
        time.sleep(0.3)
        return found[-1]

    def key(self, *keys: str) -> None:
        for each in keys:
            self.do("key", "--clearmodifiers", each)
            time.sleep(0.15)

    def settle(self, seconds: float = 120) -> np.ndarray:
        """Wait until nothing on the screen has changed for a while, and give its pixels."""
        seen = [self.pixels()]

        def still() -> bool:
            time.sleep(0.2)
            seen.append(self.pixels())
            return len(seen) > 3 and all(np.array_equal(each, seen[-1]) for each in seen[-4:-1])

        until(still, seconds, "the screen to come to rest")
        return seen[-1]

    def text(self, text: str) -> None:
        self.do("type", "--delay", 15, text)
        time.sleep(0.2)

    def move(self, x: float, y: float) -> None:
        self.do("mousemove", "--sync", round(x), round(y))

    def click(self, x: float, y: float) -> None:
        self.move(x, y)
        self.do("click", 1)
        time.sleep(0.2)

    def drag(self, *places: tuple[float, float]) -> None:
        """Press at the first place, go through the others, let go at the last."""
        self.move(*places[0])
        self.do("mousedown", 1)
        for place in places[1:]:
            self.move(*place)
            time.sleep(0.03)
        time.sleep(0.1)
        self.do("mouseup", 1)
        time.sleep(0.3)

    def pixels(self) -> np.ndarray:
        """What is on the screen now, uint8, shape (height, width, 3)."""
        raw = (self._folder / "Xvfb_screen0").read_bytes()
        # The file is an X window dump: a header of 32-bit numbers, a table of colours, then the pixels (X11 XWDFile.h).
        header = struct.unpack(">25I", raw[:100])
        size, width, height, line, colours = header[0], header[4], header[5], header[12], header[19]
        start = size + 12 * colours
        picture = np.frombuffer(raw[start : start + line * height], np.uint8).reshape(height, line)
        return picture[:, : width * 4].reshape(height, width, 4)[:, :, 2::-1]


def squares(picture: np.ndarray, ink: tuple[int, int, int], sizes: range = range(7, 14)) -> list[tuple[int, int]]:
    """Middles of small squares whose outline is drawn in `ink` and whose inside is not, in reading order of x."""
    dark = (np.abs(picture.astype(int) - ink).sum(axis=2) < 60).astype(int)
    sums = np.pad(dark.cumsum(0).cumsum(1), ((1, 0), (1, 0)))

    def within(size: int, inset: int) -> np.ndarray:
        side = size - 2 * inset
        whole = sums[side:, side:] - sums[:-side, side:] - sums[side:, :-side] + sums[:-side, :-side]
        high, wide = picture.shape[0] - size + 1, picture.shape[1] - size + 1
        return whole[inset : inset + high, inset : inset + wide]

    found: list[tuple[int, int]] = []
    for size in sizes:
        ring = within(size, 0) - within(size, 1)
        hollow = within(size, 2)
        at = (ring >= 4 * (size - 1) - 4) & (hollow == 0)
        for y, x in zip(*np.nonzero(at)):
            middle = (int(x) + size // 2, int(y) + size // 2)
            if all(abs(middle[0] - a) + abs(middle[1] - b) > 6 for a, b in found):
                found.append(middle)
    return sorted(found)
