"""GRIB2 to CoverageJSON, in a process of its own: `python -m api.conditions.sources.grib FILE LAT LON`.

The library that reads GRIB must not be loaded into the service (it and map projection libraries bring each
other down), and most installations do not need it; it comes with the extra `grib`. Read are temperature,
height and wind on pressure levels, the height of 0 °C as different centres write it, precipitation and new
snow summed over periods, and gusts, at the nearest grid point.
"""

from __future__ import annotations

import re
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, Point, Provenance, epoch_s
from api.conditions.series import Cell, Datum, Floats
from api.conditions.sources.covjson_write import write
from api.conditions.sources.grib_periods import Period, arranged
from api.conditions.sources.measures import Collected, conversion, words

STANDARD_GRAVITY_MPS2 = 9.80665
"""Turns geopotential into geopotential height (WMO-No. 8, annex)."""
ON_LEVELS = {
    "t": cf.TEMPERATURE,
    "gh": cf.LEVEL_HEIGHT,
    "z": cf.LEVEL_HEIGHT,
    "ws": cf.WIND,
    "wdir": cf.WIND_DIRECTION,
    "u": "u",
    "v": "v",
}
NEAR_THE_GROUND = {"uvi": cf.UV, "uviucs": cf.UV_CLEAR_SKY}
"""What has one value a place and time."""
SUMS = {"tp": cf.PRECIPITATION, "sf": "snowfall_amount", "asnow": cf.NEW_SNOW}
"""Sums over a period. Rates, and parts of the whole such as convective precipitation, are not read."""
GUSTS = re.compile(r"gust|(max_)?i?10fg\d*")
GUST_ABOVE_GROUND_M = 10.0
ZERO_LEVELS: dict[tuple[str, str], Datum] = {
    ("gh", "isothermZero"): "geoid",
    ("hzerocl", "isothermZero"): "geoid",
    ("hzerocl", "surface"): "geoid",
    ("deg0l", "isothermal"): "ground",
    ("deg0l", "surface"): "ground",
}
"""The height of 0 °C by short name and type of level: above the sea, or above the model's ground."""

At = tuple[str, int, int | None]


class NotReadable(Exception):
    """A file that holds no forecast this program can read, with the reason."""


@dataclass
class Gathered:
    """What the messages of a file say at one point."""

    values: dict[str, dict[At, float]] = field(default_factory=dict)
    periods: dict[str, dict[str, list[Period]]] = field(
        default_factory=lambda: defaultdict(lambda: defaultdict(list))
    )
    zero_datum: Datum | None = None
    runs: set[datetime] = field(default_factory=set)
    point: Point | None = None
    passed_over: set[str] = field(default_factory=set)
    centre: str = ""

    def put(self, name: str, at: At, value: float) -> None:
        self.values.setdefault(name, {})[at] = value


def read(file: Path, place: Point) -> Forecast:
    """The forecast at the grid point nearest to a place. Raises NotReadable with the reason."""
    found = Gathered()
    for message in _messages(file):
        _take(found, message, place)
    if not (found.values or found.periods) or found.point is None:
        passed = ", ".join(sorted(found.passed_over)) or "nothing"
        raise NotReadable(f"{file.name} holds {passed}, but no variable that is read here.")
    if len(found.runs) > 1:
        raise NotReadable(f"{file.name} mixes {len(found.runs)} runs; give one file for each run.")
    return _forecast(found, place, file.name)


def _messages(file: Path) -> Iterator[Any]:
    try:
        import eccodes
    except ImportError:
        raise NotReadable(
            "The library that reads GRIB is missing; install the extra: rimaye[grib]."
        ) from None
    with file.open("rb") as stream:
        while True:
            try:
                message = eccodes.codes_grib_new_from_file(stream)
            except eccodes.CodesInternalError as error:
                raise NotReadable(f"{file.name} cannot be read as GRIB: {error}.") from None
            if message is None:
                return
            try:
                yield message
            finally:
                eccodes.codes_release(message)


def _take(found: Gathered, message: Any, place: Point) -> None:
    import eccodes

    def key(name: str, default: Any = None) -> Any:
        return eccodes.codes_get(message, name) if eccodes.codes_is_defined(message, name) else default

    short, kind = str(key("shortName")), str(key("typeOfLevel"))
    on_level = kind in ("isobaricInhPa", "isobaricInPa") and short in ON_LEVELS
    datum = ZERO_LEVELS.get((short, kind))
    near_ground = NEAR_THE_GROUND.get(short)
    over_time = _over_time(short, kind, str(key("stepType")), str(key("units")))
    if not on_level and datum is None and near_ground is None and over_time is None:
        found.passed_over.add(f"{short} ({kind})")
        return
    nearest = eccodes.codes_grib_find_nearest(message, place.latitude_deg, place.longitude_deg)[0]
    value = float(nearest["value"])
    if value == float(key("missingValue", 9999)):
        value = np.nan
    run = _moment(int(key("dataDate")), int(key("dataTime")))
    valid = _moment(int(key("validityDate")), int(key("validityTime")))
    member = str(key("perturbationNumber")) if key("perturbationNumber") is not None else "run"
    longitude = (float(nearest["lon"]) + 180.0) % 360.0 - 180.0
    found.point = Point(float(nearest["lat"]), longitude)
    found.runs.add(run)
    found.centre = str(key("centre", ""))
    if datum is not None:
        found.zero_datum = datum
        found.put(cf.FREEZING_LEVEL, (member, epoch_s(valid), None), value)
        return
    if near_ground is not None:
        found.put(near_ground, (member, epoch_s(valid), None), value)
        return
    if over_time is not None:
        name, factor = over_time
        # In minutes: some models step by less than an hour.
        eccodes.codes_set(message, "stepUnits", "m")
        length_s = 60 * (
            eccodes.codes_get_long(message, "endStep") - eccodes.codes_get_long(message, "startStep")
        )
        end = epoch_s(valid)
        found.periods[name][member].append(Period(end - length_s, end, value * factor))
        return
    level_pa = int(key("level")) * (100 if kind == "isobaricInhPa" else 1)
    if short == "z":
        value /= STANDARD_GRAVITY_MPS2
    found.put(ON_LEVELS[short], (member, epoch_s(valid), level_pa), value)


def _over_time(short: str, kind: str, step: str, unit: str) -> tuple[str, float] | None:
    """The variable that a message holds over a period, and what its unit is multiplied by; else None."""
    if GUSTS.fullmatch(short) and kind in ("surface", "heightAboveGround") and step == "max":
        return cf.GUST, 1.0
    name = SUMS.get(short)
    if name is None or kind != "surface" or step != "accum":
        return None
    how = conversion(name, unit.replace("**", ""))
    return (name, how[0]) if how is not None else None


def _moment(date: int, time: int) -> datetime:
    day = datetime.strptime(f"{date:08d}", "%Y%m%d").replace(tzinfo=UTC)
    return day + timedelta(hours=time // 100, minutes=time % 100)


def _forecast(found: Gathered, place: Point, name: str) -> Forecast:
    _wind(found)
    cells = [at for kept in found.values.values() for at in kept]
    cells += [
        (member, period.end, None)
        for by_member in found.periods.values()
        for member, periods in by_member.items()
        for period in periods
    ]
    members = sorted(
        {member for member, _, _ in cells}, key=lambda m: (m != "run", int(m) if m.isdigit() else 0)
    )
    times = sorted({time for _, time, _ in cells})
    levels = sorted({level for _, _, level in cells if level is not None}, reverse=True)
    collected = Collected()
    for variable, kept in found.values.items():
        by_level = any(level is not None for _, _, level in kept)
        values: Floats = np.full((len(members), len(times), len(levels) if by_level else 1), np.nan)
        for (member, time, level), value in kept.items():
            column = levels.index(level) if level is not None else 0
            values[members.index(member), times.index(time), column] = value
        datum = found.zero_datum if variable == cf.FREEZING_LEVEL else None
        collected.add(variable, values if by_level else values[..., 0], datum=datum)
    _add_periods(collected, found, members, times)
    if not collected.series:
        raise NotReadable(f"{name} has no value at this point.")
    passed = [f"Not read: {', '.join(sorted(found.passed_over))}."] if found.passed_over else []
    return Forecast(
        kind="ensemble" if len(members) > 1 else "deterministic",
        place=place,
        source_point=found.point,
        times_epoch_s=np.array(times, dtype=np.int64),
        members=tuple(members),
        series=collected.series,
        levels=np.array(levels, dtype=np.float64),
        level_kind="pressure" if levels else None,
        provenance=Provenance(
            provider=f"GRIB of {found.centre or 'unknown centre'}",
            label=name[:120],
            issued_at=min(found.runs),
            model=found.centre,
            warnings=(*collected.warnings, *passed),
        ),
    )


def _add_periods(collected: Collected, found: Gathered, members: list[str], times: list[int]) -> None:
    for name, by_member in found.periods.items():
        gusts = name == cf.GUST
        placed = arranged(by_member, members, times, sums=not gusts)
        if placed.left_out:
            collected.warnings.append(
                f"{words(name)}: {placed.left_out} values were left out: their periods overlap others, "
                "differ between members, or a sum falls."
            )
        above_m = GUST_ABOVE_GROUND_M if gusts else None
        cell: Cell = "max" if gusts else "sum"
        collected.add(name, placed.values, cell, placed.bounds, above_ground_m=above_m)


def _wind(found: Gathered) -> None:
    """Speed and direction from components, where speed itself is not there."""
    east, north = found.values.pop("u", {}), found.values.pop("v", {})
    for at in east.keys() & north.keys():
        u, v = east[at], north[at]
        found.values.setdefault(cf.WIND, {}).setdefault(at, float(np.hypot(u, v)))
        found.values.setdefault(cf.WIND_DIRECTION, {}).setdefault(
            at, float(np.degrees(np.arctan2(-u, -v)) % 360.0)
        )


def main(arguments: list[str]) -> int:
    """Write the forecast in a file as CoverageJSON; the reason to standard error when there is none."""
    file, latitude, longitude = arguments
    try:
        forecast = read(Path(file), Point(float(latitude), float(longitude)))
    except (NotReadable, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return 1
    sys.stdout.buffer.write(write(forecast) + b"\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
