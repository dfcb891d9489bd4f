"""Ratio and party rules as a trip carries them. Typed in from a permit; none is shipped as if it were law."""

from datetime import date
from typing import Annotated, Self

from pydantic import Field, StringConstraints, model_validator

from api.journal.trip import LongText, ShortText, Slug, Terrain, Value

MonthDay = Annotated[str, StringConstraints(pattern=r"^(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$")]
Limit = Annotated[int, Field(ge=1, le=100)]


class PartyRule(Value):
    """What one source demands of ropes and parties, where and when it applies. A limit left out is none."""

    id: Slug
    title: ShortText
    terrain: Terrain | None = None
    """Applies to stages with this ground; None: everywhere on the trip."""
    season_from: MonthDay | None = None
    """First day of the season as MM-DD, whatever the year; with `season_until`, both or neither."""
    season_until: MonthDay | None = None
    activity: Slug | None = None
    """What is done: `guided`, `instruction`, …; None: whatever is done."""
    max_clients_per_guide: Limit | None = None
    max_party: Limit | None = None
    """Largest party, guides included."""
    least_on_rope: Limit | None = None
    min_guides: Limit | None = None
    clients_need_guide: bool = False
    """No client may be left without a guide."""
    source: Annotated[LongText, Field(min_length=1)]
    """The text the rule was taken from, and where it stands."""
    effective_from: date | None = None
    effective_until: date | None = None

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.season_from is None) != (self.season_until is None):
            raise ValueError("a season needs its first and its last day; give both, or neither")
        if self.effective_from and self.effective_until and self.effective_until < self.effective_from:
            raise ValueError("the rule ends before it begins; check effective_until")
        limits = (self.max_clients_per_guide, self.max_party, self.least_on_rope, self.min_guides)
        if all(limit is None for limit in limits) and not self.clients_need_guide:
            raise ValueError("the rule limits nothing; give at least one limit")
        return self

    def in_force(self, day: date) -> bool:
        """Whether it applies on a day: within its effective dates and its season, which may span new year."""
        if self.effective_from and day < self.effective_from:
            return False
        if self.effective_until and day > self.effective_until:
            return False
        if self.season_from is None or self.season_until is None:
            return True
        today = f"{day:%m-%d}"
        if self.season_from <= self.season_until:
            return self.season_from <= today <= self.season_until
        return today >= self.season_from or today <= self.season_until
