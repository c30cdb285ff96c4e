"""A database that is locked, or that may not be written to."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from server.session.place import Tap
from server.store import opening
from server.store.database import Store, StoreFailure
from tests.examples import piece_order, piece_text


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Another program writes, and does not come to an end."""
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody waits for others: tests need not sit it out."""
    monkeypatch.setattr(opening, "BUSY_SECONDS", 0.05)


@pytest.mark.usefixtures("impatient")
def test_while_another_writes_a_tap_is_refused_and_reading_goes_on(store: Store, piece_id: int) -> None:
    with locked(store.path):
        with pytest.raises(StoreFailure, match=r"Another program holds .* Nothing was changed"):
            store.tap(piece_id, Tap("begin", 0, 0))
        with pytest.raises(StoreFailure, match="Another program holds"):
            store.add_piece(piece_text(), piece_order())
        with pytest.raises(StoreFailure, match="Another program holds"):
            store.set_preferences({"side": "left"})
        weaving = store.weaving(piece_id)
        assert weaving is not None
        assert weaving.log == ()
        assert len(store.pieces()) == 1
    answer = store.tap(piece_id, Tap("begin", 0, 0))
    assert answer is not None
    assert answer.counted


@pytest.mark.usefixtures("impatient")
def test_the_page_says_that_the_database_is_locked(store: Store, piece_id: int, client: TestClient) -> None:
    with locked(store.path):
        answer = client.post(f"/pieces/{piece_id}/begin", data={"card": 0, "turn": 0})
    assert answer.status_code == 503
    assert "Another program holds" in answer.text
    assert "Traceback" not in answer.text
    assert len(store.weaving(piece_id).log) == 0  # type: ignore[union-attr]


@pytest.mark.usefixtures("impatient")
def test_a_locked_database_is_not_opened(store: Store) -> None:
    store.close()
    with locked(store.path), pytest.raises(StoreFailure, match="Another program holds"):
        Store(store.path)


def test_a_database_that_turns_read_only_refuses_and_is_unharmed(
    store: Store, piece_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    connect = sqlite3.connect

    def connect_to_read(*arguments: object, **options: object) -> sqlite3.Connection:
        connection = connect(*arguments, **options)  # type: ignore[call-overload]
        connection.execute("PRAGMA query_only=ON")
        assert isinstance(connection, sqlite3.Connection)
        return connection

    store.close()  # the next connection is a new one
    monkeypatch.setattr(sqlite3, "connect", connect_to_read)
    with pytest.raises(StoreFailure, match=r"cannot be written to\. Nothing was changed"):
        store.tap(piece_id, Tap("begin", 0, 0))
    assert store.weaving(piece_id).log == ()  # type: ignore[union-attr]


def test_a_full_disk_refuses_and_is_unharmed(
    store: Store, piece_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    connect = sqlite3.connect

    def connect_to_full(*arguments: object, **options: object) -> sqlite3.Connection:
        connection = connect(*arguments, **options)  # type: ignore[call-overload]
        assert isinstance(connection, sqlite3.Connection)
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count={pages}")
        return connection

    store.close()
    monkeypatch.setattr(sqlite3, "connect", connect_to_full)
    large = piece_text(extra={"notes": "x" * 100_000})
    with pytest.raises(StoreFailure, match=r"is full\. Nothing was changed"):
        store.add_piece(large, piece_order())
    assert [line.id for line in store.pieces()] == [piece_id]


def test_a_folder_in_the_databases_place(tmp_path: Path) -> None:
    (tmp_path / "spareshaft.sqlite").mkdir()
    with pytest.raises(StoreFailure, match="is a folder"):
        Store(tmp_path / "spareshaft.sqlite")


def test_a_file_in_the_folders_place(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("mine")
    with pytest.raises(StoreFailure, match="cannot be used"):
        Store(tmp_path / "data" / "spareshaft.sqlite")
    assert (tmp_path / "data").read_text() == "mine"


OPEN = """
import sys
from pathlib import Path
from server.store.database import Store, StoreFailure
try:
    Store(Path(sys.argv[1]))
except StoreFailure as failure:
    sys.exit(str(failure))
"""


def opened_by_a_user(path: Path) -> str:
    """What a store says to somebody whom the files' modes bind; "" if it opens."""
    command = [sys.executable, "-c", OPEN, str(path)]
    if os.geteuid() == 0:  # root may write anywhere, unless that right is taken away
        command = ["setpriv", "--bounding-set=-dac_override,-dac_read_search", *command]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert "Traceback" not in done.stderr, done.stderr
    return done.stderr.strip()


@pytest.mark.parametrize(
    ("mode_of_file", "mode_of_folder"), [(0o444, 0o755), (0o444, 0o555), (0o644, 0o555), (0o000, 0o755)]
)
def test_a_read_only_file_or_folder_is_told(tmp_path: Path, mode_of_file: int, mode_of_folder: int) -> None:
    path = tmp_path / "data" / "spareshaft.sqlite"
    Store(path).close()
    before = path.read_bytes()
    path.chmod(mode_of_file)
    path.parent.chmod(mode_of_folder)
    try:
        said = opened_by_a_user(path)
    finally:
        path.parent.chmod(0o755)
        path.chmod(0o644)
    assert "Nothing was changed" in said
    assert str(path) in said
    assert path.read_bytes() == before


def test_a_data_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    tmp_path.chmod(0o555)
    try:
        said = opened_by_a_user(tmp_path / "data" / "spareshaft.sqlite")
    finally:
        tmp_path.chmod(0o755)
    assert said.endswith("cannot be used: Permission denied. Nothing was changed.")
