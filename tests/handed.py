"""A small song with everything that a hand-over can hold, on disk."""

from __future__ import annotations

from pathlib import Path

import soundfile

from ridebook.audio.files import read_info
from ridebook.ride.lane import Lane
from ridebook.segment.spans import Kind, Segments, Span
from ridebook.session.document import Follower, Session
from ridebook.work.song import source_file
from tests.songs import RATE_HZ, noise_bed, sung, write_pair

POINTS = [(0, 0.0), (30_000, 0.0), (36_000, 3.0), (60_000, 3.0), (66_000, -2.0), (90_000, -2.0)]


def made_song(folder: Path) -> Session:
    """A song with a double at another rate that follows by half, and a stereo effects return that follows wholly."""
    folder.mkdir()
    vocal, spans = sung([[0, -3], [-2, 0]])
    paths = write_pair(folder, vocal, noise_bed(len(vocal)))
    soundfile.write(folder / "double.wav", 0.4 * noise_bed(2 * 48_000, seed=3)[:, 0], 48_000, "FLOAT")
    soundfile.write(folder / "hall.wav", 0.3 * noise_bed(len(vocal), seed=4), RATE_HZ, "PCM_24")
    files = [source_file(read_info(path)) for path in (*paths, folder / "double.wav", folder / "hall.wav")]
    phrases = tuple(Span(f"p{i}", Kind.PHRASE, a, b, f"line {i}") for i, (a, b) in enumerate(spans))
    return Session(
        vocal=files[0],
        beds=(files[1],),
        trim_db=-1.5,
        segments=Segments(phrases=phrases),
        lane=Lane.from_pairs(POINTS),
        title="Orchard: wall",
        followers=(Follower(files[2], 0.5), Follower(files[3], 1.0)),
    )
