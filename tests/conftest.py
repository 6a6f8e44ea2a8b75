"""Property tests try the same cases in every run, so that a run that fails can be had again.

``pytest --hypothesis-profile=explore`` tries others, and more of them. No case has to be done by the clock, which on a
busy machine tells of others. Sums of arrays stay on one thread, as the program has it in its work: others that wait for
their share cost processor time and do nothing.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from hypothesis import HealthCheck, settings

BY_THE_CLOCK = [HealthCheck.too_slow]

settings.register_profile(
    "repeatable", derandomize=True, max_examples=50, deadline=None, suppress_health_check=BY_THE_CLOCK
)
settings.register_profile(
    "explore", derandomize=False, max_examples=200, deadline=None, suppress_health_check=BY_THE_CLOCK
)
settings.load_profile("repeatable")
