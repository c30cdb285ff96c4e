"""What can go wrong with the database's file, in sentences."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as NoConnection


class StoreFailure(Exception):
    """The database cannot be used just now; the message says why, and what the weaver can do."""


_LOCKED = "Another program holds {path}. Nothing was changed; try again in a moment."
READ_ONLY = "{path} cannot be written to. Nothing was changed; make the file and its folder writable."
_DAMAGED = "{path} is damaged, or it is not a database of Spareshaft. Nothing was changed."

_SENTENCES = {
    sqlite3.SQLITE_BUSY: _LOCKED,
    sqlite3.SQLITE_LOCKED: _LOCKED,
    sqlite3.SQLITE_READONLY: READ_ONLY,
    sqlite3.SQLITE_PERM: READ_ONLY,
    sqlite3.SQLITE_CANTOPEN: "{path} cannot be opened. Nothing was changed; make its folder writable.",
    sqlite3.SQLITE_FULL: "The disk with {path} is full. Nothing was changed; make room and try again.",
    sqlite3.SQLITE_IOERR: "{path} cannot be read or written. Nothing was changed; see to the disk it is on.",
    sqlite3.SQLITE_CORRUPT: _DAMAGED,
    sqlite3.SQLITE_NOTADB: _DAMAGED,
}


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Turn trouble with the file at `path` into a `StoreFailure`; other errors pass."""
    try:
        yield
    except NoConnection:
        raise StoreFailure(_LOCKED.format(path=path)) from None
    except (sqlite3.OperationalError, sqlite3.DatabaseError, DBAPIError) as error:
        cause = error.orig if isinstance(error, DBAPIError) else error
        # an extended result code has the plain one in its lowest byte
        sentence = _SENTENCES.get(getattr(cause, "sqlite_errorcode", 0) & 0xFF)
        if sentence is None:
            raise
        raise StoreFailure(sentence.format(path=path)) from error
    except OSError as error:
        where, why = error.filename or path, error.strerror or error
        raise StoreFailure(f"{where} cannot be used: {why}. Nothing was changed.") from error
