"""Rules about shape. Most are found while a file is read; here they get level and example."""

from __future__ import annotations

from collections.abc import Mapping

from faulttree.rules.registry import Family, declare
from faulttree.tree.problems import RULES, Level

EXAMPLES: Mapping[str, str] = {
    "unreadable": "steps: {lead: [",
    "duplicate-key": "answers: {whole: switch, whole: hand-over}",
    "odd-key": "<<: *defaults",
    "foreign-tag": "minutes: !!python/object:os.system 2",
    "hidden-character": 'title: "Lamp\\u202e dark"',
    "unknown-key": "mesure: Voltage at the output      # did you mean `measure`?",
    "missing-key": "faults: {dry-reservoir: {title: Dried out}}      # and the remedy?",
    "bad-id": "Fuse Test: {ask: Is it intact?, answers: {intact: switch, blown: hand-over}}",
    "empty-text": 'lead: {ask: "", answers: {whole: switch, broken: broken-lead}}',
    "bad-value": "minutes: two",
    "step-kind": "lead: {ask: Is it whole?, do: Bend it, then: switch}",
    "limits-form": "limits: {nominal: 12 V, max: 13 V}",
    "duplicate-id": "faults: {lead: {title: Lead broken, remedy: Replace it.}}   # a step too",
    "family-folder": "family: bench-suply",
    "unknown-target": "answers: {whole: swich, broken: broken-lead}",
    "unknown-step": "confirm: {step: resevoir, gives: inside}",
    "unknown-access": "access: [coveroff]",
    "unknown-store": "on: [resevoir]",
    "unknown-property": "when: {protection-clas: I}",
    "close-missing": "access: {cover-off: {exposes: [voltage]}}      # and `close`?",
    "later-word": "mains: {ask: Is the plug out?, answers: {out: fuse, in: hand-over}}",
    "unknown-procedure": "use: diod-test",
    "procedure-ring": "use: bridge-test      # which uses the procedure that this step is in",
    "procedure-takes": "use: electrolytic      # and its capacitance?",
    "unfilled-name": "measure: Capacitance of {prat}",
    "exit-without-target": "exits: {good: hand-over}      # and `bad`?",
    "unknown-exit": "exits: {good: hand-over, bda: open-bridge, bad: open-bridge}",
    "outside-beside": "results: {inside: switch, outside: hand-over, low: broken-lead}",
    "too-large": "# procedures that use others several times over",
    "bad-duration": "wait: two minutes",
}

WHY: Mapping[str, str] = {
    "unreadable": "Nothing in it can be followed until it can be read.",
    "duplicate-key": "Which of the two holds would depend on the program that reads it.",
    "odd-key": "What it would mean differs between programs, so it means nothing here.",
    "foreign-tag": "A library file is data and is never obeyed.",
    "hidden-character": "A reviewer would see another text than the technician gets.",
    "unknown-key": "Mostly a word is misspelt, and a caution or a limit is lost with it.",
    "missing-key": "Without it the file says less than a walk needs.",
    "bad-id": "Ids are typed at the bench, in answers files and in other trees.",
    "empty-text": "The technician would stand before a step that says nothing.",
    "bad-value": "It would be read as something else, or not at all.",
    "step-kind": "What the step wants would be a guess.",
    "limits-form": "What a good reading is would be a guess.",
    "duplicate-id": "A target is one word, and must mean one thing.",
    "family-folder": "The tree's id comes from its place, and history is counted by it.",
    "unknown-target": "A walk that takes this outcome has nowhere to go.",
    "unknown-step": "What is said about it is said about nothing.",
    "unknown-access": "Nobody knows how to get there, how long it takes and what can hurt.",
    "unknown-store": "Nobody knows what is charged, and how far.",
    "unknown-property": "The check would never be made, or always.",
    "close-missing": "The unit would get power with the hazard open.",
    "later-word": "Checks before power, closing steps and the mains go by these words.",
    "unknown-procedure": "The steps it stands for are missing, with the unit in pieces.",
    "procedure-ring": "The steps would never come to an end.",
    "procedure-takes": "Its texts and limits would have holes, or judge in a wrong unit.",
    "unfilled-name": "The technician would read the braces.",
    "exit-without-target": "A walk that takes this exit has nowhere to go.",
    "unknown-exit": "Mostly a name is misspelt, and the real exit leads nowhere.",
    "outside-beside": "Which of the two targets holds would be a guess.",
    "too-large": "No technician could follow it, and no program should try.",
    "more-problems": "Mend those that are told, and the others show.",
    "bad-duration": "The runner could not time the pause.",
}

GRAPH = frozenset(
    (
        "unknown-target",
        "unknown-step",
        "unknown-access",
        "unknown-store",
        "unknown-property",
        "unknown-procedure",
        "procedure-ring",
        "procedure-takes",
        "exit-without-target",
        "unknown-exit",
    )
)
"""Rules of the builder that belong to the graph."""

NOTE = "A note: "
"""How a reason of the reader begins that is no error."""


def _declare(name: str, reason: str) -> None:
    family: Family = "graph" if name in GRAPH else "shape"
    level: Level = "note" if reason.startswith(NOTE) else "error"
    text = reason.removeprefix(NOTE)
    text = f"{text[0].upper()}{text[1:]} {WHY.get(name, '')}"
    declare(name, family, level, text, EXAMPLES.get(name, "# any file"))


for _name, _reason in RULES.items():
    _declare(_name, _reason)

declare(
    "link-out-of-library",
    "shape",
    "error",
    "A symbolic link leads out of the library's folder. What stands outside is not what was "
    "reviewed, and is not followed.",
    "trees/bench-supply/no-output.yaml -> /somewhere/else.yaml",
)
declare(
    "accepted-for-nothing",
    "shape",
    "note",
    "An entry of `accepted` matches no finding: the matter was mended, or the rule or place "
    "is misspelt. Left there, it would hide the next finding of its kind.",
    "accepted: [{rule: limit-without-source, at: resevoir, reason: measured here}]",
)
declare(
    "file-not-seen",
    "shape",
    "warning",
    "The file lies in the library where no command looks for it: a tree is "
    "`trees/<family>/<complaint>.yaml`, a procedure `shared/procedures/<name>.yaml`, all names "
    "in kebab-case. Nobody is ever led by it, and nobody is told.",
    "trees/bench-supply/No Output.yml",
)
