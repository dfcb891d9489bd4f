"""Which garment of a kit list is worth how much: one table, each value with its source. Pure.

All values are of ISO 7730/9920 style, so that they may be added. None of the tables holds modern down suits
or hats: a hat counts nothing here, and a very warm parka is worth more than it says. Both err on the cold
side.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from api.body.people import Person
from api.science.clothing import wind_walk_factor
from api.science.garments import ISO_7730_CLO, ensemble_clo

LISTED = "ISO 7730/9920-style list"
RECALLED = "ISO 9920-style value, from memory"

WINDPROOF_LPM2S, SOFT_SHELL_LPM2S, OPEN_LPM2S = 8.0, 50.0, 100.0
"""Air permeability of the outermost layer: ISO 11079's figures for windproof, medium and open weave."""
TRIED_IN_MPS = 5.0
"""Wind at the body in which the layer that helps most is chosen: a fresh breeze, ours."""
_LEFT_IN_WIND = {
    cloth: float(wind_walk_factor(cloth, TRIED_IN_MPS, 0.0))
    for cloth in (WINDPROOF_LPM2S, SOFT_SHELL_LPM2S, OPEN_LPM2S)
}


@dataclass(frozen=True, slots=True)
class Piece:
    """One garment as the table has it."""

    clo: float
    what: str
    source: str


@dataclass(frozen=True, slots=True)
class Garment:
    """What a requirement is worth: without an answer the least of its pieces."""

    plain: Piece
    question: str | None = None
    by_answer: Mapping[str, Piece] = field(default_factory=dict)

    def piece(self, person: Person, requirement: str) -> Piece:
        """The piece this person's answer stands for."""
        said = person.answer(requirement, self.question) if self.question else None
        return self.by_answer.get(said, self.plain) if isinstance(said, str) else self.plain

    @property
    def warmest(self) -> Piece:
        return max((self.plain, *self.by_answer.values()), key=lambda piece: piece.clo)


def _listed(name: str) -> Piece:
    return Piece(ISO_7730_CLO[name], name, LISTED)


_FIBRE_JACKET = Piece(0.40, "fibre-pelt jacket", RECALLED)

GARMENTS: Mapping[str, Garment] = {
    "socks": Garment(_listed("thick long socks")),
    "boots": Garment(_listed("boots")),
    "base-legs": Garment(_listed("long underpants")),
    "base-top-long": Garment(_listed("undershirt long sleeve")),
    "soft-shell-trousers": Garment(_listed("normal trousers")),
    "soft-shell-jacket": Garment(_listed("thick sweater")),
    "shell-trousers": Garment(Piece(0.20, "light trousers", RECALLED)),
    "hard-shell-jacket": Garment(Piece(0.25, "light jacket", RECALLED)),
    "insulated-overtrousers": Garment(Piece(0.35, "fibre-pelt trousers", RECALLED)),
    "parka": Garment(
        _FIBRE_JACKET,
        "warmth",
        {"light": _FIBRE_JACKET, "mid": _listed("down jacket"), "heavy": _listed("parka")},
    ),
    "mitts": Garment(Piece(0.05, "gloves", RECALLED)),
}
"""By requirement id. A base layer with short sleeves is for the walk in, not worn under the long one."""

FURTHER = "a second insulated jacket over everything"
FURTHER_PIECE = _FIBRE_JACKET


@dataclass(frozen=True, slots=True)
class Further:
    """The single layer that would help most, and what a person would have with it."""

    layer: str
    icl_clo: float
    permeability_lpm2s: float


@dataclass(frozen=True)
class Wardrobe:
    """What one person can put on."""

    person: Person
    worn: Mapping[str, Piece]
    """By requirement id: sighted, and fits."""
    not_known: tuple[str, ...]
    """Items nobody has recorded; they count as not there."""
    missing: tuple[str, ...]
    icl_clo: float
    """NaN when nothing is known to be there."""
    permeability_lpm2s: float

    @cached_property
    def further(self) -> Further:
        """The layer with which most is left in wind, standing: what is lacking, or the warmest kind of what
        is there; a second jacket over everything when none adds anything.
        """
        asked = [id_ for id_ in GARMENTS if id_ in self.person.things]
        tried = {id_: self._with({**self.worn, id_: GARMENTS[id_].warmest}) for id_ in asked}
        found = {id_: clo * _LEFT_IN_WIND[cloth] for id_, (clo, cloth) in tried.items()}
        best = max(found, key=lambda id_: found[id_], default=None)
        now = 0.0 if math.isnan(self.icl_clo) else self.icl_clo * _LEFT_IN_WIND[self.permeability_lpm2s]
        if best is None or found[best] <= now + 1e-9:
            clo, _ = self._with({**self.worn, FURTHER: FURTHER_PIECE})
            return Further(FURTHER, clo, self.permeability_lpm2s)
        item = self.person.things[best].item
        layer = f"a warmer kind of {item[:1].lower()}{item[1:]}" if best in self.worn else item
        return Further(layer, *tried[best])

    @staticmethod
    def _with(worn: Mapping[str, Piece]) -> tuple[float, float]:
        return float(ensemble_clo([piece.clo for piece in worn.values()])), _permeability(worn)


def wardrobe(person: Person) -> Wardrobe:
    """Everything a person can wear at once; insulation by ISO 9920's regression over all pieces."""
    worn = {id_: garment.piece(person, id_) for id_, garment in GARMENTS.items() if _wearable(person, id_)}
    asked = [id_ for id_ in GARMENTS if id_ in person.things]
    return Wardrobe(
        person=person,
        worn=worn,
        not_known=tuple(person.things[id_].item for id_ in asked if person.has(id_) is None),
        missing=tuple(
            person.things[id_].item for id_ in asked if id_ not in worn and person.has(id_) is not None
        ),
        icl_clo=float(ensemble_clo([piece.clo for piece in worn.values()])),
        permeability_lpm2s=_permeability(worn),
    )


def _wearable(person: Person, requirement: str) -> bool:
    return bool(person.has(requirement)) and person.answer(requirement, "dry") is not False


def _permeability(worn: Mapping[str, Piece]) -> float:
    if "hard-shell-jacket" in worn and "shell-trousers" in worn:
        return WINDPROOF_LPM2S
    return SOFT_SHELL_LPM2S if "soft-shell-jacket" in worn or "parka" in worn else OPEN_LPM2S
