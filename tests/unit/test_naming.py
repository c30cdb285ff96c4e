"""Counting from the other end: names are their own inverses, and texts those of the renumbered loom."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import groupby, product
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.design.piece_file import read_piece
from server.loom.counting import STANCES, Stance, take_and_pass
from server.loom.leashes import NO_SHAFT
from server.loom.state import Loom, handle_order, units_up
from server.loom.steps import Insert
from server.plan.planner import plan
from server.session.cards import Card, deal
from server.session.naming import Naming, ShaftsFrom
from server.session.treadling import Side
from server.session.wording import check_words, handle_change, heading
from tests.traditions import PIECES, TRADITIONS, as_counted

TRADITION = st.tuples(st.sampled_from(get_args(ShaftsFrom)), st.sampled_from(get_args(Side)))
CARDS = [(piece, deal(piece, plan(piece))) for piece in (read_piece(text) for text in PIECES)]


@st.composite
def looms(draw: st.DrawFn) -> Loom:
    shafts = draw(st.integers(1, 12))
    leashes = draw(st.lists(st.integers(0, shafts), min_size=1, max_size=30))
    units = range(1, len(leashes) + 1)
    cords = frozenset(unit for unit in units if leashes[unit - 1] == NO_SHAFT or draw(st.booleans()))
    return Loom(tuple(leashes), cords, shafts, spare_handles=draw(st.integers(0, 2)))


@given(looms(), TRADITION, st.integers(-3, 40))
def test_every_name_is_its_own_inverse(loom: Loom, tradition: tuple[ShaftsFrom, Side], number: int) -> None:
    naming = Naming.on(loom, *tradition)
    assert naming.shaft(naming.shaft(number)) == number
    assert naming.unit(naming.unit(number)) == number
    for name in (str(number), f"{number}a", f"{number}ab", f"S{number}", "x", "", "7A", "9" * 5000 + "a"):
        assert naming.name(naming.name(name)) == name
    assert naming.loom(naming.loom(loom)) == loom
    numbers = range(1, loom.pattern_shafts + 1)
    assert sorted(map(naming.shaft, numbers)) == list(numbers)
    assert naming.unit_numbers(range(1, len(loom.leashes) + 1)) == tuple(range(1, len(loom.leashes) + 1))
    assert naming.shaft(NO_SHAFT) == NO_SHAFT


@given(looms(), TRADITION)
def test_the_same_leash_hangs_on_the_same_shaft_whatever_both_are_called(
    loom: Loom, tradition: tuple[ShaftsFrom, Side]
) -> None:
    naming = Naming.on(loom, *tradition)
    told = naming.loom(loom)
    for unit, shaft in enumerate(loom.leashes, 1):
        assert told.leashes[naming.unit(unit) - 1] == naming.shaft(shaft)
        assert (unit in loom.single_cords) == (naming.unit(unit) in told.single_cords)


@pytest.mark.parametrize("tradition", [("weaver", "left"), *TRADITIONS])
def test_cards_are_renumbered_and_back(tradition: tuple[ShaftsFrom, Side]) -> None:
    for piece, cards in CARDS:
        naming = Naming.on(piece.loom, *tradition)
        for card in cards:
            told = naming.card(card)
            assert naming.card(told) == card
            assert (told == card) or not naming.as_files
            up = units_up(piece.loom, card.before, card.before.raised, card.before.pulled)
            now = told.before
            assert units_up(naming.loom(piece.loom), now, now.raised, now.pulled) == set(map(naming.unit, up))


def in_one_order(cards: Iterable[Card]) -> list[Card]:
    """Test lifts are made along the row of handles, so the other way round where it is counted so."""
    found: list[Card] = []
    for kind, group in groupby(cards, lambda card: card.kind):
        same = list(group)
        if kind == "test_lift":
            same.sort(key=lambda card: handle_order(card.handle or ""))
        found += same
    return found


@pytest.mark.parametrize("tradition", TRADITIONS)
def test_what_is_said_is_what_would_be_said_of_the_renumbered_loom(
    tradition: tuple[ShaftsFrom, Side],
) -> None:
    """The renumbered piece and its plan are made on the files' text, not with our functions."""
    for text in PIECES:
        piece = read_piece(text)
        order = plan(piece)
        other, other_order = as_counted(text, order, *tradition)
        naming, plain = Naming.on(piece.loom, *tradition), Naming.on(piece.loom)
        assert other.loom == naming.loom(piece.loom)
        for told, others in zip(
            in_one_order(map(naming.card, deal(piece, order))),
            in_one_order(deal(other, other_order)),
            strict=True,
        ):
            assert heading(told) == heading(others)
            if told.kind == "raise":
                assert handle_change(told) == handle_change(others)
            where = f"from your {tradition[1]}"
            said = check_words(naming.loom(piece.loom), told, naming).replace(where, "from your left")
            assert said.replace("farthest from", "nearest to") == check_words(other.loom, others, plain)


def _insertions() -> list[tuple[Loom, Card]]:
    return [(piece.loom, card) for piece, cards in CARDS for card in cards if isinstance(card.step, Insert)]


@pytest.mark.parametrize(("tradition", "stance"), list(product(TRADITIONS, STANCES)))
def test_leashes_are_counted_where_they_hang(tradition: tuple[ShaftsFrom, Side], stance: Stance) -> None:
    """The counts of a renumbered insertion, read back, are those of the loom."""
    for loom, card in _insertions():
        naming = Naming.on(loom, *tradition)
        step, told = card.step, naming.card(card).step
        assert isinstance(step, Insert)
        assert isinstance(told, Insert)
        hung = naming.loom(loom).units_of(told.shaft)
        counted = take_and_pass(map(naming.unit, hung), map(naming.unit, told.units), stance)
        assert counted == take_and_pass(loom.units_of(step.shaft), step.units, stance)


def test_a_label_says_where_she_begins() -> None:
    piece, cards = CARDS[0]
    label = next(card for card in cards if card.kind == "label")
    plain = Naming.on(piece.loom)
    other = replace(plain, shafts_from="back")
    assert "Shaft 1 is the nearest to the bench." in check_words(piece.loom, label, plain)
    said = check_words(other.loom(piece.loom), other.card(label), other)
    assert "Shaft 1 is the farthest from the bench." in said
