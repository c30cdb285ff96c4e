"""The same plan as one constraint model for OR-Tools CP-SAT: a second solver and a formulation of its own.

For every row it says what stands in the loom and what is raised; for every gap between rows, what it takes to
get from one to the next. Any part of a shaft that some row could lift may be a temporary, so nothing
is taken over from the planner's reasoning about parts. (A temporary that is never raised only costs.)

OR-Tools brings a HiGHS library of its own, which does not go together with highspy's in one process; so
models are solved in a process of their own: `python -m tests.outside.cpsat`, a line each, answered by a line.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from fractions import Fraction
from itertools import combinations
from math import gcd, lcm
from pathlib import Path
from typing import Any

from tests.outside.exhaustive import DEFAULT_MINUTES

MOST_PARTS = 400


@dataclass(frozen=True)
class Solved:
    """What CP-SAT found.

    Attributes:
        minutes: of the best plan; None: none found.
        walks: of that plan; the fewest among the cheapest, if proven.
        bound: no plan takes fewer minutes.
        proven: the plan is the cheapest, or (minutes None) there is none.
        seconds: spent solving.
    """

    minutes: Fraction | None
    walks: int | None
    bound: Fraction
    proven: bool
    seconds: float


def solve(piece: Mapping[str, Any], seconds: float = 60.0, workers: int = 2) -> Solved:
    """The cheapest plan of a piece (parsed JSON), found in another process.

    Raises:
        ValueError: if a shaft has more than MOST_PARTS parts to consider.
    """
    rows = _lifted(piece)
    for units in _hung(piece).values():
        _parts(units, rows)  # so that a piece too large is refused here
    found = _apart.ask({"piece": piece, "seconds": seconds, "workers": workers}, seconds + 30)
    if found is None:  # so large that writing the model down took longer than solving may
        return Solved(None, None, Fraction(0), False, seconds)
    minutes = None if found["minutes"] is None else Fraction(found["minutes"])
    return Solved(**{**found, "minutes": minutes, "bound": Fraction(found["bound"])})


class _Apart:
    """The process that solves. It stays for the next model: to read OR-Tools' code takes longer than most."""

    def __init__(self) -> None:
        self.process: subprocess.Popen[str] | None = None

    def ask(self, request: Mapping[str, Any], patience: float) -> dict[str, Any] | None:
        """Its answer; None: it took longer than these seconds."""
        if self.process is None or self.process.poll() is not None:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.outside.cpsat"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                cwd=Path(__file__).parents[2],
                text=True,
            )
        process = self.process
        assert process.stdin
        assert process.stdout
        timer = threading.Timer(patience, process.kill)
        timer.start()
        process.stdin.write(json.dumps(request) + "\n")
        process.stdin.flush()
        line = process.stdout.readline()
        is_over = timer.finished.is_set()
        timer.cancel()
        if not line:
            process.wait()
            if not is_over:
                raise RuntimeError("The second solver broke off; what it said is on standard error.")
            return None
        found: dict[str, Any] = json.loads(line)
        return found


_apart = _Apart()


def _lifted(piece: Mapping[str, Any]) -> list[frozenset[int]]:
    """Per row the units lifted."""
    return [frozenset(u for u, cell in enumerate(row, 1) if cell == "#") for row in piece["rows"]]


def _hung(piece: Mapping[str, Any]) -> dict[int, frozenset[int]]:
    """Per shaft its units."""
    hung: dict[int, frozenset[int]] = {}
    for unit, shaft in enumerate(piece["leashes"], 1):
        if shaft:
            hung[shaft] = hung.get(shaft, frozenset()) | {unit}
    return hung


def _solve_here(piece: Mapping[str, Any], seconds: float, workers: int) -> Solved:
    from ortools.sat.python import cp_model

    loom = piece["loom"]
    rows = _lifted(piece)
    hung = _hung(piece)
    bare = [unit for unit, shaft in enumerate(piece["leashes"], 1) if shaft == 0]
    corded = frozenset(piece.get("single_cords", bare))
    price = {k: Fraction(repr(v)) for k, v in {**DEFAULT_MINUTES, **piece.get("minutes", {})}.items()}
    scale = lcm(*(value.denominator for value in price.values()))
    whole = {action: int(value * scale) for action, value in price.items()}
    shared = gcd(*whole.values()) or 1
    whole = {action: value // shared for action, value in whole.items()}

    m = cp_model.CpModel()
    cost: list[Any] = []
    gaps = range(len(rows) + 1)
    walk = [m.new_bool_var(f"walk {gap}") for gap in gaps]
    for gap in gaps:
        if gap in set(piece.get("no_walks", [])):
            m.add(walk[gap] == 0)
        if gap not in set(piece.get("free_walks", [])):
            cost.append(whole["walk"] * walk[gap])

    def change(before: Any, after: Any, gap: int, name: str) -> tuple[Any, Any]:
        """(comes, goes) over a gap; either needs a walk."""
        comes, goes = m.new_bool_var(f"{name} comes"), m.new_bool_var(f"{name} goes")
        m.add(after - before == comes - goes)
        m.add(comes + goes <= walk[gap])
        return comes, goes

    spare = range(loom.get("spare_handles", 0))
    may_stay, most = loom.get("temporaries_may_stay", True), loom.get("spare_shafts", 0)
    standing: list[list[Any]] = [[] for _ in rows]
    on_spare: list[list[list[Any]]] = [[[] for _ in rows] for _ in spare]
    spare_moves = [[m.new_bool_var(f"S{h} moved {gap}") for gap in gaps] for h in spare]
    for shaft, units in hung.items():
        parts = _parts(units, rows)
        moved = [m.new_bool_var(f"{shaft} moved {gap}") for gap in gaps]
        cost += [whole["move_cords"] * one for one in moved]
        at_home: list[list[Any]] = [[] for _ in rows]
        stands: list[list[Any]] = [[] for _ in rows]
        lifts: list[list[tuple[frozenset[int], Any]]] = [[] for _ in rows]
        for part in parts:
            name = f"{shaft} {sorted(part)}"
            inside = [m.new_bool_var(f"{name} in at {row}") for row in range(len(rows))]
            home = [m.new_bool_var(f"{name} on {shaft} at {row}") for row in range(len(rows))]
            spares = [[m.new_bool_var(f"{name} on S{h} at {row}") for row in range(len(rows))] for h in spare]
            for row, asked in enumerate(rows):
                standing[row].append(inside[row])
                stands[row].append(inside[row])
                at_home[row].append(home[row])
                for h in spare:
                    on_spare[h][row].append(spares[h][row])
                hangs = home[row] + sum(spares[h][row] for h in spare)
                m.add(hangs <= inside[row])
                if part <= asked:
                    up = m.new_bool_var(f"{name} up at {row}")
                    m.add(up <= hangs)
                    lifts[row].append((part, up))
            for gap in gaps:
                ends = [0, *inside, 0]
                comes, goes = change(ends[gap], ends[gap + 1], gap, name)
                cost.append((whole["insert"] + whole["take"] * len(part)) * comes + whole["withdraw"] * goes)
                ends = [0, *home, 0]
                comes, goes = change(ends[gap], ends[gap + 1], gap, name + " home")
                m.add(comes + goes <= moved[gap])
                for h in spare:
                    ends = [0, *spares[h], 0]
                    comes, goes = change(ends[gap], ends[gap + 1], gap, f"{name} S{h}")
                    m.add(comes + goes <= spare_moves[h][gap])
        for row, asked in enumerate(rows):
            m.add(sum(at_home[row]) <= 1)
            m.add(sum(stands[row]) <= loom.get("temporaries_per_shaft", 2))
            wanted = asked & units
            if wanted == units:
                whole_shaft = m.new_bool_var(f"{shaft} up at {row}")
                m.add(whole_shaft + sum(at_home[row]) <= 1)
                if not may_stay:
                    for other in stands[row]:
                        m.add(whole_shaft + other <= 1)
                lifts[row].append((units, whole_shaft))
            if not may_stay:
                for part, up in lifts[row]:
                    for other_part, other in zip(parts, stands[row], strict=True):
                        if part not in (units, other_part):
                            m.add(up + other <= 1)
            cost += [whole["pull"] * up for _, up in lifts[row]]
            for unit in wanted:
                pulled = m.new_bool_var(f"cord {unit} at {row}")
                if unit not in corded:
                    m.add(pulled == 0)
                cost.append(whole["pull"] * pulled)
                m.add_bool_or([pulled, *(up for part, up in lifts[row] if unit in part)])
    cost += [whole["pull"] for row in rows for unit in bare if unit in row]
    for row in range(len(rows)):
        m.add(sum(standing[row]) <= most)
        for h in spare:
            m.add(sum(on_spare[h][row]) <= 1)
    cost += [whole["move_cords"] * one for moves in spare_moves for one in moves]

    # the fewest walks among the cheapest
    factor = len(rows) + 2
    m.minimize(factor * sum(cost) + sum(walk))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = workers
    status = solver.solve(m)

    def in_minutes(value: float) -> Fraction:
        return Fraction(round(value)) * shared / scale

    if status == cp_model.INFEASIBLE:
        return Solved(None, None, Fraction(0), True, solver.wall_time)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Solved(None, None, Fraction(0), False, solver.wall_time)
    total = round(solver.objective_value)
    return Solved(
        minutes=in_minutes(total // factor),
        walks=total % factor,
        bound=in_minutes(int(solver.best_objective_bound) // factor),
        proven=status == cp_model.OPTIMAL,
        seconds=solver.wall_time,
    )


def _parts(units: frozenset[int], rows: list[frozenset[int]]) -> list[frozenset[int]]:
    """Every proper part of a shaft that lies within what some row asks of it."""
    found: set[frozenset[int]] = set()
    for asked in {row & units for row in rows}:
        if 2 ** len(asked) > 2 * MOST_PARTS:
            raise ValueError(f"{len(asked)} units of one shaft have too many parts")
        found |= {frozenset(c) for n in range(1, len(asked) + 1) for c in combinations(sorted(asked), n)}
    found.discard(units)
    if len(found) > MOST_PARTS:
        raise ValueError(f"{len(found)} parts of one shaft are too many")
    return sorted(found, key=sorted)


if __name__ == "__main__":
    for request in sys.stdin:
        print(json.dumps(asdict(_solve_here(**json.loads(request))), default=str), flush=True)
