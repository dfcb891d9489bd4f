"""The rules of a kit list as a workbook: what somebody would make who did the same work in a spreadsheet.

A sheet for each member of an ensemble holds what each stage will be like, as values, and beneath it formulas:
every condition on every stage, which check is asked where, what is wrong with whose gear, and whose flag
appears. The first sheet counts the flags over the members. What people lack without regard to the weather is
written in as it stands, as `Plainly` is given it too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from openpyxl import Workbook
from openpyxl.utils import get_column_letter

from api.kitlist.metrics import METRICS
from api.kitlist.quantities import in_unit
from api.kitlist.schemas import AllOf, AnyOf, AtLeast, Below, Condition, OnTerrain, Requirement
from api.readiness.findings import BADNESS
from api.readiness.schemas import GapKind
from tests.bench.plain_rules import Plainly

POSSIBLY, SURELY = 0, 1
Cell = float | int | str | None
Values = Callable[[Plainly], Sequence[Cell]]


@dataclass
class Sheet:
    """The rows of a member's sheet, a column a stage. Formulas are the same for all members; values differ.

    Truths are 1 and 0, so that they can be added and multiplied; what is not known is an empty cell.
    """

    like: Plainly
    """One of the members, for everything that they have in common."""
    rows: list[Sequence[Cell] | Values] = field(default_factory=list)
    flags: dict[tuple[int, int], int] = field(default_factory=dict)
    """By subject and requirement: in which row it stands, in column D, whether its flag surely appears."""
    formulas: int = 0
    _there: dict[Hashable, int] = field(default_factory=dict)

    def build(self) -> None:
        """Write all rows."""
        for p, r in self.like.lacks.holdings:
            if not self.like.edition.requirements[r].optional:
                sides = [self._flag(p, r, side) for side in (POSSIBLY, SURELY)]
                row = len(self.rows) + 1
                self._row(("flag", p, r), [*sides, f"=B{row}*C{row}"])
                self.flags[p, r] = row

    def _row(self, key: Hashable, cells: Sequence[Cell] | Values) -> int:
        """The number of a row, which is written when it is first asked for."""
        if key not in self._there:
            self.rows.append(cells)
            self._there[key] = len(self.rows)
            if not callable(cells):
                self.formulas += sum(isinstance(cell, str) and cell.startswith("=") for cell in cells)
        return self._there[key]

    def _each(self, key: Hashable, cell: Callable[[int], Cell]) -> int:
        return self._row(key, [cell(t) for t in range(len(self.like.plan.stages))])

    def _metric(self, side: str, metric: str) -> int:
        def values(rules: Plainly) -> Sequence[Cell]:
            given = getattr(rules, side).get(metric, [math.nan] * len(rules.plan.stages))
            return [None if math.isnan(value) else float(value) for value in given]

        return self._row((side, metric), values)

    def _complete(self, metric: str) -> int:
        stages = range(len(self.like.plan.stages))
        return self._row(
            ("complete", metric), lambda rules: [int(rules.is_complete(metric, t)) for t in stages]
        )

    # -- what is asked where

    def truth(self, condition: Condition | None, side: int) -> int:
        """The row that says on which stages a condition holds: possibly or surely."""
        key = ("truth", condition, side)
        if key in self._there:
            return self._there[key]
        match condition:
            case None:
                return self._each(key, lambda t: 1)
            case AllOf(all_=parts):
                rows = [self.truth(part, side) for part in parts]
                return self._each(key, lambda t: f"={'*'.join(at(row, t) for row in rows)}")
            case AnyOf(any_=parts):
                rows = [self.truth(part, side) for part in parts]
                return self._each(key, lambda t: f"=MAX({','.join(at(row, t) for row in rows)})")
            case OnTerrain():
                return self._each(key, lambda t: int(self.like.holds(condition, t)[0]))
            case Below(metric=metric, below=threshold):
                extreme, sign = self._metric("low", metric), "<"
            case AtLeast(metric=metric, at_least=threshold):
                extreme, sign = self._metric("high", metric), ">="
        limits = [self.like.threshold(threshold, metric, t) for t in range(len(self.like.plan.stages))]
        limit = self._each(
            ("limit", metric, threshold), lambda t: None if math.isnan(limits[t]) else limits[t]
        )
        crossed = self._each(
            (key, "crossed"),
            lambda t: (
                f"=IF(AND(ISNUMBER({at(extreme, t)}),ISNUMBER({at(limit, t)})),"
                f"({at(extreme, t)}{sign}{at(limit, t)})*1,0)"
            ),
        )
        if side == SURELY:
            self._there[key] = crossed
            return crossed
        complete = self._complete(metric)
        return self._each(
            key, lambda t: f"=MAX({at(crossed, t)},IF(ISNUMBER({at(limit, t)}),1-{at(complete, t)},0))"
        )

    def _asked(self, r: int, c: int, side: int) -> int:
        requirement, check = self.like.edition.requirements[r], self.like.lacks.checks[c]
        rows = [self.truth(requirement.when, side)]
        if check.question is not None and check.limit is not None:
            rows += [self.truth(check.question.when, side), self.truth(check.limit.when, side)]
        stages = self.like.stages_of(requirement)
        return self._each(
            ("asked", c, side), lambda t: f"={'*'.join(at(row, t) for row in rows)}" if t in stages else 0
        )

    def _graded(self, r: int, c: int, kind: GapKind) -> int:
        limit, requirement = self.like.lacks.checks[c].limit, self.like.edition.requirements[r]
        rules = (limit.grades if limit and kind is GapKind.UNFIT else ()) or requirement.grades
        rows = [self.truth(rule.when, POSSIBLY) for rule in rules]
        key = ("graded", c, kind is GapKind.UNFIT)
        return self._each(key, lambda t: f"=MAX({','.join(at(row, t) for row in rows)})" if rows else 0)

    # -- whose flag appears

    def _flag(self, p: int, r: int, side: int) -> str:
        """The worst that is wrong on any stage counts, if it has a grade on a stage on which it is wrong."""
        formula = "0"
        wrong = [found for c in self.like.spans[r] for found in self._wrong(p, r, c, side)]
        for kind, c, row in sorted(wrong, key=lambda found: (BADNESS[found[0]], found[1]), reverse=True):
            here, graded = self._span(row), self._span(self._graded(r, c, kind))
            formula = f"IF(SUM({here})>0,(SUMPRODUCT({here},{graded})>0)*1,{formula})"
        return f"={formula}"

    def _span(self, row: int) -> str:
        return f"{at(row, 0)}:{at(row, len(self.like.plan.stages) - 1)}"

    def _wrong(self, p: int, r: int, c: int, side: int) -> list[tuple[GapKind, int, int]]:
        """What can be wrong with a check, and the row that says on which stages it is."""
        lacks, asked = self.like.lacks, self._asked(r, c, side)
        if (gap := lacks.gaps.get((p, c))) is not None:
            return [(gap.kind, c, asked)]
        if (p, c) in lacks.values:
            return self._against_weather(p, c, asked, side)
        requirement = self.like.edition.requirements[r]
        if (p, c) in lacks.counts:
            return [(GapKind.SHORT, c, self._short(requirement, p, c, asked, side))]
        record = lacks.holdings[p, r].record
        if lacks.checks[c].question is None and record is not None and record.body.stand_in is not None:
            stand_in = next((s for s in requirement.stands_in if s.id == record.body.stand_in), None)
            if stand_in is None:
                return [(GapKind.UNFIT, c, asked)]
            enough = self.truth(stand_in.when, SURELY if side == POSSIBLY else POSSIBLY)
            key = ("stands in", c, stand_in.id, side)
            return [(GapKind.UNFIT, c, self._each(key, lambda t: f"={at(asked, t)}*(1-{at(enough, t)})"))]
        return []

    def _short(self, requirement: Requirement, p: int, c: int, asked: int, side: int) -> int:
        name, count = requirement.how_many.computed or "", self.like.lacks.counts[p, c]

        def value(rules: Plainly) -> Sequence[Cell]:
            amount = rules.amounts.get(name, math.nan)
            return [None if math.isnan(amount) else amount]

        amount = f"$B${self._row(('amount', name), value)}"
        unknown = int(side == POSSIBLY)
        return self._each(
            ("short", p, c, side),
            lambda t: f"={at(asked, t)}*IF(ISNUMBER({amount}),({amount}>{count})*1,{unknown})",
        )

    def _against_weather(self, p: int, c: int, asked: int, side: int) -> list[tuple[GapKind, int, int]]:
        limit, bound = self.like.lacks.checks[c].limit, self.like.lacks.checks[c].relative
        assert limit is not None
        assert bound is not None
        value, upper = self.like.lacks.values[p, c], limit.at_most is not None
        known, complete = self._metric("low" if upper else "high", bound.metric), self._complete(bound.metric)
        plus = in_unit(bound.plus, METRICS[bound.metric].unit, difference=True) if bound.plus else 0.0
        told, sign = not math.isnan(value), ">" if upper else "<"
        beyond = self._each(
            ("beyond", p, c),
            lambda t: (
                f"=IF(ISNUMBER({at(known, t)}),({value}{sign}{at(known, t)}+({plus}))*1,0)" if told else 0
            ),
        )
        unfit = self._each(("unfit", p, c, side), lambda t: f"={at(asked, t)}*{at(beyond, t)}")
        if told and side == SURELY:
            return [(GapKind.UNFIT, c, unfit)]
        open_ = self._each(
            ("unanswered", p, c, side),
            lambda t: f"={at(asked, t)}*(1-{at(beyond, t)})" + (f"*(1-{at(complete, t)})" if told else ""),
        )
        return [(GapKind.UNFIT, c, unfit), (GapKind.UNANSWERED, c, open_)]


def at(row: int, stage: int) -> str:
    """The address of a stage's cell."""
    return f"{get_column_letter(stage + 2)}{row}"


def write(file: Path, members: Sequence[Plainly]) -> tuple[list[tuple[int, int]], int]:
    """Write the workbook; returns which flag each row of its first sheet counts, and how many formulas there
    are in all.
    """
    sheet = Sheet(members[0])
    sheet.build()
    book = Workbook(write_only=True)
    counted = book.create_sheet("flags")
    names = [f"m{number:02}" for number in range(len(members))]
    for row in sheet.flags.values():
        counted.append([f"=SUM({','.join(f'{name}!D{row}' for name in names)})"])
    for name, rules in zip(names, members, strict=True):
        page: Any = book.create_sheet(name)
        for cells in sheet.rows:
            page.append([None, *(cells(rules) if callable(cells) else cells)])
    book.save(file)
    return list(sheet.flags), sheet.formulas * len(members) + len(sheet.flags)
