"""The colours of a picture, and what each one says.

Eight colours that people with the common forms of colour blindness can tell apart: Okabe
and Ito, "Color Universal Design: how to make figures and presentations that are friendly to
colorblind people" (2002, revised 2008). Colour is never alone: each kind of box has its own
shape, each mark its own line and word.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ThemeName = Literal["auto", "light", "dark"]

OKABE_ITO = {
    "black": "#000000",
    "orange": "#E69F00",
    "sky blue": "#56B4E9",
    "bluish green": "#009E73",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermillion": "#D55E00",
    "reddish purple": "#CC79A7",
}


@dataclass(frozen=True, slots=True)
class Theme:
    """Paper, ink, and the quiet grey for what is read second."""

    paper: str
    ink: str
    quiet: str


LIGHT = Theme(paper="#FFFFFF", ink="#000000", quiet="#4D4D4D")
DARK = Theme(paper="#121212", ink="#FFFFFF", quiet="#C4C4C4")


@dataclass(frozen=True, slots=True)
class Role:
    """How one kind of box or mark looks: its colour on light and on dark paper, its line."""

    light: str
    dark: str
    width: float = 1.4
    dash: str = ""


def _role(light: str, dark: str | None = None, width: float = 1.4, dash: str = "") -> Role:
    return Role(OKABE_ITO[light], OKABE_ITO[dark or light], width, dash)


INK = Role(LIGHT.ink, DARK.ink, 1.2)

ROLES: dict[str, Role] = {
    "ask": _role("blue", "sky blue"),
    "measure": _role("bluish green"),
    "do": _role("orange"),
    "use": _role("reddish purple"),
    "more": _role("reddish purple", dash="4 3"),
    "fault": _role("vermillion", width=2.2),
    "stop": Role(LIGHT.ink, DARK.ink, 1.4, "5 3"),
    "start": INK,
    "connector": INK,
    "family": INK,
    "module": _role("reddish purple"),
    "tree": _role("blue", "sky blue"),
    "edge": INK,
    "by-property": Role(LIGHT.ink, DARK.ink, 1.4, "3 3"),
    # Marks laid over a tree.
    "walked": _role("blue", "sky blue", 3.4),
    "asked": _role("orange", width=3.4, dash="2 3"),
    "new": _role("bluish green", width=3.2),
    "gone": _role("vermillion", width=2.4, dash="6 4"),
    "changed": _role("orange", width=3.2, dash="10 3"),
}

SIGNALS = {"DANGER": "vermillion", "WARNING": "orange", "CAUTION": "yellow"}
"""The panel behind a signal word (ISO 3864-2 has red, orange and yellow; these are the
nearest of the eight). The word itself always stands on it."""
