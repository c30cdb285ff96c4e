"""A small piece with its plan, both as WORKORDER.md prints them, for tests that need any piece at all."""

from __future__ import annotations

import json
from typing import Any

from server.plan.workorder import WorkOrder, read_workorder

PIECE: dict[str, Any] = {
    "format": "spareshaft-piece",
    "version": 1,
    "name": "Harbour runner",
    "loom": {
        "name": "The big loom",
        "pattern_shafts": 4,
        "treadles": 5,
        "spare_shafts": 3,
        "spare_handles": 0,
        "temporaries_per_shaft": 2,
        "temporaries_may_stay": True,
    },
    "leashes": [0, 1, 2, 3, 4, 3, 2, 1, 0],
    "single_cords": [1, 9],
    "rows": ["#..###..#", "..##.#...", "...###..."],
    "picks_per_row": [5],
    "treadling": [1, 2, 3, 4, 5],
    "minutes": {"walk": 1.5, "insert": 1.0, "take": 0.05, "withdraw": 0.5, "move_cords": 0.5, "pull": 0.02},
}

ORDER: dict[str, Any] = {
    "format": "spareshaft-workorder",
    "version": 1,
    "proven": True,
    "bound": 5.71,
    "totals": {
        "walks": 2,
        "insertions": 1,
        "units_taken": 1,
        "withdrawals": 1,
        "cord_moves": 2,
        "pulls": 8,
        "minutes": 5.71,
    },
    "steps": [
        {"kind": "raise", "row": 1, "handles": ["3", "4"], "single_cords": [1, 9]},
        {"kind": "weave", "row": 1, "picks": 5, "treadles": [1, 2, 3, 4, 5]},
        {"kind": "walk"},
        {"kind": "label", "shafts": [2]},
        {"kind": "insert", "shaft": 2, "temporary": "2a", "units": [3]},
        {"kind": "move_cords", "handle": "2", "from": "2", "to": "2a"},
        {"kind": "raise", "row": 2, "handles": ["2", "3"], "single_cords": []},
        {"kind": "weave", "row": 2, "picks": 5, "treadles": [1, 2, 3, 4, 5]},
        {"kind": "raise", "row": 3, "handles": ["3", "4"], "single_cords": []},
        {"kind": "weave", "row": 3, "picks": 5, "treadles": [1, 2, 3, 4, 5]},
        {"kind": "walk"},
        {"kind": "move_cords", "handle": "2", "from": "2a", "to": "2"},
        {"kind": "withdraw", "temporary": "2a"},
        {"kind": "done"},
    ],
}


def piece_text(**changed: Any) -> str:
    """The piece's file, with these keys changed; `loom_name` changes the loom's name."""
    content = PIECE | changed
    if "loom_name" in changed:
        content["loom"] = content["loom"] | {"name": content.pop("loom_name")}
    return json.dumps(content)


def piece_order() -> WorkOrder:
    """Its plan."""
    return read_workorder(json.dumps(ORDER))
