"""Making calls: what has to be settled, what is frozen and signed, what is carried out."""

import stat
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import text

from api.access.current import Role
from api.call import rules
from api.call import verify as verifying
from api.call.schemas import CallForm
from api.call.service import NotSettled, Sitting
from api.call.verify import check_file, check_here
from api.clock import FixedClock
from api.errors import Invalid
from api.ids import new_id
from api.journal.decisions import CallMade, Knew, Settled, ViewGiven
from api.journal.entry import Entry
from api.journal.kinds import GearState, HoldPassed, Known, Sighting
from api.journal.store import verify_trip
from api.readiness.service import Readiness
from tests.call.calling import OUTFIT, SECOND, THIRD, TRIP, Expedition


def all_accepted(trip: Expedition) -> tuple[Settled, ...]:
    """Every open stop at the hold point ahead, accepted by name."""
    picture = trip.picture()
    assert picture.trip is not None
    ahead = rules.hold_ahead(picture.trip, picture)
    assert ahead is not None
    return tuple(
        Settled(finding=stop.id, how="accepted", reason="looked at together, good enough")
        for stop in rules.open_stops(trip.evaluation().findings, ahead.kind)
        if stop.id not in picture.acceptances
    )


class TestSettling:
    def test_a_go_cannot_pass_over_an_open_stop(self, trip: Expedition) -> None:
        before = trip.snapshot().seq
        with pytest.raises(NotSettled) as caught:
            trip.call("go")
        named = {field.value for field in caught.value.fields}
        assert {"p02.first-aid-certificate", "party.satellite-messenger"} <= named
        assert trip.snapshot().seq == before

    def test_after_all_is_fixed_it_goes_and_the_hold_point_is_passed(self, trip: Expedition) -> None:
        trip.on()
        picture = trip.picture()
        ahead = rules.hold_ahead(picture.trip, picture)  # type: ignore[arg-type]
        assert ahead is not None
        accepts = {
            stop.id: "looked at together, good enough"
            for stop in rules.open_stops(trip.evaluation().findings, ahead.kind)
            if stop.id not in picture.acceptances
        }
        trip.call("go", accepts=accepts)
        after = trip.picture()
        assert isinstance(after.holds_passed[ahead.id].body, HoldPassed)
        assert set(accepts) <= set(after.acceptances)
        assert trip.last_call().body.decision == "go"

    def test_a_person_who_stays_takes_their_stops_along(self, trip: Expedition) -> None:
        findings = trip.evaluation().findings
        stops = rules.open_stops(findings, trip.evaluation().plan.hold_points[0].kind)
        of_people = {stop.subject for stop in stops if stop.scope == "person"}
        left = rules.unsettled(stops, of_people, trip.picture())
        assert {stop.subject for stop in left} <= {"party", "r1", "r2", "r3"}

    def test_accepting_needs_a_reason(self, trip: Expedition) -> None:
        with pytest.raises(Invalid):
            trip.call("go", accepts={"p09.harness": "o"})

    def test_whoever_would_break_the_permit_by_moving_is_refused(self, trip: Expedition) -> None:
        """Option C of the scenario: one guide stays, and his client joins another rope: four to one."""
        trip.on()
        with pytest.raises(NotSettled, match="permit"):
            trip.call(
                "go-with-changes",
                stays=("p03", "p11"),
                moves={"p10": "r1"},
                accepts={
                    stop.id: "for the test"
                    for stop in trip.evaluation().findings
                    if stop.id not in trip.picture().acceptances
                },
            )

    def test_whoever_moves_is_on_the_other_rope_from_then_on(self, trip: Expedition) -> None:
        """Three clients and a guide, two and a guide: one client may change over."""
        trip.on()
        before = {rope.id: rope.members for rope in trip.picture().rope_teams}
        accepts = {stop.finding: stop.reason for stop in all_accepted(trip)}
        trip.call("go-with-changes", moves={"p05": "r3"}, accepts=accepts)
        after = {rope.id: rope.members for rope in trip.picture().rope_teams}
        assert "p05" in before["r1"]
        assert after == {
            "r1": tuple(m for m in before["r1"] if m != "p05"),
            "r2": before["r2"],
            "r3": (*before["r3"], "p05"),
        }
        entries = trip.snapshot().entries
        (call,) = [e.seq for e in entries if e.id == trip.last_call().entry]
        carried_out = [entry.kind for entry in entries if entry.seq > call]
        assert carried_out == ["call-countersigned", "ropes-set", "hold-passed"]

    def test_wait_and_down_need_nothing_settled(self, trip: Expedition) -> None:
        trip.call("wait", reason="Until the certificate is here")
        assert "base" not in trip.picture().holds_passed
        trip.call("down")
        assert [record.body.decision for record in trip.picture().decided.calls] == ["wait", "down"]

    def test_the_same_form_sent_twice_is_one_call(self, trip: Expedition) -> None:
        entry = new_id(trip.clock.now())
        for _ in range(2):
            with trip.database.writing() as work:
                at = Sitting(work, trip.reader(), TRIP, entry=entry)
                trip.calls.make(at, CallForm(decision="wait", reason="for the office"))
        assert len(trip.picture().decided.calls) == 1


class TestRecord:
    def test_it_is_signed_chained_and_comes_out_the_same_again(self, trip: Expedition) -> None:
        trip.on()
        trip.call("wait", reason="for the second front")
        with trip.database.reading() as conn:
            assert verify_trip(conn, TRIP).whole
            found = check_here(conn, trip.readiness, OUTFIT, trip.sealed())
        assert found.good, found.says()
        assert found.key_known
        assert found.chain == ""
        assert found.differences == ()
        record = found.record
        assert record["forecast"]["label"] == "F1"
        assert {f["id"] for f in record["findings"]} >= {"p10.sleeping-bag", "p07.backup-mitts"}
        assert {a["finding"] for a in record["accepted"]} == {"p07.backup-mitts", "party.fuel", "p11.nights"}
        assert "final call rests with the licensed guides" in record["caution"]
        entry = trip.snapshot().entries[record["journal"]["seq"] - 1]
        assert record["journal"]["head_hash"] == entry.hash
        assert trip.countersignature().record == found.members["sha256"]  # type: ignore[index]

    def test_what_came_later_does_not_change_it(self, trip: Expedition) -> None:
        trip.call("wait", reason="for the office")
        trip.on()
        trip.on()
        with trip.database.reading() as conn:
            found = check_here(conn, trip.readiness, OUTFIT, trip.sealed())
        assert found.good, found.says()

    @pytest.mark.one_database
    def test_bytes_all_over_an_exported_record_are_each_found_when_flipped(self, trip: Expedition) -> None:
        """Every 211th byte of a whole record of the demo, and every one of hash and signature at its end.

        Every bit of every byte of a shorter record is tried in `test_signing`.
        """
        trip.call("wait", reason="for the office")
        sealed = trip.sealed()
        end = len(sealed) - 240
        places = [*range(0, end, 211), *range(end, len(sealed))]
        assert len(places) > 400
        for at in places:
            found = check_file(sealed[:at] + bytes([sealed[at] ^ 0x01]) + sealed[at + 1 :])
            assert not found.good, at
            assert found.faults, at
            assert all(fault.where and fault.says for fault in found.faults), at

    def test_a_changed_edition_is_named(self, trip: Expedition) -> None:
        trip.call("wait", reason="for the office")
        with trip.database.writing() as work:
            body = work.execute(text("SELECT body FROM kit_edition")).scalar_one()
            work.execute(
                text("UPDATE kit_edition SET body = :body, sha256 = :sha"),
                {"body": body.replace("Category", "Kategory"), "sha": "0" * 64},
            )
        fresh = Readiness(trip.journal, FixedClock(trip.clock.now()))
        with trip.database.reading() as conn:
            found = check_here(conn, fresh, OUTFIT, trip.sealed())
        assert not found.good
        assert found.differences
        assert any(line.startswith("edition: sha256") for line in found.differences)
        assert any("No version of the code differs" in line for line in found.says())

    def test_another_version_of_the_code_is_named(
        self, trip: Expedition, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The rule that stops harnesses of an unknown age is taken out of the findings."""
        trip.call("wait", reason="for the office")
        real = verifying.evaluated

        def other(evaluation: object, call: object) -> dict[str, object]:
            made = real(evaluation, call)  # type: ignore[arg-type]
            return made | {"findings": [f for f in made["findings"] if f["id"] != "p09.harness"]}

        monkeypatch.setattr(verifying, "evaluated", other)
        monkeypatch.setattr(verifying, "code_versions", lambda: {"readiness": "another"})
        with trip.database.reading() as conn:
            says = check_here(conn, trip.readiness, OUTFIT, trip.sealed()).says()
        assert any("p09.harness was there, now it is not" in line for line in says)
        assert any(line.startswith("readiness: made with") and line.endswith("here another") for line in says)

    def test_a_broken_journal_is_named(self, trip: Expedition) -> None:
        trip.call("wait", reason="for the office")
        with trip.database.writing() as work:
            work.execute(text("UPDATE journal_entry SET device = 'other' WHERE seq = 5"))
        trip.journal.pictures.forget(TRIP)
        with trip.database.reading() as conn:
            found = check_here(conn, trip.readiness, OUTFIT, trip.sealed())
        assert "broken at entry 5" in (found.chain or "")
        assert not found.good

    def test_the_key_is_kept_from_others_and_used_again(self, trip: Expedition, tmp_path: Path) -> None:
        trip.call("wait", reason="once")
        first = trip.countersignature().key_id
        file = tmp_path / "data" / "keys" / f"{OUTFIT}.pem"
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        trip.call("wait", reason="twice")
        assert trip.countersignature().key_id == first

    def test_without_the_key_the_call_stands_and_is_signed_later(
        self, trip: Expedition, tmp_path: Path
    ) -> None:
        trip.call("wait", reason="once")
        file = tmp_path / "data" / "keys" / f"{OUTFIT}.pem"
        whole = file.read_bytes()
        file.write_bytes(b"no key")
        trip.call("wait", reason="twice")
        decided = trip.picture().decided
        assert len(decided.calls) == 2
        assert len(decided.countersigned) == 1
        file.write_bytes(whole)
        with trip.database.writing() as work:
            assert trip.arrivals.countersign(work, OUTFIT, TRIP) == 1
        assert len(trip.picture().decided.countersigned) == 2


class TestFromAPhone:
    def test_late_and_with_all_known_there_is_no_difference(self, trip: Expedition) -> None:
        trip.send(CallMade(hold="base", decision="down", knew=trip.knew()), seen_seq=trip.snapshot().seq)
        assert trip.countersignature().differences == ()

    def test_what_the_phone_did_not_know_is_said(self, trip: Expedition) -> None:
        trip.on()
        knew, seen, settled = trip.knew(), trip.snapshot().seq, all_accepted(trip)
        sighting = Sighting(
            subject="p06", requirement="ice-axe", known=Known.SEEN, state=GearState.ABSENT, remark="Gone"
        )
        trip.send(sighting, actor=SECOND, device="other-phone")
        trip.send(CallMade(hold="glacier-edge", decision="go", settled=settled, knew=knew), seen_seq=seen)
        told = trip.countersignature().differences
        assert any(line.startswith("A stop was passed over: ") for line in told)
        assert any("Not known to the caller" in line and "Aroha" in line for line in told)
        assert "1 entry by Tashi Wangdrak had not been read." in told
        assert "glacier-edge" in trip.picture().holds_passed

    def test_a_stop_it_knew_of_is_not_passed_over_this_way_either(self, trip: Expedition) -> None:
        """Sent as an entry rather than made on the page: the call is kept, the hold point stays ahead."""
        trip.on()
        knew, settled = trip.knew(), all_accepted(trip)
        assert settled, "nothing was open, so nothing could be passed over"
        trip.send(CallMade(hold="glacier-edge", decision="go", knew=knew), seen_seq=knew.seq)
        told = trip.countersignature().differences
        assert "The caller knew of a stop that is not settled, so the hold point stays ahead here." in told
        assert "glacier-edge" not in trip.picture().holds_passed
        trip.clock.advance(timedelta(minutes=1))
        trip.send(CallMade(hold="glacier-edge", decision="go", settled=settled, knew=knew), seen_seq=knew.seq)
        assert not any("stays ahead" in line for line in trip.countersignature().differences)
        assert "glacier-edge" in trip.picture().holds_passed

    def test_another_forecast_is_said(self, trip: Expedition) -> None:
        knew = trip.knew().model_copy(update={"forecast": "0" * 64})
        trip.send(CallMade(hold="base", decision="down", knew=knew), seen_seq=knew.seq)
        assert "The call rests on another forecast than the one in force here." in (
            trip.countersignature().differences
        )

    def test_ropes_are_carried_out_as_entries(self, trip: Expedition) -> None:
        ropes = trip.picture().rope_teams
        r1, r2, r3 = ropes
        changed = (r1.model_copy(update={"members": (*r1.members, "p10")}), r2)
        changed = (*changed, r3.model_copy(update={"members": tuple(m for m in r3.members if m != "p10")}))
        call = CallMade(hold="base", decision="go-with-changes", ropes=changed, knew=Knew(seq=0))
        trip.send(call, seen_seq=trip.snapshot().seq)
        assert trip.picture().rope_teams == changed

    def test_sent_twice_it_is_answered_once(self, trip: Expedition) -> None:
        trip.send(CallMade(hold="base", decision="down", knew=trip.knew()))
        entry = next(e for e in trip.snapshot().entries if e.id == trip.last_call().entry)
        plain = entry.model_copy()
        again = Entry.model_validate(
            {name: getattr(plain, name) for name in Entry.model_fields if name != "after"}
        )
        with trip.database.writing() as work:
            (outcome,) = trip.journal.record(work, OUTFIT, TRIP, [again])
        assert outcome.status == "already-there"
        assert len(trip.picture().decided.countersigned) == 1


class TestViews:
    def test_nobody_sees_before_they_have_spoken(self, trip: Expedition) -> None:
        trip.view("p02", "go", staff="s2", hold="base", why="Fine by me")

        def seen(staff: str, role: Role) -> dict[str, tuple[bool, str | None]]:
            found = rules.views(trip.picture(), "base", staff, role)
            return {view.member: (view.given, view.view) for view in found}

        assert seen("s3", "assistant") == {"p02": (True, None), "p03": (False, None)}
        assert seen("s2", "assistant") == {"p02": (True, "go"), "p03": (False, None)}
        assert seen("office", "office") == {"p02": (True, None), "p03": (False, None)}
        assert seen("lead", "lead") == {"p02": (True, "go"), "p03": (False, None)}
        trip.view("p03", "wait", staff="s3", hold="base")
        assert seen("s3", "assistant") == {"p02": (True, "go"), "p03": (True, "wait")}

    def test_after_the_call_all_is_open_and_a_new_round_begins(self, trip: Expedition) -> None:
        trip.view("p02", "wait", staff="s2", hold="base")
        trip.call("wait", reason="as Tashi says")
        views = rules.views(trip.picture(), "base", "s3", "assistant")
        assert [view.given for view in views] == [False, False]
        with trip.database.reading() as conn:
            record = check_here(conn, trip.readiness, OUTFIT, trip.sealed()).record
        assert [(v["member"], v["view"]) for v in record["views"]["given"]] == [("p02", "wait")]
        assert record["views"]["missing"] == ["p03"]

    def test_a_client_is_not_asked(self, trip: Expedition) -> None:
        with pytest.raises(Invalid, match="no guide"):
            trip.view("p04", "go", staff="s2", hold="base")

    def test_a_withheld_view_never_counts(self, trip: Expedition) -> None:
        trip.send(ViewGiven(hold="base", member="p03", view="withheld"), actor=THIRD)
        assert trip.picture().decided.views == ()
