"""The replayer must miss nothing: every way of spoiling a correct order is noticed."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.examples import ORDER as EXAMPLE_ORDER
from tests.examples import PIECE as EXAMPLE_PIECE
from tests.outside.exhaustive import TooLarge, best_order, write_order
from tests.outside.pieces import examples, small_pieces
from tests.outside.replayer import BEHIND, faults, faults_in_text

Json = dict[str, Any]

STEPS = EXAMPLE_ORDER["steps"]


def spoilt(change: Callable[[Json], Any]) -> list[str]:
    order = copy.deepcopy(EXAMPLE_ORDER)
    change(order)
    return faults(EXAMPLE_PIECE, order)


def test_the_example_of_the_contract_is_right() -> None:
    assert faults(EXAMPLE_PIECE, EXAMPLE_ORDER) == []
    assert faults_in_text(json.dumps(EXAMPLE_PIECE), json.dumps(EXAMPLE_ORDER)) == []


@pytest.mark.parametrize("place", range(len(STEPS)))
def test_a_step_left_out_is_noticed(place: int) -> None:
    assert spoilt(lambda order: order["steps"].pop(place))


@pytest.mark.parametrize("place", range(len(STEPS)))
def test_a_step_done_twice_is_noticed(place: int) -> None:
    assert spoilt(lambda order: order["steps"].insert(place, copy.deepcopy(STEPS[place])))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (one, other)
        for one in range(len(STEPS))
        for other in range(one + 1, len(STEPS))
        if STEPS[one] != STEPS[other]
    ],
)
def test_two_steps_exchanged_are_noticed(one: int, other: int) -> None:
    def exchange(order: Json) -> None:
        steps = order["steps"]
        steps[one], steps[other] = steps[other], steps[one]

    assert spoilt(exchange)


CHANGES: dict[str, tuple[int | None, str, Any]] = {
    "handle left out": (0, "handles", ["3"]),
    "handle too many": (0, "handles", ["1", "3", "4"]),
    "handle twice": (0, "handles", ["3", "3", "4"]),
    "no such handle": (0, "handles", ["3", "5"]),
    "handles no list": (0, "handles", "34"),
    "handles as numbers": (0, "handles", [3, 4]),
    "cord left out": (0, "single_cords", [1]),
    "cord of a unit that has none": (0, "single_cords", [1, 5, 9]),
    "cord twice": (0, "single_cords", [1, 1, 9]),
    "cords as texts": (0, "single_cords", ["1", "9"]),
    "other row raised": (0, "row", 2),
    "row not whole": (0, "row", 1.0),
    "row true": (0, "row", True),
    "other row woven": (1, "row", 2),
    "picks": (1, "picks", 4),
    "picks not whole": (1, "picks", 5.0),
    "treadles": (1, "treadles", [1, 2, 3, 5, 4]),
    "treadles too few": (1, "treadles", [1, 2, 3, 4]),
    "label of another shaft": (3, "shafts", [3]),
    "label of more shafts": (3, "shafts", [2, 3]),
    "label of none": (3, "shafts", []),
    "label twice the same": (3, "shafts", [2, 2]),
    "other parent": (4, "shaft", 3),
    "no such parent": (4, "shaft", 5),
    "other name": (4, "temporary", "2b"),
    "name of another shaft": (4, "temporary", "3a"),
    "name in capitals": (4, "temporary", "2A"),
    "other letters": (4, "temporary", "2ä"),
    "name without letter": (4, "temporary", "2"),
    "name with more behind": (4, "temporary", "2a\n"),
    "other unit": (4, "units", [7]),
    "unit of another shaft": (4, "units", [4]),
    "all units": (4, "units", [3, 7]),
    "no unit": (4, "units", []),
    "unit twice": (4, "units", [3, 3]),
    "other handle": (5, "handle", "3"),
    "no such handle for cords": (5, "handle", "S1"),
    "from elsewhere": (5, "from", "2b"),
    "from nothing": (5, "from", None),
    "to itself": (5, "to", "2"),
    "to nothing": (5, "to", None),
    "to another shaft": (5, "to", "3"),
    "home from elsewhere": (11, "from", "2"),
    "not home": (11, "to", "2a"),
    "left hanging free": (11, "to", None),
    "other temporary drawn out": (12, "temporary", "2b"),
    "a shaft drawn out": (12, "temporary", "2"),
    "unknown kind": (2, "kind", "stroll"),
    "kind no text": (2, "kind", ["walk"]),
    "a key nobody knows": (2, "why", "tea"),
    "extra no object": (2, "extra", 3),
    "format": (None, "format", "spareshaft-piece"),
    "version": (None, "version", 2),
    "version not whole": (None, "version", 1.0),
    "version true": (None, "version", True),
    "key nobody knows at the top": (None, "author", "somebody"),
    "extra no object at the top": (None, "extra", []),
    "proven no word": (None, "proven", 1),
    "bound above": (None, "bound", 5.711),
    "bound too low to be proven": (None, "bound", 5.7),
    "bound endless": (None, "bound", float("inf")),
    "bound no number": (None, "bound", "5.71"),
    "no totals": (None, "totals", None),
    "no steps": (None, "steps", []),
    "steps no list": (None, "steps", {}),
}


@pytest.mark.parametrize("name", CHANGES)
def test_every_changed_value_is_noticed(name: str) -> None:
    place, key, value = CHANGES[name]
    assert spoilt(lambda order: (order if place is None else order["steps"][place]).update({key: value}))


@pytest.mark.parametrize("key", EXAMPLE_ORDER["totals"])
@pytest.mark.parametrize("by", [1, -1])
def test_every_wrong_total_is_noticed(key: str, by: int) -> None:
    assert spoilt(lambda order: order["totals"].update({key: order["totals"][key] + by}))


@pytest.mark.parametrize("minutes", [5.710001, 5.709999, 5.7100001, True, "5.71", None])
def test_minutes_are_right_to_the_sixth_place(minutes: Any) -> None:
    assert spoilt(lambda order: order["totals"].update(minutes=minutes))


@pytest.mark.parametrize(
    ("place", "key"),
    [(place, key) for place, step in enumerate(STEPS) for key in step]
    + [(None, key) for key in EXAMPLE_ORDER]
    + [(-1, key) for key in EXAMPLE_ORDER["totals"]],
)
def test_every_missing_key_is_noticed(place: int | None, key: str) -> None:
    def leave_out(order: Json) -> None:
        content = order if place is None else order["totals"] if place == -1 else order["steps"][place]
        del content[key]

    assert spoilt(leave_out)


@pytest.mark.parametrize("place", range(len(STEPS)))
def test_extra_is_looked_at_nowhere(place: int) -> None:
    assert spoilt(lambda order: order["steps"][place].update(extra={"note": [1]})) == []
    assert spoilt(lambda order: order.update(extra={"note": None})) == []
    assert spoilt(lambda order: order["totals"].update(extra={})) != []


def test_a_key_that_stands_twice_is_noticed() -> None:
    text = json.dumps(EXAMPLE_ORDER).replace('"bound": 5.71', '"bound": 5.71, "bound": 5.71')
    assert faults_in_text(json.dumps(EXAMPLE_PIECE), text) == ["a key stands twice"]


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("spare_shafts", {"spare_shafts": 0}),
        ("temporaries_per_shaft", {"temporaries_per_shaft": 0}),
    ],
)
def test_a_loom_that_takes_fewer_temporaries(name: str, change: Json) -> None:
    piece = {**EXAMPLE_PIECE, "loom": {**EXAMPLE_PIECE["loom"], **change}}
    assert faults(piece, EXAMPLE_ORDER)


@pytest.mark.parametrize("row", [1, 3])
def test_a_walk_where_none_may_be_made(row: int) -> None:
    assert faults({**EXAMPLE_PIECE, "no_walks": [row]}, EXAMPLE_ORDER)
    assert faults({**EXAMPLE_PIECE, "no_walks": [2]}, EXAMPLE_ORDER) == []


def test_a_free_walk_is_counted_and_not_paid() -> None:
    piece = {**EXAMPLE_PIECE, "free_walks": [3]}
    assert faults(piece, EXAMPLE_ORDER)
    order = copy.deepcopy(EXAMPLE_ORDER)
    order["totals"]["minutes"] = order["bound"] = 4.21
    assert faults(piece, order) == []


def staying_order() -> tuple[Json, Json]:
    """One shaft of two units: a part, then all while its temporary lies unused, on a spare handle."""
    piece = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "Stay",
        "loom": {"pattern_shafts": 1, "spare_shafts": 2, "spare_handles": 2},
        "leashes": [1, 1],
        "rows": ["#.", "##"],
    }
    steps = [
        {"kind": "walk"},
        {"kind": "label", "shafts": [1]},
        {"kind": "insert", "shaft": 1, "temporary": "1a", "units": [1]},
        {"kind": "move_cords", "handle": "S1", "from": None, "to": "1a"},
        {"kind": "raise", "row": 1, "handles": ["S1"], "single_cords": []},
        {"kind": "weave", "row": 1, "picks": 1, "treadles": [1]},
        {"kind": "raise", "row": 2, "handles": ["1"], "single_cords": []},
        {"kind": "weave", "row": 2, "picks": 1, "treadles": [1]},
        {"kind": "walk"},
        {"kind": "move_cords", "handle": "S1", "from": "1a", "to": None},
        {"kind": "withdraw", "temporary": "1a"},
        {"kind": "done"},
    ]
    totals = {
        "walks": 2,
        "insertions": 1,
        "units_taken": 1,
        "withdrawals": 1,
        "cord_moves": 2,
        "pulls": 2,
        "minutes": 5.59,
    }
    order = {
        "format": "spareshaft-workorder",
        "version": 1,
        "proven": True,
        "bound": 5.59,
        "totals": totals,
        "steps": steps,
    }
    return piece, order


def test_temporaries_that_may_not_stay() -> None:
    piece, order = staying_order()
    assert faults(piece, order) == []
    piece["loom"]["temporaries_may_stay"] = False
    found = faults(piece, order)
    assert found == ["step 7: shaft 1: raised while another temporary of it is in the loom"]


def test_two_handles_on_one_temporary() -> None:
    piece, order = staying_order()
    order["steps"].insert(4, {"kind": "move_cords", "handle": "S2", "from": None, "to": "1a"})
    order["steps"].insert(5, {"kind": "move_cords", "handle": "S2", "from": "1a", "to": None})
    assert faults(piece, order) == ["step 5: two handles on 1a"]


def test_a_spare_handle_carries_no_shaft() -> None:
    piece, order = staying_order()
    order["steps"][3]["to"] = "1"
    assert "step 4: handle S1 cannot carry '1'" in faults(piece, order)


def test_an_empty_handle_is_not_raised() -> None:
    piece, order = staying_order()
    order["steps"][4]["handles"] = ["S1", "S2"]
    assert "step 5: handle S2 carries nothing or is not there" in faults(piece, order)


def test_the_limit_holds_within_a_walk_too() -> None:
    piece, order = staying_order()
    piece["loom"]["spare_shafts"] = 1
    order["steps"][3:3] = [
        {"kind": "insert", "shaft": 1, "temporary": "1b", "units": [2]},
        {"kind": "withdraw", "temporary": "1b"},
    ]
    assert "step 4: 2 temporaries in the loom, 1 spare shafts" in faults(piece, order)


def test_cords_back_where_they_were_are_no_move_and_hanging_free_in_between_is_none_of_its_own() -> None:
    piece, order = staying_order()
    order["steps"][4:4] = [
        {"kind": "move_cords", "handle": "1", "from": "1", "to": None},
        {"kind": "move_cords", "handle": "1", "from": None, "to": "1"},
        {"kind": "move_cords", "handle": "S1", "from": "1a", "to": None},
        {"kind": "move_cords", "handle": "S1", "from": None, "to": "1a"},
    ]
    assert faults(piece, order) == []


def test_a_new_temporary_under_an_old_name_is_something_else() -> None:
    """WORKORDER.md: a name is free again once withdrawn; the cords still end on another temporary."""
    piece, order = staying_order()
    piece["rows"].insert(1, ".#")
    order["steps"][6:6] = [
        {"kind": "walk"},
        {"kind": "move_cords", "handle": "S1", "from": "1a", "to": None},
        {"kind": "withdraw", "temporary": "1a"},
        {"kind": "insert", "shaft": 1, "temporary": "1a", "units": [2]},
        {"kind": "move_cords", "handle": "S1", "from": None, "to": "1a"},
        {"kind": "raise", "row": 2, "handles": ["S1"], "single_cords": []},
        {"kind": "weave", "row": 2, "picks": 1, "treadles": [1]},
    ]
    for step in order["steps"][13:15]:
        step["row"] = 3
    order["totals"] = {
        "walks": 3,
        "insertions": 2,
        "units_taken": 2,
        "withdrawals": 2,
        "cord_moves": 3,
        "pulls": 3,
        "minutes": 9.16,
    }
    order["bound"] = 9.16
    assert faults(piece, order) == []


@st.composite
def spoilt_orders(draw: st.DrawFn) -> tuple[Json, Json] | None:
    """A small piece and a cheapest order for it, one thing in it changed."""
    piece = draw(small_pieces())
    try:
        best = best_order(piece, largest=400)
    except TooLarge:
        return None
    if best is None:
        return None
    order = write_order(piece, best)
    steps = order["steps"]
    place = draw(st.integers(0, len(steps) - 1))
    match draw(st.sampled_from(["drop", "double", "unit", "cord", "total"])):
        case "drop":
            del steps[place]
        case "double":
            steps.insert(place, copy.deepcopy(steps[place]))
        case "unit":
            inserts = [step for step in steps if step["kind"] == "insert"]
            if not inserts:
                return None
            step = draw(st.sampled_from(inserts))
            step["units"] = sorted(set(step["units"]) ^ {draw(st.integers(1, len(piece["leashes"])))})
        case "cord":
            raises = [step for step in steps if step["kind"] == "raise"]
            step = draw(st.sampled_from(raises))
            key = draw(st.sampled_from(["handles", "single_cords"]))
            if not step[key]:
                return None
            step[key].pop()
        case "total":
            key = draw(st.sampled_from(sorted(order["totals"])))
            order["totals"][key] += 1
    return piece, order


@examples(150)
@given(spoilt_orders())
def test_a_cheapest_order_with_one_thing_changed_is_wrong(spoilt_order: tuple[Json, Json] | None) -> None:
    if spoilt_order is not None:
        piece, order = spoilt_order
        assert faults(piece, order)


def test_behind_the_loom_only() -> None:
    for kind in sorted(BEHIND):
        step = next(step for step in STEPS if step["kind"] == kind)
        found = spoilt(lambda order, step=step: order["steps"].insert(0, step))
        assert any(f"{kind} without a walk" in fault for fault in found)
