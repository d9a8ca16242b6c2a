"""What is still possible: P(fault | everything seen so far), for one fault at a time.

By Bayes' rule, with the tests independent given the fault::

    P(f | seen) ∝ P(f) · Π over seen tests of P(outcome | f)

A fault shows each of the a outcomes that its entry allows with (1 − ε)/a and each of the
other k − a with ε/(k − a), where k is the number of the test's outcomes and ε the error
rate of its kind. "None of these" is a fault the table does not know: every outcome is
equally likely for it, so it grows where every known fault is contradicted. A reading near a
limit comes with likelihoods, P(true value lies in the outcome), and is weighed as virtual
evidence: Σ over outcomes of likelihood · P(outcome | f).

A test made again that gives the same outcome is evidence of its own, for an answer is wrong by
chance in part: of wrong answers the part ρ comes out wrong again, however often, for it has a
lasting reason (the wrong place, a wrong meter, a unit that is not typical), and the rest is
independent. After n equal outcomes ε is ε·(ρ + (1 − ρ)·εⁿ⁻¹).

Sums are kept as logarithms, so that hundreds of answers do not underflow.

Sources: J. Pearl, Probabilistic Reasoning in Intelligent Systems (1988), 2.2.2 for virtual
evidence; Dirichlet priors from counts as in A. Gelman et al., Bayesian Data Analysis, 3.4.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from faulttree.odds.table import FaultTable, TableError

__all__ = [
    "ERROR_RATES",
    "NONE_PRIOR",
    "PSEUDO_COUNT",
    "WRONG_AGAIN",
    "Beliefs",
    "Observation",
    "Pair",
    "Posterior",
    "pairs",
    "posterior",
    "priors",
]

ERROR_RATES: Mapping[str, float] = {"ask": 0.05, "measure": 0.02, "use": 0.05}
"""How often an answer of each kind is wrong or not typical; common practice, no source."""

WRONG_AGAIN = 0.25
"""Part of wrong answers that are wrong again when the test is made again; common practice."""

NONE_PRIOR = 0.05
"""Prior of "none of these"; common practice, no source."""

PSEUDO_COUNT = 5.0
"""How many confirmed cases the weights of a tree are worth together; common practice."""

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Observation:
    """One thing seen: a test and its outcome.

    Attributes:
        test: id of the test. One that the table does not have counts as nothing seen.
        outcome: what came out; None or ``undecided`` counts as nothing seen, unless
            likelihoods are given.
        likelihoods: outcome → P(true value lies in it); replaces the hard outcome.
        times: how often the test gave this outcome, one after the other.
    """

    test: str
    outcome: str | None = None
    likelihoods: Mapping[str, float] | None = None
    times: int = 1


@dataclass(frozen=True)
class Posterior:
    """Beliefs after what was seen; the probabilities and ``none`` add up to 1.

    Attributes:
        probabilities: fault → probability, in the table's order.
        none: probability of "none of these".
        seen: what it rests on.
        excluded: faults ruled out from outside, with probability 0.
    """

    probabilities: Mapping[str, float]
    none: float
    seen: tuple[Observation, ...] = ()
    excluded: frozenset[str] = frozenset()

    @property
    def ranked(self) -> tuple[tuple[str, float], ...]:
        """Faults with their probabilities, the likeliest first."""
        return tuple(sorted(self.probabilities.items(), key=lambda item: -item[1]))

    @property
    def entropy(self) -> float:
        """Bits still open, "none of these" included."""
        every = [*self.probabilities.values(), self.none]
        return -sum(p * math.log2(p) for p in every if p > 0)


@dataclass(frozen=True)
class Beliefs:
    """Beliefs that take one more answer at a time: O(n) an answer.

    Attributes:
        table: the fault table.
        logs: n + 1 unnormalised log probabilities, "none of these" last.
        errors: kind of test → error rate.
    """

    table: FaultTable
    logs: Vector
    errors: Mapping[str, float] = field(default_factory=lambda: ERROR_RATES)
    seen: tuple[Observation, ...] = ()
    excluded: frozenset[str] = frozenset()

    @classmethod
    def start(
        cls,
        table: FaultTable,
        *,
        priors: Mapping[str, float] | None = None,
        excluded: Iterable[str] = (),
        none_prior: float = NONE_PRIOR,
        errors: Mapping[str, float] | None = None,
    ) -> Beliefs:
        """Beliefs before anything is seen; the arguments are those of :func:`posterior`."""
        rates = {**ERROR_RATES, **(errors or {})}
        if not all(0 <= rate < 1 for rate in (*rates.values(), none_prior)):
            raise TableError(
                "a rate or prior lies outside 0 to 1", remedy="Give 0 or more, and less than 1."
            )
        known = np.array(
            [(priors or {}).get(f, w) for f, w in zip(table.faults, table.weights, strict=True)]
            if priors is not None
            else table.weights,
            dtype=float,
        )
        out = frozenset(excluded)
        for fault in out & table.fault_index.keys():
            known[table.fault_index[fault]] = 0.0
        total = known.sum()
        share = known / total * (1 - none_prior) if total > 0 else known
        with np.errstate(divide="ignore"):
            logs = np.log(np.append(share, none_prior if total > 0 else 1.0))
        return cls(table, logs, rates, (), out)

    def after(self, answer: Observation) -> Beliefs:
        """Beliefs after one more answer; skipped and undecided ones change nothing.

        Raises:
            TableError: an outcome that the test does not have, or likelihoods that are
                negative or all 0.
        """
        change = _log_likelihood(self.table, answer, self.errors)
        logs = self.logs if change is None else self.logs + change
        return Beliefs(self.table, logs, self.errors, (*self.seen, answer), self.excluded)

    @property
    def shares(self) -> Vector:
        """The n + 1 probabilities, "none of these" last."""
        shares = _shares(self.logs)
        if not shares.any():
            # With error rates of 0 every explanation can be ruled out, the unknown too.
            shares[-1] = 1.0
        return shares

    @property
    def posterior(self) -> Posterior:
        """The same beliefs by fault id."""
        *known, none = self.shares.tolist()
        by_fault = dict(zip(self.table.faults, known, strict=True))
        return Posterior(by_fault, none, self.seen, self.excluded)


def posterior(
    table: FaultTable,
    seen: Sequence[Observation],
    *,
    priors: Mapping[str, float] | None = None,
    excluded: Iterable[str] = (),
    none_prior: float = NONE_PRIOR,
    errors: Mapping[str, float] | None = None,
) -> Posterior:
    """P(fault | seen) for every fault of the table.

    Args:
        table: the fault table.
        seen: answers in any order; of two for one test both count.
        priors: fault → relative prior; a fault left out keeps its weight. Default: weights.
        excluded: faults that are ruled out, such as one repaired without effect.
        none_prior: prior of "none of these", 0 to 1.
        errors: kind of test → error rate, over :data:`ERROR_RATES`.

    Raises:
        TableError: an outcome that a test does not have, or a rate outside 0 to 1.
    """
    beliefs = Beliefs.start(
        table, priors=priors, excluded=excluded, none_prior=none_prior, errors=errors
    )
    for answer in seen:
        beliefs = beliefs.after(answer)
    return beliefs.posterior


def _log_likelihood(
    table: FaultTable, answer: Observation, errors: Mapping[str, float]
) -> Vector | None:
    column = table.test_index.get(answer.test)
    if column is None or not table.outcomes[column]:
        return None
    rate = errors.get(table.kind(column), 0.0)
    if answer.times > 1:
        rate *= WRONG_AGAIN + (1 - WRONG_AGAIN) * rate ** (answer.times - 1)
    if answer.likelihoods is not None:
        return _soft(table, column, answer.likelihoods, rate)
    if answer.outcome is None or answer.outcome == "undecided":
        return None
    place = table.columns.place.get((answer.test, answer.outcome))
    if place is None:
        raise _no_outcome(table, column, answer.outcome)
    known = table.columns.logs
    if (place, rate) not in known:
        with np.errstate(divide="ignore"):
            known[place, rate] = np.log(_chances(table, column, place, rate))
    return known[place, rate]


def _soft(
    table: FaultTable, column: int, likelihoods: Mapping[str, float], rate: float
) -> Vector | None:
    test = table.tests[column]
    total = np.zeros(len(table.faults) + 1)
    for outcome, likelihood in likelihoods.items():
        place = table.columns.place.get((test, outcome))
        if place is None:
            if likelihood > 0:
                raise _no_outcome(table, column, outcome)
            continue
        if not (0 <= likelihood < math.inf):
            raise TableError(
                f"{outcome!r} at {test!r} has the likelihood {likelihood:g}",
                remedy="Give 0 or more.",
            )
        total += likelihood * _chances(table, column, place, rate)
    if not total.any():
        return None
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(total), dtype=float)


def _no_outcome(table: FaultTable, column: int, outcome: str) -> TableError:
    return TableError(
        f"{table.tests[column]!r} has no outcome {outcome!r}",
        remedy=f"Use one of: {', '.join(table.outcomes[column])}.",
    )


def _chances(table: FaultTable, column: int, place: int, rate: float) -> Vector:
    """P(outcome | f) for the n faults and, last, "none of these"."""
    size, columns = len(table.outcomes[column]), table.columns
    count, chance = columns.count[:, column], columns.chance[:, place]
    kept = np.where(count < size, 1 - rate, 1.0) * chance
    slip = rate / np.maximum(size - count, 1)
    return np.append(np.where(columns.allowed[:, place], kept, slip), columns.usual[place])


def chances(table: FaultTable, errors: Mapping[str, float] = ERROR_RATES) -> Vector:
    """P(outcome | fault) as an (n + 1, c) array, "none of these" in the last row."""
    columns = table.columns
    out = np.empty((len(table.faults) + 1, int(columns.first[-1])))
    for column in range(len(table.tests)):
        rate = errors.get(table.kind(column), 0.0)
        for place in range(int(columns.first[column]), int(columns.first[column + 1])):
            out[:, place] = _chances(table, column, place, rate)
    return out


def priors(
    table: FaultTable,
    counts: Mapping[tuple[str, str], float],
    pseudo: float = PSEUDO_COUNT,
) -> dict[str, float]:
    """Prior probabilities of the table's faults from its weights and from confirmed cases.

    The mean of a Dirichlet distribution whose parameters are the weights, scaled to add up
    to ``pseudo``, plus the counts: ``(pseudo · weight + count) / (pseudo + Σ counts)``.

    Args:
        table: faults with their identities; one without has (``""``, id).
        counts: (module or family, fault id) → confirmed cases, from any family: a
            module's history counts wherever it is built in.
        pseudo: how many cases the weights are worth, above 0.

    Raises:
        TableError: a ``pseudo`` of 0 or less, or a negative count.
    """
    if not pseudo > 0:
        raise TableError(f"a pseudo-count of {pseudo:g}", remedy="Give a number above 0.")
    total = math.fsum(table.weights)
    found = [counts.get(table.identities.get(f, ("", f)), 0.0) for f in table.faults]
    if any(count < 0 for count in found):
        raise TableError("a count of cases is negative", remedy="Counts start at 0.")
    cases = math.fsum(found)
    return {
        fault: (pseudo * weight / total + count) / (pseudo + cases)
        for fault, weight, count in zip(table.faults, table.weights, found, strict=True)
    }


@dataclass(frozen=True, slots=True)
class Pair:
    """Two faults present together, and how likely that is among all explanations weighed."""

    faults: tuple[str, str]
    probability: float


def pairs(
    table: FaultTable,
    seen: Sequence[Observation],
    *,
    priors: Mapping[str, float] | None = None,
    known: Collection[str] = (),
    errors: Mapping[str, float] | None = None,
    limit: int = 10,
) -> tuple[Pair, ...]:
    """Two-fault explanations, the likeliest first: for when a repair did not confirm.

    Both are present with the product of their priors, and P(outcome | f, g) is the mean of what
    either shows alone. Outcomes that mask one another in a way of their own are beyond this.

    Args:
        table: the fault table.
        seen: what was seen while both faults may have been there.
        priors, errors: as in :func:`posterior`.
        known: faults of which one must be in the pair, such as the one just repaired.
        limit: how many pairs to give; their probabilities are relative to all pairs weighed.
    """
    base = Beliefs.start(table, priors=priors, none_prior=0.0, errors=errors)
    first, second = np.triu_indices(len(table.faults), 1)
    if known:
        mark = np.isin(np.array(table.faults), list(known))
        keep = mark[first] | mark[second]
        first, second = first[keep], second[keep]
    if not len(first):
        return ()
    logs = base.logs[first] + base.logs[second]
    for answer in seen:
        change = _log_likelihood(table, answer, base.errors)
        if change is not None:
            logs = logs + np.logaddexp(change[first], change[second]) - math.log(2)
    shares = _shares(logs)
    order = np.argsort(-shares, kind="stable")[: limit if shares.any() else 0]
    return tuple(
        Pair((table.faults[first[at]], table.faults[second[at]]), float(shares[at])) for at in order
    )


def _shares(logs: Vector) -> Vector:
    """Probabilities from unnormalised logarithms; all 0 where each is impossible."""
    top = logs.max()
    if top == -np.inf:
        return np.zeros(len(logs))
    scaled: Vector = np.exp(logs - top)
    scaled /= scaled.sum()
    return scaled
