"""A sounding in the text form of SPC and SHARPpy (`%TITLE%`, `%RAW%` … `%END%`).

Columns are level [hPa], height [m above sea level], temperature and dew point [°C], wind from [degree] and
wind speed [knots]; -9999 is a missing value. Model soundings come this way too. One profile at one time.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime

import numpy as np

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, Provenance, epoch_s
from api.conditions.sources.covjson import Told
from api.conditions.sources.measures import Collected, conversion, to_si
from api.errors import Invalid

COLUMNS = (
    ("level", "hPa"),
    (cf.LEVEL_HEIGHT, "m"),
    (cf.TEMPERATURE, "degC"),
    ("dew_point_temperature", "degC"),
    (cf.WIND_DIRECTION, "deg"),
    (cf.WIND, "kt"),
)
_TITLE = re.compile(r"^\s*(?P<station>\S+)\s+(?P<time>\d{6}/\d{4})", re.MULTILINE)


def looks_like(body: bytes) -> bool:
    """Whether a file is in this form."""
    return b"%RAW%" in body[:4000]


def read(body: bytes, told: Told) -> Forecast:
    """The sounding as a forecast of one time. Raises Invalid that names the line and column at fault."""
    text = body.decode("utf-8", errors="replace")
    title, _, rest = text.partition("%RAW%")
    raw, end, _ = rest.partition("%END%")
    if not end:
        raise Invalid.field("file", None, "breaks off before %END%", "Send the whole file.")
    station, at = _titled(title)
    first = title.count("\n") + 1
    rows = [_row(first + offset, line) for offset, line in enumerate(raw.split("\n")) if line.strip()]
    if not rows:
        raise Invalid.field("file", None, "has no level", "Send a sounding with levels.")
    table = np.array(rows, dtype=np.float64)
    levels = to_si(table[:, 0], (100.0, 0.0))
    usable = np.isfinite(levels) & (levels > 0.0)
    levels, table = levels[usable], table[usable]
    levels, order = np.unique(levels, return_index=True)
    found = Collected()
    for column, (name, unit) in enumerate(COLUMNS[1:], start=1):
        how = conversion(name, unit)
        assert how is not None
        found.add(name, to_si(table[order, column], how)[::-1][np.newaxis, np.newaxis, :])
    if not found.series:
        raise Invalid.field("file", None, "has no value", "Send a sounding with values.")
    return Forecast(
        kind="deterministic",
        place=told.place,
        times_epoch_s=np.array([epoch_s(at)]),
        members=("run",),
        series=found.series,
        levels=levels[::-1],
        level_kind="pressure",
        provenance=Provenance(
            provider=told.provider,
            label=told.label or f"sounding {station}",
            issued_at=told.issued_at or at,
            model=told.model or f"sounding {station}",
            attribution=told.attribution,
            licence=told.licence,
            warnings=(*found.warnings, f"A sounding at {station} for one time, not a forecast for the trip."),
        ),
    )


def _titled(title: str) -> tuple[str, datetime]:
    found = _TITLE.search(title.partition("%TITLE%")[2])
    try:
        if found:
            return found["station"], datetime.strptime(found["time"] + "+0000", "%y%m%d/%H%M%z").astimezone(
                UTC
            )
    except ValueError:
        pass
    raise Invalid.field(
        "file", title.strip()[:60], "has no station and time under %TITLE%", "It reads like OAX 140616/1900."
    )


def _row(line: int, text: str) -> list[float]:
    cells = [cell.strip() for cell in text.split(",")]
    if len(cells) < len(COLUMNS):
        raise Invalid.field(
            f"line {line}", text.strip(), f"has {len(cells)} values, not {len(COLUMNS)}", "Complete the line."
        )
    values = []
    for (name, _), cell in zip(COLUMNS, cells, strict=False):
        try:
            values.append(float(cell))
        except ValueError:
            raise Invalid.field(
                f"line {line}, column {name}", cell, "is not a number", "Write -9999 for a missing value."
            ) from None
    return values
