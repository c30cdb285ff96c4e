"""What is read aloud: somebody who only listens must be able to weave by it."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.loom.counting import STANCES, Stance, as_met
from server.loom.state import State, Temporary
from server.loom.steps import Done, Insert, Label, MoveCords, Raise, TakeOut, Walk, Weave, Withdraw
from server.session.cards import BEHIND, Card, deal
from server.session.naming import Naming
from server.session.place import Decks, Place, Tap, after_tap
from server.session.spoken import name_words, number_words, run_entries, shed_spoken, spoken
from tests.demo import demo_order, demo_piece
from tests.examples import piece_text

PIECE = read_piece(piece_text())
NAMES = Naming.on(PIECE.loom)
NUMBERS = {number_words(number): number for number in range(100)}


HERE = Place(status="on the loom")


def say(card: Card, *, piece: Piece = PIECE, place: Place = HERE, stance: Stance = "behind-left") -> str:
    return spoken(piece, place, card, stance, "right", Naming.on(piece.loom))


def a_card(step: object, kind: str, before: State | None = None, row: int = 2) -> Card:
    state = State() if before is None else before
    return Card(0, kind, row, step, state, state)  # type: ignore[arg-type]


# --- numbers and names ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (0, "zero"),
        (7, "seven"),
        (13, "thirteen"),
        (20, "twenty"),
        (42, "forty-two"),
        (99, "ninety-nine"),
    ],
)
def test_numbers_are_words_up_to_ninety_nine(number: int, words: str) -> None:
    assert number_words(number) == words


def test_from_a_hundred_on_the_voice_reads_the_figures() -> None:
    assert number_words(100) == "100"


def test_no_two_numbers_sound_alike() -> None:
    assert len(NUMBERS) == 100


@pytest.mark.parametrize(
    ("name", "words"), [("7", "seven"), ("S1", "S one"), ("7a", "seven a"), ("12ab", "twelve a b")]
)
def test_handles_and_temporaries_are_spelt(name: str, words: str) -> None:
    assert name_words(name) == words


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        ([], []),
        ([1, 2], ["one", "two"]),
        ([1, 2, 3], ["one to three"]),
        ([4, 5, 1, 2, 3], ["four", "five", "one to three"]),
        ([5, 4, 3, 7], ["five to three", "seven"]),
        ([2, 2, 2], ["two", "two", "two"]),
        ([1, 2, 3, 2, 1], ["one to three", "two", "one"]),
    ],
)
def test_runs(numbers: list[int], said: list[str]) -> None:
    assert run_entries(numbers) == said


def heard_numbers(text: str) -> list[int]:
    """The numbers that somebody hears in "one, four to two and nine"."""
    found: list[int] = []
    for part in re.split(r", | and ", text):
        first, _, last = part.partition(" to ")
        start = NUMBERS[first]
        end = NUMBERS[last] if last else start
        found += range(start, end + 1) if end >= start else range(start, end - 1, -1)
    return found


@given(st.lists(st.integers(1, 99), min_size=1, max_size=30))
def test_who_hears_runs_hears_every_number_in_order(numbers: list[int]) -> None:
    assert heard_numbers(", ".join(run_entries(numbers))) == numbers


# --- one card of each kind -----------------------------------------------------------------------------


def test_a_row_is_pulled_let_go_and_counted() -> None:
    before = State(phase="woven", row=1, raised=frozenset({"3", "11"}), pulled=frozenset({1}))
    card = a_card(Raise(2, ("3", "7", "8", "S1"), (1, 9)), "raise", before)
    assert say(card) == (
        "Pull seven, eight and S one, let go of eleven. Then the single cords, from your left: pull nine. "
        "Four handles and two single cords are pulled in all."
    )


def test_a_row_that_needs_nothing_says_so() -> None:
    assert say(a_card(Raise(2, (), ()), "raise")) == "Pull nothing for this row."
    same = State(phase="woven", row=1, raised=frozenset({"3"}))
    card = a_card(Raise(2, ("3",), ()), "raise", same)
    assert say(card) == "Leave everything as it hangs. One handle is pulled in all."


def test_picks_with_their_treadles_and_both_sides_of_the_shuttle() -> None:
    card = a_card(Weave(1, 5, (1, 2, 3, 4, 5)), "weave", State(phase="raised", row=1), row=1)
    assert say(card) == (
        "Weave five picks, treadles one to five. The shuttle starts on your right and ends on your left."
    )
    two_in = Place(status="on the loom", pick=2)
    assert say(card, place=two_in) == (
        "Weave three more picks, treadles three to five. "
        "The shuttle starts on your right and ends on your left."
    )


def test_pick_by_pick_each_stands_alone() -> None:
    card = a_card(Weave(1, 5, (1, 2, 3, 4, 5)), "weave", State(phase="raised", row=1), row=1)
    place = Place(status="on the loom", pick=2)
    text = spoken(PIECE, place, card, "behind-left", "right", NAMES, by_pick=True)
    assert text == "Pick three of five, treadle three, the shuttle goes to your left."


def test_a_pick_is_called_by_its_number_in_the_row() -> None:
    """Also where a walk broke the row off, so that the card has only what is left of it."""
    begun = State(phase="raised", row=1, picks=2)
    card = a_card(Weave(1, 3, (3, 4, 5)), "weave", begun, row=1)
    place = Place(status="on the loom", pick=2)
    text = spoken(PIECE, place, card, "behind-left", "right", NAMES, by_pick=True)
    assert text == "Pick three of five, treadle three, the shuttle goes to your left."
    card = a_card(TakeOut(1, 2, (5, 4), 3), "take_out", State(phase="raised", row=1, picks=5), row=1)
    place = Place(status="on the loom", pick=5)
    text = spoken(PIECE, place, card, "behind-left", "right", NAMES, by_pick=True)
    assert text.startswith("Take out pick five of five, treadle five,")


def test_picks_taken_out_go_backwards() -> None:
    card = a_card(TakeOut(1, 3, (5, 4, 3), 2), "take_out", State(phase="raised", row=1, picks=5), row=1)
    assert say(card) == (
        "Take out three picks, the last pick first, treadles five to three. "
        "The shuttle starts on your left and ends on your right."
    )


def test_on_a_loom_with_one_treadle_no_treadle_is_told() -> None:
    piece = replace(PIECE, loom=replace(PIECE.loom, treadles=1), treadling=(1,))
    card = a_card(Weave(1, 2, (1, 1)), "weave", State(phase="raised", row=1), row=1)
    assert "treadle" not in say(card, piece=piece)


@pytest.mark.parametrize(
    ("stance", "where", "counted"),
    [
        ("behind-left", "Behind the loom, counting from your left", "pass one, take one"),
        ("behind-right", "Behind the loom, counting from your right", "take one, pass one"),
        ("left-side", "At the loom’s left side, counting from the nearest leash", "take one, pass one"),
    ],
)
def test_an_insertion_names_the_side_and_the_count(stance: Stance, where: str, counted: str) -> None:
    said = say(a_card(Insert(2, "2a", (3,)), "insert", State(phase="behind")), stance=stance)
    assert said == (
        f"Insert temporary two a. {where}: of two leashes on shaft two {counted}. "
        "Then one leash is taken in all."
    )


def test_cords_are_two_one_at_each_end() -> None:
    behind = State(phase="behind")
    assert say(a_card(MoveCords("2", "2", "2a"), "move_cords", behind)) == (
        "Move both cords of handle two from shaft two to temporary two a. "
        "Two cords, one at your left and one at your right."
    )
    assert "unhook both cords" in say(a_card(MoveCords("2", "2a", None), "move_cords", behind)).lower()
    assert "hang both cords" in say(a_card(MoveCords("S1", None, "2a"), "move_cords", behind)).lower()


def test_the_other_kinds() -> None:
    before = State(phase="woven", row=1, raised=frozenset({"3", "4"}), pulled=frozenset({1}))
    assert say(a_card(Walk(), "walk", before)) == (
        "Let go of handles three and four and single cord one from your left. Nobody at the handles. "
        "Then go behind the loom."
    )
    assert say(a_card(Label((2, 3)), "label")) == (
        "Tape numbers on shafts two and three. Two shafts in all, counted from the bench."
    )
    inside = State(phase="behind", temporaries=(Temporary("2a", 2, frozenset({3})),))
    assert say(a_card(Withdraw("2a"), "withdraw", inside)) == (
        "Draw out temporary two a. It goes through one of two leashes on shaft two. "
        "See that it is clear at your left and at your right; shaft two keeps all its leashes."
    )
    lift = replace(a_card(None, "test_lift"), handle="2")
    assert say(lift) == (
        "Test lift: pull handle two alone. Two units rise, the outermost three and seven from your left. "
        "Then let it go."
    )
    said = say(a_card(Done(), "done"))
    assert said == "Nothing is pulled. The piece is woven. No temporary is in the loom."


def test_what_is_done_once_more_begins_with_undoing_it() -> None:
    again = Place(status="on the loom", again="2a")
    said = say(a_card(Insert(2, "2a", (3,)), "insert", State(phase="behind")), place=again)
    assert said.startswith("Once more. Undo it first")


def test_a_shed_to_be_looked_over() -> None:
    assert shed_spoken([3, 4, 5, 9], NAMES) == (
        "Check the shed. Four units are up, from your left: three to five and nine."
    )
    assert shed_spoken([1], replace(NAMES, units_from="right")) == (
        "Check the shed. One unit is up, from your right: nine."
    )
    assert shed_spoken([], NAMES) == "Check the shed. Nothing is up."


def test_in_her_own_counting() -> None:
    names = replace(NAMES, shafts_from="back", units_from="right")
    card = a_card(Raise(2, ("1", "2"), (1,)), "raise", State(phase="woven", row=1))
    here = Place(status="on the loom")
    assert spoken(PIECE, here, card, "behind-left", "right", names) == (
        "Pull three and four. Then the single cords, from your right: pull nine. "
        "Two handles and one single cord are pulled in all."
    )
    # leashes lie where they lie: only the shaft is called otherwise
    insertion = a_card(Insert(2, "2a", (3,)), "insert", State(phase="behind"))
    assert "of two leashes on shaft three pass one, take one" in spoken(
        PIECE, here, insertion, "behind-left", "right", names
    )


# --- the whole piece, by ear ---------------------------------------------------------------------------


def heard_names(text: str) -> set[str]:
    found = set()
    for part in re.split(r", | and ", text):
        if part.startswith("S "):
            found.add(f"S{NUMBERS[part[2:]]}")
        else:
            found |= {str(number) for number in heard_numbers(part)}
    return found


def change(said: str, up: set[str]) -> set[str]:
    """What is up after "pull seven and eight, let go of eleven"."""
    for part in re.split(r", (?=let go of )", said):
        if part.startswith("pull "):
            up = up | heard_names(part.removeprefix("pull "))
        elif part.startswith("let go of "):
            up = up - heard_names(part.removeprefix("let go of "))
    return up


@cache
def dealt(demo: str) -> tuple[Piece, tuple[Card, ...]]:
    piece = demo_piece(demo)
    return piece, deal(piece, demo_order(demo))


@pytest.mark.parametrize("demo", ["harbour_runner.json", "net_mender.json"])
@pytest.mark.parametrize("stance", STANCES)
def test_who_only_listens_raises_weaves_and_inserts_what_the_plan_says(demo: str, stance: Stance) -> None:
    piece, cards = dealt(demo)
    decks = Decks(piece.loom, (cards,))
    place = Place(status="on the loom")
    handles: set[str] = set()
    cords: set[str] = set()
    kinds = set()
    for card in cards:
        text = spoken(piece, place, card, stance, "right", Naming.on(piece.loom))
        kinds.add(card.kind)
        assert text.endswith(".")
        assert not re.search(r"\d|–|None", text), text
        match card.step:
            case Raise():
                for sentence in re.split(r"\. |\.$", text):
                    if sentence.startswith("Then the single cords"):
                        cords = change(sentence.split(": ")[1], cords)
                    elif sentence.startswith(("Pull ", "Let go of ")) and "nothing" not in sentence:
                        handles = change(sentence[0].lower() + sentence[1:], handles)
                assert handles == set(card.step.handles)
                assert cords == {str(unit) for unit in card.step.single_cords}
            case Weave():
                found = re.fullmatch(
                    r"Weave (\S+) picks?, treadles? (.*)\. "
                    r"The shuttle starts on your (\w+) and ends on your (\w+)\.",
                    text,
                )
                assert found
                assert NUMBERS[found[1]] == card.step.picks
                assert heard_numbers(found[2]) == list(card.step.treadles)
                assert (found[3] == found[4]) == (card.step.picks % 2 == 0)
            case Insert():
                runs = re.findall(r"(take|pass) ([a-z-]+)", text.split(": ", 1)[1].split(". ")[0])
                marks = [word == "take" for word, number in runs for _ in range(NUMBERS[number])]
                met = as_met(piece.loom.units_of(card.step.shaft), stance)
                assert {unit for unit, taken in zip(met, marks, strict=True) if taken} == set(card.step.units)
        if card.kind == "walk":
            handles, cords = set(), set()
        place = after_tap(decks, place, Tap("next", place.card, place.turn))
    assert kinds == {"raise", "weave", "walk", "test_lift", "done"} | set(BEHIND)
