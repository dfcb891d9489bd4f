"""What the nights page shows, put together from nights and, where they may be read, notes. No database."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from api.journal.fold import Picture
from api.journal.health import Mark
from api.journal.trip import TripPlan
from api.nights.rules import Assessment, assess, ladder, planned_nights
from api.nights.schemas import (
    DANGER_WORDS,
    DangerSigns,
    NoteShown,
    PersonNights,
    Reading,
)
from api.nights.symptoms import THRESHOLD, Trend, standing, trend
from api.nights.views import extra_in_words, history_of, person_nights, risk_in_words
from api.science.altitude import (
    SPO2_SPREAD_POINTS,
    expected_spo2_mountaineers,
    expected_spo2_unacclimatised,
)
from api.science.ascent import History
from web import words
from web.charts.nights import NightsPicture, picture, span_of

TREND_WORDS = {
    Trend.FALLING: "lower than the score before",
    Trend.LEVEL: "the same as the score before",
    Trend.RISING: "higher than the score before",
    Trend.UNKNOWN: "one score makes no trend",
}
FUNCTION_WORDS = (
    "kept from nothing",
    "present, but nothing changed",
    "had to stop going up or go down by themselves",
    "had to be brought down",
)


@dataclass(frozen=True, slots=True)
class Sleeper:
    """One person on the page."""

    member: str
    name: str
    shown: PersonNights
    drawn: NightsPicture
    notes: tuple[NoteShown, ...] = ()
    scores: tuple[str, ...] = ()
    trend: str = ""
    risk: str = ""
    held: str = ""


@dataclass(frozen=True, slots=True)
class Sleepers:
    """The people of one rope."""

    name: str
    people: tuple[Sleeper, ...]


class NightsView:
    """Everyone's nights; with `notes`, also what was noted about them."""

    signs = tuple((sign.value, text) for sign, text in DANGER_WORDS.items())
    histories = (
        ("", "not known what it was"),
        (History.NONE.value, "no trouble"),
        (History.MILD_AMS.value, "mild mountain sickness"),
        (History.MODERATE_SEVERE_AMS.value, "moderate to severe mountain sickness"),
        (History.HAPE_OR_HACE.value, "lungs or brain affected (HAPE or HACE)"),
    )

    def __init__(
        self,
        plan: TripPlan,
        known: Picture,
        say: words.Say,
        notes: Sequence[NoteShown] | None = None,
        today: date | None = None,
    ) -> None:
        self.plan = plan
        self.known = known
        self.say = say
        self.notes = notes
        self.found = {member: assess(ladder(plan, known, member)) for member in known.members}
        self.span = span_of(self.found.values())
        self.extra = tuple(extra_in_words(plan, known, self.found))
        self.slept = tuple(
            (
                night.on.isoformat(),
                f"{words.day(night.on)}: {night.place}, {say.elevation(night.elevation_m)}",
            )
            for night in planned_nights(plan)
            if night.elevation_m is not None and (today is None or night.on <= today)
        )
        self.height_unit = "ft" if say.units is words.Units.US else "m"

    @property
    def ropes(self) -> tuple[Sleepers, ...]:
        """By rope, in rope order; then those on none."""
        roped = {member for rope in self.known.rope_teams for member in rope.members}
        loose = [m for m in sorted(self.known.members) if m not in roped]
        groups = [(rope.name, rope.members) for rope in self.known.rope_teams if rope.members]
        if loose:
            groups.append(("Not on a rope", tuple(loose)))
        return tuple(Sleepers(name, tuple(map(self.person, members))) for name, members in groups)

    def person(self, member: str) -> Sleeper:
        """One person."""
        found = self.found[member]
        name = self.known.profiles[member].name
        first = sum(night.on < self.plan.starts_on for night in found.nights)
        drawn = picture(found, self.span, first, self.say)
        shown = person_nights(self.known, member, found)
        if self.notes is None:
            return Sleeper(member, name, shown, drawn)
        own = tuple(note for note in self.notes if note.member == member)
        standing_scores = [n for n in own if n.score is not None and n.corrected_by is None]
        risk = assess(found.nights, history_of(own)).risk
        return Sleeper(
            member,
            name,
            shown,
            drawn,
            notes=own,
            scores=tuple(f"{self.say.when(n.happened_at)}: {_total(n)}" for n in standing_scores),
            trend=TREND_WORDS[trend([n.score.total if n.score else None for n in standing_scores])],
            risk=risk_in_words(risk),
            held=self._held(member, found, own),
        )

    # -- words

    def _held(self, member: str, found: Assessment, own: Sequence[NoteShown]) -> str:
        """What holds a person back, for those who may read it."""
        stands = standing(self.known, member)
        if stands.mark is None:
            return ""
        resting = {record.entry for record in stands.records}
        note = next((n for n in reversed(own) if n.id in resting), None)
        who = f"The lead guide decides{self._lead()}."
        if note is None or note.content is None:
            return f"Held back; the note it rests on cannot be read. Ask. {who}"
        if isinstance(note.content, DangerSigns):
            return f"Danger signs: {self.signs_words(note.content)}. Down, and help, at once."
        if note.score is None:
            return f"Goes no higher by the lead guide's decision, {self.say.when(note.happened_at)}. {who}"
        early = (
            " Scored less than six hours after gaining height: score again." if note.score.too_early else ""
        )
        if stands.mark is Mark.OPEN:
            return f"{self.score_words(note)}{early} Look into it before going on. {who}"
        gain = max((g.gain_m or 0.0 for g in found.gains if found.nights[g.night].told), default=0.0)
        after = f" after {self.say.elevation(gain)} more sleeping height in one night" if gain > 0 else ""
        return (
            f"Score {_total(note)} with headache{after}. The published threshold is {THRESHOLD}. Do not go "
            f"higher while this is not improving.{early} {self._readings(own)}{who}"
        )

    def _readings(self, own: Sequence[NoteShown]) -> str:
        readings = [n.content for n in own if isinstance(n.content, Reading) and n.corrected_by is None]
        if not readings:
            return ""
        warmed = {True: " hand warmed", False: " hand not warmed", None: ""}
        told = [f"{r.spo2_percent:g} %{warmed[r.hand_warmed]}" for r in readings[-3:]]
        return f"Readings {', '.join(told)}: kept, none decides. "

    def _lead(self) -> str:
        lead = next((p.name for p in self.known.profiles.values() if p.role.value == "lead"), "")
        return f": {lead}" if lead else ""

    def score_words(self, note: NoteShown) -> str:
        """A score in a sentence: its total, its band, and what the rule says of it."""
        score = note.score
        if score is None:
            return ""
        text = f"Score {_total(note)}"
        if score.severity:
            text += f" with headache, {score.severity} by the published bands"
        elif score.without_headache:
            text += " without headache: not mountain sickness by the rule, so something else to look into"
        elif score.rule_met is None:
            text += ": an item that is not known could decide"
        elif score.total is not None:
            text += ", below the published threshold"
        if score.too_early:
            text += "; less than six hours after gaining height"
        return f"{text}."

    def function_words(self, points: int) -> str:
        return FUNCTION_WORDS[points]

    def conditions_words(self, reading: Reading) -> str:
        """How a reading was taken."""
        warmed = {True: "hand warmed", False: "hand not warmed", None: "hand warmed or not is not known"}
        parts = [warmed[reading.hand_warmed]]
        if reading.minutes_at_rest is not None:
            parts.append(f"{reading.minutes_at_rest:g} min at rest")
        else:
            parts.append("rest not known")
        parts += [reading.device] if reading.device else []
        if reading.elevation_m is not None:
            parts.append(f"at {self.say.elevation(reading.elevation_m)}")
        return words.sentence(", ".join(parts))

    def expected_words(self, reading: Reading, say: words.Say) -> str:
        """What others measured at that height; never a verdict."""
        if reading.elevation_m is None:
            return "Where it was taken is not known, so there is nothing to show beside it."
        men, women = (float(expected_spo2_mountaineers(reading.elevation_m, w)) for w in (False, True))
        fresh = float(expected_spo2_unacclimatised(reading.elevation_m))
        means = []
        if np.isfinite(men):
            means.append(f"mountaineers {men:.1f} to {women:.1f} % (Med Clin 2016;147:435)")
        if np.isfinite(fresh):
            means.append(f"not acclimatised {fresh:.1f} % (Med Clin 2005;124:172)")
        if not means:
            return f"No published means for {say.elevation(reading.elevation_m)}."
        return (
            f"Published means at {say.elevation(reading.elevation_m)}: {', '.join(means)}; healthy people "
            f"lie some {SPO2_SPREAD_POINTS:.0f} points to either side. It decides nothing."
        )

    def signs_words(self, content: DangerSigns) -> str:
        return "; ".join(DANGER_WORDS[sign].lower() for sign in content.signs)


def _total(note: NoteShown) -> str:
    score = note.score
    if score is None:
        return ""
    return str(score.total) if score.total is not None else f"at least {score.at_least}"
