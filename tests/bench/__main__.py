"""All benchmarks, one after the other: ``python -m tests.bench`` or ``make bench``.

Each is a script of its own that prints its figures and ends with 1 where it misses a goal. Speeds are given as ratios
of things measured in one run, since a machine's own seconds mean little elsewhere.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path


def main() -> int:
    folder = Path(__file__).resolve().parent
    missed = []
    for script in sorted(folder.glob("bench_*.py")):
        print(f"== {script.stem}", flush=True)
        environment = {**os.environ, "PYTHONPATH": str(folder.parents[1])}
        if subprocess.run([sys.executable, str(script)], check=False, env=environment).returncode:
            missed.append(script.stem)
    print("All goals met." if not missed else f"Goals missed in: {', '.join(missed)}.")
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main())
