"""Writes the tables of docs/access.md from the code: python -m api.access.writing"""

from __future__ import annotations

from pathlib import Path

from api.access.limits import LIMITS
from api.access.permissions import access_table, entry_table

FILE = Path(__file__).resolve().parents[2] / "docs" / "access.md"


def limits_table() -> str:
    """All limits as a Markdown table."""
    rows = ["| limit | counts | at once | then one every |", "| --- | --- | --: | --: |"]
    rows += [
        f"| `{name}` | {rate.says} | {rate.burst} | {rate.every_s:g} s |" for name, rate in LIMITS.items()
    ]
    return "\n".join(rows) + "\n"


def written(page: str) -> str:
    """`page` with each table between its marks as the code has it."""
    tables = {"actions": access_table(), "entries": entry_table(), "limits": limits_table()}
    for name, table in tables.items():
        begin, end = f"<!-- {name} -->", f"<!-- end of {name} -->"
        before, _, rest = page.partition(f"{begin}\n")
        page = f"{before}{begin}\n{table}{end}{rest.partition(end)[2]}"
    return page


if __name__ == "__main__":
    FILE.write_text(written(FILE.read_text()))
