"""The power goes: what was acknowledged is there afterwards."""

from __future__ import annotations

import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest

from server.design.design import Band, Design
from server.design.warp import Part, hang, write_warp
from server.loom.ground import satin
from server.loom.state import Loom
from server.session.place import Place, Tap
from server.settings import DATABASE_NAME
from server.store.database import STALE, Store
from server.store.weavings import Weaving
from tests.examples import piece_order, piece_text
from tests.faults.process import PATIENCE, running, tap
from tests.forks import free_port


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


DRAWS = """
import sys
from pathlib import Path
from server.store.database import Store
board = Store(Path(sys.argv[1])).board
for number in range(100_000):
    unit = number % 4 + 1
    kept = board.draw(1, 1, [(number // 4 % 5 + 1, unit, unit, number % 40 < 20)], f"k{number}")
    print(kept.at, flush=True)
"""


def test_every_acknowledged_stroke_outlives_the_process_and_can_be_taken_back(tmp_path: Path) -> None:
    path, empty = tmp_path / DATABASE_NAME, ("....",) * 5
    with closing(Store(path)) as store:
        loom = Loom((), frozenset(), pattern_shafts=4)
        warp = store.board.add_warp(write_warp(hang("x", loom, (Part("straight", 4),), satin(5, 2))))
        store.board.add_design(warp, "x", Design(4, (Band(1, "x", (4,), empty),)))
    command = [sys.executable, "-c", DRAWS, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as drawing:
        assert drawing.stdout
        told = [int(drawing.stdout.readline()) for _ in range(30)]
        drawing.kill()
        told += [int(line) for line in drawing.stdout if line.endswith("\n")]
    with closing(Store(path)) as store:
        kept = store.board.design(1)
        assert kept
        assert told[-1] <= kept.at <= told[-1] + 1, "the last one may not have been told of any more"
        for at in range(kept.at, 0, -1):
            store.board.take_back(1, at)
        bare = store.board.design(1)
        assert bare
        assert (bare.at, bare.made, bare.design.rows()) == (0, kept.at, empty)
