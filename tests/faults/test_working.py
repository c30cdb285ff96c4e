"""Planning in a process apart: it is killed, the server is killed, it is stopped; and weaving goes on."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, TextIO

import httpx
import pytest

from server import cli
from server.design.piece_file import read_piece
from server.plan.replay import verify
from server.plan.workorder import read_workorder
from server.session.place import Tap
from server.settings import DATABASE_NAME
from server.store.database import Store
from tests.examples import piece_order, piece_text
from tests.faults.process import ASKING, PATIENCE, Server, running, tap
from tests.forks import free_port
from tests.outside.pieces import pointed_piece


def large() -> str:
    """A piece whose plan takes far longer than any test here, and that can be woven."""
    piece = pointed_piece(1, shafts=40, points=2, rows=200, spare_handles=3, odd_rows=0.9)
    piece["loom"] |= {"spare_shafts": 100, "temporaries_per_shaft": 10}
    return json.dumps(piece)


@pytest.fixture(scope="module")
def large_piece() -> str:
    return large()


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with the example piece, waiting: number 1."""
    with closing(Store(tmp_path / DATABASE_NAME)) as store:
        store.add_piece(piece_text(), piece_order())
    return tmp_path


@pytest.fixture
def port() -> int:
    return free_port()


@pytest.fixture
def server(data: Path, port: int) -> Iterator[Server]:
    with running(data, port) as process:
        yield process


def until(true: Callable[[], object]) -> None:
    """Wait until it is."""
    give_up = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < give_up
        time.sleep(0.05)


def children(server: Server) -> list[int]:
    """The processes that a server has started and that are still there."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            _, _, rest = stat.read_text().rpartition(")")
        except OSError:  # it has ended meanwhile
            continue
        state, parent = rest.split()[:2]
        if int(parent) == server.pid and state != "Z":
            found.append(int(stat.parent.name))
    return found


def is_there(process: int) -> bool:
    """Whether a process runs."""
    try:
        return ") Z " not in Path(f"/proc/{process}/stat").read_text()
    except OSError:
        return False


def post(port: int, path: str, **more: Any) -> httpx.Response:
    return ASKING.post(f"http://127.0.0.1:{port}{path}", **more)


def bring(port: int, text: str) -> str:
    """Where the browser is sent."""
    answer = post(port, "/pieces", files={"file": ("a.json", text, "application/json")})
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"])


def far(port: int, question: int = 1) -> dict[str, Any]:
    answer = ASKING.get(f"http://127.0.0.1:{port}/working/{question}/far")
    assert answer.status_code == 200
    found: dict[str, Any] = answer.json()
    return found


def planning(port: int, large_piece: str) -> str:
    """Bring the large piece in; when this returns, it is being planned, and there is a plan so far."""
    address = bring(port, large_piece)
    assert address.startswith("/working/")
    until(lambda: far(port)["best"])
    return address


def test_a_small_piece_is_planned_apart_and_the_process_stays(server: Server, data: Path, port: int) -> None:
    for number in (2, 3):
        address = bring(port, piece_text(name=f"Runner {number}", picks_per_row=[number]))
        if address.startswith("/working"):  # a slow machine
            until(lambda number=number: far(port, number - 1)["state"] == "answered")  # type: ignore[misc]
            answer = ASKING.get(f"http://127.0.0.1:{port}{address}")
            address = answer.headers["location"]
        assert address == f"/pieces/{number}"
        started = children(server)
        assert len(started) == 1
        if number == 2:
            first = started
    assert started == first
    assert os.getpriority(os.PRIO_PROCESS, started[0]) > os.getpriority(os.PRIO_PROCESS, server.pid)


def test_a_planner_that_is_killed_twice_is_given_up_and_the_server_goes_on(
    server: Server, data: Path, port: int, large_piece: str
) -> None:
    address = planning(port, large_piece)
    killed = children(server)
    os.kill(killed[0], signal.SIGKILL)
    until(lambda: children(server) not in ([], killed))
    until(lambda: far(port)["best"])
    assert far(port)["state"] == "working"
    os.kill(children(server)[0], signal.SIGKILL)
    until(lambda: far(port)["state"] == "dropped")
    shown = ASKING.get(f"http://127.0.0.1:{port}{address}")
    assert "twice it broke off half-way" in shown.text
    assert server.poll() is None
    with closing(Store(data / DATABASE_NAME)) as store:
        assert len(store.pieces()) == 1


def test_a_server_that_is_killed_takes_the_planner_along_and_the_next_one_goes_on(
    data: Path, port: int, large_piece: str
) -> None:
    with running(data, port) as server:
        planning(port, large_piece)
        (planner,) = children(server)
        server.send_signal(signal.SIGKILL)
        server.wait(PATIENCE)
        until(lambda: not is_there(planner))
    with running(data, port) as server:
        until(lambda: far(port)["best"])  # nobody had to ask
        assert len(children(server)) == 1
        # once more: then it is dropped, and said so
        server.send_signal(signal.SIGKILL)
        server.wait(PATIENCE)
    with running(data, port) as server:
        until(lambda: far(port)["state"] == "dropped")
        assert children(server) == []


def test_a_server_that_is_stopped_ends_the_planner_and_its_work_waits(
    data: Path, port: int, large_piece: str
) -> None:
    with running(data, port) as server:
        planning(port, large_piece)
        (planner,) = children(server)
        server.send_signal(signal.SIGTERM)
        said, _ = server.communicate(timeout=PATIENCE)
        assert "Traceback" not in said
        until(lambda: not is_there(planner))
    with closing(Store(data / DATABASE_NAME)) as store:
        kept = store.worked_out.question(1)
    assert kept is not None
    assert (kept.state, kept.tries) == ("waiting", 0)


def test_stopping_frees_the_processor_and_the_next_one_is_planned(
    server: Server, data: Path, port: int, large_piece: str
) -> None:
    address = planning(port, large_piece)
    (planner,) = children(server)
    waiting = bring(port, piece_text(name="Behind it", picks_per_row=[3]))
    assert far(port, 2)["lines"] == ["1 other comes first."]
    path, _, query = address.partition("?")
    assert post(port, f"{path}/stop?{query}").headers["location"] == address
    until(lambda: not is_there(planner))
    assert far(port)["state"] == "stopped"
    until(lambda: far(port, 2)["state"] == "answered")
    answer = ASKING.get(f"http://127.0.0.1:{port}{waiting}")
    assert answer.headers["location"] == "/pieces/2"


def test_stopped_on_one_server_what_another_on_the_same_pieces_works_on_ends(
    server: Server, data: Path, port: int, large_piece: str
) -> None:
    address = planning(port, large_piece)
    (planner,) = children(server)
    path, _, query = address.partition("?")
    other = free_port()
    with running(data, other):
        assert far(other)["lines"] == ["Another Spareshaft with these pieces works on it."]
        assert post(other, f"{path}/stop?{query}").headers["location"] == address
        assert (
            "It was stopped, and nothing was kept." in ASKING.get(f"http://127.0.0.1:{other}{address}").text
        )
        until(lambda: not is_there(planner))
        assert far(port)["state"] == "stopped"
    waiting = bring(port, piece_text(name="Behind it", picks_per_row=[3]))
    until(lambda: waiting == "/pieces/2" or far(port, 2)["state"] == "answered")


def test_the_best_so_far_is_taken_at_once_whatever_the_solver_does(
    server: Server, data: Path, port: int, large_piece: str
) -> None:
    address = planning(port, large_piece)
    path, _, query = address.partition("?")
    assert post(port, f"{path}/enough?{query}").headers["location"] == address
    until(lambda: far(port)["state"] == "answered")
    answer = ASKING.get(f"http://127.0.0.1:{port}{address}")
    assert answer.headers["location"] == "/pieces/2"
    with closing(Store(data / DATABASE_NAME)) as store:
        weaving = store.weaving(2)
    assert weaving is not None
    verify(weaving.piece, weaving.order)
    assert weaving.order.bound <= weaving.order.totals.minutes


def test_taps_count_and_pages_are_shown_while_a_large_piece_is_planned(
    server: Server, data: Path, port: int, large_piece: str
) -> None:
    planning(port, large_piece)
    turn = 0
    with closing(Store(data / DATABASE_NAME)) as store:
        for kind in ("begin", "next", "next", "next", "next"):
            weaving = store.weaving(1)
            assert weaving is not None
            made = Tap(kind, weaving.place.card, weaving.place.turn)  # type: ignore[arg-type]
            assert tap(port, 1, made).status_code == 303
            turn += 1
            shown = ASKING.get(f"http://127.0.0.1:{port}/pieces/1/loom")
            assert shown.status_code == 200
        weaving = store.weaving(1)
    assert weaving is not None
    assert weaving.place.turn == turn
    assert far(port)["state"] == "working"


# --- the terminal --------------------------------------------------------------------------------------


@pytest.mark.parametrize("times", [1, 2])
def test_ctrl_c_in_the_terminal_ends_with_the_best_plan_so_far_and_the_second_at_once(
    tmp_path: Path, times: int
) -> None:
    piece = pointed_piece(1, shafts=24, points=2, rows=80, spare_handles=3, odd_rows=0.9)
    piece["loom"] |= {"spare_shafts": 100, "temporaries_per_shaft": 10}
    file = tmp_path / "piece.json"
    file.write_text(json.dumps(piece))
    command = [sys.executable, "-m", "server", "plan", "--limit", "600", str(file)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        until_said(process.stderr, "best so far")
        process.send_signal(signal.SIGINT)
        until_said(process.stderr, "Ctrl-C once more")
        if times == 2:
            process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=2 * PATIENCE)
    assert "Traceback" not in err
    if times == 2 and process.returncode == cli.INTERRUPTED:  # or it was there before
        assert (out, err) == ("", "spareshaft: stopped.\n")
        return
    assert process.returncode == 0
    order = read_workorder(out)
    verify(read_piece(file.read_text()), order)
    assert order.proven or "the best plan so far" in err


def until_said(stream: TextIO, words: str) -> None:
    """Read on until it is said."""
    assert any(words in line for line in stream)
