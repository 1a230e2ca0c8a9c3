"""Settings for all tests: no timed asserts, as a busy machine would fail them."""

from __future__ import annotations

import os

from hypothesis import settings

# CI draws the same examples every time; elsewhere each run looks at new ones.
settings.register_profile(
    "partfront", deadline=None, print_blob=True, derandomize=bool(os.environ.get("CI"))
)
settings.load_profile("partfront")
