"""A file out of blocks that are already what is to be heard."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import soundfile

from ridebook.audio.output import written_aside
from ridebook.errors import OutputError


def write_stereo(
    target: str | os.PathLike[str],
    rate_hz: int,
    blocks: Iterable[np.ndarray],
    protect: Iterable[str | os.PathLike[str]] = (),
) -> None:
    """Write stereo blocks as a float WAV file, of less than 3 hours at 48 kHz.

    Parameters
    ----------
    target : path-like
        The file to write; moved into place when it is whole.
    rate_hz : int
        Sample rate.
    blocks : iterable of ndarray
        float32, shape (frames, 2), full scale 1.0.
    protect : iterable of path-like
        Files that must not be written over.

    Raises
    ------
    OutputError
        As `ridebook.audio.output.written_aside`.
    """
    with written_aside(Path(target), [Path(path) for path in protect]) as aside:
        try:
            with soundfile.SoundFile(aside, "w", rate_hz, 2, "FLOAT", format="WAV") as file:
                for block in blocks:
                    file.write(block)
        except soundfile.SoundFileError as error:
            raise OutputError(f"{target} cannot be written: {error}") from error
