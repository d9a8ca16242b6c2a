"""The steps of a tree made, those inside a use with what the use says of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Literal

from faulttree.errors import ReadingError
from faulttree.tree.finding import FindingList
from faulttree.tree.model import Access, Kind, Step, Use, Where
from faulttree.tree.naming import Names, check_exit, filled_in
from faulttree.tree.plain import as_mapping, as_number, as_text, as_texts, as_words, joined, made
from faulttree.tree.scopes import NameScope, Scope, ScopeEntry, kind_of


class Steps:
    """Makes the steps and uses of one tree, into its names."""

    def __init__(self, names: Names, procedures: Mapping[str, Any], findings: FindingList) -> None:
        self.names, self.procedures, self.findings = names, procedures, findings

    def emit(self, scope: Scope) -> None:
        """Make the steps of a scope, uses opened where they stand."""
        if scope.use is not None:
            self.use(scope)
        for name, raw in scope.steps.items():
            where = Where(scope.document, ("steps", name))
            if name in scope.uses:
                child = scope.uses[name]
                self.hold(scope, child, filled_in(scope, raw, where, self.findings), name, where)
                self.emit(child)
                self.check_exits(scope, child, raw, where)
            else:
                self.names.steps[scope.prefix + name] = self.step(scope, name, raw, where)

    def close(self, states: Mapping[str, Access]) -> None:
        """Make the steps that close what other steps open."""
        for state in states.values():
            if state.close is None:
                continue
            name = state.closing_step
            self.names.steps[name] = Step(
                id=name,
                kind="do",
                text=f"Close the unit: undo “{state.id}”",
                targets={"done": f"{name}:done"},
                how=state.close.how,
                minutes=state.close.minutes,
                where=Where("tree", ("access", state.id, "close")),
                role="close",
            )

    def check_exits(self, scope: Scope, child: Scope, raw: Mapping[str, Any], where: Where) -> None:
        for exit_name, target in child.targets.items():
            at = where.under("exits", exit_name)
            check_exit(child, exit_name, at, self.findings)
            self.names.target(scope, target, at)
        for exit_name in child.exits:
            if exit_name not in child.targets:
                message = f"The exit `{exit_name}` of `{child.procedure}` leads nowhere."
                remedy = f"Add `{exit_name}: <target>` to `exits`."
                self.findings.add(
                    "exit-without-target", message, remedy, where.under("exits"), of_key=True
                )

    def use(self, scope: Scope) -> None:
        assert scope.use is not None
        inside = list(scope.all_steps())
        parent = scope.parent.use if scope.parent else None
        self.names.uses[scope.use] = Use(
            id=scope.use,
            procedure=scope.procedure,
            start=scope.resolve(scope.start)[0],
            exits={name: scope.resolve(name)[0] for name in scope.exits},
            steps=tuple(inside),
            title=as_text(self.procedures[scope.procedure].get("title")),
            given={name: as_text(value) for name, value in scope.given.items()},
            parent=parent,
            where=scope.where,
            role=scope.role,
            checks=_checks(self.procedures[scope.procedure].get("checks")),
            discharges=scope.discharges,
            proves_dead=scope.proves_dead,
            cells_known=scope.cells_known,
        )

    def hold(
        self, scope: Scope, child: Scope, raw: Mapping[str, Any], name: str, where: Where
    ) -> None:
        """What a use, and all around it, says of the steps inside."""
        above = scope.holds
        after = self.after(scope, raw, where)
        child.holds = NameScope(
            access=joined(as_texts(raw.get("access")), above.access),
            cautions=joined(as_texts(raw.get("cautions")), scope.cautions, above.cautions),
            after=joined(after, above.after),
            needs=joined(as_texts(raw.get("needs")), above.needs),
            conditions=joined(as_texts(raw.get("conditions")), above.conditions),
            live=raw.get("live") is True or above.live,
            in_circuit=raw.get("in_circuit") or above.in_circuit,
            source=as_text(raw.get("source")) or above.source,
            on=joined(as_texts(raw.get("on")), above.on),
            charges=as_texts(raw["charges"]) if "charges" in raw else above.charges,
        )
        self.names.check(raw, where)
        child.discharges = as_texts(raw.get("discharges"))
        child.proves_dead = as_texts(raw.get("proves_dead"))
        child.cells_known = as_texts(raw.get("cells_known"))
        first = scope.entry if name == scope.start else ScopeEntry()
        own = as_number(raw.get("minutes"))
        wait = self.wait(raw, where)
        child.entry = ScopeEntry(
            how="\n".join(text for text in (first.how, as_text(raw.get("how"))) if text),
            wait=first.wait if wait is None else wait,
            minutes=first.minutes if own is None else own,
            stop_if={**first.stop_if, **self.stop_if(scope, raw, where)},
        )

    def after(self, scope: Scope, raw: Mapping[str, Any], where: Where) -> tuple[str, ...]:
        return tuple(
            self.names.named(scope, name, where.under("after", position))
            for position, name in enumerate(as_texts(raw.get("after")))
        )

    def step(self, scope: Scope, name: str, raw: Mapping[str, Any], where: Where) -> Step:
        kind = kind_of(raw)
        raw = filled_in(scope, raw, where, self.findings)
        targets, leaves = self.targets(scope, kind, raw, where)
        holds = scope.holds
        entry = scope.entry if name == scope.start else ScopeEntry()
        minutes, wait = as_number(raw.get("minutes")), self.wait(raw, where)
        self.names.check(raw, where)
        in_circuit = raw.get("in_circuit") or (holds.in_circuit if kind == "measure" else None)
        limits = raw.get("limits")
        charges = raw.get("charges", holds.charges)
        return made(
            Step,
            raw,
            id=scope.prefix + name,
            kind=kind,
            text=as_text(raw.get(kind)),
            targets=targets,
            how="\n".join(text for text in (entry.how, as_text(raw.get("how"))) if text),
            needs=joined(as_texts(raw.get("needs")), holds.needs),
            minutes=entry.minutes if minutes is None else minutes,
            cautions=joined(as_texts(raw.get("cautions")), scope.cautions, holds.cautions),
            access=joined(as_texts(raw.get("access")), holds.access),
            after=joined(self.after(scope, raw, where), holds.after),
            live=raw.get("live") is True or holds.live,
            conditions=joined(as_texts(raw.get("conditions")), holds.conditions),
            wait=entry.wait if wait is None else wait,
            in_circuit=in_circuit if in_circuit in ("never", "allowed") else None,
            limits=self.limits(scope, limits) if isinstance(limits, dict) else None,
            source=as_text(raw.get("source")) or holds.source,
            use=scope.use,
            leaves=leaves,
            where=where,
            role=scope.role,
            stop_if={**entry.stop_if, **self.stop_if(scope, raw, where)},
            on=joined(as_texts(raw.get("on")), holds.on),
            charges=None if charges is None else as_texts(list(charges)),
            leaves_open={k: as_texts(of) for k, of in as_mapping(raw.get("leaves")).items()},
            disturbs_of=as_texts(raw.get("of")),
        )

    def stop_if(
        self, scope: Scope, raw: Mapping[str, Any], where: Where
    ) -> dict[str, dict[str, str]]:
        """Property → value → the full id of where the step leads then."""
        found: dict[str, dict[str, str]] = {}
        for name, stops in as_mapping(raw.get("stop_if")).items():
            at = where.under("stop_if", name)
            self.names.check_property(name, as_words(stops), at)
            for value, target in as_words(stops).items():
                self.names.target(scope, target, at, value)
                found.setdefault(name, {})[value] = scope.resolve(target)[0]
        return found

    def targets(
        self, scope: Scope, kind: Kind, raw: Mapping[str, Any], where: Where
    ) -> tuple[dict[str, str], dict[str, tuple[tuple[str, str], ...]]]:
        """Outcome → where it leads, and the exits it takes."""
        targets: dict[str, str] = {}
        leaves: dict[str, tuple[tuple[str, str], ...]] = {}
        for outcome, name, keys in self.outcomes(kind, raw, where):
            self.names.target(scope, name, where, *keys)
            targets[outcome], taken = scope.resolve(name)
            if taken:
                leaves[outcome] = taken
        return targets, leaves

    def outcomes(
        self, kind: Kind, raw: Mapping[str, Any], where: Where
    ) -> Iterator[tuple[str, str, tuple[str, ...]]]:
        """Each outcome with the target as written and its keys, ``outside`` spread."""
        key = {"ask": "answers", "measure": "results", "use": "exits"}.get(kind, "then")
        if kind in ("do", "measure") and isinstance(raw.get("then"), str):
            yield ("done" if kind == "do" else "taken"), raw["then"], ("then",)
        written = as_words(raw.get(key))
        limits = as_mapping(raw.get("limits"))
        for outcome, name in written.items():
            if outcome != "outside" or kind != "measure" or "bands" in limits:
                yield outcome, name, (key, outcome)
                continue
            for side in _sides(limits):
                if side in written:
                    message = f"`outside` stands beside `{side}`, which it already means."
                    remedy = "Keep `outside`, or write `low` and `high` instead of it."
                    at = where.under(key, outcome)
                    self.findings.add("outside-beside", message, remedy, at, of_key=True)
                else:
                    yield side, name, (key, outcome)

    def limits(self, scope: Scope, value: Any) -> Any:
        """Limits with the steps of their formulas named in full."""
        if isinstance(value, dict):
            out = {key: self.limits(scope, item) for key, item in value.items()}
            if "formula" in value and isinstance(value.get("from"), dict):
                out["from"] = {
                    name: scope.prefix + step
                    if isinstance(step, str) and scope.pending(step)
                    else step
                    for name, step in value["from"].items()
                }
            return out
        return [self.limits(scope, item) for item in value] if isinstance(value, list) else value

    def wait(self, raw: Mapping[str, Any], where: Where) -> float | None:
        value = raw.get("wait")
        if not isinstance(value, str):
            return None
        from faulttree.reading.typed import parse_duration

        try:
            return float(parse_duration(value))
        except ReadingError as error:
            remedy = "Write a span of time with its unit: `30 s`, `2 min`, `1 h`."
            self.findings.add("bad-duration", error.message, remedy, where.under("wait"))
            return None


def _checks(value: Any) -> Literal["safety", "function", ""]:
    return value if value in ("safety", "function") else ""


def _sides(limits: Mapping[str, Any]) -> tuple[str, ...]:
    """The outcomes that ``outside`` stands for: those the limits can give."""
    if "component" in limits or "nominal" in limits or ("min" in limits) == ("max" in limits):
        return ("low", "high")
    return ("low",) if "min" in limits else ("high",)
