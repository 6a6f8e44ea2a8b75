"""Synthesized speech whose word and phoneme times are known to the sample.

    from tests.synth import speak
    said = speak("the boats are in the bay", voice="en", pitch=40, rate=150)
    said.samples        # float32, mono, full scale 1.0
    said.rate_hz        # 22050
    said.words          # Word(start_n, end_n, text), ...
    said.phonemes       # Phoneme(start_n, end_n, name), ...

The voice is eSpeak NG, whose library and data come with the package espeakng-loader. The times are its own:
the events of a synthesis carry the frame at which each phoneme begins, so that the truth is not somebody's
annotation. The library keeps state from one synthesis to the next, so each runs in a process of its own (about
0.05 s) and the same words always give the same samples.
"""

from __future__ import annotations

import ctypes
import functools
import json
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

# Values of eSpeak NG's speak_lib.h.
_RETRIEVAL = 1
_PHONEME_EVENTS = 0x0001
_DONT_EXIT = 0x8000
_CHARS_UTF8 = 1
_RATE, _VOLUME, _PITCH, _RANGE = 1, 2, 3, 4
_EVENT_LAST, _EVENT_WORD, _EVENT_PHONEME = 0, 1, 7
# The library keeps its data path in a buffer of 160 bytes.
_LONGEST_DATA_PATH = 140


class Word(NamedTuple):
    """A word that was said, in frames of the utterance; `end_n` is the frame after the last."""

    start_n: int
    end_n: int
    text: str


class Phoneme(NamedTuple):
    """A phoneme that was said, in frames of the utterance; `name` in eSpeak's own ASCII notation."""

    start_n: int
    end_n: int
    name: str


@dataclass(frozen=True)
class Utterance:
    """Synthesized speech and its truth.

    Parameters
    ----------
    samples : ndarray
        float32, shape (frames,), full scale 1.0.
    rate_hz : int
        Sample rate.
    words : tuple of Word
        In order of time, from the first sound of the word to the end of its last: a pause, and the silence
        before a stop, belong to no word. What eSpeak runs together ("in the") is one word of two, with a
        space in its text.
    phonemes : tuple of Phoneme
        In order of time, pauses and the silence before a stop left out.
    """

    samples: Any
    rate_hz: int
    words: tuple[Word, ...]
    phonemes: tuple[Phoneme, ...]

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate_hz


def speak(text: str, voice: str = "en", pitch: int = 50, rate: int = 160, pitch_range: int = 50) -> Utterance:
    """Say `text`.

    Parameters
    ----------
    text : str
        What to say.
    voice : str
        Voice of eSpeak NG, with a variant after a plus where wanted: "en", "en-us", "de", "en+f3", "en+m4".
    pitch : int
        Middle pitch, 0 to 99.
    rate : int
        Speed in words a minute, 80 to 450.
    pitch_range : int
        Width of the intonation, 0 (a monotone) to 99.

    Returns
    -------
    Utterance
        The samples with their words and phonemes; the same for the same arguments.

    Raises
    ------
    ValueError
        The synthesizer refused the voice or the text.
    """
    import numpy as np

    library, data = _paths()
    order = {"text": text, "voice": voice, "settings": {_RATE: rate, _VOLUME: 100, _PITCH: pitch, _RANGE: pitch_range}}
    child = subprocess.run(
        [sys.executable, "-I", "-S", __file__, library, data], input=json.dumps(order).encode(), capture_output=True
    )
    if child.returncode != 0:
        raise ValueError(f"eSpeak NG could not say {text!r} as {voice!r}: {child.stderr.decode().strip()[-300:]}")
    head, _, pcm = child.stdout.partition(b"\n")
    answer = json.loads(head)
    raw = np.frombuffer(pcm, "<i2" if sys.byteorder == "little" else ">i2")

    sounding = np.flatnonzero(raw)
    marks = [(sample, at, name) for kind, sample, at, name in answer["events"] if kind == _EVENT_PHONEME]
    phonemes: list[Phoneme] = []
    owners: list[int] = []
    for (start_n, at, name), (next_n, _, _) in zip(marks, [*marks[1:], (len(raw), 0, "")]):
        # The closure of a stop is digital silence before its burst (nearly, in the breathy variants such as +f3,
        # where it stays) and would count to the sound before it.
        last = int(np.searchsorted(sounding, next_n)) - 1
        end_n = int(sounding[last]) + 1 if last >= 0 else 0
        if name and not name.startswith("_") and end_n > start_n:
            phonemes.append(Phoneme(start_n, end_n, name))
            owners.append(at)
    # A phoneme names its word by the position in the text. The word events' own frames are not used: they can
    # stand one phoneme early where two words are linked.
    heads = sorted({at for kind, _, at, _ in answer["events"] if kind == _EVENT_WORD})
    words = []
    for at, next_at in zip(heads, [*heads[1:], len(text) + 1]):
        own = [phoneme for phoneme, owner in zip(phonemes, owners) if at <= owner < next_at]
        if own:
            words.append(Word(own[0].start_n, own[-1].end_n, text[at - 1 : next_at - 1].strip(" \n,.;:!?-")))
    samples = (raw / 32768.0).astype(np.float32)
    return Utterance(samples, answer["rate_hz"], tuple(words), tuple(phonemes))


@functools.cache
def _paths() -> tuple[str, str]:
    """Library, and its data under a path that is short enough."""
    import espeakng_loader

    data = Path(espeakng_loader.get_data_path())
    if len(str(data)) > _LONGEST_DATA_PATH:
        link = Path(tempfile.mkdtemp(prefix="synth")) / "espeak-ng-data"
        link.symlink_to(data, target_is_directory=True)
        data = link
    return str(espeakng_loader.get_library_path()), str(data)


class _EventId(ctypes.Union):
    _fields_ = (("number", ctypes.c_int), ("name", ctypes.c_char_p), ("string", ctypes.c_char * 8))


class _Event(ctypes.Structure):
    _fields_ = (
        ("type", ctypes.c_int),
        ("unique_identifier", ctypes.c_uint),
        ("text_position", ctypes.c_int),
        ("length", ctypes.c_int),
        ("audio_position", ctypes.c_int),
        ("sample", ctypes.c_int),
        ("user_data", ctypes.c_void_p),
        ("id", _EventId),
    )


_Callback = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int, ctypes.POINTER(_Event))


def _synthesize(library_path: str, data_path: str, order: dict[str, Any]) -> tuple[int, list[Any], bytes]:
    """Rate, events (type, frame, position in the text, phoneme) and 16-bit samples of one order."""
    library = ctypes.CDLL(library_path)
    rate_hz = library.espeak_Initialize(_RETRIEVAL, 0, data_path.encode(), _PHONEME_EVENTS | _DONT_EXIT)
    if rate_hz <= 0:
        raise RuntimeError(f"could not start with the data at {data_path}")
    pcm = bytearray()
    events: list[Any] = []

    def on_block(wav: int | None, count: int, block_events: Any) -> int:
        if wav and count > 0:
            pcm.extend(ctypes.string_at(wav, 2 * count))
        i = 0
        while block_events[i].type != _EVENT_LAST:
            event = block_events[i]
            name = event.id.string.decode("utf-8", "replace") if event.type == _EVENT_PHONEME else ""
            events.append((event.type, event.sample, event.text_position, name))
            i += 1
        return 0

    callback = _Callback(on_block)
    library.espeak_SetSynthCallback(callback)
    if library.espeak_SetVoiceByName(order["voice"].encode()) != 0:
        raise RuntimeError("no such voice")
    for parameter, value in order["settings"].items():
        if library.espeak_SetParameter(int(parameter), value, 0) != 0:
            raise RuntimeError(f"parameter {parameter} = {value} refused")
    text = order["text"].encode()
    size, zero = ctypes.c_size_t(len(text) + 1), ctypes.c_uint(0)
    if library.espeak_Synth(text, size, zero, 1, zero, _CHARS_UTF8, None, None) or library.espeak_Synchronize():
        raise RuntimeError("synthesis failed")
    return rate_hz, events, bytes(pcm)


def _child() -> None:
    """Answer the order on standard input: one line of JSON, then the samples."""
    rate_hz, events, pcm = _synthesize(sys.argv[1], sys.argv[2], json.load(sys.stdin))
    sys.stdout.buffer.write(json.dumps({"rate_hz": rate_hz, "events": events}).encode() + b"\n" + pcm)


if __name__ == "__main__":
    _child()
