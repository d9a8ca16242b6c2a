"""What a proposal that moves steps promises: sound, quicker, never without a yes, never unsafe."""

from __future__ import annotations

import contextlib
import io
import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean
from typing import Any

import pytest
import yaml

from faulttree.authoring.edited_check import EditedCheck
from faulttree.authoring.operations.add_cause import expected_minutes
from faulttree.authoring.operations.move import reorder
from faulttree.authoring.replay import minutes_of
from faulttree.cases import Store, open_store
from faulttree.cases.fault_counts import confirmed
from faulttree.cli import run
from faulttree.errors import TreeError
from faulttree.figures import review
from faulttree.figures.counts import tally
from faulttree.figures.order_replay import CurrentOrder, ReplayCase
from faulttree.figures.proposals.apply import edit_of
from faulttree.figures.proposals.branches import FILL_IN, to_tell_apart
from faulttree.figures.proposals.moves import Mover
from faulttree.figures.proposals.proposal import ReviewProposal
from faulttree.figures.replay import cases_of, recorded
from faulttree.figures.simulation.simulator import Shop, fill, simulate
from faulttree.figures.tree_counts import gather
from faulttree.odds import guarded_table
from faulttree.tree import Library, Tree, shape_of, shipped_library
from faulttree.tree.edit import DataEdits, Editor, write_all
from faulttree.walk import fold
from faulttree.walk.events import Closed

NAME = "work-lamp/dark"

LAMP = """\
# The lamps of the tool library's own benches.
title: Work lamp, dark
family: work-lamp
modules: [lamp-head]
symptoms: [stays dark]
access:
  head-off: {minutes: 5, how: Four screws behind the ring.}
start: look

steps:
  look:
    ask: Is the lamp whole and dry, also its lead?
    minutes: 1
    answers: {whole: emitter, cracked: keep-off}   # nothing is plugged in before this
  emitter:
    # Slow, and it was the first idea we had.
    ask: Is the emitter free of dark spots?
    how: Unplugged.
    access: [head-off]
    minutes: 4
    answers: {clear: wires, spotted: burnt-emitter}
  wires:
    ask: Are both wires firm in the terminal of the head?
    how: Unplugged.
    access: [head-off]
    minutes: 6
    answers: {firm: plug, loose: loose-wire}
  plug:   # quick
    ask: Does the low-voltage plug sit firm in its socket?
    minutes: 1
    answers: {firm: hand-over, loose: loose-plug}

faults:
  burnt-emitter:
    title: Emitter burnt
    part: emitter
    module: lamp-head
    remedy: Replace the emitter board.
    confirm: {step: emitter, gives: clear}
    signs: {wires: firm, plug: firm}
    weight: 12
  loose-wire:
    title: Wire loose in its terminal
    part: terminal
    module: lamp-head
    remedy: Cut back to bright wire and tighten.
    confirm: {step: wires, gives: firm}
    signs: {emitter: clear, plug: firm}
    weight: 9
  loose-plug:
    title: Plug worn, falls out
    part: plug
    module: lamp-head
    remedy: Replace the plug.
    confirm: {step: plug, gives: firm}
    weight: 0.5

stops:
  keep-off: {title: Not safe to go on, reason: unsafe}
  hand-over: {title: Beyond this tree, reason: out-of-scope}
"""

OFTEN = {"loose-plug": 0.7, "loose-wire": 0.2, "burnt-emitter": 0.1}


def lamp(folder: Path, *words: tuple[str, str]) -> Library:
    """The lamp's tree in a library of its own, with some words changed."""
    text = LAMP
    for old, new in words:
        assert old in text
        text = text.replace(old, new)
    path = folder / "trees" / f"{NAME}.yaml"
    path.parent.mkdir(parents=True)
    path.write_text(text)
    return Library(folder)


def shop(seed: int, shares: dict[str, float], **more: Any) -> Shop:
    return Shop(seed=seed, drift=1.0, shares={NAME: shares}, **more)


@pytest.fixture
def store() -> Iterator[Store]:
    with open_store(None) as opened:
        yield opened


def proposals(store: Store, library: Library) -> list[ReviewProposal]:
    (figures,) = review(store, library).trees
    return list(figures.proposals)


def the(action: str, found: list[ReviewProposal]) -> ReviewProposal:
    (one,) = [proposal for proposal in found if proposal.change["action"] == action]
    return one


def targets_only(before: str, after: str) -> list[str]:
    """The lines that changed, whose targets are the one thing that may differ."""
    pairs = zip(before.splitlines(), after.splitlines(), strict=True)
    changed = [(old, new) for old, new in pairs if old != new]
    assert all(old.split("{")[0] == new.split("{")[0] for old, new in changed)
    return [old.split(":")[0].strip() for old, _ in changed]


def minutes(tree: Tree, fresh: Shop, cases: int) -> float:
    """Mean minutes of the search, by the tree's own figures, of cases whose fault was found."""
    return fmean(
        minutes_of(fold(tree, walk.events))
        for walk in simulate([tree], fresh, cases=cases)
        if isinstance(walk.events[-1], Closed) and walk.events[-1].result == "fixed"
    )


def test_an_order_that_is_applied_saves_what_the_odds_say_on_a_new_case_load(
    tmp_path: Path, store: Store
) -> None:
    library = lamp(tmp_path)
    old = library.load(NAME)
    fill(store, [old], shop(2, OFTEN), cases=150)
    proposal = the("move-steps", proposals(store, library))
    assert proposal.by_hand == ""
    edit = edit_of(library, proposal, store=store)

    # By the odds, with the record as the history of the faults.
    before, after = edit.minutes or (0.0, 0.0)
    history = confirmed(store)
    assert before == pytest.approx(expected_minutes(old, history), rel=0.02)
    assert after < before - 5
    write_all([edit.change])
    new = Library(tmp_path).load(NAME)
    assert after == pytest.approx(expected_minutes(new, history), rel=0.02)

    # On units that nobody has seen yet, without slips: both trees, the same faults.
    steady = {"slip": 0.0, "skip": 0.0, "back": 0.0, "unsure": 0.0, "gives_up": 0.0}
    steady |= {"returns": 0.0, "unknown": 0.0}
    was, now = (minutes(tree, shop(77, OFTEN, **steady), 400) for tree in (old, new))
    assert now < was
    assert was - now == pytest.approx(before - after, rel=0.15)

    # Only targets are another; words and comments stand, and nothing new is left to move.
    assert set(targets_only(LAMP, edit.change.text)) == {"answers"}
    again = proposals(store, Library(tmp_path))
    assert not [one for one in again if one.change["action"] == "move-steps"]


def test_the_look_for_damage_stays_first_whatever_it_costs(tmp_path: Path, store: Store) -> None:
    library = lamp(tmp_path, ("also its lead?\n    minutes: 1", "also its lead?\n    minutes: 30"))
    fill(store, [library.load(NAME)], shop(2, OFTEN), cases=150)
    moved = the("move-steps", proposals(store, library))
    assert {one["step"] for one in moved.change["moves"]} <= {"plug", "wires", "emitter"}
    assert reorder_of(library, moved).start == "look"


def reorder_of(library: Library, proposal: ReviewProposal) -> Tree:
    edit = edit_of(library, proposal)
    tree = library.examine_text(edit.change.text, edit.change.path).tree
    assert tree is not None
    return tree


def test_no_step_is_moved_to_before_a_caution_it_came_after(tmp_path: Path, store: Store) -> None:
    """The quick test would save most, were the caution not read on the way to it."""
    words = ("dark spots?\n", "dark spots?\n    cautions: [stored-charge]\n")
    library = lamp(tmp_path, words)
    fill(store, [library.load(NAME)], shop(2, OFTEN), cases=150)
    found = [one for one in proposals(store, library) if one.change.get("moves")]
    for proposal in found:
        tree = reorder_of(library, proposal)
        ways = {to for step, _, to in tree.edges() if step == "look"}
        assert "plug" not in ways
    told = ReviewProposal("order", "", "", "", {}, {
        "action": "move-steps", "tree": NAME,
        "moves": [{"step": "plug", "after": ["look", "whole"]}],
    })  # fmt: skip
    with pytest.raises(TreeError, match="before the caution `stored-charge` is read"):
        edit_of(library, told, even_so=True)
    assert library.path_of(NAME).read_text() == LAMP.replace(*words)


def test_a_fault_that_would_be_missed_holds_its_step_in_place(tmp_path: Path, store: Store) -> None:
    """Without signs nobody knows what the wires' fault shows at the plug, nor what others do."""
    library = lamp(
        tmp_path,
        ("    signs: {wires: firm, plug: firm}\n", ""),
        ("    signs: {emitter: clear, plug: firm}\n", ""),
    )
    fill(store, [library.load(NAME)], shop(2, OFTEN), cases=150)
    assert not [one for one in proposals(store, library) if one.change.get("moves")]


def test_what_is_asked_behind_an_answer_stays_behind_it(tmp_path: Path, store: Store) -> None:
    """ "Which plug?" is asked of a unit that has two; it means nothing of the others."""
    library = lamp(
        tmp_path,
        ("{firm: plug, loose: loose-wire}", "{firm: kind, loose: loose-wire}"),
        (
            "  plug:   # quick\n",
            "  kind:\n    ask: Plug or fixed lead?\n    minutes: 1\n"
            "    answers: {plug: plug, fixed: hand-over}\n  plug:   # quick\n",
        ),
    )
    fill(store, [library.load(NAME)], shop(2, OFTEN), cases=150)
    for one in proposals(store, library):
        assert "plug" not in [move["step"] for move in one.change.get("moves", ())]


def test_a_test_that_never_finds_anything_is_moved_down(tmp_path: Path, store: Store) -> None:
    library = lamp(tmp_path)
    fill(store, [library.load(NAME)], shop(3, {"loose-plug": 0.5, "loose-wire": 0.5}), cases=150)
    found = [one for one in proposals(store, library) if one.kind == "move-down"]
    (fault,) = [one for one in found if one.change.get("fault") == "burnt-emitter"]
    (move,) = fault.change["moves"]
    assert move["step"] == "emitter"
    assert fault.figures["minutes_after"] < fault.figures["minutes_before"]
    tree = reorder_of(library, fault)
    assert tree.steps["look"].targets["whole"] != "emitter"
    assert "burnt-emitter" in tree.steps["emitter"].targets.values()


def test_a_test_behind_all_others_cannot_be_moved_down_and_the_review_says_so(
    tmp_path: Path, store: Store
) -> None:
    library = lamp(tmp_path)
    fill(store, [library.load(NAME)], shop(3, {"burnt-emitter": 0.5, "loose-wire": 0.5}), cases=150)
    found = [one for one in proposals(store, library) if one.kind == "move-down"]
    (fault,) = [one for one in found if one.change.get("fault") == "loose-plug"]
    assert fault.change["moves"] == []
    assert "No later place" in fault.by_hand
    with pytest.raises(TreeError, match="must be applied manually") as told:
        edit_of(library, fault)
    assert "faulttree rename" in (told.value.remedy or "")


def found_late(tree: Tree) -> dict[str, float]:
    """Shares of the faults of a tree, the one that takes longest to find by far the largest."""
    order = CurrentOrder(tree, guarded_table(tree))
    faults = [name for name in tree.faults if name not in tree.loose]
    minutes = {name: order.way(ReplayCase(name, frozenset())).minutes for name in faults}
    last = max(minutes, key=lambda name: minutes[name])
    return {name: 20.0 if name == last else 1.0 for name in faults}


def test_moves_in_the_shipped_trees_keep_the_rules(tmp_path: Path, store: Store) -> None:
    """Whatever the record of a tree, what is proposed passes every rule and keeps every step.

    A record is drawn up in which a move pays, if any may. In the lamp's tree one does: a
    question of one minute for the commonest fault comes last in it.
    """
    shipped, own = shipped_library(), lamp(tmp_path)
    names = ["drying-cabinet/temperature-wrong", "usb-lamp/flickers", "extension-reel/no-power"]
    libraries = {**dict.fromkeys(names, shipped), NAME: own}
    trees = [library.load(name) for name, library in libraries.items()]
    fitness = {library.root: EditedCheck(library) for library in (shipped, own)}
    told = {tree.id: OFTEN if tree.id == NAME else found_late(tree) for tree in trees}
    fill(store, trees, Shop(seed=1, drift=1.0, shares=told), cases=200)
    moved = Counter[str]()
    for count in gather(store, tally(store), trees):
        library = libraries[count.tree.id]
        known = recorded(cases_of(store, count, {}), count.tree)
        # Without the rules at hand, so that they are asked here and nowhere before.
        for only in [None, *([step] for step in count.tree.bundle["tree"]["steps"])]:
            tried = Mover(known).tried(only, most=1)
            if tried is None:
                continue
            moved[count.tree.id] += 1
            made = reorder(
                library, count.tree.id, tried[0].moves, even_so=True,
                fitness=fitness[library.root],
            )  # fmt: skip
            assert all(one.level != "error" for one in made.findings)
            assert made.now.steps.keys() == count.tree.steps.keys()
            assert made.now.start == count.tree.start
            assert made.now.closing == count.tree.closing
            assert tried[1].misled == 0
            assert tried[0].expected[1] < tried[0].expected[0]
    assert moved[NAME]


# -- at the desk -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Called:
    exit_code: int
    stdout: str
    stderr: str


def called(library: Library, record: Path, *arguments: str, typed: str = "") -> Called:
    where = ("--library", str(library.root), "--record", str(record), "--tree", NAME)
    out, err = io.StringIO(), io.StringIO()
    with (
        pytest.MonkeyPatch.context() as patch,
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        patch.setattr("sys.stdin", io.StringIO(typed))
        code = run(["review", *where, *arguments])
    return Called(code, out.getvalue(), err.getvalue())


@pytest.fixture
def desk(tmp_path: Path) -> tuple[Library, Path]:
    library, record = lamp(tmp_path / "library"), tmp_path / "record.db"
    with open_store(str(record)) as store:
        fill(store, [library.load(NAME)], shop(2, OFTEN), cases=150)
    return library, record


def test_steps_are_moved_only_with_a_yes(desk: tuple[Library, Path]) -> None:
    library, record = desk
    path = library.path_of(NAME)
    listed = called(library, record)
    assert "1. Move plug after look: whole, before emitter" in listed.stdout
    assert "--apply 1]" in listed.stdout
    assert "[by hand]" in listed.stdout

    asked = called(library, record, "--apply", "1", "--plain", typed="no\n")
    assert asked.exit_code == 1
    assert "Write it?" in asked.stdout
    assert "min before" in asked.stdout
    assert path.read_text() == LAMP

    shown = json.loads(called(library, record, "--apply", "1", "--json").stdout)
    assert shown["written"] is False
    assert shown["expected_minutes"]["after"] < shown["expected_minutes"]["before"]
    assert path.read_text() == LAMP

    done = called(library, record, "--apply", "1", "--plain", typed="yes\n")
    assert done.exit_code == 0, done.stderr
    assert targets_only(LAMP, path.read_text())
    assert called(library, record).exit_code == 0


def test_a_move_that_the_rules_object_to_leaves_the_file_as_it_was(
    desk: tuple[Library, Path],
) -> None:
    library, record = desk
    proposal = next(one for one in reviewed(library, record) if one.change.get("moves"))
    # Meanwhile somebody wrote down what the fault shows at the plug, against the new order.
    path = library.path_of(NAME)
    now = LAMP.replace("{wires: firm, plug: firm}", "{wires: firm, plug: loose}")
    path.write_text(now)
    with pytest.raises(TreeError, match="sign-against-path"):
        edit_of(library, proposal)
    assert path.read_text() == now


def reviewed(library: Library, record: Path) -> list[ReviewProposal]:
    with open_store(str(record), read_only=True) as store:
        return proposals(store, library)


def test_an_order_planned_anew_is_for_an_authors_hand(desk: tuple[Library, Path]) -> None:
    library, record = desk
    found = reviewed(library, record)
    number = found.index(the("replace-order", found)) + 1
    refused = called(library, record, "--apply", str(number), "--yes")
    assert refused.exit_code == 2
    assert "must be applied manually" in refused.stderr
    assert library.path_of(NAME).read_text() == LAMP


# -- a test that nobody has named yet ----------------------------------------------------------


def test_the_piece_to_fill_in_is_a_sound_step_once_it_is_put_in(tmp_path: Path) -> None:
    library = lamp(tmp_path)
    tree = library.load(NAME)
    piece = to_tell_apart(tree, ["loose-wire", "loose-plug"])
    (step,) = yaml.safe_load(piece["fragment"]).items()
    assert step[0] == piece["step"]
    assert FILL_IN in step[1]["ask"]
    assert [*step[1]["answers"].values()] == ["loose-wire", "loose-plug"]
    assert set(piece["instead"].values()) == {"loose-wire", "loose-plug"}

    path = library.path_of(NAME)
    document = library.examine(path).documents["tree"]
    editor = Editor(document, path.read_bytes(), shape_of("tree"))
    editor.add(("steps",), step[0], step[1])
    for place in piece["instead"]:
        editor.set(place.split("."), piece["step"])
    change = editor.change()
    new = EditedCheck(library).new(change)
    assert [one for one in new if one.level == "error"] == []
    now = library.examine_text(change.text, path).tree
    assert now is not None
    assert now.steps["wires"].targets["loose"] == piece["step"]
    edited = DataEdits(yaml.safe_load(LAMP))
    edited.add(("steps",), step[0], step[1])
    assert now.steps[piece["step"]].targets == edited.data["steps"][piece["step"]]["answers"]


def test_faults_taken_for_one_another_come_with_a_piece_to_fill_in(tmp_path: Path) -> None:
    library, record = lamp(tmp_path / "library"), tmp_path / "record.db"
    path = library.path_of(NAME)
    said = tmp_path / "case.yaml"
    where = ("--library", str(library.root), "--record", str(record))
    for number in range(5):
        said.write_text(
            f"unit: {{family: work-lamp, serial: tag {number}}}\n"
            "complaint: stays dark\n"
            "answers:\n"
            "  - look: whole\n  - emitter: clear\n  - wires: loose\n"
            "  - repair: {fault: loose-wire, confirm: loose}\n"
            "  - plug: loose\n"
            "outcome: {result: fixed, fault: loose-plug}\nconfirm: firm\n"
        )
        assert run(["diagnose", NAME, "--answers", str(said), *where]) == 0
    found = reviewed(library, record)
    number = next(at for at, one in enumerate(found, 1) if one.kind == "tell-apart")
    told = called(library, record, "--apply", str(number), "--yes")
    assert told.exit_code == 1
    assert "Only you can make this change" in told.stderr
    assert FILL_IN in told.stdout
    assert yaml.safe_load(told.stdout)
    plain = json.loads(called(library, record, "--apply", str(number), "--json").stdout)
    assert plain["change"]["fragment"].rstrip() == told.stdout.rstrip()
    assert plain["by_hand"]
    assert path.read_text() == LAMP
