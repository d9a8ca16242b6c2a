"""What an entry of the register of component ratings is; :mod:`.ratings` holds the entries."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, Literal

from faulttree.reading.method import Method
from faulttree.reading.units import Kind

__all__ = ["ComponentRating", "Figures", "Parameter", "Sides"]

Sides = Literal["both", "min", "max"]


@dataclass(frozen=True, slots=True)
class Figures:
    """Limits worked out from a part's rating, in base units.

    Attributes:
        lower, upper: what a new part keeps within; None where there is no such limit.
        worn_lower, worn_upper: what a used part may have come to before it is the fault.
        nominal: the rated value, where there is one.
        part: the part in words, such as ``a 220 µF 35 V part``.
        notes: what the reader of a verdict must know, such as the temperature meant.
        holds_at, read_at: frequency of the limits and of the reading [Hz], where they matter.
        copper_at: temperature of the figures of a copper winding [°C].
    """

    lower: Decimal | None = None
    upper: Decimal | None = None
    worn_lower: Decimal | None = None
    worn_upper: Decimal | None = None
    nominal: Decimal | None = None
    part: str = ""
    notes: tuple[str, ...] = ()
    holds_at: Decimal | None = None
    read_at: Decimal | None = None
    copper_at: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Parameter:
    """One thing a rating is worked out from.

    Attributes:
        name: the key in a tree, and with two dashes the option of ``judge``.
        unit: of the value; None where it is a word.
        text: what it is, one line.
        required: whether it must be given.
        default: taken where it is not given; a mapping is a formula.
        choices: the words it may be.
        sign: whether it must be above zero, may be zero, or may be anything.
        tolerance: it is written like a tolerance: ``20 %``, ``[-20 %, +80 %]`` or a letter.
    """

    name: str
    unit: str | None
    text: str
    required: bool = True
    default: str | list[str] | Mapping[str, Any] | None = None
    choices: tuple[str, ...] = ()
    sign: Literal["positive", "not-negative", "any"] = "positive"
    tolerance: bool = False


@dataclass(frozen=True, slots=True)
class ComponentRating:
    """One entry: how the limits of one quantity of one component follow from its rating.

    Attributes:
        component, quantity: its two names in ``{component: …, quantity: …}``.
        unit, kind: of the reading.
        sides: which limits it gives, hence which outcomes.
        function: takes the parameters by name (Decimal in base units, or a word, or a pair
            of relative tolerances) and gives :class:`Figures`.
        parameters: what it takes.
        validity: the range in which it holds.
        source: where the figures come from.
        symbol: what a sentence calls the limit, such as ``the largest ESR``.
        method: the kind of instrument it needs, where not every meter will do.
    """

    component: str
    quantity: str
    unit: str
    sides: Sides
    function: Callable[..., Figures]
    parameters: tuple[Parameter, ...]
    validity: str
    source: str
    symbol: str
    kind: Kind = ""
    fixed: Mapping[str, Any] = field(default_factory=dict)
    method: Method | None = None

    @property
    def outcomes(self) -> tuple[str, ...]:
        """What a verdict by this entry can be."""
        return {
            "both": ("low", "inside", "high"),
            "min": ("low", "inside"),
            "max": ("inside", "high"),
        }[self.sides]
