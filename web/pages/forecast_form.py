"""The form a guide types a forecast into: what stands in it, and what its buttons do. Pure.

Nothing is taken over silently: a block that got values from elsewhere carries a note that says from where,
until it is sent. Changing a unit converts what was typed in the old one.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from api.conditions.forecast import Forecast
from api.conditions.sources.manual import MOST_BLOCKS, Units
from api.journal.trip import TripPlan
from api.units import to_inside
from web import words
from web.pages import forecast_blocks as blocks
from web.pages.forecast_blocks import KINDS, Block

METRIC: Mapping[str, str] = Units().model_dump()
US: Mapping[str, str] = {
    "altitude": "ft", "temperature": "°F", "wind": "mph", "precipitation": "in", "new_snow": "in",
}  # fmt: skip
CHOICES: Mapping[str, tuple[str, ...]] = {
    "altitude": ("m", "ft"),
    "temperature": ("°C", "°F"),
    "wind": ("km/h", "mph", "kt", "m/s"),
    "precipitation": ("mm", "cm", "in"),
    "new_snow": ("mm", "cm", "in"),
}
KIND_WORDS: Mapping[str, str] = {
    "altitude": "Altitude",
    "temperature": "Temperature",
    "wind": "Wind",
    "precipitation": "Rain",
    "new_snow": "New snow",
}
SUMS = ("precipitation", "new_snow")
LONGEST = 12
"""Characters of the longest figure that is converted; what is longer is no weather."""
_PLAIN = re.compile(r"[+\-−]?\d+(?:[.,]\d+)?")
_ROW = re.compile(r"blocks-(\d{1,3})-(.+)")


@dataclass(frozen=True, slots=True)
class Sheet:
    """What stands in the form."""

    units: Mapping[str, str]
    head: Mapping[str, str]
    """Issue time, source text."""
    blocks: Mapping[int, Block]
    names: Mapping[int, str] = field(default_factory=dict)
    """What each block is about: "Night at Shelf Camp"."""
    taken: Mapping[int, str] = field(default_factory=dict)
    """Where a block's values were taken from."""

    def rows(self, block: int, group: str, least: int) -> range:
        """The rows of a group in a block, at least so many."""
        given = (re.match(rf"{group}-([0-3])-", name) for name in self.blocks[block])
        return range(max([least, *(int(row[1]) + 1 for row in given if row)]))

    def span(self, block: int) -> str:
        """When a block is: "Sat 12 Sep, 11:30 to 15:30"; what cannot be read is left out."""
        starts, ends = (_read(self.blocks[block].get(name, "")) for name in ("starts_at", "ends_at"))
        if starts is None:
            return "No time yet"
        begins = f"{words.day(starts)}, {starts:%H:%M}"
        if ends is None:
            return f"from {begins}"
        same = starts.date() == ends.date()
        return f"{begins} to {ends:%H:%M}" if same else f"{begins} to {words.day(ends)}, {ends:%H:%M}"

    def filled(self, block: int) -> bool:
        """Whether anything is said in a block beyond its times and altitudes."""
        return any(
            text.strip() and name not in ("starts_at", "ends_at") and not name.endswith("-altitude")
            for name, text in self.blocks[block].items()
        )


def _read(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text.strip())
    except ValueError:
        return None


def fresh(plan: TripPlan, since: datetime, units: Mapping[str, str]) -> Sheet:
    """An empty form with the blocks of what is left of the trip."""
    ahead = blocks.stretches(plan, since)[:MOST_BLOCKS]
    return Sheet(
        units,
        {},
        {at: blocks.empty(stretch, plan, units) for at, stretch in enumerate(ahead)} or {0: {}},
        {at: stretch.name for at, stretch in enumerate(ahead)},
    )


def typed(fields: Iterable[tuple[str, str]]) -> Sheet:
    """The form as it was sent."""
    head: dict[str, str] = {}
    units = dict(METRIC)
    found: dict[int, Block] = {}
    names: dict[int, str] = {}
    taken: dict[int, str] = {}
    for name, text in fields:
        row = _ROW.fullmatch(name)
        if row:
            found.setdefault(int(row[1]), {})[row[2]] = text
        elif name.startswith("units-") and text in CHOICES.get(name.removeprefix("units-"), ()):
            units[name.removeprefix("units-")] = text
        elif match := re.fullmatch(r"(name|taken)-(\d{1,3})", name):
            (names if match[1] == "name" else taken)[int(match[2])] = text
        elif name in ("issued_at", "source_text"):
            head[name] = text
    return Sheet(units, head, dict(sorted(found.items())) or {0: {}}, names, taken)


def fields_of(sheet: Sheet) -> dict[str, str]:
    """The form as flat fields, as `ForecastForm` reads them."""
    flat = dict(sheet.head) | {f"units-{kind}": unit for kind, unit in sheet.units.items()}
    return flat | {
        f"blocks-{at}-{name}": text for at, block in sheet.blocks.items() for name, text in block.items()
    }


# -- what the buttons do ---------------------------------------------------------------------------------


def in_unit(sheet: Sheet, kind: str, unit: str) -> Sheet:
    """The form in another unit, with every figure that was typed in the old one converted."""
    if unit not in CHOICES.get(kind, ()):
        return sheet
    old = sheet.units[kind]
    converted = {
        at: {
            name: _converted(text, kind, old, unit) if blocks.kind_of(name) == kind else text
            for name, text in block.items()
        }
        for at, block in sheet.blocks.items()
    }
    return replace(sheet, units=dict(sheet.units) | {kind: unit}, blocks=converted)


def _converted(text: str, kind: str, old: str, new: str) -> str:
    written = text.strip()
    if old == new or len(written) > LONGEST or not _PLAIN.fullmatch(written):
        return text
    value = float(written.replace("−", "-").replace(",", "."))
    return blocks.number(to_inside(value, old, KINDS[kind]), kind, {kind: new})


def from_before(sheet: Sheet, block: int) -> Sheet:
    """The form with the values of the block before in those fields of a block that are still empty.

    Rain and snow are sums over their own block, so they are left out.
    """
    before = max((at for at in sheet.blocks if at < block), default=None)
    if before is None or block not in sheet.blocks:
        return sheet
    here, there = sheet.blocks[block], sheet.blocks[before]
    keep = {name: text for name, text in here.items() if text.strip()}
    told = {group for group in ("temperature", "wind") if _tells(here, group)}
    new = {
        name: text
        for name, text in there.items()
        if name not in (*SUMS, "starts_at", "ends_at") and name.split("-")[0] not in told
    }
    # An altitude that was only filled in beforehand gives way to the one the values are for.
    weak = {name for name in keep if name.endswith("-altitude") and name.split("-")[0] not in told}
    merged = new | {name: text for name, text in keep.items() if name not in weak or name not in new}
    note = f"the block before, {sheet.names.get(before) or 'which has no name'}. Rain and snow were left out"
    return replace(
        sheet, blocks=dict(sheet.blocks) | {block: merged}, taken=dict(sheet.taken) | {block: note}
    )


def from_issue(sheet: Sheet, plan: TripPlan, forecast: Forecast, since: datetime, label: str) -> Sheet:
    """The form with the blocks of an earlier issue in place of its own; head and units stay."""
    found = blocks.typed_blocks(forecast, sheet.units, plan.place.zone, since)
    if not found:
        return sheet
    numbered = dict(enumerate(found))
    return replace(sheet, blocks=numbered, names={}, taken=dict.fromkeys(numbered, label))


def with_block(sheet: Sheet) -> Sheet:
    """The form with one more block, which begins where the last one ends."""
    if len(sheet.blocks) >= MOST_BLOCKS:
        return sheet
    last = max(sheet.blocks)
    begins = sheet.blocks[last].get("ends_at", "")
    return replace(sheet, blocks=dict(sheet.blocks) | {last + 1: {"starts_at": begins}})


def without_block(sheet: Sheet, block: int) -> Sheet:
    """The form without a block; the last one stays."""
    left = {at: found for at, found in sheet.blocks.items() if at != block}
    return replace(sheet, blocks=left) if left else sheet


def _tells(block: Block, group: str) -> bool:
    return any(
        text.strip() and name.startswith(f"{group}-") and not name.endswith("-altitude")
        for name, text in block.items()
    )


_FIELDS: Mapping[str, str] = {
    "issued_at": "issued",
    "source_text": "source",
    "starts_at": "from",
    "ends_at": "until",
    "freezing_level": "freezing level",
    "new_snow": "new snow",
    "precipitation": "rain",
    "uv_max": "UV",
    "units": "unit of",
}


def field_words(name: str, order: Iterable[int]) -> str:
    """What people call a field: "Block 2, wind 1, gust". `order` are the blocks as the form shows them."""
    places = {at: place for place, at in enumerate(order, 1)}
    said: list[str] = []
    for step in name.split("-"):
        if step.isdecimal() and said == ["blocks"]:
            said = [f"block {places.get(int(step), int(step) + 1)}"]
        elif step.isdecimal() and said:
            said[-1] += f" {int(step) + 1}"
        else:
            said.append(_FIELDS.get(step, step))
    return words.sentence(", ".join(said)).rstrip(".")


# -- what a device remembers -----------------------------------------------------------------------------


def remembered(units: Mapping[str, str]) -> str:
    """The units as a cookie keeps them: which choice of each kind, as digits."""
    return "".join(str(CHOICES[kind].index(units[kind])) for kind in CHOICES)


def recalled(cookie: str | None, units: words.Units) -> Mapping[str, str]:
    """The units this device used last; else those of its reader."""
    if cookie is not None and len(cookie) == len(CHOICES) and cookie.isascii() and cookie.isdigit():
        chosen = {
            kind: (choices, int(digit))
            for (kind, choices), digit in zip(CHOICES.items(), cookie, strict=True)
        }
        if all(place < len(choices) for choices, place in chosen.values()):
            return {kind: choices[place] for kind, (choices, place) in chosen.items()}
    return US if units is words.Units.US else METRIC
