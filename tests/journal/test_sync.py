"""Journals as files: two laptops, no server between them."""

import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from api.cli import app
from api.db import Database
from api.errors import Conflict, Invalid, NotFound
from api.journal import queries, store, sync
from api.journal.chain import canonical_json, genesis, link
from api.journal.entry import Entry
from api.journal.fold import fold
from api.journal.kinds import GearState, Remark
from tests.journal.conftest import open_trip
from tests.journal.histories import START, entry, entry_id, sighting
from tests.support.databases import SqliteTemplates

NOW = START + timedelta(days=1)


@pytest.fixture
def laptop(sqlite_templates: SqliteTemplates, tmp_path: Path) -> Iterator[Database]:
    """Another installation of the same outfit, without the trip."""
    folder = tmp_path / "laptop"
    folder.mkdir()
    with sqlite_templates.fresh(folder) as url:
        db = Database(url)
        open_trip(db)
        yield db
        db.close()


def append(db: Database, *entries: Entry) -> None:
    with db.writing() as work:
        store.append(work, "trip", "nordhang", entries, NOW)


def exported(db: Database) -> list[str]:
    with db.reading() as conn:
        return list(sync.export_journal(conn, "trip"))


def imported(db: Database, lines: list[str], *, create: bool = True) -> sync.ImportReport:
    with db.writing() as work:
        return sync.import_journal(work, lines, NOW, by="a test", create=create)


def head_seq(db: Database) -> int:
    with db.reading() as conn:
        return store.head(conn, "trip").seq


def filled(db: Database) -> None:
    append(
        db,
        entry(1, sighting(), after=()),
        entry(2, sighting(state=GearState.ABSENT), phone=1, after=()),
        entry(3, Remark(text="Bergschrund is open — detour ‘left’ \u2028")),
    )


class TestExchange:
    def test_both_end_in_the_same_picture(self, db: Database, laptop: Database) -> None:
        filled(db)
        assert imported(laptop, exported(db)).count("stored") == 3
        append(db, entry(4, sighting(), phone=0, after=(entry_id(1), entry_id(2))))
        append(laptop, entry(5, sighting(state=GearState.UNFIT), phone=1, after=(entry_id(2),)))
        imported(laptop, exported(db))
        imported(db, exported(laptop))
        with db.reading() as here, laptop.reading() as there:
            one, other = store.read(here, "trip"), store.read(there, "trip")
            assert fold(one) == fold(other)
            assert queries.members(here, "trip") == queries.members(there, "trip")
            assert store.verify_trip(here, "trip").whole
            assert store.verify_trip(there, "trip").whole
        assert len(fold(one).sightings["mara", "helmet"]) == 2

    def test_again_changes_nothing(self, db: Database, laptop: Database) -> None:
        filled(db)
        imported(laptop, exported(db))
        report = imported(laptop, exported(db))
        assert (report.count("stored"), report.count("already-there")) == (0, 3)

    def test_a_refused_entry_is_reported_and_the_others_are_stored(
        self, db: Database, laptop: Database
    ) -> None:
        filled(db)
        with laptop.writing() as work:
            queries.create_trip(work, "trip", "nordhang", START)
        append(laptop, entry(2, Remark(text="something else"), after=()))
        report = imported(laptop, exported(db))
        assert (report.count("stored"), report.count("refused")) == (2, 1)
        assert "already used" in next(o.problem for o in report.outcomes if o.status == "refused")

    def test_a_kind_that_is_not_known_here_is_reported(self, db: Database, laptop: Database) -> None:
        filled(db)
        header, first, *_ = (json.loads(line) for line in exported(db))
        first["body"] = {"kind": "moon-phase", "phase": 0.5}
        written = {name: first[name] for name in Entry.model_fields}
        first["hash"] = link(genesis("trip"), canonical_json(written), 1, first["received_at"])
        header |= {"entries": 1, "head_hash": first["hash"]}
        report = imported(laptop, [json.dumps(header), json.dumps(first)])
        assert [line.seq for line in report.unreadable] == [1]
        assert report.outcomes == ()


class TestBadFiles:
    @pytest.mark.parametrize(
        ("change", "says"),
        [
            (lambda lines: [], "no header"),
            (lambda lines: ["{}", *lines[1:]], "no header"),
            (
                lambda lines: [lines[0].replace('"rimaye_journal":1', '"rimaye_journal":9'), *lines[1:]],
                "format 9",
            ),
            (lambda lines: lines[:-1], "ends at entry 2"),
            (lambda lines: [lines[0], *lines[2:]], "entry 1 is missing"),
            (
                lambda lines: [lines[0], lines[1].replace("fits", "unfit"), *lines[2:]],
                "entry 1: the chain is broken",
            ),
            (lambda lines: [lines[0], lines[1][:-20], *lines[2:]], "line 2"),
            (lambda lines: [lines[0], "[" * 100_000, *lines[2:]], "line 2"),
            (lambda lines: [lines[0], "[1]", *lines[2:]], "line 2"),
            (
                lambda lines: [lines[0], lines[1].replace('"seen_seq":0', '"seen_seq":NaN'), *lines[2:]],
                "entry 1",
            ),
        ],
    )
    def test_nothing_is_stored(self, db: Database, laptop: Database, change: object, says: str) -> None:
        filled(db)
        assert callable(change)
        with pytest.raises(Invalid, match=says):
            imported(laptop, change(exported(db)))
        with laptop.reading() as conn:
            assert queries.trip_ids(conn) == []

    def test_the_trip_must_be_there_unless_it_may_be_opened(self, db: Database, laptop: Database) -> None:
        filled(db)
        with pytest.raises(NotFound):
            imported(laptop, exported(db), create=False)

    def test_a_trip_of_another_outfit_is_left_alone(self, db: Database, laptop: Database) -> None:
        filled(db)
        with laptop.writing() as work:
            queries.create_outfit(work, "sudhang", "Südhang")
            queries.create_trip(work, "trip", "sudhang", START)
        with pytest.raises(Conflict, match="belongs to outfit nordhang, but here to sudhang"):
            imported(laptop, exported(db))
        assert head_seq(laptop) == 0


class TestCommands:
    @pytest.fixture
    def run(self, monkeypatch: pytest.MonkeyPatch, db: Database, laptop: Database) -> object:
        from api.settings import get_settings

        def run(at: Database, *arguments: str) -> tuple[int, str]:
            monkeypatch.setenv("RIMAYE_DATABASE_URL", at.url.render_as_string(hide_password=False))
            get_settings.cache_clear()
            result = CliRunner().invoke(app, ["journal", *arguments])
            get_settings.cache_clear()
            return result.exit_code, result.output

        return run

    def test_export_import_verify_rebuild(
        self, db: Database, laptop: Database, run: object, tmp_path: Path
    ) -> None:
        assert callable(run)
        filled(db)
        file = tmp_path / "trip.jsonl"
        assert run(db, "export", "trip", str(file)) == (0, f"Written: {file}\n")
        assert run(laptop, "import", str(file), "--create") == (0, "trip: 3 stored, 0 known, 0 refused\n")
        assert run(laptop, "import", str(file)) == (0, "trip: 0 stored, 3 known, 0 refused\n")
        code, said = run(laptop, "verify")
        assert (code, said.startswith("trip: whole, 3 entries, head ")) == (0, True)
        assert run(laptop, "rebuild", "trip") == (0, "trip: rebuilt\n")
        code, said = run(laptop, "verify", "nowhere")
        assert (code, said) == (1, "There is no trip nowhere. There are: trip.\n")

    def test_a_broken_file_says_where(
        self, db: Database, laptop: Database, run: object, tmp_path: Path
    ) -> None:
        assert callable(run)
        filled(db)
        file = tmp_path / "trip.jsonl"
        run(db, "export", "trip", str(file))
        file.write_text(file.read_text(encoding="utf-8").replace("fits", "unfit"), encoding="utf-8")
        code, said = run(laptop, "import", str(file), "--create")
        assert code == 1
        assert "entry 1: the chain is broken there" in said
