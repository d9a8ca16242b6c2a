"""A walk played from an answers file, for scripts and tests."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from faulttree.errors import FaulttreeError, WalkError
from faulttree.reading.instruments import USUALLY_NORMAL
from faulttree.walk import events as ev
from faulttree.walk.advisor import choose, likely_untested, untested
from faulttree.walk.answer import TypedAnswer, answer
from faulttree.walk.block_text import block_text
from faulttree.walk.fitness import check_again, refused
from faulttree.walk.fold import fold
from faulttree.walk.follow_up import by_itself, fact_given, follow_ups, known_answer
from faulttree.walk.rejudge import with_decided
from faulttree.walk.repair import conclude, conclude_by_sight
from faulttree.walk.standing import reached, threshold_of

if TYPE_CHECKING:
    from faulttree.reading import Bench
    from faulttree.tree.model import Step, Tree
    from faulttree.walk.state import State

__all__ = ["Script", "play", "read_script"]

Keys = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Script:
    """An answers file as plain data; ``answers`` are single-key mappings, in order."""

    unit: Mapping[str, Any] = field(default_factory=dict)
    complaint: str = ""
    owner_words: str = ""
    who: str = ""
    answers: tuple[Mapping[str, Any], ...] = ()
    outcome: Mapping[str, Any] = field(default_factory=dict)
    confirm: Any = None


def read_script(data: Mapping[str, Any]) -> Script:
    """The script in the plain data of an answers file that fits its schema.

    Raises:
        WalkError: an entry of ``answers`` is not one key with its value; ``key`` leads to it.
    """
    entries = data.get("answers") or []
    for at, entry in enumerate(entries):
        if not isinstance(entry, Mapping) or len(entry) != 1:
            raise WalkError(
                "an entry is one step and its answer",
                remedy="Write it as '- step: answer'.",
                key=("answers", at),
            )
    return Script(
        unit=dict(data.get("unit") or {}),
        complaint=_text(data.get("complaint")),
        owner_words=_text(data.get("owner_words")),
        who=_text(data.get("who")),
        answers=tuple(entries),
        outcome=dict(data.get("outcome") or {}),
        confirm=data.get("confirm"),
    )


def play(
    tree: Tree,
    script: Script,
    *,
    emit: Callable[[ev.Event], None],
    clock: Callable[[], str],
    bench: Bench | None = None,
    priors: Mapping[str, float] | None = None,
    linked: str = "",
) -> tuple[State, tuple[str, ...]]:
    """Play ``script`` on ``tree``; each event is handed to ``emit`` before the next is made.

    Args:
        emit: keeps an event; once it returns, the event is safe.
        clock: tells the time, UTC, ISO 8601.

    Returns:
        The state at the end, and remarks for people (what could not be done as asked).

    Raises:
        FaulttreeError: an entry does not fit the step being asked; ``key`` leads to it.
            What was answered before it has been emitted.
    """
    playing = _Playing(tree, emit, clock, bench)
    opened = _opened(tree, script, bench, clock)
    playing.add(replace(opened, priors=dict(priors or {}), linked=linked))
    for at, entry in enumerate(script.answers):
        ((name, value),) = entry.items()
        _placed(("answers", at, name), playing.enter, str(name), value)
    if script.confirm is not None:
        _placed(("confirm",), playing.confirm_found, script.confirm)
    if script.outcome:
        _placed(("outcome",), playing.finish, script.outcome)
    else:
        playing.asked()
    return playing.state, tuple(playing.remarks)


def _opened(tree: Tree, script: Script, bench: Bench | None, clock: Callable[[], str]) -> ev.Opened:
    """The opening of the case that a script tells."""
    ratings = _ratings(tree, script.unit.get("ratings") or {})
    return ev.Opened(
        at=clock(),
        tree=tree.id,
        tree_hash=tree.hash,
        unit={"family": tree.family, **script.unit},
        complaint=script.complaint,
        owner_words=script.owner_words,
        who=script.who,
        ratings=ratings,
        scripted=True,
        mains=bench.mains if bench is not None else {},
        usually_normal=bench.usually_normal if bench is not None else USUALLY_NORMAL,
    )


def _ratings(tree: Tree, given: Mapping[str, Any]) -> dict[str, str]:
    """The unit's own ratings as text, once the tree knows them and they can be read."""
    from faulttree.reading import parse_quantity

    for name, value in given.items():
        keys = ("unit", "ratings", str(name))
        if name not in tree.ratings:
            known = ", ".join(tree.ratings) or "none"
            raise WalkError(f"the tree has no rating '{name}'", remedy=f"Known: {known}.", key=keys)
        _placed(keys, parse_quantity, _text(value), tree.ratings[name].unit or None)
    return {str(name): _text(value) for name, value in given.items()}


def _placed(keys: Keys, act: Callable[..., Any], *values: Any) -> None:
    """Run a part of the script; what goes wrong there is told with its place."""
    try:
        act(*values)
    except FaulttreeError as error:
        if error.path is None:
            error.key = (*keys, *error.key)
        raise


class _Playing:
    """The events so far and the state they fold to."""

    def __init__(
        self,
        tree: Tree,
        emit: Callable[[ev.Event], None],
        clock: Callable[[], str],
        bench: Bench | None,
    ) -> None:
        self.tree, self.emit, self.clock, self.bench = tree, emit, clock, bench
        self.events: list[ev.Event] = []
        self.remarks: list[str] = []
        self.state: State = fold(tree, ())

    def add(self, event: ev.Event) -> None:
        """Keep an event, then fold it."""
        self.emit(event)
        self.events.append(event)
        self.state = fold(self.tree, self.events)

    def enter(self, name: str, value: Any) -> None:
        """One entry of ``answers``, and how sure the fault is that it led to."""
        self._enter(name, value)
        self.note_standing()

    def note_standing(self) -> None:
        """Keep how sure the fault is that the walk stands at, once."""
        self.asked()
        found = reached(self.state, threshold=threshold_of(self.bench), at=self.clock())
        if found is not None:
            self.add(found)

    def accept(self, fault: str) -> None:
        """A likely fault that the file names is taken for the cause."""
        if self.state.phase == "likely" and self.likely() == fault:
            self.add(ev.LikelyAccepted(at=self.clock(), fault=fault))

    def likely(self) -> str:
        """The fault that the walk came to and that is only likely, or an empty text."""
        came_to = self.state.reached
        return came_to.fault if self.state.phase == "likely" and came_to is not None else ""

    def _enter(self, name: str, value: Any) -> None:
        if name == "back":
            self.add(ev.WentBack(at=self.clock(), steps=_count(value)))
        elif name == "note":
            step = self.state.ask.id if self.state.ask else ""
            self.add(ev.Noted(at=self.clock(), text=_text(value), step=step))
        elif name == "repair":
            self.repair(value)
        elif self.is_fact(name, value):
            for key, told in value.items():
                fact = fact_given(self.state, str(key), _text(told), at=self.clock())
                self.add(with_decided(self.tree, self.events, fact, self.bench))
        else:
            self.answer(name, value)

    def is_fact(self, name: str, value: Any) -> bool:
        """Whether an entry says what the unit is: a step of a tree may be called ``fact``."""
        return name == "fact" and isinstance(value, Mapping) and self.tree.steps.get(name) is None

    def asked(self, name: str = "") -> Step | None:
        """The step to be asked, after moving on where a skip stood in the way.

        A step that asks for a known property is answered by it, unless it is the one named.
        """
        while (event := self.next_by_itself(name)) is not None:
            self.record(event)
        return self.state.ask

    def next_by_itself(self, named: str) -> ev.Event | None:
        """An answer that is known, or a jump where a skip stood in the way; else None."""
        gone, answered = by_itself(self.events)
        known = known_answer(self.state, at=self.clock())
        if known is not None:
            return None if known.step in {named, *answered} else known
        if self.state.ask is None and self.state.may_go_on:
            barred = self.state.unreachable | gone
            return choose(replace(self.state, unreachable=barred), at=self.clock())
        return None

    def answer(self, name: str, value: Any) -> None:
        """Answer the step being asked, which must be the one that is named."""
        step = self.asked(name) or self.asked_again(name) or self.asked_first(name)
        self.need_no_fact(name)
        if step is None:
            raise WalkError(
                f"'{name}' is answered, but nothing more is asked: {_where(self.state)}"
                f"{'. ' * bool(self.state.block)}{block_text(self.state)}",
                remedy="Take the entry out, or correct the entries before it.",
            )
        if step.id != name:
            before = f" (it must come before '{self.state.pending}')" if self.state.pending else ""
            raise WalkError(
                f"'{name}' is answered, but the step being asked is '{step.id}'{before}",
                remedy=f"Answer '{step.id}' here, or correct the entries before it.",
            )
        self.give(step, _entry(value))

    def need_no_fact(self, name: str) -> None:
        """Refuse to answer a step while a property of the unit must be known first."""
        needed = self.state.needs_fact
        if needed is not None:
            values = ", ".join((*needed.values, "not-known"))
            raise WalkError(
                f"'{name}' is answered, but '{needed.id}' of the unit must be known first",
                remedy=f"Write '- fact: {{{needed.id}: VALUE}}' before it, with one of: {values}.",
            )

    def asked_again(self, name: str) -> Step | None:
        """The first step of the closing check to be made again, or the step that must come before.

        None where ``name`` is neither.
        """
        again = check_again(self.state, at=self.clock())
        if again is None:
            return None
        first = fold(self.tree, [*self.events, again]).ask
        if first is None or name not in (first.id, again.step):
            return None
        self.add(again)
        return first

    def asked_first(self, name: str) -> Step | None:
        """A test still open of a fault that is only likely, where ``name`` is that test."""
        came_to = self.state.reached
        if self.state.phase != "likely" or came_to is None or name not in came_to.open_tests:
            return None
        self.add(ev.Jumped(at=self.clock(), step=name, cause="suspect"))
        return self.state.ask

    def give(self, step: Step, entry: TypedAnswer) -> None:
        """Read the step's cautions, then record the entry."""
        event = answer(self.state, step, entry, at=self.clock(), bench=self.bench)
        for caution in self.state.cautions_at(step):
            if caution not in self.state.cautions_read:
                self.add(
                    ev.CautionRead(at=self.clock(), caution=caution, step=step.id, scripted=True)
                )
        self.record(event)
        if entry.note and isinstance(event, ev.Skipped):
            self.add(ev.Noted(at=self.clock(), text=entry.note, step=step.id))
        conclusion = conclude(self.state, at=self.clock())
        if conclusion is not None:
            self.add(conclusion)
            if isinstance(conclusion, ev.NotConfirmed):
                self.remarks.append(
                    f"the repair of '{conclusion.fault}' is not confirmed by '{conclusion.step}'"
                )

    def record(self, event: ev.Event) -> None:
        """Keep an answer or a skip, then what follows from it."""
        before = self.state
        self.add(event)
        for following in list(follow_ups(before, self.state, at=self.clock())):
            self.add(following)

    def repair(self, value: Any) -> None:
        """``repair: {fault: …, confirm: …}``."""
        if not isinstance(value, Mapping) or "fault" not in value:
            raise WalkError("a repair names its fault", remedy="Write repair: {fault: ID}.")
        fault = _text(value["fault"])
        self.begin_repair(fault, _text(value.get("what")))
        if value.get("confirm") is not None:
            self.confirm(_entry(value["confirm"]))

    def begin_repair(self, fault: str, what: str = "") -> None:
        """Record that a fault was repaired."""
        if fault not in self.tree.faults:
            raise WalkError(
                f"the tree has no fault '{fault}'",
                remedy=f"Name one of: {', '.join(self.tree.faults)}.",
            )
        self.accept(fault)
        self.add(ev.RepairTried(at=self.clock(), fault=fault, what=what))

    def confirm_found(self, value: Any) -> None:
        """The confirming reading at the file's end: it repairs the fault the walk found."""
        if self.state.confirming is None:
            self.accept(self.likely())
            end = self.state.end
            if self.state.phase != "found" or end is None:
                raise WalkError(
                    f"there is nothing to confirm: {_where(self.state)}",
                    remedy="Take 'confirm' out, or answer up to the fault.",
                )
            self.begin_repair(end.id)
        self.confirm(_entry(value))

    def confirm(self, entry: TypedAnswer) -> None:
        """Take the confirming step's reading, or what was seen where there is no such step."""
        repair = self.state.confirming
        assert repair is not None
        fault = self.tree.faults[repair.fault]
        if fault.confirm is None:
            seen = ", ".join(entry.typed) or entry.outcome or entry.note
            self.add(conclude_by_sight(self.state, seen, held=True, at=self.clock()))
            return
        name = fault.confirm.step
        if name in self.tree.uses and not fault.further_confirms:
            self.confirm_by_exit(name, entry)
            return
        while (step := self.asked(name)) is not None and step.id != name and _is_work(step):
            self.give(step, TypedAnswer(outcome="done"))
        self.need_no_fact(name)
        if step is None or step.id != name:
            asked = f"'{step.id}' must come before it" if step else "it was skipped"
            raise WalkError(
                f"'{repair.fault}' is confirmed by step '{name}', and {asked}",
                remedy=f"Write '- repair: {{fault: {repair.fault}}}' in the answers, and below it "
                f"the answers up to '{name}'.",
            )
        self.give(step, entry)

    def confirm_by_exit(self, name: str, entry: TypedAnswer) -> None:
        """A confirming step that is a whole procedure: its exit is told."""
        use, repair = self.tree.uses[name], self.state.confirming
        assert repair is not None
        typed = entry.outcome or " ".join(entry.typed)
        if typed not in use.exits:
            raise WalkError(
                f"'{name}' has no exit '{typed}'",
                remedy=f"Give one of its exits: {', '.join(use.exits)}.",
            )
        confirm = self.tree.faults[repair.fault].confirm
        held = confirm is not None and confirm.gives == typed
        kind = ev.Confirmed if held else ev.NotConfirmed
        self.add(kind(at=self.clock(), fault=repair.fault, step=name, outcome=typed))
        if not held:
            self.remarks.append(f"the repair of '{repair.fault}' is not confirmed by '{name}'")

    def finish(self, outcome: Mapping[str, Any]) -> None:
        """Close the case with the result that the file gives."""
        result = _text(outcome.get("result"))
        if result not in ev.RESULTS:
            raise WalkError(
                f"there is no result '{result}'",
                remedy=f"Give one of: {', '.join(ev.RESULTS)}.",
                key=("result",),
            )
        self.accept(_text(outcome.get("fault")))
        self.need_no_decision(result)
        fault = _text(outcome.get("fault")) or self.found()
        became = _text(outcome.get("became"))
        if result == "found" and not fault:
            raise WalkError(
                f"no fault is found: {_where(self.state)}",
                remedy="Name it with 'fault:', or give the result 'unsolved'.",
                key=("result",),
            )
        if result == "fixed" and not self.may_be_fixed(fault, _text(outcome.get("seen"))):
            return
        if result not in ("fixed", "found"):
            fault = _text(outcome.get("fault"))
            self.give_up(result)
        self.may_go_back(result, became)
        self.add(
            ev.Closed(
                at=self.clock(),
                result=result,
                fault=fault,
                became=became,
                kept=tuple(_text(part) for part in outcome.get("kept") or ()),
                note=_text(outcome.get("note")),
            )
        )

    def need_no_decision(self, result: str) -> None:
        """Refuse to call a fault found that is only likely and that the file does not name."""
        came_to = self.state.reached
        if came_to is None or self.state.phase != "likely" or result not in ("found", "fixed"):
            return
        open_ = ", ".join(came_to.open_tests) or "none"
        raise WalkError(
            f"'{came_to.fault}' is only likely ({came_to.probability or 0:.0%}); "
            f"tests still open: {open_}",
            remedy=f"Answer these, or write 'fault: {came_to.fault}' to take it for the cause.",
            key=("result",),
        )

    def found(self) -> str:
        """The fault the walk found, or an empty text."""
        end = self.state.end
        return end.id if end is not None and end.kind == "fault" else ""

    def may_go_back(self, result: str, became: str) -> None:
        """A unit that failed a closing check is neither fixed nor returned."""
        wrong = refused(self.state, result, became)
        if wrong is not None:
            raise WalkError(
                wrong.message,
                remedy="Add the repair and the check's answers again to 'answers'; or write "
                "'result: found' and 'became: waiting'.",
                key=(wrong.key,),
            )
        if result == "fixed" and self.state.closing_open:
            names = ", ".join(self.state.closing_open)
            self.remarks.append(f"closing checks not made: {names}")

    def may_be_fixed(self, fault: str, seen: str) -> bool:
        """Whether the case may be called fixed: only when its repair was confirmed."""
        if any(repair.held and repair.fault == fault for repair in self.state.repairs):
            return True
        tried = self.state.repairs[-1] if self.state.repairs else None
        if tried is not None and (tried.held is False or self.undecided_proof()):
            self.remarks.append("the case stays open: its repair was not confirmed")
            return False
        known = self.tree.faults.get(fault)
        if known is not None and known.confirm is not None:
            raise WalkError(
                f"'{fault}' cannot be called fixed: step '{known.confirm.step}' has not confirmed",
                remedy="Add 'confirm:' with that step's reading, or give the result 'found'.",
                key=("result",),
            )
        if not seen:
            raise WalkError(
                f"'{fault}' has no confirming step" if known else "the fault is not in the tree",
                remedy="Add 'seen:' with what shows that the unit works again.",
                key=("result",),
            )
        if known is not None:
            if self.state.confirming is None:
                self.begin_repair(fault)
            self.add(conclude_by_sight(self.state, seen, held=True, at=self.clock()))
        return True

    def undecided_proof(self) -> bool:
        """Whether the confirming step was taken and could not decide."""
        last = self.state.visits[-1] if self.state.visits else None
        open_ = self.state.confirming is not None and last is not None
        return bool(open_ and last and last.round == self.state.round)

    def give_up(self, result: str) -> None:
        """Pass the door before giving up; it is recorded as passed by a script."""
        self.asked()
        if self.found():
            return
        if result == "no-fault-found":
            self.remarks += [
                f"no fault found, but '{one.fault}' is likely ({one.probability:.0%}) and not "
                f"tested: {', then '.join(one.tests)}"
                for one in likely_untested(self.state)
            ]
        open_ = tuple(
            {"fault": one.fault, "probability": one.probability} for one in untested(self.state)
        )
        self.add(ev.Declined(at=self.clock(), suspects=open_, reason=result, scripted=True))
        if self.state.end is None:
            step = self.state.ask.id if self.state.ask else ""
            self.add(ev.Stopped(at=self.clock(), reason=result, step=step))


def _where(state: State) -> str:
    if state.phase == "likely" and state.reached is not None:
        return f"the walk has come to '{state.reached.fault}', which is only likely"
    if state.end is not None:
        name = f" '{state.end.id}'" if state.end.id else ""
        return f"the walk has ended at the {state.end.kind}{name}"
    return f"the walk stands at '{state.ask.id}'" if state.ask else "the walk has nothing to ask"


def _is_work(step: Step) -> bool:
    """Whether a step may be taken as done where a file does not name it: no safety step is."""
    return step.kind == "do" and step.role == "finding"


def _count(value: Any) -> int:
    if isinstance(value, bool) or not str(value).isdecimal() or int(value) < 1:
        raise WalkError(f"'{value}' steps back", remedy="Give a whole number from 1.")
    return int(value)


def _text(value: Any) -> str:
    """A scalar of the file as the word it is."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)


def _entry(value: Any) -> TypedAnswer:
    """What stands behind a step's name in the file."""
    if not isinstance(value, Mapping):
        return TypedAnswer(typed=(_text(value),))
    if "skip" in value:
        return TypedAnswer(skip=_text(value["skip"]), note=_text(value.get("note")))
    many = value.get("readings")
    one = value.get("reading")
    typed = tuple(_text(part) for part in many) if many else ()
    if one is not None:
        typed = (*typed, _text(one))
    if value.get("over_range") is True:
        typed = ("OL",)
    outcome = value.get("outcome")
    return TypedAnswer(
        typed=typed,
        outcome=None if outcome is None else _text(outcome),
        instrument=_text(value.get("instrument")),
        in_circuit=value.get("in_circuit"),
        note=_text(value.get("note")),
        sure=value.get("sure") is True,
    )
