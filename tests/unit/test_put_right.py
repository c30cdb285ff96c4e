"""Ways on from anywhere; reading what she writes; her pace."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.loom.actions import apply
from server.loom.counting import STANCES, Run, Stance, take_and_pass, units_taken
from server.loom.picks import picks_before_row
from server.loom.state import Loom, State
from server.loom.steps import Insert
from server.plan.planner import plan
from server.plan.replay import verify_from
from server.plan.visits import Position, Visit, position_of
from server.plan.workorder import is_free
from server.session.cards import BEHIND, Card, deal, deal_course
from server.session.log_words import log_words
from server.session.naming import Naming
from server.session.pace import LOOKED_AT, minutes_per_pick, minutes_to_next_walk
from server.session.place import Decks, NotNow, Place, Tap, TapKind, after_tap, card_up
from server.session.put_right import (
    Proposal,
    continuations,
    course_of,
    cut_out,
    go_on,
    next_treadle,
    picks_back,
    sheds_known,
    spots_before,
    standing,
    take_out,
    what_is_left,
)
from server.session.read_counts import Unreadable, read_numbers, read_runs
from server.session.treadling import next_pick
from server.session.wishes import Wishes, rows_every, wished
from server.session.wording import numbers_text, runs_words
from server.store.weavings import rows_woven
from server.web.plan import walk_lines
from tests.examples import piece_order, piece_text

PIECE = read_piece(piece_text())
DECKS = Decks(PIECE.loom, (deal(PIECE, piece_order()),))
NO_WISHES = Wishes()


def at(kind: str, row: int, pick: int = 0) -> Place:
    """The place on the card of that kind and row."""
    number = next(card.number for card in DECKS.cards[0] if (card.kind, card.row) == (kind, row))
    return Place("on the loom", card=number, pick=pick)


# --- where she is and how far back ---------------------------------------------------------------------


def test_a_shed_that_stands_is_told_with_its_picks() -> None:
    place = at("weave", 2, 3)
    assert position_of(standing(DECKS, place, PIECE)) == Position(1, 3)
    assert position_of(standing(DECKS, place, PIECE, 1)) == Position(1, 1)
    woven = standing(DECKS, place, PIECE, 5)
    assert position_of(woven) == Position(2)
    assert woven.raised == standing(DECKS, place, PIECE).raised


def test_at_a_test_lift_and_before_the_first_shed_she_is_back_at_the_bench() -> None:
    for place in every_place():
        card, state = DECKS.at(place), standing(DECKS, place, PIECE)
        assert (state.phase == "behind") == (card.kind in BEHIND)
    start = standing(DECKS, at("test_lift", 1), PIECE)
    course = course_of(PIECE, take_out(PIECE, start, Position(0), NO_WISHES), {}, limit=5.0)
    assert deal_course(PIECE, course)[0].kind in ("walk", "reopen")


picks_lists = st.lists(st.integers(1, 5), min_size=1, max_size=4)


def with_picks(picks: list[int], rows: int) -> Piece:
    return replace(PIECE, rows=(frozenset[int](),) * rows, picks_per_row=tuple(picks))


def in_all(piece: Piece, position: Position) -> int:
    return picks_before_row(piece.picks_per_row, position.row + 1) + position.picks


@given(picks_lists, st.data())
def test_so_many_picks_back_leaves_so_many_fewer_in(picks: list[int], data: st.DataObject) -> None:
    piece = with_picks(picks, 6)
    row = data.draw(st.integers(0, 5))
    here = Position(row, data.draw(st.integers(0, piece.picks(row + 1) - 1)))
    out = data.draw(st.integers(0, in_all(piece, here)))
    there = picks_back(piece, here, out)
    assert in_all(piece, there) == in_all(piece, here) - out
    assert 0 <= there.picks < piece.picks(there.row + 1)
    with pytest.raises(ValueError, match="not in the cloth"):
        picks_back(piece, here, in_all(piece, here) + 1)


# --- courses -------------------------------------------------------------------------------------------


def every_place() -> list[Place]:
    return [Place("on the loom", card=n, pick=card.before.picks) for n, card in enumerate(DECKS.cards[0])]


def test_a_way_on_is_found_from_every_instruction_and_back_to_every_row() -> None:
    """Each is replayed against the design by the planner and again as cards are dealt."""
    ways = 0
    for place in every_place():
        start = standing(DECKS, place, PIECE)
        here = position_of(start)
        proposals = [go_on(PIECE, start, "stands differently", NO_WISHES)]
        proposals += [go_on(PIECE, start, "behind", NO_WISHES, free_now=True)]
        for row in range(here.row):
            proposals += [
                take_out(PIECE, start, Position(row), NO_WISHES),
                cut_out(PIECE, start, row, NO_WISHES),
            ]
            proposals += [take_out(PIECE, start, Position(row, 2), NO_WISHES)]
        for proposal in proposals:
            course = course_of(PIECE, proposal, {}, limit=5.0)
            cards = deal_course(PIECE, course)
            assert cards[-1].kind == "done"
            assert cards[-1].after.is_bare()
            ways += 1
    assert ways > len(every_place()) * 2


def test_going_on_from_a_plan_that_is_the_best_costs_what_is_left_of_it() -> None:
    for place in every_place():
        start = standing(DECKS, place, PIECE)
        course = course_of(PIECE, go_on(PIECE, start, "walks", NO_WISHES), {}, limit=5.0)
        assert course.order.proven
        assert course.order.totals.minutes == pytest.approx(what_is_left(PIECE, DECKS, place).minutes)


def test_with_no_time_for_a_search_the_plan_so_far_is_gone_on_with() -> None:
    for place in every_place():
        proposal = go_on(PIECE, standing(DECKS, place, PIECE), "walks", NO_WISHES)
        course = course_of(PIECE, proposal, sheds_known(DECKS, place), limit=0.0)
        assert course.order.totals.minutes <= what_is_left(PIECE, DECKS, place).minutes + 1e-6


def test_cut_out_keeps_all_that_stands() -> None:
    place = at("weave", 3)
    proposal = cut_out(PIECE, standing(DECKS, place, PIECE), 1, NO_WISHES)
    now = standing(DECKS, place, PIECE)
    assert (proposal.start.temporaries, proposal.start.away) == (now.temporaries, now.away)
    assert (proposal.start.raised, proposal.start.row) == (now.raised, 1)
    assert [visit.row for visit in proposal.visits] == [2, 3]


def test_taking_out_goes_back_and_forth() -> None:
    start = standing(DECKS, at("weave", 3, 2), PIECE)
    proposal = take_out(PIECE, start, Position(1, 4), NO_WISHES)
    assert proposal.visits == (Visit(3, 2, 0), Visit(2, 5, 4), Visit(2, 4, 5), Visit(3, 0, 5))


def test_her_wishes_hold_in_the_plan_and_when_it_is_dealt_again() -> None:
    start = standing(DECKS, at("raise", 1), PIECE)
    wishes = Wishes(frozenset({0, 3}), frozenset({1, 2}))
    course = course_of(PIECE, go_on(PIECE, start, "walks", wishes), {}, limit=5.0)
    walks = [card.row for card in deal_course(PIECE, course) if card.kind == "walk"]
    assert walks == [0, 3]
    verify_from(wished(PIECE, wishes), course.start, course.visits, course.order)


@given(picks_lists, st.integers(1, 30))
def test_every_so_many_picks(picks: list[int], number: int) -> None:
    piece = with_picks(picks, 12)
    found = rows_every(piece, number, "picks")
    for multiple in range(number, picks_before_row(picks, 13) + 1, number):
        assert any(
            picks_before_row(picks, row) < multiple <= picks_before_row(picks, row + 1) for row in found
        )
    assert len(found) <= picks_before_row(picks, 13) // number
    assert rows_every(piece, number, "rows") == {row for row in range(1, 13) if row % number == 0}


# --- tapped too far ------------------------------------------------------------------------------------


def test_every_spot_back_can_be_tapped_to() -> None:
    for place in (at("done", 3), at("weave", 2, 3)):
        spots = list(spots_before(DECKS, place))
        assert spots
        for spot in spots:
            for picks in spot.picks:
                detail = f'{{"card": {spot.card.number}, "pick": {picks}}}'
                moved = after_tap(DECKS, place, Tap("too_far", place.card, place.turn, detail))
                assert (moved.card, moved.pick) == (spot.card.number, picks)


# --- the treadles --------------------------------------------------------------------------------------


@given(st.lists(st.integers(1, 4), min_size=1, max_size=9), st.integers(1, 4), st.integers(0, 4))
def test_the_cycle_goes_on_with_her_treadle(cycle: list[int], treadle: int, pick: int) -> None:
    piece = replace(PIECE, treadling=tuple(cycle))
    place = at("weave", 2, pick)
    found = continuations(piece, DECKS, place, treadle)
    assert bool(found) == (treadle in cycle)
    assert [abs(way.shift) for way in found] == sorted(abs(way.shift) for way in found)
    for way in found:
        assert abs(way.shift) <= len(cycle) // 2
        assert way.treadles[0] == treadle
        if way.shift:
            number = next_pick(piece, place, DECKS.at(place))
            detail = f'{{"treadles": {way.shift}, "passages": 0, "pick": {number}}}'
            moved = after_tap(DECKS, place, Tap("shift", place.card, place.turn, detail))
            assert next_treadle(piece, DECKS, moved) == treadle


# --- reading what she writes ---------------------------------------------------------------------------


@given(st.sets(st.integers(1, 60), min_size=1), st.data(), st.sampled_from(STANCES))
def test_takes_and_passes_lead_back_to_the_units(hung: set[int], data: st.DataObject, stance: Stance) -> None:
    taken = data.draw(st.sets(st.sampled_from(sorted(hung))))
    runs = take_and_pass(hung, taken, stance)
    assert units_taken(hung, runs, stance) == taken
    assert read_runs(runs_words(runs)) == runs
    numbers = " ".join(str(run.leashes) for run in runs)
    assert read_runs(f"{numbers} beginning with {'take' if runs[0].take else 'pass'}") == runs
    with pytest.raises(ValueError, match="leashes"):
        units_taken(hung, (*runs, Run(True, 1)), stance)


@pytest.mark.parametrize(
    ("text", "runs"),
    [
        ("Take 1, pass 1; take 2", "take 1, pass 1, take 2"),
        ("t1p1t2", "take 1, pass 1, take 2"),
        ("take one, pass by two, then take three", "take 1, pass 2, take 3"),
        ("pass 0, take 3", "take 3"),
        ("take 1 take 2", "take 3"),
        ("begin with pass: 2 1 2", "pass 2, take 1, pass 2"),
    ],
)
def test_counts_are_read_as_people_write_them(text: str, runs: str) -> None:
    assert runs_words(read_runs(text)) == runs


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "No leash is counted"),
        ("1 1 2", "Say how it begins"),
        ("take", "A number is missing"),
        ("take pass 1", "A number is missing"),
        ("take 1 from the right", "“from” cannot be read"),
        ("take 1 １２", "cannot be read"),
        ("take " + "9" * 50, "No shaft has so many"),
        ("take 1, pass 1, " * 100_000, "too long"),
        ("pass 1 take 1 beginning with take", "only one of them"),
        ("<script>", "cannot be read"),
        ("\x00", "cannot be read"),
    ],
)
def test_what_cannot_be_read_is_never_guessed(text: str, sentence: str) -> None:
    with pytest.raises(Unreadable, match=sentence):
        read_runs(text)


@given(st.sets(st.integers(0, 99)))
def test_numbers_are_read_as_they_are_written(numbers: set[int]) -> None:
    if numbers:
        assert read_numbers(numbers_text(numbers), 0, 99, "row") == numbers
    assert read_numbers(", ".join(map(str, numbers)), 0, 99, "row") == numbers


@pytest.mark.parametrize(
    "text", ["x", "-1", "4-2", "100", "1–999999999999", "1.5", "8,," * 2000, "１", "0x1"]
)
def test_numbers_that_are_none(text: str) -> None:
    with pytest.raises(Unreadable):
        read_numbers(text, 0, 99, "row")


# --- her pace ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Entry:
    kind: TapKind
    at: datetime
    before: Place


@dataclass(frozen=True)
class Woven:
    piece: Piece
    decks: Decks
    place: Place
    log: list[Entry]


def plain_piece(rows: int) -> tuple[Piece, Decks]:
    """Rows that need no temporary, save the last."""
    text = piece_text(rows=["#..###..#"] * rows + ["..##.#..."])
    piece = read_piece(text)
    return piece, Decks(piece.loom, (deal(piece, plan(piece)),))


PLAIN, PLAIN_DECKS = plain_piece(60)


def woven(rows: int, minutes: float, breaks: dict[int, float] | None = None, kind: TapKind = "next") -> Woven:
    """So many rows woven, each in so many minutes; in some a break is made and not announced."""
    place, time, log = Place("on the loom"), datetime(2026, 1, 5, tzinfo=UTC), list[Entry]()
    while PLAIN_DECKS.at(place).row <= rows:
        card = PLAIN_DECKS.at(place)
        how: TapKind = kind if card.kind == "weave" else "next"
        taps = card.step.picks if how == "pick" and hasattr(card.step, "picks") else 1
        if card.kind == "weave":
            time += timedelta(minutes=minutes + (breaks or {}).get(card.row, 0.0))
        for _ in range(taps):
            log.append(Entry(how, time, place))
            place = after_tap(PLAIN_DECKS, place, Tap(how, place.card, place.turn))
    return Woven(PLAIN, PLAIN_DECKS, place, log)


@pytest.mark.parametrize("kind", ["next", "pick"])
def test_the_minutes_to_the_next_walk_follow_her_own_pace(kind: TapKind) -> None:
    done = woven(20, 4.0, kind=kind)
    assert minutes_per_pick(done) == pytest.approx(4.0 / 5)
    assert minutes_to_next_walk(done) == pytest.approx(4.0 * 40)
    within = replace(done, place=replace(done.place, card=done.place.card + 1, pick=2))
    assert minutes_to_next_walk(within) == pytest.approx(4.0 * 40 - 2 * 4.0 / 5)


def test_breaks_do_not_move_her_pace() -> None:
    assert minutes_per_pick(woven(20, 4.0, {5: 600.0, 11: 90.0})) == pytest.approx(4.0 / 5)


def test_nothing_is_said_of_her_pace_before_some_rows_are_woven() -> None:
    assert minutes_per_pick(woven(2, 4.0)) is None
    assert minutes_to_next_walk(woven(2, 4.0)) is None
    assert minutes_to_next_walk(woven(4, 4.0)) is not None


def test_only_the_newest_taps_are_looked_at() -> None:
    done = woven(59, 4.0)
    slow = [replace(entry, at=entry.at - timedelta(days=n)) for n, entry in enumerate(reversed(done.log), 1)]

    class Watched(list[Entry]):
        asked: slice | None = None

        def __getitem__(self, index):  # type: ignore[no-untyped-def]
            self.asked = index
            return super().__getitem__(index)

        def __iter__(self):  # type: ignore[no-untyped-def]
            raise AssertionError("the whole log is read")

    log = Watched([*reversed(slow), *done.log])
    assert minutes_per_pick(replace(done, log=log)) == pytest.approx(4.0 / 5)
    assert log.asked == slice(-LOOKED_AT, None)


def test_what_stands_is_what_a_course_begins_in() -> None:
    assert standing(DECKS, at("raise", 1), PIECE) == State()


# --- how far the cloth is, told the same everywhere ----------------------------------------------------


def on_a_course(place: Place, proposal: Proposal) -> tuple[Decks, Place]:
    """Planned anew from this place; the first card of that is up."""
    cards = deal_course(PIECE, course_of(PIECE, proposal, {}, limit=5.0))
    decks = Decks(PIECE.loom, (*DECKS.cards, cards))
    said = json.dumps({"course": 1, "why": proposal.why})
    return decks, after_tap(decks, place, Tap("course", place.card, place.turn, said))


def next_until(decks: Decks, place: Place, kind: str) -> Place:
    while card_up(decks, place).kind != kind:
        place = after_tap(decks, place, Tap("next", place.card, place.turn))
    return place


def test_a_row_that_is_opened_and_of_which_nothing_is_out_is_woven() -> None:
    before = at("raise", 3)
    start = standing(DECKS, before, PIECE)
    decks, place = on_a_course(before, take_out(PIECE, start, Position(1), NO_WISHES))
    out = next_until(decks, place, "take_out")
    assert rows_woven(decks, out) == 2
    one_out = after_tap(decks, out, Tap("pick", out.card, out.turn))
    assert rows_woven(decks, one_out) == 1
    names = Naming.on(PIECE.loom)
    assert log_words(decks, "pause", "", out, names) == "A break; row 2, 5 picks in"
    assert log_words(decks, "pause", "", one_out, names) == "A break; row 2, 4 picks in"


def test_a_walk_within_a_row_costs_also_where_she_rises_after_the_row() -> None:
    walk = next(card for card in DECKS.cards[0] if card.kind == "walk")
    within = replace(walk, before=State(phase="down", row=1, picks=2))
    after = replace(walk, before=State(phase="down", row=1))
    assert [(line.when, line.is_free) for line in walk_lines((within, after), {1})] == [
        ("within row 2, after 2 picks", False),
        ("after row 1", True),
    ]
    assert not is_free(Position(1, 2), {1})


def test_back_at_the_first_card_of_a_walk_takes_off_what_was_ticked() -> None:
    loom = Loom((1, 1, 2, 2), frozenset(), 2, spare_shafts=2)
    state = State(phase="behind", labelled=frozenset({1, 2}))
    cards: list[Card] = []
    for step in (Insert(1, "1a", (1,)), Insert(2, "2a", (3,))):
        cards.append(Card(len(cards), "insert", 0, step, state, apply(loom, state, step)))
        state = cards[-1].after
    decks = Decks(loom, (tuple(cards),))
    ticked = after_tap(decks, Place("on the loom"), Tap("tick", 0, 0, '{"card": 1}'))
    assert ticked.ahead == {1}
    back = after_tap(decks, ticked, Tap("back", 0, ticked.turn))
    assert back.ahead == frozenset()
    with pytest.raises(NotNow, match="first instruction"):
        after_tap(decks, back, Tap("back", 0, back.turn))


def test_planned_anew_the_test_lift_of_what_was_put_in_again_is_still_to_be_made() -> None:
    place = at("weave", 2)
    put_in = after_tap(DECKS, place, Tap("again", place.card, 0, '{"temporary": "2a"}'))
    lift = after_tap(DECKS, put_in, Tap("next", put_in.card, put_in.turn))
    start = standing(DECKS, lift, PIECE)
    assert not start.raised, "all was let go for it"
    decks, anew = on_a_course(lift, cut_out(PIECE, start, 1, NO_WISHES))
    assert card_up(decks, anew).kind == "test_lift"
    on = after_tap(decks, anew, Tap("next", anew.card, anew.turn))
    card = card_up(decks, on)
    assert (card.kind, card.row, card.before.raised) == ("raise", 2, frozenset())
    decks, told = on_a_course(lift, go_on(PIECE, start, "stands differently", NO_WISHES))
    assert card_up(decks, told).kind == "raise", "how it stands she has told"
