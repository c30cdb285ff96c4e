"""The store: what is kept, what is refused, and that a log is only added to."""

from __future__ import annotations

import sqlite3
import threading
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy.exc import IntegrityError
from sqlmodel import SQLModel

from server.design.piece import Piece
from server.design.piece_file import Unusable
from server.plan.replay import Mismatch
from server.plan.workorder import WorkOrder
from server.session.cards import Card, deal
from server.session.place import Tap, TapKind
from server.store import database
from server.store.database import STALE, Answer, Store, StoreFailure
from server.store.opening import open_engine
from server.store.weavings import PieceLine
from tests.conftest import Clock
from tests.examples import piece_order, piece_text


def tap(store: Store, piece_id: int, kind: TapKind) -> Answer:
    """A tap on the card that is up."""
    weaving = store.weaving(piece_id)
    assert weaving is not None
    answer = store.tap(piece_id, Tap(kind, weaving.place.card, weaving.place.turn))
    assert answer is not None
    return answer


def reopened(store: Store) -> Store:
    store.close()
    return Store(store.path, clock=store.now)


def test_a_piece_comes_back_as_it_was_brought_in(store: Store, piece_id: int) -> None:
    weaving = reopened(store).weaving(piece_id)
    assert weaving is not None
    assert weaving.order == piece_order()
    assert weaving.piece.name == "Harbour runner"
    assert (weaving.log, weaving.place.status, weaving.place.turn) == ((), "waiting", 0)


def test_a_tap_that_counts_is_in_the_log_with_its_card_and_time(
    store: Store, piece_id: int, clock: Clock
) -> None:
    tap(store, piece_id, "begin")
    clock.pass_by(minutes=7)
    answer = tap(store, piece_id, "next")
    assert answer.counted
    assert answer.message == ""
    assert answer.weaving.place.card == 1
    assert answer.weaving == reopened(store).weaving(piece_id)
    first, second = answer.weaving.log
    assert (first.turn, first.kind, first.card) == (1, "begin", 0)
    assert (second.turn, second.kind, second.card) == (2, "next", 0)
    assert second.at - first.at == timedelta(minutes=7)


@pytest.mark.parametrize(("card", "turn"), [(0, 0), (1, 1), (0, 2), (-1, 1), (10**30, 1), (0, -(10**30))])
def test_a_tap_made_on_another_card_or_turn_changes_nothing(
    store: Store, piece_id: int, card: int, turn: int
) -> None:
    tap(store, piece_id, "begin")
    answer = store.tap(piece_id, Tap("next", card, turn))
    assert answer is not None
    assert (answer.counted, answer.message) == (False, STALE)
    assert answer.weaving == store.weaving(piece_id)
    assert len(answer.weaving.log) == 1


def test_a_tap_that_has_nothing_to_do_says_so_and_changes_nothing(store: Store, piece_id: int) -> None:
    answer = tap(store, piece_id, "next")
    assert not answer.counted
    assert "not on the loom yet" in answer.message
    assert answer.weaving.log == ()


@pytest.mark.parametrize("no_id", [0, -1, 2, 2**63, 10**40])
def test_a_piece_that_is_not_there(store: Store, piece_id: int, no_id: int) -> None:
    assert store.weaving(no_id) is None
    assert store.tap(no_id, Tap("begin", 0, 0)) is None


def test_one_loom_has_one_piece_on_it(store: Store, piece_id: int) -> None:
    second = store.add_piece(piece_text(name="Second", loom_name="  THE big LOOM "), piece_order())
    elsewhere = store.add_piece(piece_text(name="Third", loom_name="Another"), piece_order())
    assert tap(store, piece_id, "begin").counted
    refused = tap(store, second, "begin")
    assert not refused.counted
    assert "“Harbour runner”" in refused.message
    assert tap(store, elsewhere, "begin").counted
    assert tap(store, piece_id, "aside").counted
    assert tap(store, second, "begin").counted
    refused = tap(store, piece_id, "resume")
    assert not refused.counted
    assert "“Second”" in refused.message


def test_a_finished_piece_does_not_step_back_onto_a_loom_that_is_taken(store: Store, piece_id: int) -> None:
    tap(store, piece_id, "begin")
    while tap(store, piece_id, "next").weaving.place.status != "finished":
        pass
    second = store.add_piece(piece_text(name="Second"), piece_order())
    assert tap(store, second, "begin").counted
    refused = tap(store, piece_id, "back")
    assert not refused.counted
    assert "“Second”" in refused.message


def test_the_list_has_the_newest_activity_first(store: Store, piece_id: int, clock: Clock) -> None:
    clock.pass_by(hours=1)
    second = store.add_piece(piece_text(name="Second", loom_name="Other"), piece_order())
    assert [line.id for line in store.pieces()] == [second, piece_id]
    clock.pass_by(hours=1)
    for kind in ("begin", "next", "next"):
        tap(store, piece_id, kind)
    line = store.pieces()[0]
    assert (line.id, line.status, line.rows_woven, line.rows) == (piece_id, "on the loom", 1, 3)
    assert (line.walks, line.minutes, line.last_at) == (2, 5.71, clock.time)


def test_a_piece_that_waits_is_listed_without_being_read_through(
    store: Store, piece_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    again = reopened(store)
    monkeypatch.setattr(database, "read_piece", None)
    monkeypatch.setattr(database, "deal", None)
    assert again.pieces() == [
        PieceLine(piece_id, "Harbour runner", "The big loom", "waiting", 0, 3, None, 2, 5.71)
    ]


def test_a_piece_is_looked_at_without_its_cards_being_dealt(
    store: Store, piece_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    again = reopened(store)
    monkeypatch.setattr(database, "deal", None)
    weaving = again.weaving(piece_id)
    assert weaving is not None
    assert weaving.order == piece_order()
    monkeypatch.undo()
    assert weaving.rows_woven == 0
    assert weaving.cards[-1].kind == "done"


@pytest.mark.parametrize("kind", ["begin", "back"])
def test_others_can_write_while_a_tap_that_puts_a_piece_on_the_loom_deals_cards(
    store: Store, piece_id: int, monkeypatch: pytest.MonkeyPatch, kind: TapKind
) -> None:
    before = store.add_piece(piece_text(name="Before"), piece_order())
    for other_kind in ("begin", "aside"):
        assert tap(store, before, other_kind).counted
    if kind == "back":
        tap(store, piece_id, "begin")
        while tap(store, piece_id, "next").weaving.place.status != "finished":
            pass
    again, dealt = reopened(store), list[str]()

    def deal_meanwhile(piece: Piece, order: WorkOrder) -> tuple[Card, ...]:
        dealt.append(piece.name)
        with closing(Store(store.path)) as other:
            other.set_preferences({"side": piece.name})
        return deal(piece, order)

    monkeypatch.setattr(database, "deal", deal_meanwhile)
    assert tap(again, piece_id, kind).counted
    assert sorted(dealt) == ["Before", "Harbour runner"]


def test_rows_are_counted_when_their_last_pick_is_in(store: Store, piece_id: int) -> None:
    tap(store, piece_id, "begin")
    counts = {}
    while True:
        weaving = tap(store, piece_id, "next").weaving
        counts[weaving.place.card] = store.pieces()[0].rows_woven
        if weaving.place.status == "finished":
            break
    cards = weaving.cards
    assert counts[cards[-1].number] == 3
    for card in cards[1:]:
        done = {earlier.row for earlier in cards[: card.number] if earlier.kind == "weave"}
        assert counts[card.number] == len(done)


def test_what_stands_in_the_loom_follows_from_the_log(store: Store, piece_id: int) -> None:
    tap(store, piece_id, "begin")
    while True:
        weaving = tap(store, piece_id, "next").weaving
        if weaving.cards[weaving.place.card].kind == "raise" and weaving.cards[weaving.place.card].row == 2:
            break
    assert [temporary.name for temporary in weaving.state.temporaries] == ["2a"]
    assert weaving.state.away == (("2", "2a"),)
    assert tap(store, piece_id, "end").weaving.state.is_bare()


def test_a_text_that_is_no_piece_is_not_kept(store: Store) -> None:
    with pytest.raises(Unusable):
        store.add_piece("{}", piece_order())
    assert store.pieces() == []


def test_an_order_that_weaves_something_else_is_not_kept(store: Store) -> None:
    with pytest.raises(Mismatch):
        store.add_piece(piece_text(rows=["#..###..#", "..##.#...", "..####..."]), piece_order())
    assert store.pieces() == []


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", "'; DROP TABLE taps; --", "\u202e\x00\x1b[2J"])
def test_any_name_is_kept_as_it_is(store: Store, name: str) -> None:
    store.add_piece(piece_text(name=name), piece_order())
    assert reopened(store).pieces()[0].name == name


def test_preferences(store: Store) -> None:
    assert store.preferences() == {}
    store.set_preferences({"side": "right", "stance": "x"})
    store.set_preferences({"side": "behind'; --"})
    assert reopened(store).preferences() == {"side": "behind'; --", "stance": "x"}


def test_preferences_are_set_together_or_not_at_all(store: Store) -> None:
    store.set_preferences({"side": "left"})
    with pytest.raises(IntegrityError):
        store.set_preferences({"side": "right", "stance": None})  # type: ignore[dict-item]
    assert store.preferences() == {"side": "left"}


def test_what_goes_with_a_tap_is_kept_if_the_tap_counts_and_only_then(store: Store, piece_id: int) -> None:
    store.tap(piece_id, Tap("next", 0, 0), {"side": "left"})
    store.tap(piece_id, Tap("begin", 0, 1), {"side": "left"})
    assert store.preferences() == {}
    with pytest.raises(IntegrityError):
        store.tap(piece_id, Tap("begin", 0, 0), {"side": None})  # type: ignore[dict-item]
    assert store.weaving(piece_id).log == ()  # type: ignore[union-attr]
    store.tap(piece_id, Tap("begin", 0, 0), {"side": "right"})
    assert reopened(store).preferences() == {"side": "right"}


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE taps SET card = 3",
        "DELETE FROM taps",
        "INSERT OR REPLACE INTO taps VALUES (1, 1, 'end', 0, NULL, '', '', NULL)",
        "INSERT INTO taps VALUES (1, 1, 'next', 0, NULL, '', '', NULL)",
        "INSERT INTO taps VALUES (1, 3, 'next', 0, NULL, '', '', NULL)",
        "INSERT INTO taps VALUES (7, 1, 'next', 0, NULL, '', '', NULL)",
        "UPDATE pieces SET name = ''",
        "DELETE FROM pieces",
    ],
)
def test_the_file_itself_refuses_to_change_the_log(store: Store, piece_id: int, statement: str) -> None:
    tap(store, piece_id, "begin")
    with closing(sqlite3.connect(store.path)) as connection, connection:
        connection.execute("PRAGMA foreign_keys=ON")
        with pytest.raises(sqlite3.IntegrityError):
            connection.execute(statement)
    assert [entry.kind for entry in store.weaving(piece_id).log] == ["begin"]  # type: ignore[union-attr]


def test_every_connection_is_durable(store: Store) -> None:
    with open_engine(store.path).connect() as connection:
        pragma = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar_one()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
    assert pragma == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000}


def test_the_migrations_make_the_tables_that_the_code_uses(store: Store) -> None:
    with open_engine(store.path).connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": False})
        assert compare_metadata(context, SQLModel.metadata) == []


def test_many_threads_tap_the_same_card_and_one_counts(store: Store, piece_id: int) -> None:
    gate = threading.Barrier(8)
    answers: list[Answer | None] = []

    def tap_at_once() -> None:
        gate.wait()
        answers.append(store.tap(piece_id, Tap("begin", 0, 0)))

    threads = [threading.Thread(target=tap_at_once) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answer.counted for answer in answers if answer) == [False] * 7 + [True]
    assert len(store.weaving(piece_id).log) == 1  # type: ignore[union-attr]


def test_threads_open_a_new_file_together(tmp_path: Path) -> None:
    gate = threading.Barrier(4)
    found: list[object] = []

    def open_at_once() -> None:
        gate.wait()
        try:
            with closing(Store(tmp_path / "new" / "file.sqlite")) as store:
                found.append(store.pieces())
        except StoreFailure as failure:
            found.append(failure)

    threads = [threading.Thread(target=open_at_once) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert found == [[]] * 4


def test_a_tap_under_a_key_that_has_counted_changes_nothing(store: Store, piece_id: int) -> None:
    tap(store, piece_id, "begin")
    store.tap(piece_id, Tap("next", 0, 1, key="a"))
    for again in (Tap("next", 0, 1, key="a"), Tap("next", 1, 2, key="a")):
        answer = store.tap(piece_id, again)
        assert answer is not None
        assert (answer.counted, answer.message, answer.stale) == (True, "", False)
        assert [entry.kind for entry in answer.weaving.log] == ["begin", "next"]
    assert tap(store, piece_id, "next").counted
    assert len(reopened(store).weaving(piece_id).log) == 3  # type: ignore[union-attr]


def test_two_changes_of_one_preference_follow_each_other(store: Store) -> None:
    with ThreadPoolExecutor(8) as pool:
        for letter in "abcdefgh" * 4:
            pool.submit(store.change_preference, "noted", lambda kept, letter=letter: kept + letter)
    assert Counter(store.preferences()["noted"]) == Counter("abcdefgh" * 4)

    def refuse(kept: str) -> str:
        raise ValueError(kept)

    with pytest.raises(ValueError, match=r"^[a-h]+$"):
        store.change_preference("noted", refuse)
    assert len(store.preferences()["noted"]) == 32
