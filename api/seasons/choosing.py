"""Reading which months are meant. Pure."""

from __future__ import annotations

from api.errors import Invalid


def month_of(value: str, field: str) -> tuple[int, int] | None:
    """A month as (season, month); None of nothing. Raises Invalid, naming the field, for what is no month."""
    if not value:
        return None
    year, _, month = value.partition("-")
    if year.isdigit() and month.isdigit() and len(year) == 4 and 1 <= int(month) <= 12:
        return int(year), int(month)
    raise Invalid.field(field, value, "not a month.", "Write it as YYYY-MM, for example 2025-06.")
