"""Options of `ridebook suggest` about references and the user's own hand, and what they ask for."""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

# The rooms are imported inside the functions, so that `--help` and a slip of the keys answer at once.
if TYPE_CHECKING:
    from ridebook.ride.settings import RideSettings
    from ridebook.session.document import ReferencePair, Session, SourceFile
    from ridebook.work.cache import AnalysisCache
    from ridebook.work.steps import Progress


@dataclass(frozen=True, slots=True)
class Named:
    """References that a command names.

    Parameters
    ----------
    mixes : tuple of SourceFile
        Finished mixes.
    pairs : tuple of ReferencePair
        Vocals and beds.
    published : bool
        The published mean counts as one too.
    """

    mixes: tuple[SourceFile, ...]
    pairs: tuple[ReferencePair, ...]
    published: bool


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the references to a command that has an aim."""
    group = parser.add_argument_group(
        "references", "how loud is loud enough: the aim is taken from these, unless one is given"
    )
    group.add_argument(
        "--reference",
        type=Path,
        nargs="+",
        action="extend",
        default=[],
        metavar="FILE",
        help="finished mix of another song, whose balance is estimated",
    )
    group.add_argument(
        "--reference-pair",
        type=Path,
        nargs="+",
        action="append",
        default=[],
        metavar="FILE",
        help="vocal and bed of another song",
    )
    group.add_argument("--published", action="store_true", help="the published mean of released records")


def inputs(arguments: argparse.Namespace) -> list[Path]:
    """Files that are read as references."""
    return [*arguments.reference, *(path for pair in arguments.reference_pair for path in pair)]


def named(arguments: argparse.Namespace) -> Named:
    """Note down the references that are named.

    Raises
    ------
    SourceError
        A file cannot serve.
    SettingError
        A pair has no bed.
    """
    from ridebook.work.reference import noted, reference_pair

    return Named(
        tuple(noted(path) for path in arguments.reference),
        tuple(reference_pair(vocal, beds) for vocal, *beds in arguments.reference_pair),
        arguments.published,
    )


def aimed(
    settings: RideSettings, references: Named, aim_given: bool, cache: AnalysisCache | None, progress: Progress
) -> tuple[RideSettings, list[str]]:
    """Give settings the aim of the references, unless one was given; and what was learnt, as lines."""
    from ridebook.ride.reference import PUBLISHED
    from ridebook.work.reference import Learnt, aim_line, learn_all, with_aim_of

    learnt = [Learnt(PUBLISHED)] if references.published else []
    learnt += learn_all(references.mixes, references.pairs, settings.centre_law_db, cache=cache, progress=progress)
    if not learnt:
        return settings, []
    known, lines = [each.known for each in learnt], [f"Reference {each.line()}" for each in learnt]
    if aim_given:
        return settings, [*lines, f"Aim: {settings.aim_lu:+.1f} LU, as given."]
    return with_aim_of(settings, known), [*lines, aim_line(settings, known)]


def with_references(session: Session, references: Named) -> Session:
    """Session that keeps the references that are named."""
    from ridebook.session.edits import set_reference_pairs, set_references

    return set_reference_pairs(set_references(session, references.mixes), references.pairs)


def with_hand(settings: RideSettings, arguments: argparse.Namespace) -> tuple[RideSettings, list[str]]:
    """Give settings that lean toward the user's hand, where that is asked for, and what was learnt, as lines.

    What is named on the command line stays.

    Raises
    ------
    HandUnreadableError
        What was learnt cannot be read.
    """
    from ridebook.ride.hand import learnt_hand
    from ridebook.work.hand import HandStore, hand_lines

    if not arguments.hand:
        return settings, []
    hand = learnt_hand(HandStore().read().songs)
    if arguments.aim is not None or arguments.style:
        hand = replace(hand, aim_lu=None)
    if arguments.share is not None:
        hand = replace(hand, share=None)
    return hand.applied(settings), [f"Your hand: {line}" for line in hand_lines(hand, settings)]
