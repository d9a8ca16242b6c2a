# ruff: noqa: E501
"""The rules about meaning: outcomes that changed places are found, right ones are left alone."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from faulttree.rules import Finding, all_rules, check_paths, look_at
from faulttree.tree import Library, shipped_library
from tests.authoring.samples import random_tree, written

TREE = """\
title: Vacuum, hums and does not turn
family: shop-vacuum
symptoms: [hums, does not turn]
start: as-used
steps:
  as-used: {ask: What does it do on power?, live: true, answers: {hums: look, turns: not-seen}}
  look: {ask: Is the housing whole?, answers: {whole: brushes, damaged: keep-off}}
  brushes: {use: brush-check, exits: {good: rotor, worn: worn-brushes, stuck: stuck-brush}}
  rotor:
    measure: Resistance of the rotor coil, one end lifted
    limits: {nominal: 10 Ω, tolerance: 10 %, source: the sheet}
    results: {inside: brushes-again, low: shorted-coil, high: open-coil}
  brushes-again: {use: brush-check, exits: {good: fan, worn: worn-brushes, stuck: stuck-brush}}
  fan:
    ask: Is the hub of the fan tight?
    answers: {tight: filter, loose: tired-hub}
  filter:
    measure: Depth of dust on the filter
    limits: {max: 2 mm, source: the sheet}
    results: {inside: resin, high: dirty-filter}
  resin: {ask: Does pressing the board change it?, answers: {changes: cold-joint, same: hand-over}}
faults:
  worn-brushes: {title: Brushes worn, remedy: Replace both.}
  stuck-brush: {title: A brush stuck in its holder, remedy: Clean the holder.}
  shorted-coil: {title: Rotor coil shorted, remedy: Replace the rotor.}
  open-coil: {title: Rotor coil open, remedy: Replace the rotor.}
  tired-hub: {title: Hub of the fan slipping, remedy: Replace the fan.}
  dirty-filter: {title: Filter full of dust, remedy: Clean it.}
  cold-joint: {title: A joint cracked, remedy: Resolder it.}
stops:
  keep-off: {title: Housing not sound, reason: unsafe}
  not-seen: {title: The complaint was not seen, reason: no-fault-found}
  hand-over: {title: Beyond this tree, reason: out-of-scope}
"""

# rule, what stands in the right tree, what stands there instead; ¦ is before the place.
SWAPS = [
    ("outcome-names-another", "worn: worn-brushes, stuck: stuck-brush}}\n  rotor", "worn: ¦stuck-brush, stuck: worn-brushes}}\n  rotor"),
    ("outcome-names-another", "good: rotor, worn: worn-brushes", "good: worn-brushes, worn: ¦rotor"),
    ("outcome-names-another", "whole: brushes, damaged: keep-off", "sound: ¦keep-off, damaged: brushes"),
    ("good-but-unsafe", "whole: brushes, damaged: keep-off", "whole: ¦keep-off, damaged: brushes"),
    ("found-good-yet-blamed", "tight: filter, loose: tired-hub", "tight: ¦tired-hub, loose: filter"),
    ("found-good-yet-blamed", "inside: resin, high: dirty-filter", "inside: ¦dirty-filter, high: resin"),
    ("found-good-yet-blamed", "inside: brushes-again, low: shorted-coil, high: open-coil", "inside: ¦open-coil, low: shorted-coil, high: brushes-again"),
    ("found-good-yet-blamed", "changes: cold-joint, same: hand-over", "changes: hand-over, same: ¦cold-joint"),
    ("found-good-yet-blamed", "good: fan, worn: worn-brushes, stuck: stuck-brush", "good: ¦worn-brushes, worn: fan, stuck: worn-brushes"),
    ("reading-against-fault", "low: shorted-coil, high: open-coil", "low: ¦open-coil, high: shorted-coil"),
    ("complaint-denied", "hums: look, turns: not-seen", "hums: ¦not-seen, turns: look"),
    ("complaint-denied", "hums: look, turns: not-seen", "turns: ¦look, coasts: not-seen"),
    ("complaint-denied", "inside: resin, high: dirty-filter", "inside: hand-over, high: ¦not-seen"),
    ("exit-means-another", "good: fan, worn: worn-brushes, stuck: stuck-brush", "good: fan, worn: ¦stuck-brush, stuck: worn-brushes"),
]  # fmt: skip


def found_in(folder: Path, text: str) -> tuple[Finding, ...]:
    path = folder / "trees" / "shop-vacuum" / "hums.yaml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    found = check_paths([path], Library(folder)).findings
    return tuple(one for one in found if all_rules()[one.rule].family == "meaning")


def test_the_right_tree_means_what_it_says(tmp_path: Path) -> None:
    assert found_in(tmp_path, TREE) == ()


@pytest.mark.parametrize(("rule", "old", "new"), SWAPS)
def test_outcomes_that_changed_places_are_found_where_they_stand(
    tmp_path: Path, rule: str, old: str, new: str
) -> None:
    assert old in TREE
    before, _, after = TREE.replace(old, new, 1).partition("¦")
    found = found_in(tmp_path, before + after)
    place = before.count("\n") + 1, len(before.rsplit("\n", 1)[-1]) + 1
    assert (rule, *place) in [(one.rule, one.line, one.column) for one in found]
    assert all(one.level == "warning" and one.remedy for one in found)


# A good reading that rightly blames the part: it looks at what is left, or at what feeds it.
RIGHT = [
    "ask: Does it turn freely with the hub of the fan off?\n    answers: {freely: tired-hub, stiff: filter}",
    "ask: Is the sound even with a known good hub of the fan?\n    answers: {even: tired-hub, rough: filter}",
    "measure: Input voltage of the hub drive\n    live: true\n    limits: {min: 5 V, source: x}\n    results: {inside: tired-hub, low: filter}",
    "measure: Voltage at the fan's hub\n    live: true\n    limits: {min: 5 V, source: x}\n    results: {inside: tired-hub, low: filter}",
    "measure: Resistance of the lead\n    limits: {max: 5 Ω, source: x}\n    results: {inside: tired-hub, high: filter}",
    "ask: Does pressing the board change it?\n    answers: {same: tired-hub, changes: cold-joint}",
]  # fmt: skip


@pytest.mark.parametrize("step", RIGHT)
def test_a_good_reading_may_rightly_blame(tmp_path: Path, step: str) -> None:
    old = "ask: Is the hub of the fan tight?\n    answers: {tight: filter, loose: tired-hub}"
    assert old in TREE
    assert found_in(tmp_path, TREE.replace(old, step)) == ()


PROCEDURE = """\
procedure: coil-test
title: A coil
exits: [good, shorted, open]
start: value
steps:
  value:
    measure: Resistance of the coil
    limits: {nominal: 10 Ω, tolerance: 10 %, source: the sheet}
    results: {inside: sheath, low: shorted, high: open}
  sheath: {ask: Is its sheath whole?, answers: {whole: good, torn: shorted}}
"""
IN_PROCEDURE = [
    ("inside: sheath, low: shorted, high: open", "inside: sheath, low: open, high: shorted"),
    ("inside: sheath, low: shorted, high: open", "inside: open, low: shorted, high: sheath"),
    ("whole: good, torn: shorted", "whole: shorted, torn: good"),
]


@pytest.mark.parametrize(("old", "new"), IN_PROCEDURE)
def test_a_swap_inside_a_procedure_is_found_in_its_own_file(
    tmp_path: Path, old: str, new: str
) -> None:
    path = tmp_path / "shared" / "procedures" / "coil-test.yaml"
    path.parent.mkdir(parents=True)
    (tmp_path / "trees").mkdir()
    path.write_text(PROCEDURE, encoding="utf-8")
    assert check_paths([path], Library(tmp_path)).findings == ()
    assert old in PROCEDURE
    path.write_text(PROCEDURE.replace(old, new), encoding="utf-8")
    found = check_paths([path], Library(tmp_path)).findings
    assert {all_rules()[one.rule].family for one in found} == {"meaning"}


@pytest.mark.parametrize("seed", range(40))
def test_random_right_trees_raise_no_alarm(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    library = shipped_library()
    path = library.root / "trees" / "lamp" / "dark.yaml"
    looked = look_at(library.examine_text(written(random_tree(chance), chance), path), library)
    assert [one for one in looked.findings if all_rules()[one.rule].family == "meaning"] == []
