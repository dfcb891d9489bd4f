"""The variables a forecast may hold: CF standard names (table v93), their units, and what they can be.

Names that CF lacks start with `x_`.
"""

from __future__ import annotations

from collections.abc import Mapping

FREEZING_LEVEL = "freezing_level_altitude"
TEMPERATURE = "air_temperature"
WIND = "wind_speed"
WIND_DIRECTION = "wind_from_direction"
GUST = "wind_speed_of_gust"
LEVEL_HEIGHT = "geopotential_height"
PRECIPITATION = "precipitation_amount"
NEW_SNOW = "thickness_of_snowfall_amount"
UV_CLEAR_SKY = "ultraviolet_index_assuming_clear_sky"
UV = "ultraviolet_index"
THUNDER = "x_thunder_expectation"
"""0 none, 1 possible, 2 expected: what a guide or bulletin says in words. CF has only
`thunderstorm_probability`.
"""

SI_UNITS: Mapping[str, str] = {
    FREEZING_LEVEL: "m",
    TEMPERATURE: "K",
    "wet_bulb_temperature": "K",
    "dew_point_temperature": "K",
    "relative_humidity": "1",
    WIND: "m s-1",
    WIND_DIRECTION: "degree",
    GUST: "m s-1",
    LEVEL_HEIGHT: "m",
    PRECIPITATION: "kg m-2",
    "rainfall_amount": "kg m-2",
    "snowfall_amount": "kg m-2",
    NEW_SNOW: "m",
    "surface_snow_thickness": "m",
    UV_CLEAR_SKY: "1",
    UV: "1",
    "cloud_area_fraction": "1",
    "cloud_base_altitude": "m",
    "visibility_in_air": "m",
    "thunderstorm_probability": "1",
    "atmosphere_convective_available_potential_energy": "J kg-1",
    THUNDER: "1",
    "x_snow_level_altitude": "m",
    "x_probability_of_precipitation": "1",
}
"""Unit each variable is kept in. One that is not here is not read by anything and is refused."""

PLAUSIBLE: Mapping[str, tuple[float, float]] = {
    FREEZING_LEVEL: (-430.0, 9_000.0),
    TEMPERATURE: (173.15, 333.15),
    WIND: (0.0, 120.0),
    GUST: (0.0, 150.0),
    PRECIPITATION: (0.0, 2_000.0),
    NEW_SNOW: (0.0, 10.0),
    UV_CLEAR_SKY: (0.0, 50.0),
    UV: (0.0, 50.0),
    THUNDER: (0.0, 2.0),
    "wet_bulb_temperature": (173.15, 333.15),
    "dew_point_temperature": (123.15, 333.15),
    "relative_humidity": (0.0, 1.1),
    WIND_DIRECTION: (0.0, 360.0),
    LEVEL_HEIGHT: (-600.0, 40_000.0),
    "cloud_area_fraction": (0.0, 1.001),
    "thunderstorm_probability": (0.0, 1.0),
    "x_snow_level_altitude": (-430.0, 9_000.0),
    "x_probability_of_precipitation": (0.0, 1.0),
}
"""Outside these a number is a unit mix-up or a service's code for "missing", never weather on Earth."""

NEEDS_DATUM = frozenset({FREEZING_LEVEL, "cloud_base_altitude", "x_snow_level_altitude"})
