"""Where what takes long is worked out: files held by others, servers that are gone, processes that end."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

import pytest

from server import working
from server.store.database import Store, StoreFailure
from server.store.worked_out import TooManyWait, Wanted, WorkedOut
from server.ways.questions import QUESTIONS, Outcome, Question
from server.working import Apart, Here, Job, Workroom
from tests.conftest import Clock
from tests.examples import piece_text

PATIENCE = 100.0
"""Seconds; far more than anything here takes."""

GONE = 2**22 + 1
"""A number that no process has."""

ROWS = ["#..###..#", "..##.#..."]


def until(true: Callable[[], object]) -> None:
    """Wait until it is."""
    give_up = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < give_up
        time.sleep(0.005)


def another(number: int) -> str:
    """A piece that nobody asked about before."""
    return piece_text(rows=[*ROWS, f"..{number:03b}....".replace("0", ".").replace("1", "#")])


def state(store: Store, question: int) -> str:
    kept = store.worked_out.question(question)
    assert kept is not None
    return kept.state


@pytest.fixture
def room(store: Store, monkeypatch: pytest.MonkeyPatch) -> Iterator[Workroom]:
    """A workroom whose requests wait for nothing, and that soon looks again at a file that is held."""
    monkeypatch.setattr(working, "PAUSES", (0.01, 0.01), raising=False)
    room = Workroom(store, Here(), 0.0)
    yield room
    room.close()


def test_where_servers_that_are_gone_left_all_the_room_taken_it_is_worked_off(
    store: Store, room: Workroom
) -> None:
    left = Workroom(store, Here(), 0.0)
    left._server, left._is_closed = GONE, True
    for number in range(working.MOST_UNFINISHED):
        left.ask("plan", another(number), {"limit": 10})
    with pytest.raises(TooManyWait):
        room.ask("plan", piece_text(), {"limit": 10})
    until(lambda: all(state(store, 1 + one) == "answered" for one in range(working.MOST_UNFINISHED)))
    kept, _ = room.ask("plan", piece_text(), {"limit": 10})
    until(lambda: state(store, kept.id) == "answered")


def test_beginning_anew_where_there_is_no_room_sees_to_it_that_there_will_be(
    store: Store, room: Workroom
) -> None:
    left = Workroom(store, Here(), 0.0)
    left._server, left._is_closed = GONE, True
    left.ask("plan", piece_text(), {"limit": 10})
    left.stop(1)
    for number in range(working.MOST_UNFINISHED):
        left.ask("plan", another(number), {"limit": 10})
    with pytest.raises(TooManyWait):
        room.again(1, None)
    until(lambda: state(store, 2) == "answered")


@pytest.mark.parametrize("what", ["begin_next", "end", "pieces_due"])
def test_a_file_that_is_held_for_a_while_is_waited_for_though_nobody_asks(
    store: Store, room: Workroom, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    does, tried = getattr(WorkedOut, what), list[bool]()

    def held_at_first(*asked: Any, **more: Any) -> Any:
        tried.append(True)
        if len(tried) < 3:
            raise StoreFailure("Another program holds it.")
        return does(*asked, **more)

    monkeypatch.setattr(WorkedOut, what, held_at_first)
    room.ask("plan", piece_text(), {"limit": 10}, wanted=Wanted(piece_text()))
    until(store.pieces)
    assert len(tried) >= 3


def test_a_piece_to_come_that_cannot_be_read_any_more_keeps_no_server_from_starting(
    store: Store, room: Workroom
) -> None:
    left = Workroom(store, Here(), 0.0)
    left._is_closed = True
    for number in (1, 2):
        text = another(number)
        left.ask("plan", text, {"limit": 10}, wanted=Wanted(text))
    with store.worked_out._write() as session:
        connection = session.connection()
        connection.exec_driver_sql("UPDATE pieces_to_come SET file_text = '{}' WHERE id = 1")
    room.go_on()
    until(store.pieces)
    assert state(store, 1) == "answered"
    room.go_on()
    assert len(store.pieces()) == 1


def test_a_plan_nested_beyond_reading_is_no_plan(store: Store, room: Workroom) -> None:
    room.ask("plan", piece_text(), {"limit": 10}, wanted=Wanted(piece_text()))
    until(store.pieces)
    with store.worked_out._write() as session:
        connection = session.connection()
        answer = json.dumps({"order": "[" * 100_000, "proven": True, "limit": 10})
        connection.exec_driver_sql("UPDATE questions SET answer_text = ?", (answer,))
    other = piece_text(name="Another")
    kept, _ = room.ask("plan", other, {"limit": 10}, wanted=Wanted(other))
    assert kept.id == 2
    until(lambda: len(store.pieces()) == 2)
    assert state(store, 1) == "dropped"


class Silent(Here):
    """Deep in its work on the first question: it tells nothing, and lets go only when it is stopped."""

    def __init__(self) -> None:
        self.stopped = threading.Event()

    def work(self, job: Job) -> Outcome | None:
        if job.kept.id > 1:
            return super().work(job)
        assert self.stopped.wait(PATIENCE)
        return None

    def stop(self, job: Job) -> None:
        super().stop(job)
        self.stopped.set()


@pytest.fixture
def two_servers(store: Store, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Workroom, Workroom]]:
    """Both alive, on one database; the first says nothing while it works, and works until it is stopped."""
    monkeypatch.setattr(working, "LOOKING", 0.01)
    monkeypatch.setattr(working, "_is_alive", lambda server: True)
    room, other = Workroom(store, Silent(), 0.0), Workroom(store, Here(), 0.0)
    other._server = GONE
    yield room, other
    room.close()
    other.close()


@pytest.mark.parametrize("begun_anew", [False, True])
def test_what_another_server_has_stopped_is_let_go_of_and_the_next_is_worked_out(
    store: Store, two_servers: tuple[Workroom, Workroom], begun_anew: bool
) -> None:
    room, other = two_servers
    kept, _ = room.ask("plan", another(0), {"limit": 10})
    until(lambda: state(store, 1) == "working")
    begun = store.worked_out.question(1)
    assert begun is not None
    assert not room.is_elsewhere(begun)
    assert other.is_elsewhere(begun)
    other.stop(kept.id)
    if begun_anew:
        other.again(kept.id, None)
        until(lambda: state(store, 1) == "answered")
    room.ask("plan", another(1), {"limit": 10})
    until(lambda: state(store, 2) == "answered")
    assert state(store, 1) == ("answered" if begun_anew else "stopped")


def test_what_is_worked_on_for_hours_is_not_taken_over_by_another_server(
    store: Store, clock: Clock, two_servers: tuple[Workroom, Workroom]
) -> None:
    room, other = two_servers
    kept, _ = room.ask("plan", another(0), {"limit": 10})
    until(lambda: state(store, 1) == "working")
    clock.pass_by(hours=1.5)
    until(lambda: asked_at(store, kept.id) == clock.time)
    clock.pass_by(hours=1.5)
    until(lambda: asked_at(store, kept.id) == clock.time)
    other.go_on()
    mine = store.worked_out.question(kept.id)
    assert mine is not None
    assert (mine.state, mine.server) == ("working", room._server)


def asked_at(store: Store, question: int) -> datetime:
    kept = store.worked_out.question(question)
    assert kept is not None
    return kept.asked_at


def test_how_it_ended_is_kept_only_from_the_server_that_works_on_it(store: Store) -> None:
    room = Workroom(store, Silent(), 0.0)
    kept, _ = room.ask("plan", another(0), {"limit": 10})
    until(lambda: state(store, 1) == "working")
    assert not store.worked_out.end(kept.id, "dropped", {}, server=GONE)
    assert state(store, 1) == "working"
    assert store.worked_out.end(kept.id, "dropped", {}, server=room._server)
    room.close()


# --- the process apart ---------------------------------------------------------------------------------

SLOW_TO_END = """
import os, time
from server import working_apart
from server.ways import questions

def hangs(piece, options, tell):
    tell(minutes=1.0, best=lambda: {"said": "the best so far"})
    time.sleep(60)

end = os._exit
os._exit = lambda status: (time.sleep(0.5), end(status))
working_apart.GRACE = 0.0
questions.QUESTIONS["hangs"] = questions.Question("hangs", hangs, "Hangs")
working_apart.main()
"""
"""A solver that hears nothing, in a process that takes a while to end."""


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[subprocess.Popen[bytes]]:
    """The processes that are started, each slow to end."""
    found: list[subprocess.Popen[bytes]] = []

    def start() -> subprocess.Popen[bytes]:
        process = subprocess.Popen(
            [sys.executable, "-c", SLOW_TO_END], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        found.append(process)
        return process

    monkeypatch.setattr(working, "_start", start)
    monkeypatch.setitem(QUESTIONS, "hangs", Question("hangs", lambda *_: {}, "Hangs"))
    return found


def test_a_question_is_not_handed_to_a_process_that_is_about_to_end(
    store: Store, started: list[subprocess.Popen[bytes]]
) -> None:
    room = Workroom(store, Apart(), 0.0)
    try:
        room.ask("hangs", piece_text(), {})
        room.ask("plan", piece_text(), {"limit": 10})
        until(lambda: room.enough(1))
        until(lambda: state(store, 2) == "answered")
        first, second = (store.worked_out.question(number) for number in (1, 2))
        assert first is not None
        assert second is not None
        assert first.content == {"said": "the best so far"}
        assert (first.tries, second.tries) == (1, 1)
    finally:
        room.close()
    assert all(process.returncode is not None for process in started)
    assert all(pipe.closed for process in started for pipe in (process.stdin, process.stdout) if pipe)
