"""A form with rows that come and go, without scripts: flat fields to a tree, and rows added, dropped, moved.

Fields are named by where they belong, with dashes: `grades-0-when-rows-1-metric`. A button that changes rows
sends the whole form with what to do and where, as in `add-number grades-0-when-rows`, and gets it back with
all that was typed. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from copy import deepcopy
from typing import Any

from api.errors import Invalid

Tree = dict[str, Any]

SEVERAL = frozenset({"roles", "terrain", "one_of"})
"""Fields that may be ticked several times."""
DEEPEST = 60
"""Steps in the longest name that is read; the recursion here is as deep."""
MOST_ROWS = 100
BRANCHES = frozenset({"how_many", "when", "basis"})
ROWS = frozenset({"rows", "questions", "choices", "limits", "stands_in", "grades", "also"})

BLANK: Mapping[str, Tree] = {
    "number": {"is": "number", "metric": "", "how": "below", "from": "", "value": ""},
    "ground": {"is": "ground", "terrain": []},
    "group": {"is": "group", "join": "any", "rows": [{"is": "number", "how": "below"}]},
    "question": {"ask": "", "kind": "yes-no", "needs": "seen", "limits": [{"asks": ""}]},
    "choice": {"label": ""},
    "limit": {"asks": ""},
    "stand-in": {"item": ""},
    "grade": {"grade": "", "at": ""},
}
"""A new row of each kind."""


def tree_of(fields: Iterable[tuple[str, str]]) -> Tree:
    """The fields as nested rows. Raises Invalid for a name that fits nowhere."""
    tree: Tree = {}
    for name, text in fields:
        steps = name.split("-")
        if len(steps) > DEEPEST:
            raise Invalid.field(
                name[:40],
                None,
                "This is nested deeper than a form can show.",
                "Change it as YAML: import it.",
            )
        branch = tree
        for step in steps[:-1]:
            branch = branch.setdefault(step, {})
            if not isinstance(branch, dict):
                raise _misnamed(name)
        if steps[-1] in SEVERAL:
            branch.setdefault(steps[-1], []).append(text)
        elif isinstance(branch.get(steps[-1]), dict):
            raise _misnamed(name)
        else:
            branch[steps[-1]] = text.replace("\r\n", "\n")
    listed = {key: _listed(value) for key, value in tree.items()}
    _check(listed, "")
    return listed


def changed(tree: Tree, what: str) -> Tree:
    """The tree after a button: `add-KIND LIST`, `drop ROW`, `up ROW` or `down ROW`.

    What fits nowhere, as after a page was left open for long, changes nothing.
    """
    action, _, where = what.partition(" ")
    steps = where.split("-")
    new = deepcopy(tree)
    if action.startswith("add-") and action.removeprefix("add-") in BLANK:
        rows = _rows(new, steps)
        if rows is not None and len(rows) < MOST_ROWS:
            rows.append(deepcopy(dict(BLANK[action.removeprefix("add-")])))
        return new
    rows, at = _rows(new, steps[:-1]), steps[-1]
    if rows is None or not _is_place(at) or int(at) >= len(rows):
        return new
    place = int(at)
    if action == "drop":
        del rows[place]
    elif action == "up" and place > 0:
        rows.insert(place - 1, rows.pop(place))
    elif action == "down":
        rows.insert(place + 1, rows.pop(place))
    return new


def _rows(tree: Tree, steps: list[str]) -> list[Any] | None:
    """The list of rows at a place, made when there is none yet; None where there can be none."""
    node: Any = tree
    for step in steps[:-1]:
        if isinstance(node, list):
            if not _is_place(step) or int(step) >= len(node):
                return None
            node = node[int(step)]
        elif isinstance(node, dict):
            node = node.setdefault(step, {})
        else:
            return None
    if not isinstance(node, dict) or not steps:
        return None
    rows = node.setdefault(steps[-1], [])
    return rows if isinstance(rows, list) else None


def _listed(value: Any) -> Any:
    """Numbered fields as a list, in the order of their numbers."""
    if not isinstance(value, dict):
        return value
    inner = {key: _listed(part) for key, part in value.items()}
    if not inner or not all(_is_place(key) for key in inner):
        return inner
    return [inner[key] for key in sorted(inner, key=int)]


def _check(node: Tree, where: str) -> None:
    """Raise Invalid where something has not the shape that its name promises."""
    for key, value in node.items():
        name = f"{where}{key}"
        if key in ROWS:
            if not isinstance(value, list) or not all(isinstance(row, dict) for row in value):
                raise _misnamed(name)
            for at, row in enumerate(value):
                _check(row, f"{name}-{at}-")
        elif key in BRANCHES:
            if not isinstance(value, dict):
                raise _misnamed(name)
            _check(value, f"{name}-")
        elif key not in SEVERAL and not isinstance(value, str):
            raise _misnamed(name)


def _is_place(step: str) -> bool:
    return step.isascii() and step.isdigit() and len(step) <= 4


def _misnamed(name: str) -> Invalid:
    return Invalid.field(name[:40], None, "The form has no such field.", "Open the page again.")
