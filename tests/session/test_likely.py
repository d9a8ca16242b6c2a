"""A fault is named with its evidence: found, or likely with the tests that are still open."""

from __future__ import annotations

import pytest

from faulttree.errors import FaulttreeError
from faulttree.reading import Bench, read_bench
from faulttree.terminal.advice_text import suspects_view
from faulttree.walk import events as ev
from faulttree.walk import fold
from faulttree.walk.document import document
from faulttree.walk.script import Script, play
from tests.session.samples import LAMP, Driver, lamp

STEPS = {
    "seen": {"ask": "Is the bulb black?", "answers": {"black": "burnt", "clear": "contact"}},
    "contact": {"ask": "Is the contact clean?", "answers": {"clean": "sound", "dirty": "loose"}},
    "sound": {"ask": "Does it rattle?", "answers": {"rattles": "shorted", "quiet": "not-plugged"}},
}


FAULTS = {
    **LAMP["faults"],
    "burnt": {"title": "Bulb burnt", "remedy": "Replace it."},
}


def chain() -> Driver:
    """Three questions; the last outcome holds only where the others were made."""
    return Driver(
        lamp(start="seen", steps=STEPS, faults=FAULTS, cautions=[], stops={}), likely_below=0.8
    )


def reached(driver: Driver) -> ev.Reached:
    return [event for event in driver.events if isinstance(event, ev.Reached)][-1]


def test_a_fault_by_elimination_is_found_where_the_eliminations_were_made() -> None:
    driver = chain()
    driver.type("clear", "clean", "quiet")
    assert driver.prompt.kind == "fault"
    assert (reached(driver).fault, reached(driver).standing) == ("not-plugged", "found")
    # J. Pearl, Probabilistic Reasoning in Intelligent Systems (1988), 2.2.2, worked by hand.
    # Error rate 0.05; prior 0.95/4 for each fault and 0.05 for none of these, which shows
    # either outcome of a question with 1/2. Bulb and contact miss one answer each (0.05); past
    # them any outcome of the questions behind is as likely as another (1/2).
    fits = 0.95 / 4 * 0.95**3
    rivals = 0.95 / 4 * (0.05 / 4 + 0.95 * 0.05 / 2 + 0.95**2 * 0.05)
    assert reached(driver).probability == pytest.approx(fits / (fits + rivals + 0.05 / 8), abs=0.01)


def test_past_a_skipped_test_a_fault_is_only_likely_and_the_test_is_offered_first() -> None:
    driver = chain()
    driver.type("go sound", "quiet")
    assert driver.prompt.kind == "likely"
    assert driver.state.end is None
    kept = reached(driver)
    assert (kept.standing, kept.threshold) == ("likely", 0.8)
    assert {"seen", "contact"} <= set(kept.open_tests)
    assert {rival["fault"] for rival in kept.rivals} >= {"burnt", "loose"}
    assert driver.prompt.choices[-1].id == "take-it"
    driver.type("")
    assert driver.state.ask is not None
    assert driver.state.ask.id == kept.open_tests[0]
    assert not any(isinstance(event, ev.LikelyAccepted) for event in driver.events)


def test_a_plain_skip_makes_the_fault_likely() -> None:
    driver = chain()
    driver.type("skip no light to see by", "go sound", "quiet")
    assert driver.prompt.kind == "likely"
    assert "seen" in reached(driver).open_tests


def test_only_the_technician_makes_a_likely_fault_the_one_worked_on() -> None:
    driver = chain()
    driver.type("go sound", "quiet", "take-it")
    assert driver.prompt.kind == "fault"
    assert driver.state.end is not None
    assert driver.state.end.id == "not-plugged"
    driver.type("back")
    assert driver.prompt.kind == "likely"
    assert isinstance(driver.events[-1], ev.Withdrawn)
    driver.type("repaired", "plugged it in")
    kinds = [type(event).__name__ for event in driver.events[-2:]]
    assert kinds == ["LikelyAccepted", "RepairTried"]


def test_back_from_an_open_test_is_back_at_the_likely_fault() -> None:
    driver = chain()
    driver.type("go sound", "quiet", "1")
    assert driver.prompt.kind == "step"
    driver.type("back")
    assert driver.prompt.kind == "likely"


def now_opened() -> Driver:
    """The three questions in a case that keeps what the odds take as usually normal."""
    tree = chain().tree
    opened = ev.Opened(tree="x", tree_hash=tree.hash, usually_normal=0.7)
    return Driver(tree, events=[opened], likely_below=0.88)


def test_the_deciding_test_made_again_is_offered_first_and_counts() -> None:
    driver = now_opened()
    driver.type("clear", "clean", "quiet")
    first = reached(driver)
    assert (driver.prompt.kind, first.open_tests) == ("likely", ("sound",))
    assert driver.prompt.choices[0].text.startswith("make again: Does it rattle? (")
    driver.type("")
    assert driver.state.ask is not None
    driver.type("quiet")
    assert (driver.prompt.kind, reached(driver).standing) == ("fault", "found")
    # By hand as above, with what is usually normal: burnt shows clean with 0.7. A wrong answer,
    # 0.05, comes twice with 0.05 · (0.25 + 0.75 · 0.05).
    for kept, wrong in ((first, 0.05), (reached(driver), 0.05 * (0.25 + 0.75 * 0.05))):
        fits = 0.95 / 4 * 0.95**2 * (1 - wrong)
        rivals = 0.95 / 4 * (0.05 * 0.7 / 2 + 0.95 * 0.05 / 2 + 0.95**2 * wrong)
        free = 0.05 * 0.7**2 / 2
        assert kept.probability == pytest.approx(fits / (fits + rivals + free), abs=1e-9)


def test_another_outcome_the_second_time_is_the_one_that_counts() -> None:
    driver, once = now_opened(), now_opened()
    driver.type("clear", "clean", "quiet", "1", "rattles")
    once.type("clear", "clean", "rattles")
    assert reached(driver).fault == "shorted"
    assert reached(driver).probability == reached(once).probability


def test_a_case_of_an_earlier_version_counts_each_test_once() -> None:
    driver = chain()
    driver.likely_below = 0.9
    driver.type("clear", "clean", "quiet")
    before = reached(driver)
    assert before.open_tests == ()
    driver.type("go sound", "quiet")
    assert reached(driver).probability == before.probability


def test_a_likely_fault_given_up_is_not_found() -> None:
    driver = chain()
    driver.type("go sound", "quiet", "give up", "stop", "no time")
    assert driver.prompt.kind == "ending"
    assert "found" not in [one.id for one in driver.prompt.choices]


def test_below_the_threshold_a_fault_is_likely() -> None:
    sure, unsure = chain(), chain()
    unsure.likely_below = 0.999
    for driver in (sure, unsure):
        driver.type("clear", "clean", "quiet")
    assert (sure.prompt.kind, unsure.prompt.kind) == ("fault", "likely")


def test_what_was_decided_is_kept_and_an_older_case_without_it_reads_as_found() -> None:
    driver = chain()
    driver.type("go sound", "quiet")
    driver.likely_below = 0.0  # another bench file changes nothing that was decided
    driver.type("note smells")
    assert driver.prompt.kind == "likely"
    older = [event for event in driver.events if not isinstance(event, ev.Reached)]
    assert fold(driver.tree, older).phase == "found"
    assert Driver(driver.tree, events=older).prompt.kind == "fault"


def test_an_answers_file_takes_it_by_repair_confirm_or_outcome() -> None:
    tree = chain().tree
    way = ({"seen": {"skip": "dark"}}, {"contact": "clean"}, {"sound": "quiet"})

    def played(*more: dict[str, object], **rest: object) -> list[str]:
        kept: list[ev.Event] = []
        script = Script(answers=(*way, *more), **rest)  # type: ignore[arg-type]
        play(tree, script, emit=kept.append, clock=lambda: "")
        return [event.kind for event in kept]

    assert "likely-accepted" not in played()
    assert "likely-accepted" in played({"repair": {"fault": "not-plugged"}})
    assert "likely-accepted" not in played({"repair": {"fault": "burnt"}})
    assert "likely-accepted" in played(confirm="it lights")
    found = {"result": "found", "fault": "not-plugged", "became": "waiting"}
    assert "likely-accepted" in played(outcome=found)


def test_a_bench_file_sets_the_threshold() -> None:
    assert read_bench({"likely_below": 0.9}) == Bench(likely_below=0.9)
    for wrong in ("much", 1.5, True):
        with pytest.raises(FaulttreeError):
            read_bench({"likely_below": wrong})


def test_the_suspects_of_a_walk_are_told_as_open_or_cleared_beside_none_of_these() -> None:
    driver = chain()
    driver.type("clear", "clean")
    told = document(driver.state, "case-1")
    standing = {one["fault"]: (one["standing"], one.get("by")) for one in told["possible"]}
    assert standing["burnt"] == ("cleared", "seen")
    assert standing["loose"] == ("cleared", "contact")
    assert standing["not-plugged"] == ("open", None)
    assert told["none_of_these"] == pytest.approx(
        1 - sum(one["probability"] for one in told["possible"])
    )
    driver.type("quiet")
    shorted = next(
        one for one in document(driver.state, "1")["possible"] if one["fault"] == "shorted"
    )
    assert (shorted["standing"], shorted["by"]) == ("cleared", "sound")


@pytest.mark.parametrize("weight", [1, 1000])
def test_where_a_cleared_fault_is_likelier_than_the_one_found_the_screen_says_why(
    weight: int,
) -> None:
    often = {"burnt": {**FAULTS["burnt"], "weight": weight}}
    tree = lamp(start="seen", steps=STEPS, faults={**FAULTS, **often}, cautions=[], stops={})
    driver = Driver(tree)
    driver.type("clear", "clean", "quiet")
    said = " ".join("".join(text for _, text in line) for line in suspects_view(driver.state, 100))
    assert "Bulb burnt (cleared by 'seen': clear)" in said
    assert ("'Bulb burnt' has the higher probability: 'seen' speaks against it" in said) == (
        weight == 1000
    )


def test_a_case_keeps_how_far_a_normal_outcome_is_to_be_expected() -> None:
    """Earlier cases, without it, take every outcome of which nothing is known as equally likely."""

    def none(usual: float | None) -> float:
        opened = ev.Opened(tree="x", tree_hash=chain().tree.hash, usually_normal=usual)
        driver = Driver(chain().tree, events=[opened])
        driver.type("clear", "clean")
        return document(driver.state, "1")["none_of_these"]

    # By hand, prior 0.95/4 each: burnt shows clear with 0.05 and clean with u; loose 0.95 · 0.05;
    # the two others, which come by both, 0.95²; none of these u², prior 0.05.
    for usual, shown in ((None, 0.5), (0.7, 0.7), (0.9, 0.9)):
        known = 0.95 / 4 * (0.05 * shown + 0.95 * 0.05 + 2 * 0.95**2)
        free = 0.05 * shown**2
        assert none(usual) == pytest.approx(free / (free + known))


def test_a_bench_file_sets_how_far_a_normal_outcome_is_to_be_expected() -> None:
    assert read_bench({}).usually_normal == 0.7
    assert read_bench({"usually_normal": 0.9}).usually_normal == 0.9
    for wrong in ("often", 0, 1, -1):
        with pytest.raises(FaulttreeError, match="usually_normal"):
            read_bench({"usually_normal": wrong})
