"""Lazy imports: names of a package that are imported when they are first used."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from importlib import import_module

__all__ = ["lazily"]


def lazily(package: str, homes: Mapping[str, tuple[str, ...]]) -> Callable[[str], object]:
    """A ``__getattr__`` for a package (PEP 562) that imports its public names on first use.

    This keeps start-up fast: a command imports only the modules that it uses.

    Args:
        package: the package's own ``__name__``.
        homes: module below the package → its public names, each as ``name`` or
            ``name as public``.
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
