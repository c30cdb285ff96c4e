"""The power goes: what was acknowledged is there afterwards."""

from __future__ import annotations

import signal
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest

from server.session.place import Place, Tap
from server.settings import DATABASE_NAME
from server.store.database import STALE, Store
from server.store.weavings import Weaving
from tests.examples import piece_order, piece_text
from tests.faults.process import PATIENCE, free_port, running, tap


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with the example piece, waiting: number 1."""
    with closing(Store(tmp_path / DATABASE_NAME)) as store:
        store.add_piece(piece_text(), piece_order())
    return tmp_path


def on_disk(data: Path) -> Weaving:
    with closing(Store(data / DATABASE_NAME)) as store:
        weaving = store.weaving(1)
    assert weaving is not None
    return weaving


def test_an_acknowledged_tap_outlives_the_server(data: Path) -> None:
    place = on_disk(data).place
    # killed while a row is woven, and in the middle of a walk
    for taps in (2, 4):
        port = free_port()
        with running(data, port) as server:
            for _ in range(taps):
                kind = "begin" if place.status == "waiting" else "next"
                answer = tap(port, 1, Tap(kind, place.card, place.turn))
                assert answer.status_code == 303
                place = _after(data, place.turn)
            server.send_signal(signal.SIGKILL)
            server.wait(PATIENCE)
        assert on_disk(data).place == place
        assert len(on_disk(data).log) == place.turn


def _after(data: Path, turn: int) -> Place:
    place = on_disk(data).place
    assert place.turn == turn + 1
    return place


def test_two_servers_on_one_file_count_a_tap_once(data: Path) -> None:
    first, second = free_port(), free_port()
    with running(data, first), running(data, second), ThreadPoolExecutor(8) as tablets:
        place = on_disk(data).place
        for kind in ("begin", "next", "next", "next"):
            made = Tap(kind, place.card, place.turn)  # type: ignore[arg-type]
            answers = list(tablets.map(lambda port, made=made: tap(port, 1, made), [first, second] * 4))
            # the others are shown where the piece is
            assert {answer.status_code for answer in answers} <= {200, 303}
            if kind == "next":
                assert [STALE in answer.text for answer in answers].count(False) == 1
            place = _after(data, place.turn)
    assert [entry.kind for entry in on_disk(data).log] == ["begin", "next", "next", "next"]
