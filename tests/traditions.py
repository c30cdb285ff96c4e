"""Small pieces, and the same pieces as another tradition would have counted them from the start."""

from __future__ import annotations

import json
import re
from typing import Any

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.plan.workorder import WorkOrder, read_workorder, write_workorder
from server.session.naming import ShaftsFrom
from server.session.treadling import Side

TRADITIONS: list[tuple[ShaftsFrom, Side]] = [("back", "left"), ("weaver", "right"), ("back", "right")]

_ONE = {
    "format": "spareshaft-piece",
    "version": 1,
    "name": "Crooked",
    "loom": {"name": "Small", "pattern_shafts": 5, "treadles": 3, "spare_shafts": 4, "spare_handles": 1},
    "leashes": [0, 1, 2, 3, 4, 5, 2, 1, 3, 1, 5, 0],
    "single_cords": [1, 3, 12],
    "rows": ["#..###..#..#", "..##.#...##.", ".#.###..#...", "...##.#.#..#", ".#..#...#.#."],
    "picks_per_row": [3, 2],
}
_TWO = {
    "format": "spareshaft-piece",
    "version": 1,
    "name": "Lopsided",
    "loom": {"name": "Wide", "pattern_shafts": 11, "spare_shafts": 9},
    "leashes": [*range(1, 12), *range(10, 1, -1), *range(4, 9)],
    "rows": [
        "###........#.............",
        "#.#.#####..........######",
        "...##....###.............",
        ".......####....###....##.",
    ],
}
PIECES = [json.dumps(_ONE), json.dumps(_TWO)]


def as_counted(
    text: str, order: WorkOrder, shafts_from: ShaftsFrom, units_from: Side
) -> tuple[Piece, WorkOrder]:
    """The piece and its plan with all numbers changed, by their text alone."""
    piece_text, order_text = renumbered(text, write_workorder(order), shafts_from, units_from)
    return read_piece(piece_text), read_workorder(order_text)


def renumbered(text: str, order_text: str, shafts_from: ShaftsFrom, units_from: Side) -> tuple[str, str]:
    """A piece file and its work order with all numbers changed."""
    content: dict[str, Any] = json.loads(text)
    order: dict[str, Any] = json.loads(order_text)
    shafts, units = content["loom"]["pattern_shafts"], len(content["leashes"])
    new_shaft = {n: shafts + 1 - n if shafts_from == "back" else n for n in range(1, shafts + 1)} | {0: 0}
    new_unit = {n: units + 1 - n if units_from == "right" else n for n in range(1, units + 1)}

    def name(old: str | None) -> str | None:
        return old and re.sub(r"^\d+", lambda number: str(new_shaft[int(number[0])]), old)

    turn = -1 if units_from == "right" else 1
    content["leashes"] = [new_shaft[shaft] for shaft in content["leashes"]][::turn]
    content["rows"] = [row[::turn] for row in content["rows"]]
    if "single_cords" in content:
        content["single_cords"] = sorted(new_unit[unit] for unit in content["single_cords"])
    for step in order["steps"]:
        for key in ("units", "single_cords"):
            if key in step:
                step[key] = sorted(new_unit[unit] for unit in step[key])
        for key in ("handle", "from", "to", "temporary"):
            if key in step:
                step[key] = name(step[key])
        if "handles" in step:
            step["handles"] = sorted(map(name, step["handles"]), key=_handle_order)
        if "shafts" in step:
            step["shafts"] = sorted(new_shaft[shaft] for shaft in step["shafts"])
        if "shaft" in step:
            step["shaft"] = new_shaft[step["shaft"]]
    return json.dumps(content), json.dumps(order)


def _handle_order(handle: str | None) -> tuple[bool, int]:
    assert handle
    return handle[0] == "S", int(handle.lstrip("S"))
