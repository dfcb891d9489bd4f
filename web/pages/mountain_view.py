"""Numbers of the mountain page: each stage, each source, and how they came about. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
import numpy.typing as npt

from api.conditions.forecast import Forecast
from api.conditions.stages import StageConditions
from api.journal.trip import Stage, TripPlan
from api.readiness.outlook import Spread
from api.readiness.scenarios import spread_of
from api.science import atmosphere, sun
from api.units import SYSTEMS, Kind
from web import words
from web.charts.face import chill_by_hour
from web.pages.forecast_figures import Figures

HPA_PER_PA = 0.01
LOWEST_LEVEL = "Freezing level, lowest"


@dataclass(frozen=True, slots=True)
class Number:
    """One number of a stage, with what else the scenarios say where they differ."""

    title: str
    text: str
    spread: str = ""


@dataclass(frozen=True, slots=True)
class StageRow:
    """A stage in the table, and its numbers."""

    stage: Stage
    number: int
    when: str
    way: str
    ground: str
    level: str
    feels: str
    wind: str
    falls: str
    dark: str
    thunder: str
    over: bool
    numbers: tuple[Number, ...]


@dataclass(frozen=True, slots=True)
class SourceRow:
    """The newest issue of one provider, with what it says of the highest stage."""

    provider: str
    label: str
    issued_at: datetime
    received_at: datetime
    in_force: bool
    attribution: str = ""
    licence: str = ""
    level: str = ""
    wind: str = ""
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StageNumbers:
    """Reads the numbers of stages out of conditions, for one reader."""

    plan: TripPlan
    conditions: StageConditions
    say: words.Say

    def rows(self) -> tuple[StageRow, ...]:
        return tuple(self._row(t, stage) for t, stage in enumerate(self.plan.stages))

    def _row(self, t: int, stage: Stage) -> StageRow:
        say = self.say
        return StageRow(
            stage=stage,
            number=t + 1,
            when=f"{say.day_time(stage.starts_at)} to {say.when(stage.ends_at)}",
            way=f"{say.elevation(stage.from_m)} to {say.elevation(stage.to_m)}",
            ground=words.join(sorted(words.TERRAINS[terrain] for terrain in stage.terrain)),
            level=say.elevation(self._low("freezing_level_m", t)),
            feels=self.feels(t),
            wind=say.speed(self._high("wind_mps", t)),
            falls=say.rain(self._high("precipitation_mm", t)),
            dark=words.duration(timedelta(hours=self._high("dark_h", t) or 0.0)),
            thunder=self._thunder(t),
            over=self.conditions.over.size > 0 and bool(self.conditions.over[t]),
            numbers=tuple(self._numbers(t, stage)),
        )

    def _numbers(self, t: int, stage: Stage) -> Iterator[Number]:
        say = self.say
        yield Number("Highest point", say.elevation(self._high("altitude_m", t)))
        yield Number("In the dark", words.duration(timedelta(hours=self._high("dark_h", t) or 0.0)))
        yield self._number(LOWEST_LEVEL, "freezing_level_m", t, say.elevation, low=True)
        yield self._number("Air, coldest", "air_temperature_c", t, say.temperature, low=True)
        yield self._number("Wind, strongest", "wind_mps", t, say.speed)
        yield self._number("Gusts, strongest", "gust_mps", t, say.speed)
        yield Number("Feels like, coldest", self.feels(t))
        yield Number("Bare skin freezes in", self._frostbite(t))
        yield self._number("UV index, highest", "uv_index", t, _index)
        yield self._number("Rain and snow, as water", "precipitation_mm", t, say.rain)
        yield self._number("New snow", "new_snow_cm", t, self._snow)
        yield self._number("Rain where the party is", "rain_mm", t, say.rain)
        yield Number("Thunder", self._thunder(t))
        if self._complete("refreeze", t) and self._low("refreeze", t) is not None:
            yes = self._low("refreeze", t) == 1.0
            yield Number("Snow refreezes the night before", "yes" if yes else "not surely")
        if stage.night is not None:
            yield self._number(
                f"Night at {stage.night.place}, lowest", "night_low_c", t, say.temperature, low=True
            )
        yield Number("Air pressure, lowest", _hpa(self._low("pressure_hpa", t)))

    def _number(
        self, title: str, metric: str, t: int, tell: Callable[[float | None], str], *, low: bool = False
    ) -> Number:
        value = (self._low if low else self._high)(metric, t)
        text = tell(value)
        if value is not None and not self._complete(metric, t):
            text += ", some hours not known"
        side = (self.conditions.low if low else self.conditions.high).get(metric)
        spread = ""
        if side is not None and np.isfinite(side[:, t]).sum() > 1:
            least, most = (tell(float(f(side[:, t]))) for f in (np.nanmin, np.nanmax))
            spread = f"{least} to {most}" if least != most else ""
        return Number(title, text, spread)

    def feels(self, t: int) -> str:
        """The coldest wind chill of a stage, by the formula of the reader's units."""
        chill = chill_by_hour(self.conditions, self.say.units)[self.conditions.step_stage == t]
        if not np.isfinite(chill).any():
            return words.NOT_KNOWN
        unit = SYSTEMS[self.say.units.value][Kind.TEMPERATURE]
        return f"{words.number(float(np.nanmin(chill)))}\N{NO-BREAK SPACE}{unit}"

    def _frostbite(self, t: int) -> str:
        minutes = self._low("frostbite_min", t)
        if minutes is None:
            return words.NOT_KNOWN
        return (
            "no time published, low risk" if np.isinf(minutes) else f"{words.number(max(minutes, 1.0))} min"
        )

    def _snow(self, centimetres: float | None) -> str:
        if centimetres is not None and centimetres < 0.5:
            return "none"
        return self.say.quantity(centimetres, "cm")

    def _thunder(self, t: int) -> str:
        value = self._high("thunder", t)
        if value is None:
            return f"thunder {words.NOT_KNOWN}"
        return ("no thunder expected", "thunder possible", "thunder expected")[round(value)]

    def _complete(self, metric: str, t: int) -> bool:
        rows = self.conditions.complete.get(metric)
        return rows is not None and bool(rows[self.conditions.base, t])

    def _low(self, metric: str, t: int) -> float | None:
        return _value(self.conditions.low.get(metric), self.conditions.base, t)

    def _high(self, metric: str, t: int) -> float | None:
        return _value(self.conditions.high.get(metric), self.conditions.base, t)


def _value(rows: npt.NDArray[np.float64] | None, base: int, t: int) -> float | None:
    value = float("nan") if rows is None else float(rows[base, t])
    return None if np.isnan(value) else value


def _index(value: float | None) -> str:
    return words.NOT_KNOWN if value is None else words.number(value)


def _hpa(value: float | None) -> str:
    return words.NOT_KNOWN if value is None else f"{words.number(value)}\N{NO-BREAK SPACE}hPa"


def notes(
    plan: TripPlan, conditions: StageConditions, forecast: Forecast | None, say: words.Say
) -> tuple[tuple[str, str], ...]:
    """Where a number could be taken for more than it is: subject and sentence."""
    return tuple(_notes(plan, conditions, forecast, say))


def _notes(
    plan: TripPlan, conditions: StageConditions, forecast: Forecast | None, say: words.Say
) -> Iterator[tuple[str, str]]:
    if say.units is words.Units.US:
        yield (
            "Feels like",
            "By the US wind chill formula, worked out in °F and mph and rounded to whole degrees. It is no "
            "conversion of the metric one, from which it can differ by a degree; the kit list is held "
            "against the metric one. Both take the wind 10 m above ground.",
        )
    else:
        yield (
            "Feels like",
            "By the metric wind chill formula, rounded to whole degrees. The US chart in °F is another "
            "formula, no conversion of this one, and can differ by a degree. Both take the wind 10 m above "
            "ground.",
        )
    yield (
        "Bare skin freezes in",
        "The shortest published time, for dry skin of the 5 % most susceptible people. Wet skin, metal and "
        "fuel freeze sooner, and frostnip comes before frostbite.",
    )
    yield "Air pressure", _pressure_note(plan, conditions, say)
    yield (
        "Refreezing",
        words.sentence(conditions.methods.get("refreeze", "not worked out without a forecast")),
    )
    yield from ((title, words.sentence(text)) for title, text in _methods(conditions))
    if forecast is not None and forecast.level_kind == "pressure":
        top = plan.place.high_point_m
        less = top - float(atmosphere.geopotential_height_m(top))
        yield (
            "Heights",
            f"Heights of the forecast's pressure levels are geopotential. At {say.elevation(top)} on the map "
            f"that is {say.elevation(less)} less.",
        )
    if forecast is not None and Figures(forecast).has_near_ground:
        yield (
            "Near the ground",
            "What this source says of temperature, wind and gusts near its model's ground is used for no "
            "stage: that ground is smoother than the mountain. What no level above it says stays unknown.",
        )
    yield from _light_notes(plan, say)
    spread = spread_of(conditions.scenarios)
    if spread is Spread.ENSEMBLE:
        yield (
            "Spread",
            f"Lightly shaded, all {len(conditions.scenarios)} members; darker, the middle eight tenths of "
            "them; dashed, the one in the middle. Hours that fewer than 10 members or 80 % of them cover "
            "are left open.",
        )


def _pressure_note(plan: TripPlan, conditions: StageConditions, say: words.Say) -> str:
    top = plan.place.high_point_m
    standard, west = (
        _hpa(float(pressure(top)) * HPA_PER_PA)
        for pressure in (atmosphere.standard_pressure_at_elevation_pa, atmosphere.west_pressure_pa)
    )
    how = conditions.methods.get("pressure_hpa", "standard atmosphere")
    return (
        f"{words.sentence(how)} The standard atmosphere gives {standard} at {say.elevation(top)}; on high "
        f"mountains in summer and towards the equator the air is thicker, by West's equation {west}. In "
        "winter and towards the poles it is thinner."
    )


def _methods(conditions: StageConditions) -> Iterator[tuple[str, str]]:
    for metric, title in (
        ("freezing_level_m", "Freezing level"),
        ("air_temperature_c", "Air"),
        ("wind_mps", "Wind"),
    ):
        if metric in conditions.methods:
            yield title, conditions.methods[metric]


def _light_notes(plan: TripPlan, say: words.Say) -> Iterator[tuple[str, str]]:
    """What can be misread about day and night; days without a sunrise or sunset are named."""
    place = plan.place
    yield (
        "Dark",
        "Outside civil twilight: the sun more than 6° under a level horizon. Behind a ridge it is dark for "
        "longer, and cloud is not counted.",
    )
    days = [plan.starts_on + timedelta(days=n) for n in range((plan.ends_on - plan.starts_on).days + 1)]
    odd: dict[sun.DayState, list[date]] = {}
    for day in days:
        found = sun.sun_day(day, place.zone, place.latitude_deg, place.longitude_deg).sun
        if found.state is not sun.DayState.CROSSES:
            odd.setdefault(found.state, []).append(day)
    for state, which in odd.items():
        stays = "does not set" if state is sun.DayState.ALWAYS_ABOVE else "does not rise"
        yield "Sun", f"The sun {stays} on {words.join(words.day(day) for day in which)}."


def hold_points(plan: TripPlan, say: words.Say) -> Iterator[str]:
    """The bars on the rope, in words."""
    for hold in plan.hold_points:
        yield f"Hold point {hold.name}: {say.elevation(hold.elevation_m)}, {say.day_time(hold.at)}."


def says(rows: Sequence[StageRow]) -> Iterator[str]:
    """The weather of each stage in a sentence, for the text that says what the picture shows."""
    for row in rows:
        if row.over:
            continue
        yield (
            f"{row.number}. {row.stage.name}: feels like {row.feels} at its coldest, wind up to {row.wind}, "
            f"rain and snow {row.falls}; {row.thunder}.{_spread_said(row)}"
        )


def _spread_said(row: StageRow) -> str:
    """How far scenarios lie apart, as the shaded band shows it."""
    apart = [number.spread for number in row.numbers if number.title == LOWEST_LEVEL and number.spread]
    return f" Over the scenarios the lowest freezing level is {apart[0]}." if apart else ""
