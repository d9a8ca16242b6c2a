"""Rules about shape. Most are found while a file is read; here they get level and example."""

from __future__ import annotations

from collections.abc import Mapping

from faulttree.rules.register import Family, declare
from faulttree.tree.problems import RULES

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

GRAPH = frozenset(
    (
        "unknown-target",
        "unknown-step",
        "unknown-access",
        "unknown-procedure",
        "procedure-ring",
        "procedure-takes",
        "exit-without-target",
        "unknown-exit",
    )
)

for _name, _reason in RULES.items():
    _family: Family = "graph" if _name in GRAPH else "shape"
    declare(_name, _family, "error", _reason, EXAMPLES.get(_name, ""))

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
