"""Writes a small GRIB2 file: `python -m tests.conditions.sources.grib_maker FILE`. Invented numbers.

Two members, two times, four levels on a grid of 3 x 3 points; keys as WMO GRIB2 tables 4.1 to 4.6 have them.
"""

import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import eccodes
import numpy as np

HEIGHTS_M = {850: 1500.0, 700: 3100.0, 600: 4350.0, 500: 5750.0}
Key = tuple[str, int | float | str]


def keys(category: int, number: int, surface: int, level_hpa: int = 0) -> Iterator[Key]:
    yield from (("parameterCategory", category), ("parameterNumber", number))
    yield "typeOfFirstFixedSurface", surface
    if surface == 100:
        yield from (
            ("scaleFactorOfFirstFixedSurface", 0),
            ("scaledValueOfFirstFixedSurface", level_hpa * 100),
        )


def period(wanted: Iterable[Key], processing: int, first: int, last: int) -> list[Key]:
    """Keys of a sum (processing 1) or maximum (2) between two hours of the run; WMO code table 4.10."""
    return [
        ("productDefinitionTemplateNumber", 11),
        *wanted,
        ("typeOfStatisticalProcessing", processing),
        ("stepUnits", 1),
        ("stepRange", f"{first}-{last}"),
    ]


def messages(member: int, hour: int) -> Iterator[tuple[list[Key], float]]:
    for level, height_m in HEIGHTS_M.items():
        kelvin = 273.15 + (3400.0 + 100.0 * member + 10.0 * hour - height_m) * 0.0065
        yield list(keys(0, 0, 100, level)), kelvin
        yield list(keys(3, 5, 100, level)), height_m
        yield list(keys(2, 2, 100, level)), 6.0
        yield list(keys(2, 3, 100, level)), -8.0
    yield list(keys(3, 5, 4)), 3400.0 + 100.0 * member
    yield list(keys(4, 51, 1)), 7.0 + member
    yield list(keys(1, 52, 1)), 0.0
    if hour:
        # Precipitation since the start of the run, new snow and gusts for each three hours.
        yield period(keys(1, 52, 1), 1, 0, hour), (1.0 + member) * hour
        yield period(keys(1, 57, 1), 1, hour - 3, hour), 0.02
        gust = [
            *keys(2, 22, 103),
            ("scaleFactorOfFirstFixedSurface", 0),
            ("scaledValueOfFirstFixedSurface", 10),
        ]
        yield period(gust, 2, hour - 3, hour), 15.0 + hour


def write(file: Path, change: Callable[[Any], None] | None = None) -> None:
    with file.open("wb") as stream:
        for member in (0, 1):
            for hour in (0, 3, 6):
                for wanted, value in messages(member, hour):
                    message = eccodes.codes_grib_new_from_samples("regular_ll_pl_grib2")
                    over_time = ("productDefinitionTemplateNumber", 11) in wanted
                    given: list[Key] = [
                        ("productDefinitionTemplateNumber", 11 if over_time else 1),
                        ("dataDate", 20260704),
                        ("dataTime", 0),
                        *([] if over_time else [("stepUnits", 1), ("step", hour)]),
                        ("perturbationNumber", member),
                        ("Ni", 3),
                        ("Nj", 3),
                        ("latitudeOfFirstGridPointInDegrees", 46.2),
                        ("latitudeOfLastGridPointInDegrees", 45.7),
                        ("longitudeOfFirstGridPointInDegrees", 7.5),
                        ("longitudeOfLastGridPointInDegrees", 8.0),
                        ("iDirectionIncrementInDegrees", 0.25),
                        ("jDirectionIncrementInDegrees", 0.25),
                        *wanted,
                    ]
                    for name, set_to in given:
                        eccodes.codes_set(message, name, set_to)
                    eccodes.codes_set_values(message, np.full(9, value))
                    eccodes.codes_write(message, stream)
                    eccodes.codes_release(message)


if __name__ == "__main__":
    write(Path(sys.argv[1]))
