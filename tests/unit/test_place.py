"""The place, tap by tap: picks, ticks out of turn, corrections, and taking them back."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from server.design.piece_file import read_piece
from server.loom.state import State
from server.loom.steps import Insert, MoveCords, Raise, TakeOut, Weave, Withdraw
from server.session.cards import deal
from server.session.log_words import log_words
from server.session.naming import Naming
from server.session.place import (
    Decks,
    NotNow,
    Place,
    Tap,
    TapKind,
    after_tap,
    can_undo,
    card_up,
    place_after,
    shift_at,
    standing_by_now,
    state_now,
)
from server.session.treadling import picks_of, side_before, treadle_at
from tests.examples import piece_order, piece_text

PIECE = read_piece(piece_text(treadling=[1, 2, 3, 4], picks_per_row=[5]))
CARDS = deal(read_piece(piece_text()), piece_order())
DECKS = Decks(PIECE.loom, (CARDS,))
ON = place_after(DECKS, [Tap("begin", 0, 0)])
NAMES = Naming.on(PIECE.loom)


def tapped(place: Place, kind: TapKind, **detail: Any) -> Place:
    said = json.dumps(detail) if detail else ""
    return after_tap(DECKS, place, Tap(kind, place.card, place.turn, said))


def at(kind: str, place: Place = ON, nth: int = 1) -> Place:
    """Go on until the nth card of a kind is up."""
    while True:
        nth -= DECKS.at(place).kind == kind
        if nth == 0:
            return place
        place = tapped(place, "next")


def words(place: Place, kind: TapKind, **detail: Any) -> str:
    return log_words(DECKS, kind, json.dumps(detail) if detail else "", place, NAMES)


# --- picks ---------------------------------------------------------------------------------------------


def test_a_row_pick_by_pick_ends_on_the_next_card() -> None:
    place = at("weave")
    for picks in range(1, 5):
        place = tapped(place, "pick")
        assert (DECKS.at(place).kind, place.pick) == ("weave", picks)
        assert state_now(DECKS, place).picks == picks
    done = tapped(place, "pick")
    assert done.card == place.card + 1
    assert done.pick == 0


def test_back_takes_one_pick_back_also_over_the_end_of_a_row() -> None:
    place = at("weave")
    for _ in range(5):
        place = tapped(place, "pick")
    back = tapped(place, "back")
    assert (DECKS.at(back).kind, back.pick) == ("weave", 4)
    assert tapped(back, "back").pick == 3


def test_back_over_a_row_told_at_once_is_at_its_beginning() -> None:
    place = tapped(at("weave"), "next")
    assert tapped(place, "back").pick == 0


@pytest.mark.parametrize("kind", ["raise", "walk", "insert", "move_cords", "test_lift", "done"])
def test_only_weaving_goes_pick_by_pick(kind: str) -> None:
    with pytest.raises(NotNow, match="not woven pick by pick"):
        tapped(at(kind), "pick")


@pytest.mark.parametrize("picks", [-1, 5, 10**9])
def test_so_many_picks_cannot_be_in(picks: int) -> None:
    with pytest.raises(NotNow, match="Between 0 and 4 picks"):
        tapped(at("weave"), "picks", picks=picks)


def test_picks_come_out_again_in_the_open_shed_and_nothing_else_moves() -> None:
    place = tapped(at("weave", nth=2), "picks", picks=3)
    out = tapped(place, "unweave", picks=2)
    card = card_up(DECKS, out)
    assert card.step == TakeOut(2, 2, (3, 2), 1)
    assert card.before.raised == card.after.raised == state_now(DECKS, place).raised
    assert tapped(out, "next").spot == replace(place, pick=1).spot
    one = tapped(out, "pick")
    assert (one.pick, one.out) == (2, 1)
    assert tapped(one, "pick").out == 0
    assert tapped(out, "back").out == 0
    assert words(out, "back") == "Back: not to be taken out"
    with pytest.raises(NotNow, match="Picks are coming out"):
        tapped(out, "picks", picks=1)
    with pytest.raises(NotNow, match="cannot come out"):
        tapped(place, "unweave", picks=4)


# --- things behind the loom ----------------------------------------------------------------------------


def numbers(kind: type[Any]) -> list[int]:
    return [card.number for card in CARDS if isinstance(card.step, kind)]


def test_a_thing_ticked_out_of_its_turn_is_left_out_when_its_turn_comes() -> None:
    place = at("move_cords", nth=2)
    withdraw = numbers(Withdraw)[0]
    with pytest.raises(NotNow, match="The cords of handle 2 are still on 2a; move them off first"):
        tapped(place, "tick", card=withdraw)
    label, insert = at("label").card, numbers(Insert)[0]
    with pytest.raises(NotNow, match="Shaft 2 has no number taped on"):
        tapped(at("label"), "tick", card=insert)
    assert label < insert


def test_ticks_are_taken_off_again_and_the_place_follows() -> None:
    place = at("move_cords")
    label = CARDS[at("label").card].number
    assert CARDS[place.card].number == label + 2
    insert_undone = tapped(place, "tick", card=label + 1)
    assert card_up(DECKS, insert_undone).number == label + 1
    assert state_now(DECKS, insert_undone).temporaries == ()
    with pytest.raises(NotNow):
        tapped(place, "tick", card=label)  # the temporary is in: its shaft must have a number
    assert tapped(insert_undone, "tick", card=label + 1).card == place.card


def test_the_last_tick_ends_the_walk() -> None:
    place = at("move_cords")
    done = tapped(place, "tick", card=place.card)
    assert DECKS.at(done).kind == "test_lift"


@pytest.mark.parametrize("number", [0, -1, 10**9])
def test_what_is_not_on_this_walk_cannot_be_ticked(number: int) -> None:
    with pytest.raises(NotNow, match="not among the things"):
        tapped(at("insert"), "tick", card=number)


def _down(state: State) -> State:
    return replace(state, raised=frozenset(), pulled=frozenset())


def through(place: Place, *kinds: str) -> Place:
    """Tap done the cards of these kinds, one after another."""
    for kind in kinds:
        assert card_up(DECKS, place).kind == kind
        place = tapped(place, "next")
    return place


@pytest.mark.parametrize(("kind", "nth"), [("raise", 2), ("weave", 2), ("walk", 2)])
def test_what_was_put_in_once_more_is_lifted_alone_and_all_is_pulled_again(kind: str, nth: int) -> None:
    place = at(kind, nth=nth)
    up = state_now(DECKS, place)
    assert bool(up.raised) == (kind != "raise")
    lift = through(tapped(place, "again", temporary="2a"), "insert")
    card = card_up(DECKS, lift)
    assert (card.kind, card.handle, card.before) == ("test_lift", "2", _down(up))
    pulled = through(lift, "test_lift")
    if kind != "raise":
        card = card_up(DECKS, pulled)
        assert isinstance(card.step, Raise)
        assert (card.before, card.after) == (_down(up), up)
        assert words(pulled, "next").startswith("Pulled again: handles ")
        back = tapped(pulled, "back")
        assert card_up(DECKS, back) == card_up(DECKS, lift)
        assert card_up(DECKS, tapped(back, "back")).kind == "insert"
        pulled = through(pulled, "raise")
    assert pulled.spot == place.spot


def test_not_like_this_in_such_a_test_lift_puts_it_in_once_more() -> None:
    place = at("weave", nth=2)
    lift = through(tapped(place, "again", temporary="2a"), "insert")
    assert words(lift, "again") == "Test lift of handle 2: not right"
    again = tapped(lift, "again")
    assert isinstance(card_up(DECKS, again).step, Insert)
    assert through(again, "insert", "test_lift", "raise").spot == place.spot


def test_behind_the_loom_its_test_lift_is_one_of_those_after_the_walk() -> None:
    place = at("move_cords")  # the cords go to it on this walk, so it is lifted anyway
    assert through(tapped(place, "again", temporary="2a"), "insert").spot == place.spot
    unhung = at("withdraw")  # it comes out on this walk: there is nothing to be lifted
    done = through(tapped(unhung, "again", temporary="2a"), "insert", "withdraw")
    assert through(done, "test_lift").to_come == ()
    # a second thing put in once more leaves the test lift of the first to be made
    weaving = through(tapped(at("weave", nth=2), "again", temporary="2a"), "insert")
    far = tapped(weaving, "too_far", card=at("raise", nth=2).card, pick=0)
    assert card_up(DECKS, far).kind == "test_lift"


def test_while_it_is_put_in_once_more_everything_is_down() -> None:
    place = tapped(at("weave", nth=2), "again", temporary="2a")
    assert state_now(DECKS, place).raised
    assert not standing_by_now(DECKS, place).raised
    assert card_up(DECKS, place).row == 1  # row 2's shed stood, and not one pick of it is in
    with pytest.raises(NotNow, match="no shed to look over"):
        tapped(place, "checked")


def test_an_insertion_is_done_once_more_from_anywhere_and_nothing_else() -> None:
    for kind, nth in (("raise", 2), ("weave", 2), ("move_cords", 1), ("walk", 2)):
        place = at(kind, nth=nth)
        again = tapped(place, "again", temporary="2a")
        card = card_up(DECKS, again)
        assert isinstance(card.step, Insert)
        assert (card.step.temporary, card.step.units) == ("2a", (3,))
        assert card.before.temporary("2a") is None
        assert card.after == _down(state_now(DECKS, place))
    with pytest.raises(NotNow, match="not in the loom"):
        tapped(at("raise"), "again", temporary="2a")
    with pytest.raises(NotNow, match="Only a test lift"):
        tapped(at("raise"), "again")


# --- corrections, each taken back ----------------------------------------------------------------------

CORRECTIONS: list[tuple[str, int, TapKind, dict[str, Any]]] = [
    ("weave", 2, "too_far", {"card": 3, "pick": 0}),
    ("raise", 2, "too_far", {"card": 1, "pick": 3}),
    ("weave", 1, "settle", {"card": 6, "pick": 0}),
    ("weave", 2, "picks", {"picks": 4}),
    ("weave", 2, "shift", {"treadles": 1, "passages": 1, "pick": 5, "why": "too many"}),
    ("raise", 2, "left_in", {"words": "unit 3 is up in row 1", "row": 1}),
    ("raise", 2, "again", {"temporary": "2a"}),
]


@pytest.mark.parametrize(("kind", "nth", "correction", "detail"), CORRECTIONS)
def test_every_correction_can_be_taken_back(
    kind: str, nth: int, correction: TapKind, detail: dict[str, Any]
) -> None:
    place = at(kind, nth=nth)
    corrected = tapped(place, correction, **detail)
    assert can_undo(place) is None
    last = can_undo(corrected)
    assert last is not None
    assert last.kind == correction
    assert replace(tapped(corrected, "undo"), turn=place.turn) == place
    assert words(corrected, "undo").startswith("Taken back: “")


def test_it_can_be_taken_back_after_going_on_and_coming_back_to_it() -> None:
    place = at("raise", nth=2)
    corrected = tapped(place, "too_far", card=1, pick=2)
    on = tapped(corrected, "pick")
    assert can_undo(on) is None
    with pytest.raises(NotNow, match="nothing here that can be taken back"):
        tapped(on, "undo")
    assert replace(tapped(tapped(on, "back"), "undo"), turn=place.turn) == place


@pytest.mark.parametrize(
    "detail",
    [{"card": -1, "pick": 0}, {"card": 10**9, "pick": 0}, {"card": 9, "pick": 0}, {"card": 1, "pick": 9}, {}],
)
def test_too_far_goes_back_to_what_has_been_and_nowhere_else(detail: dict[str, int]) -> None:
    with pytest.raises(NotNow):
        tapped(at("weave", nth=2), "too_far", **detail)


def test_a_mistake_that_stays_in_is_struck_out_anywhere_and_counts_again() -> None:
    place = tapped(at("raise", nth=2), "left_in", words="unit 3 is up", row=1)
    name = place.turn - 1
    on = at("weave", place, nth=2)
    assert can_undo(on) is None
    struck = tapped(on, "strike", turn=name)
    assert [(m.row, m.words, m.struck) for m in struck.mistakes] == [(1, "unit 3 is up", True)]
    assert struck.spot == on.spot
    assert words(on, "strike", turn=name) == "Struck out: “A mistake of row 1 stays in: unit 3 is up”"
    again = tapped(struck, "strike", turn=name)
    assert again.mistakes == on.mistakes
    assert words(struck, "strike", turn=name).startswith("Counts again: “")
    done = tapped(at("done", again), "next")
    assert tapped(done, "strike", turn=name).mistakes[0].struck
    for strange in ({"turn": name + 1}, {"turn": "0"}, {}):
        with pytest.raises(NotNow):
            tapped(on, "strike", **strange)


def test_what_was_recorded_or_struck_out_meanwhile_outlives_the_taking_back_of_another_correction() -> None:
    moved = tapped(at("weave", nth=2), "too_far", card=1, pick=3)
    recorded = tapped(moved, "left_in", row=1)
    name = recorded.turn - 1
    struck = tapped(recorded, "strike", turn=name)
    last = can_undo(struck)
    assert last is not None
    assert last.kind == "too_far"
    back = tapped(struck, "undo")
    assert (back.card, [m.struck for m in back.mistakes]) == (at("weave", nth=2).card, [True])
    elsewhere = tapped(tapped(tapped(moved, "pick"), "left_in", row=1), "back")
    assert tapped(elsewhere, "undo").mistakes == elsewhere.mistakes != ()


def test_back_over_picks_that_came_out_puts_them_in_again_and_then_it_can_be_taken_back() -> None:
    begun = at("weave", nth=2)
    out = tapped(begun, "unweave", **{"in": 4, "picks": 3})
    for taps in (("next",), ("pick", "next"), ("pick",) * 3, ("next", "next")):
        place = out
        for kind in taps:
            place = tapped(place, kind)  # type: ignore[arg-type]
        assert can_undo(place) is None
        for _ in taps:
            place = tapped(place, "back")
        assert (place.card, place.pick, place.out) == (out.card, 4, 3)
        assert replace(tapped(place, "undo"), turn=begun.turn) == begun


# --- the treadles --------------------------------------------------------------------------------------


def treadles(place: Place) -> list[int]:
    return [pick.treadle for pick in picks_of(PIECE, place, card_up(DECKS, place), "right")]


def test_cycle_and_row_need_not_agree() -> None:
    assert treadles(at("weave")) == [1, 2, 3, 4, 1]
    assert treadles(at("weave", nth=2)) == [2, 3, 4, 1, 2]
    assert treadles(at("weave", nth=3)) == [3, 4, 1, 2, 3]


def test_a_pick_too_many_shifts_the_cycle_and_the_shuttle_from_there_on() -> None:
    place = tapped(at("weave", nth=2), "shift", treadles=1, passages=1, pick=5)
    assert treadles(place) == [3, 4, 1, 2, 3]
    assert side_before(PIECE, place, 5, "right") == "right"
    assert (treadle_at(PIECE, place, 4), side_before(PIECE, place, 4, "right")) == (1, "right")
    fewer = tapped(place, "shift", treadles=-1, passages=-1, pick=7)
    assert treadles(fewer) == [3, 4, 4, 1, 2]
    assert shift_at(fewer, 10**6).treadles == 0


def test_taking_out_treads_backwards_what_was_woven_before_the_shift() -> None:
    place = tapped(tapped(at("weave"), "picks", picks=3), "shift", treadles=2, passages=0, pick=3)
    out = tapped(tapped(place, "pick"), "unweave", picks=2)
    found = picks_of(PIECE, out, card_up(DECKS, out), "right")
    assert [(pick.number, pick.treadle, pick.to) for pick in found] == [(4, 2, "left"), (3, 3, "right")]


@pytest.mark.parametrize(
    "detail",
    [
        {"treadles": 0, "passages": 0, "pick": 0},
        {"treadles": 10**9, "passages": 0, "pick": 0},
        {"treadles": 1, "passages": 1},
        {"treadles": "1", "passages": 1, "pick": 0},
        {"treadles": True, "passages": 1, "pick": 0},
    ],
)
def test_a_shift_that_says_nothing_changes_nothing(detail: dict[str, Any]) -> None:
    with pytest.raises(NotNow):
        tapped(at("weave"), "shift", **detail)


# --- breaks --------------------------------------------------------------------------------------------


def test_a_row_and_a_walk_are_broken_off_where_they_are() -> None:
    place = tapped(tapped(at("weave"), "pause"), "picks", picks=3)
    assert (place.paused, place.pick) == (True, 3)
    assert tapped(place, "stands").spot == tapped(at("weave"), "picks", picks=3).spot
    assert words(place, "pause") == "A break; row 1, 3 picks in"
    behind = tapped(at("move_cords"), "pause")
    assert tapped(behind, "stands").spot == at("move_cords").spot


def test_a_begun_row_stays_on_the_loom() -> None:
    place = tapped(at("weave"), "pick")
    with pytest.raises(NotNow, match="A row is begun"):
        tapped(place, "aside")


def test_what_is_said_in_the_log() -> None:
    place = at("weave", nth=2)
    assert words(place, "pick") == "Row 2: one pick woven"
    assert words(place, "too_far", card=1, pick=3) == "Tapped too far: back to row 1, 3 picks in"
    assert words(place, "shift", treadles=1, passages=1, pick=5, why="too many") == (
        "One pick too many: the treadles go on 1 further and the shuttle is on the other side"
    )
    assert words(place, "shift", treadles=-2, passages=0, pick=5) == "The treadles go on 2 earlier"
    assert words(place, "left_in", words="unit 3") == "A mistake stays in: unit 3"
    assert words(at("insert"), "tick", card=at("insert").card) == "2a put in"
    assert words(at("move_cords"), "tick", card=at("insert").card) == "2a put in: not done after all"
    assert isinstance(CARDS[at("weave").card].step, Weave)
    assert numbers(MoveCords)
