"""Edits: pure functions from session to session.

An edit that changes nothing returns the session it was given. Four rules hold for all of them:

* **A hand on the lane makes a phrase drawn.** Inked says that the lane in the phrase's cell is the suggestion it was
  decided on; a nudge, a drag or a line ends that, so the phrase becomes drawn and keeps in ``decided_on`` what was
  suggested. New suggestions leave it alone until somebody inks or strikes it by name. A neighbour whose lane changes
  no further in than a ramp reaches keeps its state.
* **Locks.** Ink, strike and leave open never touch a locked phrase. An edit by hand that is aimed at one phrase alone
  does, an edit aimed at several passes over the locked ones among them, and over every lane of a locked phrase that
  it was not aimed at.
* **Segments and the lane are apart.** No edit of segments changes the lane, but for the shift in `change_source`.
* **What came by hand stays.** A span that was moved, split, merged, named, confirmed or inserted by hand is of origin
  hand.
"""

from ridebook.session.edits.by_hand import (
    FREEHAND_TOLERANCE_DB,
    add_breakpoint,
    carry,
    carry_to_repeats,
    delete_breakpoints,
    draw_freehand,
    draw_line,
    flatten,
    move_breakpoints,
    nudge,
    open_to_carry,
    replace_lane,
    scale_breakpoints,
    thin,
    word_cell,
)
from ridebook.session.edits.common import RAMP_S, phrase_cells, quiet_ids, span_of
from ridebook.session.edits.decisions import ink, leave_open, lock, set_note, set_quiet, strike, unlock
from ridebook.session.edits.lines import break_line, lines_text, retype_line, with_texts
from ridebook.session.edits.renewal import change_source, replace_segments
from ridebook.session.edits.segments import (
    confirm,
    delete_spans,
    insert_span,
    merge,
    move_border,
    rename,
    room_for,
    split,
)
from ridebook.session.edits.song import (
    accept_finding,
    set_approved_mix,
    set_followers,
    set_limits,
    set_lyric,
    set_reference_pairs,
    set_references,
    set_section_aim,
    set_title,
    set_trim,
    take_settings,
    withdraw_acceptance,
)

__all__ = [
    "FREEHAND_TOLERANCE_DB",
    "RAMP_S",
    "accept_finding",
    "add_breakpoint",
    "break_line",
    "carry",
    "carry_to_repeats",
    "change_source",
    "confirm",
    "delete_breakpoints",
    "delete_spans",
    "draw_freehand",
    "draw_line",
    "flatten",
    "ink",
    "insert_span",
    "leave_open",
    "lines_text",
    "lock",
    "merge",
    "move_border",
    "move_breakpoints",
    "nudge",
    "open_to_carry",
    "phrase_cells",
    "quiet_ids",
    "rename",
    "replace_lane",
    "replace_segments",
    "retype_line",
    "room_for",
    "scale_breakpoints",
    "set_approved_mix",
    "set_followers",
    "set_limits",
    "set_lyric",
    "set_note",
    "set_quiet",
    "set_reference_pairs",
    "set_references",
    "set_section_aim",
    "set_title",
    "set_trim",
    "span_of",
    "split",
    "strike",
    "take_settings",
    "thin",
    "unlock",
    "with_texts",
    "withdraw_acceptance",
    "word_cell",
]
