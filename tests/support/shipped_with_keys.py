"""The safety keys, added by rule to trees that say their safety in words.

:func:`with_keys` takes a tree as plain data and writes as keys what its texts say already. Its
questions, limits, faults and remedies stay. The rules, each by the text or the place alone:

- **before_power**: the only step that uses ``look-over``, ``before-power`` or
  ``insulation-test`` becomes an entry, in the order of the file; its first exit passes, the
  others lead where they led. What led to the step leads to what followed it; ``after`` no longer
  names it. A tree that uses none of them gets no entry.
- **properties**: ``protection-class`` and ``supply`` in each tree with the caution ``mains``. An
  ``ask`` step whose answers are all values of one property answers that property.
- **exposes, close**: a state whose name says that a cover, housing, lid, back, body, head, drum,
  box, shield or case is off or open exposes voltage in a tree on the mains, and charge where its
  cautions say ``stored-charge``. Its minutes are divided between opening and closing.
- **stores**: the parts that a discharge names, by the first word of each; a pack (kind
  battery) where a step makes its cells known. Figures come from the test of the part.
- **discharges, proves_dead**: a use of ``safe-discharge`` does both, for its parts and the mains.
  A ``do`` step that says discharge does the first, and a reading of the voltage left the second.
  A step whose ``how`` begins with unplugging, or says that the plug is out, proves the mains dead.
- **on**: an unpowered reading in an exposing state is on all capacitors, and on the mains where
  another step powers the unit in that state and the step itself does not say unplug.
- **charges, loads, cells_known**: in a tree with a battery, steps that put it on a charger charge
  it, powered ones else only the capacitors; a reading of current drawn or of sag loads it; a use of
  ``cell-by-cell``, or a reading of the voltage of the cell, makes its cells known.
- **normal**: at an ``ask`` whose first answer leads to a fault, the first answer that leads on.
- **seen_at**: the tests that share a word with a symptom.
- **good**: the readings of good units, where ``source`` gives two figures of them.
- **basis**: by the words of ``source``: a standard, common practice, the shop,
  a formula, else asked.
- **checks**: procedures named for safety check safety, those named for a soak check function.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from copy import deepcopy
from typing import Any

from faulttree.tree import shipped_library

__all__ = ["with_keys"]

Data = dict[str, Any]

BEFORE_POWER = ("look-over", "before-power", "insulation-test")
OPENED = re.compile(
    r"(cover|housing|lid|back|body|head|drum|box|shield|case)-(off|open)|closed-off"
)
UNPLUGGED = re.compile(r"^\W*(cold and )?unplug|plug(s)? out|leads out", re.IGNORECASE)
COMMON_WORDS = frozenset(
    ("does", "with", "when", "only", "that", "this", "from", "after", "under", "held", "good")
)


def with_keys(bundle: Mapping[str, Any]) -> Data:
    """The plain data of a tree, as :func:`faulttree.tree.assemble` takes it, with the keys added.

    Args:
        bundle: a tree without the keys, as ``Tree.bundle`` holds it. It is not changed.

    Example:
        >>> bundle = with_keys(shipped_library().load("bench-supply/no-output").bundle)
        >>> [entry["use"] for entry in bundle["tree"]["before_power"]]
        ['look-over', 'before-power']
    """
    if "before_power" in bundle["tree"]:
        return dict(bundle)  # its author has said it already
    changed = deepcopy(dict(bundle))
    changed["properties"] = dict(shipped_library().properties)
    tree, procedures = changed["tree"], changed["procedures"]
    for procedure in procedures.values():
        say_what_is_checked(procedure)
        basis(procedure["steps"])
    move_before_power(tree, procedures)
    properties(tree)
    states(tree)
    stores(tree)
    for name, step in tree["steps"].items():
        touch(tree, step)
        battery(tree, name, step)
        normal(tree, step)
    seen_at(tree)
    basis(tree["steps"])
    return changed


def text_of(step: Data) -> str:
    """What a step asks, measures, does or uses, and the part it is about."""
    found = [step.get(key, "") for key in ("ask", "measure", "do", "use", "part")]
    return " ".join(str(one) for one in found if one)


def targets_of(step: Data) -> Data:
    """The key of a step that holds its targets, by outcome."""
    for key in ("answers", "results", "exits"):
        if key in step:
            targets: Data = step[key]
            return targets
    return {}


def is_live(step: Data) -> bool:
    return bool(step.get("live"))


def on_mains(tree: Data) -> bool:
    return "mains" in tree.get("cautions", ())


# -- before power -------------------------------------------------------------------------------


def move_before_power(tree: Data, procedures: Data) -> None:
    """Steps that use a check before power become entries of ``before_power``."""
    steps, entries = tree["steps"], dict[str, Data]()
    moved: dict[str, str] = {}
    uses = Counter(step.get("use") for step in steps.values())
    for name in [
        one
        for one, step in steps.items()
        if step.get("use") in BEFORE_POWER and uses[step["use"]] == 1
    ]:
        step = steps.pop(name)
        passes, *others = procedures[step["use"]]["exits"]
        redirect(tree, name, step["exits"][passes])
        exits = {exit_: step["exits"][exit_] for exit_ in others if exit_ in step["exits"]}
        kept = {key: step[key] for key in ("part", "with") if key in step}
        entries.setdefault(step["use"], {"use": step["use"], **kept, "exits": exits})
        moved[name] = f"before-power.{step['use']}"
    if entries:
        tree["before_power"] = list(entries.values())
        rename(tree, moved)


def redirect(tree: Data, old: str, new: str) -> None:
    """All that led to one place leads to another."""
    if tree["start"] == old:
        tree["start"] = new
    for step in tree["steps"].values():
        targets = targets_of(step)
        targets.update({outcome: new for outcome, to in targets.items() if to == old})
        if step.get("then") == old:
            step["then"] = new


def rename(tree: Data, moved: Mapping[str, str]) -> None:
    """What names a moved step names the entry; ``after`` leaves it out."""

    def named(name: str) -> str:
        first, dot, rest = name.partition(".")
        return f"{moved[first]}{dot}{rest}" if first in moved else name

    for step in tree["steps"].values():
        if "after" in step:
            step["after"] = [one for one in step["after"] if one.split(".")[0] not in moved]
    for fault in tree["faults"].values():
        if "confirm" in fault:
            fault["confirm"]["step"] = named(fault["confirm"]["step"])
        if "signs" in fault:
            fault["signs"] = {named(step): gives for step, gives in fault["signs"].items()}


# -- what the unit is ---------------------------------------------------------------------------


def properties(tree: Data) -> None:
    """What the unit is: declared for the mains, answered where a step asks for it."""
    known = shipped_library().properties
    if on_mains(tree):
        tree["properties"] = {"protection-class": {}, "supply": {}}
    for step in tree["steps"].values():
        answers = set(step.get("answers", ()))
        for name, one in known.items():
            if len(answers) > 1 and answers <= set(one["values"]):
                step["property"] = name
                tree.setdefault("properties", {}).setdefault(name, {})


def states(tree: Data) -> None:
    """What a state exposes, and how it is closed."""
    listed = tree.get("access", {})
    for name, state in listed.items():
        if not OPENED.fullmatch(name) or not on_mains(tree):
            continue
        charged = "stored-charge" in state.get("cautions", ())
        state["exposes"] = ["voltage", "charge"] if charged else ["voltage"]
        same = [one["how"] for one in listed.values() if one.get("group") and one is not state]
        group = state.get("group") is not None and bool(same)
        how = same[0] if group else "Put back what was taken off, all screws in."
        minutes = state.get("minutes", 0)
        state["close"] = {"minutes": minutes / 2, "how": how}
        state["minutes"] = minutes / 2


# -- what holds energy --------------------------------------------------------------------------


def parts_of(step: Data) -> list[str]:
    """The parts that a discharge names, by their first word."""
    text = step.get("part", "") or re.sub(r"^.*discharge | through .*$", "", step.get("do", ""))
    parts = []
    for part in text.split(" and "):
        words = re.sub(r"\b(the|both|all|a|an|\w+'s|capacitors?)\b", " ", part).split()
        parts.append(words[0] if words else "capacitor")
    return parts


def is_discharge(step: Data) -> bool:
    return step.get("use") == "safe-discharge" or "discharge" in step.get("do", "").lower()


def stores(tree: Data) -> None:
    """The parts that hold energy, and the steps that discharge them."""
    found: Data = {}
    for step in tree["steps"].values():
        if is_discharge(step):
            names = parts_of(step)
            found.update({name: figures(tree, name) for name in names if name not in found})
            step["discharges"] = names
            if step.get("use") == "safe-discharge":
                step["proves_dead"] = [*names, "mains"] if on_mains(tree) else names
    if any(tells_cells(step) for step in tree["steps"].values()):
        found["pack"] = {"kind": "battery"}
    if found:
        tree["stores"] = found


def tells_cells(step: Data) -> bool:
    """Whether a step reads the cells of a battery."""
    measured = re.search(r"voltage of .*\bcells?\b", step.get("measure", ""), re.IGNORECASE)
    return step.get("use") == "cell-by-cell" or measured is not None


def figures(tree: Data, name: str) -> Data:
    """Capacitance and voltage of a store, as the test of the part is given them."""
    for step in tree["steps"].values():
        given = step.get("with", {})
        if "capacitance" in given and name in step.get("part", ""):
            voltage = {"voltage": given["rated"]} if "rated" in given else {}
            return {"capacitance": given["capacitance"], **voltage}
    return {}


def touch(tree: Data, step: Data) -> None:
    """What a reading is on, and what a step proves dead."""
    how, listed = step.get("how", ""), tree.get("stores", {})
    unplugs = bool(UNPLUGGED.search(how) or UNPLUGGED.search(step.get("do", "")))
    if on_mains(tree) and unplugs and not is_live(step):
        step.setdefault("proves_dead", ["mains"])
    if re.match(r"(Residual v|V)oltage (left|standing)", step.get("measure", "")):
        step["proves_dead"] = [*step.get("proves_dead", ()), *capacitors(listed)]
    if is_live(step) or is_discharge(step) or "do" in step or not opened(tree, step):
        return
    if "needs" not in step and "use" not in step:
        return
    touched = [name for name in capacitors(listed) if name not in step.get("proves_dead", ())]
    if on_mains(tree) and powered_open(tree, step) and not unplugs:
        touched.append("mains")
    if touched:
        step["on"] = touched


def capacitors(listed: Data) -> list[str]:
    return [name for name, store in listed.items() if store.get("kind") != "battery"]


def opened(tree: Data, step: Data) -> list[str]:
    """The exposing states that a step names."""
    states = tree.get("access", {})
    return [name for name in step.get("access", ()) if states[name].get("exposes")]


def powered_open(tree: Data, step: Data) -> bool:
    """Whether another step powers the unit in a state that this one is done in."""
    live = {name for one in tree["steps"].values() if is_live(one) for name in opened(tree, one)}
    return bool(live.intersection(opened(tree, step)))


def battery(tree: Data, name: str, step: Data) -> None:
    """What a step does to the pack."""
    if "pack" not in tree.get("stores", {}):
        return
    said = f"{name} {text_of(step)}".lower()
    if tells_cells(step):
        step["cells_known"] = ["pack"]
    charges = "measure" not in step and re.search(r"\bcharger?\b|on charge", said) is not None
    if is_live(step) or charges:
        step["charges"] = [*capacitors(tree["stores"]), *(["pack"] if charges else [])]
    if re.search(r"\bsag|drawn|under load|current .*tool", said) and "use" not in step:
        step["loads"] = ["pack"]


# -- what is seen, and what is normal -----------------------------------------------------------


def normal(tree: Data, step: Data) -> None:
    """The outcome of a good unit, where it is not the first answer."""
    answers = step.get("answers", {})
    first = next(iter(answers.values()), "")
    if first in tree["faults"]:
        onward = [outcome for outcome, to in answers.items() if to in tree["steps"]]
        if onward:
            step["normal"] = onward[0]


def seen_at(tree: Data) -> None:
    """The tests that share a word with a symptom."""
    listed: list[Any] = []
    for symptom in tree.get("symptoms", ()):
        entry = dict(symptom) if isinstance(symptom, dict) else {"text": symptom}
        wanted = set(stems(entry["text"]))
        steps = [
            name
            for name, step in tree["steps"].items()
            if wanted & set(stems(f"{name} {text_of(step)} {' '.join(targets_of(step))}"))
        ]
        listed.append({**entry, "seen_at": steps} if steps else entry)
    if listed:
        tree["symptoms"] = listed


def stems(text: str) -> Iterator[str]:
    """The first four letters of each long word."""
    for word in re.findall(r"[a-z]{4,}", text.lower()):
        if word not in COMMON_WORDS:
            yield word[:4]


# -- limits and procedures ----------------------------------------------------------------------

BASIS = {
    "standard": r"\b(IEC|EN|ISO|USB|ATX|Ethernet)\b",
    "practice": r"common practice|no source",
    "shop": r"\bshop\b|\bbench\b",
    "formula": r"[=²]|\bcopper\b|divided|times|less losses",
}

GOOD = re.compile(r"^([\d.]+) to ([\d.]+) ([a-zA-ZµΩ]+) on \w+ good ")


def basis(steps: Data) -> None:
    """What a limit rests on, by the words of its source."""
    for step in steps.values():
        limits = step.get("limits")
        if isinstance(limits, dict) and "source" in limits and "basis" not in limits:
            source = limits["source"]
            fitting = (name for name, words in BASIS.items() if re.search(words, source))
            limits["basis"] = next(fitting, "asked")
            good = GOOD.search(source)
            if good and ("min" in limits or "max" in limits):
                limits["good"] = [f"{good[1]} {good[3]}", f"{good[2]} {good[3]}"]


def say_what_is_checked(procedure: Data) -> None:
    """A procedure for safety checks safety, a soak test checks function."""
    name = procedure["procedure"]
    if "soak" in name:
        procedure.setdefault("checks", "function")
    elif "safety" in name or name in ("polarity", "earth-path", *BEFORE_POWER):
        procedure.setdefault("checks", "safety")
