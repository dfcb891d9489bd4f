"""The demo's permit as rules of the outfit, so that its page of rules shows what the trip goes by."""

from api.access.current import Reader
from api.clock import FixedClock
from api.db import Work
from api.readiness import party, queries
from seeds import demo


def load_once(work: Work, outfit: str) -> bool:
    """Enter the rules of the demo's permit unless the outfit has rules; False when it had."""
    if queries.party_rules(work, outfit):
        return False
    told = demo.scenario()
    office = demo.actors(told)["office"]
    reader = Reader(outfit=outfit, staff=office.id, name=office.name, role="office")
    clock = FixedClock(told.moment(told.data["booked_at"]))
    for rule in demo.party_rules(told):
        party.enter_rule(work, reader, clock, rule)
    return True
