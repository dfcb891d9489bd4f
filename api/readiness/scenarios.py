"""Every flag in every scenario at once, without building a finding. Pure.

A flag appears in a scenario when `findings` would list it there, were that scenario the forecast itself. Each
scenario is looked at whole: the whole rule over the whole window, never hours or variables joined by chance.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from api.conditions.stages import Scenario
from api.journal.fold import Picture
from api.kitlist.schemas import FromMetric, GradeRule, OnTerrain, Requirement, conditions_of
from api.readiness.asks import Asks
from api.readiness.evaluation import Evaluation
from api.readiness.findings import BADNESS, finding_of
from api.readiness.lacks import Holding, Lacks
from api.readiness.outlook import Frequency, PossibleFlag, Spread
from api.readiness.schemas import Finding, GapKind

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Pair = tuple[int, int]
"""Index of a subject, index of a requirement."""

BY_HAND = frozenset({"low", "best", "high"})


@dataclass(frozen=True, eq=False)
class FlagScenarios:
    """Which flags appear in which scenarios. Flags that appear nowhere may be left out of `pairs`."""

    shape: tuple[int, int]
    """How many subjects and requirements there are."""
    pairs: tuple[Pair, ...]
    appears: Bools
    """[scenario, pair]; what the forecast leaves open is treated as asked and appears."""
    decided: Bools
    """[scenario, pair]: whether the scenario's numbers decide it."""

    @cached_property
    def counts(self) -> Ints:
        """In how many scenarios each flag surely appears, [subject, requirement]."""
        return self._laid_out((self.appears & self.decided).sum(axis=0), 0)

    @cached_property
    def valid(self) -> Ints:
        """In how many scenarios it is decided whether each flag appears, [subject, requirement]."""
        return self._laid_out(self.decided.sum(axis=0), self.decided.shape[0])

    def _laid_out(self, values: npt.NDArray[np.int_], otherwise: int) -> Ints:
        table = np.full(self.shape, otherwise, dtype=np.int64)
        if self.pairs:
            subjects, requirements = zip(*self.pairs, strict=True)
            table[list(subjects), list(requirements)] = values
        return table


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """One check that a subject may fail: where it possibly and surely does, [scenario, stage]."""

    pair: Pair
    check: int
    kind: GapKind
    masks: tuple[Bools, Bools] | None = None
    """None: wherever the check is asked."""


def flag_scenarios(
    asks: Asks, lacks: Lacks, quantities: Mapping[str, Floats], *, only: Sequence[Pair] | None = None
) -> FlagScenarios:
    """All flags over all scenarios.

    Parameters
    ----------
    asks, lacks
        The two matrices, of the same edition.
    quantities
        Computed amounts by metric name and scenario, in the unit the registry gives.
    only
        Some of the pairs that `amiss` gives, to look at no others.
    """
    pairs_looked_at = amiss(asks, lacks) if only is None else only
    parts = [part for pair in pairs_looked_at for part in _parts(asks, lacks, quantities, pair)]
    shape = (len(lacks.subjects), len(lacks.edition.requirements))
    scenarios = len(asks.conditions.scenarios)
    if not parts:
        none = np.zeros((scenarios, 0), dtype=np.bool_)
        return FlagScenarios(shape, (), none, none)
    columns = [part.check for part in parts]
    possible, sure = _anywhere(asks.asked, columns), _anywhere(asks.certain, columns)
    for i, part in enumerate(parts):
        if part.masks is not None:
            possible[:, i], sure[:, i] = (mask.any(axis=1) for mask in part.masks)
    first = [i for i, part in enumerate(parts) if i == 0 or parts[i - 1].pair != part.pair]
    pairs = tuple(parts[i].pair for i in first)
    appears: Bools = np.asarray(np.logical_or.reduceat(possible, first, axis=1))
    surely: Bools = np.asarray(np.logical_or.reduceat(sure, first, axis=1))
    for n, (start, end) in enumerate(zip(first, [*first[1:], len(parts)], strict=True)):
        if not always_graded(lacks.edition.requirements[pairs[n][1]]):
            appears[:, n], surely[:, n] = _graded(asks, lacks, parts[start:end])
    return FlagScenarios(shape, pairs, appears, surely | ~appears)


def amiss(asks: Asks, lacks: Lacks) -> tuple[Pair, ...]:
    """The subjects and requirements with something that may fail in some weather, in order."""
    found = {(p, asks.checks[c].requirement) for p, c in (*lacks.gaps, *lacks.values, *lacks.counts)}
    found |= {
        pair
        for pair, holding in lacks.holdings.items()
        if any(record.body.stand_in is not None for record in holding.records)
    }
    return tuple(sorted(found))


def swayed(asks: Asks, lacks: Lacks) -> tuple[Pair, ...]:
    """Of `amiss`, those that may stand otherwise in other weather."""
    found, requirements = amiss(asks, lacks), lacks.edition.requirements
    by_weather = {
        r
        for r in dict.fromkeys(r for _, r in found)
        if requirements[r].how_many.computed is not None or metrics_of(requirements[r])
    }
    return tuple(pair for pair in found if pair[1] in by_weather)


def metrics_of(requirement: Requirement) -> frozenset[str]:
    """Every metric that a requirement looks at anywhere."""
    metrics = {leaf.metric for leaf in conditions_of(requirement) if not isinstance(leaf, OnTerrain)}
    limits = [limit for question in requirement.questions for limit in question.limits]
    bounds = [bound for limit in limits for bound in (limit.at_least, limit.at_most)]
    return frozenset(metrics | {bound.metric for bound in bounds if isinstance(bound, FromMetric)})


def _anywhere(mask: Bools, columns: Sequence[int]) -> Bools:
    """Whether a mask [scenario, stage, check] holds on any stage, [scenario, column]."""
    by_check = np.asarray(mask.transpose(2, 0, 1)[columns].any(axis=2))
    return by_check.T.copy()


def _parts(asks: Asks, lacks: Lacks, quantities: Mapping[str, Floats], pair: Pair) -> Iterator[_Part]:
    p, r = pair
    requirement = lacks.edition.requirements[r]
    for c in asks.checks_of_requirement(r):
        gap = lacks.gaps.get((p, c))
        if gap is not None:
            yield _Part(pair, c, gap.kind)
        elif (p, c) in lacks.values:
            yield from _against_weather(asks, pair, c, lacks.values[p, c])
        elif (p, c) in lacks.counts:
            yield _against_quantity(asks, pair, c, lacks.counts[p, c], requirement, quantities)
        elif asks.checks[c].question is None:
            yield from _stand_in(asks, pair, c, requirement, lacks.holdings[pair])


def _against_weather(asks: Asks, pair: Pair, c: int, value: float) -> Iterator[_Part]:
    limit = asks.checks[c].limit
    if limit is None:
        return
    where, sure, bound = asks.asked[:, :, c], asks.certain[:, :, c], asks.bounds[c]
    with np.errstate(invalid="ignore"):
        crossed = value > bound if limit.at_most is not None else value < bound
    no_number = np.full(crossed.shape, np.isnan(value))
    unknown = asks.open_bounds[c] | no_number
    yield _Part(pair, c, GapKind.UNFIT, (where & crossed, sure & crossed))
    yield _Part(pair, c, GapKind.UNANSWERED, (where & unknown, sure & no_number))


def _against_quantity(
    asks: Asks, pair: Pair, c: int, count: float, requirement: Requirement, quantities: Mapping[str, Floats]
) -> _Part:
    where, sure = asks.asked[:, :, c], asks.certain[:, :, c]
    amount = quantities.get(requirement.how_many.computed or "")
    if amount is None:
        amount = np.full(where.shape[0], np.nan)
    with np.errstate(invalid="ignore"):
        short, unknown = amount > count, np.isnan(amount)
    masks = (where & (short | unknown)[:, np.newaxis], sure & short[:, np.newaxis])
    return _Part(pair, c, GapKind.SHORT, masks)


def _stand_in(asks: Asks, pair: Pair, c: int, requirement: Requirement, holding: Holding) -> Iterator[_Part]:
    record = holding.record
    if record is None or record.body.stand_in is None:
        return
    stand_in = next((s for s in requirement.stands_in if s.id == record.body.stand_in), None)
    if stand_in is None:
        yield _Part(pair, c, GapKind.UNFIT)
        return
    enough = asks.weather.truth(stand_in.when)
    where, sure = asks.asked[:, :, c], asks.certain[:, :, c]
    yield _Part(pair, c, GapKind.UNFIT, (where & ~enough.certain, sure & ~enough.possible))


def always_graded(requirement: Requirement) -> bool:
    """Whether some grade holds in all conditions, of the thing and of each limit with grades of its own."""
    own = (limit.grades for question in requirement.questions for limit in question.limits if limit.grades)
    return all(any(rule.when is None for rule in rules) for rules in (requirement.grades, *own))


def _graded(asks: Asks, lacks: Lacks, parts: Sequence[_Part]) -> tuple[Bools, Bools]:
    """Where one flag appears that has no grade in some conditions: the worst failing check decides."""
    scenarios = len(asks.conditions.scenarios)
    answers = []
    for side in (0, 1):
        taken = appears = np.zeros(scenarios, dtype=np.bool_)
        for part in sorted(parts, key=lambda part: (BADNESS[part.kind], part.check)):
            asked = (asks.asked, asks.certain)[side][:, :, part.check]
            where = part.masks[side] if part.masks is not None else asked
            worst = where.any(axis=1) & ~taken
            rules = _rules(asks, lacks, part)
            graded = np.logical_or.reduce([asks.weather.truth(rule.when).possible for rule in rules])
            appears = appears | (worst & (where & graded).any(axis=1))
            taken = taken | worst
        answers.append(appears)
    return answers[0], answers[1] & answers[0]


def graded_scenarios(
    asks: Asks,
    lacks: Lacks,
    quantities: Mapping[str, Floats],
    pairs: Sequence[Pair],
    code: Callable[[GradeRule], int],
) -> Ints:
    """How each flag is graded in each scenario, [scenario, pair]: 0 where it does not appear.

    What the forecast leaves open is treated as asked. `code` gives a rule's number, from 1 on.
    """
    found = np.zeros((len(asks.conditions.scenarios), len(pairs)), dtype=np.int64)
    every_part = [list(_parts(asks, lacks, quantities, pair)) for pair in pairs]
    anywhere = {
        c: asks.asked[:, :, c].any(axis=1)
        for c in {part.check for parts in every_part for part in parts if part.masks is None}
    }
    for n, parts in enumerate(every_part):
        open_ = np.ones(found.shape[0], dtype=np.bool_)
        for part in sorted(parts, key=lambda part: (BADNESS[part.kind], part.check)):
            c = part.check
            where = asks.asked[:, :, c] if part.masks is None else part.masks[0]
            fails = anywhere[c] if part.masks is None else where.any(axis=1)
            worst = open_ & fails
            if worst.any():
                _grade(asks, _rules(asks, lacks, part), where, worst, found[:, n], code)
                open_ &= ~fails
    return found


def _grade(
    asks: Asks,
    rules: Sequence[GradeRule],
    where: Bools,
    worst: Bools,
    into: Ints,
    code: Callable[[GradeRule], int],
) -> None:
    """Write the number of the first rule that holds on a stage where a check fails, where it is the worst."""
    left = worst
    for rule in rules:
        if rule.when is None:
            into[left] = code(rule)
            return
        holds = left & (where & asks.weather.truth(rule.when).possible).any(axis=1)
        into[holds] = code(rule)
        left = left & ~holds


def _rules(asks: Asks, lacks: Lacks, part: _Part) -> tuple[GradeRule, ...]:
    limit = asks.checks[part.check].limit
    own = limit.grades if limit is not None and part.kind is GapKind.UNFIT else ()
    return own or lacks.edition.requirements[part.pair[1]].grades


def spread_of(scenarios: Sequence[Scenario]) -> Spread:
    """What these scenarios are; a what-if on top does not change it."""
    if len(scenarios) < 2:
        return Spread.NONE
    by_hand = all(scenario.id.removeprefix("what-if-") in BY_HAND for scenario in scenarios)
    return Spread.BY_HAND if by_hand else Spread.ENSEMBLE


def frequencies(evaluation: Evaluation, flags: FlagScenarios) -> dict[str, Frequency]:
    """For each flag that appears in any scenario, in how many; by the id of its finding."""
    if evaluation.lacks is None:
        return {}
    scenarios = evaluation.conditions.scenarios
    spread = spread_of(scenarios)
    surely = flags.appears & flags.decided
    found = {}
    for n, (p, r) in enumerate(flags.pairs):
        if flags.appears[:, n].any():
            which = tuple(s.label for s, there in zip(scenarios, surely[:, n], strict=True) if there)
            found[_id(evaluation.lacks, (p, r))] = Frequency(
                spread=spread,
                appears=len(which),
                valid=int(flags.decided[:, n].sum()),
                total=len(scenarios),
                which=which if spread is Spread.BY_HAND else (),
            )
    return found


def possible_flags(evaluation: Evaluation, flags: FlagScenarios) -> tuple[PossibleFlag, ...]:
    """Flags that the forecast itself does not raise but another scenario surely does, most frequent first."""
    asks, lacks, picture = evaluation.asks, evaluation.lacks, evaluation.picture
    if asks is None or lacks is None:
        return ()
    counted = frequencies(evaluation, flags)
    surely = flags.appears & flags.decided
    found = []
    for n in np.flatnonzero(~flags.appears[asks.base] & surely.any(axis=0)):
        pair, scenario = flags.pairs[n], int(np.argmax(surely[:, n]))
        finding = finding_in(asks, lacks, picture, evaluation.quantities, pair, scenario)
        if finding is not None:
            found.append(possible_flag(finding, counted[finding.id]))
    found.sort(key=lambda f: (-f.frequency.appears, -f.grade.weight, f.item, f.subject_name))
    return tuple(found)


def finding_in(
    asks: Asks, lacks: Lacks, picture: Picture, quantities: Mapping[str, Floats], pair: Pair, scenario: int
) -> Finding | None:
    """The finding as it would be, were one scenario the forecast itself."""
    there = replace(asks, conditions=replace(asks.conditions, base=scenario))
    return finding_of(there, lacks, picture, quantities, *pair)


def possible_flag(finding: Finding, frequency: Frequency) -> PossibleFlag:
    """A finding of another scenario, as it is listed."""
    return PossibleFlag(
        id=finding.id,
        subject=finding.subject,
        subject_name=finding.subject_name,
        requirement=finding.requirement,
        item=finding.item,
        says=finding.reasons[0].says,
        grade=finding.grade,
        hold=finding.hold,
        hold_name=finding.hold_name,
        known_gap=finding.known_gap,
        frequency=frequency,
    )


def _id(lacks: Lacks, pair: Pair) -> str:
    return f"{lacks.subjects[pair[0]].id}.{lacks.edition.requirements[pair[1]].id}"
