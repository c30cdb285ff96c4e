"""The cards: a work order as the weaver meets it."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given

from server.design.piece_file import read_piece
from server.loom.steps import Insert, MoveCords, Walk
from server.plan.replay import Mismatch, replay
from server.plan.workorder import read_workorder
from server.session.cards import Card, deal
from tests.outside.exhaustive import TooLarge, best_order, write_order
from tests.outside.pieces import examples, small_pieces
from tests.outside.test_replayer import EXAMPLE_ORDER, EXAMPLE_PIECE, staying_order

PIECE = read_piece(json.dumps(EXAMPLE_PIECE))
ORDER = read_workorder(json.dumps(EXAMPLE_ORDER))


def dealt(piece: dict[str, Any], order: dict[str, Any]) -> tuple[Card, ...]:
    return deal(read_piece(json.dumps(piece)), read_workorder(json.dumps(order)))


def test_the_contracts_example_card_by_card() -> None:
    cards = deal(PIECE, ORDER)
    assert [(card.kind, card.row) for card in cards] == [
        ("raise", 1),
        ("weave", 1),
        ("walk", 1),
        ("label", 1),
        ("insert", 1),
        ("move_cords", 1),
        ("test_lift", 1),
        ("raise", 2),
        ("weave", 2),
        ("raise", 3),
        ("weave", 3),
        ("walk", 3),
        ("move_cords", 3),
        ("withdraw", 3),
        ("test_lift", 3),
        ("done", 3),
    ]
    assert [card.number for card in cards] == list(range(16))


def test_a_wrong_test_lift_opens_the_insertion_or_else_the_move() -> None:
    cards = deal(PIECE, ORDER)
    first, last = cards[6], cards[14]
    assert (first.handle, first.redo, cards[4].kind) == ("2", 4, "insert")
    assert (last.handle, last.redo, cards[12].kind) == ("2", 12, "move_cords")
    assert first.step is None
    assert first.before == first.after == cards[7].before


def test_each_changed_handle_is_lifted_once_in_order() -> None:
    """Two temporaries on one walk, one on a spare handle, cords moved twice on the way."""
    piece, order = staying_order()
    piece |= {"leashes": [1, 1, 1], "rows": ["#.."]}
    order["steps"] = [
        {"kind": "walk"},
        {"kind": "label", "shafts": [1]},
        {"kind": "insert", "shaft": 1, "temporary": "1a", "units": [1]},
        {"kind": "move_cords", "handle": "S1", "from": None, "to": "1a"},
        {"kind": "insert", "shaft": 1, "temporary": "1b", "units": [2]},
        {"kind": "move_cords", "handle": "1", "from": "1", "to": None},
        {"kind": "move_cords", "handle": "1", "from": None, "to": "1b"},
        {"kind": "raise", "row": 1, "handles": ["S1"], "single_cords": []},
        {"kind": "weave", "row": 1, "picks": 1, "treadles": [1]},
        {"kind": "walk"},
        {"kind": "move_cords", "handle": "1", "from": "1b", "to": "1"},
        {"kind": "move_cords", "handle": "S1", "from": "1a", "to": None},
        {"kind": "withdraw", "temporary": "1a"},
        {"kind": "withdraw", "temporary": "1b"},
        {"kind": "done"},
    ]
    cards = dealt(piece, order)
    lifts = [card for card in cards if card.kind == "test_lift" and card.row == 0]
    assert [(card.handle, cards[card.redo or 0].step) for card in lifts] == [
        ("1", Insert(1, "1b", (2,))),
        ("S1", Insert(1, "1a", (1,))),
    ]
    assert cards[lifts[0].number - 1].step == MoveCords("1", None, "1b")


def test_an_order_that_does_not_weave_the_piece_is_never_dealt() -> None:
    with pytest.raises(Mismatch):
        deal(PIECE, replace(ORDER, steps=ORDER.steps[1:]))


@examples(80)
@given(small_pieces())
def test_cards_follow_the_steps(piece: dict[str, Any]) -> None:
    try:
        best = best_order(piece, largest=800)
    except TooLarge:
        return
    if best is None:
        return
    order = write_order(piece, best)
    cards = dealt(piece, order)
    read = read_piece(json.dumps(piece))
    steps = read_workorder(json.dumps(order)).steps
    states = replay(read, steps)
    own = [card for card in cards if card.kind != "test_lift"]
    assert [card.step for card in own] == list(steps)
    assert [card.before for card in own] == states[:-1]
    assert [card.after for card in own] == states[1:]
    assert [card.number for card in cards] == list(range(len(cards)))
    changed: set[str] = set()
    lifted: list[str | None] = []
    for card in cards:
        if isinstance(card.step, Walk):
            changed, lifted = set(), []
        elif isinstance(card.step, MoveCords):
            changed.add(card.step.handle)
            assert not lifted
        elif card.kind == "test_lift":
            lifted.append(card.handle)
            assert card.redo is not None
            assert card.redo < card.number
            assert cards[card.redo].kind in ("insert", "move_cords")
        elif card.kind in ("raise", "done"):
            # cords that hang free lift nothing, so there is nothing to test
            carrying = {h for h in changed if card.before.carrier(read.loom, h) is not None}
            assert sorted(str(handle) for handle in lifted) == sorted(carrying)
            changed, lifted = set(), []
