"""The modules of the check as one file: each file of its own would cost a phone a way there and back."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

_IMPORT = re.compile(r'^import\s+(\{[^}]*\}|\*\s+as\s+\w+)\s+from\s+"\./(\w+)\.js";\n', re.M)
_EXPORT = re.compile(r"^export ((?:async )?(?:function|class|const) (\w+))", re.M)
_REMARK = re.compile(r"^[ ]*(?://[^\n]*|/\*\*.*?\*/)\n", re.M | re.S)
_REST = re.compile(r"^(?:import|export)\b.*", re.M)
"""Any other way to take in or give out; it is not known here."""


class NotBundled(Exception):
    """A module is written in a way that this cannot put together."""


def bundle(folder: Path, main: str, *beside: Path) -> str:
    """One module that does what ``main`` of ``folder`` does, with all that it takes in, each part once and in
    a scope of its own; then the plain scripts ``beside`` it. Remarks that fill lines are left out.

    Modules may say ``import { … } from "./name.js"``, ``import * as name from "./name.js"``, and ``export``
    before a function, class or const. Raises NotBundled for anything else.
    """
    parts = [_scoped(name, folder) for name in _in_order(main, folder)]
    parts += [_REMARK.sub("", script.read_text(encoding="utf-8")) for script in beside]
    return "\n".join(parts)


def _in_order(name: str, folder: Path, above: tuple[str, ...] = ()) -> Iterator[str]:
    """A module after everything it takes in, each once."""
    if name in above:
        raise NotBundled(f"{' → '.join((*above, name))}: modules go round in a circle.")
    found: dict[str, None] = {}
    for _, needed in _IMPORT.findall((folder / f"{name}.js").read_text(encoding="utf-8")):
        found |= dict.fromkeys(_in_order(needed, folder, (*above, name)))
    yield from [*found, name]


def _scoped(name: str, folder: Path) -> str:
    """A module as a function that gives out what it exports."""
    text = _REMARK.sub("", (folder / f"{name}.js").read_text(encoding="utf-8"))
    given = [exported for _, exported in _EXPORT.findall(text)]
    body = _EXPORT.sub(r"\1", _IMPORT.sub(_taken_in, text))
    if left := _REST.search(body):
        raise NotBundled(f"{name}.js: “{left.group()}” is not known here.")
    return f"const ${name} = (() => {{\n{body}\nreturn {{ {', '.join(given)} }};\n}})();"


def _taken_in(found: re.Match[str]) -> str:
    names, module = found.groups()
    if names.startswith("*"):
        return f"const {names.split()[-1]} = ${module};\n"
    return f"const {names.replace(' as ', ': ')} = ${module};\n"
