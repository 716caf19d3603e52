"""Settings for all tests."""

from __future__ import annotations

from hypothesis import settings

# Shared machines stall now and then: what takes long is found by --durations, not by a deadline
settings.register_profile("tests", deadline=None, print_blob=True)
settings.load_profile("tests")
