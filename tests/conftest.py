"""One setting for all tests: no deadlines, and on request the same examples every time."""

import os

from hypothesis import settings

# How long an example takes tells of the machine and its load; benches measure speed.
settings.register_profile("people", deadline=None)
settings.register_profile("same", deadline=None, derandomize=True, database=None)
settings.load_profile("same" if os.environ.get("HANDCAPTURE_SAME_EXAMPLES") else "people")
