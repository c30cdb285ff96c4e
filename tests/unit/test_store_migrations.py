"""Older and newer databases."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic import command

from server.plan.workorder import write_workorder
from server.session.place import Tap
from server.store import opening
from server.store.database import Store, StoreFailure
from server.store.worked_out import Wanted
from tests.conftest import Clock
from tests.examples import piece_order, piece_text


def contents(path: Path) -> list[str]:
    """Everything in a database, as SQL."""
    with closing(sqlite3.connect(path)) as connection:
        return list(connection.iterdump())


@pytest.fixture
def older(tmp_path: Path) -> Path:
    """A database at the first revision, with a piece and a tap in it."""
    path = tmp_path / "spareshaft.sqlite"
    engine = opening.open_engine(path)
    config = opening._config()
    with engine.execution_options(immediate=True).begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
    engine.dispose()
    with closing(Store(tmp_path / "other.sqlite")) as other:
        other.tap(other.add_piece(piece_text(), piece_order()), Tap("begin", 0, 0))
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("ATTACH ? AS other", (str(tmp_path / "other.sqlite"),))
        columns = "id, name, loom_name, file_text, order_text, added_at"
        connection.execute(f"INSERT INTO pieces SELECT {columns} FROM other.pieces")
        connection.execute("INSERT INTO taps SELECT piece, turn, kind, card, again, at FROM other.taps")
    return path


def test_an_older_database_is_copied_and_brought_up_to_date(older: Path, clock: Clock) -> None:
    before = contents(older)
    with closing(Store(older, clock=clock)) as store:
        weaving = store.weaving(1)
        assert weaving is not None
        assert [entry.kind for entry in weaving.log] == ["begin"]
        store.set_preferences({"side": "left"})
    copy = older.with_name("spareshaft-0001-20260105T090000Z.sqlite")
    assert contents(copy) == before


def test_a_database_from_before_questions_takes_them(tmp_path: Path, clock: Clock) -> None:
    path = tmp_path / "spareshaft.sqlite"
    engine = opening.open_engine(path)
    config = opening._config()
    with engine.execution_options(immediate=True).begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0005")
    engine.dispose()
    with closing(sqlite3.connect(path)) as connection, connection:
        at = "2026-01-05T09:00:00.000000+00:00"
        row = ("Harbour runner", "The big loom", piece_text(), write_workorder(piece_order()), at)
        connection.execute(
            "INSERT INTO pieces (name, loom_name, file_text, order_text, added_at) VALUES (?, ?, ?, ?, ?)",
            row,
        )
    with closing(Store(path, clock=clock)) as store:
        wanted = Wanted(piece_text(name="Next"))
        kept, come = store.worked_out.ask(
            "k", "plan", wanted.file_text, {}, server=1, most=1, serves=lambda _: True, wanted=wanted
        )
        store.worked_out.end(kept.id, "answered", {"order": write_workorder(piece_order())})
        assert store.worked_out.keep_piece(come or 0) == 2
        assert [line.name for line in store.pieces()] == ["Next", "Harbour runner"]


def test_a_database_that_is_up_to_date_is_not_copied(older: Path) -> None:
    Store(older).close()
    copies = sorted(older.parent.glob("spareshaft-*"))
    Store(older).close()
    assert sorted(older.parent.glob("spareshaft-*")) == copies
    assert len(copies) == 1


def test_a_migration_that_fails_leaves_everything_as_it_was(
    older: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = contents(older)
    upgrade = command.upgrade

    def upgrade_and_fail(*arguments: object) -> None:
        upgrade(*arguments)  # type: ignore[arg-type]
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(command, "upgrade", upgrade_and_fail)
    with pytest.raises(StoreFailure, match="No space left"):
        Store(older)
    assert contents(older) == before


def test_without_room_for_the_copy_nothing_is_changed(older: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = contents(older)

    def no_room(source: Path, copy: Path) -> None:
        raise OSError(28, "No space left on device", str(copy))

    monkeypatch.setattr(opening, "_copy", no_room)
    with pytest.raises(StoreFailure, match="No space left"):
        Store(older)
    assert contents(older) == before


def test_a_database_from_a_newer_version_is_left_alone(store: Store, piece_id: int) -> None:
    store.close()
    with closing(sqlite3.connect(store.path)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    before = store.path.read_bytes()
    with pytest.raises(StoreFailure, match="made by a newer Spareshaft"):
        Store(store.path)
    assert store.path.read_bytes() == before


def test_the_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "notes.sqlite"
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("CREATE TABLE notes (text)")
    before = path.read_bytes()
    with pytest.raises(StoreFailure, match="another program's database"):
        Store(path)
    assert path.read_bytes() == before


def test_a_file_that_is_no_database_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "letter.txt"
    path.write_text("Dear weaver, " * 1000)
    with pytest.raises(StoreFailure, match="not a database of Spareshaft"):
        Store(path)
    assert path.read_text() == "Dear weaver, " * 1000
