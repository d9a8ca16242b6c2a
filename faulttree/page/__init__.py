"""The page: the sessions of :mod:`faulttree.session` in a browser. A face, without walk rules.

Light to import: the server's libraries are loaded when a server is made.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.lazily import lazily

if TYPE_CHECKING:
    from faulttree.page.access import Access, Device
    from faulttree.page.desk import Desk
    from faulttree.page.server import application, serve
    from faulttree.page.settings import Settings

__all__ = ["Access", "Desk", "Device", "Settings", "application", "serve"]

__getattr__ = lazily(
    __name__,
    {
        "access": ("Access", "Device"),
        "desk": ("Desk",),
        "server": ("application", "serve"),
        "settings": ("Settings",),
    },
)
