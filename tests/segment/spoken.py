"""Sentences by several synthesized voices, for counting sounds whose times are known to the sample."""

from __future__ import annotations

from functools import cache

from ridebook.measure.features import VocalFeatures
from tests.segment import made
from tests.synth import Utterance, speak

VOICES = (("en", 40, 150), ("en-us+f2", 65, 130), ("en+m4", 25, 140), ("en-us+f5", 70, 120))
SENTENCES = (
    "the boats are waiting in the bay and every sailor knows the way, we sing until the morning light",
    "seven silver candles burning steady on the shelf, I was only ever hoping to be honest with myself",
    "nothing ever happens in a quiet little town, shadows under lamplight moving slowly to the beat",
    "give me one more reason to believe in all the things you said before this house became so still",
    "she sells her songs for silver coins and sends the rest to sisters sailing past the southern shores",
    "put the kettle on and pour a cup of tea, take good care of the garden gate by the dark pool",
    "his voice rises as she chases shooting stars across the frozen seas, such joys as these are just for us",
)
SIBILANTS = frozenset({"s", "z", "S", "Z", "tS", "dZ"})
PLOSIVES = frozenset("ptkbdg")
VOWELS = tuple("aeiouAEIOUV03@")


def plain(name: str) -> str:
    """Name of a phoneme without its marks of stress and length."""
    return name.strip("',;#:*_-|")


@cache
def said() -> tuple[tuple[Utterance, VocalFeatures], ...]:
    """Every sentence by every voice, with its features."""
    utterances = [speak(text, *voice) for text in SENTENCES for voice in VOICES]
    return tuple((one, made.features_of(one.samples, one.rate_hz)) for one in utterances)


def spans_of(utterance: Utterance, names: frozenset[str]) -> list[tuple[float, float]]:
    """Seconds in which some phonemes sound."""
    rate = utterance.rate_hz
    return [(p.start_n / rate, p.end_n / rate) for p in utterance.phonemes if plain(p.name) in names]
