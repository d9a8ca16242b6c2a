"""What the unit is: properties asked before a step depends on them, and set at any time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.errors import WalkError
from faulttree.terminal import screens
from faulttree.walk.block_text import block_text
from faulttree.walk.follow_up import fact_given, known_answer
from faulttree.walk.unit_state import NOT_KNOWN

if TYPE_CHECKING:
    from faulttree.terminal.open_case import BenchSession
    from faulttree.tree.model import Property

__all__ = ["answer_known", "choose_value", "give_fact", "offer_facts", "show_property"]


def show_property(sitting: BenchSession, known: Property) -> None:
    """Show a property with its values by number; ``not-known`` is the last."""
    width = sitting.console.width
    sitting.console.show(screens.heading(sitting.state, f"the unit · {known.id}", width))
    sitting.console.show(screens.labelled("UNIT", known.ask or known.id, width, style="title"))
    for number, value in enumerate((*known.values, NOT_KNOWN), 1):
        sitting.console.show(screens.labelled("", f"{number} {value}", width))


def choose_value(known: Property, typed: str) -> str:
    """The value that was typed, by its number, its name or its first letters."""
    values = (*known.values, NOT_KNOWN)
    text = typed.strip().casefold()
    if text.isdecimal() and 1 <= int(text) <= len(values):
        return values[int(text) - 1]
    exact = [value for value in values if value.casefold() == text]
    begun = [value for value in values if text and value.casefold().startswith(text)]
    return exact[0] if exact else begun[0] if len(begun) == 1 else typed


def give_fact(sitting: BenchSession, name: str, typed: str) -> None:
    """Keep what somebody says the unit is; complain where the tree does not know the words."""
    known = sitting.state.tree.properties.get(name)
    value = choose_value(known, typed) if known is not None else typed
    try:
        fact = fact_given(sitting.state, name, value, at=sitting.now)
    except WalkError as error:
        sitting.complain(error)
        return
    sitting.journal.add(fact)
    sitting.say(f"The unit: {fact.name} {fact.value}.")


def offer_facts(sitting: BenchSession) -> bool:
    """Ask once more for what stands in the way of power; True where it is known now."""
    state = sitting.state
    if state.block is None or state.block.cause != "not-known":
        return False
    sitting.say(block_text(state), "warning")
    known = state.tree.properties[state.block.names[0]]
    if not sitting.yes(f"Is '{known.id}' known by now?"):
        return False
    show_property(sitting, known)
    text = sitting.console.ask(f"{known.id} › ", (*known.values, NOT_KNOWN), sitting.status)
    give_fact(sitting, known.id, text)
    return sitting.state.block != state.block


def answer_known(sitting: BenchSession) -> bool:
    """Answer a step by the property that is known; False where it must be asked."""
    event = known_answer(sitting.state, at=sitting.now)
    if event is None:
        return False
    sitting.answer(event)
    sitting.say(f"{event.step}: {event.outcome}, known ({event.fact}).")
    return True
