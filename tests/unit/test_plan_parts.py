"""Candidate parts, stages and schedules: the pieces of the planner, one by one."""

from collections import Counter

import pytest

from server.design.piece import Minutes, Piece
from server.loom.state import Loom
from server.plan.parts import MOST_PARTS, candidates
from server.plan.schedule import Lift, Standing, best_lift
from server.plan.stages import relevant_shafts, stages


def loom(leashes, cords=(), **more):
    return Loom(tuple(leashes), frozenset(cords), max(leashes), spare_shafts=4, **more)


def piece(leashes, rows, cords=(), **more):
    lifted = tuple(frozenset(u for u, c in enumerate(row, 1) if c == "#") for row in rows)
    return Piece("test", loom(leashes, cords), lifted, **more)


def units(*numbers):
    return frozenset(numbers)


def test_without_cords_only_the_demanded_parts_are_candidates():
    found = candidates(loom([1] * 4), 1, [[units(1, 2), units(2, 3), units(1, 2, 3, 4), units()]])
    assert set(found.parts) == {units(1, 2), units(2, 3)}
    assert found.complete


def test_with_cords_what_parts_have_in_common_is_a_candidate():
    # Units 2 to 4 have cords; both parts need unit 1 from a temporary and share unit 3.
    found = candidates(loom([1] * 5, cords=[2, 3, 4]), 1, [[units(1, 2, 3), units(1, 3, 4)]])
    assert set(found.parts) == {units(1), units(1, 3), units(1, 2, 3), units(1, 3, 4)}


def test_with_spare_handles_alike_units_go_together():
    found = candidates(loom([1] * 4, spare_handles=1), 1, [[units(1, 2), units(1, 2, 3)]])
    assert found.complete
    assert units(1, 2) in found.parts
    assert units(3) in found.parts
    assert units(1) not in found.parts
    assert not any(4 in part for part in found.parts)


def test_all_but_one_unit_is_a_candidate_where_the_whole_shaft_is_asked_for():
    found = candidates(loom([1] * 3, spare_handles=1), 1, [[units(1), units(1, 2, 3)]])
    assert {units(1, 2), units(2, 3)} <= set(found.parts)


def test_too_many_candidates_are_cut_and_said_to_be():
    wide = loom([1] * 20, spare_handles=1)
    found = candidates(wide, 1, [[units(n, n + 1) for n in range(1, 20)]])
    assert len(found.parts) <= MOST_PARTS
    assert not found.complete
    assert {units(n, n + 1) for n in range(1, 20)} <= set(found.parts)


def test_what_parts_have_in_common_is_a_candidate_where_there_is_no_walk_between_them():
    wide = loom([1] * 20, spare_handles=1)
    together = [units(*range(n, n + 11)) for n in range(1, 4)]
    others = [units(n, n + 2) for n in range(1, 17)]
    found = candidates(wide, 1, [together, *([part] for part in others)])
    assert not found.complete
    assert found.suffice
    assert {units(*range(2, 12)), units(*range(3, 12)), units(*range(3, 13))} <= set(found.parts)


def test_too_much_in_common_to_look_at_all_of_it_is_said():
    wide = loom([1] * 20, spare_handles=1)
    found = candidates(wide, 1, [[units(*range(1, 21)) - units(n, n % 20 + 1) for n in range(1, 21)]])
    assert not found.suffice


def test_a_walk_is_considered_only_where_the_demand_changes():
    cut = stages(piece([1, 1], ["#.", "..", "#.", "##", "..", ".#"]), [1])
    assert [(stage.first, stage.last) for stage in cut] == [(1, 3), (4, 5), (6, 6)]
    assert cut[0].asked == {1: Counter({units(1): 2})}


def test_rows_that_may_not_be_parted_are_one_stage():
    cut = stages(piece([1, 1], ["#.", "##", "#."], no_walks=frozenset({1})), [1])
    assert [(stage.first, stage.last) for stage in cut] == [(1, 2), (3, 3)]


def test_a_free_walk_inside_a_run_stays_a_place_for_a_walk():
    cut = stages(piece([1, 1], ["#.", "#.", "#."], free_walks=frozenset({1})), [1])
    assert [(stage.first, stage.last) for stage in cut] == [(1, 1), (2, 3)]


def test_a_walk_is_not_put_off_to_where_it_is_forbidden():
    cut = stages(piece([1, 1], ["#.", "..", "##"], no_walks=frozenset({2})), [1])
    assert [(stage.first, stage.last) for stage in cut] == [(1, 1), (2, 3)]


@pytest.mark.parametrize(
    ("rows", "cords", "pull", "expected"),
    [
        (["##", ".."], [], 0.02, []),
        (["#.", ".."], [], 0.02, [1]),
        (["#.", ".."], [1], 0.02, []),  # the cord does it
        (["##.", "##."], [1, 2], 5.0, [1]),  # cords would do it, but a temporary saves pulls
    ],
)
def test_relevant_shafts(rows, cords, pull, expected):
    leashes = [1] * len(rows[0])
    assert relevant_shafts(piece(leashes, rows, cords, minutes=Minutes(pull=pull))) == expected


def test_best_lift_pulls_as_little_as_it_can():
    a_loom = loom([1] * 4, cords=[1, 2], spare_handles=1)
    a, b = units(1, 2), units(3)
    standing = Standing(frozenset({(1, a), (1, b)}), {1: b}, frozenset({(1, a)}))
    assert best_lift(a_loom, standing, 1, units(1, 2, 3)) == Lift(False, frozenset({a, b}), units())
    assert best_lift(a_loom, standing, 1, units(1, 3)) == Lift(False, frozenset({b}), units(1))
    assert best_lift(a_loom, standing, 1, units(1, 2, 3, 4)) is None  # the shaft's handle is away
    assert best_lift(a_loom, Standing(), 1, units(1, 2, 3, 4)) == Lift(True, frozenset(), units())


def test_nothing_is_lifted_beside_an_unused_temporary_where_none_may_stay():
    a_loom = loom([1] * 3, temporaries_may_stay=False)
    standing = Standing(frozenset({(1, units(1))}))
    assert best_lift(a_loom, standing, 1, units(1, 2, 3)) is None
    assert best_lift(loom([1] * 3), standing, 1, units(1, 2, 3)) is not None
