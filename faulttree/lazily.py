"""Names of a package that are imported only when they are first used."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from importlib import import_module

__all__ = ["lazily"]


def lazily(package: str, homes: Mapping[str, tuple[str, ...]]) -> Callable[[str], object]:
    """A module's ``__getattr__`` (PEP 562) that finds its public names where they live.

    Start-up time is why: a command pays for the modules it uses and for no others.

    Args:
        package: the package's own ``__name__``.
        homes: module below the package → names it gives, each as it is or ``own as public``.
    """
    home_of = {
        public or own: (home, own)
        for home, names in homes.items()
        for own, _, public in (name.partition(" as ") for name in names)
    }

    def find(name: str) -> object:
        if name not in home_of:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        home, own = home_of[name]
        value = getattr(import_module(f"{package}.{home}"), own)
        setattr(sys.modules[package], name, value)
        return value

    return find
