"""Spares of the party say in the kit list what they can meet."""

from typing import Any

from api.kitlist.rules import faults
from tests.kitlist.building import a_requirement, built


class TestSpares:
    def spares(self, **changes: Any) -> list[str]:
        spare = a_requirement(**{"id": "spare-mug", "scope": "party", "spare_for": ["mug"]} | changes)
        edition = built(a_requirement(), spare)
        return [".".join(map(str, fault.path[-2:])) for fault in faults(edition)]

    def test_name_what_they_can_meet(self) -> None:
        assert self.spares() == []

    def test_of_something_that_is_not_on_the_list_are_refused(self) -> None:
        assert self.spares(spare_for=["mug", "mugg"]) == ["spare_for.1"]
        assert self.spares(spare_for=["spare-mug"]) == ["spare_for.0"]

    def test_of_a_person_are_that_persons(self) -> None:
        assert self.spares(scope="person") == ["1.spare_for"]
