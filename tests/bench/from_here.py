"""How long planning what is left of a piece takes, beside planning the whole of it on this machine."""

from __future__ import annotations

import json
import random
import time
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.loom.legal import check_state
from server.loom.state import State, Temporary, handle_order, temporary_order
from server.plan.from_here import NoPlan, plan_from_here, way
from server.plan.planner import plan
from server.plan.replay import replay
from server.plan.workorder import write_workorder
from tests.outside.courses import course_of
from tests.outside.replayer import faults

HEAD = (
    f"{'piece':<26}{'from row':>9}{'back to':>8}{'visits':>7} |{'minutes':>10}{'s':>7}"
    f" |{'whole, s':>9}{'ratio':>7}{'a visit':>8}"
)
BACK = 8
"""Rows taken out, where the way goes back first."""


def run_from_here(pieces: Iterable[tuple[str, dict[str, Any]]], limit: float) -> None:
    """Print some lines a piece: from several rows, the loom standing differently from its order.

    Args:
        limit: seconds for each plan.
    """
    print(f"{limit:g} s each; * proven; ! the independent replay finds something wrong")
    print("ratio: of the seconds; a visit: of the seconds for a row")
    print(HEAD)
    for name, content in pieces:
        piece = read_piece(json.dumps(content))
        began = time.process_time()
        try:
            states = replay(piece, plan(piece, limit=limit).steps)
        except NoPlan:
            continue
        whole = time.process_time() - began
        rows = len(piece.rows)
        for tenths in (0, 1, 2, 4, 6, 8, 9):
            row = rows * tenths // 10
            start = perturbed(piece, next(state for state in states if state.row == row), random.Random(row))
            for back in sorted({row, max(row - BACK, 0)}, reverse=True):
                visits = way(piece, row, 0, back) + way(piece, back, 0, rows)
                began = time.process_time()
                try:
                    order = plan_from_here(piece, start, visits, limit=limit)
                except NoPlan:
                    continue
                seconds = time.process_time() - began
                wrong = faults(content, json.loads(write_workorder(order)), course_of(start, visits))
                mark = "!" if wrong else "*" if order.proven else " "
                print(
                    f"{name[:25]:<26}{row:>9}{back:>8}{len(visits):>7}"
                    f" |{order.totals.minutes:>9.2f}{mark}{seconds:>7.2f}"
                    f" |{whole:>9.2f}{seconds / whole:>7.2f}{seconds / len(visits) / (whole / rows):>8.2f}",
                    flush=True,
                )


def perturbed(piece: Piece, state: State, rng: random.Random) -> State:
    """The loom after that row, with one temporary gone and up to two that no order put there."""
    loom = piece.loom
    gone = rng.choice([t.name for t in state.temporaries] or [""])
    temporaries = [t for t in state.temporaries if t.name != gone]
    away = {handle: on for handle, on in state.away if on not in (gone, None)}
    parents = {t.parent for t in temporaries}
    wide = [s for s, units in loom.units_by_shaft.items() if len(units) > 1 and s not in parents]
    for shaft in rng.sample(wide, min(2, len(wide), loom.spare_shafts - len(temporaries))):
        units = sorted(loom.units_of(shaft))
        temporaries.append(Temporary(f"{shaft}x", shaft, frozenset(units[: len(units) // 2])))
        if str(shaft) not in away and rng.random() < 0.5:
            away[str(shaft)] = f"{shaft}x"
    start = replace(
        state,
        phase="woven",
        temporaries=tuple(sorted(temporaries, key=lambda t: temporary_order(t.name))),
        away=tuple(sorted(away.items(), key=lambda item: handle_order(item[0]))),
        raised=frozenset(),
        pulled=frozenset(),
    )
    check_state(loom, start, len(piece.rows))
    return start
