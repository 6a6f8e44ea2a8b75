"""The same job without a window."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ridebook import __version__, cli_export, cli_reference
from ridebook.errors import RidebookError

# The rooms are imported inside the commands, so that `--help` and a slip of the keys answer at once.
if TYPE_CHECKING:
    from ridebook.exchange.report import Report
    from ridebook.ride.settings import RideSettings
    from ridebook.session.document import Session
    from ridebook.work.cache import AnalysisCache
    from ridebook.work.hand_over import HandOver
    from ridebook.work.song import Song
    from ridebook.work.steps import Progress

DONE, MUST_BE_SEEN_TO, USER_ERROR, CALLED_OFF = 0, 1, 2, 130


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; those of the process where it is left out.

    Returns
    -------
    int
        0 done, 1 `check` found something that must be seen to, 2 a user's error.
    """
    arguments = _parser().parse_args(argv)
    command: Callable[[argparse.Namespace], int] = arguments.command
    try:
        return command(arguments)
    except RidebookError as error:
        _tell(f"ridebook: {error}")
        return USER_ERROR
    except KeyboardInterrupt:
        _tell("ridebook: called off; nothing was written")
        return CALLED_OFF
    except BrokenPipeError:
        # The reader of our output has gone, as `head` does; keep the interpreter from complaining at its end.
        sys.stdout = None
        return DONE


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="ridebook",
        description="Ride a lead vocal: suggest, check, render, export. Without a command the window opens.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"ridebook {__version__}")
    parser.set_defaults(command=_open, files=[])
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")

    def add(name: str, command: Callable[[argparse.Namespace], int], text: str) -> argparse.ArgumentParser:
        made = commands.add_parser(name, help=text, description=text, allow_abbrev=False)
        made.set_defaults(command=command)
        return made

    opened = add("open", _open, "open the window, on a session or on a vocal and its bed")
    opened.add_argument("files", nargs="*", type=Path, metavar="SESSION | VOCAL BED")

    demo = add(
        "demo", _demo, "the demo song: suggest, render, check, export; opens the window where there is a display"
    )
    demo.add_argument("--out", type=Path, default=Path("demo_out"), metavar="DIR", help="folder to write to (demo_out)")
    demo.add_argument("--no-window", action="store_true", help="never open the window")

    measure = add("measure", _measure, "loudness, loudness range and peaks of each file")
    measure.add_argument("files", nargs="+", type=Path, metavar="FILE")
    measure.add_argument("--json", action="store_true", help="one JSON object a file")

    suggest = add("suggest", _suggest, "trim and rides for a vocal over its bed")
    suggest.add_argument("vocal", type=Path, metavar="VOCAL")
    suggest.add_argument("beds", nargs="+", type=Path, metavar="BED")
    suggest.add_argument("--rides", type=Path, metavar="CSV", help="write the breakpoints, trim included")
    suggest.add_argument("--segments", type=Path, metavar="CSV", help="write sections, phrases, words")
    suggest.add_argument("--session", type=Path, metavar="FILE", help="write a session with all suggestions inked")
    suggest.add_argument(
        "--approved-mix", type=Path, metavar="FILE", help="the mix that vocal plus bed should add up to"
    )
    words = suggest.add_mutually_exclusive_group()
    words.add_argument("--lyrics", type=Path, metavar="TXT", help="lay this lyric on the voice")
    words.add_argument(
        "--timings", type=Path, metavar="FILE", help="take phrases and words from WebVTT, TextGrid, labels"
    )
    aims = suggest.add_mutually_exclusive_group()
    aims.add_argument("--aim", type=float, metavar="LU", help="balance aimed for while the voice sounds")
    aims.add_argument("--style", choices=_styles(), help="aim by style: " + ", ".join(_styles()))
    suggest.add_argument("--share", type=float, metavar="0..1", help="how much of the way a ride goes (0.8)")
    suggest.add_argument("--follow", type=float, metavar="0..1", help="how much of the bed's change is followed (0.4)")
    suggest.add_argument(
        "--centre-law", type=float, metavar="DB", help="of a mono vocal in the mix: 0, -3, -4.5 or -6 (0)"
    )
    cli_export.add_follower(suggest)
    cli_reference.add_options(suggest)
    suggest.add_argument("--hand", action="store_true", help="lean toward what was learnt from your saved sessions")
    _add_listening_level(suggest)
    suggest.add_argument("--open", action="store_true", help="leave all phrases of the session open")
    suggest.add_argument("--force", action="store_true", help="replace a session that is there")
    suggest.add_argument("--no-cache", action="store_true", help="measure anew, keep nothing")

    check = add("check", _check, "findings and proof; exit code 1 where something must be seen to")
    check.add_argument(
        "files",
        nargs="+",
        type=Path,
        metavar="SESSION | VOCAL BED",
        help="a session; a pair, with a lane for it; or a manifest",
    )
    check.add_argument("--json", action="store_true", help="findings, proof and all figures as one JSON object")
    check.add_argument("--html", type=Path, metavar="FILE", help="write the same as a page of HTML")
    _add_listening_level(check)
    lanes = check.add_mutually_exclusive_group()
    lanes.add_argument("--lane", type=Path, metavar="CSV", help="check this lane: any table of time and gain")
    lanes.add_argument("--after", type=Path, metavar="RENDER", help="check the lane inferred from this ridden vocal")
    check.add_argument("--before", type=Path, metavar="RENDER", help="the same without rides (the pair's vocal)")
    check.add_argument("--approved-mix", type=Path, metavar="FILE", help="the mix that vocal plus bed should add up to")
    check.add_argument(
        "--limit",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="hold against another limit than the session's: " + ", ".join(_limits()),
    )
    check.add_argument("--gain", choices=("db", "linear"), help="unit of the lane's gains (recognised)")
    check.add_argument("--time", choices=("seconds", "ms", "samples"), help="unit of the lane's times (recognised)")
    check.add_argument("--session", type=Path, metavar="FILE", help="write a session with that lane, to go on from")
    check.add_argument("--force", action="store_true", help="replace a session that is there")
    check.add_argument("--no-cache", action="store_true", help="measure anew, keep nothing")

    sheet = add("sheet", _sheet, "the printed sheet: lyric with rides in the margin, figures, findings")
    sheet.add_argument("session", type=Path, metavar="SESSION")
    sheet.add_argument("--pdf", type=Path, metavar="FILE", help="write it as PDF")
    sheet.add_argument("--png", type=Path, metavar="FILE", help="write it as pictures, one a page")
    sheet.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper (a4)")
    sheet.add_argument("--no-cache", action="store_true", help="measure anew, keep nothing")

    render = add("render", _render, "the ridden stem, and the mix of ridden vocal and bed")
    render.add_argument("session", type=Path, metavar="SESSION")
    render.add_argument("--stem", type=Path, metavar="FILE", help="write the ridden vocal")
    render.add_argument("--mix", type=Path, metavar="FILE", help="write the mix of ridden vocal and bed")

    export = add("export", _export, "everything that leaves for a workstation, written together, all of it or nothing")
    export.add_argument("session", type=Path, metavar="SESSION")
    cli_export.add_options(export)
    return parser


def _add_listening_level(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--listening-level", type=float, metavar="DB", help="dB SPL at which the mix is heard, for lost words (75)"
    )


def _limits() -> list[str]:
    from ridebook.session.limits import LIMITS

    return list(LIMITS)


def _styles() -> list[str]:
    from ridebook.ride.settings import AIMS_LU

    return list(AIMS_LU)


def _open(arguments: argparse.Namespace) -> int:
    from ridebook.gui.app import run

    return run([str(path) for path in arguments.files])


def _measure(arguments: argparse.Namespace) -> int:
    from ridebook.measure.filemeter import measure_file
    from ridebook.work.steps import part_of

    # All are measured before the first is told, so that an error leaves no half of a list behind.
    with _Steps("measuring") as progress:
        files = arguments.files
        measured = [
            (path, measure_file(path, progress=part_of(progress, i, len(files)))) for i, path in enumerate(files)
        ]
    for path, loudness in measured:
        figures = {name: _finite(value) for name, value in asdict(loudness).items()}
        if arguments.json:
            print(json.dumps({"file": str(path), **figures}))
        else:
            print(f"{path}: {_loudness_line(figures)}")
    return DONE


def _loudness_line(figures: dict[str, Any]) -> str:
    def told(name: str, unit: str) -> str:
        value = figures[name]
        return f"-inf {unit}" if value is None else f"{value:.1f} {unit}"

    channels = {1: "mono", 2: "stereo"}.get(figures["channels"], f"{figures['channels']} channels")
    return (
        f"{figures['rate_hz']} Hz {channels}, {figures['seconds']:.1f} s, "
        f"integrated {told('integrated_lufs', 'LUFS')}, range {told('loudness_range_lu', 'LU')}, "
        f"loudest {told('momentary_max_lufs', 'LUFS')} momentary and {told('short_term_max_lufs', 'LUFS')} short-term, "
        f"true peak {told('true_peak_dbtp', 'dBTP')}"
    )


def _finite(value: object) -> object:
    """JSON knows no infinity."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _suggest(arguments: argparse.Namespace) -> int:
    from ridebook.audio.output import check_target
    from ridebook.work.hearing import with_hearing
    from ridebook.work.song import open_song
    from ridebook.work.words import lyric_text, song_with_lyric, song_with_timings

    settings, hand_lines = cli_reference.with_hand(_settings(arguments), arguments)
    references = cli_reference.named(arguments)
    _check_outputs([arguments.rides, arguments.segments, arguments.session], _inputs(arguments))
    lyric = None if arguments.lyrics is None else lyric_text(arguments.lyrics)
    if arguments.session is not None:
        check_target(arguments.session, _inputs(arguments), replace=arguments.force)
    with _Steps("measuring references") as progress:
        given = bool(arguments.style) or arguments.aim is not None
        settings, reference_lines = cli_reference.aimed(settings, references, given, _cache(arguments), progress)
    with _Steps("measuring") as progress:
        song = open_song(arguments.vocal, arguments.beds, settings, cache=_cache(arguments), progress=progress)
    with song.pair:
        session = cli_reference.with_references(song.session, references)
        song = replace(song, session=cli_export.with_followers(session, arguments.follower))
        if lyric is not None:
            with _Steps("laying the lyric") as progress:
                song = song_with_lyric(song, lyric, progress)
        if arguments.timings is not None:
            song = song_with_timings(song, arguments.timings)
        with _Steps("listening to the words") as progress:
            song = with_hearing(song, cache=_cache(arguments), progress=progress)
        song = _with_approved(song, arguments)
        session = song.session if arguments.open else _inked(song)
        _write_lists(_inked(song), arguments.rides, arguments.segments)
        if arguments.session is not None:
            _save(session, arguments.session, force=arguments.force)
        _tell_notices(song)
        for line in [*hand_lines, *reference_lines, *_found_lines(song)]:
            print(line)
    return DONE


def _inputs(arguments: argparse.Namespace) -> list[Path]:
    """Files that `suggest` reads, which are never written over."""
    given = (arguments.vocal, *arguments.beds, arguments.lyrics, arguments.timings, arguments.approved_mix)
    return [path for path in given if path is not None] + cli_reference.inputs(arguments)


def _settings(arguments: argparse.Namespace) -> RideSettings:
    from ridebook.ride.settings import AIMS_LU, RideSettings

    chosen = {
        "aim_lu": AIMS_LU[arguments.style] if arguments.style else arguments.aim,
        "share": arguments.share,
        "follow": arguments.follow,
        "centre_law_db": arguments.centre_law,
        "listening_level_db": arguments.listening_level,
    }
    return replace(RideSettings(), **{name: value for name, value in chosen.items() if value is not None})


def _inked(song: Song) -> Session:
    from ridebook.session.edits import ink
    from ridebook.work.song import open_phrases

    return ink(song.session, song.suggestion, open_phrases(song.session))


def _check_outputs(targets: Sequence[Path | None], sources: Sequence[Path | str]) -> None:
    """Refuse bad places before any work, so that nothing is written when one of several cannot be."""
    from ridebook.audio.output import check_target, is_same_file
    from ridebook.errors import OutputError

    given = [target for target in targets if target is not None]
    for i, target in enumerate(given):
        check_target(target, sources)
        if any(is_same_file(target, other) for other in given[:i]):
            raise OutputError(f"{target} is named for two outputs; give each its own name")


def _write_lists(session: Session, rides: Path | None, segments: Path | None) -> None:
    from ridebook.exchange.breakpoints import write_breakpoints
    from ridebook.exchange.segment_lists import write_segments

    sources = [source.path for source in session.sources]
    rate_hz = session.vocal.rate_hz
    if rides is not None:
        write_breakpoints(rides, session.lane, session.trim_db, rate_hz, protect=sources)
    if segments is not None:
        write_segments(segments, session.segments, rate_hz, protect=sources)


def _save(session: Session, path: Path, *, force: bool) -> None:
    from ridebook.session.file import save_session

    save_session(session, path, force=force)


def _tell_notices(song: Song) -> None:
    for notice in song.notices:
        _tell(f"ridebook: {notice}")


def _found_lines(song: Song) -> list[str]:
    """Tell what was found and suggested, in a few lines."""
    from ridebook.check.dynamics import dynamics_kept

    segments, suggestion = song.session.segments, song.suggestion
    moved = [phrase for phrase in suggestion.phrases if phrase.points]
    balance = suggestion.song_balance_lu
    stands = "no bed to stand against" if balance is None else f"stands {balance:+.1f} LU against the bed"
    lines = [
        f"Voice: {len(segments.phrases)} phrases, {len(segments.words)} words, {stands}.",
        f"Trim: {suggestion.trim_db:+.1f} dB.",
        f"Rides: {len(moved)} of {len(suggestion.phrases)} phrases, {len(suggestion.lane.points)} breakpoints.",
    ]
    kept = dynamics_kept(song.analysis.measures, segments, suggestion.lane).sentence
    if kept:
        lines.append(f"The suggestion {kept}.")
    for phrase in sorted(moved, key=lambda phrase: -abs(phrase.ride_db))[:5]:
        span = next(span for span in segments.phrases if span.id == phrase.phrase_id)
        at = span.start_n / song.pair.rate_hz
        lines.append(f"  {int(at // 60)}:{at % 60:04.1f}  {phrase.ride_db:+.1f} dB  {phrase.reason}")
    return lines


def _reopened(path: Path, arguments: argparse.Namespace) -> Song:
    from ridebook.session.file import load_session
    from ridebook.work.song import reopen_song

    session = load_session(path)
    with _Steps("measuring") as progress:
        song = reopen_song(session, cache=_cache(arguments), progress=progress)
    _tell_notices(song)
    return song


def _cache(arguments: argparse.Namespace) -> AnalysisCache | None:
    from ridebook.work.cache import AnalysisCache

    return None if getattr(arguments, "no_cache", False) else AnalysisCache()


def _check(arguments: argparse.Namespace) -> int:
    from ridebook.check.findings import Severity
    from ridebook.exchange.report import report_json, report_of
    from ridebook.exchange.report_page import report_html
    from ridebook.session.edits import set_limits
    from ridebook.work.review import review

    limits_given = _given_limits(arguments.limit)
    if len(arguments.files) == 1 and arguments.files[0].suffix.lower() == ".json":
        return _check_manifest(arguments.files[0])
    drawn_elsewhere = [path for path in (arguments.lane, arguments.after, arguments.before) if path is not None]
    outputs = [arguments.html, arguments.session]
    read = [*arguments.files, *drawn_elsewhere, *([arguments.approved_mix] if arguments.approved_mix else [])]
    _check_outputs([arguments.html], read)
    _check_drawn(arguments)
    song = _reopened_or_opened(arguments)
    protect = [*read, *(source.path for source in song.session.sources)]
    with song.pair:
        if any(path is not None for path in outputs):
            _check_outputs(outputs if arguments.session is None or not arguments.force else [arguments.html], protect)
        song = _with_drawn(_with_approved(song, arguments), arguments)
        if arguments.listening_level is not None:
            song = replace(song, session=_heard_at(song.session, arguments.listening_level))
        limits = replace(song.session.limits, **limits_given)
        song = replace(song, session=set_limits(song.session, limits))
        with _Steps("checking") as progress:
            reviewed = review(
                song.pair, song.session, song.analysis.measures, cache=_cache(arguments), progress=progress
            )
    report = report_of(song.session, song.analysis.measures, reviewed.findings, reviewed.proof, reviewed.hearing)
    if arguments.html is not None:
        _write_bytes(arguments.html, report_html(report).encode("utf-8"), protect)
    if arguments.session is not None:
        _save(song.session, arguments.session, force=arguments.force)
    if arguments.json:
        print(report_json(report).decode("utf-8"))
    else:
        for line in reviewed.lines(song.pair.rate_hz):
            print(line)
    must = any(found.severity is Severity.MUST for found in reviewed.findings)
    return MUST_BE_SEEN_TO if must else DONE


def _heard_at(session: Session, level_db: float) -> Session:
    """Session whose words are heard at another level."""
    from ridebook.session.edits import take_settings

    return take_settings(session, replace(session.settings, listening_level_db=level_db))


def _check_manifest(path: Path) -> int:
    """Hold the files of a hand-over against their manifest."""
    from ridebook.exchange.manifest import differing_files, read_manifest

    differing = differing_files(path)
    for line in differing:
        print(line)
    if not differing:
        print(f"All {len(read_manifest(path).files)} files are as they were written.")
    return MUST_BE_SEEN_TO if differing else DONE


def _check_drawn(arguments: argparse.Namespace) -> None:
    """Refuse options of `check` that say nothing together."""
    from ridebook.audio.output import check_target
    from ridebook.errors import SettingError

    drawn = arguments.lane is not None or arguments.after is not None
    if arguments.before is not None and arguments.after is None:
        raise SettingError("--before is the vocal without rides; name the one with rides with --after RENDER")
    if (arguments.gain or arguments.time) and arguments.lane is None:
        raise SettingError("--gain and --time say how a table is to be read; name it with --lane CSV")
    if arguments.session is not None:
        if not drawn:
            raise SettingError("--session takes a lane that was drawn elsewhere over; name it with --lane or --after")
        check_target(arguments.session, arguments.files, replace=arguments.force)
    if len(arguments.files) > 1 and not drawn:
        raise SettingError(
            "a vocal and its bed have no rides to check yet; name a lane with --lane CSV or --after RENDER, or begin "
            "with `ridebook suggest`"
        )


def _reopened_or_opened(arguments: argparse.Namespace) -> Song:
    from ridebook.work.song import open_song

    if len(arguments.files) == 1:
        return _reopened(arguments.files[0], arguments)
    vocal, *beds = arguments.files
    with _Steps("measuring") as progress:
        song = open_song(vocal, beds, cache=_cache(arguments), progress=progress)
    _tell_notices(song)
    return song


def _given_limits(given: Sequence[str]) -> dict[str, float]:
    """Limits by name, out of texts ``NAME=VALUE``."""
    from ridebook.errors import SettingError
    from ridebook.session.limits import LIMITS, CheckLimits

    values = {}
    for each in given:
        name, _, text = each.partition("=")
        if name not in LIMITS:
            raise SettingError(f"there is no limit {name!r}; there are {', '.join(LIMITS)}")
        try:
            values[name] = float(text)
        except ValueError:
            raise SettingError(f"the limit {name} needs a number, not {text!r}") from None
    CheckLimits(**values)
    return values


def _with_approved(song: Song, arguments: argparse.Namespace) -> Song:
    """Song with the mix that was approved, where one is named."""
    from ridebook.audio.files import read_info
    from ridebook.session.edits import set_approved_mix
    from ridebook.work.song import source_file

    if arguments.approved_mix is None:
        return song
    approved = source_file(read_info(arguments.approved_mix))
    return replace(song, session=set_approved_mix(song.session, approved))


def _with_drawn(song: Song, arguments: argparse.Namespace) -> Song:
    """Song with the lane that was drawn elsewhere, where one is named."""
    from ridebook.exchange.any_lane import GainUnit, TimeUnit
    from ridebook.work.elsewhere import infer_lane, lane_from_table, with_whole_gain

    if arguments.lane is not None:
        gain = GainUnit(arguments.gain) if arguments.gain else None
        time = TimeUnit(arguments.time) if arguments.time else None
        lane, notices = lane_from_table(arguments.lane, song.session, gain, time)
    elif arguments.after is not None:
        with _Steps("comparing renders") as progress:
            inferred = infer_lane(arguments.before or song.session.vocal.path, arguments.after, progress)
        lane, notices = inferred.lane, inferred.notices
    else:
        return song
    for notice in notices:
        _tell(f"ridebook: {notice}")
    session = with_whole_gain(song.session, song.analysis.measures, lane)
    return replace(song, session=session)


def _write_bytes(path: Path, content: bytes, protect: Sequence[Path | str]) -> None:
    from ridebook.audio.output import atomic_write

    atomic_write(path, content, protect)


def _sheet(arguments: argparse.Namespace) -> int:
    from ridebook.errors import OutputError, SettingError
    from ridebook.work.review import reported

    if arguments.pdf is None and arguments.png is None:
        raise SettingError("no sheet to print: name --pdf FILE, --png FILE or both")
    try:
        from ridebook.gui.printed_sheet import Paper, print_sheet
    except ImportError as error:
        raise OutputError(f"the sheet is printed by Qt, which this system lacks ({error}); see README") from error
    song = _reopened(arguments.session, arguments)
    protect = [arguments.session, *(source.path for source in song.session.sources)]
    _check_outputs([arguments.pdf, arguments.png], protect)
    with song.pair, _Steps("checking") as progress:
        report = reported(song.pair, song.session, song.analysis.measures, cache=_cache(arguments), progress=progress)
    paper = Paper(arguments.paper)
    for path in print_sheet(report, pdf=arguments.pdf, png=arguments.png, paper=paper, protect=protect):
        print(f"Wrote {path}.")
    return DONE


def _render(arguments: argparse.Namespace) -> int:
    from ridebook.errors import SettingError
    from ridebook.session.file import load_session
    from ridebook.work.hand_over import HandOver, Output, What

    named = ((What.STEM, arguments.stem), (What.MIX, arguments.mix))
    outputs = tuple(Output(what, path) for what, path in named if path is not None)
    if not outputs:
        raise SettingError("nothing to render: name --stem FILE, --mix FILE or both")
    return _handed_over(load_session(arguments.session), HandOver(outputs), [arguments.session], "rendering")


def _export(arguments: argparse.Namespace) -> int:
    from ridebook.session.file import load_session

    session = cli_export.with_followers(load_session(arguments.session), arguments.follower)
    plan = cli_export.plan_of(arguments, session)
    read = [path for path in (arguments.session, arguments.tempo_map) if path is not None]
    return _handed_over(session, plan, read, "exporting")


def _handed_over(session: Session, plan: HandOver, read: Sequence[Path], step: str) -> int:
    """Write what is planned and tell it; what was read for it is never written over."""
    from ridebook.work.hand_over import hand_over

    with _Steps(step) as progress:
        done = hand_over(session, plan, protect=read, progress=progress)
    for notice in done.notices:
        _tell(f"ridebook: {notice}")
    for line in done.lines():
        print(line)
    return DONE


def _demo(arguments: argparse.Namespace) -> int:
    from ridebook.work.demo import OUTPUT_NAMES, PICTURE, SESSION, SHEET, display_there, make_demo

    with _Steps("demo song") as progress:
        made = make_demo(arguments.out, progress=progress)
    for line in (*_found_lines(made.song), *made.lines):
        print(line)
    names = list(OUTPUT_NAMES)
    if _printed(made.report, arguments.out / SHEET) and _pictured(arguments.out / SESSION, arguments.out / PICTURE):
        names += [SHEET, PICTURE]
    else:
        _tell("ridebook: no sheet and no picture of the window: this system lacks what Qt needs (see README)")
    print(f"Wrote {', '.join(names)} to {arguments.out}.")
    print("Long listening at high level damages hearing: start low.")
    if not arguments.no_window and display_there():
        from ridebook.gui.app import run

        return run([str(arguments.out / SESSION)])
    return DONE


def _printed(report: Report, target: Path) -> bool:
    """Print the sheet, where Qt is there at all."""
    from ridebook.errors import OutputError

    try:
        from ridebook.gui.printed_sheet import print_sheet

        print_sheet(report, pdf=target)
    except (ImportError, OutputError):
        return False
    return True


def _pictured(session: Path, target: Path) -> bool:
    """Take a picture of the window, where Qt is there at all."""
    try:
        from ridebook.gui.picture import take_picture
    except ImportError:
        return False
    return take_picture(session, target)


class _Steps:
    """Progress of one step on stderr, where that is a terminal."""

    def __init__(self, what: str) -> None:
        self._what = what
        self._shown = -1
        self._live = sys.stderr is not None and sys.stderr.isatty()

    def __enter__(self) -> Progress:
        return self._show

    def _show(self, done: float) -> None:
        percent = int(done * 100)
        if self._live and percent != self._shown:
            self._shown = percent
            sys.stderr.write(f"\r{self._what} {percent:3d} %")
            sys.stderr.flush()

    def __exit__(self, *_error: object) -> None:
        if self._live and self._shown >= 0:
            sys.stderr.write("\r" + " " * (len(self._what) + 6) + "\r")


def _tell(line: str) -> None:
    """One line on stderr."""
    print(line, file=sys.stderr)
