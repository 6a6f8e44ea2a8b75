"""How the cost of a job grows: true on any machine, as a count of seconds is not."""

from __future__ import annotations

import time
from collections.abc import Callable


def best_cpu_s(job: Callable[[], object], rounds_n: int = 5) -> float:
    """Return the least processor time of some rounds, in seconds: what others do on the machine counts little."""
    best_s = float("inf")
    for _ in range(rounds_n):
        begun_s = time.process_time()
        job()
        best_s = min(best_s, time.process_time() - begun_s)
    return best_s
