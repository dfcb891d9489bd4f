"""What the rows of a form amount to, as a file would give it, and faults back under the form's names. Pure.

Nothing typed is dropped silently: a figure beside a choice that has no use for it is a fault of its own.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from api.errors import FieldProblem
from api.kitlist.loading import FileFault
from api.kitlist.schemas import Path
from web import words
from web.pages.kitlist_rows import LINE, METRIC, PLACE
from web.pages.kitlist_tree import Tree

_STRUCTURE = frozenset({"id", "is", "join", "how", "kind", "needs"})
"""What a form fills in by itself: a row with nothing else in it was left empty."""


@dataclass(frozen=True, slots=True)
class Written:
    """What a form amounts to, as a file would give it."""

    plain: dict[str, Any]
    fields: Mapping[Path, str]
    """Which field of the form each part came from."""
    faults: tuple[FieldProblem, ...]
    """What was typed where it has no use."""


def requirement_from(tree: Tree) -> Written:
    """A requirement as a file would give it. `tree` has ids (`with_ids`)."""
    pen = _Pen()
    out: dict[str, Any] = {}
    for key in ("id", "item", "zone", "scope", "takes", "why", "clears", "loan", "weight_g"):
        pen.text(out, (), tree, "", key)
    pen.fields[("id",)] = "item"
    for key in ("optional", "life_safety"):
        pen.fields[(key,)] = key
        if tree.get(key):
            out[key] = True
    pen.fields[("roles",)] = "roles"
    if tree.get("roles"):
        out["roles"] = tree["roles"]
    pen.fields[("spare_for",)] = "spare_for"
    spare_for = [part for part in re.split(r"[\s,]+", tree.get("spare_for", "")) if part]
    if spare_for:
        pen.fields |= {("spare_for", at): "spare_for" for at in range(len(spare_for))}
        out["spare_for"] = spare_for
    pen.how_many(out, tree.get("how_many", {}))
    pen.when(out, (), tree, "")
    pen.rows(out, (), tree, "", "questions", pen.question)
    pen.rows(out, (), tree, "", "stands_in", pen.stand_in)
    pen.rows(out, (), tree, "", "grades", pen.grade)
    out["basis"] = {}
    pen.fields[("basis",)] = "basis-source"
    for key in ("kind", "source"):
        pen.text(out["basis"], ("basis",), tree.get("basis", {}), "basis-", key)
    return Written(out, pen.fields, tuple(pen.faults))


def line_from(tree: Tree) -> Written:
    """A line as a file would give it. `tree` has its id."""
    pen = _Pen()
    out: dict[str, Any] = {}
    for key in ("id", "title", "metric"):
        pen.text(out, (), tree, "", key)
    pen.fields[("id",)] = "title"
    out["value"] = pen.threshold(("value",), tree, "")
    return Written(out, pen.fields, tuple(pen.faults))


class _Pen:
    """Writes plain data and remembers which field each part of it came from."""

    def __init__(self) -> None:
        self.fields: dict[Path, str] = {}
        self.faults: list[FieldProblem] = []

    def text(self, out: dict[str, Any], path: Path, node: Tree, where: str, key: str) -> None:
        """One line of text, left out when it is empty."""
        self.fields[(*path, key)] = f"{where}{key}"
        text = node.get(key, "").strip()
        if text:
            out[key] = text

    def rows(self, out: dict[str, Any], path: Path, node: Tree, where: str, key: str, write: Any) -> None:
        """A list of rows, without those left empty."""
        self.fields[(*path, key)] = f"{where}{key}"
        written: list[Any] = []
        for at, row in enumerate(node.get(key, ())):
            if not left_empty(row):
                written.append(write((*path, key, len(written)), row, f"{where}{key}-{at}-"))
        if written:
            out[key] = written

    def how_many(self, out: dict[str, Any], node: Tree) -> None:
        found: dict[str, Any] = {}
        for key in ("count", "per", "people", "computed", "unit"):
            self.text(found, ("how_many",), node, "how_many-", key)
        self.fields[("how_many",)] = "how_many-per"
        if found not in ({}, {"per": "person"}, {"count": "1", "per": "person"}):
            out["how_many"] = found

    def when(self, out: dict[str, Any], path: Path, node: Tree, where: str) -> None:
        condition = self.condition((*path, "when"), node.get("when", {}), f"{where}when")
        if condition is not None:
            out["when"] = condition

    def condition(self, path: Path, node: Tree, where: str, *, group: bool = False) -> Any:
        """A condition from its rows; None without any. One row alone needs no joining word."""
        self.fields[path] = f"{where}-rows"
        given = [(at, row) for at, row in enumerate(node.get("rows", ())) if not left_empty(row)]
        if not given:
            return None
        join = "any" if node.get("join") == "any" else "all"
        if len(given) == 1 and not group:
            return self.row(path, given[0][1], f"{where}-rows-{given[0][0]}")
        self.fields[(*path, join)] = f"{where}-rows"
        return {
            join: [self.row((*path, join, n), row, f"{where}-rows-{at}") for n, (at, row) in enumerate(given)]
        }

    def row(self, path: Path, row: Tree, where: str) -> Any:
        if row.get("is") == "group":
            return self.condition(path, row, where, group=True)
        self.fields[path] = where
        if row.get("is") == "ground":
            self.fields[(*path, "terrain")] = f"{where}-terrain"
            return {"terrain": row.get("terrain", [])}
        how = "at_least" if row.get("how") == "at_least" else "below"
        out: dict[str, Any] = {}
        self.text(out, path, row, f"{where}-", "metric")
        # The checks place a fault about what it is measured from beside the metric.
        self.fields[(*path, "from")] = f"{where}-from"
        self.fields[(*path, "offset")] = f"{where}-value"
        out[how] = self.threshold((*path, how), row, f"{where}-")
        return out

    def threshold(self, path: Path, node: Tree, where: str) -> Any:
        """A figure, or what it is measured from with an offset, or a line that has its own figure."""
        value, measured = node.get("value", "").strip(), node.get("from", "")
        self.fields[path] = f"{where}value"
        for key in ("from", "line"):
            self.fields[(*path, key)] = f"{where}from"
        if measured.startswith(LINE):
            if value:
                message = "A named line has a figure of its own."
                remedy = "Empty this, or choose “this figure” in place of the line."
                self.faults.append(FieldProblem(f"{where}value", value, remedy, message))
            return {"line": measured.removeprefix(LINE)}
        if measured.startswith(PLACE):
            offset = {"offset": value} if value else {}
            return {"from": measured.removeprefix(PLACE)} | offset
        return value

    def question(self, path: Path, node: Tree, where: str) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for key in ("id", "ask", "kind", "unit", "needs"):
            self.text(out, path, node, where, key)
        self.fields[path] = f"{where}kind"
        self.fields[(*path, "id")] = f"{where}ask"
        self.rows(out, path, node, where, "choices", self.choice)
        self.when(out, path, node, where)
        self.rows(out, path, node, where, "limits", self.limit)
        return out

    def choice(self, path: Path, node: Tree, where: str) -> dict[str, Any]:
        out: dict[str, Any] = {}
        self.text(out, path, node, where, "id")
        self.text(out, path, node, where, "label")
        self.fields[(*path, "id")] = f"{where}label"
        return out

    def limit(self, path: Path, node: Tree, where: str) -> dict[str, Any]:
        asks, value = node.get("asks", ""), node.get("value", "").strip()
        out: dict[str, Any] = {}
        self.fields[path] = f"{where}asks"
        for key in ("at_least", "at_most", "within_years"):
            self.fields[(*path, key)] = f"{where}value"
        for key in ("want", "not_before"):
            self.fields[(*path, key)] = f"{where}asks"
        self.fields[(*path, "one_of")] = f"{where}one_of"
        if asks in ("at_least", "at_most"):
            out[asks] = self.bound((*path, asks), node.get("from", ""), value, where)
        elif asks == "within_years":
            out[asks] = value
        elif asks == "one_of":
            out["one_of"] = node.get("one_of", [])
        elif asks in ("yes", "no"):
            out["want"] = asks == "yes"
        elif asks:
            out["not_before"] = asks
        self._unused(node, where, asks, value)
        self.text(out, path, node, where, "says")
        self.when(out, path, node, where)
        self.rows(out, path, node, where, "grades", self.grade)
        return out

    def bound(self, path: Path, measured: str, value: str, where: str) -> Any:
        self.fields[(*path, "metric")] = f"{where}from"
        self.fields[(*path, "plus")] = f"{where}value"
        if not measured.startswith(METRIC):
            return value
        return {"metric": measured.removeprefix(METRIC)} | ({"plus": value} if value else {})

    def _unused(self, node: Tree, where: str, asks: str, value: str) -> None:
        """What stands beside a kind of limit that has no use for it."""
        if value and asks not in ("at_least", "at_most", "within_years"):
            self.faults.append(
                FieldProblem(
                    f"{where}value",
                    value,
                    "Empty this, or choose at least, at most or years.",
                    "This kind of limit has no figure.",
                )
            )
        if node.get("from") and asks not in ("at_least", "at_most"):
            self.faults.append(
                FieldProblem(
                    f"{where}from",
                    node["from"],
                    "Choose “this figure” here, or at least or at most.",
                    "This kind of limit is not measured from anything.",
                )
            )
        if node.get("one_of") and asks != "one_of":
            self.faults.append(
                FieldProblem(
                    f"{where}one_of",
                    ", ".join(node["one_of"]),
                    "Take the ticks out, or choose “one of these answers”.",
                    "This kind of limit does not name answers.",
                )
            )

    def stand_in(self, path: Path, node: Tree, where: str) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for key in ("id", "item", "note"):
            self.text(out, path, node, where, key)
        self.fields[(*path, "id")] = f"{where}item"
        self.when(out, path, node, where)
        return out

    def grade(self, path: Path, node: Tree, where: str) -> dict[str, Any]:
        out: dict[str, Any] = {}
        self.text(out, path, node, where, "grade")
        self.text(out, path, node, where, "at")
        self.fields[path] = f"{where}grade"
        self.when(out, path, node, where)
        self.rows(out, path, node, where, "also", self.grade)
        return out


def left_empty(row: Tree) -> bool:
    """Whether nobody has typed or chosen anything in a row."""
    return not any(_said(value) for key, value in row.items() if key not in _STRUCTURE)


def _said(value: Any) -> bool:
    if isinstance(value, dict):
        return not left_empty(value)
    if isinstance(value, list):
        return any(not left_empty(one) if isinstance(one, dict) else bool(one) for one in value)
    return bool(value.strip())


def field_problems(faults: Iterable[FileFault], base: Path, written: Written) -> list[FieldProblem]:
    """Faults of an edition under the names of the form whose part of it lies at `base`.

    One in another part of the edition keeps the edition's own name for it.
    """
    found = []
    for fault in faults:
        inside = fault.steps[: len(base)] == base
        name = _nearest(fault.steps[len(base) :], written.fields) if inside else fault.path or "edition"
        found.append(
            FieldProblem(
                name, fault.value or None, words.sentence(fault.remedy), words.sentence(fault.message)
            )
        )
    return found


def _nearest(path: Path, fields: Mapping[Path, str]) -> str:
    while path and path not in fields:
        path = path[:-1]
    return fields.get(path, "item")
