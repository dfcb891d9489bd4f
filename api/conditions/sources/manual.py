"""A forecast typed in by a guide from a bulletin: complete without any network.

It is written in blocks of time, in the units the guide reads. What a guide leaves out stays unknown, as does
the time between two blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime
from itertools import pairwise
from typing import Annotated, Literal

import numpy as np
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from api import units
from api.conditions import variables as cf
from api.conditions.forecast import Forecast, Point, Provenance, epoch_s
from api.conditions.series import Cell, Floats, Ints, Series
from api.errors import FieldProblem, Invalid, from_validation
from api.journal.trip import Place
from api.science.atmosphere import ZERO_C_IN_K
from api.units import Kind, QuantityError

Amount = float | Annotated[str, Field(max_length=40)]
"""A number in the unit chosen for its kind, or text with a unit of its own, such as `3500 m`."""

PROVIDER = "typed in"
MOST_BLOCKS = 100
SCENARIOS = ("low", "best", "high")
THUNDER = ("none", "possible", "expected")


class Part(BaseModel):
    """Base of everything a guide types in."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Units(Part):
    """The units numbers are typed in."""

    altitude: Literal["m", "ft"] = "m"
    temperature: Literal["°C", "°F"] = "°C"
    wind: Literal["km/h", "mph", "kt", "m/s"] = "km/h"
    precipitation: Literal["mm", "cm", "in"] = "mm"
    new_snow: Literal["mm", "cm", "in"] = "cm"


class Spread(Part):
    """A figure, with how low and how high it may come in. Only `best` given: it is the same in all
    scenarios.
    """

    low: Amount | None = None
    best: Amount
    high: Amount | None = None


class TemperatureAt(Spread):
    """Air temperature at an altitude."""

    altitude: Amount


class WindAt(Part):
    """Wind and gusts at an altitude."""

    altitude: Amount
    wind: Amount | None = None
    gust: Amount | None = None


class Block(Part):
    """What is forecast for a stretch of time."""

    starts_at: AwareDatetime
    ends_at: AwareDatetime
    freezing_level: Spread | None = None
    temperature: Annotated[tuple[TemperatureAt, ...], Field(max_length=4)] = ()
    wind: Annotated[tuple[WindAt, ...], Field(max_length=4)] = ()
    precipitation: Amount | None = None
    """Rain, and snow as water, over the whole block."""
    new_snow: Amount | None = None
    """Depth of new snow over the whole block."""
    uv_max: Annotated[float, Field(ge=0, le=30, allow_inf_nan=False)] | None = None
    thunder: Literal["none", "possible", "expected"] | None = None


class ManualForecast(Part):
    """A forecast as a guide writes it."""

    issued_at: AwareDatetime
    source_text: Annotated[str, Field(min_length=1, max_length=4000)]
    """What was read or heard, and where."""
    who: Annotated[str, Field(min_length=1, max_length=100)]
    """Who typed it in."""
    label: Annotated[str, Field(max_length=120)] = ""
    units: Units = Units()
    blocks: Annotated[tuple[Block, ...], Field(min_length=1, max_length=MOST_BLOCKS)]


def parse(data: object) -> ManualForecast:
    """Check what was typed in. Raises Invalid that names each field at fault."""
    try:
        return ManualForecast.model_validate(data)
    except ValidationError as error:
        raise from_validation(error.errors()) from None


def to_forecast(typed: ManualForecast, place: Place) -> Forecast:
    """The neutral forecast of what a guide typed in.

    Members are `best`, and `low` and `high` where any block gives them; a block that does not give one takes
    its best there.

    Raises
    ------
    Invalid
        With every field that cannot be used: an unreadable quantity, one outside what weather can be, a
        spread out of order, blocks that overlap, a temperature on the wrong side of the freezing level.
    """
    sheet = _Sheet(typed)
    forecast = sheet.forecast(place) if not sheet.problems else None
    if forecast is None:
        names = ", ".join(dict.fromkeys(problem.field for problem in sheet.problems))
        raise Invalid(f"The forecast needs a correction: {names}. Nothing was stored.", fields=sheet.problems)
    return forecast


class _Limits:
    """What a figure may be, in the units inside, and how to say so."""

    def __init__(self, kind: Kind, lowest: float, highest: float, unit: str) -> None:
        self.kind, self.lowest, self.highest, self.unit = kind, lowest, highest, unit


_ALTITUDE = _Limits(Kind.LENGTH, -430.0, 9_000.0, "m")
_TEMPERATURE = _Limits(Kind.TEMPERATURE, -90.0, 50.0, "°C")
_WIND = _Limits(Kind.SPEED, 0.0, 110.0, "m/s")
_WATER = _Limits(Kind.DEPTH, 0.0, 1_000.0, "mm")
_SNOW = _Limits(Kind.DEPTH, 0.0, 5_000.0, "mm")


class _Sheet:
    """Reads all figures first, so that all faults are found at once; then lays them out as a forecast."""

    def __init__(self, typed: ManualForecast) -> None:
        self.typed = typed
        self.problems: list[FieldProblem] = []
        order = sorted(range(len(typed.blocks)), key=lambda i: (typed.blocks[i].starts_at, i))
        self.rows = [_Row(self, i, typed.blocks[i]) for i in order]
        for before, after in pairwise(self.rows):
            if after.block.starts_at < before.block.ends_at:
                self.fault(
                    f"blocks.{after.index}.starts_at",
                    after.block.starts_at.isoformat(),
                    f"The block begins before the one until {_clock(before.block.ends_at)} has ended.",
                    "Let blocks follow one another; a gap between them is allowed and stays unknown.",
                )
        if not any(row.says_something for row in self.rows):
            self.fault(
                "blocks", None, "No block says anything.", "Fill in at least the freezing level of one block."
            )

    def fault(self, name: str, value: object, message: str, remedy: str) -> None:
        self.problems.append(FieldProblem(name, value, remedy, message))

    def amount(self, value: Amount, unit: str, limits: _Limits, name: str) -> float:
        """A figure in the unit used inside; NaN, with the fault noted, when it cannot be used."""
        try:
            if isinstance(value, str):
                inside = units.parse_quantity(value, limits.kind, field=name, default_unit=unit)
            else:
                inside = units.to_inside(value, unit, limits.kind, field=name)
        except QuantityError as error:
            self.fault(error.field, error.value, error.message, error.remedy)
            return np.nan
        if not limits.lowest <= inside <= limits.highest:
            low, high = (
                f"{units.from_inside(end, unit, limits.kind):.0f}" for end in (limits.lowest, limits.highest)
            )
            self.fault(
                name, value, f"{value} is outside {low} to {high} {unit}.", "Check the number and its unit."
            )
            return np.nan
        return inside

    def forecast(self, place: Place) -> Forecast:
        members = tuple(m for m in SCENARIOS if m == "best" or any(row.gives(m) for row in self.rows))
        altitudes = np.unique([at for row in self.rows for at in row.altitudes()])
        layout = _Layout(self.rows, members, altitudes)
        typed = self.typed
        return Forecast(
            kind="manual",
            place=Point(place.latitude_deg, place.longitude_deg, place.high_point_m),
            times_epoch_s=layout.bounds[:, 0],
            members=members,
            levels=altitudes,
            level_kind="altitude" if altitudes.size else None,
            series={series.name: series for series in layout.series()},
            provenance=Provenance(
                provider=PROVIDER,
                label=typed.label or f"typed in by {typed.who}",
                issued_at=typed.issued_at,
                entered_by=typed.who,
                source_text=typed.source_text,
            ),
        )


class _Row:
    """One block, its figures in the units used inside."""

    def __init__(self, sheet: _Sheet, index: int, block: Block) -> None:
        self.index, self.block = index, block
        unit, where = sheet.typed.units, f"blocks.{index}"

        def at(altitude: Amount, name: str) -> float:
            return sheet.amount(altitude, unit.altitude, _ALTITUDE, f"{where}.{name}.altitude")

        def one(value: Amount | None, of: str, limits: _Limits, name: str) -> float:
            return np.nan if value is None else sheet.amount(value, of, limits, f"{where}.{name}")

        def spread(given: Spread, of: str, limits: _Limits, name: str) -> dict[str, float]:
            figures = {
                m: sheet.amount(value, of, limits, f"{where}.{name}.{m}")
                for m in SCENARIOS
                if (value := getattr(given, m)) is not None
            }
            for lower, upper in pairwise(figures):
                if figures[lower] > figures[upper]:
                    sheet.fault(
                        f"{where}.{name}.{upper}",
                        getattr(given, upper),
                        f"{upper} is below {lower}.",
                        "Write low, best and high in rising order.",
                    )
            return figures

        level = block.freezing_level
        self.freezing = spread(level, unit.altitude, _ALTITUDE, "freezing_level") if level else {}
        self.temperature = {
            at(t.altitude, f"temperature.{i}"): spread(t, unit.temperature, _TEMPERATURE, f"temperature.{i}")
            for i, t in enumerate(block.temperature)
        }
        self.wind = {
            at(w.altitude, f"wind.{i}"): (
                one(w.wind, unit.wind, _WIND, f"wind.{i}.wind"),
                one(w.gust, unit.wind, _WIND, f"wind.{i}.gust"),
            )
            for i, w in enumerate(block.wind)
        }
        self.precipitation = one(block.precipitation, unit.precipitation, _WATER, "precipitation")
        self.new_snow = one(block.new_snow, unit.new_snow, _SNOW, "new_snow")
        self._check(sheet, where)

    def _check(self, sheet: _Sheet, where: str) -> None:
        if self.block.ends_at <= self.block.starts_at:
            sheet.fault(
                f"{where}.ends_at",
                self.block.ends_at.isoformat(),
                "The block ends before it has started.",
                "Give an end after the start.",
            )
        for name, given, read in (
            ("temperature", self.block.temperature, self.temperature),
            ("wind", self.block.wind, self.wind),
        ):
            if len(read) < len(given):
                sheet.fault(
                    f"{where}.{name}", None, "An altitude is given twice.", "Give each altitude once."
                )
        for i, (wind, gust) in enumerate(self.wind.values()):
            if gust < wind:
                sheet.fault(
                    f"{where}.wind.{i}.gust",
                    self.block.wind[i].gust,
                    "Gusts are below the wind.",
                    "Gusts are at least as strong as the wind; check both.",
                )
        level = self.freezing.get("best", np.nan)
        for i, (altitude, figures) in enumerate(self.temperature.items()):
            best = figures.get("best", np.nan)
            if (altitude < level and best < 0.0) or (altitude > level and best > 0.0):
                side = "above" if altitude < level else "below"
                sheet.fault(
                    f"{where}.temperature.{i}.best",
                    self.block.temperature[i].best,
                    f"{best:.0f} °C at {altitude:.0f} m and 0 °C {side} it, at {level:.0f} m, contradict.",
                    "Correct one of them, or leave the temperature out.",
                )

    @property
    def says_something(self) -> bool:
        block = self.block
        plain = (block.precipitation, block.new_snow, block.uv_max, block.thunder)
        return bool(self.freezing or self.temperature or self.wind) or any(v is not None for v in plain)

    def gives(self, member: str) -> bool:
        return any(member in figures for figures in (self.freezing, *self.temperature.values()))

    def altitudes(self) -> Iterable[float]:
        yield from self.temperature
        yield from self.wind


class _Layout:
    """Figures of all blocks as arrays."""

    def __init__(self, rows: list[_Row], members: tuple[str, ...], altitudes: Floats) -> None:
        self.rows, self.members, self.altitudes = rows, members, altitudes
        self.bounds: Ints = np.array(
            [(epoch_s(row.block.starts_at), epoch_s(row.block.ends_at)) for row in rows], dtype=np.int64
        )

    def series(self) -> Iterable[Series]:
        """The variables about which something was written."""
        found = (
            self._flat(cf.FREEZING_LEVEL, "block", lambda row, m: _of(row.freezing, m)),
            self._column(
                cf.TEMPERATURE, "block", lambda row, m, at: _of(row.temperature.get(at, {}), m) + ZERO_C_IN_K
            ),
            self._column(cf.WIND, "block", lambda row, m, at: row.wind.get(at, (np.nan, np.nan))[0]),
            self._column(cf.GUST, "max", lambda row, m, at: row.wind.get(at, (np.nan, np.nan))[1]),
            self._flat(cf.PRECIPITATION, "sum", lambda row, m: row.precipitation),
            self._flat(cf.NEW_SNOW, "sum", lambda row, m: row.new_snow / 1000.0),
            self._flat(cf.UV_CLEAR_SKY, "max", lambda row, m: _or_nan(row.block.uv_max)),
            self._flat(cf.THUNDER, "max", lambda row, m: _thunder(row.block.thunder)),
        )
        return (series for series in found if not np.isnan(series.values).all())

    def _flat(self, name: str, cell: Cell, figure: Callable[[_Row, str], float]) -> Series:
        values = np.array([[figure(row, member) for row in self.rows] for member in self.members])
        return self._made(name, cell, values)

    def _column(self, name: str, cell: Cell, figure: Callable[[_Row, str, float], float]) -> Series:
        heights = self.altitudes.tolist()
        values = [
            [[figure(row, member, at) for at in heights] for row in self.rows] for member in self.members
        ]
        shape = (len(self.members), len(self.rows), len(heights))
        return self._made(name, cell, np.array(values, dtype=np.float64).reshape(shape))

    def _made(self, name: str, cell: Cell, values: Floats) -> Series:
        datum: Literal["geoid"] | None = "geoid" if name in cf.NEEDS_DATUM else None
        return Series(name, values, cell, self.bounds, datum)


def _of(figures: dict[str, float], member: str) -> float:
    return figures.get(member, figures.get("best", np.nan))


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else value


def _thunder(word: str | None) -> float:
    return np.nan if word is None else float(THUNDER.index(word))


def _clock(at: datetime) -> str:
    return at.isoformat(timespec="minutes")
