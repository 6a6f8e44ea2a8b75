"""Run the commands of HANDOVER.md on what `ridebook demo` leaves, and put what they print now into it.

ridebook demo --no-window --out demo_out
python -m tools.handover_guide
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
GUIDE = ROOT / "HANDOVER.md"
BLOCK = re.compile(r"```console\n\$ (?P<command>[^\n]*<<'END'\n.*?\nEND|[^\n]*)\n(?P<printed>.*?)```", re.DOTALL)


def blocks() -> list[tuple[str, str]]:
    """Each command of the guide with what it printed there."""
    return [(found["command"], found["printed"]) for found in BLOCK.finditer(GUIDE.read_text("utf-8"))]


def printed_now(command: str, folder: Path) -> str:
    """What a command prints in a folder; it must print no error."""
    env = {**os.environ, "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"}
    words = ["bash", "-c", command]
    done = subprocess.run(words, cwd=folder, env=env, capture_output=True, text=True, timeout=120, check=False)
    if done.returncode or done.stderr:
        raise RuntimeError(f"{command}\nended with {done.returncode}:\n{done.stderr}")
    return done.stdout


def main() -> None:
    def fresh(found: re.Match[str]) -> str:
        return f"```console\n$ {found['command']}\n{printed_now(found['command'], ROOT).rstrip()}\n```"

    GUIDE.write_text(BLOCK.sub(fresh, GUIDE.read_text("utf-8")), "utf-8")


if __name__ == "__main__":
    main()
