"""The same quantities one person, stage and scenario at a time, by halving and plain arithmetic.

Written from the published equations, not from the vectorised code, and slower by far: it is what the fast
way is held against.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

from api.body.people import Person
from api.body.settings import BodySettings
from api.journal.trip import Stage

CLO = 0.155
CLO_OF = {
    "socks": 0.10,
    "boots": 0.05,
    "base-legs": 0.10,
    "base-top-long": 0.12,
    "soft-shell-trousers": 0.25,
    "soft-shell-jacket": 0.35,
    "shell-trousers": 0.20,
    "hard-shell-jacket": 0.25,
    "insulated-overtrousers": 0.35,
    "mitts": 0.05,
}
PARKA = {"light": 0.40, "mid": 0.55, "heavy": 0.70}


def halved(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a function that rises through zero does so."""
    for _ in range(200):
        middle = 0.5 * (low + high)
        if function(middle) < 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def saturation(celsius: float) -> float:
    return 0.1333 * math.exp(18.6686 - 4030.183 / (celsius + 235.0))


@dataclass(frozen=True)
class Cold:
    """One exposure by ISO 11079."""

    m: float
    ta: float
    wind: float
    p: float

    @property
    def v(self) -> float:
        return max(self.wind, 0.4)

    @property
    def w(self) -> float:
        return min(0.0052 * (self.m - 58.0), 1.2)

    @property
    def valid(self) -> bool:
        return 58 <= self.m <= 400 and -60 <= self.ta <= 10 and 0 <= self.wind <= 18

    @property
    def layer(self) -> float:
        return 0.092 * math.exp(-0.15 * self.v - 0.22 * self.w) - 0.0045

    @property
    def left(self) -> float:
        swept = 0.54 * math.exp(-0.15 * self.v - 0.22 * self.w) * self.p**0.075
        return float(swept - 0.06 * math.log(self.p) + 0.5)

    @property
    def left_standing(self) -> float:
        """Share of the insulation that wind leaves to who does not walk."""
        swept = 0.54 * math.exp(-0.15 * self.v) * self.p**0.075
        return float(swept - 0.06 * math.log(self.p) + 0.5)

    def balance(self, insulation: float, dry: float, neutral: bool) -> float:
        """Heat made less heat lost by breath, sweat and the dry way, W/m2."""
        skin = 35.7 - 0.0285 * self.m if neutral else 33.34 - 0.0354 * self.m
        wet = 0.001 * self.m if neutral else 0.06
        vapour = 0.85 * saturation(self.ta)
        breath = 29.0 + 0.2 * self.ta
        sweat = wet * (saturation(skin) - vapour) / (0.06 / 0.38 * (self.layer + insulation))
        breathed = 0.0173 * self.m * (saturation(breath) - vapour) + 0.0014 * self.m * (breath - self.ta)
        return self.m - sweat - breathed - dry

    def skin(self, neutral: bool) -> float:
        return 35.7 - 0.0285 * self.m if neutral else 33.34 - 0.0354 * self.m

    def dry(self, insulation: float, neutral: bool) -> float:
        """Dry loss with the air as warm as the surroundings: skin to clothing to air, in series."""
        area = 1.0 + 1.197 * insulation
        through = area / self.layer
        return (self.skin(neutral) - self.ta) * through / (1.0 + insulation * through)

    def storage(self, insulation: float, neutral: bool) -> float:
        return self.balance(insulation, self.dry(insulation, neutral), neutral)

    def needed_clo(self, neutral: bool) -> float:
        """Basic insulation at which nothing is stored."""
        if self.storage(0.0, neutral) >= 0.0:
            acting = 0.0
        else:
            acting = halved(lambda i: self.storage(i, neutral), 0.0, 10.0)
        area = 1.0 + 1.197 * acting
        return max((acting + self.layer / area) / self.left - 0.085 / area, 0.0) / CLO

    def hours(self, clo: float, neutral: bool) -> float:
        """Until 40 Wh/m2 are lost; infinite beyond eight hours."""

        def over(acting: float) -> float:
            area = 1.0 + 1.197 * acting
            return acting - ((clo * CLO + 0.085 / area) * self.left - self.layer / area)

        lost = -self.storage(halved(over, -0.2, 10.0), neutral)
        hours = 40.0 / lost if lost > 0.0 else math.inf
        return hours if hours <= 8.0 else math.inf


def icl(person: Person, further: float = 0.0) -> float:
    """Basic insulation of all that is there, clo; NaN for nothing."""
    total = further
    for name, value in CLO_OF.items():
        total += value if person.has(name) else 0.0
    if person.has("parka"):
        total += PARKA[str(person.answer("parka", "warmth") or "light")]
    return 0.161 + 0.835 * total if total else math.nan


def cloth(person: Person) -> float:
    if person.has("hard-shell-jacket") and person.has("shell-trousers"):
        return 8.0
    return 50.0 if person.has("soft-shell-jacket") or person.has("parka") else 100.0


def pandolf(body: float, load: float, v: float, grade: float, ground: float) -> float:
    """Power of walking, W; downhill with Santee's correction, the grade keeping its sign."""
    whole = body + load
    held = max(grade, -20.0)
    power = 1.5 * body + 2.0 * whole * (load / body) ** 2
    power += ground * whole * (1.5 * v * v + 0.35 * v * held)
    if held < 0.0:
        power -= ground * (held * whole * v / 3.5 - whole * (held + 6.0) ** 2 / body + 25.0 - v * v)
    return power


def pace(power: float, load: float, grade: float, ground: float, fastest: float) -> float:
    """Speed that a power keeps up, for a body of 70 kg, held at the fastest."""
    return halved(lambda v: pandolf(70.0, load, v, grade, ground) - power, 0.0, fastest)


def boiling_c(hpa: float) -> float:
    """Where the pressure of IAPWS-IF97's saturation line, region 4, is this."""
    n = (
        1167.0521452767, -724213.16703206, -17.073846940092, 12020.82470247, -3232555.0322333,
        14.91510861353, -4823.2657361591, 405113.40542057, -0.23855557567849, 650.17534844798,
    )  # fmt: skip

    def over(celsius: float) -> float:
        kelvin = celsius + 273.15
        t = kelvin + n[8] / (kelvin - n[9])
        a = t * t + n[0] * t + n[1]
        b = n[2] * t * t + n[3] * t + n[4]
        c = n[5] * t * t + n[6] * t + n[7]
        return 1e4 * (2.0 * c / (-b + math.sqrt(b * b - 4.0 * a * c))) ** 4 - hpa

    return halved(over, 0.0, 150.0)


SHARES = {
    "lithium": ((-40.0, 0.4), (-20.0, 0.7), (0.0, 0.9), (20.0, 1.0)),
    "alkaline": ((-18.0, 0.25), (0.0, 0.5), (20.0, 1.0)),
}


def share(chemistry: str, celsius: float) -> float:
    points = SHARES[chemistry]
    if (
        math.isnan(celsius)
        or celsius < points[0][0]
        or celsius > {"lithium": 60.0, "alkaline": 55.0}[chemistry]
    ):
        return math.nan
    if celsius >= points[-1][0]:
        return 1.0
    for (cold, little), (warm, much) in pairwise(points):
        if celsius <= warm:
            return little + (much - little) * (celsius - cold) / (warm - cold)
    raise AssertionError(celsius)


def light_h(person: Person, celsius: float, settings: BodySettings) -> float:
    """Hours of lamp and spare."""
    label = person.number("headlamp", "run-time-h")
    charge = person.number("headlamp", "charge-percent") / 100.0
    kind = person.answer("headlamp-power", "cold")
    chemistry = "lithium" if kind == "lithium" else "alkaline"
    own = share(chemistry, celsius)
    spare = share(chemistry, settings.body_warm_c) if kind == "on-body" else own
    return label * own * charge * settings.usable_share + label * spare * settings.usable_share


@dataclass(frozen=True)
class Ground:
    """The way of one stage: metres, hours and grade of what climbs, descends and is level."""

    parts: tuple[tuple[float, float, float], ...]
    steep: bool
    level_m: float


def ground_of(stage: Stage, own_h: float | None) -> Ground:
    """Grade from the distance of the stage, else 15 %, on steep snow 30 %."""
    points = [(stage.starts_at, stage.from_m)]
    points += [(via.at, via.elevation_m) for via in stage.via]
    points.append((stage.ends_at, stage.to_m))
    up = down = up_h = down_h = level_h = 0.0
    for (left, low), (came, high) in pairwise(points):
        hours = (came - left).total_seconds() / 3600.0
        if high > low:
            up, up_h = up + high - low, up_h + hours
        elif high < low:
            down, down_h = down + low - high, down_h + hours
        else:
            level_h += hours
    whole_h = up_h + down_h + level_h
    stretch = 1.0 if own_h is None else own_h / whole_h
    height = up + down
    snow = "steep-snow" in stage.terrain
    if stage.distance_m is None:
        grade, level_m = (30.0 if snow else 15.0), 0.0
    else:
        sloping = max(stage.distance_m * (1.0 - level_h / whole_h), height)
        grade, level_m = 100.0 * height / sloping, stage.distance_m - sloping
    longer = math.hypot(1.0, 100.0 / grade)
    parts = [
        (up * longer, up_h * stretch, grade),
        (down * longer, down_h * stretch, -grade),
        (level_m, level_h * stretch, 0.0),
    ]
    return Ground(tuple(part for part in parts if part[1] > 0.0), snow or grade >= 30.0, level_m)
