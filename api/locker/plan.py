"""The cover plan in words: lines, what stays open, and what would help most. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from math import inf

from api.kitlist.schemas import Grade, Requirement, Scope
from api.locker.cover import Planner, Score
from api.locker.givers import Detail, Giver, Shop
from api.locker.options import ZONE_MEASURE, Options
from api.locker.problem import Offer, Source
from api.locker.rules import CRAMPON_TO_BOOT
from api.locker.schemas import CoverLine, CoverPlan, Help, Uncovered
from api.locker.sizes import MISFIT, Fit, Measure, fit, stated, wanted_in_words
from api.readiness.board import Evaluation
from api.readiness.schemas import Finding

MOST_REASONS = 5
MOST_HELP = 3

_FIT_WORDS = {
    Fit.FITS: "Fits by the sizes stated.",
    Fit.EDGE: "A size larger than stated, which works for this.",
    Fit.UNKNOWN: "To be tried on first: not all about it is known.",
}
_GRADE_NOUN = {
    Grade.STOP: ("stop", "stops"),
    Grade.FIX: ("fix", "fixes"),
    Grade.ADVISE: ("advice", "advices"),
}


def cover_plan(
    evaluation: Evaluation, found: Options, shops: Sequence[Shop] = (), *, now: datetime, at_base: bool
) -> CoverPlan:
    """The best cover of a trip's gaps, line by line, the gravest first."""
    planner = Planner(found.problem)
    taken = planner.solution.taken
    lines = [cover_line(evaluation, found, offer) for offer in taken.values()]
    open_ = [finding for id_, finding in found.findings.items() if id_ not in taken]
    by_id = {f.id: f for f in evaluation.findings}
    return CoverPlan(
        trip=evaluation.trip,
        seq=evaluation.seq,
        as_of=now,
        lines=tuple(sorted(lines, key=lambda line: (-line.grade.weight, line.subject_name, line.item))),
        uncovered=tuple(_uncovered(found, finding) for finding in open_),
        help=tuple(_help(evaluation, found, planner, open_, shops)),
        promised=tuple(by_id[id_].title for id_ in found.promised),
        to_look_at=tuple(finding.title for finding in found.to_look_at),
        not_gear=tuple(finding.title for finding in found.not_gear),
        at_base=at_base,
        summary=_summary(found, taken),
    )


def cover_line(evaluation: Evaluation, found: Options, offer: Offer) -> CoverLine:
    """One offer in words."""
    finding, giver = found.findings[offer.need], found.givers[offer.source]
    detail = found.details[offer.need, offer.source]
    return CoverLine(
        id=f"{offer.need}|{offer.source}",
        finding=finding.id,
        subject=finding.subject,
        subject_name=finding.subject_name,
        requirement=finding.requirement,
        item=finding.item,
        grade=finding.grade,
        hold_name=finding.hold_name,
        source=giver.source,
        giver=giver.id,
        what=giver.what,
        whom=giver.whom,
        units=offer.units,
        leaves=offer.leaves,
        says=_sentence(finding, giver, offer, evaluation.plan.place.zone),
        fit=_fit_words(giver, detail),
        to_try=detail.to_try,
        remains=detail.remains,
        opens=_opens(found, offer),
    )


def _sentence(finding: Finding, giver: Giver, offer: Offer, zone: tzinfo) -> str:
    count = f"{offer.units} × " if offer.units > 1 else ""
    size = f", size {giver.size}" if giver.size else ""
    thing = f"{count}{giver.what}{size}"
    does = f"clears a {_GRADE_NOUN[finding.grade][0]} before {finding.hold_name}"
    if finding.grade is Grade.ADVISE:
        does = f"follows an advice for {finding.hold_name}"
    if offer.leaves is not None:
        does = f"turns a {_GRADE_NOUN[finding.grade][0]} into {_article(offer.leaves)}"
    if giver.source == "bought":
        shop = giver.shop
        shuts = shop.until.astimezone(zone) if shop and shop.until else None
        until = f", until {shuts:%Y-%m-%d %H:%M}" if shuts else ""
        price = f" for {shop.price:g} {shop.currency}".rstrip() if shop and shop.price is not None else ""
        return f"{finding.subject_name} buys {thing} at {giver.whom}{price}{until}: {does}."
    return f"{finding.subject_name} gets {thing} from {giver.whom}: {does}."


def _article(grade: Grade) -> str:
    return {Grade.STOP: "a stop", Grade.FIX: "a fix", Grade.ADVISE: "an advice"}[grade]


def _fit_words(giver: Giver, detail: Detail) -> str:
    if giver.source == "bought" and detail.fit is Fit.UNKNOWN:
        return "Their size is not known: ask before buying."
    if detail.fit is Fit.FITS and not giver.size:
        return ""
    return _FIT_WORDS[detail.fit]


def _opens(found: Options, offer: Offer) -> str:
    source = next(source for source in found.problem.sources if source.id == offer.source)
    if source.opens is None:
        return ""
    return f"Leaves fewer spares than asked: {_article(source.opens)} for the party."


def _uncovered(found: Options, finding: Finding) -> Uncovered:
    why = found.turned_down.get(finding.id, ())
    return Uncovered(
        finding=finding.id,
        subject_name=finding.subject_name,
        item=finding.item,
        grade=finding.grade,
        hold_name=finding.hold_name,
        why=why[:MOST_REASONS] or (_no_source(found, finding),),
    )


def _no_source(found: Options, finding: Finding) -> str:
    if any(offer.need == finding.id for offer in found.problem.offers):
        return "What there is helps more elsewhere, or would open as grave a gap at its giver."
    return "Nothing at hand or on the buying list is entered for this."


def _summary(found: Options, taken: Mapping[str, Offer]) -> str:
    """ "Covers 5 of 7 stops, 2 of 3 fixes and 1 of 2 advices." """
    parts = []
    for grade, (one, many) in _GRADE_NOUN.items():
        all_ = [id_ for id_, finding in found.findings.items() if finding.grade is grade]
        covered = [id_ for id_ in all_ if id_ in taken and taken[id_].leaves is None]
        if all_:
            parts.append(f"{len(covered)} of {len(all_)} {one if len(all_) == 1 else many}")
    if not parts:
        return "No known gap needs cover."
    return f"Covers {_joined(parts)}."


# -- one more thing ------------------------------------------------------------------------------------------


_MORE = "\0more"
_ANY_BOOT = frozenset[str]().union(*CRAMPON_TO_BOOT.allowed.values())


@dataclass(frozen=True, slots=True)
class _Wanted:
    """One more thing that could be there."""

    requirement: Requirement
    units: int
    measure: Measure
    size: str
    kind: str | None
    """For what others must suit, its kind: `b2` boots."""
    follows: bool
    """Whether it has to suit something else, as crampons do."""


def _help(
    evaluation: Evaluation, found: Options, planner: Planner, open_: Iterable[Finding], shops: Sequence[Shop]
) -> Iterable[Help]:
    """Single things that would clear something, the one that clears most first; of equal ones the cheapest.

    Each is put into the problem as one more source, and the part of it that is touched is solved again. So
    what it counts is true also where one thing sets another free. Cheapest is the lowest price on the buying
    list; what has none there comes after what has one, the fewer things the sooner.
    """
    gains: dict[_Wanted, Score] = {}
    for finding in open_:
        for wanted in _wanted(evaluation, found, finding):
            if wanted not in gains:
                offers = tuple(_offers_of(evaluation, found, wanted))
                gains[wanted] = planner.gain(Source(_MORE, wanted.units), offers)
    helping = [
        (gain, wanted, cheapest(shops, wanted.requirement.id, wanted.units))
        for wanted, gain in gains.items()
        if gain[:3] > (0, 0, 0)
    ]
    helping.sort(
        key=lambda each: (
            [-level for level in each[0][:3]],
            each[2][0] if each[2] is not None else inf,
            each[1].units,
            each[1].requirement.item,
            each[1].size,
        )
    )
    for (stops, fixes, advises, *_), wanted, price in helping[:MOST_HELP]:
        yield Help(
            says=f"{_thing_words(wanted)}: {_gain_words(stops, fixes, advises)}{_price_words(price)}.",
            requirement=wanted.requirement.id,
            size=wanted.size,
            stops=stops,
            fixes=fixes,
            advises=advises,
            units=wanted.units,
            price=price[0] if price is not None else None,
            currency=price[1] if price is not None else "",
        )


Price = tuple[float, str]


def cheapest(shops: Iterable[Shop], requirement: str, units: int) -> Price | None:
    """The lowest price of so many on the buying list, and its currency. None: no price is entered for it, or
    prices in several currencies, which cannot be compared.
    """
    priced = [
        (shop.price, shop.currency) for shop in shops if requirement in shop.meets if shop.price is not None
    ]
    if not priced or len({currency for _, currency in priced}) > 1:
        return None
    price, currency = min(priced)
    return price * units, currency


def _price_words(price: Price | None) -> str:
    if price is None:
        return ""
    return f", from {f'{price[0]:g} {price[1]}'.strip()} by the buying list"


def _wanted(evaluation: Evaluation, found: Options, finding: Finding) -> Iterable[_Wanted]:
    edition = evaluation.edition
    requirement = edition.requirement(finding.requirement) if edition is not None else None
    if requirement is None or requirement.how_many.computed is not None:
        return
    measure = ZONE_MEASURE.get(requirement.zone, Measure.NONE)
    size = ""
    if finding.scope is Scope.PERSON:
        size = stated(measure, evaluation.picture.profiles[finding.subject].sizes) or ""
    kinds: tuple[str | None, ...] = (None,)
    if any(question.id == CRAMPON_TO_BOOT.question for question in requirement.questions):
        kinds = ("b2", "b3")
    for kind in kinds:
        yield _Wanted(
            requirement=requirement,
            units=found.wanted[finding.id],
            measure=measure if size else Measure.NONE,
            size=size,
            kind=kind,
            follows=any(found.findings[id_].requirement == requirement.id for id_ in found.own_kinds),
        )


def _offers_of(evaluation: Evaluation, found: Options, wanted: _Wanted) -> Iterable[Offer]:
    profiles = evaluation.picture.profiles
    for finding in found.findings.values():
        if finding.requirement != wanted.requirement.id or found.wanted[finding.id] > wanted.units:
            continue
        own = found.own_kinds.get(finding.id)
        if wanted.follows and own is not None and own not in _ANY_BOOT:
            continue
        size = Fit.FITS
        if finding.scope is Scope.PERSON and wanted.measure is not Measure.NONE:
            size = fit(wanted.measure, wanted.size, stated(wanted.measure, profiles[finding.subject].sizes))
        if size is not Fit.NO:
            yield Offer(
                finding.id,
                _MORE,
                units=found.wanted[finding.id],
                misfit=MISFIT[size],
                gives=wanted.kind,
                goes_with=_ANY_BOOT if wanted.follows else None,
            )


def _thing_words(wanted: _Wanted) -> str:
    size = wanted_in_words(wanted.measure, wanted.size)
    parts = [f"{'One' if wanted.units == 1 else wanted.units} more of “{wanted.requirement.item}”"]
    if wanted.kind:
        parts.append(f"kind {wanted.kind.upper()}")
    if wanted.follows:
        parts.append("to suit the boots")
    if size:
        parts.append(size)
    return ", ".join(parts)


def _gain_words(*gains: int) -> str:
    """ "clears two stops and opens one advice"."""
    clears = [_counted(g, grade) for g, grade in zip(gains, Grade, strict=True) if g > 0]
    opens = [_counted(-g, grade) for g, grade in zip(gains, Grade, strict=True) if g < 0]
    text = f"clears {_joined(clears)}"
    return f"{text} and leaves {_joined(opens)}" if opens else text


def _counted(number: int, grade: Grade) -> str:
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    one, many = _GRADE_NOUN[grade]
    return f"{words[number] if number < len(words) else number} {one if number == 1 else many}"


def _joined(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
