"""How many examples a property-based test tries: a sample in `make test`, all in `make soak`."""

from __future__ import annotations

from hypothesis import settings

__all__ = ["SOAK", "examples"]

SOAK = settings.get_current_profile_name() == "soak"
"""Whether this is the long run. The profile is chosen on the command line, before any import."""


def examples(full: int, sample: int = 0) -> int:
    """The count of `make soak`; in `make test` the sample, or a fifth, but at least three."""
    return full if SOAK else sample or max(3, full // 5)
