"""Options of `ridebook export`, and what they ask for."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

# The rooms are imported inside the functions, so that `--help` and a slip of the keys answer at once.
if TYPE_CHECKING:
    from ridebook.exchange.breakpoints import ListForm
    from ridebook.exchange.midi_rides import MidiForm
    from ridebook.exchange.outgoing import Timeline
    from ridebook.session.document import Follower, Session
    from ridebook.work.deliverables import Formats, Part
    from ridebook.work.hand_over import HandOver, What

BY_PATTERN = Path("{}")
"""Stands for a file that is named by the pattern."""

FARTHEST_S = 1e7
"""Times beyond this, some months, are taken for a slip."""

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


def hand_over_of(arguments: argparse.Namespace, session: Session) -> HandOver:
    """Gather what the arguments of `export` ask for.

    Raises
    ------
    SettingError
        Nothing is named, or options do not go together or are out of range.
    OutputExistsError
        A file that the pattern names is there and `--force` was not given.
    """
    from ridebook.audio.output import check_target
    from ridebook.errors import SettingError
    from ridebook.exchange.aaf_rides import GainOn
    from ridebook.exchange.names import DEFAULT_PATTERN
    from ridebook.work.deliverables import named_outputs, naming_of
    from ridebook.work.hand_over import HandOver, Output

    naming = naming_of(session, DEFAULT_PATTERN if arguments.pattern is None else arguments.pattern)
    if arguments.followers and not session.followers:
        raise SettingError("the session has no followers; name one with --follower FILE=SHARE")
    named, parts = _named_files(arguments)
    if not named and not parts:
        raise SettingError(
            "nothing to export: name --rides, --midi, --aaf, --segments, --stem, --mix, --bed-alone, --alternates, "
            "--followers, --manifest or --all"
        )
    if arguments.out is not None and not arguments.out.is_dir():
        raise SettingError(f"there is no folder {arguments.out}; make it, or name another with --out")
    folder = arguments.out or arguments.session.resolve().parent
    outputs = named_outputs(parts, session, folder, naming, _formats(arguments), replace=True)
    for output in outputs:
        check_target(output.path, replace=arguments.force)
    outputs = (*(Output(what, path) for what, path in named), *outputs)
    form = _list_form(arguments, session)
    return HandOver(outputs, form, _midi_form(arguments, form), GainOn(arguments.gain_on), arguments.link)


def _named_files(arguments: argparse.Namespace) -> tuple[list[tuple[What, Path]], set[Part]]:
    """Files that have a name of their own, and what is named by the pattern."""
    from ridebook.work.deliverables import Part
    from ridebook.work.hand_over import What

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
    named: list[tuple[What, Path]] = []
    parts: set[Part] = set()
    for part, (what, path) in asked.items():
        if path == BY_PATTERN:
            parts.add(part)
        elif path is not None:
            named.append((by_ending.get(path.suffix.lower(), what) if what is What.RIDES else what, path))
        elif arguments.all:
            parts.add(part)
    if arguments.followers or arguments.all:
        parts.add(Part.FOLLOWERS)
    if arguments.alternates is not None or arguments.all:
        parts.add(Part.ALTERNATES)
    return named, parts


def _formats(arguments: argparse.Namespace) -> Formats:
    from ridebook.work.deliverables import STEPS_DB, Formats

    steps_db = STEPS_DB if arguments.alternates is None else _numbers("--alternates", arguments.alternates)
    return Formats(audio=arguments.audio, steps_db=steps_db)


def _numbers(option: str, text: str) -> tuple[float, ...]:
    from ridebook.errors import SettingError

    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError as error:
        raise SettingError(f"{option} takes numbers parted by commas, as 0.5,1, but {text!r} was given") from error


def _timeline(arguments: argparse.Namespace, rate_hz: int) -> Timeline:
    from ridebook.errors import SettingError
    from ridebook.exchange.outgoing import Timeline
    from ridebook.exchange.tempo import TempoMap, read_tempo_map
    from ridebook.exchange.timecode import TimecodeClock, TimecodeRate

    tempo = None if arguments.tempo_map is None else read_tempo_map(arguments.tempo_map)
    if arguments.tempo is not None:
        tempo = TempoMap.steady(arguments.tempo, _metre(arguments.metre or "4/4"))
    elif arguments.metre is not None:
        raise SettingError("--metre goes with --tempo; a tempo map has metres of its own")
    clock = TimecodeClock(TimecodeRate(arguments.timecode), arguments.start_timecode)
    return Timeline(_frames("--offset", arguments.offset, rate_hz), clock, tempo)


def _metre(text: str) -> tuple[int, int]:
    from ridebook.errors import SettingError

    beats, mark, note = text.partition("/")
    if not mark or not beats.strip().isdecimal() or not note.strip().isdecimal():
        raise SettingError(f"--metre takes a metre as 3/4, but {text!r} was given")
    return int(beats), int(note)


def _frames(option: str, seconds: float, rate_hz: int) -> int:
    from ridebook.errors import SettingError

    if not abs(seconds) <= FARTHEST_S:
        raise SettingError(f"{option} is {seconds:g} s, but must lie within {FARTHEST_S:g} s")
    return round(seconds * rate_hz)


def _list_form(arguments: argparse.Namespace, session: Session) -> ListForm:
    from ridebook.errors import SettingError
    from ridebook.exchange.breakpoints import ListForm, ListGain, ListTime

    rate_hz = session.vocal.rate_hz
    names = [name.strip().lower() for name in (arguments.columns or arguments.time or "seconds").split(",")]
    for name in names:
        if name not in (*_TIMES, *_GAINS):
            raise SettingError(f"--columns has {name!r}, but knows {', '.join((*_TIMES, *_GAINS))}")
    times = tuple(ListTime(name) for name in names if name in _TIMES)
    gains = tuple(ListGain(name) for name in names if name in _GAINS)
    span = None
    if arguments.selection is not None:
        start_n, end_n = (_frames("--selection", seconds, rate_hz) for seconds in arguments.selection)
        span = start_n, end_n
    return ListForm(
        times or (ListTime.SECONDS,),
        gains or (ListGain.DB,),
        _timeline(arguments, rate_hz),
        span,
        arguments.trim,
        arguments.decimal == "comma",
        arguments.dense,
    )


def _midi_form(arguments: argparse.Namespace, form: ListForm) -> MidiForm:
    from ridebook.exchange.midi_rides import MidiForm

    return MidiForm(
        arguments.controller,
        arguments.bits,
        arguments.full_scale_db,
        timeline=form.timeline,
        span=form.span,
        with_trim=form.with_trim,
    )
