"""How long the server takes for a tap, beside a bare route that makes one durable insert."""

from __future__ import annotations

import asyncio
import json
import secrets
import sqlite3
import statistics
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message

from server.app import create_app
from server.design.piece_file import read_piece
from server.loom.steps import Done, Raise, Weave
from server.plan.workorder import WorkOrder, count_up
from server.settings import DATABASE_NAME, Settings
from server.store.database import Store, utc_now

TAPS = 400
ROWS = 10_000 + TAPS


def long_piece() -> tuple[str, WorkOrder]:
    """A piece of ten thousand rows that needs no temporary, and its plan."""
    leashes = [1, 2, 3, 4]
    rows = ["".join("#" if (row >> unit) & 1 else "." for unit in range(4)) for row in range(1, 16)]
    content = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "Ten thousand rows",
        "loom": {"pattern_shafts": 4, "treadles": 5},
        "leashes": leashes,
        "rows": [rows[row % len(rows)] for row in range(ROWS)],
        "picks_per_row": [4],
    }
    text = json.dumps(content)
    piece = read_piece(text)
    steps: list[Any] = []
    for row, cells in enumerate(content["rows"], 1):
        handles = tuple(str(shaft) for shaft, cell in enumerate(cells, 1) if cell == "#")
        steps += [Raise(row, handles, ()), Weave(row, 4, piece.treadles(row))]
    steps.append(Done())
    totals = count_up(steps, piece.minutes, piece.free_walks)
    return text, WorkOrder(steps=tuple(steps), totals=totals, proven=True, bound=totals.minutes)


@contextmanager
def store_at_row(row: int) -> Iterator[tuple[Store, int, Path]]:
    """A store in which so many rows are woven, each with two taps in the log."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / DATABASE_NAME
        with closing(Store(path)) as store:
            piece = store.add_piece(*long_piece())
        at = utc_now().isoformat(timespec="microseconds")
        taps = [(piece, 1, "begin", 0, at)]
        taps += [(piece, card + 2, "next", card, at) for card in range(2 * row)]
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.executemany(
                "INSERT INTO taps (piece, turn, kind, card, at, detail) VALUES (?, ?, ?, ?, ?, '')", taps
            )
        with closing(Store(path)) as store:
            yield store, piece, Path(folder)


def bare_route(path: Path) -> Starlette:
    """One route that reads a JSON body and makes one durable insert."""
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("CREATE TABLE taps (piece, turn, kind, card, at)")

    def insert(tap: dict[str, Any]) -> None:
        connection.execute(
            "INSERT INTO taps VALUES (?, ?, ?, ?, ?)", (1, tap["turn"], tap["kind"], tap["card"], tap["age"])
        )

    async def take(request: Request) -> Response:
        (tap,) = await request.json()
        await run_in_threadpool(insert, tap)
        return JSONResponse({"counted": 1, "turn": tap["turn"] + 1})

    return Starlette(routes=[Route("/pieces/{piece}/taps", take, methods=["POST"])])


async def seconds_of(app: ASGIApp, port: int, piece: int, card: int) -> float:
    """How long an application takes for one tap, from its first byte to the last of the answer."""
    tap = {
        "key": secrets.token_hex(16),
        "kind": "next",
        "card": card,
        "turn": card + 1,
        "age": 3,
        "detail": {},
    }
    body = json.dumps([tap]).encode()
    host = f"127.0.0.1:{port}"
    scope = {
        "type": "http",
        "asgi": {"version": "3.0", "spec_version": "2.3"},
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": f"/pieces/{piece}/taps",
        "raw_path": f"/pieces/{piece}/taps".encode(),
        "query_string": b"",
        "root_path": "",
        "headers": [
            (b"host", host.encode()),
            (b"origin", f"http://{host}".encode()),
            (b"content-type", b"application/json"),
            (b"content-length", str(len(body)).encode()),
            (b"accept-encoding", b"gzip, deflate"),
        ],
        "client": ("127.0.0.1", 50000),
        "server": ("127.0.0.1", port),
    }
    status = 0

    async def receive() -> Message:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: Message) -> None:
        nonlocal status
        status = message.get("status", status)

    began = time.perf_counter()
    await app(scope, receive, send)
    taken = time.perf_counter() - began
    assert status == 200, status
    return taken


async def both(ours: ASGIApp, bare: ASGIApp, port: int, piece: int, first: int) -> tuple[float, float]:
    """The median seconds of our route and of the bare one, in turn."""
    our, their = [], []
    for card in range(first, first + TAPS):
        our.append(await seconds_of(ours, port, piece, card))
        their.append(await seconds_of(bare, port, piece, card))
    return statistics.median(our[20:]), statistics.median(their[20:])


def measure(say: Callable[[str], None] = print) -> list[float]:
    """Print a line for each row, and return the ratios."""
    ratios = []
    for row in (10, 10_000):
        with store_at_row(row) as (store, piece, folder):
            settings = Settings(data=folder)
            store.weaving(piece)  # read once, as by the page that was tapped on
            ours, bare = create_app(settings, store), bare_route(folder / "bare.sqlite")
            our, their = asyncio.run(both(ours, bare, settings.port, piece, 2 * row))
            ratios.append(our / their)
            say(
                f"a tap at row {row:>6}: {our * 1000:6.2f} ms; a bare insert: {their * 1000:6.2f} ms; "
                f"ratio {our / their:.2f}"
            )
    return ratios


if __name__ == "__main__":
    measure()
