"""Screens that follow a real server: told at once, and no hindrance when it stops."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import httpx

from server.session.place import Tap
from server.settings import DATABASE_NAME
from server.store.database import Store
from tests.examples import piece_order, piece_text
from tests.faults.process import PATIENCE, running, tap
from tests.forks import free_port


def turns(lines: Iterator[str]) -> Iterator[int]:
    """The turns that a screen hears; they come in events without a name."""
    named = False
    for line in lines:
        if line.startswith("data:") and not named:
            yield int(line.removeprefix("data:"))
        named = line.startswith("event:") or (named and bool(line))


def test_a_follower_is_told_and_ends_when_the_server_is_stopped(tmp_path: Path) -> None:
    with closing(Store(tmp_path / DATABASE_NAME)) as store:
        piece = store.add_piece(piece_text(), piece_order())
    port = free_port()
    address = f"http://127.0.0.1:{port}/pieces/{piece}/follow"
    with (
        running(tmp_path, port) as process,
        httpx.stream("GET", address, timeout=PATIENCE, headers={"accept-encoding": "gzip"}) as stream,
    ):
        assert stream.headers["content-type"].startswith("text/event-stream")
        assert "content-encoding" not in stream.headers
        told = turns(stream.iter_lines())
        assert next(told) == 0
        tap(port, piece, Tap("begin", 0, 0))
        assert next(turn for turn in told if turn) == 1
        process.send_signal(signal.SIGINT)
        assert set(told) <= {1}, "what a server breaks off that waited in vain would not be read to its end"
        said, _ = process.communicate(timeout=PATIENCE)
    assert process.returncode == 0
    assert "Stopped. Everything is kept." in said
    assert "Traceback" not in said
