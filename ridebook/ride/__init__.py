"""The lane, edits of a lane, and the suggestion."""
