"""Health notes: who writes, who reads and when, what is kept of it, corrections, consent, export."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from uuid import UUID

import pytest

from api.errors import Conflict, Invalid, NotFound, Refused, Unavailable
from api.ids import new_id
from api.journal.entry import Actor
from api.journal.health import Mark
from api.journal.service import actor_of
from api.nights import views
from api.nights.schemas import (
    HealthRemark,
    HistoryTold,
    NightsWrite,
    NoteWrite,
    PrivateTalk,
    Reading,
    SymptomScore,
)
from api.nights.sealing import KEY_FILE
from api.nights.service import Health
from api.nights.symptoms import standing
from tests.nights.conftest import HER, OUTFIT, TRIP, Camp, reader

HERSELF = Actor(id=HER, name="Moon Hye-jin", role="climber")
FINE = SymptomScore(headache=0, gastrointestinal=0, fatigue=1, dizziness=0, hours_since_gain=20)


def write(
    camp: Camp, content: object, *, role: str = "assistant", actor: Actor | None = None, **more: object
):
    with camp.database.writing() as work:
        note = NoteWrite.model_validate({"member": HER, "content": content, **more})
        who = actor or actor_of(reader(role))  # type: ignore[arg-type]
        return camp.health.write(work, OUTFIT, TRIP, who, note)


def read(camp: Camp, role: str = "assistant", **more: object):
    with camp.database.writing() as work:
        return camp.health.read(work, reader(role), TRIP, **more)  # type: ignore[arg-type]


class TestStory:
    """The scenario's own numbers."""

    def test_the_score_of_the_morning(self, camp: Camp) -> None:
        notes = read(camp)
        (score,) = [n.score for n in notes if n.score is not None]
        assert (score.total, score.rule_met, score.severity, score.too_early) == (4, True, "mild", False)
        readings = [n.content for n in notes if isinstance(n.content, Reading)]
        assert [(r.spo2_percent, r.hand_warmed) for r in readings] == [(81, False), (86, True)]

    def test_at_least_moderate_and_not_settled(self, camp: Camp) -> None:
        snapshot = camp.snapshot()
        plan = snapshot.picture.trip
        assert plan is not None
        risk = views.assess(views.ladder(plan, snapshot.picture, HER), views.history_of(read(camp))).risk
        assert views.risk_in_words(risk) == (
            "at least moderate risk by the table, by height of the first night and rate of ascent; earlier "
            "trouble at altitude not settled"
        )

    def test_the_leads_word_outranks_better_scores(self, camp: Camp) -> None:
        camp.tell_on()
        totals = [n.score.total for n in read(camp) if n.score is not None]
        assert totals == [4, 3, 1]
        assert standing(camp.snapshot().picture, HER).mark is Mark.HOLD
        write(camp, PrivateTalk(text="Well again.", decided="may-go-on"), role="lead")
        assert standing(camp.snapshot().picture, HER).mark is None


class TestWriting:
    def test_nothing_of_it_stands_in_the_journal(self, camp: Camp) -> None:
        write(camp, HealthRemark(text="marmalade-and-thunder"))
        text = "".join(entry.model_dump_json() for entry in camp.snapshot().entries)
        assert "health-note" in text
        assert "marmalade" not in text
        assert "symptom-score" not in text

    def test_without_agreement_nothing_is_written_but_to_protect_a_life(self, camp: Camp) -> None:
        with pytest.raises(Conflict, match="has not agreed to health notes"):
            write(camp, FINE, member="p04")
        write(camp, FINE, member="p04", emergency=True)
        assert [n.without_consent for n in read(camp, member="p04")] == [True]
        assert [n.without_consent for n in read(camp, member=HER)] == [False] * 4

    def test_taken_back_agreement_ends_it(self, camp: Camp) -> None:
        with camp.database.writing() as work:
            camp.health.consent(work, OUTFIT, TRIP, HERSELF, HER, given=False)
        with pytest.raises(Conflict, match="has not agreed"):
            write(camp, FINE)

    def test_the_text_that_was_shown_is_recorded(self, camp: Camp) -> None:
        text, version = camp.health.consent_text()
        assert "from 14 days before it to 7 days after it" in text
        record = camp.snapshot().picture.consents[HER, "health-notes"]
        assert (record.body.given, record.body.text_version) == (True, version)

    def test_only_a_lead_records_a_private_talk(self, camp: Camp) -> None:
        with pytest.raises(Refused, match="recorded by a lead guide"):
            write(camp, PrivateTalk(text="…"))

    def test_a_climber_writes_about_themselves_only(self, camp: Camp) -> None:
        write(camp, FINE, actor=HERSELF)
        with pytest.raises(Refused, match="about yourself only"):
            write(camp, FINE, actor=HERSELF, member="p10")
        assert standing(camp.snapshot().picture, HER).mark is Mark.HOLD, "nobody clears themselves"

    def test_sent_again_it_is_stored_once(self, camp: Camp) -> None:
        id_ = new_id()
        assert write(camp, FINE, id=id_).status == "stored"
        assert write(camp, FINE, id=id_).status == "already-there"
        assert sum(n.id == id_ for n in read(camp)) == 1

    def test_what_cannot_be_is_refused(self, camp: Camp) -> None:
        with pytest.raises(NotFound, match="Nobody called p99"):
            write(camp, FINE, member="p99", emergency=True)
        with pytest.raises(Invalid, match="happened_at: that lies ahead"):
            write(camp, FINE, happened_at=datetime(2027, 1, 1, tzinfo=UTC))
        with pytest.raises(NotFound, match="not among this person's notes"):
            write(camp, FINE, corrects=UUID(int=7))

    def test_a_correction_says_which_note_it_puts_right(self, camp: Camp) -> None:
        wrong = next(n for n in read(camp) if n.score is not None)
        write(camp, FINE, corrects=wrong.id)
        notes = read(camp)
        assert next(n for n in notes if n.id == wrong.id).corrected_by == notes[-1].id
        assert notes[-1].corrects == wrong.id


class TestReading:
    def test_office_and_administrator_are_refused(self, camp: Camp) -> None:
        for role in ("office", "admin"):
            with pytest.raises(Refused, match="lead guide or assistant guide"):
                read(camp, role=role)

    def test_a_private_talk_is_for_leads(self, camp: Camp) -> None:
        write(camp, PrivateTalk(text="between us"), role="lead")
        (talk,) = [n for n in read(camp, role="assistant") if n.state == "private"]
        assert talk.content is None
        assert any(isinstance(n.content, PrivateTalk) for n in read(camp, role="lead"))

    @pytest.mark.parametrize(
        ("day", "open_"),
        [
            (datetime(2026, 8, 29, 6, tzinfo=UTC), True),
            (datetime(2026, 8, 28, 6, tzinfo=UTC), False),
            (datetime(2026, 9, 22, 6, tzinfo=UTC), True),
            (datetime(2026, 9, 23, 6, tzinfo=UTC), False),
        ],
    )
    def test_from_a_set_day_to_a_set_day(self, camp: Camp, day: datetime, open_: bool) -> None:
        """14 days before the 12th to 7 days after the 15th of September."""
        camp.clock.set(day)
        if open_:
            assert len(read(camp)) == 4
        else:
            with pytest.raises(Refused, match="from 2026-08-29 to 2026-09-22 only"):
                read(camp)

    def test_every_reading_is_kept(self, camp: Camp) -> None:
        read(camp)
        read(camp, role="lead", member=HER)
        with camp.database.writing() as work:
            camp.health.read_own(work, OUTFIT, TRIP, HER)
        with camp.database.reading() as conn:
            lines = views.access_lines(conn, camp.health, TRIP)
        assert [(line.member, line.reader, line.did, line.notes) for line in lines] == [
            (HER, HER, "read", 4),
            (HER, "lead", "read", 4),
            (HER, "assistant", "read", 4),
        ]

    def test_their_own_at_any_time_and_whole(self, camp: Camp) -> None:
        write(camp, PrivateTalk(text="between us"), role="lead")
        camp.clock.set(datetime(2026, 10, 10, tzinfo=UTC))
        with camp.database.writing() as work:
            own = camp.health.read_own(work, OUTFIT, TRIP, HER)
        assert all(note.content is not None for note in own)

    def test_as_it_stood_earlier(self, camp: Camp) -> None:
        before = camp.snapshot().seq
        write(camp, FINE)
        assert len(read(camp, seq=before)) == 4
        assert len(read(camp)) == 5

    def test_counts_have_no_names(self, camp: Camp) -> None:
        with camp.database.reading() as conn:
            counts = camp.health.counts(conn, OUTFIT, TRIP)
        assert counts.model_dump() == {
            "people": 11,
            "agreed": 1,
            "with_notes": 1,
            "held_back": 1,
            "erased": 0,
        }

    def test_without_the_master_key_notes_say_so_and_none_is_written(self, camp: Camp) -> None:
        (camp.settings.data_dir / KEY_FILE).unlink()
        camp.health = Health(camp.settings, camp.clock, camp.journal)
        assert {n.state for n in read(camp)} == {"no-key"}
        with pytest.raises(Unavailable, match="Nothing was stored"):
            write(camp, FINE)


class TestExport:
    def test_everything_of_one_person(self, camp: Camp) -> None:
        read(camp)
        with camp.database.writing() as work:
            taken = views.export_own(work, camp.health, OUTFIT, TRIP, HER)
        assert len(taken.notes) == 4
        assert [n.elevation_m for n in taken.nights[:5]] == [40, 40, 760, 760, 3240]
        assert [line.did for line in taken.read_by] == ["exported", "read"]
        assert taken.consent is not None
        assert "Headache at 3,500 m" in taken.model_dump_json()

    def test_by_the_lead_alone(self, camp: Camp) -> None:
        with camp.database.writing() as work:
            with pytest.raises(Refused, match="by the lead guide, or by the person"):
                views.export_for(work, camp.health, reader("assistant"), TRIP, HER)
            assert views.export_for(work, camp.health, reader("lead"), TRIP, HER).member == HER


def test_nights_are_told_for_many_at_once(camp: Camp) -> None:
    on = date(2026, 9, 13)
    with camp.database.writing() as work:
        told = NightsWrite(members=("p10", HER), on=on, elevation_m=3240, known="spent")
        camp.health.tell_nights(work, reader("lead"), TRIP, told)
        with pytest.raises(NotFound):
            camp.health.tell_nights(work, reader("lead"), TRIP, NightsWrite(members=("p99",), on=on))
    nights = camp.snapshot().picture.nights
    assert nights[HER][on].body.elevation_m == nights["p10"][on].body.elevation_m == 3240


def test_history_told_later_stands(camp: Camp) -> None:
    from api.science.ascent import History

    camp.clock.advance(timedelta(minutes=1))
    write(camp, HistoryTold(said="It was mountain sickness", worst=History.MODERATE_SEVERE_AMS))
    assert views.history_of(read(camp)) is History.MODERATE_SEVERE_AMS
