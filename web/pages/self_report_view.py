"""What the self-report page shows, put together for its templates."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from math import isnan
from typing import Any
from urllib.parse import urlencode

from fastapi import Request

from api.kitlist.schemas import Question, Zone
from api.photos.queries import PhotoRow
from api.selfreport.rules import PLANS, Thing, night_is_free, nights_before
from api.selfreport.service import Own
from web.locale import LANGUAGES, Language, choose
from web.words import ZONES

PLAN_WORDS: dict[str, str] = {
    "have": "I have it",
    "renting": "I am renting it",
    "will-buy": "I will buy it",
    "not-sure": "I am not sure",
}
"""What can be said of a thing; the page's catalogues have them."""


def choose_language(request: Request, theirs: str) -> Language:
    """The language of a request: chosen by a link, else the person's, else the browser's."""
    return choose(request.query_params.get("lang"), theirs, request.headers.get("accept-language", ""))


@dataclass(frozen=True, slots=True)
class NightRow:
    """One night before the trip."""

    on: date
    field: str
    elevation_m: float | None
    told: bool
    free: bool
    """Whether the person may tell it; else the staff have."""


@dataclass(frozen=True, slots=True)
class ThingView:
    """One thing of the list as it is shown."""

    thing: Thing
    language: Language
    photos: tuple[PhotoRow, ...]

    @property
    def id(self) -> str:
        return self.thing.requirement.id

    @property
    def item(self) -> str:
        return self.language.listed(self.thing.requirement.item)

    @property
    def why(self) -> str:
        return self.language.listed(self.thing.requirement.why)

    @property
    def how_many(self) -> str:
        """How many are asked; empty for one."""
        if isnan(self.thing.needed) or self.thing.needed == 1:
            return ""
        unit = self.thing.requirement.how_many.unit
        return self.language.number(self.thing.needed) + (f" {unit}" if unit else "")

    @property
    def plan(self) -> str | None:
        return self.thing.plan

    @property
    def locked(self) -> bool:
        """Whether one of the staff has recorded it."""
        return self.thing.looked is not None

    @property
    def by(self) -> str:
        told = self.thing.told
        return told.body.by.isoformat() if told and told.body.by else ""

    @property
    def count(self) -> str:
        own = self.thing.own
        return f"{own.body.count:g}" if own and own.body.count is not None else ""

    @property
    def questions(self) -> tuple[Question, ...]:
        return self.thing.questions

    @property
    def details(self) -> bool:
        """Whether there is more to say of it once it is there."""
        return bool(self.questions) or bool(self.how_many)

    def ask(self, question: Question) -> str:
        """A question, with its unit."""
        return self.language.listed(question.ask)

    def unit(self, question: Question) -> str:
        return question.unit if question.unit not in (None, "1") else ""

    def choices(self, question: Question) -> list[tuple[str, str]]:
        """What a question offers, with its words; the page's own words for yes and no."""
        if question.kind == "yes-no":
            return [("yes", self.language.say("Yes")), ("no", self.language.say("No"))]
        return [(choice.id, self.language.listed(choice.label)) for choice in question.choices]

    def answer(self, question: Question, typed: dict[str, Any]) -> str:
        """What was typed, else what stands."""
        name = f"answer-{question.id}"
        if name in typed:
            return str(typed[name])
        found = self.thing.own.body.answers.get(question.id) if self.thing.own else None
        if found is None:
            return ""
        if isinstance(found, bool):
            return "yes" if found else "no"
        return f"{found:g}" if isinstance(found, int | float) else str(found)

    def plans(self) -> Iterator[tuple[str, str, bool]]:
        """(value, words, whether it was said) of each answer."""
        for plan in PLANS:
            yield plan, self.language.say(PLAN_WORDS[plan]), plan == self.plan


@dataclass(frozen=True, slots=True)
class OwnView:
    """The whole page."""

    own: Own
    language: Language
    token: str
    asked: str | None = None
    """The language chosen by a link, which the page's forms carry on."""

    def address(self, end: str = "", **query: str) -> str:
        """An address under this link, in the language that was chosen."""
        if self.asked and "lang" not in query:
            query["lang"] = self.language.code
        return f"/r/{self.token}{end}" + (f"?{urlencode(query)}" if query else "")

    @property
    def languages(self) -> list[tuple[str, str, bool]]:
        """(address, name, whether it is this one) of each language."""
        return [
            (self.address(lang=code), name, code == self.language.code) for code, name in LANGUAGES.items()
        ]

    def language_codes(self) -> list[str]:
        return list(LANGUAGES)

    @property
    def answered(self) -> int:
        return sum(thing.answered for thing in self.own.things if thing.asked)

    @property
    def asked_for(self) -> int:
        return sum(thing.asked for thing in self.own.things)

    def thing(self, requirement: str) -> ThingView:
        return self._view(self.own.thing(requirement))

    def _view(self, thing: Thing) -> ThingView:
        return ThingView(thing, self.language, tuple(self.own.photos_of(thing.requirement.id)))

    @property
    def zones(self) -> list[tuple[str, str, list[ThingView]]]:
        """(id, title, things) of each zone with something that is asked."""
        asked = [self._view(thing) for thing in self.own.things if thing.asked]
        return [
            (zone.value, self.language.say(ZONES[zone]), rows)
            for zone in Zone
            if (rows := [view for view in asked if view.thing.requirement.zone is zone])
        ]

    @property
    def useful(self) -> list[ThingView]:
        """What is listed as useful, not asked."""
        return [self._view(thing) for thing in self.own.things if not thing.asked]

    @property
    def nights(self) -> list[NightRow]:
        known = self.own.snapshot.picture.nights.get(self.own.member, {})
        rows = []
        for on in nights_before(self.own.plan.starts_on):
            record = known.get(on)
            rows.append(
                NightRow(
                    on,
                    f"night-{on.isoformat()}",
                    record.body.elevation_m if record else None,
                    record is not None,
                    night_is_free(record, self.own.member),
                )
            )
        return rows
