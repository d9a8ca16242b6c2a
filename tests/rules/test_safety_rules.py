"""The rules about safety in the structure: silent on right trees, and each finds what breaks it.

The right trees and what breaks them come from a generator that knows nothing of the rules
(tests/support). That power comes after look and insulation test, touch after discharge and
proof of dead, is common practice of the trade, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from itertools import islice
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from faulttree.errors import TreeError
from faulttree.rules import CheckedFile, all_rules, check_paths, look_at
from faulttree.rules.checks.library import compare
from faulttree.rules.context import RuleContext
from faulttree.rules.known import known_line, without_known
from faulttree.rules.report import Report
from faulttree.tree import ExaminedFile, Finding, Tree, Where, demo_library, shipped_library
from tests.rules.samples import TREE, a_library
from tests.support.broken_trees import BREAKERS, Breaker, Broken
from tests.support.counts import SOAK, examples
from tests.support.safety_trees import RightTree, right_trees, sample_of_right_trees, tree_of

LIBRARY = shipped_library()
FAMILIES = ("structure", "conclusions", "suitability")
NEW = {rule.id for rule in all_rules().values() if rule.family in FAMILIES}

FINDS: Mapping[str, set[str]] = {
    "live-before-checks": {"live-before-checks"},
    "live-with-open-state": {"live-with-open-state"},
    "not-proved-dead": {"not-proved-dead"},
    "discharge-too-few": {"discharge-too-few"},
    "proof-proves-nothing": {"proof-proves-nothing", "confirm-shows-nothing"},
    "sign-impossible": {"sign-out-of-reach", "sign-against-path"},
    "symptom-not-seen": {"symptom-not-seen"},
    "elimination": {"found-by-elimination"},
    "good-unit-outside": {"good-unit-outside"},
    "instrument-cannot": {"instrument-cannot"},
    "one-model": {"figure-of-one-model"},
    "cells-unknown": {"cells-unknown"},
    "fewer-checks": {"fewer-safety-checks"},
}
"""What a breaker breaks → the rules that find it."""

EACH = [(name, breaker) for name, listed in BREAKERS.items() for breaker in listed]


def checked(tree: Tree) -> CheckedFile:
    return look_at(ExaminedFile("tree", tree, ()), LIBRARY)


def found_in(tree: Tree) -> list[Finding]:
    return [one for one in checked(tree).findings if one.rule in NEW]


def beside(right: RightTree, broken: Broken) -> list[Finding]:
    """What is found in a tree by itself, and beside the right one in a library."""
    tree = tree_of(broken.bundle)
    both = [checked(one).facts for one in (right.tree, tree)]
    return [*checked(tree).findings, *compare(LIBRARY, [facts for facts in both if facts])]


@settings(
    max_examples=examples(40),
    derandomize=not SOAK,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.large_base_example],
)
@given(right=right_trees())
def test_no_rule_of_safety_finds_anything_in_a_right_tree(right: RightTree) -> None:
    assert found_in(right.tree) == []


@pytest.mark.parametrize(("name", "breaker"), EACH, ids=[one.__name__ for _, one in EACH])
def test_what_breaks_a_tree_is_found_every_time(name: str, breaker: Breaker) -> None:
    made = ((right, breaker(right)) for right in sample_of_right_trees()[:60])
    broken_pairs = ((right, broken) for right, broken in made if broken is not None)
    pairs = list(islice(broken_pairs, 15 if SOAK else 8))
    assert len(pairs) >= 5, "too few trees have what this breaks"
    missed = [
        broken
        for right, broken in pairs
        if not any(_is_it(f, name, broken) for f in beside(right, broken))
    ]
    assert missed == []


def _is_it(finding: Finding, name: str, broken: Broken) -> bool:
    """Whether a finding is of the right rule and about what was broken."""
    named = any(f"`{one}`" in finding.message for one in broken.names)
    keys = finding.where.keys
    shared = min(len(keys), len(broken.at), 2)
    return finding.rule in FINDS[name] and (named or keys[:shared] == broken.at[:shared])


def test_every_new_rule_has_a_reason_and_an_example_with_its_correction() -> None:
    rules = [*(all_rules()[name] for name in NEW), all_rules()["fewer-safety-checks"]]
    assert all(len(rule.reason) > 100 for rule in rules)
    plain = [rule.id for rule in rules if "orrected:" not in f"{rule.example} {rule.reason}"]
    assert plain == []


# -- rules that no breaker is for ------------------------------------------------------


def test_a_part_is_read_before_it_is_disturbed(tmp_path: Path) -> None:
    def tree(order: str) -> str:
        resolder = "{do: Resolder R1, disturbs: [heat], of: R1, then: %s}"
        reading = (
            "{measure: Resistance of R1, limits: {max: 5 ohm}, results: {inside: %s, high: bad}}"
        )
        first, then = ("again", "read") if order == "disturbed" else ("read", "again")
        steps = {first: then, then: "out"}
        lines = {"again": resolder % steps["again"], "read": reading % steps["read"]}
        return (
            f"title: Lamp\nfamily: work-lamp\nstart: {first}\nsteps:\n"
            + "".join(f"  {name}: {line}\n" for name, line in lines.items())
            + "faults: {bad: {title: R1 open, remedy: Replace it.}}\n"
            + "stops: {out: {title: Beyond, reason: out-of-scope}}\n"
        )

    for order, expected in (("disturbed", ["disturbed-before-read"]), ("read first", [])):
        library = a_library(tmp_path / order.replace(" ", "-"), tree(order))
        found = check_paths(["bench-supply/no-output"], library).findings
        assert [one.rule for one in found if one.rule in NEW] == expected


def test_a_safety_test_comes_after_the_run_under_power() -> None:
    # Common practice, no source: the last test covers the unit as it goes back.
    for right in sample_of_right_trees()[:20]:
        closing = right.bundle["tree"].get("closing", [])
        if "soak" in closing and len(closing) > 1:
            bundle = deepcopy(right.bundle)
            bundle["tree"]["closing"] = [*closing[1:], closing[0]]
            (finding,) = found_in(tree_of(bundle))
            assert (finding.rule, finding.where.keys) == ("power-after-safety-test", ("closing",))
            return
    pytest.fail("no tree has a run under power and a safety test")


@pytest.mark.parametrize(("undecided", "told"), [("out", True), ("fuse", False)])
def test_a_sign_may_be_seen_where_an_answer_was_undecided(
    tmp_path: Path, undecided: str, told: bool
) -> None:
    limits = "limits: {min: 11 V, source: x}"
    tree = (
        "title: Lamp\nfamily: work-lamp\nstart: rail\nsteps:\n"
        f"  rail: {{measure: Rail, {limits}, "
        f"results: {{inside: fuse, low: dead, undecided: {undecided}}}}}\n"
        "  fuse: {ask: Is the fuse whole?, answers: {whole: out, blown: blown}}\n"
        "faults:\n  dead: {title: Dead, remedy: Replace it., signs: {rail: low, fuse: blown}}\n"
        "  blown: {title: Blown, remedy: Replace it.}\n"
        "stops: {out: {title: Beyond, reason: out-of-scope}}\n"
    )
    found = check_paths(["bench-supply/no-output"], a_library(tmp_path, tree)).findings
    assert any(one.rule == "sign-out-of-reach" for one in found) is told


def test_an_older_tree_is_told_in_one_line_each_what_it_should_gain(tmp_path: Path) -> None:
    found = check_paths(["bench-supply/no-output"], a_library(tmp_path, TREE)).findings
    gains = [one for one in found if one.rule == "safety-only-in-words"]
    keys = [one.message.split("`")[1] for one in gains]
    assert {"before_power", "seen_at"} <= set(keys)
    assert len(keys) == len(set(keys))
    assert all(one.level == "note" and one.remedy for one in gains)


def test_a_sign_at_a_check_before_power_is_in_reach() -> None:
    # A check is asked before the first live step of a walk, though no outcome leads to it.
    reel = LIBRARY.load("extension-reel/fails-safety-test")
    assert reel.faults["wet-sockets"].signs == {"before-power.insulation-test": ("low",)}
    assert [one.rule for one in found_in(reel)] == []


@pytest.mark.parametrize(("gear", "told"), [("insulation-tester", False), ("multimeter", True)])
def test_a_charge_that_only_a_tester_brings_is_no_store(
    tmp_path: Path, gear: str, told: bool
) -> None:
    step = f"{{ask: Is it good?, needs: [{gear}], cautions: [insulation-test], "
    tree = (
        "title: Reel\nfamily: reel\nstart: leak\nsteps:\n"
        f"  leak: {step}answers: {{good: out, bad: leaky}}}}\n"
        "faults: {leaky: {title: Leaks, remedy: Replace it.}}\n"
        "stops: {out: {title: Beyond, reason: out-of-scope}}\n"
    )
    found = check_paths(["bench-supply/no-output"], a_library(tmp_path, tree)).findings
    stores = [one for one in found if "`stores`" in one.message]
    assert bool(stores) is told


# -- what figures and faults rest on ---------------------------------------------------

RESTING = """\
title: Lamp, dark
family: work-lamp
start: drop
steps:
  drop: {measure: Drop, limits: {max: 5 V, source: x}, results: {inside: rail, high: bad}}
  rail: {measure: Rail, limits: {min: 11 V, source: x, BASIS}, results: {inside: out, low: bad}}
faults:
  bad: {title: Bad, remedy: Replace it., evidence: [{kind: confirmed, source: a lamp here}]}
stops: {out: {title: Beyond, reason: out-of-scope}}
"""


@pytest.mark.parametrize(
    ("basis", "shipped", "lacking"),
    [
        # A file that says nothing of a basis is an older one; the shop's own figures are its own.
        ("", False, ""),
        ("basis: standard", False, "drop"),
        ("basis: shop", False, "drop"),
        ("", True, "drop, rail"),
        ("basis: shop", True, "drop, rail"),
        ("basis: practice", True, "drop"),
        ("basis: both", True, ""),
    ],
)
def test_every_limit_of_the_shipped_library_needs_a_basis(
    basis: str, shipped: bool, lacking: str
) -> None:
    text = RESTING.replace(", BASIS", f", {basis}" if basis else "")
    if basis == "basis: both":
        text = RESTING.replace(", BASIS", "").replace("source: x", "source: x, basis: practice")
    tree = LIBRARY.examine_text(text).tree
    assert tree is not None
    rules = {name: all_rules()[name].check for name in RESTS}
    subject = RuleContext(tree, shipped=shipped)
    found = {name: [f.message for f in check(subject)] for name, check in rules.items() if check}
    told = [f"Limits have no `basis` that holds here: {lacking}."] if lacking else []
    assert found["limit-without-basis"] == told
    assert len(found["confirmed-without-record"]) == shipped


def test_an_invented_library_is_not_asked_for_a_basis() -> None:
    tree = demo_library().load("soldering-station/does-not-heat")
    check = all_rules()["limit-without-basis"].check
    assert check is not None
    assert list(check(RuleContext(tree, shipped=True))) == []


RESTS = ("limit-without-basis", "confirmed-without-record")


# -- findings that are known -----------------------------------------------------------


def finding(rule: str, *keys: str | int, path: str = "/lib/trees/lamp/dark.yaml") -> Finding:
    where = Where("tree", keys)
    return Finding(where, "", rule=rule, level="note", path=path, line=1, column=1)


def test_what_is_known_does_not_count_and_its_list_only_shrinks(tmp_path: Path) -> None:
    one, other = finding("symptom-not-seen", "symptoms", 0), finding("stray-sign", "faults", "dry")
    file = tmp_path / "known.txt"
    lines = [known_line(each, Path("/lib")) for each in (one, other)]
    file.write_text("# older than the rules\n\n" + "\n".join(lines) + "\n")
    assert without_known(Report((one, other)), file).findings == ()
    moved = finding("symptom-not-seen", "symptoms", 1)
    left = without_known(Report((one, other, moved)), file).findings
    assert left == (moved,)
    (idle,) = without_known(Report((one,)), file).findings
    assert (idle.rule, idle.line, idle.level) == ("known-no-longer", 4, "note")


def test_a_list_of_known_findings_that_is_none_is_refused_at_its_line(tmp_path: Path) -> None:
    file = tmp_path / "known.txt"
    file.write_text("# fine\nonly two\n")
    with pytest.raises(TreeError) as caught:
        without_known(Report(), file)
    assert (caught.value.line, bool(caught.value.remedy)) == (2, True)
