"""From an ensemble to how often each flag appears, against the same rules one member and person at a time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from api.clock import SystemClock
from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.forecast import Forecast
from api.conditions.quantities import quantities
from api.readiness.asks import asks
from api.readiness.lacks import lacks
from api.readiness.scenarios import FlagScenarios, flag_scenarios
from tests.bench import Row
from tests.bench.plain_rules import Plainly
from tests.readiness import big

ROUNDS = 7
BAR = 20.0
BAR_MS = 150.0


def run() -> list[Row]:
    """Both ways give the same counts, which is checked first; then both are timed."""
    drawn, clock = big.forecast(), SystemClock()
    started = clock.monotonic()
    plain = plainly(drawn)
    plain_s = clock.monotonic() - started
    np.testing.assert_array_equal(at_once(drawn).counts, plain)
    times = []
    for _ in range(ROUNDS):
        started = clock.monotonic()
        at_once(drawn)
        times.append(clock.monotonic() - started)
    size = f"{big.MEMBERS} members, {big.HOURS} h, 8 levels, {big.STAGES} stages"
    size += f", {big.REQUIREMENTS} requirements, {big.PEOPLE} people"
    return [
        Row(
            what=f"counts of all flags: {size}",
            baseline="plain rules, one member and person at a time",
            ratio=plain_s / min(times),
            figure=f"{min(times) * 1e3:.0f} against {plain_s * 1e3:.0f} ms",
            bar=BAR,
        ),
        Row(
            what="counts of all flags, in the process",
            baseline=f"the bar of {BAR_MS:.0f} ms",
            ratio=BAR_MS / (min(times) * 1e3),
            figure=f"{min(times) * 1e3:.0f} ms",
            bar=1.0,
        ),
    ]


def at_once(drawn: Forecast) -> FlagScenarios:
    """All members, people and requirements together, from the forecast on."""
    plan, edition, party = big.plan(), big.edition(), big.party()
    conditions = stage_conditions(plan, drawn)
    asked = asks(edition, plan, conditions)
    return flag_scenarios(
        asked, lacks(edition, plan, party), quantities(plan, conditions, len(party.members))
    )


def plainly(drawn: Forecast) -> np.ndarray:
    """In how many members each flag surely appears, [subject, requirement], worked out one after another.

    What people lack does not depend on the member and is worked out once here too.
    """
    plan, edition, party = big.plan(), big.edition(), big.party()
    lacking = lacks(edition, plan, party)
    counts = np.zeros((len(lacking.subjects), len(edition.requirements)), dtype=np.int64)
    for i, member in enumerate(drawn.members):
        series = {name: replace(given, values=given.values[[i]]) for name, given in drawn.series.items()}
        alone = stage_conditions(plan, replace(drawn, members=(member,), series=series))
        amounts = {name: float(a[0]) for name, a in quantities(plan, alone, len(party.members)).items()}
        rules = Plainly(edition, plan, alone, lacking, amounts)
        for p in range(len(lacking.subjects)):
            for r, (_, surely) in rules.flags(p):
                counts[p, r] += surely
    return counts
