"""Opening the database's file: how SQLite is to treat it, and bringing it up to date, a copy kept."""

from __future__ import annotations

import os
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from datetime import datetime
from functools import cache
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, QueuePool, create_engine, event
from sqlmodel import Session

from server.store.failure import StoreFailure, told

BUSY_SECONDS = 5.0
"""How long one waits for another that is writing."""

_one_at_a_time = threading.Lock()  # Alembic keeps its context in a global


def open_engine(path: Path) -> Engine:
    """An engine on the file: every connection durable, foreign keys checked.

    Transactions begin as SQLite's plain ones; with the execution option `immediate` they take the
    right to write at their beginning, so that what they read cannot change before they write.
    """

    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(
            path, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False
        )
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA foreign_keys=ON")
        return connection

    # as many connections as the server has threads, so that none waits for another's to come free
    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool, max_overflow=60)

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        immediate = connection.get_execution_options().get("immediate", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if immediate else "BEGIN")

    return engine


@contextmanager
def transaction(path: Path, engine: Engine) -> Iterator[Session]:
    """One transaction on the file: committed at the end, undone on any error.

    Raises:
        StoreFailure: if the file cannot be used.
    """
    with told(path), Session(engine) as session, session.begin():
        yield session


class OfOneFile:
    """What `Store` hands on to for some of its tables: reading, writing and the clock, for one file."""

    def __init__(self, path: Path, reading: Engine, writing: Engine, now: Callable[[], datetime]) -> None:
        self._path, self._reading, self._writing, self._now = path, reading, writing, now

    def _read(self) -> AbstractContextManager[Session]:
        return transaction(self._path, self._reading)

    def _write(self) -> AbstractContextManager[Session]:
        return transaction(self._path, self._writing)


def write_ahead(path: Path) -> None:
    """Set the journal mode; it stays with the file. SQLite does not wait for others here, so we do."""
    give_up = time.monotonic() + BUSY_SECONDS
    with closing(sqlite3.connect(path, timeout=BUSY_SECONDS)) as connection:
        while True:
            try:
                connection.execute("PRAGMA journal_mode=WAL")
                return
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > give_up:
                    raise
                time.sleep(0.05)


def revision_of(path: Path) -> str | None:
    """The revision a file's tables are at; None: it has no tables yet.

    Raises:
        StoreFailure: if the tables are not ours, or newer than this program.
    """
    if not path.exists():
        return None
    with closing(sqlite3.connect(path, timeout=BUSY_SECONDS)) as connection:
        names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        tables = {name for (name,) in names}
        if not tables:
            return None
        if "alembic_version" not in tables:
            raise StoreFailure(f"{path} is another program's database. Name another folder with --data.")
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    if row is None:
        return None
    revision = str(row[0])
    if revision not in _revisions():
        raise StoreFailure(
            f"{path} was made by a newer Spareshaft than this one. Nothing was changed; start the newer one."
        )
    return revision


def bring_up_to_date(engine: Engine, path: Path, now: datetime) -> None:
    """Run the migrations that are missing, all or none, after a copy of a file that has tables."""
    with _one_at_a_time, engine.execution_options(immediate=True).begin() as connection:
        revision = revision_of(path)
        if revision == _revisions()[0]:
            return
        if revision is not None:
            _copy(path, path.with_name(f"{path.stem}-{revision}-{now:%Y%m%dT%H%M%SZ}{path.suffix}"))
        config = _config()
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", "server.store:migrations")
    config.set_main_option("path_separator", "os")
    return config


@cache
def _revisions() -> tuple[str, ...]:
    """All that this program knows, the newest first; to read their files takes longer than to open one."""
    return tuple(script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions())


def _copy(path: Path, copy: Path) -> None:
    """Copy a database that others may have open; the copy appears under its name when it is whole."""
    unfinished = copy.with_name(copy.name + ".unfinished")
    try:
        with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(unfinished)) as target:
            source.backup(target)
        with unfinished.open("rb") as file:
            os.fsync(file.fileno())
        unfinished.replace(copy)
    finally:
        unfinished.unlink(missing_ok=True)
