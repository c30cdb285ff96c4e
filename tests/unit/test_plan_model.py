"""The planner's program: what its relaxation says by itself, and how ties are broken in it."""

from __future__ import annotations

import json
from typing import Any

import pytest

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.plan import planner
from server.plan.assemble import assemble, visits
from server.plan.model import Model
from server.plan.parts import Breadth
from server.plan.planner import grain_of, plan
from server.plan.stages import relevant_shafts, stages
from server.plan.task import whole_task
from tests.bench.more import straight_piece
from tests.outside.pieces import pointed_piece


def piece_of(content: dict[str, Any], **loom: Any) -> Piece:
    return read_piece(json.dumps(content | {"loom": content["loom"] | loom}))


def model_of(piece: Piece, breadth: Breadth = "split") -> Model:
    shafts = relevant_shafts(piece)
    return Model(piece, shafts, stages(piece, shafts), breadth=breadth)


def walks_and_visits(piece: Piece, model: Model, values: Any) -> tuple[int, int]:
    order = assemble(whole_task(piece), model.schedule(values))
    return order.totals.walks, visits(order.steps)


@pytest.mark.parametrize("seed", [0, 1, 2, 4, 5])
def test_with_ties_broken_it_is_the_same_as_looked_for_one_after_the_other(seed: int) -> None:
    content = pointed_piece(seed, 5, 2, 16, odd_rows=0.5)
    if seed % 2:
        content |= {"single_cords": list(range(1, 9, 3)), "free_walks": [5, 11], "no_walks": [8]}
    piece = piece_of(content, spare_shafts=10)
    grain = grain_of(piece.minutes)
    apart, together = model_of(piece), model_of(piece)
    plain = apart.cheapest(seconds=20, grain=grain)
    found = together.cheapest(seconds=20, grain=grain, breaks_ties=True)
    assert plain.values is not None
    assert found.values is not None
    minutes = together.program.objective(found.values)
    assert minutes == pytest.approx(apart.program.objective(plain.values))
    assert together.is_tidy  # so it is with pieces like these; any may be otherwise
    assert minutes - grain < found.bound <= minutes
    tidy = apart.tidiest(minutes + grain / 4, seconds=20, start=apart.schedule(plain.values))
    assert tidy.values is not None
    assert walks_and_visits(piece, together, found.values) == walks_and_visits(piece, apart, tidy.values)


def test_a_relaxation_from_elsewhere_breaks_no_ties() -> None:
    piece = piece_of(pointed_piece(2, 5, 2, 16), spare_shafts=10)
    model = model_of(piece)
    model.relaxed = model.program.relax(seconds=20)
    assert model.relaxed is not None
    found = model.cheapest(seconds=20, grain=grain_of(piece.minutes), breaks_ties=True)
    assert found.values is not None
    assert not model.is_tidy


def test_where_no_minutes_are_known_to_differ_there_are_no_ties_to_break() -> None:
    content = pointed_piece(2, 4, 2, 12)
    piece = piece_of(content, spare_shafts=6)
    model = model_of(piece)
    found = model.cheapest(seconds=20, grain=0.0, breaks_ties=True)
    assert found.values is not None
    assert not model.is_tidy
    assert model.program.objective(found.values) <= plan(piece).totals.minutes


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_plan_is_as_tidy_where_the_program_is_too_large_to_break_ties(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    piece = piece_of(pointed_piece(seed, 5, 2, 16, odd_rows=0.5), spare_shafts=10)
    one = plan(piece)
    monkeypatch.setattr(planner, "MOST_WITH_TIES", 0)
    other = plan(piece)
    assert one.proven
    assert other.proven
    assert one.totals.minutes == other.totals.minutes
    assert (one.totals.walks, visits(one.steps)) == (other.totals.walks, visits(other.steps))


@pytest.mark.parametrize("seed", [5, 14, 36, 48, 51])
def test_cords_that_come_and_go_on_a_part_of_a_walk_lower_no_bound(seed: int) -> None:
    content = straight_piece(seed, 4, 2)
    content["rows"] = content["rows"][:10]
    piece = piece_of(content, spare_shafts=3, spare_handles=2)
    model = model_of(piece, "bounding")
    relaxed = model.program.relax(seconds=20)
    best = model.cheapest(seconds=20, grain=grain_of(piece.minutes))
    assert relaxed is not None
    assert best.values is not None
    # where cords that come, those that go and the temporary each asked for a walk it was 0.2 less or more
    assert relaxed.bound == pytest.approx(model.program.objective(best.values))
