"""Views, tripwires, pace and calls from several phones: the same in whatever order they arrive."""

from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from api.call import rules
from api.journal.decisions import (
    CallMade,
    Knew,
    PaceSet,
    TripwireCrossed,
    TripwireEnded,
    TripwireSet,
    TurnaroundSet,
    ViewGiven,
)
from api.journal.entry import Entry
from api.journal.fold import fold
from api.journal.kinds import AnyBody, MemberSet
from api.journal.trip import MemberProfile, Role
from api.journal.views import last_call
from tests.journal.histories import PHONES, START, Phone

HOLDS = ("base", "edge")
DECISIONS = ("go", "wait", "down")
KINDS = ("view", "view", "view", "wire", "end", "crossed", "turn", "pace", "call")
LEAD = 0


def body_of(kind: str, phone: Phone, a: int, b: int) -> AnyBody:
    """A body of a kind; a view is the phone's own, in the round it knows of."""
    hold, wire = HOLDS[a % 2], f"t-{a % 2}"
    match kind:
        case "view":
            after = last_call(fold(phone.known.values()), hold)
            said = DECISIONS[b % 3]
            return ViewGiven(
                hold=hold, member=f"m{phone.number}", view=said, why=f"why {b}", after_call=after
            )
        case "wire":
            return TripwireSet(tripwire=wire, says=f"wind {b}")
        case "end":
            return TripwireEnded(tripwire=wire)
        case "crossed":
            return TripwireCrossed(tripwire=wire, says=f"seen {b}")
        case "turn":
            return TurnaroundSet(stage=f"s{a % 2}", at=START + timedelta(hours=b))
        case "pace":
            return PaceSet(stage=f"s{a % 2}", down_h=1.0 + b, margin_h=None if b % 2 else 0.5)
    return CallMade(hold=hold, decision=DECISIONS[b % 3], reason="as it is", knew=Knew(seq=0))


_steps = st.lists(
    st.tuples(
        st.integers(0, PHONES - 1),
        st.sampled_from(KINDS),
        st.integers(0, 3),
        st.integers(0, 5),
        st.sampled_from((None, None, 0, 1, 2)),
    ),
    max_size=14,
)


@st.composite
def arrivals(draw: st.DrawFn) -> tuple[list[Entry], list[Entry]]:
    """What was written on the phones, in order, and the same in the order in which it arrived."""
    phones = [Phone(number, timedelta(minutes=draw(st.integers(-600, 600)))) for number in range(PHONES)]
    written: list[Entry] = []
    for phone in phones:
        role = Role.LEAD if phone.number == LEAD else Role.ASSISTANT
        profile = MemberProfile(name=f"Guide {phone.number}", role=role)
        body = MemberSet(member=f"m{phone.number}", profile=profile)
        written.append(phone.write(len(written) + 1, body, "trip"))
    for at, kind, a, b, meets in draw(_steps):
        phone = phones[at]
        if meets is not None and meets != at:
            phone.meet(phones[meets])
        if kind == "call":
            phone = phones[LEAD]
        written.append(phone.write(len(written) + 1, body_of(kind, phone, a, b), "trip"))
    return written, draw(st.permutations(written))


@given(arrivals())
def test_what_is_decided_is_the_same_in_any_order(made: tuple[list[Entry], list[Entry]]) -> None:
    written, arrived = made
    here, there = fold(written), fold(arrived)
    assert there.decided == here.decided
    assert list(there.decided.tripwires) == list(here.decided.tripwires)
    for hold in HOLDS:
        for phone in range(PHONES):
            role = "lead" if phone == LEAD else "assistant"
            told = [rules.views(p, hold, f"guide-{phone}", role) for p in (here, there)]
            assert told[0] == told[1]


@given(arrivals())
def test_nobody_sees_anothers_view_before_their_own_whatever_has_arrived(
    made: tuple[list[Entry], list[Entry]],
) -> None:
    _, arrived = made
    for count in range(len(arrived) + 1):
        picture = fold(arrived[:count])
        for hold in HOLDS:
            since = last_call(picture, hold)
            for phone in range(1, PHONES):
                told = rules.views(picture, hold, f"guide-{phone}", "assistant")
                own = any(
                    v.body.hold == hold and v.body.after_call == since and v.actor.id == f"guide-{phone}"
                    for v in picture.decided.views
                )
                assert own or all(v.view is None and not v.why for v in told)
                assert all(not v.view for v in rules.views(picture, hold, "desk", "office"))


@given(arrivals())
def test_a_tripwire_is_watched_until_someone_who_knew_it_ends_it(
    made: tuple[list[Entry], list[Entry]],
) -> None:
    written, arrived = made
    watched = fold(arrived).decided.tripwires
    for name in ("t-0", "t-1"):
        own = [
            e for e in written if isinstance(e.body, TripwireSet | TripwireEnded) and e.body.tripwire == name
        ]
        replaced = {id_ for e in own for id_ in e.after or ()}
        heads = sorted((e for e in own if e.id not in replaced), key=lambda e: (e.happened_at, e.id))
        assert (name in watched) is (bool(heads) and isinstance(heads[-1].body, TripwireSet))
