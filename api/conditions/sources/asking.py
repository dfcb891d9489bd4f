"""What every network source speaks in: what is wanted, what to ask for, and why an answer cannot be used.

A source is a few pure functions. `plan` says what to ask for; an answer that only leads on (which run is the
newest, which cell of a grid) is read by `then`, which says what to ask for next; `parse` makes the forecast;
`confirm` looks at what was asked once more afterwards. None of them touches the network or the clock.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Literal
from urllib.parse import quote, urlencode

from api.conditions.forecast import Forecast, Point

Headers = Mapping[str, str]
"""Of an answer; names in lower case."""
Step = Literal["look", "forecast", "confirm"]


class Unusable(Exception):
    """An answer that cannot be used, with the reason in a sentence that people can read."""


@dataclass(frozen=True, slots=True)
class Window:
    """From when to when a forecast is wanted, UTC."""

    starts_at: datetime
    ends_at: datetime


@dataclass(frozen=True, slots=True)
class SourceSettings:
    """One configured source."""

    kind: str
    """Which of the sources in `registry` reads it."""
    base_url: str
    """Without a slash at its end."""
    model: str = ""
    """The one model, or collection, that is asked for."""
    key: str = field(default="", repr=False)
    parameters: tuple[str, ...] = ()
    attribution: str = ""
    licence: str = ""

    @property
    def provider(self) -> str:
        """How its forecasts are called in the journal."""
        return f"{self.kind} {self.model}" if self.model else self.kind


@dataclass(frozen=True, slots=True)
class Request:
    """One thing to ask a service for. Always GET."""

    step: Step
    url: str
    place: Point
    """The wanted place, with the elevation the forecast is wanted for."""
    window: Window
    settings: SourceSettings
    accept: str = "application/json"
    good_for_s: int | None = None
    """How long an answer may be kept, for a service that does not say so itself; 0: not at all."""
    known: Mapping[str, str] = field(default_factory=dict)
    """What earlier answers told."""

    def leading_to(self, step: Step, url: str, *, good_for_s: int | None = None, **known: str) -> Request:
        """The request that follows from this one."""
        return replace(self, step=step, url=url, good_for_s=good_for_s, known={**self.known, **known})


Plan = Callable[[Point, Window, SourceSettings], tuple[Request, ...]]
Then = Callable[[bytes, Headers, Request], tuple[Request, ...]]
Parse = Callable[[bytes, Headers, Request], Forecast]
Confirm = Callable[[Forecast, bytes, Headers, Request], Forecast]


@dataclass(frozen=True, slots=True)
class Source:
    """How one kind of service is asked and read."""

    kind: str
    title: str
    gives: str
    lacks: str
    plan: Plan
    parse: Parse
    then: Then | None = None
    confirm: Confirm | None = None


def address(base_url: str, path: str, **query: str | int | float | None) -> str:
    """An address under the configured one; parameters that are None are left out."""
    given = {name.replace("_hyphen_", "-"): value for name, value in query.items() if value is not None}
    written = urlencode(given, quote_via=quote, safe=",:/")
    return f"{base_url}{path}" + (f"?{written}" if written else "")


def degrees(value: float) -> str:
    """A coordinate with at most four decimals and no zeros at its end, as services want it."""
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def with_warnings(forecast: Forecast, *warnings: str) -> Forecast:
    """The forecast with further warnings, each once."""
    origin = forecast.provenance
    told = tuple(dict.fromkeys((*origin.warnings, *warnings)))
    return replace(forecast, provenance=replace(origin, warnings=told))
