"""The exhaustive search itself, from below: a search over single steps never finds anything cheaper.

From above, every optimum is written out as an order and carried out by the replayer.
"""

from __future__ import annotations

import heapq
from fractions import Fraction
from itertools import combinations
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from tests.outside.exhaustive import Best, TooLarge, best_order, write_order
from tests.outside.pieces import examples, small_pieces
from tests.outside.replayer import faults

On = int | str | None
"""What a handle's cords are on: "shaft", the number of a temporary, or None."""


def cheapest_by_single_steps(piece: dict[str, Any]) -> tuple[Fraction, int] | None:
    """Least (minutes, walks) by Dijkstra's method over single steps, each checked as WORKORDER.md says."""
    loom, leashes, rows = piece["loom"], piece["leashes"], piece["rows"]
    cost = {action: Fraction(str(value)) for action, value in piece["minutes"].items()}
    corded = set(piece["single_cords"])
    hung = {s: frozenset(u for u, on in enumerate(leashes, 1) if on == s) for s in set(leashes) - {0}}
    handles = [*map(str, hung), *(f"S{n + 1}" for n in range(loom["spare_handles"]))]
    bare = tuple(None if handle.startswith("S") else "shaft" for handle in handles)

    def lifted(temps: Any, on: tuple[On, ...], row: int) -> int | None:
        wanted = {u for u, cell in enumerate(rows[row], 1) if cell == "#"}
        carry = []
        for handle, what in zip(handles, on, strict=True):
            if what is None:
                continue
            shaft = int(handle) if what == "shaft" else {i: s for i, s, _ in temps}[what]
            units = hung[shaft] if what == "shaft" else {i: u for i, _, u in temps}[what]
            if not loom["temporaries_may_stay"] and any(s == shaft and i != what for i, s, _ in temps):
                continue
            carry.append(units)
        fewest = None
        for number in range(len(carry) + 1):
            for up in combinations(carry, number):
                units = frozenset[int]().union(*up)
                if units <= wanted and wanted - units <= corded:
                    pulls = number + len(wanted - units)
                    fewest = pulls if fewest is None else min(fewest, pulls)
        return fewest

    # a node: (rows woven, behind or at the bench or just been behind, temporaries, what the handles are on,
    # what they were on when the walk began)
    start = (0, "bench", (), bare, bare)
    queue: list[tuple[Fraction, int, int, Any]] = [(Fraction(0), 0, 0, start)]
    best: dict[Any, tuple[Fraction, int]] = {start: (Fraction(0), 0)}
    count = 0

    def go(minutes: Fraction, walks: int, node: Any) -> None:
        nonlocal count
        if node not in best or (minutes, walks) < best[node]:
            best[node] = (minutes, walks)
            count += 1
            heapq.heappush(queue, (minutes, walks, count, node))

    while queue:
        minutes, walks, _, node = heapq.heappop(queue)
        if best[node] < (minutes, walks):
            continue
        woven, where, temps, on, began = node
        if where != "behind":
            if woven == len(rows):
                if not temps and on == bare:
                    return minutes, walks
            elif (pulls := lifted(temps, on, woven)) is not None:
                go(minutes + pulls * cost["pull"], walks, (woven + 1, "bench", temps, on, on))
            if where == "bench" and woven not in piece["no_walks"]:
                walk = Fraction(0) if woven in piece["free_walks"] else cost["walk"]
                go(minutes + walk, walks + 1, (woven, "behind", temps, on, on))
            continue
        if all(what is not None or handle.startswith("S") for handle, what in zip(handles, on, strict=True)):
            moves = sum(a != b for a, b in zip(on, began, strict=True))
            # numbered anew, so that equal states are found equal
            new = {number: place for place, (number, _, _) in enumerate(temps)}
            renamed = tuple((new[i], s, u) for i, s, u in temps)
            hangs = tuple(new.get(what, what) for what in on)
            go(minutes + moves * cost["move_cords"], walks, (woven, "back", renamed, hangs, hangs))
        for temp in temps:
            if temp[0] not in on:
                left = tuple(t for t in temps if t != temp)
                go(minutes + cost["withdraw"], walks, (woven, "behind", left, on, began))
        for shaft, units in hung.items():
            if (
                len(temps) < loom["spare_shafts"]
                and sum(s == shaft for _, s, _ in temps) < loom["temporaries_per_shaft"]
            ):
                fresh = next(n for n in range(99) if n not in began and all(n != i for i, _, _ in temps))
                for size in range(1, len(units)):
                    for part in combinations(sorted(units), size):
                        more = (*temps, (fresh, shaft, frozenset(part)))
                        price = cost["insert"] + size * cost["take"]
                        go(minutes + price, walks, (woven, "behind", more, on, began))
        for place, handle in enumerate(handles):
            targets: list[On] = [None]
            if not handle.startswith("S"):
                targets.append("shaft")
            targets += [
                i for i, s, _ in temps if i not in on and (handle.startswith("S") or s == int(handle))
            ]
            for target in targets:
                if target != on[place]:
                    moved = (*on[:place], target, *on[place + 1 :])
                    go(minutes, walks, (woven, "behind", temps, moved, began))
    return None


@st.composite
def tiny_pieces(draw: st.DrawFn) -> dict[str, Any]:
    """Small enough for the search over single steps."""
    leashes = draw(st.sampled_from([[1, 1], [1, 1, 1], [1, 2, 1, 2]]))
    number = draw(st.integers(1, 3))
    spare = draw(st.integers(0, 1))
    cost = st.sampled_from([0, 0.02, 0.5, 1, 9])
    rows = st.text("#.", min_size=len(leashes), max_size=len(leashes))
    walks = st.sets(st.integers(0, number), max_size=1).map(sorted)
    return {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "A tiny piece",
        "loom": {
            "pattern_shafts": 2,
            "spare_shafts": draw(st.integers(0, 2)),
            "spare_handles": spare,
            "temporaries_per_shaft": draw(st.integers(1, 2)),
            "temporaries_may_stay": draw(st.booleans()),
        },
        "leashes": leashes,
        "single_cords": draw(st.sampled_from([[], [], [1], [2]])),
        "rows": draw(st.lists(rows, min_size=number, max_size=number)),
        "minutes": {
            action: draw(cost) for action in ("walk", "insert", "take", "withdraw", "move_cords", "pull")
        },
        "free_walks": draw(walks),
        "no_walks": draw(walks),
    }


@examples(60)
@given(tiny_pieces())
def test_no_sequence_of_single_steps_is_cheaper(piece: dict[str, Any]) -> None:
    best = best_order(piece)
    assert (None if best is None else (best.minutes, best.walks)) == cheapest_by_single_steps(piece)


def check_from_above(piece: dict[str, Any], best: Best) -> None:
    order = write_order(piece, best)
    assert faults(piece, order) == []
    assert abs(Fraction(order["totals"]["minutes"]) - best.minutes) <= Fraction(1, 10**6)
    assert order["totals"]["walks"] == best.walks


@examples(100)
@given(small_pieces())
def test_every_optimum_can_be_carried_out(piece: dict[str, Any]) -> None:
    try:
        best = best_order(piece)
    except TooLarge:
        return
    if best is not None:
        check_from_above(piece, best)
