"""Settings for all tests: no timed asserts, as a busy machine would fail them."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("partfront", deadline=None, print_blob=True)
settings.load_profile("partfront")
