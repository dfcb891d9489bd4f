"""A requirement or line, as a file gives it, as the rows of a form; and ids for rows that are new. Pure."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from typing import Any

from web.pages.kitlist_tree import Tree

PLACE, LINE, METRIC = "place:", "line:", "metric:"
"""How a choice says what a figure is measured from."""


def requirement_tree(plain: Mapping[str, Any]) -> Tree:
    """A requirement, as a file gives it, as rows of a form."""
    tree: Tree = {key: _shown(value) for key, value in plain.items() if not isinstance(value, dict | list)}
    tree["roles"] = list(plain.get("roles", ()))
    tree["spare_for"] = ", ".join(plain.get("spare_for", ()))
    tree["how_many"] = {key: _shown(value) for key, value in plain.get("how_many", {}).items()}
    tree["basis"] = dict(plain.get("basis", {}))
    tree["questions"] = [_question_tree(question) for question in plain.get("questions", ())]
    tree["stands_in"] = [_with_when(stand_in) for stand_in in plain.get("stands_in", ())]
    tree["grades"] = [_grade_tree(grade) for grade in plain.get("grades", ())]
    return _add_when(tree, plain)


def line_tree(plain: Mapping[str, Any]) -> Tree:
    """A line, as a file gives it, as fields of a form."""
    named = {key: str(plain[key]) for key in ("id", "title", "metric")}
    return named | _threshold_tree(plain["value"])


def condition_tree(condition: Mapping[str, Any]) -> Tree:
    """A condition as rows, joined by `all` or `any`."""
    for join in ("all", "any"):
        if join in condition:
            return {"join": join, "rows": [_row_tree(part) for part in condition[join]]}
    return {"join": "all", "rows": [_row_tree(condition)]}


def _row_tree(condition: Mapping[str, Any]) -> Tree:
    if "terrain" in condition:
        return {"is": "ground", "terrain": list(condition["terrain"])}
    for how in ("below", "at_least"):
        if how in condition:
            named = {"is": "number", "metric": condition["metric"], "how": how}
            return named | _threshold_tree(condition[how])
    return {"is": "group"} | condition_tree(condition)


def _threshold_tree(threshold: Any) -> Tree:
    if not isinstance(threshold, Mapping):
        return {"from": "", "value": _shown(threshold)}
    if "line" in threshold:
        return {"from": f"{LINE}{threshold['line']}", "value": ""}
    return {"from": f"{PLACE}{threshold['from']}", "value": threshold.get("offset", "")}


def _question_tree(question: Mapping[str, Any]) -> Tree:
    tree: Tree = {key: value for key, value in question.items() if isinstance(value, str)}
    tree["choices"] = [dict(choice) for choice in question.get("choices", ())]
    tree["limits"] = [_limit_tree(limit) for limit in question["limits"]]
    return _add_when(tree, question)


def _limit_tree(limit: Mapping[str, Any]) -> Tree:
    tree: Tree = {"says": limit["says"], "grades": [_grade_tree(g) for g in limit.get("grades", ())]}
    for key in ("at_least", "at_most"):
        bound = limit.get(key)
        if isinstance(bound, Mapping):
            tree |= {"asks": key, "from": f"{METRIC}{bound['metric']}", "value": bound.get("plus", "")}
        elif bound is not None:
            tree |= {"asks": key, "value": _shown(bound)}
    if limit.get("one_of"):
        tree |= {"asks": "one_of", "one_of": list(limit["one_of"])}
    if "want" in limit:
        tree["asks"] = "yes" if limit["want"] else "no"
    if "not_before" in limit:
        tree["asks"] = limit["not_before"]
    if "within_years" in limit:
        tree |= {"asks": "within_years", "value": _shown(limit["within_years"])}
    return _add_when(tree, limit)


def _grade_tree(grade: Mapping[str, Any]) -> Tree:
    tree: Tree = {"grade": grade["grade"], "at": grade["at"]}
    tree["also"] = [_grade_tree(further) for further in grade.get("also", ())]
    return _add_when(tree, grade)


def _with_when(plain: Mapping[str, Any]) -> Tree:
    return _add_when({key: value for key, value in plain.items() if key != "when"}, plain)


def _add_when(tree: Tree, plain: Mapping[str, Any]) -> Tree:
    return tree | {"when": condition_tree(plain["when"])} if plain.get("when") else tree


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else ""
    return "" if value is None else str(value)


def with_ids(tree: Tree, taken: Iterable[str], *, title: str = "item") -> Tree:
    """The tree with an id for it, and for each of its rows that has a name but none yet."""
    new = dict(tree)
    if not new.get("id"):
        new["id"] = made_id(new.get(title, ""), taken, fallback="one")
    new["stands_in"] = _rows_with_ids(tree.get("stands_in", ()), "item")
    new["questions"] = [
        question | {"choices": _rows_with_ids(question.get("choices", ()), "label")}
        for question in _rows_with_ids(tree.get("questions", ()), "ask")
    ]
    return new


def _rows_with_ids(rows: Iterable[Tree], title: str) -> list[Tree]:
    listed = [dict(row) for row in rows]
    taken = {row["id"] for row in listed if row.get("id")}
    for row in listed:
        if not row.get("id") and row.get(title, "").strip():
            row["id"] = made_id(row[title], taken, fallback=title)
            taken.add(row["id"])
    return listed


def made_id(text: str, taken: Iterable[str], *, fallback: str) -> str:
    """A short id from what people call a thing, unlike those taken."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    stem = "-".join(re.findall(r"[a-z0-9]+", plain)[:6])[:50].strip("-") or fallback
    others = set(taken)
    made, n = stem, 1
    while made in others:
        n += 1
        made = f"{stem}-{n}"
    return made
