"""Sound output by Qt, pulled as it is needed; where the machine has none, that is said calmly."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np
from PySide6.QtCore import QIODevice, QObject, Signal

BUFFER_S = 0.08
"""Rendered this far ahead of what is heard: an edit is heard after it at the latest."""

Pull = Callable[[int], np.ndarray]
"""Gives the next frames, float32, shape (frames, 2); fewer than asked for only at the end."""


class SoundOut(Protocol):
    """Where sound goes."""

    def start(self, rate_hz: int, pull: Pull) -> None:
        """Begin to play what `pull` gives."""

    def stop(self) -> None:
        """Stop at once."""

    def heard_n(self) -> int:
        """Frames that have been heard since `start`."""


class _Feed(QIODevice):
    """Hands out bytes of what is pulled."""

    def __init__(
        self, pull: Pull, to_bytes: Callable[[np.ndarray], bytes], frame_bytes_n: int, parent: QObject
    ) -> None:
        super().__init__(parent)
        self._pull = pull
        self._to_bytes = to_bytes
        self._frame_bytes_n = frame_bytes_n
        self.open(QIODevice.OpenModeFlag.ReadOnly)

    def readData(self, wanted_n: int) -> bytes:
        """Give up to `wanted_n` bytes."""
        frames_n = wanted_n // self._frame_bytes_n
        return self._to_bytes(self._pull(frames_n)) if frames_n else b""

    def bytesAvailable(self) -> int:
        """Say that there is always more; the player stops by itself."""
        return 1 << 20

    def isSequential(self) -> bool:
        """Say that it is a stream."""
        return True


class QtSound(QObject):
    """Plays through the system's own output."""

    broke = Signal(str)
    """The output was lost while it played."""

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._sink = None
        self._feed: _Feed | None = None
        self._rate_hz = 1

    @staticmethod
    def there() -> bool:
        """Whether the system has an output now."""
        from PySide6.QtMultimedia import QMediaDevices

        return not QMediaDevices.defaultAudioOutput().isNull()

    def start(self, rate_hz: int, pull: Pull) -> None:
        """Begin to play what `pull` gives."""
        from PySide6.QtMultimedia import QAudioFormat, QAudioSink, QMediaDevices

        self.stop()
        device = QMediaDevices.defaultAudioOutput()
        form = QAudioFormat()
        form.setSampleRate(rate_hz)
        form.setChannelCount(2)
        form.setSampleFormat(QAudioFormat.SampleFormat.Float)
        to_bytes: Callable[[np.ndarray], bytes] = np.ndarray.tobytes
        if not device.isFormatSupported(form):
            form.setSampleFormat(QAudioFormat.SampleFormat.Int16)
            to_bytes = _as_int16
        self._rate_hz = rate_hz
        self._feed = _Feed(pull, to_bytes, form.bytesPerFrame(), self)
        self._sink = QAudioSink(device, form, self)
        self._sink.setBufferSize(round(BUFFER_S * rate_hz) * form.bytesPerFrame())
        self._sink.stateChanged.connect(self._on_state_changed)
        self._sink.start(self._feed)

    def stop(self) -> None:
        """Stop at once."""
        if self._sink is not None:
            self._sink.stateChanged.disconnect(self._on_state_changed)
            self._sink.stop()
            self._sink.deleteLater()
            self._feed.deleteLater()
            self._sink = self._feed = None

    def heard_n(self) -> int:
        """Frames that have been heard since `start`."""
        return 0 if self._sink is None else self._sink.processedUSecs() * self._rate_hz // 1_000_000

    def _on_state_changed(self) -> None:
        from PySide6.QtMultimedia import QAudio

        if self._sink is not None and self._sink.error() not in (QAudio.Error.NoError, QAudio.Error.UnderrunError):
            self.broke.emit("The sound output was lost. Listening goes on when there is one again.")


def _as_int16(block: np.ndarray) -> bytes:
    return np.rint(block * 32767.0).astype(np.int16).tobytes()
