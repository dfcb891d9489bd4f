"""Which flags stand otherwise by another source of the forecast. Sources stand beside each other. Pure."""

from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum

import numpy as np

from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.forecast import Forecast
from api.conditions.many import base_member
from api.conditions.quantities import quantities
from api.kitlist.schemas import Grade
from api.readiness.asks import Asks, asks
from api.readiness.evaluation import Evaluation
from api.readiness.findings import finding_of
from api.readiness.lacks import Lacks
from api.readiness.outlook import Outlined
from api.readiness.scenarios import Pair, flag_scenarios, swayed
from api.readiness.schemas import Trigger

Issues = Sequence[Forecast]
"""The last issues of one source, oldest first."""


class SourceStanding(StrEnum):
    """What one source makes of a flag."""

    OPEN = "open"
    NOT_OPEN = "not-open"
    NOT_KNOWN = "not-known"
    """It does not say enough to decide."""


class SourceSays(Outlined):
    """How a flag stands by one source alone."""

    standing: SourceStanding
    grade: Grade | None = None
    hold_name: str = ""
    why_now: tuple[Trigger, ...] = ()


class FlagBySource(Outlined):
    """A flag about which sources differ."""

    id: str
    subject: str
    subject_name: str
    requirement: str
    item: str
    by: dict[str, SourceSays]
    """By provider."""


class FlagsBySource(Outlined):
    """Where sources of the forecast differ about flags. They are never pooled."""

    sources: tuple[str, ...]
    differ: tuple[FlagBySource, ...] = ()
    undecided: dict[str, int] = {}
    """By provider, how many flags it does not say enough to decide."""


def flags_by_source(now: Evaluation, received: Mapping[str, Issues]) -> FlagsBySource:
    """The flags about which sources that decide them differ, each source held against the trip by itself.

    Parameters
    ----------
    now
        The trip as it is.
    received
        The last issues of each provider, at least one each. Of an ensemble the control speaks for it, of what
        a guide typed in the best guess.
    """
    if now.asks is None or now.lacks is None or not now.plan.stages or len(received) < 2:
        return FlagsBySource(sources=tuple(received))
    pairs = swayed(now.asks, now.lacks)
    said = {
        provider: dict(_said(now, now.asks, now.lacks, issues, pairs))
        for provider, issues in received.items()
    }
    everywhere = [pair for pair in pairs if _differ([found.get(pair) for found in said.values()])]
    return FlagsBySource(
        sources=tuple(received),
        differ=tuple(
            _flag(now.lacks, pair, {provider: found.get(pair) for provider, found in said.items()})
            for pair in everywhere
        ),
        undecided={
            provider: sum(one.standing is SourceStanding.NOT_KNOWN for one in found.values())
            for provider, found in said.items()
        },
    )


def _said(
    now: Evaluation, usual: Asks, lacks: Lacks, issues: Issues, pairs: Sequence[Pair]
) -> Iterator[tuple[Pair, SourceSays]]:
    """What one source makes of each flag that it raises or cannot decide."""
    before = base_member(issues[-2]) if len(issues) > 1 else None
    conditions = stage_conditions(now.plan, base_member(issues[-1]), before)
    amounts = quantities(now.plan, conditions, len(now.picture.members))
    only = frozenset(r for _, r in pairs)
    asked = asks(usual.edition, now.plan, conditions, checks=usual.checks, only=only)
    flags = flag_scenarios(asked, lacks, amounts, only=pairs)
    for n in np.flatnonzero(flags.appears[asked.base]).tolist():
        pair = flags.pairs[n]
        if not flags.decided[asked.base, n]:
            yield pair, SourceSays(standing=SourceStanding.NOT_KNOWN)
        elif (finding := finding_of(asked, lacks, now.picture, amounts, *pair)) is not None:
            yield (
                pair,
                SourceSays(
                    standing=SourceStanding.OPEN,
                    grade=finding.grade,
                    hold_name=finding.hold_name,
                    why_now=finding.why_now,
                ),
            )


def _differ(said: Sequence[SourceSays | None]) -> bool:
    """Whether those that decide differ about whether the flag is there, or about its grade."""
    decided: set[tuple[Grade | None, str]] = {
        (one.grade, one.hold_name) if one else (None, "")
        for one in said
        if one is None or one.standing is not SourceStanding.NOT_KNOWN
    }
    return len(decided) > 1


def _flag(lacks: Lacks, pair: Pair, said: Mapping[str, SourceSays | None]) -> FlagBySource:
    subject, requirement = lacks.subjects[pair[0]], lacks.edition.requirements[pair[1]]
    quiet = SourceSays(standing=SourceStanding.NOT_OPEN)
    return FlagBySource(
        id=f"{subject.id}.{requirement.id}",
        subject=subject.id,
        subject_name=subject.name,
        requirement=requirement.id,
        item=requirement.item,
        by={provider: one or quiet for provider, one in said.items()},
    )
