"""What tests of several kinds use."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from server.app import create_app
from server.settings import DATABASE_NAME, Settings
from server.store.database import Store
from tests.examples import piece_order, piece_text


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


@pytest.fixture
def store(tmp_path: Path, clock: Clock) -> Iterator[Store]:
    store = Store(tmp_path / "data" / DATABASE_NAME, clock=clock)
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
    with TestClient(
        create_app(settings, store),
        base_url=f"http://127.0.0.1:{settings.port}",
        client=("127.0.0.1", 50000),
        follow_redirects=False,
    ) as client:
        yield client
