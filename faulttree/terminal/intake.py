"""Taking a unit in: what is it, what is said to be wrong, which values differ by model."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from faulttree.errors import FaulttreeError
from faulttree.reading import parse_quantity
from faulttree.terminal import screens
from faulttree.texts import pick

if TYPE_CHECKING:
    from collections.abc import Callable

    from faulttree.terminal.console import Console
    from faulttree.tree.model import Rating, Tree

__all__ = ["take_in"]


def take_in(
    console: Console,
    tree: Tree,
    given: dict[str, Any],
    identified: Callable[[str], None] = lambda serial: None,
) -> dict[str, Any]:
    """Ask for what was not given; Enter leaves a question open.

    Args:
        console: where it is asked.
        tree: the tree that the unit is walked on.
        given: what is known already: ``unit``, ``complaint``, ``owner_words``, ``who``.
        identified: told the serial or tag as soon as it is known, before any other question.

    Returns:
        ``unit``, ``complaint``, ``owner_words``, ``who`` and ``ratings`` for the opening.

    Raises:
        AwayError: the technician left before a case was opened.
    """
    width = console.width
    console.show(screens.text_lines(tree.title, width, style="title"))
    unit = {"family": tree.family, **given.get("unit", {})}
    listed = [one.models for one in tree.ratings.values()]
    listed += [one.models for one in tree.properties.values()]
    models = sorted({model for models in listed for model in models})
    if "serial" not in unit:
        _put(unit, "serial", console.ask("Serial number or tag (Enter: none) › "))
    if unit.get("serial"):
        identified(unit["serial"])
    if "model" not in unit:
        known = f" (known: {', '.join(models)})" if models else ""
        _put(unit, "model", console.ask(f"Model{known} (Enter: unknown) › ", models))
    complaint = given.get("complaint") or _complaint(console, tree)
    owner = given.get("owner_words") or console.ask("In the owner's words (Enter: as above) › ")
    ratings = {
        rating.id: value
        for rating in tree.ratings.values()
        if unit.get("model") not in rating.models and (value := _value(console, rating)) is not None
    }
    return {
        "unit": unit,
        "complaint": complaint,
        "owner_words": owner,
        "who": given.get("who", ""),
        "ratings": ratings,
    }


def _put(unit: dict[str, str], key: str, value: str) -> None:
    if value:
        unit[key] = value


def _complaint(console: Console, tree: Tree) -> str:
    symptoms = [symptom.text for symptom in tree.symptoms]
    for number, text in enumerate(symptoms, 1):
        console.show([[("label", f"{number:>2} "), ("", text)]])
    if not symptoms:
        return console.ask("Complaint, in a few words › ")
    typed = console.ask("Complaint: number or words (Enter: 1) › ", symptoms)
    return symptoms[0] if not typed else pick(typed, symptoms) or typed


def _value(console: Console, rating: Rating) -> str | None:
    """A value that differs by model and is not known for this one; Enter leaves it open."""
    question = rating.ask or f"{rating.id} of this model"
    while True:
        typed = console.ask(f"{question} in {rating.unit} (Enter: not known) › ")
        if not typed:
            return None
        try:
            parse_quantity(typed, rating.unit)
        except FaulttreeError as error:
            console.show(screens.text_lines(f"✗ {error.message}", console.width, style="bad"))
        else:
            return typed
