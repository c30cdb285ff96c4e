"""What takes long has a page of its own: how far it is, stopping it, beginning anew, and where it leads."""

from __future__ import annotations

import json
import os
import re
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from html import unescape
from typing import Any

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.design.design import Band, Design
from server.design.piece import Piece
from server.design.warp import Part, hang, write_warp
from server.loom.ground import satin
from server.loom.state import Loom
from server.plan.no_plan import NoPlan, Sentence
from server.plan.planner import Progress
from server.plan.replay import Mismatch
from server.plan.workorder import WorkOrder
from server.store.database import Store
from server.store.worked_out import MOST_ANSWERS, WorkedOut
from server.ways import questions
from server.ways.questions import QUESTIONS, Question
from server.web.rendering import NotUnderstood
from server.web.working import Working, answer_to
from server.working import Here, Workroom
from tests.conftest import Clock
from tests.examples import piece_text
from tests.web.test_pages import HOSTILE, words

PATIENCE = 100.0
"""Seconds; far more than anything here takes."""

plan = questions.plan


@dataclass
class Planner:
    """A planner that waits until it may go on.

    Attributes:
        may: set: it goes on.
        calls: pieces it was asked for.
        fails: raised instead of a plan.
    """

    may: threading.Event = field(default_factory=threading.Event)
    calls: list[Piece] = field(default_factory=list)
    fails: Exception | None = None
    tells: Progress = field(default_factory=lambda: Progress(1.0, 9.5, 2.25))

    def __call__(
        self,
        piece: Piece,
        *,
        limit: float = 10.0,
        progress: Callable[[Progress], None] | None = None,
        stop: Callable[[], bool] | None = None,
    ) -> WorkOrder:
        self.calls.append(piece)
        assert progress is not None
        assert stop is not None
        until = time.monotonic() + PATIENCE
        while not self.may.is_set() and not stop():
            assert time.monotonic() < until
            progress(self.tells)
            time.sleep(0.005)
        if self.fails is not None:
            raise self.fails
        return plan(piece, limit=limit)


@pytest.fixture
def planner(monkeypatch: pytest.MonkeyPatch) -> Iterator[Planner]:
    slow = Planner()
    monkeypatch.setattr(questions, "plan", slow)
    yield slow
    slow.may.set()


@pytest.fixture
def room(client: TestClient) -> Iterator[Workroom]:
    """Where this server works things out; requests wait for nothing."""
    room: Workroom = client.app.state.workroom  # type: ignore[attr-defined]
    room.patience = 0.0
    yield room
    room.close()


def bring(client: TestClient, **changed: Any) -> Response:
    return client.post("/pieces", files={"file": ("a.json", piece_text(**changed), "application/json")})


def until(true: Callable[[], object]) -> None:
    """Wait until it is."""
    give_up = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < give_up
        time.sleep(0.005)


def state(client: TestClient, address: str) -> str:
    found = client.get(f"{address.split('?')[0]}/far").json()["state"]
    assert isinstance(found, str)
    return found


def ended(client: TestClient, address: str) -> None:
    until(lambda: state(client, address) not in ("waiting", "working"))


def under_way(client: TestClient, planner: Planner, **changed: Any) -> str:
    """The address of a piece that is being planned."""
    answer = bring(client, **changed)
    assert answer.status_code == 303
    until(lambda: client.get(f"{answer.headers['location'].split('?')[0]}/far").json()["best"])
    return str(answer.headers["location"])


def do(client: TestClient, address: str, what: str) -> Response:
    path, _, query = address.partition("?")
    return client.post(f"{path}/{what}?{query}")


# --- bringing a piece in -------------------------------------------------------------------------------


def test_a_quick_plan_leads_to_the_piece_at_once(client: TestClient, store: Store) -> None:
    answer = bring(client)
    assert (answer.status_code, answer.headers["location"]) == (303, "/pieces/1")
    assert client.get("/working/1?piece=1").headers["location"] == "/pieces/1"


def test_the_page_tells_how_far_it_is_and_leads_on_when_the_plan_is_there(
    client: TestClient, store: Store, room: Workroom, planner: Planner
) -> None:
    address = under_way(client, planner)
    shown = client.get(address)
    text = words(shown)
    assert shown.status_code == 200
    assert "Harbour runner" in text
    assert "The best plan so far takes 9.5 minutes besides the weaving." in text
    assert "No plan takes fewer than 2.3 minutes." in text or "No plan takes fewer than 2.2 minutes." in text
    assert "style=" not in shown.text
    assert store.pieces() == []
    far = client.get(f"{address.split('?')[0]}/far").json()
    assert far["state"] == "working"
    assert far["best"] is True
    assert far["share"] == pytest.approx(2.25 / 9.5)
    planner.may.set()
    ended(client, address)
    assert client.get(address).headers["location"] == "/pieces/1"
    assert [line.name for line in store.pieces()] == ["Harbour runner"]


def test_what_is_being_worked_out_is_listed_among_the_pieces(
    client: TestClient, store: Store, room: Workroom, planner: Planner, piece_id: int
) -> None:
    row = "..#.#.#.."
    address = under_way(client, planner, name="<b>Sail", rows=["#..###..#", "..##.#...", row])
    ways = f"/pieces/{piece_id}/ways"
    assert "Being worked out" not in words(client.get(ways))
    waiting = client.get(f"{ways}/more?shafts=&handles=").headers["location"]
    shown = client.get("/")
    listed = words(shown).split("Being worked out")[1].split("Waiting")[0]
    assert "<b>Sail The plan · being worked out now How far it is" in listed
    assert "Harbour runner What one more buys · waits for its turn How far it is" in listed
    links = [unescape(link) for link in re.findall(r'<h3><a href="(/working/[^"]+)">', shown.text)]
    assert links == [address, f"{waiting.split('?')[0]}?back=%2Fpieces%2F{piece_id}%2Fways"]
    assert f'href="{links[1]}">Being worked out' in client.get(ways).text
    do(client, links[1], "stop")
    assert "waits for its turn" not in words(client.get("/"))
    assert "Being worked out" not in words(client.get(ways))
    planner.may.set()
    ended(client, address)
    until(lambda: len(store.pieces()) == 2)
    assert "Being worked out" not in words(client.get("/"))


def test_each_piece_that_waits_for_the_same_plan_is_listed(
    client: TestClient, store: Store, room: Workroom, planner: Planner
) -> None:
    first = under_way(client, planner, name="One")
    second = bring(client, name="Two").headers["location"]
    assert first.split("?")[0] == second.split("?")[0]
    listed = re.findall(r'<h3><a href="(/working/[^"]+)"><bdi[^>]*>(\w+)<', client.get("/").text)
    assert listed == [(first, "One"), (second, "Two")]
    assert "Nothing here yet" not in words(client.get("/"))


def test_the_piece_is_kept_also_where_nobody_looks(
    client: TestClient, store: Store, room: Workroom, planner: Planner
) -> None:
    under_way(client, planner)
    planner.may.set()
    until(store.pieces)


def test_two_tablets_and_a_double_tap_make_one_piece(
    client: TestClient, store: Store, room: Workroom, planner: Planner, clock: Clock
) -> None:
    address = under_way(client, planner)
    assert bring(client).headers["location"] == address
    clock.pass_by(minutes=5)
    assert bring(client).headers["location"] == address
    planner.may.set()
    ended(client, address)
    until(store.pieces)
    client.get(address)
    client.get(address)
    room.go_on()
    assert len(store.pieces()) == 1
    assert len(planner.calls) == 1


def test_another_name_is_the_same_work_and_another_piece(
    client: TestClient, store: Store, room: Workroom, planner: Planner
) -> None:
    one, other = under_way(client, planner), bring(client, name="Other").headers["location"]
    assert one.split("?")[0] == other.split("?")[0]
    assert one != other
    planner.may.set()
    until(lambda: len(store.pieces()) == 2)
    assert {line.name for line in store.pieces()} == {"Harbour runner", "Other"}
    assert client.get(one).headers["location"] != client.get(other).headers["location"]
    assert len(planner.calls) == 1


def test_a_plan_is_found_again(client: TestClient, store: Store, planner: Planner, clock: Clock) -> None:
    planner.may.set()
    bring(client)
    clock.pass_by(minutes=5)
    assert bring(client, name="Once more").headers["location"] == "/pieces/2"
    bring(client, rows=["#..###..#", "..##.#...", "..#.#.#.."])
    assert len(planner.calls) == 2


def test_a_plan_that_is_not_the_best_serves_no_longer_search(
    client: TestClient, store: Store, room: Workroom, planner: Planner, clock: Clock
) -> None:
    address = under_way(client, planner)
    assert do(client, address, "enough").headers["location"] == address
    ended(client, address)
    assert client.get(address).headers["location"] == "/pieces/1"
    kept = store.worked_out.question(1)
    assert kept is not None
    assert kept.content["limit"] == 1.0
    _replace_answer(store.worked_out, proven=False)
    planner.may.set()
    room.patience = PATIENCE
    assert answer_of(client, limit=1.0) == {**kept.content, "proven": False}
    assert len(planner.calls) == 1
    assert answer_of(client, limit=1.5)["proven"] is True
    assert answer_of(client, limit=1000.0)["proven"] is True
    assert len(planner.calls) == 2


def answer_of(client: TestClient, **options: Any) -> dict[str, Any]:
    found = answer_to(Asking(client), piece_text(), "plan", options)  # type: ignore[arg-type]
    assert isinstance(found, dict)
    return found


class Asking:
    """As much of a request as asking takes."""

    def __init__(self, client: TestClient) -> None:
        self.app = client.app


def _replace_answer(worked_out: WorkedOut, question: int = 1, **changed: Any) -> None:
    with worked_out._write() as session:
        connection = session.connection()
        text = connection.exec_driver_sql(
            "SELECT answer_text FROM questions WHERE id = ?", (question,)
        ).scalar()
        new = json.dumps(json.loads(str(text)) | changed)
        connection.exec_driver_sql("UPDATE questions SET answer_text = ? WHERE id = ?", (new, question))


def test_a_kept_plan_is_replayed_before_it_is_used(
    client: TestClient, store: Store, planner: Planner, clock: Clock
) -> None:
    planner.may.set()
    bring(client)
    bring(client, rows=["#..###..#", "..#......", "...###..."])
    other = store.worked_out.question(2)
    assert other is not None
    _replace_answer(store.worked_out, 1, order=other.content["order"])  # the file was meddled with
    clock.pass_by(minutes=5)
    assert bring(client, name="Once more").headers["location"] == "/pieces/3"
    assert len(planner.calls) == 3
    weaving = store.weaving(3)
    assert weaving is not None
    assert weaving.order == plan(weaving.piece)


def test_where_there_is_no_plan_it_says_why_and_what_to_ask(
    client: TestClient, store: Store, room: Workroom, planner: Planner
) -> None:
    store.set_preferences({"shafts_from": "back"})
    planner.fails = NoPlan(Sentence("{rows} for a part of shaft {}.", (1,), (2,)))
    address = under_way(client, planner)
    planner.may.set()
    ended(client, address)
    shown = client.get(address)
    assert "Row 2 asks for a part of shaft 4." in words(shown)  # the loom has 4
    assert 'href="/working/1/why-not?piece=1"' in shown.text
    assert "there is no plan and nothing was kept." in words(shown)
    assert store.pieces() == []
    at_once = bring(client, name="Other")
    assert at_once.status_code == 422
    assert "Row 2 asks for a part of shaft 4." in words(at_once)
    assert 'href="/working/1/why-not?piece=2"' in at_once.text
    assert len(planner.calls) == 1


@pytest.mark.parametrize("fault", [Mismatch("row 2"), ValueError("no such column"), MemoryError()])
def test_a_planner_that_goes_wrong_is_told_without_its_words(
    client: TestClient, store: Store, room: Workroom, planner: Planner, fault: Exception
) -> None:
    planner.fails = fault
    address = under_way(client, planner)
    planner.may.set()
    ended(client, address)
    shown = client.get(address)
    assert shown.status_code == 200
    assert "Something went wrong in Spareshaft" in words(shown)
    assert "row 2" not in shown.text
    assert "no such column" not in shown.text
    planner.fails = None
    assert do(client, address, "again").headers["location"] == address
    ended(client, address)
    assert client.get(address).headers["location"] == "/pieces/1"


def test_stopped_it_says_so_and_can_be_begun_anew(
    client: TestClient, store: Store, room: Workroom, planner: Planner
) -> None:
    address = under_way(client, planner)
    assert do(client, address, "stop").headers["location"] == address
    shown = client.get(address)
    assert "It was stopped, and nothing was kept." in words(shown)
    assert store.pieces() == []
    do(client, address, "again")
    planner.may.set()
    ended(client, address)
    assert client.get(address).headers["location"] == "/pieces/1"
    # what has ended is not stopped, and not begun anew
    for what in ("stop", "again", "enough", "stop"):
        assert do(client, address, what).status_code == 303
    assert client.get(address).headers["location"] == "/pieces/1"
    assert len(store.pieces()) == 1


def test_a_piece_that_was_given_up_does_not_come_with_another(
    client: TestClient, store: Store, room: Workroom, planner: Planner
) -> None:
    address = under_way(client, planner)
    do(client, address, "stop")
    other = bring(client, name="Other").headers["location"]
    planner.may.set()
    ended(client, other)
    until(store.pieces)
    assert [line.name for line in store.pieces()] == ["Other"]
    assert client.get(other).headers["location"] == "/pieces/1"


def test_without_a_plan_so_far_there_is_none_to_take(
    client: TestClient, store: Store, room: Workroom, planner: Planner
) -> None:
    planner.tells = Progress(0.5, None, None)
    address = bring(client).headers["location"]
    until(lambda: planner.calls)
    answer = do(client, address, "enough")
    assert answer.status_code == 422
    assert "There is no plan yet that could be taken." in words(answer)
    assert "There is no plan yet." in words(client.get(address))
    assert state(client, address) == "working"


def test_beyond_its_time_without_a_plan_it_says_why_it_goes_on(
    client: TestClient, store: Store, room: Workroom, planner: Planner
) -> None:
    over = "Its 2 minutes are over. It goes on until there is a plan, or until you stop it."
    planner.tells = Progress(0.5, None, None)
    address = bring(client).headers["location"]
    until(lambda: planner.calls)
    assert over not in words(client.get(address))
    assert room._job is not None
    room._job._began -= 121.0
    assert f"There is no plan yet. {over} Begun 2 minutes and" in words(client.get(address))
    assert over in client.get(f"{address.split('?')[0]}/far").json()["lines"]
    planner.tells = Progress(0.5, 9.5, 2.25)
    until(lambda: client.get(f"{address.split('?')[0]}/far").json()["best"])
    assert over not in words(client.get(address))


def test_others_wait_in_order_and_only_so_many(
    client: TestClient, store: Store, room: Workroom, planner: Planner
) -> None:
    room.most_unfinished = 3
    first = under_way(client, planner)
    rows = [["#..###..#", "..##.#...", row] for row in ("..#.#.#..", "..##.##..", "..###.#..")]
    second, third = (bring(client, rows=some).headers["location"] for some in rows[:2])
    assert "1 other comes first. The plan: Harbour runner" in words(client.get(second))
    waiting = client.get(third)
    assert "2 others come first." in words(waiting)
    assert "It is worked on for 2 minutes at most, and longer only if there is no plan by then." in words(
        waiting
    )
    before = re.findall(r'<li><a href="(/working/[^"]+)">', waiting.text)
    assert before == [first, second]  # there they can be stopped
    assert client.get(f"{third.split('?')[0]}/far").json()["first"] == [1, 2]
    refused = bring(client, rows=rows[2])
    assert refused.status_code == 422
    assert "Try again in a moment" in words(refused)
    do(client, second, "stop")
    planner.may.set()
    for address in (first, third):
        ended(client, address)
        assert client.get(address).headers["location"].startswith("/pieces/")
    assert state(client, second) == "stopped"
    assert len(planner.calls) == 2
    room.most_unfinished = 0
    answer = do(client, second, "again")
    assert answer.status_code == 422
    assert "Try again in a moment" in words(answer)


def test_with_many_waiting_a_request_does_not_wait(
    client: TestClient, room: Workroom, planner: Planner
) -> None:
    under_way(client, planner)
    room.patience = PATIENCE
    for _ in range(6):
        assert room._patient.acquire(blocking=False)
    began = time.monotonic()
    assert bring(client).headers["location"].startswith("/working/1")
    assert time.monotonic() - began < PATIENCE


# --- a server that was started anew --------------------------------------------------------------------


def anew(store: Store) -> Workroom:
    """A server on the same file, as another process would have it."""
    room = Workroom(store, Here(), PATIENCE)
    room.go_on()
    return room


def test_a_server_that_ends_leaves_its_work_to_the_next(
    client: TestClient, store: Store, room: Workroom, planner: Planner
) -> None:
    address = under_way(client, planner)
    room.close()
    kept = store.worked_out.question(1)
    assert kept is not None
    assert (kept.state, kept.tries) == ("waiting", 0)
    planner.may.set()
    anew(store)
    ended(client, address)
    assert client.get(address).headers["location"] == "/pieces/1"


def test_what_ends_the_worker_twice_is_given_up(client: TestClient, store: Store, room: Workroom) -> None:
    class Dies(Here):
        tries = 0

        def work(self, job: object) -> None:  # type: ignore[override]
            self.tries += 1

    room._worker = dies = Dies()
    address = bring(client).headers["location"]
    ended(client, address)
    assert dies.tries == 2
    assert state(client, address) == "dropped"
    shown = client.get(address)
    assert "twice it broke off half-way" in words(shown)
    assert store.pieces() == []
    room._worker = Here()
    do(client, address, "again")
    ended(client, address)
    assert client.get(address).headers["location"] == "/pieces/1"


def test_what_a_server_left_that_is_gone_is_taken_over_and_not_that_of_another(
    client: TestClient, store: Store, room: Workroom, planner: Planner, monkeypatch: pytest.MonkeyPatch
) -> None:
    alive = {4711}
    monkeypatch.setattr("server.working._is_alive", lambda server: server in alive)
    room._server = 4711
    address = under_way(client, planner)
    planner.may.set()
    room._is_closed = True  # it neither keeps what comes nor gives anything back
    other = anew(store)
    assert other.told(1) is None
    assert state(client, address) == "working"
    alive.clear()
    other.go_on()
    until(store.pieces)
    kept = store.worked_out.question(1)
    assert kept is not None
    assert (kept.state, kept.tries) == ("answered", 2)


def test_what_was_asked_long_ago_is_taken_over_whatever_runs_under_that_number(
    client: TestClient, store: Store, room: Workroom, planner: Planner, clock: Clock
) -> None:
    room._server = os.getppid()
    under_way(client, planner)
    planner.may.set()
    room._is_closed = True
    other = Workroom(store, Here(), PATIENCE)
    clock.pass_by(minutes=119)
    other.go_on()
    kept = store.worked_out.question(1)
    assert kept is not None
    assert kept.server == os.getppid()
    clock.pass_by(minutes=2)
    other.go_on()
    until(store.pieces)


def test_a_piece_whose_server_went_between_plan_and_piece_is_kept_later(
    client: TestClient, store: Store, room: Workroom, planner: Planner, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(WorkedOut, "keep_piece", lambda *asked: None)
        address = under_way(client, planner)
        planner.may.set()
        ended(client, address)
        assert store.pieces() == []
    anew(store)
    assert len(store.pieces()) == 1
    assert client.get(address).headers["location"] == "/pieces/1"


# --- a design -------------------------------------------------------------------------------------------


@pytest.fixture
def design(store: Store) -> int:
    loom = Loom((), frozenset(), pattern_shafts=4, treadles=5)
    warp = store.board.add_warp(write_warp(hang("x", loom, (Part("straight", 4),), satin(5, 2))))
    return store.board.add_design(warp, "Small", Design(4, (Band(1, "x", (4,), ("#..#", ".##.")),)))


def test_a_design_that_is_drawn_on_meanwhile_is_not_passed_off_as_planned(
    client: TestClient, store: Store, room: Workroom, planner: Planner, design: int
) -> None:
    address = client.post(f"/designs/{design}/piece").headers["location"]
    until(lambda: planner.calls)
    assert "changed" not in words(client.get(address))
    store.board.draw(design, 1, [(1, 2, 2, True)], "k")
    assert "The design has been changed since." in words(client.get(address))
    planner.may.set()
    ended(client, address)
    shown = client.get(address)
    assert shown.status_code == 200
    assert "The design has been changed since." in words(shown)
    assert "as it was when you asked" in words(shown)
    assert 'href="/pieces/1"' in shown.text
    assert f'href="/designs/{design}/bands"' in shown.text
    weaving = store.weaving(1)
    assert weaving is not None
    assert weaving.design == design
    assert [sorted(row) for row in weaving.piece.rows] == [[1, 4], [2, 3]]
    store.board.take_back(design, 1)
    assert client.get(address).headers["location"] == "/pieces/1"


def test_a_design_thrown_away_or_hung_otherwise_is_told_of(
    client: TestClient, store: Store, room: Workroom, planner: Planner, design: int
) -> None:
    address = client.post(f"/designs/{design}/piece").headers["location"]
    until(lambda: planner.calls)
    kept = store.board.design(design)
    assert kept is not None
    loom = Loom((), frozenset(), pattern_shafts=4, treadles=5, spare_shafts=7)
    hung = hang("x", loom, (Part("straight", 4),), satin(5, 2))
    store.board.change_warp(kept.warp_id, write_warp(hung))
    assert "The design has been changed since." in words(client.get(address))
    store.board.throw_design_away(design)
    assert "The design has been thrown away since." in words(client.get(address))
    planner.may.set()
    ended(client, address)
    assert "The design has been thrown away since." in words(client.get(address))
    assert len(store.pieces()) == 1


# --- other questions -----------------------------------------------------------------------------------


@pytest.fixture
def gate(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """A question that is answered when this is set; its option is its answer."""
    may = threading.Event()

    def answers(piece: Piece, options: dict[str, Any], tell: questions.Tell) -> dict[str, Any]:
        give_up = time.monotonic() + PATIENCE
        while not may.is_set():
            assert time.monotonic() < give_up
            tell("Half of the places are looked at.", 0.5)
            time.sleep(0.005)
        if options.get("refuse"):
            raise ValueError("The figure is off the cloth.")
        return {"said": options.get("say", "")}

    monkeypatch.setitem(QUESTIONS, "gate", Question("gate", answers, "Where else it could sit"))
    return may


def ask(client: TestClient, **options: Any) -> dict[str, Any] | Working:
    return answer_to(Asking(client), piece_text(), "gate", options)  # type: ignore[arg-type]


def test_an_answer_is_kept_by_content_and_leads_back(
    client: TestClient, room: Workroom, gate: threading.Event
) -> None:
    asked = ask(client, say="a")
    assert asked == Working(1)
    address = "/working/1?back=%2Fpieces%2F7%2Fways%2Fplaces%3Frow%3D3"
    until(lambda: state(client, address) == "working")
    until(lambda: client.get("/working/1/far").json()["share"] is not None)
    shown = client.get(address)
    assert "Half of the places are looked at." in words(shown)
    assert "Where else it could sit" in words(shown)
    assert re.search(r'<progress[^>]* value="0.5"', shown.text)
    assert "Take the best so far" not in re.sub(r"<form[^>]* hidden.*?</form>", "", shown.text, flags=re.S)
    gate.set()
    ended(client, address)
    assert client.get(address).headers["location"] == "/pieces/7/ways/places?row=3"
    assert ask(client, say="a") == {"said": "a"}
    room.patience = PATIENCE
    assert ask(client, say="b") == {"said": "b"}


def test_what_makes_no_sense_is_refused_each_time_in_its_words(
    client: TestClient, room: Workroom, gate: threading.Event
) -> None:
    gate.set()
    room.patience = PATIENCE
    for _ in range(2):
        with pytest.raises(NotUnderstood, match="off the cloth"):
            ask(client, refuse=True)
    assert "The figure is off the cloth." in words(client.get("/working/1?back=/pieces/1/ways"))


def test_a_stopped_question_is_not_begun_by_looking(
    client: TestClient, room: Workroom, gate: threading.Event
) -> None:
    asked = ask(client)
    until(lambda: state(client, "/working/1") == "working")
    client.post("/working/1/stop?back=/pieces/1/ways/places")
    assert ask(client) == asked
    shown = client.get("/working/1?back=/pieces/1/ways/places")
    assert "Begin anew" in shown.text
    assert 'href="/pieces/1"' in shown.text
    gate.set()
    room.patience = PATIENCE
    assert answer_to(Asking(client), piece_text(), "gate", {}, anew=True) == {"said": ""}  # type: ignore[arg-type]


# --- hostile values ------------------------------------------------------------------------------------

BACKS = [
    "//evil.example/",
    "https://evil.example/",
    "/\\evil.example",
    "/pieces/1\r\nSet-Cookie: a=b",
    "/pieces/1/../../evil",
    "javascript:alert(1)",
    "/pieces/1?<script>",
    "/preferences",
    "/pieces/" + "9" * 5000,
    "/pieces/1/" + "a" * 5000,
]


def test_it_leads_back_only_to_pages_of_pieces_designs_and_warps(
    client: TestClient, room: Workroom, gate: threading.Event
) -> None:
    gate.set()
    room.patience = PATIENCE
    ask(client)
    for back in BACKS:
        shown = client.get("/working/1", params={"back": back})
        assert shown.status_code == 200, back
        assert "evil" not in shown.text
        assert "<script>" not in shown.text
    for back in (
        "/pieces/1",
        "/designs/22/bands",
        "/warps/3",
        "/pieces/1/ways/more?a=1,2&b=%20x",
        "/working/4/why-not",
    ):
        assert client.get("/working/1", params={"back": back}).headers["location"] == back


def test_addresses_of_nothing_are_not_found(client: TestClient, room: Workroom) -> None:
    for number in ("0", "1", "-1", "999999999", "9999999999999999999999", "1.0", "x", "%00", "١"):
        for path in ("", "/far"):
            assert client.get(f"/working/{number}{path}").status_code == 404
        for what in ("stop", "enough", "again"):
            assert client.post(f"/working/{number}/{what}").status_code == 404


def test_a_piece_of_another_question_is_passed_over(
    client: TestClient, store: Store, room: Workroom, planner: Planner
) -> None:
    planner.may.set()
    first = bring(client).headers["location"]
    ended(client, first)
    other = bring(client, rows=["#..###..#", "..##.#...", "..#.#.#.."]).headers["location"]
    ended(client, other)
    assert (first, other) == ("/working/1?piece=1", "/working/2?piece=2")
    for piece in ("1", "-2", "999", "x", "9" * 40, *HOSTILE):
        shown = client.get("/working/2", params={"piece": piece})
        assert shown.status_code == 200
        assert "location" not in shown.headers
        assert "kept" in words(shown)
    assert client.post("/working/2/again", params={"piece": "1"}).status_code == 303
    assert len(store.pieces()) == 2


# --- what is let go of ---------------------------------------------------------------------------------


def test_old_questions_are_let_go_of(
    client: TestClient, store: Store, clock: Clock, room: Workroom, gate: threading.Event
) -> None:
    asked = ask(client)
    assert isinstance(asked, Working)
    room.stop(asked.id)
    gate.set()
    room.patience = PATIENCE
    clock.pass_by(days=6)
    ask(client, say="a")
    assert store.worked_out.question(asked.id) is not None
    clock.pass_by(days=2)
    ask(client, say="b")
    assert store.worked_out.question(asked.id) is None
    assert client.get(f"/working/{asked.id}").status_code == 404
    with store.worked_out._write() as session:
        for number in range(MOST_ANSWERS + 5):
            session.connection().exec_driver_sql(
                "INSERT INTO questions"
                " (key, kind, piece_text, options_text, state, server, asked_at, ended_at, answer_text)"
                " SELECT ?, kind, '', '{}', 'answered', 1, asked_at, ended_at, '{}' FROM questions"
                " WHERE id = 2",
                (f"k{number}",),
            )
    answer = ask(client, say="c")
    assert answer == {"said": "c"}
    with store.worked_out._read() as session:
        left = session.connection().exec_driver_sql("SELECT count(*) FROM questions").scalar()
    assert left == MOST_ANSWERS + 1
    assert ask(client, say="c") == answer
