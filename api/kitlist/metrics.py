"""The metric registry: every number about conditions that a requirement may look at: unit, meaning, method.

The kit list schema, the editor, the conditions room and the docs read it. A new metric is one `Metric` here
and one function in the conditions room.
"""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Metric:
    """One number about conditions.

    span: `hour` values change along the stage (the party is a moving point); `stage` is one value a stage;
    `trip` is one value for the whole trip; `quantity` is an amount that a kit list can ask for by name.
    """

    name: str
    title: str
    unit: str
    span: Literal["hour", "stage", "trip", "quantity"]
    method: str


_METRICS = (
    Metric(
        "freezing_level_m", "freezing level", "m", "hour", "altitude of 0 °C above sea level, as forecast"
    ),
    Metric(
        "freezing_level_drop_m",
        "freezing level below the season's usual level",
        "m",
        "hour",
        "usual level of the trip minus the forecast level; unknown when the trip states no usual level",
    ),
    Metric(
        "freezing_level_fall_m",
        "fall of the freezing level since the forecast before",
        "m",
        "stage",
        "lowest level on the stage in the issue before minus that in this issue; "
        "unknown without an issue before",
    ),
    Metric(
        "air_temperature_c",
        "air temperature",
        "°C",
        "hour",
        "at the party's elevation; from the forecast profile, or from the freezing level by 6.5 °C/km",
    ),
    Metric(
        "wind_mps",
        "wind",
        "m/s",
        "hour",
        "at the party's elevation, interpolated between the stated altitudes",
    ),
    Metric("gust_mps", "gusts", "m/s", "hour", "as forecast; at the stated altitude"),
    Metric("wind_chill_c", "wind chill", "°C", "hour", "metric wind chill equation at the party's elevation"),
    Metric(
        "frostbite_min", "time to frostbite of bare skin", "min", "hour", "shortest of the published figures"
    ),
    Metric("uv_index", "UV index", "1", "hour", "clear-sky index as forecast; cloud ignored on snow"),
    Metric(
        "daylight_on_snow_h",
        "daylight travel on snow or ice",
        "h",
        "stage",
        "hours on the move between sunrise and sunset on stages with glacier, steep snow or a camp on snow",
    ),
    Metric("dark_h", "travel in the dark", "h", "stage", "hours on the move outside civil twilight"),
    Metric("precipitation_mm", "precipitation", "mm", "stage", "sum over the stage and the night after it"),
    Metric("new_snow_cm", "new snow", "cm", "stage", "sum over the stage and the night after it"),
    Metric(
        "rain_mm",
        "rain or wet snow where the party is",
        "mm",
        "stage",
        "precipitation while the air at the party's elevation is above the rain limit",
    ),
    Metric("thunder", "thunder", "1", "stage", "0 none, 1 possible, 2 expected; the worst on the stage"),
    Metric(
        "night_low_c",
        "night low at camp",
        "°C",
        "stage",
        "lowest air temperature at camp during the night after",
    ),
    Metric(
        "sleep_min_c",
        "planning minimum for sleeping",
        "°C",
        "stage",
        "night low less 3 °C for a clear night out of doors; the hut's own figure does not count it",
    ),
    Metric(
        "refreeze",
        "overnight refreeze of the snow",
        "1",
        "stage",
        "1 when the glacier part of the way refreezes in the night before, else 0",
    ),
    Metric("altitude_m", "elevation of the party", "m", "hour", "along the plan"),
    Metric(
        "pressure_hpa", "air pressure where the party is", "hPa", "hour", "standard atmosphere or as forecast"
    ),
    Metric(
        "sleeping_elevation_m", "sleeping elevation", "m", "stage", "elevation of the night after the stage"
    ),
    Metric(
        "sleeping_gain_m",
        "gain between sleeping elevations",
        "m",
        "stage",
        "elevation of the night after the stage minus that of the night before it",
    ),
    Metric("trip_nights", "nights of the trip", "1", "trip", "number of planned nights"),
    Metric(
        "fuel_plan_g",
        "fuel by the planning rule",
        "g",
        "quantity",
        "per person and night: 60 g where water runs at camp, 150 g where all of it is melted; plus one "
        "melting day for each reserve day",
    ),
    Metric(
        "fuel_g",
        "fuel by energy balance",
        "g",
        "quantity",
        "for the party: snow melted and water boiled at the pressure of each camp, at the stove "
        "efficiency of the plan, else 0.4 (common practice, no published source), plus reserve days melted "
        "where that costs most",
    ),
    Metric(
        "water_l",
        "water carried by a person",
        "L",
        "quantity",
        "0.25 to 0.4 L an hour by effort (common practice, no published source) on the longest stretch "
        "from camp or named water on the way to the next; a stream counts while the freezing level is above "
        "it",
    ),
    Metric(
        "light_h",
        "hours of light a person needs",
        "h",
        "quantity",
        "hours on the move outside civil twilight, over the whole trip",
    ),
    Metric(
        "clothing_margin_clo",
        "clothing to spare on the move",
        "clo",
        "quantity",
        "of each person on each stage: what is sighted, by ISO 9920, less what ISO 11079 asks at the most "
        "strain a fit person should bear; an estimate",
    ),
    Metric(
        "standing_min",
        "minutes standing still until the body's limit",
        "min",
        "quantity",
        "of each person on each stage: ISO 11079 without strain, in everything that is sighted; an estimate",
    ),
    Metric(
        "bag_margin_c",
        "night above the bag's figure",
        "°C",
        "quantity",
        "of each person and night: the planning minimum in the shelter of the plan less the label's comfort "
        "figure, or its limit where comfort is not stated",
    ),
    Metric(
        "light_margin_h",
        "light left after the dark hours",
        "h",
        "quantity",
        "of each person on each stage: usable hours of lamp and spare in the cold less all dark hours up to "
        "its end",
    ),
    Metric(
        "pack_kg",
        "pack on the way",
        "kg",
        "quantity",
        "of each person on each stage: what the list asks and is not worn, group gear, and water",
    ),
    Metric(
        "energy_kj",
        "energy of the day",
        "kJ",
        "quantity",
        "of each person on each stage's day: Pandolf with Santee's correction at the plan's pace, and rest",
    ),
)

METRICS: dict[str, Metric] = {metric.name: metric for metric in _METRICS}
CONDITION_METRICS: dict[str, Metric] = {n: m for n, m in METRICS.items() if m.span != "quantity"}
QUANTITIES: dict[str, Metric] = {n: m for n, m in METRICS.items() if m.span == "quantity"}
LEFT_OF_THE_BODY = ("clothing_margin_clo", "standing_min", "bag_margin_c", "light_margin_h")
"""Quantities of a person of which an edition may ask that so much is left."""
BORNE_BY_THE_BODY = ("pack_kg", "energy_kj")
"""Quantities of a person of which an edition may ask that there is no more."""
OF_THE_BODY = frozenset({*LEFT_OF_THE_BODY, *BORNE_BY_THE_BODY})
"""Worked out for each person from everything they have: no thing that one could look for."""
AMOUNTS_HELD = {
    "fuel_g": ("party", "fuel"),
    "water_l": ("person", "bottles"),
    "light_h": ("person", "headlamp"),
}
"""Amounts that an optional line may hold against what another line shows to be there: of whom each is asked,
and the id of that line. What such a line counts is the share of the amount."""
