"""The hash chain: what is hashed, and that any change to what is stored is found and named."""

import hashlib
import json
from datetime import timedelta
from typing import Any

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import text

from api.db import Database
from api.journal import store
from api.journal.chain import KeptEntry, canonical, canonical_json, genesis, link, parse, seal, verify
from api.journal.entry import Entry
from api.journal.kinds import Remark, TripPlanned
from tests.journal.conftest import open_trip
from tests.journal.histories import START, entry, histories, plan, sighting

NOW = START + timedelta(days=1)
TEXTS = ("trip", "id", "body", "actor", "device", "happened_at", "after", "received_at", "prev_hash", "hash")


def chained(entries: list[Entry]) -> list[KeptEntry]:
    """The entries as an empty journal would keep them."""
    kept: list[KeptEntry] = []
    prev_hash = genesis("trip")
    for seq, each in enumerate(entries, start=1):
        kept.append(seal(each, each.after or (), seq, prev_hash, NOW))
        prev_hash = kept[-1].hash
    return kept


class TestWhatIsHashed:
    @settings(max_examples=100)
    @given(histories())
    def test_the_text_is_rfc_8785_and_the_hash_can_be_made_by_anyone(self, written: list[Entry]) -> None:
        """Checked against the package rfc8785, on the entry's JSON as the API hands it out."""
        prev_hash = genesis("trip")
        for kept in chained(written):
            line = json.loads(kept.json())
            added = {name: line.pop(name) for name in ("seq", "received_at", "prev_hash", "hash")}
            assert rfc8785.dumps(line).decode() == kept.written_json()
            linked = {
                "entry": line,
                "prev": prev_hash,
                "received_at": added["received_at"],
                "seq": added["seq"],
            }
            assert hashlib.sha256(rfc8785.dumps(linked)).hexdigest() == added["hash"]
            prev_hash = kept.hash

    @settings(max_examples=100)
    @given(histories())
    def test_parsing_gives_back_what_was_sealed(self, written: list[Entry]) -> None:
        kept = chained(written)
        again = [canonical(each) for each in parse(kept)]
        assert again == [each.written_json() for each in kept]
        assert [KeptEntry.from_json(json.loads(each.json())) for each in kept] == kept

    def test_rfc_8785_numbers_and_key_order(self) -> None:
        """RFC 8785, section 3.2.2 (the sample object) and appendix B."""
        sample: dict[str, Any] = {
            "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
            "string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"/",
            "literals": [None, True, False],
        }
        assert canonical_json(sample) == (
            '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
            '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
        )

    def test_equal_plans_are_equal_texts(self) -> None:
        one, other = entry(1, TripPlanned(plan=plan())), entry(1, TripPlanned(plan=plan()))
        shuffled = json.loads(other.model_dump_json())
        shuffled["body"]["plan"]["stages"][0]["terrain"].reverse()
        assert canonical(one) == canonical(Entry.model_validate(shuffled))

    def test_the_first_hash_depends_on_the_trip(self) -> None:
        assert genesis("one") != genesis("other")

    def test_each_part_of_a_link_counts(self) -> None:
        links = {link("a", "{}", 1, "x"), link("b", "{}", 1, "x"), link("a", "{ }", 1, "x")}
        assert len(links | {link("a", "{}", 2, "x"), link("a", "{}", 1, "y")}) == 5


class TestVerify:
    @settings(max_examples=100)
    @given(histories())
    def test_an_untouched_chain_is_whole(self, written: list[Entry]) -> None:
        report = verify("trip", chained(written))
        assert report.whole
        assert report.entries == len(written)

    @settings(max_examples=300)
    @given(st.data())
    def test_a_flipped_bit_anywhere_is_found_and_named(self, data: st.DataObject) -> None:
        kept = chained(data.draw(histories().filter(bool)))
        at = data.draw(st.integers(0, len(kept) - 1))
        name = data.draw(st.sampled_from(TEXTS))
        before = getattr(kept[at], name)
        where = data.draw(st.integers(0, len(before) - 1))
        flipped = before[:where] + chr(ord(before[where]) ^ 1) + before[where + 1 :]
        tampered = [*kept[:at], kept[at]._replace(**{name: flipped}), *kept[at + 1 :]]
        report = verify("trip", tampered)
        assert report.broken_seq == at + 1
        assert report.problem
        assert report.entries == at

    @pytest.mark.parametrize("name", ["seq", "seen_seq"])
    def test_a_changed_number_is_found(self, name: str) -> None:
        kept = chained([entry(n, Remark(text=str(n))) for n in (1, 2, 3)])
        kept[1] = kept[1]._replace(**{name: getattr(kept[1], name) + 1})
        assert verify("trip", kept).broken_seq == 2

    def test_an_entry_taken_out_or_moved_is_found(self) -> None:
        kept = chained([entry(n, Remark(text=str(n))) for n in (1, 2, 3, 4)])
        assert (
            verify("trip", [kept[0], *kept[2:]]).problem == "entry 2 is missing; the next one is numbered 3"
        )
        moved = [kept[0], kept[2]._replace(seq=2), kept[1]._replace(seq=3), kept[3]]
        assert verify("trip", moved).broken_seq == 2

    def test_a_chain_of_another_trip_is_not_this_one(self) -> None:
        assert (
            "follows"
            in verify(
                "other", [kept._replace(trip="other") for kept in chained([entry(1, sighting())])]
            ).problem
        )


class TestVerifyStored:
    def fill(self, db: Database) -> None:
        entries = [entry(n, sighting("mara", f"r{n}")) for n in range(1, 6)]
        with db.writing() as work:
            store.append(work, "trip", "nordhang", entries, NOW)

    def tampered(self, db: Database, statement: str) -> tuple[int | None, str]:
        with db.writing() as work:
            work.execute(text(statement))
        with db.reading() as conn:
            report = store.verify_trip(conn, "trip")
        return report.broken_seq, report.problem

    @pytest.mark.parametrize(
        ("column", "value"),
        [
            ("body", "replace(body, 'fits', 'unfit')"),
            ("body", "body || ' '"),
            ("actor", "replace(actor, 'Guide', 'Gulde')"),
            ("device", "'another'"),
            ("happened_at", "replace(happened_at, '2026', '2027')"),
            ("seen_seq", "seen_seq + 1"),
            ("after", "'[\"x\"]'"),
            ("received_at", "replace(received_at, ':', '.')"),
            ("prev_hash", "hash"),
            ("hash", "prev_hash"),
            ("id", "replace(id, '0', '1')"),
            ("kind", "'remark'"),
            ("about", "'sighting/tobin/r4'"),
            ("outfit_id", "'another'"),
        ],
    )
    def test_any_changed_column_is_found_and_named(self, db: Database, column: str, value: str) -> None:
        self.fill(db)
        seq, problem = self.tampered(db, f"UPDATE journal_entry SET {column} = {value} WHERE seq = 4")
        assert (seq, bool(problem)) == (4, True)

    def test_a_cut_off_end_is_found(self, db: Database) -> None:
        self.fill(db)
        found = self.tampered(db, "DELETE FROM journal_entry WHERE seq = 5")
        assert found == (5, "the journal ends at entry 4, but the trip's head is entry 5")

    def test_a_head_that_was_changed_is_found(self, db: Database) -> None:
        self.fill(db)
        assert self.tampered(db, "UPDATE trip SET head_hash = 'x' WHERE id = 'trip'")[0] == 6

    def test_a_text_that_is_no_text_any_more_is_found(self, sqlite_url: str) -> None:
        db = Database(sqlite_url)
        open_trip(db, "trip")
        self.fill(db)
        found = self.tampered(db, "UPDATE journal_entry SET body = CAST(X'7BFF7D' AS TEXT) WHERE seq = 3")
        assert found == (3, "the database cannot read it as text")
        db.close()

    def test_an_untouched_journal_is_whole(self, db: Database) -> None:
        self.fill(db)
        with db.reading() as conn:
            assert store.verify_trip(conn, "trip").whole
            assert store.verify_trip(conn, "other").whole
