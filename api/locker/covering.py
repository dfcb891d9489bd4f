"""Use cases of the cover plan: work it out, and promise the lines that somebody confirmed."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection

from api.access.current import Reader
from api.db import Work
from api.journal import store
from api.journal.kinds import LoanTerms
from api.locker import queries
from api.locker.loans import Desk, today_on
from api.locker.options import Options, options
from api.locker.plan import cover_line, cover_plan
from api.locker.problem import Offer
from api.locker.schemas import Applied, CoverPlan, LineResult
from api.locker.service import stock_for
from api.readiness.board import Evaluation
from api.readiness.service import Readiness


def propose(
    conn: Connection, reader: Reader, readiness: Readiness, trip: str, *, sent_up: bool = False
) -> CoverPlan:
    """The best cover of a trip's known gaps, as things stand.

    Once the party has left base, the locker counts only when somebody can bring things up (`sent_up`).
    """
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    at_base = sent_up or not has_left_base(evaluation)
    found, now = _options(conn, reader, readiness, evaluation, at_base)
    shops = queries.shops(conn, reader.outfit)
    return cover_plan(evaluation, found, shops, now=now, at_base=at_base)


def has_left_base(evaluation: Evaluation) -> bool:
    """Whether a hold point is recorded as passed."""
    return bool(evaluation.picture.holds_passed)


def apply(
    work: Work,
    reader: Reader,
    readiness: Readiness,
    trip: str,
    lines: Sequence[str],
    *,
    sent_up: bool = False,
) -> Applied:
    """Promise the chosen lines, all in this unit of work.

    Each is held against what can be had at this moment: one that cannot be kept any more is refused with the
    reason and stands in no other's way.
    """
    evaluation = readiness.evaluation(work, reader.outfit, trip)
    found, _ = _options(work, reader, readiness, evaluation, sent_up or not has_left_base(evaluation))
    desk, chosen = Desk(work, reader, readiness, trip), _Chosen(found)
    results: dict[str, LineResult] = {}
    # Boots before the crampons that must suit them.
    leads = {pairing.lead for pairing in found.problem.pairings}
    unique = dict.fromkeys(lines)
    for line in sorted(unique, key=lambda line: line.partition("|")[0] not in leads):
        offer, why = chosen.take(line)
        if offer is None:
            results[line] = LineResult(line=line, status="refused", says=why)
            continue
        kept = desk.write_promise(_terms(found, offer))
        says = cover_line(evaluation, found, offer).says
        results[line] = LineResult(line=line, status="promised", says=says, loan=kept.loan)
    return Applied(
        trip=trip,
        seq=store.head(work, trip, reader.outfit).seq,
        results=tuple(results[line] for line in unique),
    )


def _options(
    conn: Connection, reader: Reader, readiness: Readiness, evaluation: Evaluation, at_base: bool
) -> tuple[Options, datetime]:
    plan, now = evaluation.plan, readiness.clock.now()
    stock = stock_for(conn, reader, plan.starts_on, plan.ends_on, today=today_on(plan, now))
    shops = queries.shops(conn, reader.outfit)
    return options(evaluation, stock, shops, now=now, at_base=at_base), now


class _Chosen:
    """Lines as they are taken one after another, each from what the others leave."""

    def __init__(self, found: Options) -> None:
        self._found = found
        self._offers = {f"{offer.need}|{offer.source}": offer for offer in found.problem.offers}
        self._left = {source.id: source.capacity for source in found.problem.sources}
        self._taken: dict[str, Offer] = {}

    def take(self, line: str) -> tuple[Offer | None, str]:
        """The offer of a line, or why it cannot be had."""
        need, _, source = line.partition("|")
        finding = self._found.findings.get(need)
        if finding is None:
            promised = need in self._found.promised
            return (
                None,
                "Something is promised for this already." if promised else "This gap is not open any more.",
            )
        if need in self._taken:
            return None, f"{finding.subject_name} already gets something else for this."
        offer = self._offers.get(line)
        left = self._left.get(source, 0)
        if offer is None or (left is not None and left < offer.units):
            return None, self._gone(need, source)
        if not self._suits(offer):
            return None, "It does not suit the boots this person ends up with. Take the boots with it."
        if left is not None:
            self._left[source] = left - offer.units
        self._taken[need] = offer
        return offer, ""

    def _gone(self, need: str, source: str) -> str:
        item = source.partition(":")[2]
        why = next((w for w in self._found.turned_down.get(need, ()) if f"({item})" in w), "")
        return f"Not to be had any more. {why}".strip()

    def _suits(self, offer: Offer) -> bool:
        if offer.goes_with is None:
            return True
        for pairing in self._found.problem.pairings:
            if pairing.follow == offer.need:
                boots = self._taken.get(pairing.lead)
                return (boots.gives if boots is not None else pairing.own) in offer.goes_with
        return True


def _terms(found: Options, offer: Offer) -> LoanTerms:
    finding, giver = found.findings[offer.need], found.givers[offer.source]
    return LoanTerms(
        source=giver.source,
        giver=giver.id,
        spare=giver.spare,
        what=giver.what,
        subject=finding.subject,
        requirement=finding.requirement,
        units=offer.units,
    )
