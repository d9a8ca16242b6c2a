"""The page of all rules, written from the register."""

from __future__ import annotations

from faulttree.rules.registry import FAMILIES, all_rules

HEAD = """# What `faulttree check` looks for

Made from the rules by `make docs`; do not edit by hand.

An **error** breaks the file, its keys or its graph, or leaves out a caution that a step's own
figures call for: a tree with errors is not walked. A **warning** can send a technician wrong
or waste minutes. A **note** is worth knowing. `--fail-on` says which of them fail a run.

A finding that may stand is named in the file, with the reason; then it counts as clean:

```yaml
accepted:
  - {rule: limit-without-source, at: reservoir, reason: measured here every week}
```

`at` is the step, fault or stop that the finding is about; left out, the whole file.

`--fix` corrects in the file what has one safe remedy, comments kept: {edited}. It never
guesses where a target leads. Rules of the family *library* look at a whole library: they run
where no path is given, or the library's folder.
"""


def rules_page() -> str:
    """The page as Markdown."""
    rules = all_rules().values()
    from faulttree.rules.autofix import EDITED

    edited = ", ".join(f"`{name}`" for name in sorted(EDITED))
    parts = [HEAD.replace("{edited}", edited)]
    for family, text in FAMILIES.items():
        parts.append(f"## {family.capitalize()}\n\n{text}\n")
        for rule in rules:
            if rule.family == family:
                parts.append(f"### `{rule.id}` ({rule.level})\n\n{rule.reason}\n")
                if rule.example:
                    kind = "csv" if family == "table" else "yaml"
                    parts.append(f"```{kind}\n{rule.example}\n```\n")
    return "\n".join(parts)
