"""An invented song for the timeline's tests and bench: powers, waves, segments and decisions that fit each other."""

from __future__ import annotations

import numpy as np

from ridebook.measure.measures import Measures, StemMeasures, grid_points_n
from ridebook.measure.pyramid import Pyramid, PyramidAccumulator
from ridebook.ride.lane import Breakpoint, Lane
from ridebook.ride.suggestion import PhraseSuggestion, Suggestion
from ridebook.segment.spans import Kind, Segments, Span
from ridebook.session.document import Session, SourceFile

RATE_HZ = 48000
LYRIC = """low water under the pier
counting every lamp we passed
nobody waits on the far side
nobody waits for long
turn the tide turn the tide
carry me over the sand
turn the tide I am wide awake
grey boats leaning in a row
names in salt and rust""".splitlines()
SECTIONS = ("Verse 1", "Chorus 1", "Verse 2", "Chorus 2", "Bridge", "Chorus 3")


def segments(seconds: float, rng: np.random.Generator) -> Segments:
    """Phrases of about three seconds with gaps between them, in sections of six."""
    phrases, words, sections = [], [], []
    at_s, number = 1.2, 0
    while True:
        lyric = LYRIC[number % len(LYRIC)].split()
        lengths = rng.uniform(0.16, 0.62, len(lyric))
        if at_s + lengths.sum() + 1.0 > seconds:
            break
        start_s = at_s
        for text, length_s in zip(lyric, lengths):
            start_n, end_n = round(at_s * RATE_HZ), round((at_s + length_s) * RATE_HZ)
            words.append(Span(f"w{len(words)}", Kind.WORD, start_n, end_n, text))
            at_s += length_s
        phrases.append(
            Span(f"p{number}", Kind.PHRASE, round(start_s * RATE_HZ), round(at_s * RATE_HZ), " ".join(lyric))
        )
        number += 1
        at_s += rng.uniform(0.4, 1.3) if number % 6 else 4.0
    for i in range(0, len(phrases), 6):
        end_n = phrases[i + 6].start_n - RATE_HZ // 2 if i + 6 < len(phrases) else round(seconds * RATE_HZ)
        name = SECTIONS[(i // 6) % len(SECTIONS)]
        sections.append(Span(f"s{i // 6}", Kind.SECTION, phrases[i].start_n - RATE_HZ // 2, end_n, name))
    return Segments(tuple(sections), tuple(phrases), tuple(words))


def levels_db(spans: Segments, cells_n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Level of vocal and bed in every cell."""
    vocal = np.full(cells_n, -90.0)
    cell_n = RATE_HZ // 100
    for phrase in spans.phrases:
        level = rng.normal(-17.0, 1.6)
        for word in spans.words_of(phrase):
            a, b = word.start_n // cell_n, word.end_n // cell_n
            shape = np.sin(np.linspace(0.12, np.pi - 0.25, b - a)) ** 0.5
            vocal[a:b] = level + rng.normal(0, 2.4) + 20 * np.log10(shape)
    beat = (np.arange(cells_n) % 52) / 52
    section = np.zeros(cells_n)
    for i, span in enumerate(spans.sections):
        section[span.start_n // cell_n :] = 3.0 if i % 2 else 0.0
    slow = 1.5 * np.sin(np.arange(cells_n) / 900.0)
    bed = -21.0 + section + slow + 6.0 * np.exp(-beat * 5) - 2.0 + rng.normal(0, 0.8, cells_n)
    return vocal, bed


def pyramid(level_db: np.ndarray, rng: np.random.Generator) -> Pyramid:
    """Noise of these levels, block by block, in a pyramid."""
    made = PyramidAccumulator()
    cell_n = RATE_HZ // 100
    for first in range(0, len(level_db), 1000):
        part = level_db[first : first + 1000]
        noise = rng.standard_normal(len(part) * cell_n, dtype=np.float32)
        made.feed(noise * np.repeat(10 ** (part / 20), cell_n).astype(np.float32))
    return made.finish()


def song(seconds: float = 60.0, waves: bool = True) -> tuple[Session, Measures, dict[str, Pyramid], Suggestion]:
    """Session, measures, pyramids and suggestion of an invented song."""
    rng = np.random.default_rng(31)
    frames_n = round(seconds * RATE_HZ)
    spans = segments(seconds, rng)
    cells_n = len(grid_points_n(RATE_HZ, frames_n)) - 1
    vocal_db, bed_db = levels_db(spans, cells_n, rng)
    vocal, bed = (StemMeasures(RATE_HZ, frames_n, 10 ** ((db + 0.691) / 10)) for db in (vocal_db, bed_db))
    measures = Measures(vocal=vocal, beds=(bed,), bed=bed)
    pyramids = {"vocal": pyramid(vocal_db, rng), "bed": pyramid(bed_db, rng)} if waves else {}
    session = Session(
        vocal=SourceFile("vocal.wav", "0" * 64, RATE_HZ, 1, frames_n),
        beds=(SourceFile("bed.wav", "1" * 64, RATE_HZ, 2, frames_n),),
        segments=spans,
        section_aims={"s1": 0.5},
        title="Low Water",
    )
    return session, measures, pyramids, suggested(spans, frames_n, rng)


def suggested(spans: Segments, frames_n: int, rng: np.random.Generator) -> Suggestion:
    """A step for every phrase."""
    points: list[Breakpoint] = []
    phrases = []
    ramp_n = RATE_HZ // 10
    for phrase in spans.phrases:
        start_n, end_n = spans.cell_of(phrase, frames_n)
        gain_db = float(np.round(rng.normal(0.6, 1.6) * 2) / 2)
        own = (
            Breakpoint(max(start_n, phrase.start_n - ramp_n), gain_db),
            Breakpoint(min(end_n - 1, phrase.end_n + RATE_HZ // 20), gain_db),
        )
        points += own
        phrases.append(PhraseSuggestion(phrase.id, start_n, end_n, own, gain_db, 0.0, 1.0, "rests on the aim"))
    return Suggestion(0.0, Lane(tuple(points)), tuple(phrases), 1.4)
