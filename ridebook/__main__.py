"""``python -m ridebook``."""

from ridebook.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
