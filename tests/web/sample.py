"""A board made by hand, so that pages can be tested and looked at without a database.

Invented people and places. The findings are those planted in the demo scenario, as they stand before any fix.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

import numpy as np

from api.conditions.stages import Scenario, StageConditions
from api.journal.kinds import GearState, Known
from api.journal.trip import Effort, HoldKind, HoldPoint, Night, Place, Role, Stage, Terrain, TripPlan, Via
from api.kitlist.schemas import Basis, Grade, Scope, Zone
from api.readiness.schemas import (
    Board,
    Evidence,
    Finding,
    ForecastLine,
    GapKind,
    HoldGrade,
    HoldLine,
    ItemRow,
    PersonLine,
    Reason,
    RopeLine,
    Standing,
    Tally,
    Trigger,
    Verdict,
    WeatherHour,
)

ZONE = ZoneInfo("Asia/Bishkek")
TRIP = "kessandry-2026"
PRACTICE = Basis(kind="common-practice", source="common practice, no published source")
PERMIT = Basis(kind="law-or-permit", source="Veskarin Highland Reserve, permit VHR-26-0417")

HOLD_NAMES = {
    HoldKind.BASE: "Harrow Station",
    HoldKind.GLACIER_EDGE: "the glacier edge",
    HoldKind.HIGH_CAMP: "Shelf Camp",
    HoldKind.SUMMIT_START: "the summit start",
}


def at(day: int, hour: int, minute: int = 0) -> datetime:
    """A moment in September 2026 at the place of the trip."""
    return datetime(2026, 9, day, hour, minute, tzinfo=ZONE)


NOW = at(12, 9, 20)
_HOLDS = (
    ("base", HoldKind.BASE, at(12, 11, 30), 2640),
    ("edge", HoldKind.GLACIER_EDGE, at(13, 7), 3310),
    ("shelf", HoldKind.HIGH_CAMP, at(13, 10, 30), 3780),
    ("top", HoldKind.SUMMIT_START, at(14, 1, 30), 3780),
)


def plan() -> TripPlan:
    """The invented itinerary: four days, two camps, one top."""
    moraine = Night(place="Moraine Camp", elevation_m=3240, running_water=True)
    shelf = Night(place="Shelf Camp", elevation_m=3780, on_snow=True)
    ice = frozenset({Terrain.GLACIER, Terrain.CREVASSED})
    return TripPlan(
        name="Kessandry, September",
        place=Place(
            name="Veskarin massif", latitude_deg=41.86, longitude_deg=77.92, time_zone="Asia/Bishkek",
            base_name="Harrow Station", base_elevation_m=2640, high_point_name="Kessandry", high_point_m=4586,
        ),
        starts_on=date(2026, 9, 12),
        ends_on=date(2026, 9, 15),
        stages=(
            Stage(id="walk-in", name="Walk in", starts_at=at(12, 11, 30), ends_at=at(12, 16),
                  from_name="Harrow Station", from_m=2640, to_name="Moraine Camp", to_m=3240, night=moraine),
            Stage(id="to-shelf", name="Glacier skills and up to Shelf", starts_at=at(13, 7), ends_at=at(13, 14),
                  from_name="Moraine Camp", from_m=3240, to_name="Shelf Camp", to_m=3780, terrain=ice,
                  night=shelf),
            Stage(id="summit", name="Summit day", starts_at=at(14, 1, 30), ends_at=at(14, 15),
                  from_name="Shelf Camp", from_m=3780, to_name="Moraine Camp", to_m=3240,
                  via=(Via(name="Kessandry", elevation_m=4586, at=at(14, 8)),
                       Via(name="Shelf Camp", elevation_m=3780, at=at(14, 12))),
                  effort=Effort.VERY_HARD, terrain=ice | {Terrain.STEEP_SNOW}, night=moraine),
            Stage(id="walk-out", name="Walk out", starts_at=at(15, 8), ends_at=at(15, 12),
                  from_name="Moraine Camp", from_m=3240, to_name="Harrow Station", to_m=2640),
        ),
        hold_points=tuple(
            HoldPoint(id=id_, kind=kind, name=HOLD_NAMES[kind], at=when, elevation_m=elevation)
            for id_, kind, when, elevation in _HOLDS
        ),
    )  # fmt: skip


_LEVELS: dict[str, tuple[tuple[datetime, float], ...]] = {
    "F1": ((at(12, 2), 4450), (at(13, 2), 4250), (at(14, 2), 4000), (at(14, 6), 3900), (at(15, 12), 3950)),
    "F3": ((at(12, 2), 4450), (at(13, 2), 3900), (at(14, 2), 2950), (at(14, 6), 2800), (at(14, 12), 2650),
           (at(15, 12), 2750)),
}  # fmt: skip


def conditions(
    issue: str = "F1", *, spread: bool = False, unknown_after: datetime | None = None
) -> StageConditions:
    """Freezing level by the hour for one of the invented forecasts; with `spread`, 250 m either way as well."""
    moments = [at(12, 2) + timedelta(hours=hour) for hour in range(83)]
    known = _LEVELS[issue]
    base = np.interp(
        [m.timestamp() for m in moments], [m.timestamp() for m, _ in known], [v for _, v in known]
    )
    base = base + 60 * np.sin(np.arange(83) / 24 * 2 * np.pi)
    if unknown_after is not None:
        base[[moment > unknown_after for moment in moments]] = np.nan
    levels = np.stack([base, base - 250, base + 250]) if spread else base[None, :]
    names = ("forecast", "low", "high") if spread else ("forecast",)
    return StageConditions(
        scenarios=tuple(Scenario(id=name, label=name) for name in names),
        base=0,
        stages=("walk-in", "to-shelf", "summit", "walk-out"),
        low={}, high={}, complete={},
        steps_epoch_s=np.array([int(m.timestamp()) for m in moments], dtype=np.int64),
        step_stage=np.zeros(83, dtype=np.int64),
        step_moving=np.zeros(83, dtype=np.bool_),
        step_elevation_m=np.zeros(83),
        hourly={"freezing_level_m": levels},
        methods={},
        version="sample",
    )  # fmt: skip


def _seen(
    number: int, by: str, role: str, when: datetime, state: GearState = GearState.UNFIT,
    known: Known = Known.SEEN, answers: dict[str, str] | None = None, remark: str = "",
) -> Evidence:  # fmt: skip
    return Evidence(
        entry=UUID(int=number), known=known, state=state, by=by, role=role, happened_at=when,
        answers=answers or {}, remark=remark,
    )  # fmt: skip


def _number(metric: str, title: str, unit: str, value: float, comparison: str, threshold: float, stage: str,
            when: datetime, line: str | None = None) -> Trigger:  # fmt: skip
    return Trigger(metric=metric, title=title, unit=unit, value=value, comparison=comparison,
                   threshold=threshold, line=line, stage=stage, at=when)  # fmt: skip


def _ground(title: str, stage: str, when: datetime) -> Trigger:
    return Trigger(metric="terrain", title=title, unit="1", value=None, comparison="terrain", threshold=None,
                   stage=stage, at=when)  # fmt: skip


_DAYLIGHT = _number("daylight_on_snow_h", "daylight travel on snow or ice", "h", 7, "at-least", 0.5, "summit",
                    at(13, 7))  # fmt: skip
_ICE = _ground("on glacier", "to-shelf", at(13, 7))
_DARK = _number("dark_h", "travel in the dark", "h", 4.4833, "at-least", 0.25, "summit", at(14, 1, 30))
_MITTS = _number(
    "freezing_level_m", "freezing level", "m", 3900, "below", 3600, "summit", at(14, 6), "mitt line"
)
_NIGHT = _number(
    "sleep_min_c", "planning minimum for sleeping", "°C", -1.6, "below", -1, "to-shelf", at(13, 22)
)


def _finding(
    subject: str, name: str, item: str, zone: Zone, kind: GapKind, grade: Grade, hold: HoldKind, title: str,
    says: str, why: str, clears: str, *, why_now: tuple[Trigger, ...] = (), evidence: tuple[Evidence, ...] = (),
    basis: Basis = PRACTICE, life: bool = False, scope: Scope = Scope.PERSON, also: tuple[HoldGrade, ...] = (),
    reasons: tuple[Reason, ...] = (), first: tuple[str, str, datetime] = ("to-shelf", "Up to Shelf", at(13, 7)),
) -> Finding:  # fmt: skip
    requirement = item.replace(" ", "-")
    return Finding(
        id=f"{subject}.{requirement}", subject=subject, subject_name=name, scope=scope, requirement=requirement,
        item=item, zone=zone, kind=kind, grade=grade, hold=hold, hold_name=HOLD_NAMES[hold], also=also,
        title=title, reasons=(Reason(kind=kind, says=says), *reasons), why=why, why_now=why_now,
        first_stage=first[0], first_stage_name=first[1], first_at=first[2], clears=clears, basis=basis,
        life_safety=life, evidence=evidence, scenarios=("forecast",),
    )  # fmt: skip


RUK, TOM, ARO = "Rukmini Deshpande", "Tomasz Wierzba", "Aroha Tūmanako"
YUS, LEI, SAM = "Yusuf Demirkaya", "Leilani Akana", "Samuel Adjei"
CHI, HYE, TAS, INE, MAR = (
    "Chiara Bonfanti",
    "Moon Hye-jin",
    "Tashi Wangdrak",
    "Inés Quiroga Bell",
    "Maren Okafor-Lindqvist",
)


def findings() -> tuple[Finding, ...]:
    """Every open finding before any fix, known gaps first, worst first."""
    edge, base, shelf, top = HoldKind.GLACIER_EDGE, HoldKind.BASE, HoldKind.HIGH_CAMP, HoldKind.SUMMIT_START
    stop, fix, advise = Grade.STOP, Grade.FIX, Grade.ADVISE
    return (
        _finding("rukmini", RUK, "eye protection", Zone.HEAD, GapKind.UNFIT, stop, edge,
                 f"{RUK}: no eye protection fit for snow", "Category 2 lenses, open at the sides.",
                 "Light on snow burns the cornea within hours, and thin cloud does not help.",
                 "Glacier glasses of category 4, or 3 with side cover, tried on with the helmet.",
                 why_now=(_DAYLIGHT,), life=True,
                 reasons=(Reason(kind=GapKind.UNFIT, says="The sides are open.", question="Side cover?",
                                 answer="no", asked="yes"),),
                 evidence=(_seen(1, INE, "assistant guide", at(12, 7, 48),
                                 answers={"Lens category": "2", "Side cover": "no"}, remark="Town sunglasses."),)),
        _finding("tomasz", TOM, "crampons", Zone.FEET, GapKind.UNFIT, stop, edge,
                 f"{TOM}: crampon left the boot in the shake test",
                 "The boot has no heel ledge, and the binding needs one.",
                 "A crampon that comes off on ice takes its wearer with it.",
                 "A strap-on pair, put on this boot and shaken.", why_now=(_ICE,), life=True,
                 evidence=(_seen(2, TAS, "assistant guide", at(12, 7, 55), known=Known.TRIED),)),
        _finding("samuel", SAM, "harness", Zone.TECHNICAL, GapKind.UNFIT, stop, edge,
                 f"{SAM}: harness older than may be used", "Label unreadable, made about 2012; limit 10 years.",
                 "Webbing loses strength with age even when it is hardly used.",
                 "A rented harness, put on over all layers.", why_now=(_ICE,), life=True,
                 evidence=(_seen(3, INE, "assistant guide", at(12, 8, 10), remark="Says rarely used."),)),
        _finding("chiara", CHI, "hooded parka", Zone.TORSO, GapKind.UNFIT, stop, shelf,
                 f"{CHI}: no hood on the warm jacket", "Warm jacket without a hood.",
                 "Head and neck lose the most warmth at rest in wind.", "A hooded parka that goes over the rest.",
                 evidence=(_seen(4, TAS, "assistant guide", at(12, 8, 20)),)),
        _finding("tashi", TAS, "first-aid certificate", Zone.PAPERS, GapKind.UNFIT, stop, base,
                 f"{TAS}: first-aid certificate ends before the trip does",
                 "Certificate on file ends 13 September; the trip ends on the 15th.",
                 "The permit asks for a valid certificate through the last day.",
                 "The renewed certificate, added by the office.", basis=PERMIT,
                 first=("walk-in", "Walk in", at(12, 11, 30)),
                 evidence=(_seen(5, "Petra Vasilenko", "office", at(11, 16), known=Known.PICTURED),)),
        _finding("party", "The party", "satellite device", Zone.PARTY, GapKind.UNFIT, stop, base,
                 "The party: no two-way reply from the satellite device",
                 "Test message sent 11 Sep 17:40, no answer.", "No help can be called where there is no network.",
                 "An answer to a test message, seen on the device.", basis=PERMIT, scope=Scope.PARTY, life=True,
                 first=("walk-in", "Walk in", at(12, 11, 30)),
                 evidence=(_seen(6, MAR, "lead guide", at(11, 17, 40), known=Known.TRIED),)),
        _finding("leilani", LEI, "headlamp with spare power", Zone.LIGHT, GapKind.UNFIT, fix, shelf,
                 f"{LEI}: no spare power for the headlamp",
                 "Charge 55 %, no spare cells, cable for another plug.",
                 "A lamp that dies on a glacier before dawn stops the rope.",
                 "Spare cells that fit, or a charged lamp and a fitting cable, tried.", why_now=(_DARK,),
                 also=(HoldGrade(grade=stop, hold=top, hold_name="the summit start"),),
                 first=("summit", "Summit day", at(14, 1, 30)),
                 evidence=(_seen(7, TAS, "assistant guide", at(12, 8, 25), answers={"Charge": "55 %"}),)),
        _finding("samuel", SAM, "shell trousers", Zone.LEGS, GapKind.UNFIT, fix, base,
                 f"{SAM}: shell trousers do not go on over boots and crampons",
                 "Zips at the ankle only; 4 minutes, crampons had to come off.",
                 "Rain or wind comes when the crampons are on.",
                 "Trousers that open fully at the sides, put on over crampons.", first=("walk-in", "Walk in", at(12, 11, 30)),
                 evidence=(_seen(8, INE, "assistant guide", at(12, 8, 12), known=Known.TRIED),)),
        _finding("chiara", CHI, "sleeping bag", Zone.SLEEP, GapKind.UNFIT, fix, shelf,
                 f"{CHI}: sleeping bag not warm enough for Shelf Camp", "Limit −1 °C, planning minimum −1.6 °C.",
                 "A night without sleep is a climber who should not start.",
                 "A bag with a limit of −12 °C or lower, or sleeping below.", why_now=(_NIGHT,),
                 evidence=(_seen(9, TAS, "assistant guide", at(12, 8, 21), answers={"Limit": "−1 °C"}),)),
        _finding("yusuf", YUS, "backup mitts", Zone.HANDS, GapKind.ABSENT, advise, shelf,
                 f"{YUS}: no dry mitts in reserve", "None in the pack.",
                 "Wet gloves at dawn cost fingers.", "A dry pair of mitts that goes over the liner.",
                 why_now=(_MITTS,), first=("summit", "Summit day", at(14, 6)),
                 evidence=(_seen(10, TAS, "assistant guide", at(12, 8, 2), state=GearState.ABSENT),)),
        _finding("party", "The party", "fuel", Zone.KITCHEN, GapKind.SHORT, advise, HoldKind.GLACIER_EDGE,
                 "The party: fuel 0.22 kg short of plan with a reserve day", "4.40 kg packed, 4.62 kg by the rule.",
                 "Without fuel there is no water on the glacier.", "0.22 kg more, weighed.", scope=Scope.PARTY,
                 evidence=(_seen(11, INE, "assistant guide", at(12, 8, 30)),)),
        _finding("aroha", ARO, "helmet", Zone.TECHNICAL, GapKind.DISAGREE, stop, edge,
                 f"{ARO}: two records of the helmet disagree", "Tashi: fits. Inés: unfit, crack near the clip.",
                 "A cracked helmet does not hold.", "A third look, by someone else.", why_now=(_ICE,), life=True,
                 evidence=(_seen(12, TAS, "assistant guide", at(12, 7, 52), state=GearState.FITS, known=Known.TRIED),
                           _seen(13, INE, "assistant guide", at(12, 8, 1), remark="Crack near the clip."))),
        _finding("hye-jin", HYE, "nights before the trip", Zone.PAPERS, GapKind.UNKNOWN, stop, base,
                 f"{HYE}: last nights not told", "No night before the trip is on record.",
                 "How high someone slept says how fast they may go higher.", "The last four nights, told or asked.",
                 first=("walk-in", "Walk in", at(12, 11, 30))),
        _finding("aroha", ARO, "gaiters", Zone.LEGS, GapKind.UNSEEN, fix, edge,
                 f"{ARO}: gaiters only said to be there", "Self-report only; nobody has seen them.",
                 "Snow in the boot is a cold foot.", "Someone sees them on the boot.", why_now=(_ICE,),
                 evidence=(_seen(14, ARO, "climber", at(2, 18), state=GearState.FITS, known=Known.SAID),)),
    )  # fmt: skip


def _tally(of: list[Finding]) -> Tally:
    known = [finding for finding in of if finding.known_gap]
    count = {grade: sum(finding.grade is grade for finding in known) for grade in Grade}
    return Tally(
        stop=count[Grade.STOP], fix=count[Grade.FIX], advise=count[Grade.ADVISE], unknown=len(of) - len(known)
    )


def _verdict(subject: str, of: list[Finding], words: str = "") -> Verdict:
    tally = _tally(of)
    order = (
        (tally.stop, Standing.STOP), (tally.fix, Standing.FIX), (tally.unknown, Standing.UNKNOWN),
        (tally.advise, Standing.ADVISE),
    )  # fmt: skip
    standing = next((standing for how_many, standing in order if how_many), Standing.CLEAR)
    return Verdict(subject=subject, standing=standing, words=words or standing.value, tally=tally)


_ROPES = (
    ("r1", "Rope 1", (("maren", MAR, Role.LEAD), ("rukmini", RUK, Role.CLIMBER), ("tomasz", TOM, Role.CLIMBER),
                      ("aroha", ARO, Role.CLIMBER))),
    ("r2", "Rope 2", (("tashi", TAS, Role.ASSISTANT), ("yusuf", YUS, Role.CLIMBER), ("leilani", LEI, Role.CLIMBER),
                      ("samuel", SAM, Role.CLIMBER))),
    ("r3", "Rope 3", (("ines", INE, Role.ASSISTANT), ("chiara", CHI, Role.CLIMBER), ("hye-jin", HYE, Role.CLIMBER))),
)  # fmt: skip


def _hours() -> tuple[WeatherHour, ...]:
    rows = ((10, 2640, False, 4395, 11.2, 2.0), (11, 2640, False, 4390, 11.6, 2.2), (12, 2710, True, 4380, 11.0, 3.0),
            (13, 2850, True, 4375, 10.1, 3.6), (14, 2990, True, 4370, 9.2, 4.2), (15, 3110, True, 4360, 8.0, 4.4),
            (16, 3240, True, 4350, 6.9, 4.4), (17, 3240, False, 4340, 6.2, 4.0))  # fmt: skip
    return tuple(
        WeatherHour(at=at(12, hour), stage="walk-in", elevation_m=elevation, moving=moving, freezing_level_m=level,
                    air_temperature_c=air, wind_mps=wind, wind_chill_c=None, precipitation_mm=0.0)
        for hour, elevation, moving, level, air, wind in rows
    )  # fmt: skip


def board(*, demo: bool = False, clear: bool = False) -> Board:
    """The board before any fix; with `clear`, with nothing open at all."""
    open_ = [] if clear else list(findings())
    by = {subject: [f for f in open_ if f.subject == subject] for subject in {f.subject for f in open_}}
    ropes = tuple(
        RopeLine(
            rope=rope, name=name,
            people=tuple(PersonLine(member=member, name=person, role=role, verdict=_verdict(member, by.get(member, [])))
                         for member, person, role in people),
            verdict=_verdict(rope, [f for member, _, _ in people for f in by.get(member, [])]),
        )
        for rope, name, people in _ROPES
    )  # fmt: skip
    return Board(
        trip=TRIP, name="Kessandry, September", demo=demo, seq=214, edition="glaciated-multi-day",
        edition_title="Glaciated peak, several days, edition 3",
        forecast=ForecastLine(forecast="f" * 64, provider="Veskarin mountain desk", label="F1",
                              issued_at=at(12, 0), age_h=9.33),
        conditions_version="sample", as_of=NOW, time_zone="Asia/Bishkek",
        holds=tuple(HoldLine(id=id_, kind=kind, name=HOLD_NAMES[kind], at=when, elevation_m=elevation, next=id_ == "base")
                    for id_, kind, when, elevation in _HOLDS),
        verdict=_verdict("party", open_, "Stop: the glacier edge"),
        ropes=ropes,
        unroped=(),
        findings=tuple(open_),
        next_hours=_hours(),
        disagreements=() if clear else ("Rope 3 was set twice by people who had not seen each other's record.",),
    )  # fmt: skip


def sheet(subject: str = "samuel") -> tuple[Board, list[ItemRow]]:
    """The board and everything asked of one subject, zone by zone."""
    whole = board()
    own = {f.requirement: f for f in whole.findings if f.subject == subject}
    listed = (
        ("double-boots", "double boots", Zone.FEET, Known.TRIED), ("crampons", "crampons", Zone.FEET, Known.TRIED),
        ("socks", "socks", Zone.FEET, Known.SEEN), ("gaiters", "gaiters", Zone.LEGS, Known.SEEN),
        ("base-layer", "base layer", Zone.LEGS, Known.SEEN), ("shell-trousers", "shell trousers", Zone.LEGS, Known.TRIED),
        ("hooded-parka", "hooded parka", Zone.TORSO, Known.TRIED), ("liner-gloves", "liner gloves", Zone.HANDS, Known.SEEN),
        ("backup-mitts", "backup mitts", Zone.HANDS, None), ("eye-protection", "eye protection", Zone.HEAD, Known.TRIED),
        ("harness", "harness", Zone.TECHNICAL, Known.SEEN), ("helmet", "helmet", Zone.TECHNICAL, Known.TRIED),
        ("sleeping-bag", "sleeping bag", Zone.SLEEP, Known.SEEN), ("camera", "camera", Zone.CARE, None),
        ("headlamp-with-spare-power", "headlamp with spare power", Zone.LIGHT, Known.TRIED),
    )  # fmt: skip
    rows = []
    for index, (requirement, item, zone, known) in enumerate(listed):
        finding = own.get(requirement)
        seen = (
            (_seen(100 + index, INE, "assistant guide", at(12, 8), state=GearState.FITS, known=known),)
            if known
            else ()
        )
        rows.append(
            ItemRow(
                requirement=requirement, item=item, zone=zone, asked=requirement != "backup-mitts",
                optional=requirement == "camera", how_many="2–3 pairs" if requirement == "socks" else "1",
                met=finding is None and bool(known), evidence=finding.evidence if finding else seen,
                finding=finding.id if finding else None,
            )
        )  # fmt: skip
    return whole, rows
