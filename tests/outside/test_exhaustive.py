"""The exhaustive search itself, from below: a search over single steps never finds anything cheaper.

From above, every optimum is written out as an order and carried out by the replayer.
"""

from __future__ import annotations

import heapq
import random
from fractions import Fraction
from itertools import combinations
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from tests.outside.courses import Course, random_course
from tests.outside.exhaustive import Best, TooLarge, best_order, write_order
from tests.outside.pieces import examples, small_pieces
from tests.outside.replayer import faults

On = int | str | None
"""What a handle's cords are on: "shaft", the number of a temporary, or None."""


def cheapest_by_single_steps(
    piece: dict[str, Any], course: Course | None = None, walk_now: bool = True
) -> tuple[Fraction, int] | None:
    """Least (minutes, walks) by Dijkstra's method over single steps, each checked as WORKORDER.md says.

    Args:
        course: from where and through which rows; None: the whole piece.
        walk_now: whether a walk may be made before the course's first visit.
    """
    loom, leashes, rows = piece["loom"], piece["leashes"], piece["rows"]
    free_walks, no_walks = set(piece["free_walks"]), set(piece["no_walks"])
    until_bare, where_now, temporaries, away = True, "bench", [], {}
    if course is not None:
        picks = piece["picks_per_row"][0]
        # how far the cloth is in every gap: rows, and picks of the next one
        cloth = [(course["row"], course["picks"])]
        cloth += [(row, 0) if after == picks else (row - 1, after) for row, _, after in course["visits"]]
        rows = [rows[row - 1] for row, _, _ in course["visits"]]
        no_walks = {
            gap for gap, (row, part) in enumerate(cloth) if (part and gap) or (not part and row in no_walks)
        }
        free_walks = {gap for gap, (row, part) in enumerate(cloth) if not part and row in free_walks}
        free_walks |= {0} if course["free_now"] else set()
        no_walks |= set() if walk_now else {0}
        until_bare = course["until_bare"]
        where_now = "behind" if course["phase"] == "behind" else "bench"
        temporaries, away = course["temporaries"], course["cords"]
    cost = {action: Fraction(str(value)) for action, value in piece["minutes"].items()}
    corded = set(piece["single_cords"])
    shafts = range(1, loom["pattern_shafts"] + 1)
    hung = {s: frozenset(u for u, on in enumerate(leashes, 1) if on == s) for s in shafts}
    handles = [*map(str, hung), *(f"S{n + 1}" for n in range(loom["spare_handles"]))]
    bare = tuple(None if handle.startswith("S") else "shaft" for handle in handles)

    if not rows and not until_bare:  # nothing is to be done, nor to be brought to an end
        return Fraction(0), 0

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
    number_of = {t["name"]: number for number, t in enumerate(temporaries)}
    standing = tuple((number_of[t["name"]], t["shaft"], frozenset(t["units"])) for t in temporaries)
    now = dict(zip(handles, bare, strict=True)) | {h: number_of.get(name) for h, name in away.items()}
    begun = tuple(now[handle] for handle in handles)
    start = (0, where_now, standing, begun, begun)
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
                if not until_bare or (not temps and on == bare):
                    return minutes, walks
            elif (pulls := lifted(temps, on, woven)) is not None:
                go(minutes + pulls * cost["pull"], walks, (woven + 1, "bench", temps, on, on))
            if where == "bench" and woven not in no_walks:
                walk = Fraction(0) if woven in free_walks else cost["walk"]
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
        "picks_per_row": [2],
        "free_walks": draw(walks),
        "no_walks": draw(walks),
    }


@examples(60)
@given(tiny_pieces())
def test_no_sequence_of_single_steps_is_cheaper(piece: dict[str, Any]) -> None:
    best = best_order(piece)
    assert (None if best is None else (best.minutes, best.walks)) == cheapest_by_single_steps(piece)


@examples(60)
@given(tiny_pieces(), st.integers(0, 2**63), st.booleans())
def test_no_sequence_of_single_steps_is_cheaper_from_anywhere(
    piece: dict[str, Any], seed: int, walk_now: bool
) -> None:
    course = random_course(random.Random(seed), piece)
    walk_now = walk_now or course["phase"] == "behind"
    best = best_order(piece, course=course, walk_now=walk_now)
    other = cheapest_by_single_steps(piece, course, walk_now)
    assert (None if best is None else (best.minutes, best.walks)) == other


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
