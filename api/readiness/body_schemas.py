"""What the stages ask of the body, as it is shown: numbers with how they are known, never a verdict."""

from typing import Literal

from api.readiness.schemas import CAUTION, Shown

ASSUMPTIONS = (
    "All of it is an estimate for an average body that starts rested, warm and dry. It never means safe.",
    "Only what was seen or tried counts as there; what is not known counts as not there.",
    "Warmth: ISO 11079 for the whole body, at the coldest and the windiest moment on the way taken together. "
    "Hands, feet and face freeze long before the body is cold. Garments count as in an ISO 7730/9920-style "
    "list, partly from memory; a hat counts nothing.",
    "Heat made on the move: the ISO 8996 class of the stage's effort, from memory, or less where the pace of "
    "the plan asks less.",
    "Sleep: the bag's label by ISO 23537-1, on a mat, fed and dry. A label with only an extreme figure "
    "cannot be judged, nor any label without a mat. By how many degrees a thin mat falls short is not "
    "judged, for want of a source.",
    "Water: round figures by effort and night; a stream on the way counts only while the freezing level is "
    "known to be above it. Fuel: an energy balance at the pressure of the camp. Both "
    "common practice, no published source, where they are not physics.",
    "Light: half the labelled hours count as light to walk by, less in the cold. Nothing is charged on the "
    "way.",
    "Load: Pandolf's equation with Santee's correction downhill, on the grade that follows from a stage's "
    "distance; where the plan has none, 15 %, on steep snow 30 %, is assumed. As at sea level: higher up "
    "everyone is slower.",
)


class Amount(Shown):
    """A number in the forecast itself, and the worst of all scenarios."""

    base: float | None
    worst: float | None
    says: str = ""
    """Why there is no number, or what a number cannot say."""


class WaySource(Shown):
    """Where bottles are filled on the way."""

    name: str
    kind: Literal["stream", "snow"]
    runs: bool
    """Whether it is counted on in the forecast itself: a stream only while the freezing level is known to be
    above it."""
    boil_min: float
    """Minutes of rolling boil that treat water there."""


class StageBody(Shown):
    """What a stage is for everyone."""

    stage: str
    name: str
    low_c: Amount
    wind_mps: Amount
    bare_skin_min: Amount
    night_c: Amount
    """What to plan the night by, in the shelter of the plan."""
    open_night_c: Amount
    water_l: float
    """Drunk on the way by one person."""
    set_out_l: Amount
    """To set out with, to the next water on the way or camp."""
    most_l: Amount
    """The most that is carried at any moment of the stage."""
    sources: tuple[WaySource, ...]
    """Where bottles are filled on the way."""
    camp_l: Amount
    distance_m: float | None
    """As the plan has it; null: the grade is assumed."""
    grade_pct: float | None
    """Of what climbs and descends."""
    boiling_c: float | None
    fuel_g: Amount
    """For one person, at the camp after it."""
    source: str
    boil_min: float | None
    dark_h: Amount
    hours: Amount
    """Of the slowest, or the guide's own."""
    estimated_h: Amount
    """Of the slowest, whatever hours a guide has set."""
    planned_h: float
    arrival: str | None
    """When the party arrives by the estimate, ISO 8601."""
    latest_turn: str | None
    """When to turn at the latest, to be at the next camp as planned; for the stage that goes highest."""
    own_hours: bool = False


class PersonStage(Shown):
    """One person on one stage."""

    stage: str
    clothing_margin_clo: Amount
    clothing_margin_min_clo: Amount
    """Against what keeps the body from strain, and against the most strain it should bear."""
    standing_min: Amount
    standing_further_min: Amount
    bag_margin_c: Amount
    bag_limit_margin_c: Amount
    """Against the label's limit, where it is stated."""
    bag_margin_open_c: Amount
    light_margin_h: Amount
    pack_kg: Amount
    energy_kj: Amount
    effort_wpm2: Amount


class HandLayer(Shown):
    """One of the hand layers the list asks."""

    item: str
    there: bool | None


class PersonBody(Shown):
    """What one person has, and what is left of it on each stage."""

    member: str
    name: str
    clothing_clo: float | None
    garments: tuple[str, ...]
    not_known: tuple[str, ...]
    missing: tuple[str, ...]
    further: str
    hands: tuple[HandLayer, ...]
    boots: str
    """How the boots are known; no number for feet is worked out."""
    bag: str
    """What the label is good for."""
    mat: bool | None
    mat_says: str
    """Where what lies under the bag puts the label in doubt."""
    lamp_h: Amount
    """Usable hours on the coldest stage."""
    own_weight: bool
    stages: tuple[PersonStage, ...]


class FuelBody(Shown):
    """Fuel for those who cook together."""

    who: str
    needed_g: Amount
    packed_g: float | None
    """Counted for the party or, where the list asks fuel of ropes, for each; null: nobody has."""


class BodyReport(Shown):
    """What every stage asks of every body on the trip, with the caution."""

    caution: str = CAUTION
    assumptions: tuple[str, ...] = ASSUMPTIONS
    trip: str
    seq: int
    scenario: str
    stages: tuple[StageBody, ...]
    people: tuple[PersonBody, ...]
    fuel: tuple[FuelBody, ...]
    """The party first, then each rope should it camp apart."""
    fuel_packed_g: float | None
    pressure_by: str
    """How the pressure of the camps is known, which sets where water boils."""
    stoves: float | None
    """Stoves of the party, as counted; each rope that camps apart needs one."""
    stream_c: float
    """Temperature that stream water is taken to have."""
    treat_chemical_min: dict[str, float | None]
    """Minutes iodine or chlorine needs in stream water, by dose in ppm; null: too cold for the published
    table."""
