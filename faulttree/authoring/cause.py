"""A cause that the tree could not find and the test that shows it, as a tree file has them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from faulttree.errors import TreeError
from faulttree.reading import judge, parse_quantity, resolve_limits
from faulttree.reading.limit_forms import outcomes_of
from faulttree.tree.ids import free_id
from faulttree.tree.model import Tree

ARTICLES = frozenset({"a", "an", "the"})
ASKING = frozenset({"are", "can", "do", "does", "has", "have", "is", "what"})
LONGEST_ID = 40
GOOD = "good"
"""The exit of a good unit, if the procedure has an exit of this name."""


@dataclass(frozen=True, slots=True)
class Cause:
    """A fault and its remedy.

    ``fault`` may name a fault of the tree; then no other field is needed.
    """

    fault: str = ""
    title: str = ""
    remedy: str = ""
    part: str = ""
    module: str = ""
    weight: float | None = None
    part_cost: float | None = None
    cautions: tuple[str, ...] = ()
    confirm: tuple[str, str] | None = None
    """Step and outcome that confirm the repair; None: the new test, passed."""

    def as_data(self) -> dict[str, Any]:
        """The fault as an entry of a tree file, its keys in the usual order."""
        for name, text in (("title", self.title), ("remedy", self.remedy)):
            if not text.strip():
                raise TreeError(f"The fault has no {name}.", remedy=f"Give --{name}.")
        said = {
            "title": self.title,
            "part": self.part,
            "module": self.module,
            "remedy": self.remedy,
            "cautions": list(self.cautions),
        }
        return {key: value for key, value in said.items() if value}


@dataclass(frozen=True, slots=True)
class Test:
    """The test that showed the cause: a question, a reading with limits, or a shared procedure.

    Attributes:
        step: id of the new step.
        ask: the question; ``shows`` is the answer that the fault gives, ``fine`` the other.
        measure: what to measure; ``limits`` as in a tree file.
        use: the name of a shared procedure; ``shows`` is the exit that the fault takes, and
            ``given`` the values for the names that the procedure takes. Other exits lead
            onward, or to the target in ``leads``. ``exits`` and ``procedures`` come from the
            library; they are filled in by
            :func:`faulttree.authoring.shared_procedure.with_procedure`.
        shows: the outcome that leads to the fault. If ``reading`` is given, the outcome is
            judged from it.
        reading: what the meter showed on the unit at fault, as typed.
        after: steps that must be done first.
        live: whether the unit is powered during the test.
    """

    __test__ = False  # pytest must not collect this class

    step: str = ""
    ask: str = ""
    measure: str = ""
    use: str = ""
    given: Mapping[str, str] = field(default_factory=dict)
    leads: Mapping[str, str] = field(default_factory=dict)
    exits: tuple[str, ...] = ()
    procedures: Mapping[str, Any] = field(default_factory=dict, repr=False)
    shows: str = ""
    fine: str = ""
    reading: str = ""
    limits: Mapping[str, Any] = field(default_factory=dict)
    how: str = ""
    minutes: float | None = None
    needs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    access: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    live: bool = False
    in_circuit: str = ""

    @property
    def kind(self) -> Literal["ask", "measure", "use"]:
        """The kind of step that the test becomes."""
        return "use" if self.use else "ask" if self.ask else "measure"

    @property
    def told(self) -> str:
        """The question, what to measure, or the procedure; empty if none is given."""
        return self.ask or self.measure or self.use

    @property
    def called(self) -> str:
        """The text from which the id of the new step is made."""
        return self.told if not self.use else f"{self.use} {self.given.get('part', '')}".strip()

    @property
    def powered(self) -> bool:
        """Whether the unit is powered during the test or a step of its procedure."""
        return self.live or any(step.get("live") is True for step in self._inside())

    @property
    def enters(self) -> tuple[str, ...]:
        """The access states that the test needs, including those of its procedure."""
        inside = [name for step in self._inside() for name in step.get("access") or ()]
        return tuple(dict.fromkeys([*self.access, *inside]))

    def _inside(self) -> Iterator[Mapping[str, Any]]:
        for procedure in self.procedures.values():
            yield from procedure["steps"].values()

    @property
    def outcomes(self) -> tuple[str, ...]:
        """The possible outcomes of the test.

        Raises:
            TreeError: the test is incomplete or contradicts itself.
        """
        if [bool(self.ask), bool(self.measure), bool(self.use)].count(True) != 1:
            raise TreeError(
                "The test must be exactly one of: a question, a reading, a shared procedure.",
                remedy="Give --ask, --measure or --use.",
            )
        if self.use:
            return self.exits
        if self.ask:
            if not self.shows or not self.fine or self.shows == self.fine:
                raise TreeError(
                    "A question needs two answers: that of the fault, and that of a good unit.",
                    remedy="Give --shows and --fine, as in --shows loose --fine firm.",
                )
            return (self.fine, self.shows)
        if not self.limits:
            raise TreeError(
                "A reading needs its limits.", remedy="Give --min, --max or --nominal, --tolerance."
            )
        return outcomes_of(self.limits)

    @property
    def bad(self) -> str:
        """The outcome that leads to the fault.

        Raises:
            TreeError: the outcome is missing, or the reading is inside the limits.
            ReadingError: limits or reading cannot be understood.
        """
        outcomes = self.outcomes
        shown = self.shows
        if self.measure and not shown:
            if not self.reading:
                raise TreeError(
                    "The reading of the meter is missing.", remedy="Give --reading, or --shows low."
                )
            limits = resolve_limits(self.limits)
            reading = parse_quantity(self.reading, limits.place)
            shown = judge(reading, limits).outcome
        if self.use and not shown:
            remedy = f"Give --exit: {', '.join(outcomes)}."
            raise TreeError(
                f"The exit of `{self.use}` that the fault takes is missing.", remedy=remedy
            )
        if shown not in outcomes:
            raise TreeError(
                f"The test cannot show `{shown}`.", remedy=f"It shows {', '.join(outcomes)}."
            )
        if shown == "inside":
            raise TreeError(
                f"The reading {self.reading} is inside these limits: it shows no fault.",
                remedy="Check the limits; the reading of the faulty unit must be outside them.",
            )
        return shown

    @property
    def unsaid(self) -> tuple[str, ...]:
        """Exits other than a good unit's that lead onward because no target was given."""
        if not self.exits:
            return ()
        told = {self.bad, self.good, *self.leads}
        return tuple(name for name in self.exits if name not in told)

    @property
    def good(self) -> str:
        """The outcome of a good unit.

        Raises:
            TreeError: there are several bands or exits, and the good one is not given.
        """
        others = [outcome for outcome in self.outcomes if outcome != self.bad]
        if "inside" in others:
            return "inside"
        if self.fine in others:
            return self.fine
        if self.use and GOOD in others and not self.fine:
            return GOOD
        if len(others) == 1:
            return others[0]
        what = "exits is that of a good unit" if self.use else "bands is a good reading"
        message = f"It is not given which of the {what}."
        raise TreeError(message, remedy=f"Give --fine: {', '.join(others)}.")


TARGETS = {"ask": "answers", "measure": "results", "use": "exits"}


def step_of(test: Test, fault: str, onward: str) -> dict[str, Any]:
    """The test as a step of a tree file: the bad outcome leads to the fault, all others onward."""
    bad = test.bad
    targets = {outcome: test.leads.get(outcome, onward) for outcome in test.outcomes}
    targets[bad] = fault
    said: dict[str, Any] = {
        test.kind: test.told,
        "part": test.given.get("part"),
        "with": {name: value for name, value in test.given.items() if name != "part"},
        "how": test.how,
        "access": list(test.access),
        "after": list(test.after),
        "live": test.live or None,
        "in_circuit": test.in_circuit,
        "cautions": list(test.cautions),
        "needs": list(test.needs),
        "minutes": test.minutes,
        "limits": dict(test.limits) if test.measure else None,
        TARGETS[test.kind]: targets,
    }
    return {
        key: value for key, value in said.items() if value is not None and value not in ("", [], {})
    }


def same_title(tree: Tree, title: str) -> str | None:
    """The fault with this id or title, capitals and spaces aside; None if there is none."""
    if title in tree.faults:
        return title
    wanted = " ".join(title.casefold().split())
    same = (f.id for f in tree.faults.values() if " ".join(f.title.casefold().split()) == wanted)
    return next(same, None)


def new_id(text: str, taken: Container[str]) -> str:
    """A kebab-case id made from a text that is not in ``taken``."""
    owned = re.sub(r"['’]s\b", "", text)
    plain = unicodedata.normalize("NFKD", owned).encode("ascii", "ignore").decode().lower()
    words = [word for word in re.findall(r"[a-z0-9]+", plain) if word not in ARTICLES]
    while len(words) > 1 and words[0] in ASKING:
        del words[0]
    base = ""
    for word in words:
        if base and len(base) + len(word) >= LONGEST_ID:
            break
        base = f"{base}-{word}".strip("-")
    base = base[:LONGEST_ID].strip("-") or "new"
    return free_id(base, taken)
