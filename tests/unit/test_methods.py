"""Other methods: when they pay, what is advised and why, and what cannot be asked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from server.design.piece import Minutes, Piece
from server.design.piece_file import read_piece
from server.loom.state import Loom
from server.plan.planner import Stopped
from server.plan.workorder import Totals
from server.settings import resource_dir
from server.ways import methods as methods_module
from server.ways.methods import (
    FEW_WALKS,
    MOST_BY_HAND,
    MOST_MINUTES_A_ROW,
    MOST_PICKS_BY_HAND,
    MOST_ROWS_IN_A_SET,
    ROWS_TO_A_WALK,
    Advice,
    Assumptions,
    KeptIn,
    WithPlans,
    answer_methods,
    as_json,
    from_json,
    kept_in,
    methods,
    options_for,
    partly_by_hand,
    pays_from,
    repeated,
    with_plans,
)
from tests.unit.test_unaided import piece_with


def totals(walks: int, minutes: float) -> Totals:
    return Totals(walks, 0, 0, 0, 0, 0, minutes)


@pytest.mark.parametrize(
    ("once", "saved", "times"),
    [
        ("10", "3", 4),  # 3 × 3 is not more than 10, 4 × 3 is
        ("9", "3", 4),  # 3 × 3 is as much, not less
        ("0", "0.1", 1),
        ("0.3", "0.1", 4),  # which binary numbers would get wrong
        ("1", "100", 1),
        ("0", "0", None),
        ("0", "-1", None),
        ("5", "0", None),
    ],
)
def test_from_when_it_pays(once: str, saved: str, times: int | None) -> None:
    assert pays_from(Fraction(once), Fraction(saved)) == times


def test_the_figures_of_a_small_piece() -> None:
    # shaft 1 has units 1, 3, 5; rows 1 and 3 ask 1 and 3 of it, and unit 3 has a cord
    piece = replace(
        piece_with(["#.#..#", "######", "#.#...", "..#..."], cords=(3,)),
        picks_per_row=(2,),
        minutes=Minutes(pull=0.5),
    )
    found = methods(piece, totals(2, 20.0), Assumptions(cord=10, hand=0.25))
    assert found.cords.units == (1,)
    assert found.cords.stringing == 10
    assert found.cords.pulls == 3 + 3 + 2 + 1
    assert found.cords.minutes == 4.5
    assert found.cords.most_at_once == 2
    assert found.cords.pays_from == 1  # 10 + 4.5 are less than 20
    hand = found.by_hand
    assert (hand.rows, hand.picks, hand.units, hand.most) == (2, 4, 4, 1)
    assert hand.minutes == 4 * 0.25 + (2 + 3 + 1 + 1) * 0.5
    assert hand.is_few
    assert (found.changed, found.unaided) == (2, (2 + 3 + 1 + 1) * 0.5)
    assert found.advice == Advice("by hand")


def figures(rows: int, most: int = MOST_BY_HAND + 1) -> Piece:
    """A piece of which the last row asks so many units of the one shaft, and no other asks any."""
    units = 2 * most
    cells = [*["." * units] * (rows - 1), "#" * most + "." * most]
    return piece_with(cells, "1" * units)


@pytest.mark.parametrize(
    ("piece", "plan", "assumed", "advice"),
    [
        (piece_with(["######"]), totals(0, 0.06), Assumptions(), Advice("nothing needed")),
        (figures(100), totals(2, 20), Assumptions(), Advice("temporaries")),
        (figures(100, MOST_BY_HAND), totals(2, 20), Assumptions(), Advice("by hand")),
        (figures(100, MOST_BY_HAND), totals(2, 0.3), Assumptions(), Advice("temporaries")),
        (
            replace(figures(100, MOST_BY_HAND), picks_per_row=(MOST_PICKS_BY_HAND + 1,)),
            totals(2, 90),
            Assumptions(cord=1000),
            Advice("temporaries"),
        ),
        # five cords at ten minutes: 50 minutes, and pulls
        (figures(100), totals(2, 49), Assumptions(), Advice("temporaries")),
        (figures(100), totals(2, 51), Assumptions(), Advice("wrong method", ("cords cost less",))),
        (figures(100), totals(2, 20), Assumptions(weavings=3), Advice("wrong method", ("cords cost less",))),
        (figures(100), totals(2, 20), Assumptions(weavings=2), Advice("temporaries")),
        (figures(1), totals(FEW_WALKS, 1), Assumptions(), Advice("temporaries")),
        (figures(47), totals(FEW_WALKS + 1, 1), Assumptions(), Advice("wrong method", ("no rhythm",))),
        (figures(ROWS_TO_A_WALK * 6), totals(6, 1), Assumptions(), Advice("temporaries")),
        (figures(9), totals(2, 9 * MOST_MINUTES_A_ROW), Assumptions(cord=99), Advice("temporaries")),
        (
            figures(9),
            totals(2, 9 * MOST_MINUTES_A_ROW + 0.1),
            Assumptions(cord=99),
            Advice("wrong method", ("changing outweighs",)),
        ),
    ],
)
def test_the_advice(piece: Piece, plan: Totals, assumed: Assumptions, advice: Advice) -> None:
    assert methods(piece, plan, assumed).advice == advice


@pytest.mark.parametrize(
    ("name", "walks", "minutes"), [("harbour_runner.json", 4, 57.37), ("net_mender.json", 3, 27.95)]
)
def test_temporaries_are_right_for_the_demo(name: str, walks: int, minutes: float) -> None:
    piece = read_piece((resource_dir("demo_data") / name).read_bytes())
    assert methods(piece, totals(walks, minutes)).advice == Advice("temporaries")


def test_a_row_in_which_all_is_otherwise_is_the_wrong_method() -> None:
    """Random rows on a pointed order: each asks a part of every shaft, and each another."""
    rows = ["#.##..#.##.###.#", "##..#.##.#..#.##", ".##.#.#.###.##..", "#..##.#..#.##.#."] * 4
    piece = piece_with(rows, "1234565432123456")
    found = methods(piece, totals(16, 200.0), Assumptions())
    assert found.advice.verdict == "wrong method"
    assert found.advice.reasons == ("cords cost less", "no rhythm", "changing outweighs")


# --- with plans of their own -----------------------------------------------------------------------------

NAPKIN = replace(
    piece_with(["#.....", "#.....", "......"], "121213"),
    loom=Loom((1, 2, 1, 2, 1, 3), frozenset(), 3, spare_shafts=1),
    picks_per_row=(2, 1),
    free_walks=frozenset({0}),
    no_walks=frozenset({2}),
)


def test_copies_in_a_row_are_one_piece() -> None:
    three = repeated(NAPKIN, 3)
    assert three.rows == NAPKIN.rows * 3
    assert [three.picks(row) for row in range(1, 10)] == [2, 1, 2] * 3
    assert three.free_walks == {0, 3, 6}
    assert three.no_walks == {2, 5, 8}


def test_temporaries_stay_in_from_one_to_the_next() -> None:
    piece = replace(NAPKIN, free_walks=frozenset(), no_walks=frozenset())
    alone = totals(2, 2 * 1.5 + 1 + 0.05 + 0.5 + 2 * 0.5 + 2 * 0.02)
    found = kept_in(piece, alone, 3, limit=20)
    assert found is not None
    assert found.proven
    # the walks between are saved, and what is done on them
    assert found.walks == 2
    assert found.minutes == round(alone.minutes + 4 * 0.02, 6)
    assert round(found.saved_each, 6) == round(alone.minutes - 2 * 0.02, 6)


def test_where_no_walk_may_be_made_there_is_no_set() -> None:
    # the temporary must come out after the last row, and go in again before the first; the joint bars both
    loom = Loom((1, 1, 2, 2), frozenset(), 2, spare_shafts=1)
    piece = replace(piece_with(["#...", "..#."], "1122"), loom=loom, no_walks=frozenset({0}))
    assert kept_in(piece, totals(3, 10.0), 2, limit=20) is None


def test_a_set_takes_what_it_takes_where_no_walk_may_be_made_between_two() -> None:
    """Where all but pulling costs nothing: alone, the temporary is out again before the first row."""
    piece = replace(
        piece_with(["###", "##.", "##.", "##."], "111"),
        loom=Loom((1, 1, 1), frozenset({1, 2, 3}), 1, spare_shafts=1),
        minutes=Minutes(walk=0, insert=0, take=0, withdraw=0, move_cords=0, pull=1),
        no_walks=frozenset({0}),
    )
    found = kept_in(piece, totals(2, 4.0), 3, limit=20)
    assert found is not None
    assert found.proven
    # a temporary with two units in all rows, and from the second on a cord beside it in the first
    assert (found.minutes, found.alone) == (14.0, 12.0)


@pytest.fixture
def endless(monkeypatch: pytest.MonkeyPatch) -> None:
    """A planner that finds nothing, and goes on until it is stopped."""

    def search(*_: object, stop: Callable[[], bool], **more: object) -> None:
        while not stop():
            pass
        raise Stopped

    monkeypatch.setattr(methods_module, "cheapest", search, raising=False)


@pytest.mark.usefixtures("endless")
def test_a_planner_that_finds_nothing_in_the_time_is_stopped() -> None:
    piece = replace(NAPKIN, no_walks=frozenset(), rows=(*NAPKIN.rows, frozenset({1, 2})))
    found = with_plans(piece, totals(2, 5.0), Assumptions(copies=3), limit=0.01)
    assert found == WithPlans(KeptIn(3, 15.0, 6, 15.0, 6, proven=False), ())


def test_sets_that_cannot_be_asked_for() -> None:
    with pytest.raises(ValueError, match="at least two"):
        kept_in(NAPKIN, totals(2, 5.0), 1, limit=1)
    with pytest.raises(ValueError, match="Choose fewer"):
        kept_in(NAPKIN, totals(2, 5.0), MOST_ROWS_IN_A_SET, limit=1)


def test_what_is_left_to_a_plan_beside_picking_up() -> None:
    loom = Loom((1, 1, 1, 1, 1, 2), frozenset(), 2, spare_shafts=1)
    piece = replace(piece_with(["#.....", "......", "###..."], "111112"), loom=loom, picks_per_row=(3,))
    assumed = Assumptions(hand=0.5)
    assert partly_by_hand(piece, assumed, 3, limit=20) is None  # that is all of it by hand
    found = partly_by_hand(piece, assumed, 1, limit=20)
    assert found is not None
    assert (found.rows, found.picks, found.by_hand) == (1, 3, 1.5)
    assert partly_by_hand(replace(piece, rows=piece.rows[1:]), assumed, 1, limit=20) is None


def test_the_answer_is_read_as_it_was_kept() -> None:
    piece = replace(NAPKIN, no_walks=frozenset())
    told: list[tuple[str, float | None]] = []

    class Telling:
        def __call__(self, words: str = "", share: float | None = None, /, **_: float | None) -> None:
            told.append((words, share))

        def is_enough(self) -> bool:
            return False

    plan, assumed = totals(2, 5.6), Assumptions(copies=2)
    answer = answer_methods(piece, options_for(plan, assumed), Telling())
    found = with_plans(piece, plan, assumed, limit=20)
    assert from_json(answer) == found
    assert as_json(from_json(answer)) == answer
    assert [share for _, share in told] == sorted(share or 0 for _, share in told)
    assert told


GOOD: dict[str, Any] = options_for(totals(2, 5.0), Assumptions())


@pytest.mark.parametrize(
    "options",
    [
        {},
        GOOD | {"limit": 0},
        GOOD | {"limit": "soon"},
        GOOD | {"limit": float("nan")},
        GOOD | {"limit": 10**400},
        GOOD | {"totals": None},
        GOOD | {"totals": GOOD["totals"] | {"minutes": float("nan")}},
        GOOD | {"totals": GOOD["totals"] | {"minutes": float("inf")}},
        GOOD | {"totals": GOOD["totals"] | {"minutes": -1.0}},
        GOOD | {"totals": GOOD["totals"] | {"minutes": 1e308}},
        GOOD | {"assumed": {"copies": "many"}},
        GOOD | {"assumed": GOOD["assumed"] | {"copies": 1}},
        GOOD | {"assumed": GOOD["assumed"] | {"copies": -3}},
        GOOD | {"assumed": GOOD["assumed"] | {"copies": 10**9}},
    ],
)
def test_options_that_are_none_are_refused_in_a_sentence(options: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"^That could not be read as a question about other methods\.$"):
        answer_methods(NAPKIN, options, lambda *_, **__: None)  # type: ignore[arg-type]
