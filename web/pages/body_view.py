"""What the stages ask of the body, in words. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from api.body.warmth import DELAY_MIN
from api.conditions.evaluate import NO_FORECAST
from api.readiness.body_report import NO_NIGHT
from api.readiness.body_schemas import Amount, BodyReport, FuelBody, PersonBody, PersonStage, StageBody
from web import words
from web.words import Say

Write = Callable[[float], str]
Fact = tuple[str, str]
"""A heading and what is to be said under it."""
NBSP = "\N{NO-BREAK SPACE}"


@dataclass(frozen=True, slots=True)
class PersonRow:
    """One person on one stage, a cell each."""

    stage: str
    cells: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class PersonView:
    """One person: in short, and stage by stage."""

    member: str
    name: str
    facts: tuple[Fact, ...]
    brief: str
    """The least of everything in one line."""
    rows: tuple[PersonRow, ...]
    garments: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StageView:
    """One stage, for everyone."""

    stage: str
    name: str
    facts: tuple[Fact, ...]


@dataclass(frozen=True)
class BodyView:
    """A report, ready to be read."""

    report: BodyReport
    say: Say

    @property
    def under(self) -> str:
        """Of which course of the weather the numbers are."""
        label = self.report.scenario
        return "without a forecast" if label == NO_FORECAST.label else f"of the forecast ({label})"

    @property
    def stages(self) -> tuple[StageView, ...]:
        return tuple(StageView(s.stage, s.name, _sentences(self._stage(s))) for s in self.report.stages)

    @property
    def people(self) -> tuple[PersonView, ...]:
        return tuple(self._person(person) for person in self.report.people)

    def person(self, member: str) -> PersonView | None:
        """One person; None when nobody of this id is on the trip."""
        found = next((p for p in self.report.people if p.member == member), None)
        return None if found is None else self._person(found)

    @property
    def fuel(self) -> tuple[str, ...]:
        """Fuel for the party, and for each rope should it camp apart."""
        report = self.report
        lines = [
            f"{one.who}: {self._told(one.needed_g, _grams)}" + ("" if at == 0 else self._apart(one))
            for at, one in enumerate([report.fuel[0], *sorted(report.fuel[1:], key=lambda one: one.who)])
        ]
        if len(report.fuel) > 1:
            ropes = words.count(len(report.fuel) - 1, "rope")
            have = "not counted yet" if report.stoves is None else f"{words.number(report.stoves)} seen"
            lines.append(f"Stoves: {have}; {ropes} that camp apart would need one each")
        packed = report.fuel_packed_g
        if packed is None:
            lines.append("Packed: not known, nobody has counted it")
        else:
            need = report.fuel[0].needed_g
            spare = None if need.base is None else packed - need.base
            left = (
                ""
                if spare is None
                else f", {_grams(abs(spare))} {'more' if spare >= 0 else 'less'} than that"
            )
            lines.append(f"Packed: {_grams(packed)}{left}")
        lines.append(f"Where water boils rests on air pressure: {report.pressure_by}")
        lines.append(self._chemical())
        return tuple(map(words.sentence, lines))

    @staticmethod
    def _apart(one: FuelBody) -> str:
        packed = "" if one.packed_g is None else f", {_grams(one.packed_g)} packed"
        return f"{packed}, should it camp apart"

    def _chemical(self) -> str:
        """Minutes to treat stream water, by dose."""
        water = f"stream water of {self.say.temperature(self.report.stream_c)}"
        doses = {dose: minutes for dose, minutes in self.report.treat_chemical_min.items() if minutes}
        if not doses:
            return f"For iodine or chlorine in {water} no time is published: boil, filter or warm it first"
        times = words.join([f"{minutes:g}{NBSP}min at {dose}{NBSP}ppm" for dose, minutes in doses.items()])
        return f"Iodine or chlorine in {water}: {times}; none of it kills Cryptosporidium"

    def reckoned(self, s: StageBody) -> str:
        """What the plan and the estimate have for a stage, beside the box for own hours."""
        plan = f"Planned {_hours(s.planned_h)}"
        return plan if s.estimated_h.base is None else f"{plan}; estimate {self._told(s.estimated_h, _hours)}"

    # -- stages

    def _stage(self, s: StageBody) -> Sequence[Fact]:
        say, told = self.say, self._told
        facts = [
            ("Air", self._air(s)),
            ("Water", self._water(s)),
            ("In the dark", f"{told(s.dark_h, _hours)} on the move"),
            ("Ground", self._ground(s)),
            ("Hours", self._hours(s)),
        ]
        if s.source:
            night, out = told(s.night_c, say.temperature), told(s.open_night_c, say.temperature)
            facts.append(("Night", f"plan by {night}, without the shelter by {out}"))
            camp = (
                f"{told(s.camp_l, _litres)} a person, {s.source}: {told(s.fuel_g, _grams)} of fuel a person"
            )
            if s.boiling_c is not None and s.boil_min is not None:
                boils = say.temperature(s.boiling_c)
                camp += f". Water boils at {boils} there; {s.boil_min:g}{NBSP}min at a rolling boil treat it"
            facts.append(("In camp", camp))
        return facts

    def _air(self, s: StageBody) -> str:
        if s.low_c.base is None and s.wind_mps.base is None:
            return "not known"
        skin = s.bare_skin_min
        freezes = f"bare skin freezes from {self._told(skin, _minutes)}"
        if skin.base is None:
            freezes = f"bare skin: {skin.says or words.NOT_KNOWN}"
        cold, wind = self._told(s.low_c, self.say.temperature), self._told(s.wind_mps, self.say.speed)
        return f"coldest {cold}, wind to {wind}; {freezes}"

    def _water(self, s: StageBody) -> str:
        onward = "the next water or camp" if s.sources else "the next camp"
        set_out = self._told(s.set_out_l, _litres)
        line = f"{_litres(s.water_l)} a person on the way; set out with {set_out} to {onward}"
        for one in s.sources:
            if one.kind == "snow":
                line += f"; {one.name}: snow to melt"
            elif one.runs:
                line += f"; {one.name}: a stream, {one.boil_min:g}{NBSP}min at a rolling boil treat it"
            else:
                line += f"; {one.name}: the stream may be frozen, so it is not counted on"
        return line

    def _ground(self, s: StageBody) -> str:
        if s.grade_pct is None:
            return "grade not known"
        grade = f"{words.number(s.grade_pct)}{NBSP}%"
        if s.distance_m is None:
            return f"grade {grade} is assumed, because the plan has no distance; hours and effort rest on it"
        return f"grade {grade}, from {self.say.distance(s.distance_m)} on the map"

    def _hours(self, s: StageBody) -> str:
        whose = "a guide's own" if s.own_hours else "by the slowest pack about"
        line = f"{whose} {self._told(s.hours, _hours)}"
        if s.arrival is not None:
            line += f", there {self.say.day_time(datetime.fromisoformat(s.arrival))}"
        if s.latest_turn is not None:
            turn = self.say.day_time(datetime.fromisoformat(s.latest_turn))
            line += f"; turn by {turn}, to be in camp as planned"
        return line

    # -- people

    def _person(self, person: PersonBody) -> PersonView:
        names = {stage.stage: stage.name for stage in self.report.stages}
        rows = tuple(PersonRow(names[s.stage], self._cells(s)) for s in person.stages)
        facts = _sentences([*self._warmth(person, names), *self._others(person, names)])
        return PersonView(person.member, person.name, facts, self._brief(person), rows, person.garments)

    def _brief(self, person: PersonBody) -> str:
        """The least of everything, in the forecast itself."""
        least: tuple[tuple[str, Callable[[PersonStage], Amount], Write], ...] = (
            ("stands still", lambda s: s.standing_min, _minutes),
            ("bag", lambda s: s.bag_margin_c, _kelvin),
            ("light", lambda s: s.light_margin_h, _spare_hours),
        )
        parts = []
        for heading, which, write in least:
            worst = _least(person.stages, which)
            text = words.NOT_KNOWN if worst is None else self._told(which(worst), write)
            parts.append(f"{heading} {text}")
        packs = [s.pack_kg.base for s in person.stages if s.pack_kg.base is not None]
        parts.append(f"pack to {_kilos(max(packs))}" if packs else f"pack {words.NOT_KNOWN}")
        return words.sentence("; ".join(parts))

    def _warmth(self, person: PersonBody, names: dict[str, str]) -> Sequence[Fact]:
        facts = self._standing(person, names)
        if person.not_known:
            facts.append(("Nobody has recorded", f"{'; '.join(person.not_known)}. Counted as not there"))
        if person.missing:
            facts.append(("Not there", "; ".join(person.missing)))
        return facts

    def _standing(self, person: PersonBody, names: dict[str, str]) -> list[Fact]:
        if person.clothing_clo is None:
            return [("Clothing", "nothing warm has been seen yet, so nothing can be said")]
        facts = [
            ("Clothing", f"{words.number(person.clothing_clo, 1)}{NBSP}clo to put on; a business suit is 1")
        ]
        worst = _least(person.stages, lambda s: s.standing_min)
        if worst is None:
            says = next((s.standing_min.says for s in person.stages if s.standing_min.says), "")
            return [*facts, ("Standing still", says or words.NOT_KNOWN)]
        where = names[worst.stage]
        still = f"{self._told(worst.standing_min, _minutes)} until the body has lost what it may, on {where}"
        delay = self._delay(person, names)
        facts += [
            ("On the move", f"{self._told(worst.clothing_margin_clo, _clo)} on {where}"),
            ("Standing still", f"{still}{delay}"),
            ("Helps most", f"{person.further}: then {self._told(worst.standing_further_min, _minutes)}"),
        ]
        return facts

    def _delay(self, person: PersonBody, names: dict[str, str]) -> str:
        """What an hour's delay in the dark would mean, where somebody could not stand it out."""
        dark = {stage.stage for stage in self.report.stages if stage.dark_h.base}
        worst = _least([s for s in person.stages if s.stage in dark], lambda s: s.standing_min)
        if worst is None or (worst.standing_min.base or 0.0) >= DELAY_MIN:
            return ""
        return f". A delay of an hour in the dark on {names[worst.stage]} is longer than that"

    def _others(self, person: PersonBody, names: dict[str, str]) -> Sequence[Fact]:
        hands = "; ".join(f"{hand.item}: {_there(hand.there)}" for hand in person.hands)
        facts = [
            ("Hands, apart", hands or "the list asks no hand layers"),
            (
                "Feet, apart",
                f"{person.boots}; no number for feet is worked out, and toes are cold before the body",
            ),
            ("Sleep", self._night(person, names)),
            ("Light", self._lamp(person, names)),
        ]
        packs = [(s.pack_kg.base, names[s.stage]) for s in person.stages if s.pack_kg.base is not None]
        if packs:
            heaviest, where = max(packs)
            weight = "" if person.own_weight else "; a body of 70 kg is taken for granted"
            facts.append(("Pack", f"up to {_kilos(heaviest)} ({where}){weight}"))
        return facts

    def _night(self, person: PersonBody, names: dict[str, str]) -> str:
        mat = f"; {person.mat_says}" if person.mat_says else ""
        worst = _least(person.stages, lambda s: s.bag_margin_c)
        bag = f"bag {person.bag}"
        if worst is None:
            return f"{bag}{mat}; no night can be judged"
        margin = f"{self._told(worst.bag_margin_c, _kelvin)} by the label"
        if worst.bag_limit_margin_c.base is not None and not person.bag.startswith("limit"):
            margin += f", {self._told(worst.bag_limit_margin_c, _kelvin)} by its limit"
        out = self._told(worst.bag_margin_open_c, _kelvin)
        return f"{bag}{mat}. Coldest night ({names[worst.stage]}): {margin}; without shelter {out}"

    def _lamp(self, person: PersonBody, names: dict[str, str]) -> str:
        worst = _least(person.stages, lambda s: s.light_margin_h)
        if worst is None:
            return "run time, charge or spare not known, so it cannot be judged"
        usable, left = self._told(person.lamp_h, _hours), self._told(worst.light_margin_h, _spare_hours)
        return (
            f"{usable} to walk by in the cold; {left} after the dark hours to the end of {names[worst.stage]}"
        )

    def _margin(self, s: PersonStage) -> str:
        return self._told(s.clothing_margin_clo, _clo)

    def _cells(self, s: PersonStage) -> tuple[tuple[str, str], ...]:
        return (
            ("On the move, at ease", self._margin(s)),
            ("On the move, at the most strain", self._told(s.clothing_margin_min_clo, _clo)),
            ("Standing still", self._told(s.standing_min, _minutes)),
            ("Still, with what helps most", self._told(s.standing_further_min, _minutes)),
            *([] if s.bag_margin_c.says == NO_NIGHT else [("Bag", self._told(s.bag_margin_c, _kelvin))]),
            ("Light", self._told(s.light_margin_h, _spare_hours)),
            ("Pack", self._told(s.pack_kg, _kilos)),
            ("Energy of the day", self._told(s.energy_kj, _energy)),
        )

    def _told(self, amount: Amount, write: Write) -> str:
        """The amount in the forecast, and in brackets the worst of all scenarios where that differs."""
        here = write(amount.base) if amount.base is not None else amount.says or words.NOT_KNOWN
        if amount.worst is None or amount.base == amount.worst:
            return here
        worst = write(amount.worst)
        return here if worst == here else f"{here} (at worst {worst})"


def _sentences(facts: Sequence[Fact]) -> tuple[Fact, ...]:
    return tuple((heading, words.sentence(text)) for heading, text in facts)


def _least(stages: Sequence[PersonStage], which: Callable[[PersonStage], Amount]) -> PersonStage | None:
    """The stage on which an amount is least; None when it is known on none."""
    known = [s for s in stages if which(s).base is not None]
    return min(known, key=lambda s: which(s).base or 0.0, default=None)


def _there(there: bool | None) -> str:
    return {True: "there", False: "not there or unfit", None: words.NOT_KNOWN}[there]


def _minutes(value: float) -> str:
    return f"{words.number(value)}{NBSP}min" if value < 100 else words.duration(timedelta(minutes=value))


def _hours(value: float) -> str:
    return "none" if value == 0 else words.duration(timedelta(hours=value))


def _spare_hours(value: float) -> str:
    return f"{words.duration(timedelta(hours=value))} {'left' if value >= 0 else 'too little'}"


def _clo(value: float) -> str:
    if abs(value) < 0.05:
        return "nothing to spare"
    return f"{words.number(abs(value), 1)}{NBSP}clo {'to spare' if value >= 0 else 'too little'}"


def _kelvin(value: float) -> str:
    if abs(value) < 0.5:
        return "nothing to spare"
    return f"{words.number(abs(value))}{NBSP}°C {'to spare' if value >= 0 else 'too cold'}"


def _grams(value: float) -> str:
    return f"{words.number(value, -1)}{NBSP}g"


def _kilos(value: float) -> str:
    return f"{words.number(value, 1)}{NBSP}kg"


def _litres(value: float) -> str:
    return f"{words.number(value, 1)}{NBSP}L"


def _energy(value: float) -> str:
    return f"{words.number(value, -2)}{NBSP}kJ"
