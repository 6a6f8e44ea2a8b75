"""Property tests try the same cases in every run, so that a run that fails can be had again.

``pytest --hypothesis-profile=explore`` tries others.
"""

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True)
settings.register_profile("explore", derandomize=False)
settings.load_profile("repeatable")
