"""Options of `ridebook export`, and what they ask for."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

# The rooms are imported inside the functions, so that `--help` and a slip of the keys answer at once.
if TYPE_CHECKING:
    from ridebook.session.document import Follower, Session
    from ridebook.work.choices import Choices
    from ridebook.work.deliverables import Part
    from ridebook.work.hand_over import HandOver, Output

BY_PATTERN = Path("{}")
"""Stands for a file that is named by the pattern."""

_TIMES = ("seconds", "samples", "timecode", "bars")
_GAINS = ("db", "linear")
_RATES = ("23.976", "24", "25", "29.97drop", "29.97", "30")


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add what `export` knows beside the session."""
    files = parser.add_argument_group(
        "files", "each with a FILE of its own, which is replaced, or without one, named by the pattern"
    )

    def file(option: str, text: str) -> None:
        files.add_argument(option, type=Path, nargs="?", const=BY_PATTERN, metavar="FILE", help=text)

    file("--rides", "the breakpoints, trim included, as .csv; as .mid or .aaf by the ending")
    file("--midi", "the rides as a Standard MIDI File")
    file("--aaf", "stems and rides as an AAF file")
    file("--segments", "sections, phrases, words as .csv; as .vtt, .TextGrid or .tsv by the ending")
    file("--stem", "the ridden vocal")
    file("--mix", "the mix of ridden vocal, followers and bed")
    file("--bed-alone", "the bed alone, over the length of the mix")
    files.add_argument(
        "--alternates",
        nargs="?",
        const="0.5,1",
        metavar="DB,...",
        help="mixes with the vocal up and down by each step (0.5,1)",
    )
    files.add_argument(
        "--followers", action="store_true", help="each follower ridden, and its breakpoints with --rides"
    )
    file("--manifest", "hashes, settings and loudness of all that is written, as JSON")
    files.add_argument("--all", action="store_true", help="all of these, named by the pattern")
    files.add_argument("--out", type=Path, metavar="DIR", help="folder of what the pattern names (the session's)")
    files.add_argument(
        "--pattern", metavar="TEXT", help='names: {title} {what} {vocal} {date} {time} ("{title} {what}")'
    )
    files.add_argument("--audio", default=".wav", metavar="SUFFIX", help="of audio that the pattern names: .wav, .flac")
    files.add_argument("--force", action="store_true", help="replace files that the pattern names and that are there")

    lists = parser.add_argument_group("breakpoints")
    columns = lists.add_mutually_exclusive_group()
    columns.add_argument("--time", choices=_TIMES, help="unit of the times (seconds)")
    columns.add_argument(
        "--columns", metavar="NAME,...", help=f"columns in their order: {', '.join((*_TIMES, *_GAINS))} (seconds,db)"
    )
    lists.add_argument("--decimal", choices=("point", "comma"), default="point", help="decimal mark (point)")
    lists.add_argument("--dense", action="store_true", help="CSV with extra points, for readers that ramp in amplitude")

    where = parser.add_argument_group("timeline")
    where.add_argument(
        "--offset", type=float, default=0.0, metavar="S", help="where the vocal begins on the timeline, in seconds (0)"
    )
    where.add_argument("--timecode", choices=_RATES, default="25", help="rate of the timecode (25)")
    where.add_argument("--start-timecode", default="00:00:00:00", metavar="TC", help="timecode at the timeline's zero")
    tempo = where.add_mutually_exclusive_group()
    tempo.add_argument("--tempo", type=float, metavar="BPM", help="one tempo, in quarter notes a minute")
    tempo.add_argument("--tempo-map", type=Path, metavar="FILE", help="tempi and metres of a MIDI file or a CSV list")
    where.add_argument("--metre", metavar="N/N", help="metre to go with --tempo (4/4)")
    where.add_argument(
        "--selection",
        type=float,
        nargs=2,
        metavar=("START", "END"),
        help="breakpoints of this stretch alone, in seconds",
    )
    where.add_argument(
        "--trim", action=argparse.BooleanOptionalAction, default=True, help="whether the trim is in the gains (it is)"
    )

    midi = parser.add_argument_group("MIDI")
    midi.add_argument("--controller", type=int, choices=(7, 11), default=11, help="7 volume, 11 expression (11)")
    midi.add_argument("--bits", type=int, choices=(7, 14), default=14, help="of a value (14)")
    midi.add_argument(
        "--full-scale-db", type=float, default=6.0, metavar="DB", help="gain that the highest value means (6)"
    )

    aaf = parser.add_argument_group("AAF")
    aaf.add_argument("--gain-on", choices=("clip", "track"), default="clip", help="what bears the ride (clip)")
    audio = aaf.add_mutually_exclusive_group()
    audio.add_argument(
        "--embed", dest="link", action="store_false", default=False, help="hold the audio in the file (as it is)"
    )
    audio.add_argument("--link", action="store_true", help="refer to the sources' files instead")
    add_follower(parser)


def add_follower(parser: argparse.ArgumentParser) -> None:
    """Add the option that names followers."""
    parser.add_argument(
        "--follower",
        action="append",
        default=[],
        metavar="FILE=SHARE",
        help="another vocal that takes the rides along: how much of them, 0 to 1 or 0 %% to 100 %% (1)",
    )


def with_followers(session: Session, named: Sequence[str]) -> Session:
    """Session with the followers of `--follower` beside its own; one that it has gets the new share.

    Raises
    ------
    SettingError
        A share is out of range, or a file is in the mix already.
    SourceError
        A file cannot serve.
    """
    from ridebook.audio.files import read_info
    from ridebook.audio.output import is_same_file
    from ridebook.session.document import Follower
    from ridebook.session.edits import set_followers
    from ridebook.work.song import source_file

    followers: list[Follower] = list(session.followers)
    for path, share in named_followers(named):
        followers = [each for each in followers if not is_same_file(each.source.path, path)]
        followers.append(Follower(source_file(read_info(path)), share))
    return set_followers(session, followers)


def named_followers(named: Sequence[str]) -> list[tuple[Path, float]]:
    """File and share of each `--follower`."""
    return [_file_and_share(text) for text in named]


def _file_and_share(text: str) -> tuple[Path, float]:
    file, mark, share = text.rpartition("=")
    try:
        number = float(share.strip().removesuffix("%"))
    except ValueError:
        return Path(text), 1.0
    return (Path(file), number / 100.0 if share.strip().endswith("%") else number) if mark else (Path(text), 1.0)


def plan_of(arguments: argparse.Namespace, session: Session) -> HandOver:
    """Gather what the arguments of `export` ask for.

    Raises
    ------
    SettingError
        Nothing is named, or options do not go together or are out of range.
    OutputExistsError
        A file that the pattern names is there and `--force` was not given.
    ExchangeError
        The tempo map cannot be read.
    """
    from ridebook.audio.output import check_target
    from ridebook.errors import SettingError
    from ridebook.work.choices import frames_of, hand_over_of

    if arguments.followers and not session.followers:
        raise SettingError("the session has no followers; name one with --follower FILE=SHARE")
    if arguments.out is not None and not arguments.out.is_dir():
        raise SettingError(f"there is no folder {arguments.out}; make it, or name another with --out")
    named, parts = _files(arguments)
    if not named and not parts:
        raise SettingError(
            "nothing to export: name --rides, --midi, --aaf, --segments, --stem, --mix, --bed-alone, --alternates, "
            "--followers, --manifest or --all"
        )
    span = None
    if arguments.selection is not None:
        rate_hz = session.vocal.rate_hz
        start_n, end_n = (frames_of("--selection", seconds, rate_hz) for seconds in arguments.selection)
        span = start_n, end_n
    folder = arguments.out or arguments.session.resolve().parent
    plan = hand_over_of(_choices(arguments, parts), session, folder, named=named, span=span)
    for output in plan.outputs[len(named) :]:
        check_target(output.path, replace=arguments.force)
    return plan


def _files(arguments: argparse.Namespace) -> tuple[list[Output], list[Part]]:
    """Files that have a name of their own, and what is named by the pattern."""
    from ridebook.work.deliverables import Part
    from ridebook.work.hand_over import Output, What

    asked = {
        Part.RIDES: (What.RIDES, arguments.rides),
        Part.MIDI: (What.MIDI, arguments.midi),
        Part.AAF: (What.AAF, arguments.aaf),
        Part.SEGMENTS: (What.SEGMENTS, arguments.segments),
        Part.STEM: (What.STEM, arguments.stem),
        Part.MIX: (What.MIX, arguments.mix),
        Part.BED: (What.BED, arguments.bed_alone),
        Part.MANIFEST: (What.MANIFEST, arguments.manifest),
    }
    by_ending = {".mid": What.MIDI, ".midi": What.MIDI, ".aaf": What.AAF}
    named: list[Output] = []
    parts: list[Part] = []
    for part, (what, path) in asked.items():
        if path == BY_PATTERN or (path is None and arguments.all):
            parts.append(part)
        elif path is not None:
            named.append(Output(by_ending.get(path.suffix.lower(), what) if what is What.RIDES else what, path))
    if arguments.followers or arguments.all:
        parts.append(Part.FOLLOWERS)
    if arguments.alternates is not None or arguments.all:
        parts.append(Part.ALTERNATES)
    return named, parts


def _choices(arguments: argparse.Namespace, parts: Sequence[Part]) -> Choices:
    from ridebook.errors import SettingError
    from ridebook.exchange.aaf_rides import GainOn
    from ridebook.exchange.breakpoints import ListGain, ListTime
    from ridebook.exchange.timecode import TimecodeRate
    from ridebook.work.choices import Choices, numbers_of

    if arguments.metre is not None and arguments.tempo is None:
        raise SettingError("--metre goes with --tempo; a tempo map has metres of its own")
    columns = [name.strip().lower() for name in (arguments.columns or arguments.time or "seconds").split(",")]
    for name in columns:
        if name not in (*_TIMES, *_GAINS):
            raise SettingError(f"--columns has {name!r}, but knows {', '.join((*_TIMES, *_GAINS))}")
    chosen = Choices(
        parts=tuple(parts),
        audio=arguments.audio,
        replace=True,
        times=tuple(ListTime(name) for name in columns if name in _TIMES) or (ListTime.SECONDS,),
        gains=tuple(ListGain(name) for name in columns if name in _GAINS) or (ListGain.DB,),
        decimal_comma=arguments.decimal == "comma",
        dense=arguments.dense,
        with_trim=arguments.trim,
        offset_s=arguments.offset,
        timecode=TimecodeRate(arguments.timecode),
        start_timecode=arguments.start_timecode,
        bpm=arguments.tempo,
        metre=arguments.metre or "4/4",
        tempo_map="" if arguments.tempo_map is None else str(arguments.tempo_map),
        controller=arguments.controller,
        bits=arguments.bits,
        full_scale_db=arguments.full_scale_db,
        gain_on=GainOn(arguments.gain_on),
        linked=arguments.link,
    )
    if arguments.pattern is not None:
        chosen = replace(chosen, pattern=arguments.pattern)
    if arguments.alternates is not None:
        chosen = replace(chosen, steps_db=numbers_of("--alternates", arguments.alternates))
    return chosen
