"""Forced alignment of English lines by pocketsphinx, where it is installed: a second opinion on where words begin.

The recognizer's model is one of read speech. On speech it is the better one of the two ways, on singing it can be
seconds off or give nothing: what it says is a proposal, and `ridebook.segment.align` weighs it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np

RATE_HZ = 16000
LAG_S = 0.015
"""The recognizer's borders lie this much early: median against synthesized and against read speech."""

_QUIET = 2e-3
_LEAD_S = 0.2
_LETTERS = {
    "tion": "SH AH N", "sion": "ZH AH N", "igh": "AY", "tch": "CH", "dge": "JH", "sh": "SH", "ch": "CH", "th": "TH",
    "ph": "F", "wh": "W", "ck": "K", "ng": "NG", "gh": "", "kn": "N", "wr": "R", "qu": "K W", "ee": "IY", "ea": "IY",
    "ie": "IY", "ei": "EY", "ey": "IY", "oo": "UW", "ou": "AW", "ow": "OW", "ew": "UW", "ue": "UW", "oa": "OW",
    "au": "AO", "aw": "AO", "ai": "EY", "ay": "EY", "oi": "OY", "oy": "OY", "er": "ER", "ir": "ER", "ur": "ER",
    "ar": "AA R", "or": "AO R", "ce": "S EH", "ci": "S IH", "cy": "S IY", "ge": "JH EH", "a": "AE", "b": "B",
    "c": "K", "d": "D", "e": "EH", "f": "F", "g": "G", "h": "HH", "i": "IH", "j": "JH", "k": "K", "l": "L", "m": "M",
    "n": "N", "o": "OW", "p": "P", "q": "K", "r": "R", "s": "S", "t": "T", "u": "AH", "v": "V", "w": "W",
    "x": "K S", "y": "IY", "z": "Z",
}  # fmt: skip
_SPELLING = re.compile("|".join(sorted(_LETTERS, key=len, reverse=True)))
_DOUBLED = re.compile(r"([b-df-hj-np-tv-z])\1")


def is_installed() -> bool:
    """Whether the optional recognizer and its English model can be used."""
    return _decoder() is not None


@lru_cache(maxsize=1)
def _decoder() -> Any:
    try:
        import pocketsphinx
    except ImportError:
        return None
    try:
        return pocketsphinx.Decoder(lm=None, loglevel="FATAL")
    except (RuntimeError, ValueError, OSError):  # the model is missing or damaged
        return None


def guessed_phones(word: str) -> str:
    """Pronunciation by the letters alone, in the phones of CMUdict; empty where there is no letter."""
    letters = _DOUBLED.sub(r"\1", re.sub(r"[^a-z]", "", word.lower()))
    letters = re.sub(r"(?<=[aeiouy][^aeiouy])e$", "", letters) if len(letters) > 3 else letters
    return " ".join(phones for phones in (_LETTERS[m[0]] for m in _SPELLING.finditer(letters)) if phones)


def forced_starts(samples: np.ndarray, rate_hz: int, words: Sequence[str]) -> list[tuple[float, float]] | None:
    """Where the words of one line begin and end by the recognizer.

    Parameters
    ----------
    samples : ndarray
        Floating point, shape (frames,): the line with little around it.
    rate_hz : int
        Sample rate.
    words : sequence of str
        The words; what the dictionary lacks is pronounced by its letters.

    Returns
    -------
    list of (float, float) or None
        Seconds from the first sample; None where the recognizer is missing or gives no whole answer.
    """
    import soxr

    decoder = _decoder()
    spoken = [re.sub(r"[^a-z']", "", word.lower().replace("\u2019", "'")).strip() for word in words]
    peak = float(np.abs(samples).max()) if len(samples) else 0.0
    if decoder is None or not spoken or not all(spoken) or peak <= 0.0:
        return None
    for word in set(spoken):
        if decoder.lookup_word(word) is None:
            bare = word.strip("'")
            phones = decoder.lookup_word(bare) or guessed_phones(word)
            if not phones:
                return None
            decoder.add_word(word, phones, True)
    sound = soxr.resample(np.asarray(samples, np.float64) / peak * 0.5, rate_hz, RATE_HZ)
    sound = np.pad(sound, round(_LEAD_S * RATE_HZ))
    # Digital silence has no logarithm: the recognizer gives up on it.
    sound += _QUIET * np.random.default_rng(0).standard_normal(len(sound))
    pcm = (np.clip(sound, -1.0, 1.0) * 32767).astype("<i2").tobytes()
    try:
        decoder.set_align_text(" ".join(spoken))
        decoder.start_utt()
        try:
            decoder.process_raw(pcm, full_utt=True)
        finally:
            decoder.end_utt()
        segments = list(decoder.seg()) if decoder.hyp() is not None else []
    except RuntimeError:  # "Failed to set up alignment", or no path through the line
        return None
    frame_s = 0.01
    rows = [s for s in segments if s.word[0] not in "<["]
    if [re.sub(r"\(\d+\)$", "", s.word) for s in rows] != spoken:
        return None
    shift_s = LAG_S - _LEAD_S
    return [(s.start_frame * frame_s + shift_s, (s.end_frame + 1) * frame_s + shift_s) for s in rows]
