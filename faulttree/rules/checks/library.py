"""Rules that compare the trees of a library with each other and with what they share."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from faulttree.errors import TreeError
from faulttree.rules.accepted import entries_of
from faulttree.rules.registry import all_rules
from faulttree.tree import ExaminedFile, Library, Tree, Where
from faulttree.tree.finding import Edit, Finding, near, respelling

Place = list[Any]
"""What `place` of :func:`facts_of` gives, as plain data."""

Facts = Mapping[str, Any]
"""What :func:`facts_of` gives: plain data, so that it can be kept between runs."""


def facts_of(tree: Tree, examined: ExaminedFile) -> Facts:
    """What comparing trees needs to know of one."""
    document = examined.documents.get("tree")

    def place(*keys: str | int, of_key: bool = False) -> Place:
        """Keys, path, line, column and source line."""
        found = Finding(Where("tree", keys), "", of_key=of_key).located(document)
        return [list(keys), found.path, found.line or 1, found.column or 1, found.source]

    return {
        "id": tree.id,
        "title": [tree.title, place("title")],
        "family": [tree.family, place("family")],
        "modules": [[name, place("modules", n)] for n, name in enumerate(tree.modules)],
        "symptoms": [symptom.text for symptom in tree.symptoms],
        "faults": [
            [
                fault.id,
                fault.module or "",
                fault.title,
                fault.part,
                place("faults", fault.id, of_key=True),
                place("faults", fault.id, "module"),
            ]
            for fault in tree.faults.values()
        ],
        "safety": sorted({use.procedure for use in tree.uses.values() if use.checks == "safety"}),
        "closing": place("closing" if tree.closing else "family", of_key=True),
        "uses": sorted({use.procedure for use in tree.uses.values()}),
        "see": [
            [stop.see, place("stops", stop.id, "see")] for stop in tree.stops.values() if stop.see
        ],
        "accepted": [
            [rule, at, place("accepted", number)]
            for number, rule, at in entries_of(examined.data)
            if (known := all_rules().get(rule)) is not None and known.family == "library"
        ],
    }


def compare(library: Library, facts: Sequence[Facts]) -> Iterator[Finding]:
    """Everything found by comparing the trees of one library, what is accepted left out."""
    accepted = {one["title"][1][1]: one["accepted"] for one in facts}
    used: set[tuple[str, int]] = set()
    for check in CHECKS:
        for finding in check(library, facts):
            matching = [
                (finding.path, number)
                for number, (rule, at, _) in enumerate(accepted.get(finding.path, ()))
                if rule == finding.rule and at in ("", finding.at)
            ]
            used.update(matching)
            if not matching:
                yield finding
    for path, entries in accepted.items():
        for number, (rule, at, place) in enumerate(entries):
            if (path, number) not in used:
                beside = f" at `{at}`" if at else ""
                message = f"`{rule}` finds nothing{beside}."
                yield _finding("accepted-for-nothing", message, "Take this entry out.", place)


def _finding(
    rule: str, message: str, remedy: str, place: Place, edit: Edit | None = None
) -> Finding:
    keys, path, line, column, source = place
    level, where = all_rules()[rule].level, Where("tree", tuple(keys))
    return Finding(where, message, remedy, False, rule, level, edit, path, line, column, source)


def _duplicate_titles(library: Library, facts: Sequence[Facts]) -> Iterator[Finding]:
    first: dict[str, str] = {}
    for one in facts:
        title, place = one["title"]
        known = first.setdefault(" ".join(title.casefold().split()), one["id"])
        if known != one["id"]:
            yield _finding(
                "duplicate-title",
                f"The tree `{known}` has the same title.",
                "Say in the title what sets this one apart.",
                place,
            )


def _one_cause(library: Library, facts: Sequence[Facts]) -> Iterator[Finding]:
    first: dict[tuple[str, str], tuple[str, str, str]] = {}
    for one in facts:
        for name, module, title, part, place, _ in one["faults"]:
            known = first.setdefault((module or one["family"][0], name), (one["id"], title, part))
            differs = [
                word
                for word, here, there in (("title", title, known[1]), ("part", part, known[2]))
                if here.casefold() != there.casefold()
            ]
            if differs:
                yield _finding(
                    "one-cause-two-names",
                    f"The {' and '.join(differs)} of `{name}` in {module or one['family'][0]} "
                    f"differ from those in `{known[0]}`."
                    if len(differs) > 1
                    else f"The {differs[0]} of `{name}` in {module or one['family'][0]} "
                    f"differs from that in `{known[0]}`.",
                    "Say the same of the same cause, or give this one another id.",
                    place,
                )


PLAIN = re.compile(r"[^a-z0-9]|s(?=-|$)")


def _modules(library: Library, facts: Sequence[Facts]) -> Iterator[Finding]:
    """A spelling that differs from a commoner one by hyphens or a plural only."""
    places: dict[str, list[Place]] = defaultdict(list)
    for one in facts:
        for name, place in one["modules"]:
            places[name].append(place)
        for _, module, _, _, _, place in one["faults"]:
            if module:
                places[module].append(place)
    alike: dict[str, list[str]] = defaultdict(list)
    for name in places:
        alike[PLAIN.sub("", name)].append(name)
    for names in alike.values():
        common, *others = sorted(names, key=lambda name: (-len(places[name]), name))
        for name in others:
            for place in places[name]:
                yield _finding(
                    "module-spelt-twice",
                    f"The module `{name}` is spelt `{common}` elsewhere.",
                    f"Write `{common}`.",
                    place,
                    respelling(name, common),
                )


def _unlisted_modules(library: Library, facts: Sequence[Facts]) -> Iterator[Finding]:
    for one in facts:
        listed = {name for name, _ in one["modules"]}
        for name, module, _, _, _, place in one["faults"]:
            if module and listed and module not in listed:
                yield _finding(
                    "module-not-listed",
                    f"`modules` does not list `{module}`, to which `{name}` belongs.",
                    f"Add `{module}` to `modules`.",
                    place,
                )


def _unused_procedures(library: Library, facts: Sequence[Facts]) -> Iterator[Finding]:
    if not facts or library.is_shipped:
        return
    used = {name for one in facts for name in one["uses"]}
    folder = library.root / "shared" / "procedures"
    for path in sorted(folder.glob("*.yaml")):
        if path.stem not in used:
            yield _finding(
                "procedure-unused",
                f"No tree uses the procedure `{path.stem}`.",
                "Use it, or take it out.",
                [[], str(path), 1, 1, ""],
            )


def _weaker_cautions(library: Library, _: Sequence[Facts]) -> Iterator[Finding]:
    """Cautions that replace one beneath and warn less."""
    from faulttree.tree.layers import weaker_cautions

    path = library.root / "shared" / "cautions.yaml"
    for name, line, source, over in weaker_cautions(library):
        message = f"The caution `{name}` has a weaker signal word than that of {over}."
        remedy = "Keep the signal word, or give the new caution a name of its own."
        yield _finding("weaker-caution", message, remedy, [[name], str(path), line, 1, source])


def _see(library: Library, facts: Sequence[Facts]) -> Iterator[Finding]:

    known = {one["id"] for one in facts} | set(library.trees())
    for one in facts:
        for see, place in one["see"]:
            if see not in known:
                remedy = near(see, known) or "Name a tree of the library."
                message = f"The library has no tree `{see}`."
                yield _finding("see-leads-nowhere", message, remedy, place)


def _complaints(library: Library, facts: Sequence[Facts]) -> Iterator[Finding]:
    """Complaints of ``shared/families.yaml`` that no tree of the family takes up."""
    from faulttree.tree.document import parse

    path = library.root / "shared" / "families.yaml"
    if not path.is_file():
        return
    document = parse(path.read_text(encoding="utf-8", errors="replace"), path=path)
    taken: dict[str, str] = defaultdict(str)
    for one in facts:
        words = " | ".join([one["title"][0], one["id"].replace("-", " "), *one["symptoms"]])
        taken[one["family"][0]] += f" | {words.casefold()}"
    for family, entry in document.data.items() if isinstance(document.data, dict) else ():
        listed = entry.get("complaints") if isinstance(entry, Mapping) else None
        for number, complaint in enumerate(listed if isinstance(listed, list) else ()):
            if isinstance(complaint, str) and complaint.casefold() not in taken[family]:
                line, column = document.place((family, "complaints", number))
                yield _finding(
                    "complaint-without-tree",
                    f"No tree of `{family}` takes up the complaint `{complaint}`.",
                    "Write a tree, or add it to the symptoms of one.",
                    [[], str(path), line, column, document.line(line)],
                )


def _fewer_checks(library: Library, facts: Sequence[Facts]) -> Iterator[Finding]:
    """Trees with fewer safety checks than every other one of their family."""
    families: dict[str, list[Facts]] = defaultdict(list)
    for one in facts:
        families[one["family"][0]].append(one)
    for alike in families.values():
        for one in alike:
            others = [set(other["safety"]) for other in alike if other is not one]
            missing = sorted(set.intersection(*others) - set(one["safety"])) if others else []
            if missing and len(one["safety"]) < min(len(other) for other in others):
                listed = ", ".join(f"`{name}`" for name in missing)
                yield _finding(
                    "fewer-safety-checks",
                    f"The other trees of `{one['family'][0]}` make {listed}; this one does not.",
                    "Add it to `before_power` or `closing`, as the other trees have it.",
                    one["closing"],
                )


def _families(library: Library, facts: Sequence[Facts]) -> Iterator[Finding]:
    try:
        known = library.families
    except TreeError:
        return
    for one in facts:
        family, place = one["family"]
        if known and family not in known:
            yield _finding(
                "family-not-listed",
                f"The family `{family}` is not in shared/families.yaml.",
                "Add its title, its complaints, and whether it is fed from the mains.",
                place,
            )


CHECKS: tuple[Callable[[Library, Sequence[Facts]], Iterator[Finding]], ...] = (
    _duplicate_titles,
    _one_cause,
    _modules,
    _unlisted_modules,
    _unused_procedures,
    _see,
    _weaker_cautions,
    _complaints,
    _families,
    _fewer_checks,
)
