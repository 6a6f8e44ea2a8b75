"""A constructed song for the window's tests: known words, a bed that swells, measures without audio."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ridebook.measure.measures import Measures, StemMeasures, grid_points_n
from ridebook.ride.lane import Breakpoint, Lane
from ridebook.ride.suggestion import PhraseSuggestion, Suggestion
from ridebook.segment.spans import Kind, Segments, Span
from ridebook.session.document import Decision, Session, SourceFile, State

RATE_HZ = 48000

LINES = (
    ("Verse 1", "Low water under the pier", 1.5, (2,)),
    ("Verse 1", "counting every lamp we passed", 2.0, (3,)),
    ("Verse 1", "nobody waits on the far side", 0.0, ()),
    ("Verse 1", "nobody waits for long", 3.5, (2,)),
    ("Chorus 1", "Turn the tide, turn the tide", 2.0, ()),
    ("Chorus 1", "carry me over the sand", 3.0, (2, 3)),
    ("Chorus 1", "turn the tide, I am wide awake", -1.5, ()),
    ("Verse 2", "Grey boats leaning in a row", 1.0, ()),
    ("Verse 2", "names in salt and rust", 1.5, (1,)),
    ("Verse 2", "somebody painted the harbour wall the colour of morning and left it to dry", 1.2, (6, 7)),
    ("Chorus 2", "Turn the tide, turn the tide", 2.2, ()),
    ("Chorus 2", "carry me over the sand", 2.6, (3,)),
    ("Chorus 2", "turn the tide, I am wide awake", -1.0, ()),
)

LINE_S = 4.0
VOICE_S = 3.2


def song(*, labelled: bool = True) -> tuple[Session, Measures, Suggestion]:
    """Session, measures and suggestion of the song; without labels as where no lyric is known."""
    frames_n = round((len(LINES) * LINE_S + 3.0) * RATE_HZ)
    phrases, words, sections, lost = [], [], [], []
    for i, (section, line, _, sunk) in enumerate(LINES):
        start_n = round((1.0 + i * LINE_S) * RATE_HZ)
        end_n = start_n + round(VOICE_S * RATE_HZ)
        texts = line.split()
        borders = np.linspace(start_n, end_n, len(texts) + 1).round().astype(int)
        for k, text in enumerate(texts):
            word = Span(f"w{i}.{k}", Kind.WORD, int(borders[k]), int(borders[k + 1]), text if labelled else "")
            words.append(word)
            if k in sunk:
                lost.append(word)
        phrases.append(Span(f"p{i}", Kind.PHRASE, start_n, end_n, line if labelled else ""))
        if not sections or sections[-1].label != section:
            sections.append(Span(f"s{len(sections)}", Kind.SECTION, start_n, end_n, section))
        sections[-1] = replace(sections[-1], end_n=end_n)
    segments = Segments(tuple(sections), tuple(phrases), tuple(words))

    grid_n = grid_points_n(RATE_HZ, frames_n)
    middle_n = (grid_n[:-1] + grid_n[1:]) / 2
    second = middle_n / RATE_HZ
    vocal_db = np.full(len(middle_n), -80.0)
    for phrase, (_, _, ride_db, _) in zip(phrases, LINES):
        inside = (middle_n >= phrase.start_n) & (middle_n < phrase.end_n)
        shape = 1.5 * np.sin((middle_n[inside] - phrase.start_n) / RATE_HZ * 5.0)
        vocal_db[inside] = -18.0 - ride_db + shape
    for word in lost:
        vocal_db[(middle_n >= word.start_n) & (middle_n < word.end_n)] -= 6.5
    bed_db = -20.0 + 1.5 * np.sin(second / 3.0) + 0.8 * np.sin(second * 2.1)
    stems = [StemMeasures(RATE_HZ, frames_n, 10.0 ** (level_db / 10.0)) for level_db in (vocal_db, bed_db)]
    measures = Measures(stems[0], (stems[1],), stems[1])

    vocal = SourceFile("/music/low_water_vocal.wav", "0" * 64, RATE_HZ, 1, frames_n)
    bed = SourceFile("/music/low_water_bed.wav", "1" * 64, RATE_HZ, 2, frames_n)
    session = Session(vocal, (bed,), segments=segments, title="Low Water")

    pieces, points = [], []
    for i, (phrase, (_, _, ride_db, sunk)) in enumerate(zip(phrases, LINES)):
        cell = segments.cell_of(phrase, frames_n)
        of_phrase = words_of(segments, phrase)
        shape = [(phrase.start_n - 4800, 0.0), (phrase.start_n - 1200, ride_db)]
        for k in sunk[:1]:
            word = of_phrase[k]
            shape += [(word.start_n + 600, ride_db), (word.start_n + 2400, ride_db + 1.5)]
            shape += [(word.end_n - 2400, ride_db + 1.5), (word.end_n - 600, ride_db)]
        shape += [(phrase.end_n + 1200, ride_db), (phrase.end_n + 4800, 0.0)]
        made = tuple(Breakpoint(int(frame_n), float(gain_db)) for frame_n, gain_db in shape)
        points.extend(made)
        pieces.append(
            PhraseSuggestion(
                f"p{i}", *cell, made, ride_db, 2.0 - ride_db, 2.0 + 0.2 * ride_db, f"{ride_db:+.1f} dB to the aim."
            )
        )
    suggestion = Suggestion(0.0, Lane(tuple(points)), tuple(pieces), 0.6)
    return session, measures, suggestion


def words_of(segments: Segments, phrase: Span) -> tuple[Span, ...]:
    return segments.words_of(phrase)


def mid_pass() -> tuple[Session, Measures, Suggestion]:
    """The song after some decisions: inked and locked, a drawn one, one struck, notes; two words are doubtful."""
    session, measures, suggestion = song()
    words = [replace(word, confidence=0.3) if word.id in ("w7.2", "w10.3") else word for word in session.segments.words]
    session = replace(session, segments=session.segments.with_spans(Kind.WORD, words))
    by_id = {piece.phrase_id: piece for piece in suggestion.phrases}
    decided = {
        "p1": Decision(State.INKED, by_id["p1"], locked=True),
        "p2": Decision(State.INKED, replace(by_id["p2"], ride_db=-1.2)),
        "p3": Decision(State.DRAWN, by_id["p3"], note="producer wants this one close"),
        "p6": Decision(State.STRUCK, by_id["p6"]),
        "p8": Decision(quiet=True),
    }
    inked = [point for key in ("p1", "p3") for point in by_id[key].points]
    return replace(session, decisions=decided, lane=Lane(tuple(inked))), measures, suggestion
