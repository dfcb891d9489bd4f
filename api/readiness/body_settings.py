"""Settings of the body's estimates as they come in an address: `efficiency=0.5&hours-summit=7`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from api.body.settings import BodySettings
from api.conditions.needs import Kitchen
from api.errors import Invalid
from api.journal.trip import TripPlan
from api.science.water import FUELS

HOURS = "hours-"
"""Before a stage's id: the guide's own hours for it."""
SHORTEST_H, LONGEST_H = 0.1, 24.0


@dataclass(frozen=True, slots=True)
class Box:
    """One figure that may be set."""

    name: str
    label: str
    unit: str
    least: float
    most: float
    hint: str


BOXES: tuple[Box, ...] = (
    Box(
        "efficiency",
        "Share of the fuel's heat that ends in the pot",
        "",
        0.05,
        1.0,
        "People reckon with 0.3 to 0.6.",
    ),
    Box("boiled_l", "Water boiled a person and night", "L", 0.0, 10.0, "Meals and hot drinks."),
    Box(
        "cool_l",
        "Water drunk cool in camp a person and night",
        "L",
        0.0,
        10.0,
        "Beside that for the day to come.",
    ),
    Box(
        "wind_share",
        "Wind at the body over the forecast's wind",
        "",
        0.1,
        1.5,
        "Two thirds in the open; 1 on a crest.",
    ),
    Box("tent_c", "Taken off the night low in a tent", "°C", 0.0, 15.0, "For a clear sky and cold ground."),
    Box(
        "bivouac_c",
        "Taken off the night low in the open",
        "°C",
        0.0,
        20.0,
        "For a clear sky and cold ground.",
    ),
    Box(
        "usable_share",
        "Share of a lamp's labelled hours to walk by",
        "",
        0.05,
        1.0,
        "The label runs to a tenth of the light.",
    ),
    Box(
        "stream_c", "Temperature of stream water", "°C", 0.0, 30.0, "Sets how long iodine or chlorine takes."
    ),
    Box("path_grade_pct", "Grade, where no distance is in the plan", "%", 5.0, 60.0, "Assumed."),
    Box(
        "steep_grade_pct",
        "The same on steep snow",
        "%",
        10.0,
        100.0,
        "Assumed, and beyond what the formulas were tried on.",
    ),
)


def settings_of(
    given: Mapping[str, str], plan: TripPlan, kept: Mapping[str, float] | None = None
) -> BodySettings:
    """Read settings. What is empty or left out stays as it is; `kept`: hours that guides have set.

    Raises Invalid naming the field, the value and the remedy.
    """
    usual = BodySettings(kitchen=Kitchen.of(plan))
    figures = {
        box.name: figure(box.name, given[box.name], box.least, box.most)
        for box in BOXES
        if given.get(box.name)
    }
    hours = dict(kept or {}) | {
        stage.id: figure(HOURS + stage.id, given[HOURS + stage.id], SHORTEST_H, LONGEST_H)
        for stage in plan.stages
        if given.get(HOURS + stage.id)
    }
    fuel = given.get("fuel") or usual.kitchen.fuel
    if fuel not in FUELS:
        raise Invalid.field("fuel", fuel, "is no fuel known here.", f"Write one of: {', '.join(FUELS)}.")
    kitchen = replace(
        Kitchen.of(plan),
        fuel=fuel,
        **{n: figures[n] for n in ("efficiency", "boiled_l", "cool_l", "stream_c") if n in figures},
    )
    shelters = {"tent": "tent_c", "bivouac": "bivouac_c"}
    allowance = dict(usual.allowance_c) | {s: figures[n] for s, n in shelters.items() if n in figures}
    own = ("wind_share", "usable_share", "path_grade_pct", "steep_grade_pct")
    return replace(
        usual,
        kitchen=kitchen,
        allowance_c=allowance,
        hours=hours,
        **{name: figures[name] for name in own if name in figures},
    )


def shown(settings: BodySettings) -> dict[str, str]:
    """The settings as they stand in the boxes."""
    values = {
        "efficiency": settings.kitchen.efficiency,
        "boiled_l": settings.kitchen.boiled_l,
        "cool_l": settings.kitchen.cool_l,
        "stream_c": settings.kitchen.stream_c,
        "wind_share": round(settings.wind_share, 2),
        "tent_c": settings.allowance_c["tent"],
        "bivouac_c": settings.allowance_c["bivouac"],
        "usable_share": settings.usable_share,
        "path_grade_pct": settings.path_grade_pct,
        "steep_grade_pct": settings.steep_grade_pct,
        **{HOURS + stage: hours for stage, hours in settings.hours.items()},
    }
    return {"fuel": settings.kitchen.fuel} | {name: f"{value:g}" for name, value in values.items()}


def figure(name: str, text: str, least: float, most: float) -> float:
    """A typed number within bounds. Raises Invalid naming the field, the value and the remedy."""
    remedy = f"Write a number from {least:g} to {most:g}."
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        raise Invalid.field(name, text, "is not a number.", remedy) from None
    if not least <= value <= most:
        raise Invalid.field(name, text, "is out of range.", remedy)
    return value
