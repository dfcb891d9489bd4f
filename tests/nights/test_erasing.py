"""Erasure: nothing can be read again from the database, its log, or copies made after; the chain is whole."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import anyio
import pytest
from pydantic import SecretStr
from sqlalchemy import Connection, text
from typer.testing import CliRunner

from api.cli import app as command
from api.db import Database, sqlite_module
from api.journal import store
from api.journal.health import Mark
from api.journal.service import actor_of
from api.nights import erasing, queries
from api.nights.keys import Keys
from api.nights.schemas import HealthRemark, NoteWrite
from api.nights.sealing import KEY_FILE, CannotOpen, MasterKey, bound, keyring, open_sealed
from api.nights.service import Health
from api.nights.symptoms import standing
from api.settings import Settings, get_settings
from tests.nights.conftest import HER, OUTFIT, TRIP, Camp, camp_at, reader

WRAPPED = re.compile(rb"[A-Za-z0-9+/]{80}")
"""A wrapped key in base64: 12 bytes of nonce, 32 of key and 16 of tag are 60 bytes."""


PAGE, PAGE_HEADER = 8192, 24
"""Bytes of a page of PostgreSQL's write-ahead log, and of the header that may cut a value in two."""


class Log:
    """PostgreSQL's write-ahead log from now on, which the server keeps whole for as long as we listen."""

    def __init__(self, database: Database, listening: Connection) -> None:
        self.database = database
        self._listening = listening
        listening.execute(text("SELECT pg_create_physical_replication_slot('erasing', true, true)"))
        self._since = listening.execute(text("SELECT pg_walfile_name(pg_current_wal_lsn())")).scalar_one()

    def bytes(self) -> bytes:
        """All that was written since, segment by segment, without the pages' headers."""
        segments = """
            SELECT pg_read_binary_file('pg_wal/' || name) FROM pg_ls_waldir()
            WHERE name BETWEEN :since AND pg_walfile_name(pg_current_wal_insert_lsn())
              AND name ~ '^[0-9A-F]{24}$'
            ORDER BY name
        """
        rows = self._listening.execute(text(segments), {"since": self._since}).all()
        raw = b"".join(bytes(row[0]) for row in rows)
        return b"".join(raw[at + PAGE_HEADER : at + PAGE] for at in range(0, len(raw), PAGE))


def erase(camp: Camp) -> int:
    with camp.database.writing() as work:
        return erasing.erase(work, camp.health, OUTFIT, TRIP, actor_of(reader("lead")), HER)


def states(camp: Camp) -> set[str]:
    with camp.database.writing() as work:
        return {note.state for note in camp.health.read(work, reader("lead"), TRIP)}


def sealed_notes(camp: Camp) -> list[tuple[str, str]]:
    """(key id, sealed text) of all of her notes, as the journal still has them."""
    return [(r.body.key_id, r.body.sealed) for r in camp.snapshot().picture.health_notes[HER]]


def readable(bytes_: bytes, notes: list[tuple[str, str]], masters: list[MasterKey]) -> int:
    """How many notes can be opened with any wrapped key that stands anywhere in these bytes."""
    opened = 0
    for key_id, sealed in notes:
        place = bound(TRIP, HER, key_id)
        for start in range(len(bytes_)):
            found = WRAPPED.match(bytes_, start)
            if found is None:
                continue
            for master in masters:
                try:
                    secret = master.unwrap(found[0].decode(), place)
                    open_sealed(secret, sealed, place)
                except CannotOpen:
                    continue
                opened += 1
    return opened


def candidates(raw: bytes) -> bytes:
    """Only the stretches that could hold a wrapped key, so that trying them all takes no time."""
    runs = re.findall(rb"[A-Za-z0-9+/]{80,400}", raw)
    return b"\n".join(run for run in runs if len(run) < 400)


def files_of(db: Database) -> list[Path]:
    file = Path(str(db.url.database))
    return [path for path in (file, Path(f"{file}-wal"), Path(f"{file}-shm")) if path.exists()]


def test_erased_notes_cannot_be_read_and_the_chain_is_whole(camp: Camp) -> None:
    assert states(camp) == {"readable"}
    assert erase(camp) == 1
    assert states(camp) == {"erased"}
    with camp.database.reading() as conn:
        report = store.verify_trip(conn, TRIP)
        kept = queries.keys(conn, TRIP, HER)
    assert report.whole
    assert [(row.wrapped, row.erased_at is not None) for row in kept] == [("", True)]
    assert erase(camp) == 0


@pytest.mark.one_database
def test_zero_decryptable_bytes_in_database_log_and_copies(camp: Camp, tmp_path: Path) -> None:
    notes = sealed_notes(camp)
    masters = list(keyring(camp.settings)[0].keys)
    before = b"".join(path.read_bytes() for path in files_of(camp.database))
    assert readable(candidates(before), notes, masters) >= len(notes), "the search finds what is there"
    erase(camp)
    after = [path.read_bytes() for path in files_of(camp.database)]
    copy = tmp_path / "copy.sqlite3"
    connect = sqlite_module().connect
    with closing(connect(str(camp.database.url.database))) as source, closing(connect(str(copy))) as target:
        source.backup(target)
    raw = b"".join([*after, copy.read_bytes()])
    assert readable(candidates(raw), notes, masters) == 0
    assert Path(f"{camp.database.url.database}-wal").stat().st_size == 0
    with closing(connect(str(copy))) as conn:
        assert conn.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.one_database
class TestOnPostgres:
    """PostgreSQL overwrites nothing: neither in its files nor in its log."""

    @pytest.fixture
    def camp(self, log: Log, settings: Settings) -> Camp:
        return camp_at(log.database, settings)

    @pytest.fixture
    def log(self, postgres_url: str) -> Iterator[Log]:
        with closing(Database(postgres_url)) as db, closing(Database(postgres_url)) as another:
            conn = another.engines()[1].connect().execution_options(isolation_level="AUTOCOMMIT")
            with conn:
                yield Log(db, conn)

    def test_zero_decryptable_bytes_in_table_log_and_copies(self, camp: Camp, log: Log) -> None:
        notes = sealed_notes(camp)
        before = list(keyring(camp.settings)[0].keys)
        assert readable(candidates(table_bytes(camp.database)), notes, before) >= len(notes)
        assert readable(candidates(log.bytes()), notes, before) >= len(notes)
        erase(camp)
        assert readable(candidates(table_bytes(camp.database)), notes, before) == 0, "not even by the old key"
        after = list(keyring(camp.settings)[0].keys)
        assert len(after) == 1
        assert after != before
        copied = str(all_rows(camp.database)).encode()
        raw = b"\n".join((table_bytes(camp.database), log.bytes(), copied))
        assert readable(candidates(raw), notes, after) == 0

    def test_others_stay_readable(self, camp: Camp) -> None:
        with camp.database.writing() as work:
            note = NoteWrite(member="p08", content=HealthRemark(text="Well."), emergency=True)
            camp.health.write(work, OUTFIT, TRIP, actor_of(reader("lead")), note)
        erase(camp)
        assert states(camp) == {"erased", "readable"}
        assert states(Camp(camp.database, camp.settings, camp.clock, camp.journal, _fresh(camp))) == {
            "erased",
            "readable",
        }

    def test_interrupted_before_the_old_key_was_dropped_the_next_round_does_it(self, camp: Camp) -> None:
        with camp.database.writing() as work:
            camp.health.keys.begin_rotation()
            camp.health.keys.rewrap_all(work)
        assert camp.health.keys.rotation_unfinished
        erasing._look(camp.database, camp.health)
        assert not camp.health.keys.rotation_unfinished
        assert states(camp) == {"readable"}

    def test_a_key_from_the_settings_is_named_as_left_to_do(
        self, camp: Camp, caplog: pytest.LogCaptureFixture
    ) -> None:
        (old,) = keyring(camp.settings)[0].keys
        given = camp.settings.model_copy(
            update={"health_key": SecretStr(base64.b64encode(old.secret).decode())}
        )
        camp.health = Health(given, camp.clock, camp.journal)
        erase(camp)
        assert "health_key_to_rotate" in caplog.text
        assert states(camp) == {"erased"}


def table_bytes(db: Database) -> bytes:
    """The file of the table of keys, as PostgreSQL has it on disk."""
    with db.engines()[1].connect() as conn:
        conn.execute(text("CHECKPOINT"))
        return bytes(
            conn.execute(text("SELECT pg_read_binary_file(pg_relation_filepath('health_key'))")).scalar_one()
        )


def all_rows(db: Database) -> list[object]:
    """What a copy made now would hold of keys and entries."""
    with db.reading() as conn:
        return [
            *conn.execute(text("SELECT * FROM health_key")).all(),
            *conn.execute(text("SELECT * FROM journal_entry")).all(),
        ]


class TestByItself:
    """The background task."""

    def test_it_erases_what_is_due_and_nothing_twice(self, camp: Camp) -> None:
        camp.clock.set(datetime(2026, 10, 16, 12, tzinfo=UTC))

        async def once() -> None:
            async with erasing.erasing(camp.database, camp.health):
                for _ in range(500):
                    await anyio.sleep(0.01)
                    if states_of_keys(camp) == {True}:
                        return

        anyio.run(once)
        assert states_of_keys(camp) == {True}
        seq = camp.snapshot().seq
        anyio.run(erasing._round, camp.database, camp.health)
        assert camp.snapshot().seq == seq

    def test_two_at_once_erase_once(self, camp: Camp) -> None:
        camp.clock.set(datetime(2026, 10, 16, 12, tzinfo=UTC))

        async def both() -> None:
            async with anyio.create_task_group() as tasks:
                for _ in range(2):
                    tasks.start_soon(erasing._round, camp.database, camp.health)

        anyio.run(both)
        assert states_of_keys(camp) == {True}
        assert len(camp.snapshot().picture.health_erased) == 1

    def test_what_goes_wrong_ends_only_the_round(
        self, camp: Camp, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
    ) -> None:
        def broken(*_: object) -> None:
            raise RuntimeError("as if the disk were full")

        monkeypatch.setattr(erasing, "_look", broken)
        anyio.run(erasing._round, camp.database, camp.health)
        assert "health_not_erased" in caplog.text


def states_of_keys(camp: Camp) -> set[bool]:
    """Whether keys are erased."""
    with camp.database.reading() as conn:
        return {row.erased_at is not None for row in queries.keys(conn, TRIP)}


@pytest.mark.one_database
def test_a_long_reader_only_delays_it(camp: Camp, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(queries, "CHECKPOINT_WAIT_S", 0.05)
    wal = Path(f"{camp.database.url.database}-wal")
    with camp.database.reading() as conn:
        conn.execute(text("SELECT count(*) FROM journal_entry")).scalar_one()
        erase(camp)
        assert wal.stat().st_size > 0
    with camp.database.writing() as work:
        assert erasing.erase_due(work, camp.health) == 0
    assert wal.stat().st_size == 0


def test_a_stop_is_not_lifted_by_erasing(camp: Camp) -> None:
    erase(camp)
    stands = standing(camp.snapshot().picture, HER)
    assert (stands.mark, stands.erased) == (Mark.HOLD, True)


def test_the_past_board_stays_and_its_notes_say_erased(camp: Camp) -> None:
    seq = camp.snapshot().seq
    before = camp.snapshot()
    erase(camp)
    assert camp.snapshot().at(seq).picture == before.picture
    with camp.database.writing() as work:
        past = camp.health.read(work, reader("lead"), TRIP, seq=seq)
    assert [(n.state, n.erased_at is not None) for n in past] == [("erased", True)] * 4


def test_what_is_noted_after_an_erasure_has_a_key_of_its_own(camp: Camp) -> None:
    erase(camp)
    with camp.database.writing() as work:
        note = NoteWrite(member=HER, content=HealthRemark(text="Well at home."))
        camp.health.write(work, OUTFIT, TRIP, actor_of(reader("lead")), note)
    assert states(camp) == {"erased", "readable"}


@pytest.mark.parametrize(("day", "count"), [(15, 0), (16, 1)])
def test_erased_by_itself_when_the_time_is_over(camp: Camp, day: int, count: int) -> None:
    """The trip ends on 15 September and notes are kept 30 days: to 15 October."""
    camp.clock.set(datetime(2026, 10, day, 12, tzinfo=UTC))
    with camp.database.writing() as work:
        assert erasing.erase_due(work, camp.health) == count
    with camp.database.reading() as conn:
        assert len([row for row in queries.keys(conn, TRIP) if row.erased_at]) == count
        assert store.verify_trip(conn, TRIP).whole


class TestRotation:
    def run(self, camp: Camp, monkeypatch: pytest.MonkeyPatch) -> str:
        monkeypatch.setenv("RIMAYE_DATABASE_URL", camp.database.url.render_as_string(hide_password=False))
        monkeypatch.setenv("RIMAYE_DATA_DIR", str(camp.settings.data_dir))
        get_settings.cache_clear()
        try:
            result = CliRunner().invoke(command, ["health", "rotate-key"])
        finally:
            get_settings.cache_clear()
        assert result.exit_code == 0, result.output
        return result.output

    def test_notes_stay_readable_and_the_old_key_opens_nothing(
        self, camp: Camp, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        (old,) = keyring(camp.settings)[0].keys
        assert self.run(camp, monkeypatch) == "1 people's keys are under the new master key.\n"
        (new,) = keyring(camp.settings)[0].keys
        assert new != old
        assert states(camp) == {"readable"}, "also for a process that was running meanwhile"
        with camp.database.reading() as conn:
            (row,) = queries.keys(conn, TRIP, HER)
        with pytest.raises(CannotOpen):
            old.unwrap(row.wrapped, bound(TRIP, HER, row.id))

    def test_interrupted_after_the_file_was_written_it_can_be_run_again(
        self, camp: Camp, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        Keys(camp.settings).begin_rotation()
        assert states(Camp(camp.database, camp.settings, camp.clock, camp.journal, _fresh(camp))) == {
            "readable"
        }
        self.run(camp, monkeypatch)
        assert len((camp.settings.data_dir / KEY_FILE).read_text().split()) == 1
        assert states(camp) == {"readable"}

    def test_by_the_setting_the_first_key_takes_over(self, camp: Camp) -> None:
        (old,) = keyring(camp.settings)[0].keys
        fresh = base64.b64encode(b"n" * 32).decode()
        both = f"{fresh},{base64.b64encode(old.secret).decode()}"
        keys = Keys(Settings(data_dir=camp.settings.data_dir, health_key=both))
        keys.begin_rotation()
        with camp.database.writing() as work:
            assert keys.rewrap_all(work) == 1
        keys.end_rotation()
        alone = Settings(data_dir=camp.settings.data_dir, health_key=fresh)
        camp.health = Health(alone, camp.clock, camp.journal)
        assert states(camp) == {"readable"}


def _fresh(camp: Camp) -> Health:
    return Health(camp.settings, camp.clock, camp.journal)


def test_the_command_erases_what_is_due(camp: Camp, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RIMAYE_DATABASE_URL", camp.database.url.render_as_string(hide_password=False))
    monkeypatch.setenv("RIMAYE_DATA_DIR", str(camp.settings.data_dir))
    get_settings.cache_clear()
    try:
        first, second = (CliRunner().invoke(command, ["health", "erase-due"]) for _ in range(2))
    finally:
        get_settings.cache_clear()
    # The machine's clock is long past the demo's trip, or not yet there; either way the second finds nothing.
    assert first.exit_code == second.exit_code == 0
    assert second.output == "Nothing is due.\n"
