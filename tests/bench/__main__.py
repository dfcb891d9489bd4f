"""Runs every bench_*.py here, prints one table and writes RESULTS.md. `make bench`."""

from __future__ import annotations

import importlib
import math
import os
import platform
import sys
from importlib.metadata import version
from pathlib import Path

from api.clock import SystemClock
from api.db import sqlite_module
from api.server import settle_memory
from tests.bench import Row

HERE = Path(__file__).resolve().parent
RESULTS = HERE / "RESULTS.md"
PACKAGES = ("fastapi", "starlette", "uvicorn", "sqlalchemy", "pydantic", "jinja2", "numpy")


def table(rows: list[Row]) -> str:
    """All measurements as a Markdown table."""
    lines = ["| what | against | ratio | bar | figures |", "| --- | --- | ---: | ---: | --- |"]
    for row in rows:
        bar = "" if row.bar is None else f"{row.bar:.3g}" if row.held else f"{row.bar:.3g} **not held**"
        ratio = "" if math.isnan(row.ratio) else f"{row.ratio:.3g}"
        lines.append(f"| {row.what} | {row.baseline} | {ratio} | {bar} | {row.figure} |")
    return "\n".join(lines)


def heading() -> str:
    """Where, when and with what it was measured."""
    versions = ", ".join(f"{name} {version(name)}" for name in PACKAGES)
    return (
        "# Measurements\n\n"
        "Written by `make bench`. Ratios travel between machines; the figures beside them do not.\n\n"
        f"{SystemClock().now():%Y-%m-%d}, {os.cpu_count()} cores, {platform.machine()}, {platform.system()}, "
        f"Python {platform.python_version()}, SQLite {sqlite_module().sqlite_version}, {versions}.\n"
    )


def main(wanted: list[str]) -> int:
    """Run the named benches, or all; returns the number of bars not held."""
    names = sorted(path.stem for path in HERE.glob("bench_*.py"))
    if wanted:
        names = [name for name in names if name.removeprefix("bench_") in wanted]
    rows: list[Row] = []
    for name in names:
        print(f"{name} ...", file=sys.stderr, flush=True)
        bench = importlib.import_module(f"tests.bench.{name}")
        settle_memory()
        rows += bench.run()
    print(table(rows))
    if not wanted:
        RESULTS.write_text(f"{heading()}\n{table(rows)}\n", encoding="utf-8")
    return sum(not row.held for row in rows)


if __name__ == "__main__":
    sys.exit(min(main(sys.argv[1:]), 1))
