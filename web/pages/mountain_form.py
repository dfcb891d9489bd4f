"""The what-if form: what is typed, in the reader's units, and the shift it makes. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from api.conditions.shifts import Shift
from api.errors import FieldProblem, Invalid
from api.journal.trip import TripPlan
from api.readiness.tipping import REACHES, Axis
from web import words
from web.pages.mountain_words import FEET_PER_M

MINUTES_PER_H = 60.0


@dataclass(frozen=True, slots=True)
class Box:
    """A box of the form: in which units it is filled in, and from where to where it goes."""

    name: str
    label: str
    unit: str
    low: float
    high: float
    step: float
    neutral: float
    hint: str


def boxes(units: words.Units) -> tuple[Box, ...]:
    """The boxes for a reader's units."""
    us = units is words.Units.US
    level, air, wind = (REACHES[axis] for axis in (Axis.FREEZING_LEVEL, Axis.TEMPERATURE, Axis.WIND))
    length, degrees = (FEET_PER_M if us else 1.0), (1.8 if us else 1.0)
    most_m, most_c = round(level.high * length, -2), round(air.high * degrees)
    return (
        Box(
            "freezing_level",
            "Freezing level higher or lower by",
            "ft" if us else "m",
            -most_m,
            most_m,
            50,
            0,
            "Lower with a minus. The whole column of air moves with it, 6.5 °C for 1,000 m."
            if not us
            else "Lower with a minus. The whole column of air moves with it, 3.6 °F for 1,000 ft.",
        ),
        Box(
            "temperature",
            "Air warmer or colder by",
            "°F" if us else "°C",
            -most_c,
            most_c,
            0.5,
            0,
            "Colder with a minus. The freezing level stays as forecast.",
        ),
        Box("wind", "Wind times", "", wind.low, wind.high, 0.1, 1, "1.5 is half as strong again."),
        Box(
            "start",
            "Start later by",
            "h",
            -6,
            6,
            0.25,
            0,
            "Earlier with a minus. What follows before a night moves with it.",
        ),
    )


def blank(units: words.Units) -> dict[str, str]:
    """The form as it is when nothing is shifted."""
    return {box.name: words.plain_number(box.neutral) for box in boxes(units)} | {"stage": ""}


def asked_for(given: Mapping[str, str]) -> bool:
    """Whether the address carries a filled-in form."""
    return any(given.get(name, "").strip() for name in ("freezing_level", "temperature", "wind", "start"))


def shift_of(given: Mapping[str, str], plan: TripPlan, units: words.Units) -> Shift:
    """The shift of a filled-in form. Raises Invalid with every box that cannot be used."""
    found, wrong = {}, []
    for box in boxes(units):
        text = given.get(box.name, "").strip().replace(",", ".").replace("−", "-")
        try:
            value = float(text) if text else box.neutral
        except ValueError:
            wrong.append(
                FieldProblem(
                    box.name, text, f"Write a number, for example {box.neutral:g}.", "This is no number."
                )
            )
            continue
        if not box.low <= value <= box.high:
            remedy = f"Give {box.low:g} to {box.high:g}{' ' if box.unit else ''}{box.unit}."
            wrong.append(FieldProblem(box.name, text, remedy, f"{value:g} is out of reach."))
        found[box.name] = value
    stage = given.get("stage", "") or None
    if stage is not None and all(one.id != stage for one in plan.stages):
        wrong.append(FieldProblem("stage", stage, "Choose one from the list.", "The plan has no such stage."))
    if wrong:
        raise Invalid(f"{words.count(len(wrong), 'field')} to correct.", fields=wrong)
    us = units is words.Units.US
    return Shift(
        freezing_level_m=found["freezing_level"] / (FEET_PER_M if us else 1.0),
        temperature_c=found["temperature"] / (1.8 if us else 1.0),
        wind_factor=found["wind"],
        start_min=found["start"] * MINUTES_PER_H,
        stage=stage if found["start"] else None,
    )
