"""Use cases of loans: promise, hand out, take back, let go. Each is an entry of the trip's journal."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from api.access.current import Reader
from api.db import Work
from api.errors import Conflict, Invalid, NotFound
from api.ids import new_id
from api.journal.fold import Picture, Record
from api.journal.kinds import (
    PARTY,
    Answer,
    GearState,
    Known,
    LoanBody,
    LoanHandedOut,
    LoanPromised,
    LoanReleased,
    LoanReturned,
    LoanTerms,
    Sighting,
)
from api.journal.roster_rows import LOAN_STATES
from api.journal.trip import TripPlan
from api.journal.writing import require_may_say
from api.locker import service
from api.locker.queries import claims_of
from api.locker.returns import name_of
from api.locker.rules import Item, availability, barred
from api.locker.schemas import HandOut, LetGo, LoanResult, Promise, Return
from api.readiness.service import Readiness


class NotToBeHad(Conflict):
    """A thing cannot be lent on these days; what stands against it is said."""

    code = "not-to-be-had"
    title = "Cannot be lent"


def _meets(thing: Item, requirement: str) -> None:
    if requirement not in thing.meets:
        raise Invalid.field(
            "requirement",
            requirement,
            f"{thing.id} is not entered for this.",
            f"Use one of {', '.join(thing.meets)}, or add it to what the thing can meet.",
        )


def today_on(plan: TripPlan, now: datetime) -> date:
    """The date where the trip is."""
    return now.astimezone(plan.place.zone).date()


class Desk:
    """One person lending on one trip, in one unit of work. Raises NotFound without such a trip, Conflict
    while it has no plan."""

    def __init__(self, work: Work, reader: Reader, readiness: Readiness, trip: str) -> None:
        self._work = work
        self._reader = reader
        self._journals = readiness.journal
        self._trip = trip
        self._evaluation = readiness.evaluation(work, reader.outfit, trip)
        self._plan = self._evaluation.plan
        self._picture = self._evaluation.picture
        self._now = readiness.clock.now()
        self._today = today_on(self._plan, self._now)

    def promise(self, asked: Promise) -> LoanResult:
        """Promise a thing of the locker. Raises NotToBeHad when it is not free on the days of the trip."""
        thing = self._thing(asked.item)
        self._known_subject(asked.subject)
        _meets(thing, asked.requirement)
        until = asked.until or self._plan.ends_on
        if until < self._plan.starts_on:
            remedy = "Leave it out, or give a later day."
            raise Invalid.field("until", until.isoformat(), "it lies before the trip.", remedy)
        self._to_be_had(thing, until, asked.units)
        terms = LoanTerms(
            source="locker",
            giver=thing.id,
            what=thing.what,
            subject=asked.subject,
            requirement=asked.requirement,
            units=asked.units,
            until=asked.until,
        )
        return self.write_promise(terms, asked.remark)

    def write_promise(self, terms: LoanTerms, remark: str = "") -> LoanResult:
        """Write a promise that has been checked."""
        loan = f"loan-{new_id(self._now).hex}"
        return self._write(LoanPromised(loan=loan, terms=terms, remark=remark))

    def hand_out(self, loan: str, asked: HandOut) -> LoanResult:
        """Hand out what was promised; what was seen or tried with it becomes a sighting.

        A thing that has gone into quarantine since, or past its life, is not handed out. Raises Invalid when
        the reader is no guide and says that it was seen or tried.
        """
        if asked.known is not None:
            require_may_say(self._reader, Known(asked.known))
        terms = self._loan(loan, LoanPromised, "promised").body.terms
        answers = dict(asked.answers)
        if terms.source == "locker":
            thing = self._thing(terms.giver or "")
            self._usable(thing, terms.until or self._plan.ends_on)
            answers = {**thing.answers, **answers}
        seen = None
        if asked.known is not None:
            sighting = Sighting(
                subject=terms.subject,
                requirement=terms.requirement,
                known=Known(asked.known),
                state=GearState.FITS,
                answers=self._asked_for(terms.requirement, answers),
                remark=f"Lent: {terms.what}. {asked.remark}".strip(),
            )
            seen = self._journals.write(self._work, self._reader, self._trip, sighting)[0].id
        self._move_spares(terms, -terms.units)
        return self._write(LoanHandedOut(loan=loan, terms=terms, sighting=seen, remark=asked.remark))

    def take_back(self, loan: str, asked: Return) -> LoanResult:
        """Take a loan back. Damage puts a thing in quarantine, loss retires it (`api.locker.returns`).

        While the trip is on, the person no longer has it: the sighting that rested on it is answered by one
        that says so, and the gap is open again.
        """
        record = self._loan(loan, LoanHandedOut, "handed out")
        terms = record.body.terms
        if terms.source == "locker":
            self._thing(terms.giver or "")
        elif asked.condition == "fine":
            self._move_spares(terms, terms.units)
        if self._rests_on(record):
            gone = Sighting(
                subject=terms.subject,
                requirement=terms.requirement,
                known=Known.SEEN,
                state=GearState.ABSENT,
                remark=f"The loan was returned: {terms.what}.",
            )
            self._journals.write(self._work, self._reader, self._trip, gone)
        return self._write(
            LoanReturned(loan=loan, terms=terms, condition=asked.condition, remark=asked.remark)
        )

    def let_go(self, loan: str, asked: LetGo) -> LoanResult:
        """Let a promise go, so that the thing is free for others."""
        terms = self._loan(loan, LoanPromised, "promised").body.terms
        return self._write(LoanReleased(loan=loan, terms=terms, remark=asked.remark))

    # -- what stands behind --------------------------------------------------------------------------------

    def _write(self, body: LoanPromised | LoanHandedOut | LoanReturned | LoanReleased) -> LoanResult:
        outcome = self._journals.write(self._work, self._reader, self._trip, body)[0]
        state = LOAN_STATES[type(body)]
        return LoanResult.model_validate(
            {"trip": self._trip, "loan": body.loan, "state": state, "seq": outcome.seq}
        )

    def _loan(self, loan: str, wanted: type[LoanBody], word: str) -> Record[LoanBody]:
        record = self._picture.loans.get(loan)
        if record is None:
            raise NotFound(f"Trip {self._trip} has no loan {loan}. Choose it from the loans of the trip.")
        if not isinstance(record.body, wanted):
            state = LOAN_STATES[type(record.body)]
            state = "handed out" if state == "out" else state
            raise Conflict(
                f"This loan is {state}, by {record.actor.name}; it has to be {word}. Nothing was changed."
            )
        return record

    def _thing(self, item_id: str) -> Item:
        return service.find(self._work, self._reader.outfit, item_id)

    def _known_subject(self, subject: str) -> None:
        ropes = {rope.id for rope in self._picture.rope_teams}
        if subject not in self._picture.members and subject not in ropes and subject != PARTY:
            raise Invalid.field(
                "subject", subject, "nobody and no rope of this trip.", "Give a member, a rope, or party."
            )

    def _to_be_had(self, thing: Item, until: date, units: int) -> None:
        rows = service.loans_seen(self._work, self._reader, thing.id).get(thing.id, [])
        had = availability(thing, claims_of(rows), self._plan.starts_on, until, today=self._today)
        if had.free < units:
            why = "; ".join(had.against) or f"{had.free} there, {units} wanted"
            raise NotToBeHad(f"{thing.what} ({thing.id}) cannot be lent: {why}. Choose another.")

    def _usable(self, thing: Item, until: date) -> None:
        against = tuple(barred(thing, self._plan.starts_on, until))
        if against:
            raise NotToBeHad(f"{thing.what} ({thing.id}) is not handed out: {'; '.join(against)}.")

    def _asked_for(self, requirement: str, answers: Mapping[str, Answer]) -> dict[str, Answer]:
        """The answers to questions that this requirement asks."""
        edition = self._evaluation.edition
        found = edition.requirement(requirement) if edition is not None else None
        asked = {question.id for question in found.questions} if found is not None else set(answers)
        return {question: answer for question, answer in answers.items() if question in asked}

    def _move_spares(self, terms: LoanTerms, by: int) -> None:
        """Count a giver's spares down or up, so that two people are never counted with one pair."""
        if terms.source not in ("person", "party") or terms.giver is None:
            return
        held_under = terms.spare or terms.requirement
        records = self._picture.sightings.get((terms.giver, held_under), ())
        if not records:
            return
        last = records[-1].body
        count = last.count if last.count is not None else self._usual(terms.giver, held_under)
        remark = f"{'Lent' if by < 0 else 'Back'}: {abs(by)} × {terms.what}."
        moved = last.model_copy(update={"count": max(count + by, 0), "remark": remark, "photo": None})
        self._journals.write(self._work, self._reader, self._trip, moved)

    def _usual(self, subject: str, requirement: str) -> float:
        """How many are asked, where a sighting says "as many as asked"."""
        lacks = self._evaluation.lacks
        if lacks is None:
            return 1
        held = (
            holding.needed
            for (p, r), holding in lacks.holdings.items()
            if lacks.subjects[p].id == subject and lacks.edition.requirements[r].id == requirement
        )
        return next(held, 1)

    def _rests_on(self, record: Record[LoanBody]) -> bool:
        """Whether what is known of the gap still rests on this loan, and the trip is still on."""
        body = record.body
        if not isinstance(body, LoanHandedOut) or body.sighting is None:
            return False
        if self._plan.stages and self._now >= self._plan.stages[-1].ends_at:
            return False
        standing = self._picture.sightings.get((body.terms.subject, body.terms.requirement), ())
        return any(seen.entry == body.sighting for seen in standing)


@dataclass(frozen=True, slots=True)
class TripLoan:
    """A loan of a trip as its pages show it."""

    loan: str
    state: str
    terms: LoanTerms
    subject_name: str
    by: str
    at: datetime
    remark: str


def loans_of_trip(picture: Picture) -> list[TripLoan]:
    """The loans of a trip: those still to be dealt with first, then by who has them."""
    order = {"promised": 0, "out": 1, "returned": 2, "released": 3}
    listed = [
        TripLoan(
            loan=loan,
            state=LOAN_STATES[type(record.body)],
            terms=record.body.terms,
            subject_name=name_of(picture, record.body.terms),
            by=record.actor.name,
            at=record.happened_at,
            remark=record.body.remark,
        )
        for loan, record in picture.loans.items()
    ]
    return sorted(listed, key=lambda one: (order[one.state], one.subject_name, one.terms.what, one.loan))
