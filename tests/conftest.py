"""Settings of all tests."""

from __future__ import annotations

from hypothesis import settings

# An example has no time limit: on a busy machine any example can be slow.
# `make soak` chooses the profile of that name; it has the full counts.
settings.register_profile("sample", deadline=None, max_examples=20)
settings.register_profile("soak", deadline=None, max_examples=100)
settings.load_profile("sample")
