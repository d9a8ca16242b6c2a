"""Settings of all tests."""

from __future__ import annotations

from hypothesis import settings

# An example has no time limit: on a busy machine any example can be slow.
settings.register_profile("faulttree", deadline=None)
settings.load_profile("faulttree")
