"""Sessions made for tests: one small and told by hand, and strategies for any."""

from dataclasses import replace

from hypothesis import strategies as st

from ridebook.ride.lane import Breakpoint, Lane
from ridebook.ride.settings import CENTRE_LAWS_DB, RideSettings
from ridebook.ride.suggestion import PhraseSuggestion, Suggestion
from ridebook.segment.spans import Kind, Origin, Segments, Span
from ridebook.session.document import Decision, Follower, ReferencePair, Session, SourceFile, State
from ridebook.session.limits import CheckLimits

RATE_HZ = 48000
S = RATE_HZ  # frames in a second


def source(path, frames_n=20 * S, rate_hz=RATE_HZ, sha256="ab" * 32):
    return SourceFile(str(path), sha256, rate_hz, 1, frames_n)


def span(span_id, kind, start_s, end_s, label="", origin=Origin.FOUND):
    return Span(span_id, Kind(kind), round(start_s * S), round(end_s * S), label, origin)


def small_session(**fields):
    """20 s: two sections, phrases p1 to p4 (p3 and p4 touch), each of p1 and p2 with two words."""
    segments = Segments(
        sections=(span("s1", "section", 0, 10, "verse"), span("s2", "section", 10, 20, "chorus")),
        phrases=(
            span("p1", "phrase", 1, 4, "one two"),
            span("p2", "phrase", 5, 8, "three four"),
            span("p3", "phrase", 11, 14),
            span("p4", "phrase", 14, 18),
        ),
        words=(
            span("w1", "word", 1, 2, "one"),
            span("w2", "word", 2.5, 4, "two"),
            span("w3", "word", 5, 6.5, "three"),
            span("w4", "word", 6.5, 8, "four"),
        ),
        breaths=(span("b1", "breath", 0.5, 0.9),),
        sibilants=(span("x1", "sibilant", 1.9, 2),),
    )
    made = Session(vocal=source("/songs/vocal.wav"), beds=(source("/songs/bed.wav"),), segments=segments)
    return replace(made, **fields)


def small_suggestion():
    """+2 dB on p1, nothing on p2, -1 dB on p3, +3 dB on p4; the moves lie in the gaps, or across a touching border."""
    pairs = [(4 * S, 2.0), (5 * S, 0.0), (10 * S, 0.0), (11 * S, -1.0), (13 * S, -1.0), (15 * S, 3.0)]
    lane = Lane.from_pairs(pairs)
    cells = {"p1": (0, 4.5, 2.0), "p2": (4.5, 9.5, 0.0), "p3": (9.5, 14, -1.0), "p4": (14, 20, 3.0)}
    phrases = tuple(
        PhraseSuggestion(
            phrase_id,
            round(start * S),
            round(end * S),
            tuple(point for point in lane.points if start * S <= point.frame_n < end * S),
            ride_db,
            -1.0,
            -1.0 + ride_db,
            f"{ride_db:+.1f} dB",
        )
        for phrase_id, (start, end, ride_db) in cells.items()
    )
    return Suggestion(0.5, lane, phrases, -1.0)


gains = st.floats(-24, 24, allow_nan=False)
texts = st.text(max_size=12)


@st.composite
def lanes(draw, last_n=20 * S, most=12):
    frames = draw(st.lists(st.integers(0, last_n), unique=True, max_size=most).map(sorted))
    return Lane.from_pairs([(frame, draw(gains)) for frame in frames])


@st.composite
def spans(draw, kind, letter, last_n=20 * S, most=5):
    borders = draw(st.lists(st.integers(0, last_n), unique=True, max_size=2 * most).map(sorted))
    pairs = list(zip(borders[::2], borders[1::2]))
    origins = st.sampled_from(Origin)
    sure = st.none() | st.floats(0, 1)
    return tuple(
        Span(f"{letter}{i}", kind, a, b, draw(texts), draw(origins), draw(sure), draw(st.sampled_from(("", "A", "B"))))
        for i, (a, b) in enumerate(pairs, 1)
    )


@st.composite
def settings(draw):
    low, high = draw(st.floats(-24, 0)), draw(st.floats(0, 24))
    return RideSettings(
        aim_lu=draw(st.floats(-20, 20)),
        share=draw(st.floats(0, 1)),
        lowest_db=low,
        highest_db=high,
        centre_law_db=draw(st.sampled_from(CENTRE_LAWS_DB)),
        ride_words=draw(st.booleans()),
    )


@st.composite
def decisions(draw, phrase_id):
    points = tuple(Breakpoint(*pair) for pair in draw(lanes(most=3)).points)
    suggested = PhraseSuggestion(phrase_id, 0, 100, points, draw(gains), draw(st.none() | gains), None, draw(texts))
    return Decision(
        draw(st.sampled_from(State)),
        draw(st.none() | st.just(suggested)),
        draw(st.booleans()),
        draw(st.booleans()),
        draw(texts),
    )


names = st.text(st.characters(exclude_characters="/\0"), min_size=1, max_size=8).filter(lambda name: set(name) != {"."})
folders = st.sampled_from(["/songs", "/songs/one/audio", "/elsewhere/far away", "/"])


@st.composite
def sources(draw):
    path = f"{draw(folders).rstrip('/')}/{draw(names)}"
    return source(path, 20 * S, draw(st.sampled_from([44100, 48000])), draw(st.sampled_from(["ab" * 32, "cd" * 32])))


@st.composite
def sessions(draw):
    kinds = [(Kind.SECTION, "s"), (Kind.PHRASE, "p"), (Kind.WORD, "w"), (Kind.BREATH, "b"), (Kind.SIBILANT, "x")]
    kinds.append((Kind.PLOSIVE, "t"))
    segments = Segments(*(draw(spans(kind, letter)) for kind, letter in kinds))
    phrases, words = [p.id for p in segments.phrases], [w.id for w in segments.words]
    vocal = replace(draw(sources()), rate_hz=RATE_HZ)
    beds = tuple(draw(st.lists(sources(), max_size=2)))
    others = draw(st.lists(sources(), max_size=2, unique_by=lambda each: each.path))
    heard = {each.path for each in (vocal, *beds)}
    return Session(
        vocal=vocal,
        beds=beds,
        trim_db=draw(gains),
        settings=draw(settings()),
        section_aims={s.id: draw(st.floats(-20, 20)) for s in segments.sections if draw(st.booleans())},
        segments=segments,
        decisions={phrase_id: draw(decisions(phrase_id)) for phrase_id in phrases if draw(st.booleans())},
        lane=draw(lanes()),
        title=draw(texts),
        lyric=draw(st.text("ab \n\r", max_size=20)),
        note=draw(texts),
        quiet_words=frozenset(draw(st.sets(st.sampled_from(words)))) if words else frozenset(),
        accepted=draw(st.dictionaries(texts, texts, max_size=2)),
        references=tuple(draw(st.lists(sources(), max_size=1))),
        approved_mix=draw(st.none() | sources()),
        limits=CheckLimits(lift_db=draw(st.floats(0, 12)), ceiling_dbtp=draw(st.floats(-20, 6))),
        reference_pairs=tuple(
            ReferencePair(draw(sources()), tuple(draw(st.lists(sources(), min_size=1, max_size=2))))
            for _ in range(draw(st.integers(0, 1)))
        ),
        followers=tuple(Follower(each, draw(st.floats(0, 1))) for each in others if each.path not in heard),
    )
