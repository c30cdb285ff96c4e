"""What is said to the weaver."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.design.piece_file import read_piece
from server.loom.picks import picks_before_row
from server.loom.state import State, Temporary
from server.loom.steps import MoveCords, Raise, Reopen
from server.plan.visits import Position
from server.session.cards import Card, deal
from server.session.log_words import log_words
from server.session.naming import Naming
from server.session.place import Decks, Place, Tap, TapKind, after_tap
from server.session.treadling import side_before
from server.session.wording import (
    after_words,
    brief_words,
    cautions,
    check_words,
    cord_change,
    done_words,
    due_out,
    entries,
    handle_change,
    handles_text,
    heading,
    minutes_text,
    numbers_text,
    order_of_work,
    several,
    span_text,
    undo_first,
)
from tests.examples import piece_order, piece_text

PIECE = read_piece(piece_text())
CARDS = deal(PIECE, piece_order())
AS_FILES = Naming.on(PIECE.loom)

NOT_ON_SCREEN = re.compile(r"carrier|proven|work order|session|\bstep\b|\berror\b|None", re.IGNORECASE)


def card_of(kind: str, number: int = 0) -> Card:
    return [card for card in CARDS if card.kind == kind][number]


def raise_card(
    up: tuple[str, ...],
    before: tuple[str, ...] = (),
    cords: tuple[int, ...] = (),
    pulled: tuple[int, ...] = (),
) -> Card:
    state = State(raised=frozenset(before), pulled=frozenset(pulled), phase="woven")
    return Card(0, "raise", 1, Raise(1, up, cords), state, state)


@pytest.mark.parametrize(
    ("card", "text"),
    [
        (raise_card(("7", "8"), ("11",)), "Pull 7 and 8, let go of 11"),
        (raise_card(("1", "2", "3", "5", "S1"), ()), "Pull 1–3, 5 and S1"),
        (raise_card((), ("4", "5")), "Let everything go"),
        (raise_card(("4",), ("4", "5")), "Let go of 5"),
        (raise_card(("4",), ("4",)), "Leave everything as it hangs"),
        (raise_card(()), "Pull nothing for this row"),
        (raise_card(("4",), (), (1, 2, 3)), "Pull 4; then the cords"),
        (
            raise_card(("4",), ("4",), (1, 2, 3, 9), (12,)),
            "Pull single cords 1–3 and 9, let go of single cord 12",
        ),
        (raise_card(tuple(str(n) for n in range(1, 24, 2))), "Pull 12 handles"),
        (raise_card((), (), tuple(range(1, 80, 2)), (90,)), "Pull 40 single cords, let go of single cord 90"),
        (raise_card((), (), (5,), tuple(range(1, 14, 2))), "Let go of 6 single cords"),
    ],
)
def test_what_is_to_be_pulled(card: Card, text: str) -> None:
    assert heading(card) == text


handles = st.sets(st.sampled_from([*map(str, range(1, 30)), "S1", "S2"])).map(tuple)
units = st.sets(st.integers(1, 60)).map(tuple)


@given(handles, handles, units, units)
def test_a_change_leads_from_what_is_up_to_what_shall_be(
    up: tuple[str, ...], before: tuple[str, ...], cords: tuple[int, ...], pulled: tuple[int, ...]
) -> None:
    card = raise_card(up, before, cords, pulled)
    change = handle_change(card)
    assert set(before) - set(change.let_go) | set(change.pull) == set(up)
    assert set(change.leave) == set(up) & set(before)
    pull, let_go, leave = cord_change(card)
    assert set(pulled) - set(let_go) | set(pull) == set(cords)
    assert set(leave) == set(cords) & set(pulled)


def test_after_a_walk_everything_is_down_and_what_carries_a_temporary_is_pulled() -> None:
    """Handle 3 was up before the walk as well; it is to be pulled, not left."""
    card = card_of("raise", 1)
    assert card.before.raised == frozenset()
    assert dict(card.before.away) == {"2": "2a"}
    assert handle_change(card).pull == ("2", "3")
    assert handle_change(card).leave == ()


@pytest.mark.parametrize("card", CARDS, ids=lambda card: f"{card.number}-{card.kind}")
def test_every_card_speaks_the_trades_words(card: Card) -> None:
    texts = [heading(card), done_words(card), *cautions(card), *order_of_work(card)]
    if card.kind not in ("insert", "weave"):
        texts.append(check_words(PIECE.loom, card, AS_FILES))
    assert heading(card)[0].isupper()
    for text in texts:
        assert text
        assert not NOT_ON_SCREEN.search(text), text


def test_cautions_stand_only_where_the_hazard_is() -> None:
    with_caution = {card.kind for card in CARDS if cautions(card)}
    assert with_caution == {"walk", "label", "insert", "withdraw", "move_cords", "test_lift"}


@pytest.mark.parametrize(
    ("source", "target", "text"),
    [
        ("7", "7a", "move the cords of handle 7 from shaft 7 to 7a"),
        ("7b", "7a", "move the cords of handle 7 from 7b to 7a"),
        ("7a", None, "unhook the cords of handle 7 from 7a"),
        (None, "7", "hang the cords of handle 7 on shaft 7"),
    ],
)
def test_it_is_cords_that_are_hung(source: str | None, target: str | None, text: str) -> None:
    card = Card(0, "move_cords", 1, MoveCords("7", source, target), State(), State())
    assert brief_words(card) == text


@pytest.mark.parametrize(
    ("card", "text"),
    [
        (raise_card(()), "Nothing is pulled."),
        (raise_card(("4",)), "1 handle is pulled in all."),
        (raise_card((), (), (1, 2)), "2 single cords are pulled in all."),
        (raise_card(("4",), (), (1, 2)), "1 handle and 2 single cords are pulled in all."),
    ],
)
def test_how_many_are_pulled_in_all(card: Card, text: str) -> None:
    assert check_words(PIECE.loom, card, AS_FILES) == text


@given(st.sets(st.integers(1, 200), min_size=1))
def test_numbers_can_be_read_back(numbers: set[int]) -> None:
    read: set[int] = set()
    for first, last in re.findall(r"(\d+)(?:–(\d+))?", numbers_text(numbers)):
        read |= set(range(int(first), int(last or first) + 1))
    assert read == numbers


def test_runs_of_three_are_drawn_together() -> None:
    assert entries([9, 1, 2, 3, 5, 6]) == ["1–3", "5", "6", "9"]
    assert handles_text(["S2", "10", "9", "S1", "8"]) == "8–10, S1 and S2"


@pytest.mark.parametrize(
    ("minutes", "text"),
    [
        (0, "0 minutes"),
        (1, "1 minute"),
        (5.71, "5.7 minutes"),
        (1.04, "1 minute"),
        (9.96, "10 minutes"),
        (59.6, "1 hour"),
        (61, "1 hour 1 minute"),
        (125.2, "2 hours 5 minutes"),
    ],
)
def test_minutes(minutes: float, text: str) -> None:
    assert minutes_text(minutes) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(1800, "30 minutes"), (7199, "119 minutes"), (7200, "2 hours"), (172_800, "2 days")],
)
def test_spans(seconds: float, text: str) -> None:
    assert span_text(seconds) == text


@given(
    st.integers(1, 40),
    st.lists(st.integers(1, 7), min_size=1, max_size=4),
    st.sampled_from(["left", "right"]),
)
def test_the_shuttle_crosses_once_a_pick(row: int, picks: list[int], first: str) -> None:
    """Counted out pick by pick."""
    piece = read_piece(piece_text(picks_per_row=picks, rows=["#..###..#"] * 40))
    side = first
    for woven in range(1, row + 1):
        start = side
        for _ in range(piece.picks(woven)):
            side = "left" if side == "right" else "right"
    pick = picks_before_row(piece.picks_per_row, row)
    picks_of_row = (pick, pick + piece.picks(row))
    found = tuple(side_before(piece, Place(), at, first) for at in picks_of_row)  # type: ignore[arg-type]
    assert found == (start, side)


def test_what_was_done_is_told_in_the_log() -> None:
    decks = Decks(PIECE.loom, (CARDS,))

    def at(kind: str) -> Place:
        return Place("on the loom", card=card_of(kind).number)

    def told(kind: TapKind, place: Place) -> str:
        return log_words(decks, kind, "", place, AS_FILES)

    assert told("next", at("insert")) == "2a put in"
    assert told("next", at("weave")) == "Row 1 woven"
    assert told("back", at("insert")) == "Back: tapped too far"
    assert told("again", at("test_lift")) == "Test lift of handle 2: not right"
    again = after_tap(decks, at("test_lift"), Tap("again", card_of("test_lift").number, 0))
    assert told("next", again) == "2a put in, done again"


def test_undoing_an_insertion_unhooks_its_cords_first() -> None:
    state = State(temporaries=(Temporary("2a", 2, frozenset({3})),), away=(("2", "2a"),))
    lines = undo_first(card_of("insert"), state, lifted=False)
    assert "Unhook both cords of handle 2 from 2a." in lines
    assert lines[-1] == "Hang both cords of handle 2 on 2a again."
    assert not any("Unhook" in line for line in undo_first(card_of("insert"), State(), lifted=True))


@pytest.mark.parametrize(
    ("state", "lifted", "first"),
    [
        (State(phase="behind"), False, "Nobody at the handles."),
        (State(), True, "Let go of the handle. Go behind; nobody at the handles."),
        (State(), False, "Go behind; nobody at the handles."),
        (
            State(phase="raised", row=1, raised=frozenset({"3"}), pulled=frozenset({1, 9})),
            False,
            "Let go of handle 3 and single draw cords 1 and 9. Go behind; nobody at the handles.",
        ),
    ],
)
def test_only_what_is_up_is_let_go_and_behind_is_not_gone_to_from_there(
    state: State, lifted: bool, first: str
) -> None:
    assert undo_first(card_of("insert"), state, lifted=lifted)[0] == first


def test_a_list_without_drawings_names_every_handle() -> None:
    card = raise_card(("1", "3", "5", "7", "9", "11"))
    assert heading(card) == "Pull 6 handles"
    assert heading(card, in_full=True) == "Pull 1, 3, 5, 7, 9 and 11"


def test_minutes_that_are_compared_add_up_to_the_tenth() -> None:
    assert (minutes_text(18.6), minutes_text(17.1)) == ("19 minutes", "17 minutes")
    assert (minutes_text(18.6, True), minutes_text(17.1, True)) == ("18.6 minutes", "17.1 minutes")
    assert minutes_text(75.4, True) == "1 hour 15 minutes"


def test_a_row_opened_to_be_taken_out_is_not_told_as_one_to_be_woven() -> None:
    card = card_of("raise")
    assert isinstance(card.step, Raise)
    again = replace(card, kind="reopen", step=Reopen(1, card.step.handles, card.step.single_cords))
    assert done_words(again) == "Row 1: shed raised again, to take picks out"
    assert done_words(card) == "Row 1: shed raised"


def test_a_walk_within_a_row_is_told_with_its_picks() -> None:
    assert after_words(Position(0)) == "before the first row"
    assert after_words(Position(1, 2)) == "within row 2, after 2 picks"
    walk = replace(card_of("walk"), before=State(phase="down", row=1, picks=2))
    assert done_words(walk) == "Went behind the loom within row 2, after 2 picks"


def test_where_the_cords_hang_right_it_is_the_temporary_that_is_wrong() -> None:
    moved = card_of("move_cords")
    assert isinstance(moved.step, MoveCords)
    assert any("2a itself is in wrongly" in line for line in undo_first(moved, State(), lifted=True))
    home = replace(moved, step=MoveCords("2", "2a", "2"))
    assert not any("itself" in line for line in undo_first(home, State(), lifted=True))


def test_when_things_are_due() -> None:
    assert due_out(3, 3) == "at the end, after the last row"
    assert due_out(2, 3) == "before row 3"
    assert several(1, "leash", "leashes") == "1 leash"
    assert several(1500, "row") == "1,500 rows"
    assert several(2, "leash", "leashes") == "2 leashes"
