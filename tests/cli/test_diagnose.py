"""``faulttree diagnose`` from a script, a pipe and a broken bench: told well, nothing lost."""

from __future__ import annotations

import io
import json
import os
import resource
import signal
import sys
import textwrap
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import pytest

from faulttree.cases import Store, open_store
from faulttree.cases.historical_tree import walked_tree
from faulttree.cases.repair.backup import LAST, note
from faulttree.cli import run
from faulttree.errors import RecordError
from faulttree.tree import shipped_library
from faulttree.walk import Event, fold
from faulttree.walk import events as ev
from faulttree.walk.script import play, read_script
from tests.cases.samples import opened

TREE = "bench-supply/no-output"

EXAMPLE = """\
unit:
  family: bench-supply
  model: two-channel
  serial: tag 14
  ratings: {max-output: 24 V, marked-capacitance: 4700 µF, marked-voltage: 50 V}
complaint: no output
answers:
  - fact: {supply: linear, protection-class: I, insulation-method: 500-volt}
  - look.lead: sound
  - look.housing: sound
  - look.earth: below
  - selector: agree
  - before-power.ready-for-power.look: ready
  - before-power.earth-path.path: 0.12 ohm
  - before-power.insulation-1.insulation: 20 Mohm
  - before-power.plug-short.pins: 26 ohm
  - before-power.first-start.lamp: settles
  - settings: all-right
  - terminals: 0 V
  - fuse: intact
  - plug-pins: 26 ohm
  - output-short: 800 ohm
  - reservoir: 21.4 V
  - discharge: done
  - dead: 0.2 V
  - reservoir-esr: {reading: 1.3 ohm, instrument: esr-1}
  - repair: {fault: dry-reservoir, what: new capacitor}
  - close.cover-off: done
  - before-power.ready-for-power.look: ready
  - before-power.earth-path.path: 0.12 ohm
  - before-power.insulation-1.insulation: 20 Mohm
  - before-power.plug-short.pins: 26 ohm
  - before-power.first-start.lamp: settles
  - reservoir: 33.8 V
  - close.cover-off: done
  - terminals: 12.02 V
outcome: {result: fixed, fault: dry-reservoir}
"""

SMALL = """\
title: A lamp, dark
family: lamp
start: plug
ratings:
  rail: {unit: V, ask: Rated voltage, models: {tall: 12 V}}
steps:
  plug:
    ask: Is it plugged in?
    answers: {yes: unplug, no: not-plugged}
  unplug: {do: Pull the plug, then: bulb}
  bulb:
    measure: Resistance of the bulb, out of its socket
    after: [unplug]
    limits: {min: 10 ohm, max: 100 ohm}
    results: {low: shorted, inside: elsewhere, high: burnt}
faults:
  not-plugged: {title: Not plugged in, remedy: Plug it in.}
  burnt: {title: Bulb burnt, remedy: Replace it., confirm: {step: bulb, gives: inside}}
  shorted: {title: Bulb shorted, remedy: Replace it., confirm: {step: bulb, gives: inside}}
stops:
  elsewhere: {title: It flickers rather, reason: out-of-scope, see: lamp/flickers}
"""

FLICKERS = """\
title: A lamp, flickers
family: lamp
start: socket
steps:
  socket: {ask: Is the socket tight?, answers: {yes: beyond, no: loose}}
faults: {loose: {title: Socket loose, remedy: Tighten it.}}
stops: {beyond: {title: Beyond this tree, reason: out-of-scope}}
"""


@dataclass
class Bench:
    """A folder with a small library and a record, and the command line at work in it."""

    folder: Path
    capsys: pytest.CaptureFixture[str]
    monkeypatch: pytest.MonkeyPatch

    @property
    def record(self) -> str:
        return str(self.folder / "record.db")

    def write(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(textwrap.dedent(text), encoding="utf-8")
        return path

    def run(self, *arguments: str, typed: str = "") -> tuple[int, str, str]:
        self.monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
        self.capsys.readouterr()
        status = run([*arguments, "--record", self.record])
        out, err = self.capsys.readouterr()
        assert "Traceback" not in out + err
        return status, out, err

    def diagnose(self, *arguments: str, typed: str = "") -> tuple[int, str, str]:
        return self.run("diagnose", *arguments, "--library", str(self.folder), typed=typed)

    def answers(self, text: str, *arguments: str, tree: str = "lamp/dark") -> tuple[int, str, str]:
        path = self.write("answers.yaml", text)
        return self.diagnose(tree, "--answers", str(path), *arguments)

    def events(self, words: str = "1") -> tuple[Event, ...]:
        with open_store(self.record, read_only=True) as store:
            return store.events(store.find(words).id)

    def cases(self) -> int:
        with open_store(self.record, read_only=True) as store:
            return len(store.list())


@pytest.fixture
def bench(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Bench:
    bench = Bench(tmp_path, capsys, monkeypatch)
    bench.write("trees/lamp/dark.yaml", SMALL)
    bench.write("trees/lamp/flickers.yaml", FLICKERS)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("FAULTTREE_RECORD", raising=False)
    monkeypatch.delenv("FAULTTREE_LIBRARY", raising=False)
    return bench


# -- a script ---------------------------------------------------------------------------------


def test_the_example_walk_gives_the_agreed_document(bench: Bench) -> None:
    path = bench.write("walk.yaml", EXAMPLE)
    root = str(shipped_library().root)
    status, out, _ = bench.run(
        "diagnose", TREE, "--answers", str(path), "--json", "--library", root
    )
    document = json.loads(out)
    assert status == 0
    assert document["tree"] == TREE
    assert len(document["tree_hash"]) == 64
    assert document["unit"] == {
        "family": "bench-supply",
        "model": "two-channel",
        "serial": "tag 14",
        "ratings": {
            "max-output": "24 V",
            "marked-capacitance": "4700 µF",
            "marked-voltage": "50 V",
        },
    }
    told = [(entry["step"], entry["outcome"]) for entry in document["path"]]
    assert told == [
        ("look.lead", "sound"),
        ("look.housing", "sound"),
        ("look.earth", "below"),
        ("kind", "linear"),
        ("selector", "agree"),
        ("before-power.ready-for-power.look", "ready"),
        ("before-power.earth-path.path", "inside"),
        ("before-power.insulation-1.method", "500-volt"),
        ("before-power.insulation-1.insulation", "inside"),
        ("before-power.plug-short.pins", "inside"),
        ("before-power.first-start.lamp", "settles"),
        ("settings", "all-right"),
        ("terminals", "low"),
        ("fuse", "intact"),
        ("plug-pins", "inside"),
        ("output-short", "inside"),
        ("reservoir", "low"),
        ("discharge", "done"),
        ("dead", "inside"),
        ("reservoir-esr", "high"),
    ]
    read = next(entry for entry in document["path"] if entry["step"] == "reservoir")
    assert read["reading"]["value"] == 21.4
    assert read["verdict"]["lower"] == 27
    assert document["end"] == {"kind": "fault", "id": "dry-reservoir"}
    certain = {"fault": "dry-reservoir", "probability": 1.0, "standing": "open"}
    assert document["possible"] == [certain]
    assert document["none_of_these"] == 0
    assert isinstance(document["untested"], list)
    assert document["minutes"] == pytest.approx(74.0)
    with open_store(bench.record, read_only=True) as store:
        case = store.case(document["case"])
        assert (case.state, case.result, case.fault) == ("closed", "fixed", "dry-reservoir")


def test_a_wrong_step_stops_with_both_names_and_keeps_what_was_before(bench: Bench) -> None:
    status, out, err = bench.answers("answers:\n  - plug: yes\n  - bulb: 20 ohm\n")
    assert status == 2
    assert out == ""
    assert "'bulb'" in err
    assert "'unplug'" in err
    assert "answers.yaml:3" in err
    answered = [event.step for event in bench.events() if isinstance(event, ev.Answered)]
    assert answered == ["plug"]


def test_what_is_wrong_with_the_record_has_no_place_in_the_answers(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_: object) -> None:
        raise RecordError("the server is gone")

    monkeypatch.setattr(Store, "append", gone)
    status, _, err = bench.answers("answers:\n  - plug: yes\n")
    assert status == 2
    assert "the server is gone" in err
    assert "answers.yaml:" not in err


def test_a_walk_asks_for_a_backup_when_the_last_is_old(bench: Bench) -> None:
    def walk() -> str:
        return bench.answers("answers:\n  - plug: yes\n")[2]

    with open_store(bench.record) as store:
        for _ in range(20):
            store.open_case([opened()])
    assert "No backup was made yet: make one with `faulttree backup FILE`." in walk()
    assert bench.run("backup", str(bench.folder / "copy.sqlite"), "--every", "3")[0] == 0
    assert "backup" not in walk()
    with open_store(bench.record) as store:
        note(store, {LAST: "2026-01-01T00:00:00Z"})
    assert "days old" in walk()


def test_answers_that_run_out_leave_the_case_open_and_exit_1(bench: Bench) -> None:
    status, out, _ = bench.answers("answers: [{plug: yes}]", "--json")
    assert status == 1
    assert json.loads(out)["end"] == {"kind": "open", "id": "unplug"}


def test_a_walk_that_reaches_a_stop_exits_0_and_names_the_other_tree(bench: Bench) -> None:
    text = "answers: [{plug: yes}, {unplug: done}, {bulb: 20 ohm}]"
    status, out, _ = bench.answers(text, "--json")
    assert status == 0
    end = json.loads(out)["end"]
    assert (end["kind"], end["id"], end["see"]) == ("stop", "elsewhere", "lamp/flickers")


def test_a_repair_that_is_not_confirmed_leaves_the_case_open(bench: Bench) -> None:
    text = """\
    answers: [{plug: yes}, {unplug: done}, {bulb: OL}]
    confirm: OL
    outcome: {result: fixed}
    """
    status, _, err = bench.answers(text)
    assert status == 1
    assert "not confirmed" in err


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("answers: [{plug: maybe}]", "answers.yaml:1:", "no outcome 'maybe'"),
        ("answers: [{plug: yes, unplug: done}]", "answers.yaml:1:", "1 may stand"),
        ("answers:\n  - plug: yes\n  - unplug: done\n  - bulb: 12 V\n", ":4:", "V"),
        ("answers:\n  - plug: yes\n  - unplug: done\n  - bulb: 20 k\n", ":4:", "mean"),
        ("answers: []\noutcome: {result: fixed}\n", ":2:", "fault"),
        ("answers: []\noutcome: {result: found}\n", ":2:", "no fault is found"),
        ("answers: []\noutcome: {result: mended}\n", ":2:", "mended"),
        ("answers: []\nconfirm: 20 ohm\n", ":2:", "nothing to confirm"),
        ("answers: [{plug: yes}, {back: 0}]", ":1:", "at least 1"),
        ("unit: {ratings: {rale: 3 V}}\nanswers: []\n", ":1:", "rale"),
        ("unit: {ratings: {rail: 3 ohm}}\nanswers: []\n", ":1:", "V"),
        ("answer: []\n", ":1:", "answer"),
        ("answers: [\n", "answers.yaml:", ""),
        ("answers: [{repair: {fault: wurn}}]", ":1:", "wurn"),
    ],
)
def test_what_does_not_fit_is_told_with_its_place(
    bench: Bench, text: str, place: str, words: str
) -> None:
    status, out, err = bench.answers(text)
    assert status == 2
    assert out == ""
    assert place in err
    assert words in err
    assert "\n  " in err, "and how to correct it"


def test_an_unknown_instrument_without_a_bench_is_plain_acceptance(bench: Bench) -> None:
    text = "answers: [{plug: yes}, {unplug: done}, {bulb: {reading: OL, instrument: any}}]"
    status, out, _ = bench.answers(text, "--json")
    assert status == 0
    assert json.loads(out)["path"][-1]["instrument"] == "any"
    bench.write("bench.yaml", "instruments: {dmm: {kind: multimeter, title: Meter}}")
    status, _, err = bench.answers(text)
    assert status == 2
    assert "any" in err


def test_a_model_gives_its_rating_and_words_stay_words(bench: Bench) -> None:
    text = "unit: {model: tall, serial: 0014}\nanswers: [{plug: no}]\noutcome: {result: found}\n"
    status, out, _ = bench.answers(text, "--json")
    assert status == 0
    document = json.loads(out)
    assert document["unit"]["serial"] == "0014"
    assert document["path"][0]["outcome"] == "no"
    assert document["end"] == {"kind": "fault", "id": "not-plugged"}


# -- what it starts from ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("lamp/drak",), "lamp/dark"),
        (("lamp/dark", "--answers", "nowhere.yaml"), "nowhere.yaml"),
        (("nowhere.yaml",), "nowhere.yaml"),
        (("lamp/dark", "--bench", "nowhere.yaml"), "nowhere.yaml"),
        (("--resume",), "no case is open"),
        (("--resume", "tag 99"), "tag 99"),
    ],
)
def test_what_is_not_there_is_named(bench: Bench, arguments: tuple[str, ...], words: str) -> None:
    status, out, err = bench.diagnose(*arguments)
    assert status == 2
    assert out == ""
    assert words in err
    assert bench.cases() == 0 if Path(bench.record).exists() else True


@pytest.mark.parametrize("text", ["instruments: [", "instruments: {dmm: {title: 3}}", "gear: {}"])
def test_a_damaged_bench_file_is_told_with_its_place(bench: Bench, text: str) -> None:
    bench.write("bench.yaml", text)
    status, _, err = bench.answers("answers: []")
    assert status == 2
    assert "bench.yaml:" in err


def test_a_tree_that_could_mislead_is_not_walked_unless_asked_for(bench: Bench) -> None:
    bench.write("trees/lamp/dark.yaml", SMALL.replace("high: burnt", "high: nowhere"))
    status, _, err = bench.answers("answers: [{plug: yes}]")
    assert status == 2
    assert "dark.yaml:" in err
    assert "--even-unchecked" in err
    status, _, _ = bench.answers("answers: [{plug: yes}]", "--even-unchecked")
    assert status == 1


def test_a_damaged_record_is_told_and_left_as_it_is(bench: Bench) -> None:
    Path(bench.record).write_bytes(b"this is no record at all, and was never one" * 100)
    before = Path(bench.record).read_bytes()
    status, _, err = bench.answers("answers: [{plug: yes}]")
    assert status == 2
    assert "record.db" in err
    assert Path(bench.record).read_bytes() == before


# -- in a child that may be killed, starved or made poor --------------------------------------


def in_child(work: Callable[[], int]) -> tuple[int, str]:
    """Run in a forked child; its exit status and all it said."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.dup2(write, 1)
        os.dup2(write, 2)
        sys.stdout = sys.stderr = io.TextIOWrapper(io.FileIO(1, "w"), write_through=True)
        status = 99
        try:
            status = work()
        except BaseException as error:
            print(f"Traceback: {error!r}")
        finally:
            os._exit(status)
    os.close(write)
    with os.fdopen(read, encoding="utf-8") as pipe:
        said = pipe.read()
    _, how = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(how), said


def test_a_full_disk_is_told_and_loses_nothing(bench: Bench) -> None:
    status, _, _ = bench.answers("answers: [{plug: yes}]")
    before = bench.events()
    many = "".join(f"  - note: {'n' * 2000} {n}\n" for n in range(200))
    path = bench.write("many.yaml", f"answers:\n{many}")
    size = max(file.stat().st_size for file in bench.folder.glob("record.db*"))

    def starved() -> int:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + 50_000, size + 50_000))
        library = ("--library", str(bench.folder), "--record", bench.record)
        return run(["diagnose", "lamp/dark", "--answers", str(path), *library])

    status, said = in_child(starved)
    assert status == 2, said
    assert "Traceback" not in said
    assert "record.db" in said
    assert bench.events() == before
    notes = [event for event in bench.events("2") if isinstance(event, ev.Noted)]
    assert notes, "what was acknowledged before the disk was full is kept"


def test_a_read_only_record_is_told(bench: Bench) -> None:
    bench.answers("answers: [{plug: yes}]")
    before = bench.events()
    path = bench.write("again.yaml", "answers: [{plug: yes}]")
    for file in [bench.folder, *bench.folder.rglob("*")]:
        file.chmod(0o555 if file.is_dir() else 0o444)
    above = [parent for parent in bench.folder.parents if parent.stat().st_uid == os.getuid()]
    modes = {parent: parent.stat().st_mode for parent in above if parent != Path("/")}

    def poor() -> int:
        if os.getuid() == 0:
            os.setgroups([])
            os.setgid(65534)
            os.setuid(65534)
        library = ("--library", str(bench.folder), "--record", bench.record)
        return run(["diagnose", "lamp/dark", "--answers", str(path), *library])

    try:
        for parent, mode in modes.items():
            parent.chmod(mode | 0o005)
        status, said = in_child(poor)
    finally:
        for parent, mode in modes.items():
            parent.chmod(mode)
        for file in [bench.folder, *bench.folder.rglob("*")]:
            file.chmod(0o755 if file.is_dir() else 0o644)
    assert status == 2, said
    assert "Traceback" not in said
    assert "record.db" in said
    assert bench.events() == before


def kill_somewhere(folder: Path, random: Random) -> None:
    """Kill a scripted walk at a random moment; what it acknowledged is there, in order."""
    tree = shipped_library().load(TREE)
    record = str(folder / f"{random.random()}.db")
    notes: list[dict[str, Any]] = [{"note": f"{n}"} for n in range(20)]
    answers = [*notes, {"look.lead": "sound"}, *notes, {"look.housing": "sound"}, *notes]
    script = read_script({"answers": answers})
    wanted: list[Event] = []
    play(tree, script, emit=wanted.append, clock=lambda: "2026-02-11T10:00:00Z")
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            with open_store(record) as store:
                case, count = "", 0

                def keep(event: Event) -> None:
                    nonlocal case, count
                    if not case:
                        case = store.open_case([event], tree_text=tree.text)
                    else:
                        store.append(case, count, event)
                    count += 1
                    os.write(write, b".")

                os.write(write, b"+")
                play(tree, script, emit=keep, clock=lambda: "2026-02-11T10:00:00Z")
        finally:
            os._exit(0)
    os.close(write)
    os.read(read, 1)
    time.sleep(random.uniform(0, 0.12))
    os.kill(child, signal.SIGKILL)
    acknowledged = b""
    while more := os.read(read, 4096):
        acknowledged += more
    os.close(read)
    os.waitpid(child, 0)
    with open_store(record) as store:
        found = store.list()
        events = store.events(found[0].id) if found else ()
        assert len(acknowledged) <= len(events) <= len(acknowledged) + 1
        assert list(events) == wanted[: len(events)]
        if events:
            again = walked_tree(store, list(events))
            assert fold(again, events) == fold(tree, wanted[: len(events)])


def test_kill_at_a_random_moment_loses_no_acknowledged_answer(tmp_path: Path) -> None:
    random = Random(11)
    for _ in range(8):
        kill_somewhere(tmp_path, random)


@pytest.mark.soak
def test_two_hundred_kills_lose_no_acknowledged_answer(tmp_path: Path) -> None:
    random = Random(12)
    for _ in range(200):
        kill_somewhere(tmp_path, random)


# -- a pipe -----------------------------------------------------------------------------------

INTAKE = "tall tag 3: dark\n"


def test_a_piped_walk_pauses_at_the_end_of_input_and_goes_on(bench: Bench) -> None:
    status, out, _ = bench.diagnose("lamp/dark", typed=INTAKE + "ye\n")
    assert status == 1
    assert "Paused. Go on with: faulttree diagnose --resume 1" in out
    assert "\x1b" not in out
    status, out, _ = bench.diagnose("--resume", "tag 3", typed="\nback\n\n500 ohm\n")
    assert status == 0
    assert "Bulb burnt" in out
    status, out, _ = bench.diagnose("--resume", typed="new bulb\n\n20 ohm\n1\n")
    assert status == 0
    assert "Confirmed: Bulb burnt." in out
    assert "case 1 is closed: fixed, returned" in out
    status, _, err = bench.diagnose("--resume", "1")
    assert status == 2
    assert "cases reopen" in err


def test_two_open_cases_are_told_apart_by_their_tags(bench: Bench) -> None:
    bench.diagnose("lamp/dark", typed="tall tag 3: dark\nyes\n")
    bench.diagnose("lamp/dark", typed="tall tag 4: dark\n")
    _, out, _ = bench.diagnose("--resume", "tag 4")
    assert "Is it plugged in?" in out
    _, out, _ = bench.diagnose("--resume", "tag 3")
    assert "Pull the plug" in out


def test_a_unit_that_stands_open_already_is_pointed_out(bench: Bench) -> None:
    bench.diagnose("lamp/dark", typed="tall tag 3: dark\nyes\n")
    _, out, _ = bench.diagnose("lamp/dark", typed="tall tag 3\n\n")
    assert "'tag 3' already has an open case, case 1" in out
    assert out.index("already has an open case") < out.index("Complaint")
    _, out, _ = bench.diagnose("lamp/dark", "--serial", "tag 3", typed="")
    assert "'tag 3' already has an open case, case 2" in out
    _, out, _ = bench.diagnose("lamp/dark", typed="tall tag 4: dark\n")
    assert "has an open case" not in out


def test_no_fault_found_in_a_script_tells_of_a_likely_suspect_not_tested(bench: Bench) -> None:
    ending = "outcome: {result: no-fault-found, became: returned}\n"
    _, _, err = bench.answers(f"answers:\n  - note: tried\n{ending}", tree="lamp/flickers")
    assert "no fault found, but 'loose' is likely" in err
    assert "not tested: socket" in err
    _, _, err = bench.answers(f"answers:\n  - socket: yes\n{ending}", tree="lamp/flickers")
    assert "is likely" not in err


def test_leaving_before_a_case_is_open_records_nothing(bench: Bench) -> None:
    status, _, err = bench.diagnose("lamp/dark", typed="tag 3\n")
    assert status == 1
    assert "nothing is recorded" in err
    assert bench.cases() == 0


def test_words_that_fit_several_trees_are_asked_about(bench: Bench) -> None:
    _, out, _ = bench.diagnose("lamp", typed="7\n2\ntag 3: 1\n")
    assert "A lamp, dark  (lamp/dark)" in out
    assert "Is the socket tight?" in out


def test_another_complaint_goes_on_as_a_linked_case(bench: Bench) -> None:
    typed = INTAKE + "yes\n\n20 ohm\nyes\n\nno\n"
    status, out, _ = bench.diagnose("lamp/dark", typed=typed)
    assert status == 0
    assert "case 1 is closed: referred, waiting" in out
    assert "Socket loose" in out
    first, second = bench.events("1"), bench.events("2")
    assert isinstance(first[-1], ev.Closed)
    opened = second[0]
    assert isinstance(opened, ev.Opened)
    with open_store(bench.record, read_only=True) as store:
        assert opened.linked == store.find("1").id
    assert opened.unit["serial"] == "tag 3"


def test_json_of_a_sitting_keeps_people_off_the_standard_output(bench: Bench) -> None:
    status, out, err = bench.diagnose("lamp/dark", "--json", typed=INTAKE + "no\n")
    assert status == 0
    assert json.loads(out)["end"] == {"kind": "fault", "id": "not-plugged"}
    assert "Is it plugged in?" in err


# -- what the record knows of other cases -------------------------------------------------------

SOLVED = "yes\n\n500 ohm\nnew bulb\n\n20 ohm\n1\n"


def test_one_line_takes_a_unit_in_and_finds_its_tree(bench: Bench) -> None:
    _, out, _ = bench.diagnose("--intake", "tall tag 7: flickers", typed="1\n")
    assert "Is the socket tight?" in out
    opened = bench.events("1")[0]
    assert isinstance(opened, ev.Opened)
    assert (opened.unit["model"], opened.unit["serial"]) == ("tall", "tag 7")
    _, out, _ = bench.diagnose("lamp/dark", "--intake", "tag 7 tall: stays dark", typed="")
    assert "'tag 7' already has an open case, case 1" in out
    assert "Is it plugged in?" in out


def test_a_unit_that_was_here_before_is_told_when_it_is_taken_in(bench: Bench) -> None:
    bench.diagnose("lamp/dark", "--intake", "tall tag 3: dark", typed=SOLVED)
    _, out, _ = bench.diagnose("lamp/dark", typed="tall tag 3\n")
    assert "'tag 3' was here before: case 1" in out
    assert "fixed burnt" in out


def test_similar_cases_are_told_from_the_second_answer_on(bench: Bench) -> None:
    bench.diagnose("lamp/dark", "--intake", "tall tag 3: dark", typed=SOLVED)
    bench.diagnose(
        "lamp/dark", "--intake", "tall tag 4: dark", typed="no\nplugged it in\nyes\nlit\n1\n"
    )
    typed = "similar\nyes\nsimilar\n\nsimilar\n"
    _, out, _ = bench.diagnose("lamp/dark", "--intake", "tall tag 5: dark", typed=typed)
    assert out.count("too little is known for similar cases") == 2
    told = out[out.index("Closed cases like this one") :]
    assert "tall tag 3: 2 alike" in told
    assert "Bulb burnt; repaired: new bulb; it has lasted so far." in told
    assert "tag 4" not in told  # it gave another answer at the plug


def test_cases_are_found_by_what_was_found_in_them(bench: Bench) -> None:
    bench.diagnose("lamp/dark", "--intake", "tall tag 3: no light", typed=SOLVED)
    bench.diagnose("lamp/dark", "--intake", "tall tag 4: no light", typed="no\n")
    for words in (["bulb", "burnt"], ["Replace"], ["new", "bulb"]):
        _, out, _ = bench.run("cases", "list", *words)
        assert "tag 3" in out, words
        assert "tag 4" not in out, words


def test_steps_that_somebody_did_this_week_are_put_briefly(bench: Bench) -> None:
    def taken_in(*options: str, typed: str = "") -> str:
        return bench.diagnose("lamp/dark", "--intake", "tall tag 3: dark", *options, typed=typed)[1]

    taken_in("--who", "ab", typed="yes\n")
    again = taken_in("--who", "ab", typed="yes\n")
    assert "1 ASK     Is it plugged in?" in again
    assert "Takes" in again[again.index("Pull the plug") :]  # that step is new to ab
    assert "1 ASK" not in taken_in()
    assert "1 ASK" not in taken_in("--who", "cd")
    asked = taken_in("--brief", typed="how\n")
    assert asked.index("1 ASK") < asked.index("Takes")


def test_what_a_unit_is_can_be_set_in_its_case(bench: Bench) -> None:
    bench.diagnose("lamp/dark", "--intake", "tag 3: dark", typed="\nyes\n")
    library = ("--library", str(bench.folder))
    for name, value in (("tag", "tag 8"), ("rail", "12,0 V"), ("model", "tall")):
        status, _, err = bench.run("cases", "set", "1", name, value, *library)
        assert status == 0
        assert f"{value}" in err
    _, out, _ = bench.run("cases", "list", "--serial", "tag 8", "--model", "tall")
    assert "tall tag 8" in out
    for name, value in (("rail", "12 A"), ("hue", "red"), ("model", "")):
        status, _, err = bench.run("cases", "set", "1", name, value, *library)
        assert status == 2, name
        assert len(err.strip().splitlines()) <= 3
    bench.run("cases", "close", "1", "--result", "referred", "--declined", "no time")
    assert bench.run("cases", "set", "1", "rail", "5 V", *library)[0] == 2
    assert bench.run("cases", "set", "1", "complaint", "hums", *library)[0] == 0
