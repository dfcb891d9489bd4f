"""Which of a trip's forecasts the board rests on. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from api.conditions.sources.manual import PROVIDER as TYPED_IN
from api.journal.fold import Picture, Record
from api.journal.kinds import ForecastReceived

SECOND_OPINIONS = frozenset({"metno", "nws"})
"""Sources that only know the air near the ground: the board rests on them only when there is no other, or
when they are chosen.
"""

Received = Record[ForecastReceived]


def forecast_in_force(picture: Picture) -> Received | None:
    """The forecast the board rests on; None when the trip has none.

    The newest issue of the provider that was chosen. Without a choice, or while that provider has sent
    nothing, the newest that a guide typed in; without one, the newest of all that know the air up there.
    """
    issues = issues_in_force(picture)
    return issues[-1] if issues else None


def issues_in_force(picture: Picture) -> Sequence[Received]:
    """All issues of the provider the board rests on, oldest first; the last is the one in force."""
    provider = provider_in_force(picture)
    return [record for record in picture.forecasts if record.body.provider == provider]


def provider_in_force(picture: Picture) -> str | None:
    """The provider the board rests on; None when the trip has no forecast."""
    newest = {record.body.provider: record.body.issued_at for record in picture.forecasts}
    chosen = picture.forecast_choice.body.provider if picture.forecast_choice else None
    for provider in (chosen, TYPED_IN):
        if provider in newest:
            return provider
    # Of two equally new the name decides, not which happened to arrive last.
    return max(newest, key=lambda p: (p not in SECOND_OPINIONS, newest[p], p), default=None)


def last_two_of_each(picture: Picture) -> dict[str, tuple[Received, ...]]:
    """The newest issue of each provider with the one before it, oldest first; by provider, newest first."""
    return {
        provider: tuple(r for r in picture.forecasts if r.body.provider == provider)[-2:]
        for provider in newest_of_each(picture)
    }


def newest_of_each(picture: Picture) -> dict[str, Received]:
    """The newest issue of each provider, by provider, newest issue first."""
    newest = {record.body.provider: record for record in picture.forecasts}
    return dict(sorted(newest.items(), key=lambda item: item[1].body.issued_at, reverse=True))
