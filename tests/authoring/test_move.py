"""Promises of moving: a fault to another module with its history, a step to another place."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import networkx as nx
import pytest

from faulttree.authoring.edited_check import Unfit
from faulttree.authoring.files import files_of
from faulttree.authoring.operations.move import StepMoves, move_step, reorder, stand
from faulttree.authoring.operations.move_fault import move_fault
from faulttree.authoring.targets import assembled, edits_of, onward, retargeted, targets
from faulttree.cases import Store, open_store
from faulttree.cases.fault_counts import confirmed
from faulttree.cases.revisit import revisit
from faulttree.cli import run
from faulttree.errors import TreeError
from faulttree.tree import Library, Tree, shipped_library
from faulttree.tree.edit import write_all
from faulttree.walk.renames import counted_for
from tests.authoring.samples import END, TREE, comments, library_of, put_tree, random_tree, record
from tests.support.random_walks import random_walk, violations
from tests.support.safety_trees import right_tree

Said = pytest.CaptureFixture[str]


@pytest.fixture
def library(tmp_path: Path) -> Library:
    put_tree(tmp_path, TREE)
    return Library(tmp_path)


@pytest.fixture
def store() -> Iterator[Store]:
    with open_store(None) as opened:
        yield opened


def beside(library: Library, family: str, **words: str) -> Path:
    """The same tree for another family."""
    path = library.root / "trees" / family / "dark.yaml"
    path.parent.mkdir()
    text = TREE.replace("family: lamp", f"family: {family}").replace("Lamp, dark", f"{family} dark")
    for old, new in words.items():
        text = text.replace(old, new)
    path.write_text(text)
    return path


def history(tree: Tree, store: Store, fault: str) -> float:
    return counted_for(tree, confirmed(store)).get(tree.identity(fault), 0)


# -- a fault to another module ---------------------------------------------------------


def test_a_fault_changes_its_module_in_all_its_trees_and_keeps_its_history(
    library: Library, store: Store
) -> None:
    beside(library, "heater")
    for name in ("lamp/dark", "heater/dark"):
        tree = library.load(name)
        record(store, tree, [*END[:1], ("lead", "high", 40.0)], "broken-lead")
    move = move_fault(library, "lamp/dark", "broken-lead", "cord-set")
    assert (move.old, move.trees, move.joined) == ("inlet", ("lamp/dark", "heater/dark"), ())
    write_all(move.changes)
    for name in ("lamp/dark", "heater/dark"):
        tree = library.load(name)
        assert tree.identity("broken-lead") == ("cord-set", "broken-lead")
        assert tree.faults["broken-lead"].moved_from == ("inlet",)
        assert tree.modules == ("inlet", "cord-set")
        assert history(tree, store, "broken-lead") == 2


def test_a_fault_moved_and_renamed_keeps_the_history_of_every_turn(
    library: Library, store: Store
) -> None:
    from faulttree.authoring.operations.rename import rename

    way: Any = [*END[:1], ("lead", "high", 40.0)]
    fault = "broken-lead"
    for turn, module in enumerate(("cord-set", "cable", "inlet"), 1):
        record(store, library.load("lamp/dark"), way, fault)
        write_all(move_fault(library, "lamp/dark", fault, module).changes)
        write_all(rename(library, "lamp/dark", fault, f"lead-{turn}").changes)
        fault = f"lead-{turn}"
        assert history(library.load("lamp/dark"), store, fault) == turn
    # Back where it began, it was moved from the two others.
    assert set(library.load("lamp/dark").faults[fault].moved_from) == {"cord-set", "cable"}


def test_the_last_fault_of_a_module_takes_it_from_the_list(library: Library) -> None:
    write_all(move_fault(library, "lamp/dark", "broken-lead", "cord-set").changes)
    assert library.load("lamp/dark").modules == ("inlet", "cord-set")
    with_text(library, ("New plug., module: inlet", "New plug."))
    write_all(move_fault(library, "lamp/dark", "broken-lead", "cord-set").changes)
    assert library.load("lamp/dark").modules == ("cord-set",)


def test_a_fault_without_a_module_joins_those_that_have_it(library: Library, store: Store) -> None:
    other = beside(library, "heater")
    known = "title: Socket loose\n    module: outlet"
    other.write_text(other.read_text().replace("title: Socket loose", known))
    record(store, library.load("lamp/dark"), [*END[:2], ("socket", "loose", None)], "loose-socket")
    move = move_fault(library, "lamp/dark", "loose-socket", "outlet")
    assert (move.trees, move.joined) == (("lamp/dark",), ("heater/dark",))
    write_all(move.changes)
    lamp, heater = library.load("lamp/dark"), library.load("heater/dark")
    # The lamp's own family counts anyhow; the heater must be told of it.
    assert lamp.faults["loose-socket"].moved_from == ()
    assert heater.faults["loose-socket"].moved_from == ("lamp",)
    assert history(lamp, store, "loose-socket") == history(heater, store, "loose-socket") == 1


def test_a_fault_does_not_join_another_cause_of_the_same_name(library: Library) -> None:
    other = beside(library, "heater")
    text = other.read_text().replace("title: Socket loose", "title: Cracked\n    module: outlet")
    other.write_text(text)
    with pytest.raises(Unfit, match="title"):
        move_fault(library, "lamp/dark", "loose-socket", "outlet")


@pytest.mark.parametrize(
    ("fault", "module", "wrong"),
    [("broken-lead", "inlet", "already"), ("broken-lead", "Cord Set", "is not a valid id"),
     ("broken-led", "cord-set", "no fault `broken-led`"), ("lead", "cord-set", "no fault")],
)  # fmt: skip
def test_a_move_that_means_nothing_is_refused(
    library: Library, fault: str, module: str, wrong: str
) -> None:
    with pytest.raises(TreeError, match=wrong):
        move_fault(library, "lamp/dark", fault, module)


def test_a_moved_fault_is_no_newer_suspect(library: Library, store: Store) -> None:
    record(store, library.load("lamp/dark"), END[:1])
    case = store.find("1")
    from faulttree.cases.closing import Closing, close_case

    close_case(store, case, Closing("unsolved", became="waiting"), "2026-03-02T10:00:00Z")
    before = {(one.tree, one.fault) for one in revisit(store, [library.load("lamp/dark")])}
    write_all(move_fault(library, "lamp/dark", "broken-lead", "cord-set").changes)
    after = {(one.tree, one.fault) for one in revisit(store, [library.load("lamp/dark")])}
    assert after == before


# -- a step to another place -----------------------------------------------------------


def moved(library: Library, step: str, *after: str, **more: Any) -> Tree:
    place = (after[0], after[1]) if after else None
    write_all(move_step(library, "lamp/dark", step, place, **more).changes)
    return library.load("lamp/dark")


def test_a_step_leaves_its_place_and_stands_in_another(library: Library) -> None:
    tree = moved(library, "plug", "lead", "inside")
    assert tree.start == "lead"
    assert tree.steps["lead"].targets == {"inside": "plug", "high": "broken-lead"}
    assert tree.steps["plug"].targets == {"whole": "socket", "broken": "broken-plug"}
    back = moved(library, "plug")
    assert back.bundle["tree"] == Library(library.root).load("lamp/dark").bundle["tree"]
    assert library.path_of("lamp/dark").read_text() == TREE


def test_minutes_before_and_after_are_those_of_the_odds(library: Library, store: Store) -> None:
    move = move_step(library, "lamp/dark", "lead", None, store=store)
    # Weights 1 2 4. The plug takes 1 min, the lead 3, cover and socket what the tree says.
    before, after = move.minutes
    assert after == pytest.approx(before + (1 * 3 - 2 * 1) / 7)


def with_text(library: Library, *words: tuple[str, str]) -> None:
    text = TREE
    for old, new in words:
        assert old in text
        text = text.replace(old, new)
    library.path_of("lamp/dark").write_text(text)


DISCHARGE = (
    ("inside: socket,", "inside: bleed,"),
    ("  socket:\n", "  bleed: {do: Discharge it, minutes: 1, then: socket}\n\n  socket:\n"),
)


@pytest.mark.parametrize(
    ("words", "step", "after", "wrong"),
    [
        (DISCHARGE, "socket", ("lead", "inside"), "`socket` would come before `bleed`, which must"),
        (DISCHARGE, "bleed", ("socket", "firm"), "`socket` would come before `bleed`, which must"),
        (
            ((*DISCHARGE[0],), (DISCHARGE[1][0], DISCHARGE[1][1] + "    after: [plug]\n")),
            "plug", ("socket", "firm"), "`socket` would come before `plug`, which must",
        ),
        (
            (*DISCHARGE, ("  plug:\n", "  plug:\n    live: true\n")),
            "plug", ("bleed", "done"),
            "`plug` is live and would undo `bleed`, which `socket` needs",
        ),
        (
            (("broken: broken-plug}", "broken: burnt, bent: broken-plug}"),
             ("stops:\n", "stops:\n  burnt: {title: Burnt, reason: unsafe}\n")),
            "plug", ("lead", "inside"), "`lead` would come before `plug`, which may end the work",
        ),
        (
            (("broken: broken-plug}", "broken: broken-plug, works: fine}"),
             ("stops:\n", "stops:\n  fine: {title: It works, reason: no-fault-found}\n")),
            "lead", None, "`plug`, which sees whether the complaint is there",
        ),
        ((), "socket", ("plug", "whole"), "need `cover-off` before `lead`, which does not need it"),
        (
            (("    limits: {max: 1 Ω, source: the shop's own}\n    results: {inside: socket,",
              "    limits: {max: 1 Ω, source: the shop's own}\n    results: {inside: spare,"),
             ("  socket:\n",
              "  spare:\n    measure: Resistance of a spare lead\n    minutes: 1\n"
              '    limits: {max: {formula: "2 * r", from: {r: lead}}, unit: Ω, source: its like}\n'
              "    results: {inside: socket, high: broken-lead}\n\n  socket:\n")),
            "lead", ("spare", "inside"), "`spare` would come before `lead`, by whose reading",
        ),
        (
            (("  plug:\n", "  plug:\n    cautions: [stored-charge]\n"),),
            "lead", None, "a walk could reach `lead` before the caution `stored-charge` is read",
        ),
        ((), "lead", ("lead", "inside"), "cannot come after itself"),
        ((), "lead", ("plug", "whole"), "is already there"),
        ((), "lead", ("plug", "hole"), "no outcome `hole`"),
        ((), "leed", ("plug", "whole"), "no step `leed`"),
        ((("loose: loose-socket}", "loose: loose-socket, wet: lead}"),), "socket", None, "passed"),
    ],
)  # fmt: skip
def test_a_place_that_would_break_something_is_refused(
    library: Library, words: Any, step: str, after: Any, wrong: str
) -> None:
    with_text(library, *words)
    with pytest.raises(TreeError, match=wrong):
        move_step(library, "lamp/dark", step, after)


def test_a_step_is_not_put_where_no_walk_comes(library: Library) -> None:
    deeper = "    answers: {firm: hand-over, loose: wire}\n\n  wire:\n    ask: Is it the wire?\n"
    deeper += "    access: [cover-off]\n    minutes: 1\n"
    deeper += "    answers: {pulled: loose-socket, firm: hand-over}\n"
    with_text(library, ("    answers: {firm: hand-over, loose: loose-socket}\n", deeper))
    with pytest.raises(TreeError, match="no walk would reach `socket`"):
        move_step(library, "lamp/dark", "socket", ("wire", "firm"), passed="firm")


def test_what_the_rules_warn_of_is_written_only_even_so(library: Library) -> None:
    with_text(library, ("New plug., module", "New plug., signs: {lead: high}, module"))
    with pytest.raises(Unfit, match="sign-against-path") as refused:
        move_step(library, "lamp/dark", "lead", None)
    assert "--even-so" in str(refused.value)
    move = move_step(library, "lamp/dark", "lead", None, even_so=True)
    assert "sign-against-path" in {one.rule for one in move.findings}
    assert "+start: lead" in move.changes[0].diff()


def test_cases_that_would_end_elsewhere_are_named(library: Library, store: Store) -> None:
    with_text(library, ("high: broken-lead}", "high: broken-lead, undecided: hand-over}"))
    tree = library.load("lamp/dark")
    record(store, tree, [*END[:1], ("lead", "high", 40.0)], "broken-lead")
    record(store, tree, [*END[:1], ("lead", "undecided", None)])
    record(store, tree, [("plug", "broken", None)], "broken-plug")
    move = move_step(library, "lamp/dark", "lead", None, store=store)
    # The plug that was broken was never measured further: it passes the lead and ends as before.
    assert not move.moved
    back = Library(library.root)
    write_all(move.changes)
    # A case that saw both faults ends at the one that is asked first.
    both: Any = [("plug", "broken", None), ("lead", "high", 40.0)]
    record(store, back.load("lamp/dark"), both, "broken-lead")
    move = move_step(Library(library.root), "lamp/dark", "plug", None, store=store)
    assert [str(one) for one in move.moved] == [
        "by its answers case 4 came to the fault `broken-lead`; "
        "on the changed tree it comes to the fault `broken-plug`"
    ]


def test_several_moves_at_once_are_those_moves_one_after_the_other(library: Library) -> None:
    moves = [StepMoves("lead", None), StepMoves("plug", ("socket", "firm"))]
    before = library.path_of("lamp/dark").read_text()
    together = reorder(library, "lamp/dark", moves)
    assert [str(place) for place in together.places] == [
        "at the start, before `plug`",
        "after `socket: firm`, before `hand-over`",
    ]
    assert library.path_of("lamp/dark").read_text() == before
    for move in moves:
        write_all(move_step(library, "lamp/dark", move.step, move.after).changes)
    assert library.path_of("lamp/dark").read_text() == together.changes[0].text
    assert dict(library.load("lamp/dark").steps) == dict(together.now.steps)


def test_a_tree_reckoned_with_other_targets_is_the_tree_built_anew() -> None:
    rng = random.Random(7)
    shipped, compared = shipped_library(), 0
    for name in shipped.trees():
        tree = shipped.load(name)
        data = tree.bundle["tree"]
        places = list(targets(data))
        for _ in range(4):
            keys, _ = rng.choice(places)
            step = rng.choice(list(data["steps"]))
            after = None if len(keys) < 2 else (str(keys[1]), str(keys[-1]))
            try:
                edits, _ = edits_of(data, step, onward(data, step, "")[1], after)
                anew = assembled(tree, edits)
            except TreeError:
                continue
            quick = retargeted(tree, edits)
            compared += 1
            assert quick.start == anew.start
            assert {one.id: dict(one.targets) for one in quick.steps.values()} == {
                one.id: dict(one.targets) for one in anew.steps.values()
            }
            assert {use: dict(one.exits) for use, one in quick.uses.items()} == {
                use: dict(one.exits) for use, one in anew.uses.items()
            }
    assert compared > 40


def dominators(tree: Tree) -> dict[str, set[str]]:
    """Step → the steps that every walk to it comes by, by a library for graphs."""
    graph = nx.DiGraph((step, to) for step, _, to in tree.edges() if to in tree.steps)
    graph.add_node(tree.start)
    above = nx.immediate_dominators(graph, tree.start)
    found = {}
    for name in above:
        chain, at = set(), name
        while at != tree.start:
            at = above[at] or tree.start
            chain.add(at)
        found[name] = chain - {name}
    return found


def random_walks(tree: Tree, rng: random.Random, many: int) -> Iterator[list[str]]:
    for _ in range(many):
        walk: list[str] = []
        at = tree.start
        while at in tree.steps and len(walk) < 80:
            walk.append(at)
            at = rng.choice(list(tree.steps[at].targets.values()))
        yield walk


@pytest.mark.parametrize("many", [10, pytest.param(60, marks=pytest.mark.soak)])
def test_no_walk_comes_past_a_guard_or_a_caution_after_a_move(many: int) -> None:
    """Moves in the shipped trees, walked at random: what was always met before still is."""
    rng, shipped, stood = random.Random(11), shipped_library(), 0
    for name in shipped.trees():
        tree = shipped.load(name)
        data = tree.bundle["tree"]
        before, places = dominators(tree), [keys for keys, _ in targets(data)]
        hard = {stop.id for stop in tree.stops.values() if stop.reason in ("unsafe", "licensed")}
        guards = {step for step, _, to in tree.edges() if to in hard}
        for _ in range(max(5, many // 2)):
            keys, step = rng.choice(places), rng.choice(list(data["steps"]))
            after = None if len(keys) < 2 else (str(keys[1]), str(keys[-1]))
            try:
                new, _, _ = stand(tree, StepMoves(step, after))
            except TreeError:
                continue
            stood += 1
            met = {here: always_met(tree, before.get(here, set())) for here in tree.steps}
            for walk in random_walks(new, rng, many):
                been, read = set[str](), set[str]()
                for here in walk:
                    read.update(tree.steps[here].cautions)
                    own, (wanted, cautions) = tree.steps[here], met[here]
                    kept = {one for one in wanted & guards
                            if set(tree.steps[one].access) <= set(own.access)}  # fmt: skip
                    assert kept <= been, (name, step, after, here)
                    assert wanted.intersection(own.after) <= been
                    assert cautions <= read, (name, step, after, here)
                    been.add(here)
    assert stood > 20


@pytest.mark.parametrize("many", [8, pytest.param(60, marks=pytest.mark.soak)])
def test_no_walk_of_a_tree_with_a_moved_step_passes_a_safety_rule(many: int) -> None:
    stood = 0
    for seed in range(many):
        rng, tree = random.Random(seed), right_tree(random.Random(seed)).tree
        data = tree.bundle["tree"]
        places = [keys for keys, _ in targets(data)]
        for _ in range(5):
            keys, step = rng.choice(places), rng.choice(list(data["steps"]))
            after = None if len(keys) < 2 else (str(keys[1]), str(keys[-1]))
            try:
                new, _, _ = stand(tree, StepMoves(step, after))
            except TreeError:
                continue
            stood += 1
            assert violations(new, random_walk(new, seed, longest=60, advised=0.05)) == []
    assert stood > many


def always_met(tree: Tree, before: set[str]) -> tuple[set[str], set[str]]:
    """The steps that every walk to a step comes by, and the cautions read there."""
    return before, {caution for one in before for caution in tree.steps[one].cautions}


def test_random_moves_in_random_trees_keep_the_file_and_the_ends(tmp_path: Path) -> None:
    done = 0
    for seed in range(12):
        rng = random.Random(seed)
        library = library_of(tmp_path / str(seed), random_tree(rng), rng)
        before = library.path_of("lamp/dark").read_text()
        tree = library.load("lamp/dark")
        places = [(s, o) for s, o, _ in tree.edges()]
        step, place = rng.choice(list(tree.steps)), rng.choice(places)
        try:
            move = move_step(library, "lamp/dark", step, place)
        except TreeError:
            continue
        done += 1
        write_all(move.changes)
        new = library.load("lamp/dark")
        assert new.steps[place[0]].targets[place[1]] == step
        assert new.steps.keys() == tree.steps.keys()
        assert new.loose == tree.loose
        assert comments(library.path_of("lamp/dark").read_text()) == comments(before)
        assert all(file.document.findings == () for file in files_of(library))
    assert done >= 2


# -- at the desk -----------------------------------------------------------------------


@pytest.fixture
def desk(library: Library, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(library.root)
    monkeypatch.setenv("FAULTTREE_RECORD", str(library.root / "record.db"))
    monkeypatch.delenv("FAULTTREE_LIBRARY", raising=False)
    return library.path_of("lamp/dark")


def test_moves_are_shown_and_written_only_when_agreed(desk: Path, capsys: Said) -> None:
    args = ["rename", "lamp/dark", "lead", "--first"]
    assert run([*args, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["kind"], told["written"], told["before"]) == ("step", False, "plug")
    assert told["minutes"]["after"] > told["minutes"]["before"]
    assert desk.read_text() == TREE
    assert run([*args, "--yes"]) == 0
    shown = capsys.readouterr()
    assert shown.out == "lamp/dark: lead comes at the start, before plug\n"
    assert "+start: lead" in shown.err
    assert "What led to lead leads to socket." in shown.err
    assert run(["rename", "lamp/dark", "broken-lead", "--module", "cord-set", "--yes"]) == 0
    shown = capsys.readouterr()
    assert shown.out == "lamp/dark: broken-lead belongs to cord-set\n"
    assert "moved_from: [inlet]" in shown.err


@pytest.mark.parametrize(
    ("more", "wrong"),
    [
        ([], "Nothing to change"),
        (["mains-lead", "--first"], "one change at a time"),
        (["--first", "--after", "plug=whole"], "one change at a time"),
        (["mains-lead", "--even-so"], "--even-so is for a step that is moved"),
        (["mains-lead", "--passed", "inside"], "--passed is for a step that is moved"),
        (["--after", "plug"], "STEP=OUTCOME"),
    ],
)
def test_one_thing_is_changed_at_a_time(
    desk: Path, capsys: Said, more: list[str], wrong: str
) -> None:
    assert run(["rename", "lamp/dark", "lead", *more, "--yes"]) == 2
    assert wrong in capsys.readouterr().err
    assert desk.read_text() == TREE
