"""One setting for all tests: on request hypothesis tries the same examples every time."""

import os

from hypothesis import settings

settings.register_profile("same", derandomize=True, database=None)
if os.environ.get("HANDCAPTURE_SAME_EXAMPLES"):
    settings.load_profile("same")
