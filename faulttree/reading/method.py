"""How a quantity must be measured, and whether a kind of instrument measures so."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from faulttree.errors import ReadingError
from faulttree.reading.typed import parse_quantity

Offers = Mapping[str, Sequence[str]]
"""What a kind of instrument can be set to: ``{"test_voltage": ["250 V", "500 V"]}``."""

# More of these than the limit asks for will do as well.
_AT_LEAST = frozenset({"test_current"})


def is_offered(offered: Sequence[str], name: str, wanted: str) -> bool:
    """Whether one of the offered settings is the wanted one.

    Example:
        >>> is_offered(["250 V", "0.5 kV"], "test_voltage", "500 V")
        True
        >>> is_offered(["10 A"], "test_current", "0.2 A")
        True
    """
    return any(_fits(one, wanted, more=name in _AT_LEAST) for one in offered)


def _fits(one: str, wanted: str, *, more: bool) -> bool:
    try:
        here, there = parse_quantity(one), parse_quantity(wanted)
    except ReadingError:
        return str(one).strip().casefold() == str(wanted).strip().casefold()
    if here.value is None or there.value is None or here.unit != there.unit:
        return False
    return here.value == there.value or (more and here.value > there.value)


@dataclass(frozen=True, slots=True)
class Method:
    """How a quantity must be measured for its limits to mean anything.

    Attributes:
        name: names the method among the facts of a case: ``insulation``.
        kinds: kinds of instrument that measure it so, by ``instruments.yaml``.
        text: the same in words, such as ``insulation needs an insulation tester``.
        reason: why another kind will not do.
        any_top: the value that a meter of any kind proves by a reading over range; None
            where such a reading proves nothing without a declared instrument.
        needs: what the instrument must offer, by the names of ``offers``.
        required: the step itself says what it needs.
    """

    name: str
    kinds: tuple[str, ...]
    text: str
    reason: str
    any_top: Decimal | None = None
    needs: Mapping[str, str] = field(default_factory=dict)
    required: bool = False

    def taken_by(self, kind: str, offers: Offers | None = None) -> bool:
        """Whether an instrument of this kind measures so.

        Args:
            kind: by ``instruments.yaml``.
            offers: what the library says that the kind offers; None where it does not know
                the kind.
        """
        if self.required:
            if offers is None:
                return not self.kinds or kind in self.kinds
            return all(self._offered(name, offers) for name in self.needs)
        told = [name for name in self.needs if name in (offers or {})]
        fits = all(self._offered(name, offers or {}) for name in told)
        return fits and (kind in self.kinds or (bool(told) and len(told) == len(self.needs)))

    def _offered(self, name: str, offers: Offers) -> bool:
        return is_offered(offers.get(name, ()), name, self.needs[name])
