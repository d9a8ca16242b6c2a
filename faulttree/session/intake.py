"""Taking a unit in: which one it is, and what is said to be wrong with it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from faulttree.reading import Bench
from faulttree.session.model import (
    Accepted,
    Ask,
    Carry,
    Choice,
    Message,
    Position,
    Prompt,
    PromptId,
    Reply,
    Result,
)
from faulttree.texts import pick
from faulttree.walk import events as ev

if TYPE_CHECKING:
    from collections.abc import Iterator

    from faulttree.session.model import Context
    from faulttree.tree.model import Tree

__all__ = ["begin_intake", "first_question", "known_models", "read_intake", "taken_in"]

DRAFT = "draft"
"""What a case is called before it is opened."""

TOLD = ("model", "serial", "complaint", "owner_words", "who", "linked")
"""What can be known before anything is asked."""

ACTIONS = ("back", "pause", "?")


def read_intake(line: str, models: Sequence[str] = ()) -> dict[str, str]:
    """The unit and the complaint that one line tells.

    Left of the first colon stand the model and the tag: the longest known model, and what is left
    over is the tag. A model that is not known is understood where the word "tag" follows it.

    Args:
        line: what was typed, such as ``two-channel tag 14: hums``.
        models: the models that are known, in any order.

    Returns:
        ``model``, ``serial`` and ``complaint``, as far as the line tells them.

    Example:
        >>> read_intake("two-channel tag 14: hums", ["two", "two-channel"])
        {'model': 'two-channel', 'serial': 'tag 14', 'complaint': 'hums'}
    """
    unit, complaint = (" ".join(part.split()) for part in line.partition(":")[::2])
    named = "|".join(re.escape(one) for one in sorted(models, key=len, reverse=True) if one)
    found = re.search(rf"(?<!\S)(?:{named})(?!\S)", unit, re.IGNORECASE) if named else None
    found = found or re.match(r"\S.*?(?= tag\b)", unit, re.IGNORECASE)
    model = found[0] if found else ""
    model = next((one for one in models if one.casefold() == model.casefold()), model)
    serial = " ".join((unit[: found.start()] + unit[found.end() :]).split()) if found else unit
    told = {"model": model, "serial": serial, "complaint": complaint}
    return {name: value for name, value in told.items() if value}


def known_models(tree: Tree) -> list[str]:
    """The models that a tree knows something of, by name."""
    listed = [one.models for one in tree.ratings.values()]
    listed += [one.models for one in tree.properties.values()]
    return sorted({model for models in listed for model in models})


def begin_intake(tree: Tree, context: Context, known: Mapping[str, str]) -> Ask | Accepted:
    """What is asked first of a unit; the opening event where all is known already.

    Args:
        tree: the tree that the unit is walked on.
        context: the world as the face sees it.
        known: what is known already, by the names in :data:`TOLD`.
    """
    values = {name: (known[name],) for name in TOLD if known.get(name)}
    return _next(Position(tree, DRAFT, ()), context, Carry("intake", values))


def first_question(tree: Tree) -> Prompt:
    """What is asked of a unit of which nothing is known."""
    return _prompt(Carry("intake", {}), "unit", _unit_question(tree), _symptoms(tree))


def taken_in(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """An answer about the unit; nothing is recorded before all is asked.

    Values that differ by model are asked at the first step that needs them.
    """
    assert prompt.carry is not None
    tree, asked = position.tree, prompt.id.subject
    text = " ".join((given.choice or given.text).split())
    values = {**prompt.carry.values, "asked": (*prompt.carry.values.get("asked", ()), asked)}
    if asked == "unit":
        values |= {name: (one,) for name, one in read_intake(text, known_models(tree)).items()}
    else:
        values["complaint"] = (text,)
    return _next(position, context, Carry("intake", values))


def _next(position: Position, context: Context, carry: Carry) -> Ask | Accepted:
    """The next question about the unit, or the opening event."""
    tree, asked = position.tree, carry.values.get("asked", ())
    serial = carry.one("serial")
    new = serial and not carry.one("told") and not carry.one("linked")
    told = tuple(_here_before(context, serial)) if new else ()
    if serial:
        carry = Carry("intake", {**carry.values, "told": ("yes",)})
    if not carry.one("model") and not serial and "unit" not in asked:
        return Ask(_prompt(carry, "unit", _unit_question(tree), _symptoms(tree)))
    if not carry.one("complaint") and "complaint" not in asked:
        symptoms = _symptoms(tree)
        text = "Complaint: number or words (Enter: 1)" if symptoms else "Complaint, in a few words"
        return Ask(_prompt(carry, "complaint", text, symptoms, told))
    return Accepted((_opened(tree, context, carry),), told)


def _prompt(
    carry: Carry,
    subject: str,
    text: str,
    choices: tuple[Choice, ...],
    told: tuple[Message, ...] = (),
) -> Prompt:
    part = "/".join(f"{name}={'|'.join(values)}" for name, values in carry.values.items())
    return Prompt(
        PromptId(DRAFT, 0, "intake", subject, part),
        text,
        choices=choices,
        carry=carry,
        actions=ACTIONS,
        messages=told,
    )


def _unit_question(tree: Tree) -> str:
    models = known_models(tree)
    known = f"models: {', '.join(models)}; " if models else ""
    return f"Unit and complaint, as in 'MODEL tag 14: WORDS' ({known}Enter: not known)"


def _symptoms(tree: Tree) -> tuple[Choice, ...]:
    return tuple(Choice(one.text, one.text) for one in tree.symptoms)


def _opened(tree: Tree, context: Context, carry: Carry) -> ev.Opened:
    said = carry.one("complaint")
    symptoms = [one.text for one in tree.symptoms]
    meant = (pick(said, symptoms) if said else next(iter(symptoms), "")) or said
    owner = carry.one("owner_words")
    if not owner and said != meant and not said.isdecimal():
        owner = said
    unit = {"family": tree.family, "serial": carry.one("serial"), "model": carry.one("model")}
    return ev.Opened(
        at=context.now,
        tree=tree.id,
        tree_hash=tree.hash,
        unit={name: value for name, value in unit.items() if value},
        complaint=meant,
        owner_words=owner,
        who=carry.one("who"),
        priors=context.priors(),
        linked=carry.one("linked"),
        mains=context.bench.mains if context.bench is not None else {},
        usually_normal=(context.bench or Bench()).usually_normal,
    )


def _here_before(context: Context, serial: str) -> Iterator[Message]:
    """What the record knows of the unit with this serial or tag, the newest first."""
    for case in context.lookup.earlier(serial) if context.lookup else ():
        if case.state == "open":
            how = (
                f"; {context.resume.format(case.number)} goes on with it" if context.resume else ""
            )
            text = f"'{serial}' already has an open case, case {case.number}{how}."
        else:
            what = " ".join(filter(None, [case.result, case.fault]))
            text = f"'{serial}' was here before: case {case.number}, {case.opened[:10]}, {what}"
            text += ", and came back since." if case.came_back else "."
        yield Message(text, "warning")
