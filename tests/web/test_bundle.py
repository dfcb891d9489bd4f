"""Modules put together into one: everything once, in scopes of their own, and nothing guessed."""

from __future__ import annotations

from pathlib import Path

import pytest

from web.bundle import NotBundled, bundle


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


def write(folder: Path, **modules: str) -> None:
    for name, text in modules.items():
        (folder / f"{name}.js").write_text(text, encoding="utf-8")


def test_what_is_taken_in_comes_first_and_once(folder: Path) -> None:
    write(
        folder,
        main='import { a } from "./one.js";\nimport * as two from "./two.js";\nuse(a, two.b);\n',
        one='import { b as c } from "./two.js";\n// A remark.\nexport const a = c + 1;\n',
        two="/** A remark\n * of two lines. */\nexport function b() {\n  return 2; // stays\n}\n",
    )
    made = bundle(folder, "main")
    assert made == (
        "const $two = (() => {\nfunction b() {\n  return 2; // stays\n}\n\nreturn { b };\n})();\n"
        "const $one = (() => {\nconst { b: c } = $two;\nconst a = c + 1;\n\nreturn { a };\n})();\n"
        "const $main = (() => {\nconst { a } = $one;\nconst two = $two;\nuse(a, two.b);\n"
        "\nreturn {  };\n})();"
    )


def test_a_plain_script_follows(folder: Path) -> None:
    write(folder, main="begin();\n", plain="// A remark.\n(() => { live(); })();\n")
    assert bundle(folder, "main", folder / "plain.js").endswith("})();\n(() => { live(); })();\n")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('import only from "./other.js";\n', "not known here"),
        ('import "./other.js";\n', "not known here"),
        ("export default 3;\n", "not known here"),
        ('export { a } from "./other.js";\n', "not known here"),
        ("export let a = 3;\n", "not known here"),
        ('import { a } from "./main.js";\n', "circle"),
    ],
)
def test_what_it_does_not_know_it_refuses(folder: Path, text: str, says: str) -> None:
    write(folder, main=text, other="export const a = 1;\n")
    with pytest.raises(NotBundled, match=says):
        bundle(folder, "main")
