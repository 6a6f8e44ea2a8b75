"""The same job without a window."""

from __future__ import annotations


def main(argv: list[str] | None = None) -> int:
    """Run the command line and return its exit code."""
    raise NotImplementedError
