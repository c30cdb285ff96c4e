"""What tests of several kinds use."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from server.app import create_app
from server.settings import DATABASE_NAME, Settings
from server.store.database import Store
from tests.examples import piece_order, piece_text
from tests.visitor import Visitor


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.time = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.time

    def pass_by(self, **how_long: float) -> None:
        """Move on; the arguments are those of timedelta."""
        self.time += timedelta(**how_long)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with nothing in it, to be copied: all migrations take longer than most tests."""
    path = tmp_path_factory.mktemp("empty") / DATABASE_NAME
    Store(path).close()
    return path


@pytest.fixture
def store(tmp_path: Path, clock: Clock, empty_database: Path) -> Iterator[Store]:
    path = tmp_path / "data" / DATABASE_NAME
    path.parent.mkdir(mode=0o700)
    shutil.copy(empty_database, path)
    store = Store(path, clock=clock)
    yield store
    store.close()


@pytest.fixture
def piece_id(store: Store) -> int:
    return store.add_piece(piece_text(), piece_order())


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(data=tmp_path / "data")


@pytest.fixture
def client(settings: Settings, store: Store) -> Iterator[TestClient]:
    """A browser on the computer that the server runs on."""
    with Visitor(
        create_app(settings, store),
        base_url=f"http://127.0.0.1:{settings.port}",
        client=("127.0.0.1", 50000),
        follow_redirects=False,
    ) as client:
        yield client
