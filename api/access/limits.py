"""How often something may be asked: token buckets in this process, keyed by who asks.

Guessing is slowed for the address it comes from, and for strangers to an account; nobody can lock a colleague
out, because a device that has signed in before is not counted with the strangers.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from fastapi import Depends, FastAPI, Request

from api.access.current import reader_or_none
from api.access.tokens import hash_of, one_house
from api.clock import Clock
from api.errors import TooMany

By = Literal["address", "account", "link"]
MOST_BUCKETS = 20_000


@dataclass(frozen=True, slots=True)
class Rate:
    """`burst` at once, then one every `every_s` seconds, for each of what `by` names."""

    burst: int
    every_s: float
    by: tuple[By, ...]
    says: str


LIMITS: dict[str, Rate] = {
    "sign-in-address": Rate(20, 6.0, ("address",), "sign-ins from one address"),
    "sign-in-pair": Rate(5, 30.0, (), "sign-ins to one account from one address"),
    "sign-in-strangers": Rate(50, 20.0, (), "sign-ins to one account from devices it does not know"),
    "link": Rate(20, 6.0, ("address",), "uses of one-time links"),
    "ceremony": Rate(30, 4.0, ("address",), "beginnings of a passkey or outside sign-in"),
    "self-report": Rate(60, 5.0, ("address", "link"), "self-reports"),
    "invite": Rate(30, 20.0, ("account",), "invitations"),
    "token": Rate(10, 60.0, ("account",), "new tokens for programs"),
    "password": Rate(5, 30.0, ("account",), "changes of password"),
    "heavy": Rate(20, 2.0, ("account", "address"), "large calculations"),
    "upload": Rate(30, 5.0, ("account", "address"), "uploads"),
}


class Limiter:
    """The buckets. When there are too many, the one untouched for longest is given up."""

    def __init__(self, clock: Clock, most: int = MOST_BUCKETS) -> None:
        self._clock = clock
        self._most = most
        self._buckets: OrderedDict[tuple[str, str], tuple[float, float]] = OrderedDict()

    def take(self, name: str, key: str) -> None:
        """Take one from a bucket. Raises TooMany, saying how long to wait, when it is empty."""
        rate = LIMITS[name]
        left, at = self._level(name, key)
        if left < 1:
            wait_s = math.ceil((1 - left) * rate.every_s)
            raise TooMany(
                f"Too many {rate.says} in a short time. Wait {_in_words(wait_s)} and try again.",
                retry_after=wait_s,
            )
        self._set(name, key, left - 1, at)

    def give_back(self, name: str, key: str) -> None:
        """Put one back: it turned out to be no guess."""
        left, at = self._level(name, key)
        self._set(name, key, min(float(LIMITS[name].burst), left + 1), at)

    def _level(self, name: str, key: str) -> tuple[float, float]:
        rate, now = LIMITS[name], self._clock.monotonic()
        left, at = self._buckets.get((name, key), (float(rate.burst), now))
        return min(float(rate.burst), left + (now - at) / rate.every_s), now

    def _set(self, name: str, key: str, left: float, at: float) -> None:
        self._buckets[(name, key)] = (left, at)
        self._buckets.move_to_end((name, key))
        if len(self._buckets) > self._most:
            self._buckets.popitem(last=False)


class Limit:
    """The dependency that counts a request against a limit."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.rate = LIMITS[name]

    async def __call__(self, request: Request) -> None:
        limiter = limiter_of(request.app)
        for key in await self._keys(request):
            limiter.take(self.name, key)

    async def _keys(self, request: Request) -> Iterable[str]:
        keys = []
        for by in self.rate.by:
            if by == "address":
                keys.append(f"address {address_of(request)}")
            elif by == "link":
                keys.append(f"link {hash_of(str(request.path_params.get('token', '')))}")
            else:
                reader = await reader_or_none(request)
                keys.append(f"account {reader.staff if reader else address_of(request)}")
        return keys


def limit(name: str) -> Any:
    """The dependency for a route that may be asked only so often. Raises KeyError for an unknown name.

    A limit by link counts the path parameter ``{token}``.
    """
    return Depends(Limit(name))


def address_of(request: Request) -> str:
    """What counts as one address."""
    return one_house(request.client.host if request.client else None)


def limiter_of(app: FastAPI) -> Limiter:
    """The buckets of an app."""
    if not hasattr(app.state, "limiter"):
        app.state.limiter = Limiter(app.state.clock)
    found: Limiter = app.state.limiter
    return found


def _in_words(seconds: int) -> str:
    return f"{seconds} seconds" if seconds < 120 else f"{math.ceil(seconds / 60)} minutes"
