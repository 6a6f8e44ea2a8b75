"""One channel of a stem as 24-bit samples, for containers that take no others."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ridebook.audio.render import TriangularDither
from ridebook.audio.stems import BLOCK_N, Stem

_FULL_SCALE = 2.0**23


class Pcm24:
    """One channel of a whole stem at the pair's rate, in 24-bit little-endian samples.

    Integer samples of up to 24 bits pass as they are. All others are rounded with triangular dither, and what is beyond
    full scale is cut off and counted.

    Parameters
    ----------
    stem : Stem
        The stem.
    channel : int
        Which channel, from 0.
    """

    def __init__(self, stem: Stem, channel: int):
        self._stem = stem
        self._channel = channel
        self.clipped_n = 0
        """Samples that were cut off so far."""

    def blocks(self) -> Iterator[bytes]:
        """All samples in order, some at a time, 3 bytes each.

        Raises
        ------
        SourceUnreadableError, SourceUnusableError
            As `Stem.read`.
        """
        info = self._stem.info
        exact = self._stem.stored and not info.floating and info.bits_n <= 24
        dither = TriangularDither()
        for start_n in range(self._stem.start_n, self._stem.end_n, BLOCK_N):
            block = self._stem.read(start_n, min(start_n + BLOCK_N, self._stem.end_n))
            samples = block[:, self._channel].astype(np.float64)
            samples *= _FULL_SCALE
            if not exact:
                samples += dither.steps_into(np.empty(len(samples)))
            np.rint(samples, out=samples)
            self.clipped_n += int(np.count_nonzero((samples < -_FULL_SCALE) | (samples >= _FULL_SCALE)))
            np.clip(samples, -_FULL_SCALE, _FULL_SCALE - 1.0, out=samples)
            yield samples.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
