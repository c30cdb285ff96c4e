"""The planner against the hand rule over many small figures (`pytest -s` shows by how much it is better)."""

from __future__ import annotations

import json
from typing import Any

import pytest

from server.design.piece_file import read_piece
from server.plan.hand_rule import hand_rule
from server.plan.planner import plan
from server.plan.workorder import write_workorder
from tests.outside.glyphs import glyph_pieces
from tests.outside.replayer import faults


def minutes_by_hand(piece: dict[str, Any]) -> float:
    """The hand rule's minutes, by the letter of WORKORDER.md; default minutes, no cords, room for all."""
    hung = {shaft: {u for u, s in enumerate(piece["leashes"]) if s == shaft} for shaft in piece["leashes"]}
    borrowed: dict[int, set[int]] = {}
    minutes = 0.0
    for row in piece["rows"]:
        walk = False
        for shaft, units in hung.items():
            asked = {u for u in units if row[u] == "#"}
            minutes += 0.02 * bool(asked)
            now = borrowed.get(shaft, units)
            if not asked or asked == now:
                continue
            walk = True
            minutes += 0.5  # its cords go to something else
            if borrowed.pop(shaft, None):
                minutes += 0.5
            if asked != units:
                borrowed[shaft] = asked
                minutes += 1.0 + 0.05 * len(asked)
        minutes += 1.5 * walk
    return minutes + (0.5 + 0.5) * len(borrowed) + 1.5 * bool(borrowed)


def test_never_dearer_than_the_hand_rule_over_many_small_figures() -> None:
    """Figures: the glyphs of Pillow's built-in bitmap font (SOURCES.md, last paragraph)."""
    ours = by_hand = 0.0
    figures = better = proven = 0
    for piece in glyph_pieces():
        read = read_piece(json.dumps(piece))
        order, other = plan(read, limit=5), hand_rule(read)
        assert faults(piece, json.loads(write_workorder(order))) == []
        assert other is not None
        assert other.totals.minutes == pytest.approx(minutes_by_hand(piece), abs=1e-6)
        assert faults(piece, json.loads(write_workorder(other))) == []
        assert order.totals.minutes <= other.totals.minutes + 1e-6
        ours, by_hand = ours + order.totals.minutes, by_hand + other.totals.minutes
        figures += 1
        better += order.totals.minutes < other.totals.minutes - 1e-6
        proven += order.proven
    assert figures >= 90
    assert ours < by_hand
    print(
        f"\n{figures} figures: {ours:.1f} minutes planned, {by_hand:.1f} by the hand rule "
        f"({1 - ours / by_hand:.1%} less; better in {better}, proven in {proven})"
    )
