"""Rules about the form of a file: reader, schema and builder find what breaks them."""

from __future__ import annotations

from faulttree.rules.registry import declare

declare(
    "unreadable",
    "shape",
    "error",
    "The file is no YAML, no text, or larger than a library file may be. Nothing in it can be"
    " followed until it can be read.",
    "steps: {lead: [",
)
declare(
    "duplicate-key",
    "shape",
    "error",
    "A key stands twice in one mapping; one of the two would be lost. Which of the two holds "
    "would depend on the program that reads it.",
    "answers: {whole: switch, whole: hand-over}",
)
declare(
    "odd-key",
    "shape",
    "error",
    "A key is empty, a list, a mapping or a merge key, where a word is meant. What it would "
    "mean differs between programs, so it means nothing here.",
    "<<: *defaults",
)
declare(
    "foreign-tag",
    "shape",
    "error",
    "A tag asks for something other than plain data. A library file is data; nothing in it is"
    " ever executed.",
    "minutes: !!python/object:os.system 2",
)
declare(
    "hidden-character",
    "shape",
    "error",
    "A control or direction character makes a text look other than it is. A reviewer would "
    "see another text than the technician gets.",
    'title: "Lamp\\u202e dark"',
)
declare(
    "unknown-key",
    "shape",
    "error",
    "A key that means nothing here; it would be read past in silence. Mostly a word is "
    "misspelt, and a caution or a limit is lost with it.",
    "mesure: Voltage at the output      # did you mean `measure`?",
)
declare(
    "missing-key",
    "shape",
    "error",
    "A key that must be there is not. Without it the file says less than a walk needs.",
    "faults: {dry-reservoir: {title: Dried out}}      # and the remedy?",
)
declare(
    "bad-id",
    "shape",
    "error",
    "A name is not in kebab-case, or is a word that a walk needs for itself. Ids are typed at"
    " the bench, in answers files and in other trees.",
    "Fuse Test: {ask: Is it intact?, answers: {intact: switch, blown: hand-over}}",
)
declare(
    "empty-text",
    "shape",
    "error",
    "A text is missing or empty. The technician would stand before a step that says nothing.",
    'lead: {ask: "", answers: {whole: switch, broken: broken-lead}}',
)
declare(
    "bad-value",
    "shape",
    "error",
    "A value is not of the kind that its key needs. It would be read as something else, or "
    "not at all.",
    "minutes: two",
)
declare(
    "step-kind",
    "shape",
    "error",
    "A step has none or several of ask, measure, do, use, or keys of another kind. What the "
    "step wants would be a guess.",
    "lead: {ask: Is it whole?, do: Bend it, then: switch}",
)
declare(
    "limits-form",
    "shape",
    "error",
    "Limits are in none or in several of their four forms. What a good reading is would be a "
    "guess.",
    "limits: {nominal: 12 V, max: 13 V}",
)
declare(
    "duplicate-id",
    "shape",
    "error",
    "Steps, faults, stops and exits share one name. A target is one word, and must mean one thing.",
    "faults: {lead: {title: Lead broken, remedy: Replace it.}}   # a step too",
)
declare(
    "family-folder",
    "shape",
    "error",
    "The family is not the folder's name, or a procedure's name not the file's. The tree's id"
    " comes from its place, and history is counted by it.",
    "family: bench-suply",
)
declare(
    "close-missing",
    "shape",
    "error",
    "A state of access exposes a hazard and nothing says how to close it. The unit would get "
    "power with the hazard open.",
    "access: {cover-off: {exposes: [voltage]}}      # and `close`?",
)
declare(
    "later-word",
    "shape",
    "note",
    "An id is a word that the format has taken since. Checks before power, closing steps and "
    "the mains go by these words.",
    "mains: {ask: Is the plug out?, answers: {out: fuse, in: hand-over}}",
)
declare(
    "unfilled-name",
    "shape",
    "error",
    "A {name} in a procedure's text is nothing that the procedure takes. The technician would"
    " read the braces.",
    "measure: Capacitance of {prat}",
)
declare(
    "outside-beside",
    "shape",
    "error",
    "`outside` stands beside `low` or `high`, which it already means. Which of the two "
    "targets holds would be a guess.",
    "results: {inside: switch, outside: hand-over, low: broken-lead}",
)
declare(
    "more-problems",
    "shape",
    "note",
    "Only the first problems of a file are listed. Correct those that are listed, and the "
    "others show.",
    "# any file",
)
declare(
    "too-large",
    "shape",
    "error",
    "The tree has more steps than can be followed, once procedures are inlined. No technician"
    " could follow it, and no program should try.",
    "# procedures that use others several times over",
)
declare(
    "bad-duration",
    "shape",
    "error",
    "A wait is not a span of time. The runner could not time the pause.",
    "wait: two minutes",
)
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
    "An entry of `accepted` matches no finding: the matter was corrected, or the rule or place "
    "is misspelt. Left there, it would hide the next finding of its kind.",
    "accepted: [{rule: limit-without-source, at: resevoir, reason: measured here}]",
)
declare(
    "base-changed",
    "shape",
    "warning",
    "A tree copied from a library beneath keeps the hash of the text it was copied from. That "
    "text has changed since: a correction made there is not in the copy.",
    "based_on: 3f2a9c0d5e6b7a81  # the tree beneath has another hash now",
)
declare(
    "weaker-caution",
    "shape",
    "warning",
    "A caution of this library replaces one of a library beneath and has a weaker signal word "
    "(ISO 3864-2: DANGER, WARNING, CAUTION). Every tree that bears it warns less.",
    "mains: {signal: CAUTION, text: Pull the plug., covers: [voltage]}",
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
declare(
    "known-no-longer",
    "shape",
    "note",
    "A line of the list given with `--known` matches no finding: the matter was corrected. Left "
    "there, it would hide the next finding of its kind. A list of known findings may only shrink.",
    "trees/bench-supply/no-output.yaml symptom-not-seen symptoms.0      # and it is seen now",
)
declare(
    "rules-not-run",
    "shape",
    "note",
    "The form of the file is wrong, so it does not say what its author meant. What the rules on "
    "graph, limits, evidence, meaning, safety and order would find is mostly the consequence of "
    "that error, so they are not run. Correct the form, then check again.",
    "lead: {aks: Is the lead whole?, answers: {whole: switch, broken: broken-lead}}",
)

# Names that lead nowhere: the builder finds them, and they belong to the graph.

declare(
    "unknown-target",
    "graph",
    "error",
    "A target names nothing in this file. A walk that takes this outcome has nowhere to go.",
    "answers: {whole: swich, broken: broken-lead}",
)
declare(
    "unknown-step",
    "graph",
    "error",
    "A step is named that this file does not have. What is said about it is said about nothing.",
    "confirm: {step: resevoir, gives: inside}",
)
declare(
    "unknown-access",
    "graph",
    "error",
    "A state of the unit is needed that `access` does not say how to enter. Nobody knows how "
    "to get there, how long it takes and what can hurt.",
    "access: [coveroff]",
)
declare(
    "unknown-store",
    "graph",
    "error",
    "A store is named that `stores` does not have. Nobody knows what is charged, and how far.",
    "on: [resevoir]",
)
declare(
    "unknown-property",
    "graph",
    "error",
    "A property of the unit is named that has no question and values, or a value that it does"
    " not have. The check would never be made, or always.",
    "when: {protection-clas: I}",
)
declare(
    "unknown-procedure",
    "graph",
    "error",
    "A procedure is used that the library does not have. The steps it stands for are missing,"
    " with the unit in pieces.",
    "use: diod-test",
)
declare(
    "procedure-ring",
    "graph",
    "error",
    "Procedures use each other in a ring. The steps would never come to an end.",
    "use: bridge-test      # which uses the procedure that this step is in",
)
declare(
    "procedure-takes",
    "graph",
    "error",
    "A procedure is not given what it takes, or more, or in another unit. Its texts and "
    "limits would have holes, or judge in a wrong unit.",
    "use: electrolytic      # and its capacitance?",
)
declare(
    "exit-without-target",
    "graph",
    "error",
    "An exit of a procedure leads nowhere. A walk that takes this exit has nowhere to go.",
    "exits: {good: hand-over}      # and `bad`?",
)
declare(
    "unknown-exit",
    "graph",
    "error",
    "A target is given for an exit that the procedure does not have. Mostly a name is "
    "misspelt, and the real exit leads nowhere.",
    "exits: {good: hand-over, bda: open-bridge, bad: open-bridge}",
)
