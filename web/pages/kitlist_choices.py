"""What can be chosen in the forms of kit lists, with its words; and what the fields of a form are called."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from api.journal.trip import HoldKind, Role, Terrain
from api.kitlist.metrics import CONDITION_METRICS, METRICS, QUANTITIES
from api.kitlist.quantities import KNOWN_UNITS
from api.kitlist.schemas import Anchor, Edition, Grade, Requirement, Scope, Zone
from web import words
from web.pages.kitlist_rows import LINE, METRIC, PLACE
from web.pages.kitlist_tree import Tree

Choices = list[tuple[str, str]]

LAST, FIRST = "~last", ""
NOT_CHOSEN = ("", "choose")
THIS_FIGURE = ("", "this figure")

ANCHORS: Mapping[Anchor, str] = {
    Anchor.HIGH_POINT: "the high point",
    Anchor.BASE: "the base",
    Anchor.HIGHEST_CAMP: "the highest camp",
    Anchor.LOWEST_CAMP: "the lowest camp",
    Anchor.STAGE_CAMP: "the camp after the stage",
    Anchor.STAGE_HIGH: "the highest point of the stage",
    Anchor.USUAL_FREEZING_LEVEL: "the usual freezing level",
}
ZONES: Choices = [(zone.value, words.ZONES[zone]) for zone in Zone]
SCOPES: Choices = [(scope.value, words.SCOPES[scope]) for scope in Scope]
ROLES: Choices = [(role.value, words.ROLES[role]) for role in Role]
TERRAINS: Choices = [(terrain.value, words.TERRAINS[terrain]) for terrain in Terrain]
KNOWN: Choices = [
    ("said", "said: someone told of it"),
    ("pictured", "pictured: there is a photo"),
    ("seen", "seen by a guide"),
    ("tried", "tried: put on, or tested with what it must work with"),
]
GRADES: Choices = [NOT_CHOSEN, *((grade.value, words.GRADES[grade].lower()) for grade in Grade)]
HOLDS: Choices = [NOT_CHOSEN, *((hold.value, words.HOLDS[hold]) for hold in HoldKind)]
PER: Choices = [
    ("person", "a person"),
    ("rope", "a rope"),
    ("rope-end", "each end of a rope"),
    ("party", "the party"),
    ("guide", "a guide"),
    ("people", "so many people"),
]
COMPUTED: Choices = [("", "this number"), *((name, q.title) for name, q in QUANTITIES.items())]
BASES: Choices = list(words.BASES.items())
LOANS: Choices = [
    ("pool", "from the pool"),
    ("rarely", "rarely, it has to fit"),
    ("never", "never lent"),
]
QUESTION_KINDS: Choices = [
    ("yes-no", "yes or no"),
    ("choice", "one of several answers"),
    ("number", "a number"),
    ("date", "a date"),
]
UNITS: Choices = [
    ("", "none"),
    *((unit, "a plain number" if unit == "1" else unit) for unit in sorted(KNOWN_UNITS)),
]
LIMITS: Choices = [
    NOT_CHOSEN,
    ("yes", "the answer is yes"),
    ("no", "the answer is no"),
    ("one_of", "one of the answers ticked"),
    ("at_least", "number: at least"),
    ("at_most", "number: at most"),
    ("trip-start", "date: not before the first day"),
    ("trip-end", "date: not before the last day"),
    ("within_years", "date: not older than, in years"),
]
HOW: Choices = [("below", "goes below"), ("at_least", "is at least")]
JOINS: Choices = [("all", "all of these hold"), ("any", "any one of these holds")]
CONDITION_METRIC: Choices = [
    NOT_CHOSEN,
    *((name, f"{m.title}{'' if m.unit == '1' else ', ' + m.unit}") for name, m in CONDITION_METRICS.items()),
]
BOUNDS: Choices = [
    THIS_FIGURE,
    *((f"{METRIC}{name}", f"{m.title} of the stage, plus") for name, m in CONDITION_METRICS.items()),
]
HEIGHTS: Choices = [THIS_FIGURE, *((f"{PLACE}{at.value}", f"{said}, plus") for at, said in ANCHORS.items())]


def measured(edition: Edition) -> Choices:
    """What the threshold of a condition may be."""
    return [*HEIGHTS, *((f"{LINE}{line.id}", f"the line: {line.title}") for line in edition.lines)]


def meaning(metric: str) -> str:
    """Unit and method of a metric, for beside its choice; empty while none is chosen."""
    known = METRICS.get(metric)
    if known is None:
        return ""
    unit = "A plain number" if known.unit == "1" else f"In {known.unit}"
    return f"{unit}: {known.method}."


def places(edition: Edition, requirement: str | None) -> Choices:
    """After which requirement one may stand in the list."""
    others = [one for one in edition.requirements if one.id != requirement]
    order = list(Zone)
    others.sort(key=lambda one: order.index(one.zone))
    listed = [(one.id, f"after {one.item} ({words.ZONES[one.zone].lower()})") for one in others]
    return [(FIRST, "first of its zone"), (LAST, "last of its zone"), *listed]


def place_of(edition: Edition, requirement: Requirement) -> str:
    """Which other requirement of its zone stands before this one."""
    zone = [one.id for one in edition.requirements if one.zone is requirement.zone]
    at = zone.index(requirement.id)
    return zone[at - 1] if at else FIRST


_FIELDS: Mapping[str, str] = {
    "questions": "question",
    "limits": "limit",
    "rows": "condition",
    "choices": "answer",
    "stands_in": "stand-in",
    "grades": "gap",
    "also": "further gap",
    "how_many": "how many",
    "basis": "basis",
    "value": "figure",
    "from": "measured from",
    "at": "hold point",
    "asks": "kind",
    "says": "what a failure means",
    "ask": "wording",
    "takes": "how it must be known",
    "needs": "from which way of knowing on",
    "one_of": "answers that pass",
    "weight_g": "weight",
    "spare_for": "spare for",
    "life_safety": "who clears it",
    "computed": "worked out",
    "clears": "what clears it",
    "dated": "date",
}


def field_words(name: str) -> str:
    """What people call a field of a form: "question 1, limit 2, figure"."""
    said: list[str] = []
    for step in name.split("-"):
        if step.isdecimal() and said:
            said[-1] += f" {int(step) + 1}"
        else:
            said.append(_FIELDS.get(step, step))
    # A list named as a whole carries no number and says nothing more than its last word.
    return ", ".join(part for part in said if part)


def loan_words(loan: str) -> str:
    """How an item is lent, in a sentence."""
    said = dict(LOANS)[loan]
    return words.sentence(said if loan == "never" else f"lent {said}")


def inside(errors: Iterable[str], where: str) -> bool:
    """Whether any field at fault lies in the part of a form that is called `where`."""
    return any(name == where or name.startswith(f"{where}-") for name in errors)


def touched(tree: Tree, where: str) -> bool:
    """Whether the button pressed last was in the part of a form that is called `where`."""
    return inside([str(tree.get("do", "")).partition(" ")[2]], where)
