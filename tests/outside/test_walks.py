"""Behind the loom: along the shafts from one side to the other, each visited once where there is room."""

from __future__ import annotations

import json
from itertools import islice, pairwise
from typing import Any

import pytest

from server.design.piece_file import read_piece
from server.plan.planner import plan
from server.plan.workorder import write_workorder
from tests.outside.glyphs import glyph_pieces


def shaft_of(name: str) -> int:
    """The shaft that a carrier's name belongs to."""
    return int("".join(character for character in name if character.isdigit()))


def visits(steps: list[dict[str, Any]]) -> list[list[int]]:
    """Per walk the shafts in the order they are visited; staying at one is one visit."""
    walks: list[list[int]] = []
    for step in steps:
        match step["kind"]:
            case "walk":
                walks.append([])
            case "insert":
                walks[-1].append(step["shaft"])
            case "withdraw":
                walks[-1].append(shaft_of(step["temporary"]))
            case "move_cords":
                walks[-1] += [shaft_of(step[end]) for end in ("from", "to") if step[end] is not None]
    return [[b for a, b in pairwise([0, *walk]) if a != b] for walk in walks]


@pytest.mark.parametrize("piece", list(islice(glyph_pieces(), 0, None, 12)), ids=lambda piece: piece["name"])
def test_one_way_along_the_shafts(piece: dict[str, Any]) -> None:
    piece["loom"]["spare_shafts"] = 40
    piece["loom"]["temporaries_per_shaft"] = 9
    steps = json.loads(write_workorder(plan(read_piece(json.dumps(piece)), limit=5)))["steps"]
    walks = visits(steps)
    assert walks
    for walk in walks:
        assert walk in (sorted(set(walk)), sorted(set(walk), reverse=True))
