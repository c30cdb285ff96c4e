"""What tests of several kinds use."""

from __future__ import annotations

import gc
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import hypothesis
import pytest
from fastapi.testclient import TestClient
from hypothesis import HealthCheck

from server.app import create_app
from server.settings import DATABASE_NAME, Settings
from server.store.database import Store
from tests.examples import piece_order, piece_text
from tests.visitor import Visitor

# the same examples on every run; how long one takes depends on what else the machine does
hypothesis.settings.register_profile(
    "spareshaft",
    derandomize=True,
    database=None,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
hypothesis.settings.load_profile("spareshaft")

# where nothing waits for a disk, if there is room; that a store asks to wait is shown in test_store.py
MEMORY = Path("/dev/shm")
if MEMORY.is_dir() and os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > 4e9:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))

# what one process has compiled, the next need not: servers, planners, the other worker
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False


def pytest_collection_finish() -> None:
    """What thousands of tests and their imports left in memory stays there: it need not be looked through."""
    gc.collect()
    gc.freeze()


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
def tmp_path(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder for one test, gone after it. Pytest's own looks through all that are left each time."""
    base = tmp_path_factory.getbasetemp()
    with tempfile.TemporaryDirectory(dir=base, ignore_cleanup_errors=True) as folder:
        yield Path(folder)


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
