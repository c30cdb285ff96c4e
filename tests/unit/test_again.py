"""An instruction that is opened again after a wrong test lift shows the loom as it stands by now."""

import json

from server.design.piece_file import read_piece
from server.loom.steps import Insert, MoveCords
from server.plan.planner import plan
from server.session.cards import deal
from server.session.place import Decks, Place, Tap, after_tap, card_up

# Two parts of one shaft, one after the other: 1a, then 1b in its place.
PIECE = {
    "format": "spareshaft-piece",
    "version": 1,
    "name": "again",
    "loom": {"pattern_shafts": 1, "spare_shafts": 2},
    "leashes": [1, 1, 1, 1],
    "rows": ["##..", "..##"],
}


def test_what_came_out_meanwhile_is_not_shown() -> None:
    piece = read_piece(json.dumps(PIECE))
    cards = deal(piece, plan(piece))
    decks = Decks(piece.loom, (cards,))
    lifts = [card for card in cards if card.kind == "test_lift"]
    assert len(lifts) == 3
    for lift in lifts:
        place = after_tap(decks, Place("on the loom", card=lift.number), Tap("again", lift.number, 0))
        again = card_up(decks, place)
        inside = {t.name for t in lift.before.temporaries}
        assert again.number == lift.redo
        assert again.after == lift.before
        match again.step:
            case Insert(temporary=name):
                assert {t.name for t in again.before.temporaries} == inside - {name}
                assert name not in dict(again.before.away).values()
            case MoveCords(handle=handle, source=source, target=target):
                assert source is None
                assert again.before.carrier(piece.loom, handle) is None
                assert lift.before.carrier(piece.loom, handle) == target
            case _:
                raise AssertionError(again.step)
