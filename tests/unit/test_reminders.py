"""Reminders: due once as the weaving goes on, and gone with the next tap."""

from __future__ import annotations

import pytest

from server.design.piece_file import read_piece
from server.session.cards import deal
from server.session.place import Decks, Place, Tap, after_tap
from server.session.reminders import (
    NoReminder,
    Reminder,
    due,
    read_reminders,
    reminder,
    write_reminders,
)
from tests.examples import piece_order, piece_text

PIECE = read_piece(piece_text())
DECKS = Decks(PIECE.loom, (deal(PIECE, piece_order()),))


def woven(kind: str, reminders: list[Reminder]) -> list[tuple[int, str]]:
    """(picks that are in, what is due) whenever something is, weaving the piece to its end."""
    place, found = Place(), []
    place = after_tap(DECKS, place, Tap("begin", 0, 0))
    while place.status == "on the loom":
        card = DECKS.at(place)
        in_cloth = 5 * (card.before.row - (card.kind == "weave")) + place.pick
        found += [(in_cloth, words) for words in due(PIECE, DECKS, place, reminders)]
        now = kind if card.kind == "weave" else "next"
        place = after_tap(DECKS, place, Tap(now, place.card, place.turn))  # type: ignore[arg-type]
    return found


def test_every_so_many_picks_it_is_due_at_the_pick_or_at_the_end_of_the_row() -> None:
    bobbin = [Reminder("Next bobbin", 4, "picks")]
    assert woven("pick", bobbin) == [(4, "Next bobbin"), (8, "Next bobbin"), (12, "Next bobbin")]
    assert woven("next", bobbin) == [(5, "Next bobbin"), (10, "Next bobbin"), (15, "Next bobbin")]


def test_rows_and_centimetres() -> None:
    assert woven("next", [Reminder("Wind on", 2, "rows")]) == [(10, "Wind on")]
    assert woven("pick", [Reminder("Temple", 0.5, "cm", 14)]) == [(7, "Temple"), (14, "Temple")]


def test_going_back_reminds_of_nothing() -> None:
    place = after_tap(DECKS, Place(), Tap("begin", 0, 0))
    every = [Reminder("x", 1, "picks")]
    for kind in ("next", "pick", "pick"):
        place = after_tap(DECKS, place, Tap(kind, place.card, place.turn))  # type: ignore[arg-type]
    assert due(PIECE, DECKS, place, every) == ("x",)
    for kind in ("back", "back", "back"):
        place = after_tap(DECKS, place, Tap(kind, place.card, place.turn))  # type: ignore[arg-type]
    assert due(PIECE, DECKS, place, every) == ()


@pytest.mark.parametrize(
    ("words", "every", "measure", "density"),
    [
        ("", "5", "picks", ""),
        ("x" * 61, "5", "picks", ""),
        ("x", "", "picks", ""),
        ("x", "0", "picks", ""),
        ("x", "-3", "picks", ""),
        ("x", "1e9", "picks", ""),
        ("x", "nan", "cm", "12"),
        ("x", "inf", "cm", "12"),
        ("x", "999999", "picks", ""),
        ("x", "2.5", "rows", ""),
        ("x", "5", "miles", ""),
        ("x", "5", "cm", ""),
        ("x", "5", "cm", "0"),
        ("x", "１", "picks", ""),
        ("x", "9" * 400, "picks", ""),
    ],
)
def test_what_is_no_reminder_is_refused_with_a_sentence(
    words: str, every: str, measure: str, density: str
) -> None:
    with pytest.raises(NoReminder, match=r"\.$"):
        reminder(words, every, measure, density)


def test_a_reminder_is_kept_as_it_was_entered() -> None:
    entered = (reminder("  Move  the temple ", "5,5", "cm", "12"), reminder("Bobbin", "40", "picks", ""))
    assert entered[0] == Reminder("Move the temple", 5.5, "cm", 12)
    assert read_reminders(write_reminders(entered)) == entered
    for broken in ("", "{", "[1]", '[{"words": 1}]', "null"):
        assert read_reminders(broken) == ()
