"""The least cost of a small piece by searching everything WORKORDER.md allows; shares nothing with `server`.

Between two rows only what stands in the loom matters: which temporaries (of which shaft, with which units)
and which of them hang on the shaft's own handle, on a spare handle, or on none. On a walk the weaver can
first let cords hang free and draw out what shall go, then put in what shall come, then hook on; so a walk
leads from any such state to any other, the limits hold after every step if they hold at both ends, and its
cost follows from the two ends alone:

- What can stay, stays: to draw a temporary out and put in one with the same units never costs less.
- A shaft's own handle counts as moved unless its cords are on the same thing at both ends.
- Spare handles are alike. Where `gone` temporaries lose and `come` ones gain a spare handle, at least
  max(gone, come) spare handles end on something else, and that many are enough. With `gone` and `come`
  summed over the shafts, max(gone, come) = gone + max(0, come - gone), and come - gone is the change
  in the number of spare handles in use. So all but that last term is a sum over the shafts.

`tests/outside/test_exhaustive.py` compares this with a search over single steps.

Cost is counted in whole millionths of a minute, times WALK_UNIT, plus the number of walks: so the least is
the fewest walks among the cheapest.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import combinations, combinations_with_replacement, product
from typing import Any

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
NEVER = np.int64(1) << np.int64(60)
WALK_UNIT = 1024
FREE, HOME, SPARE = 0, 1, 2
DEFAULT_MINUTES = {"walk": 1.5, "insert": 1.0, "take": 0.05, "withdraw": 0.5, "move_cords": 0.5, "pull": 0.02}

ShaftState = tuple[tuple[int, int], ...]
"""Temporaries of one shaft, sorted: (units as bits, what it hangs on)."""


@dataclass(frozen=True)
class Best:
    """The optimum.

    Attributes:
        minutes: least cost.
        walks: fewest walks among the cheapest orders.
        path: per shaft (in ascending order), the state at rows 1 … n.
    """

    minutes: Fraction
    walks: int
    path: tuple[tuple[ShaftState, ...], ...]


class TooLarge(ValueError):
    """More states than this search is meant for."""


@dataclass(frozen=True)
class _Space:
    """All states of one shaft and what it takes to get from one (rows) to another (columns)."""

    states: tuple[ShaftState, ...]
    standing: Ints
    spare_used: Ints
    inserted: Ints
    taken: Ints
    withdrawn: Ints
    moved: Ints


@lru_cache(maxsize=40)
def _space(parts: tuple[int, ...], most: int, spare_handles: int, largest: int) -> _Space:
    # at most one on the home handle and at most one to each spare handle
    kinds = [(part, on) for part in parts for on in ((FREE, HOME, SPARE) if spare_handles else (FREE, HOME))]
    states: list[ShaftState] = []
    for size in range(most + 1):
        for chosen in combinations_with_replacement(kinds, size):
            on = Counter(hangs for _, hangs in chosen)
            if on[HOME] <= 1 and on[SPARE] <= spare_handles:
                states.append(chosen)
                if len(states) > largest:
                    raise TooLarge(f"more than {largest} states of one shaft")
    order = {part: place for place, part in enumerate(parts)}
    sizes = np.array([part.bit_count() for part in parts], dtype=np.float32)
    held = np.zeros((3, len(states), len(parts)), dtype=np.int64)
    for place, state in enumerate(states):
        for part, hangs in state:
            held[hangs, place, order[part]] += 1

    def shared(counts: Ints, weight: npt.NDArray[np.float32]) -> Ints:
        # Σ over parts of weight · min(count here, count there), as Σ over levels of two 0/1 matrices
        total = np.zeros((len(states), len(states)), dtype=np.float32)
        for level in range(1, most + 1):
            has = (counts >= level).astype(np.float32)
            total += (has * weight) @ has.T
        return total.astype(np.int64)

    one = np.ones_like(sizes)
    all_held = held.sum(axis=0)
    number, units = all_held.sum(axis=1), (all_held * sizes.astype(np.int64)).sum(axis=1)
    kept, kept_units = shared(all_held, one), shared(all_held, sizes)
    spare_used = held[SPARE].sum(axis=1)
    lost_spare = spare_used[:, None] - shared(held[SPARE], one)
    home = np.full(len(states), -1)
    if parts:
        home = np.where(held[HOME].any(axis=1), held[HOME].argmax(axis=1), home)
    return _Space(
        states=tuple(states),
        standing=number,
        spare_used=spare_used,
        inserted=number[None, :] - kept,
        taken=units[None, :] - kept_units,
        withdrawn=number[:, None] - kept,
        moved=(home[:, None] != home[None, :]).astype(np.int64) + lost_spare,
    )


class _Piece:
    """A piece's JSON as this search needs it, and, where a course is given, with the rows of its visits.

    A course begins in some state of the loom and goes through some rows: `tests/outside/courses.py`.
    """

    def __init__(self, piece: Mapping[str, Any], course: Mapping[str, Any] | None = None) -> None:
        loom = piece["loom"]
        leashes: list[int] = piece["leashes"]
        self.shafts = sorted({shaft for shaft in leashes if shaft})
        self.units = {
            shaft: [unit for unit, on in enumerate(leashes, 1) if on == shaft] for shaft in self.shafts
        }
        corded = set(piece.get("single_cords", [u for u, on in enumerate(leashes, 1) if on == 0]))
        self.corded = {shaft: self.bits(shaft, corded) for shaft in self.shafts}
        self.rows = [{u for u, cell in enumerate(row, 1) if cell == "#"} for row in piece["rows"]]
        self.demands = [{s: self.bits(s, row) for s in self.shafts} for row in self.rows]
        self.cord_only = [sum(leashes[unit - 1] == 0 for unit in row) for row in self.rows]
        self.spare_shafts: int = loom.get("spare_shafts", 0)
        self.spare_handles: int = loom.get("spare_handles", 0)
        self.per_shaft: int = loom.get("temporaries_per_shaft", 2)
        self.may_stay: bool = loom.get("temporaries_may_stay", True)
        self.free, self.barred = set(piece.get("free_walks", [])), set(piece.get("no_walks", []))
        minutes = {**DEFAULT_MINUTES, **piece.get("minutes", {})}
        self.cost: dict[str, int] = {}
        for action, value in minutes.items():
            millionths = Fraction(repr(value)) * 10**6
            if millionths.denominator != 1:
                raise ValueError(f"{action}: this search wants whole millionths of a minute")
            self.cost[action] = int(millionths) * WALK_UNIT
        self.start: tuple[ShaftState, ...] = tuple(() for _ in self.shafts)
        self.hanging_free: set[int] = set()
        self.behind, self.until_bare = False, True
        if course is not None:
            self._begin(piece, course)

    def _begin(self, piece: Mapping[str, Any], course: Mapping[str, Any]) -> None:
        picks = piece.get("picks_per_row", [1])
        cloth = [(course["row"], course["picks"])]
        for row, _, after in course["visits"]:
            finished = after == picks[(row - 1) % len(picks)]
            cloth.append((row, 0) if finished else (row - 1, after))
        order = [row - 1 for row, _, _ in course["visits"]]
        self.rows = [self.rows[row] for row in order]
        self.demands = [self.demands[row] for row in order]
        self.cord_only = [self.cord_only[row] for row in order]
        free = {gap for gap, (row, part) in enumerate(cloth) if part == 0 and row in self.free}
        barred = {gap for gap, (row, part) in enumerate(cloth) if part == 0 and row in self.barred}
        barred |= {gap for gap, (_, part) in enumerate(cloth) if part and gap}
        self.behind, self.until_bare = course["phase"] == "behind", course["until_bare"]
        self.free = free | ({0} if course["free_now"] or self.behind else set())
        self.barred = barred - ({0} if self.behind else set())
        hangs = {on: handle for handle, on in course["cords"].items() if on is not None}
        kinds: dict[int, list[tuple[int, int]]] = {shaft: [] for shaft in self.shafts}
        for t in course["temporaries"]:
            handle = hangs.get(t["name"])
            on = FREE if handle is None else SPARE if handle.startswith("S") else HOME
            kinds[t["shaft"]].append((self.bits(t["shaft"], t["units"]), on))
        self.start = tuple(tuple(sorted(kinds[shaft])) for shaft in self.shafts)
        self.hanging_free = {
            int(h) for h, on in course["cords"].items() if on is None and not h.startswith("S")
        }

    def bits(self, shaft: int, units: Iterable[int]) -> int:
        wanted = set(units)
        return sum(1 << place for place, unit in enumerate(self.units[shaft]) if unit in wanted)

    def full(self, shaft: int) -> int:
        return (1 << len(self.units[shaft])) - 1


def pulls_needed(full: int, corded: int, may_stay: bool, state: ShaftState, demand: int) -> int | None:
    """The fewest handles and single cords that lift exactly these units of a shaft; None: none do."""
    on_handles = [part for part, hangs in state if hangs != FREE]
    if not any(hangs == HOME for _, hangs in state):
        on_handles.append(full)
    if not may_stay and state:
        # only what is the single temporary itself may be raised
        on_handles = [part for part, hangs in state if hangs != FREE] if len(state) == 1 else []
    useful = sorted({part for part in on_handles if part & ~demand == 0})
    best: int | None = None
    for number in range(len(useful) + 1):
        for chosen in combinations(useful, number):
            lifted = 0
            for part in chosen:
                lifted |= part
            rest = demand & ~lifted
            if rest & ~corded == 0 and (best is None or number + rest.bit_count() < best):
                best = number + rest.bit_count()
    return best


def best_order(
    piece: Mapping[str, Any],
    parts: Mapping[int, Iterable[int]] | None = None,
    largest: int = 6000,
    course: Mapping[str, Any] | None = None,
    walk_now: bool = True,
) -> Best | None:
    """The optimum of a piece (parsed JSON), or None where no order exists.

    Args:
        parts: per shaft the parts that may be temporaries (bits, lowest: leftmost unit); None: all.
        largest: give up with TooLarge beyond so many states (squared states in all, for several shafts).
        course: from where and through which rows; None: the whole piece. Then no path is given.
        walk_now: whether a walk may be made before the course's first visit.
    """
    p = _Piece(piece, course)
    if not walk_now:
        p.barred.add(0)
    spaces: list[_Space] = []
    for shaft in p.shafts:
        allowed = range(1, p.full(shaft)) if parts is None else sorted(parts[shaft])
        most = min(p.per_shaft, p.spare_shafts)
        spaces.append(_space(tuple(allowed), most, min(p.spare_handles, most), largest))
    shape = tuple(len(space.states) for space in spaces)
    if np.prod(shape, dtype=np.float64) > largest:
        raise TooLarge(f"{shape} states")
    cost = p.cost
    steps = [
        cost["insert"] * s.inserted
        + cost["take"] * s.taken
        + cost["withdraw"] * s.withdrawn
        + cost["move_cords"] * s.moved
        for s in spaces
    ]
    standing = _spread([s.standing for s in spaces])
    used = _spread([s.spare_used for s in spaces])
    possible = (standing <= p.spare_shafts) & (used <= p.spare_handles)

    def at_row(row: int) -> Ints:
        pulls = []
        for shaft, space in zip(p.shafts, spaces, strict=True):
            need = [
                pulls_needed(p.full(shaft), p.corded[shaft], p.may_stay, state, p.demands[row][shaft])
                for state in space.states
            ]
            pulls.append(np.array([NEVER if n is None else n * cost["pull"] for n in need], dtype=np.int64))
        total = _spread([np.minimum(pull, NEVER) for pull in pulls]) + p.cord_only[row] * cost["pull"]
        never = np.zeros(shape, dtype=bool) | ~possible
        for axis, pull in enumerate(pulls):
            never |= _along(pull >= NEVER, axis, len(pulls))
        return np.where(never, NEVER, total)

    def a_walk(after: int) -> int:
        if after == 0 and p.behind:
            return 0
        return 1 + (0 if after in p.free else cost["walk"])

    def walked(values: Ints, wanted: npt.NDArray[np.bool_], after: int) -> Ints:
        """Least cost of each wanted state after one walk."""
        result = np.full(shape, NEVER, dtype=np.int64)
        if not wanted.any():
            return result
        ends = [np.flatnonzero(wanted.any(axis=_others(axis, len(shape)))) for axis in range(len(shape))]
        for begun in np.unique(used[values < NEVER]):
            here = np.where(used == begun, values, NEVER)
            for axis in range(len(shape)):
                starts = np.flatnonzero((here < NEVER).any(axis=_others(axis, len(shape))))
                here = _min_plus(here, steps[axis], axis, starts, ends[axis])
            here = np.minimum(here, NEVER) + cost["move_cords"] * np.maximum(0, used - begun)
            result = np.minimum(result, here)
        return np.where(wanted & (result < NEVER), result + a_walk(after), NEVER)

    def reachable(wanted: npt.NDArray[np.bool_], gap: int) -> Ints:
        """Least cost of each wanted state after the gap: with a walk, or without."""
        if gap == 0 and p.hanging_free:
            # cords that hang free come onto something: one move each, also where they were at home before
            return walked(now, wanted, gap) + to_hook_on
        return now if gap in p.barred else np.minimum(now, walked(now, wanted, gap))

    to_hook_on = _spread(
        [
            np.array(
                [
                    cost["move_cords"] * (s in p.hanging_free and all(on != HOME for _, on in state))
                    for state in space.states
                ],
                dtype=np.int64,
            )
            for s, space in zip(p.shafts, spaces, strict=True)
        ]
    )
    to_hook_on = to_hook_on + cost["move_cords"] * len(p.hanging_free - set(p.shafts))
    empty = (0,) * len(shape)
    begin = tuple(space.states.index(state) for space, state in zip(spaces, p.start, strict=True))
    now = np.full(shape, NEVER, dtype=np.int64)
    now[begin] = 0
    history = []
    for row in range(len(p.rows)):
        pull = at_row(row)
        reached = reachable(pull < NEVER, row)
        now = np.where((reached < NEVER) & (pull < NEVER), reached + pull, NEVER)
        history.append((now, pull))
    only_empty = np.zeros(shape, dtype=bool)
    only_empty[empty] = True
    last = len(p.rows)
    total = int(reachable(only_empty, last)[empty]) if p.until_bare else int(now.min())
    if total >= NEVER:
        return None
    if course is not None:
        return Best(Fraction(total // WALK_UNIT, 10**6), total % WALK_UNIT, ())

    # back from the end to the beginning: any predecessor that explains the cost
    path: list[tuple[ShaftState, ...]] = []
    place: tuple[int, ...] = empty
    needed = total
    for row in range(last - 1, -1, -1):
        values, pull = history[row]
        if int(values[place]) != needed:
            step = _spread([steps[axis][:, place[axis]] for axis in range(len(shape))])
            step = step + cost["move_cords"] * np.maximum(0, used[place] - used) + a_walk(row + 1)
            match = np.argwhere((values < NEVER) & (values + step == needed))
            place = tuple(int(index) for index in match[0])
        path.append(tuple(space.states[index] for space, index in zip(spaces, place, strict=True)))
        needed = int(values[place] - pull[place])
    path.reverse()
    return Best(Fraction(total // WALK_UNIT, 10**6), total % WALK_UNIT, tuple(path))


def _others(axis: int, axes: int) -> tuple[int, ...]:
    return tuple(other for other in range(axes) if other != axis)


def _along(values: npt.NDArray[Any], axis: int, axes: int) -> npt.NDArray[Any]:
    return values.reshape([-1 if other == axis else 1 for other in range(axes)])


def _spread(values: list[Ints]) -> Ints:
    """The sum of one vector along each axis."""
    total = np.zeros((), dtype=np.int64)
    for axis, along in enumerate(values):
        total = total + _along(along, axis, len(values))
    return total


def _min_plus(values: Ints, step: Ints, axis: int, starts: Ints, ends: Ints) -> Ints:
    """result[…, y, …] = min over x of values[…, x, …] + step[x, y]."""
    result = np.full(values.shape, NEVER, dtype=np.int64)
    if not len(starts) or not len(ends):
        return result
    from_axis = np.moveaxis(values, axis, -1)
    into = np.moveaxis(result, axis, -1)  # a view
    flat = from_axis[..., starts].reshape(-1, len(starts))
    small = step[np.ix_(starts, ends)]
    best = np.full((flat.shape[0], len(ends)), NEVER, dtype=np.int64)
    for place in range(len(starts)):
        np.minimum(best, flat[:, place, None] + small[place], out=best)
    into[..., ends] = best.reshape(*from_axis.shape[:-1], len(ends))
    return result


# --- an order for the path found: so that the replayer can confirm the cost from above ----------------


def write_order(piece: Mapping[str, Any], best: Best) -> dict[str, Any]:
    """A work order (JSON values) that goes through the states of `best`."""
    p = _Piece(piece)
    picks = piece.get("picks_per_row", [1])
    treadling = piece.get("treadling", list(range(1, piece["loom"].get("treadles", 1) + 1)))
    loom: list[dict[str, Any]] = []
    spare: dict[str, str | None] = {f"S{n}": None for n in range(1, p.spare_handles + 1)}
    home = {str(shaft): str(shaft) for shaft in range(1, piece["loom"]["pattern_shafts"] + 1)}
    steps: list[dict[str, Any]] = []
    totals = dict.fromkeys(["walks", "insertions", "units_taken", "withdrawals", "cord_moves", "pulls"], 0)
    paid = woven = picked = 0
    used_names: set[str] = set()
    labelled = False
    empty: tuple[ShaftState, ...] = tuple(() for _ in p.shafts)
    before = empty
    for row, state in enumerate((*best.path, empty), 1):
        if state != before:
            totals["walks"] += 1
            paid += woven not in p.free
            steps.append({"kind": "walk"})
            if not labelled:
                labelled = True
                parents = {s for states in best.path for s, one in zip(p.shafts, states, strict=True) if one}
                steps.append({"kind": "label", "shafts": sorted(parents)})
            _change(p, state, loom, home, spare, steps, totals, used_names)
            before = state
        if row > len(p.rows):
            break
        handles, cords = _raise(p, row - 1, state, loom, home, spare)
        totals["pulls"] += len(handles) + len(cords)
        steps.append({"kind": "raise", "row": row, "handles": handles, "single_cords": cords})
        number = picks[(row - 1) % len(picks)]
        treadles = [treadling[(picked + n) % len(treadling)] for n in range(number)]
        steps.append({"kind": "weave", "row": row, "picks": number, "treadles": treadles})
        picked += number
        woven = row
    steps.append({"kind": "done"})
    cost = {action: Fraction(value, WALK_UNIT * 10**6) for action, value in p.cost.items()}
    minutes = (
        cost["walk"] * paid
        + cost["insert"] * totals["insertions"]
        + cost["take"] * totals["units_taken"]
        + cost["withdraw"] * totals["withdrawals"]
        + cost["move_cords"] * totals["cord_moves"]
        + cost["pull"] * totals["pulls"]
    )
    return {
        "format": "spareshaft-workorder",
        "version": 1,
        "proven": True,
        "bound": float(minutes),
        "totals": {**totals, "minutes": round(float(minutes), 6)},
        "steps": steps,
    }


def _change(
    p: _Piece,
    state: tuple[ShaftState, ...],
    loom: list[dict[str, Any]],
    home: dict[str, str],
    spare: dict[str, str | None],
    steps: list[dict[str, Any]],
    totals: dict[str, int],
    used_names: set[str],
) -> None:
    began = {**home, **spare}
    wanted = [
        {"shaft": shaft, "part": part, "on": on}
        for shaft, one in zip(p.shafts, state, strict=True)
        for part, on in one
    ]
    # what stays: first those that stay on the same kind of handle, then any
    stays: list[tuple[dict[str, Any], dict[str, Any]]] = []
    for same_handle in (True, False):
        for want in wanted:
            for have in loom:
                if any(have is h or want is w for h, w in stays) or (have["shaft"], have["part"]) != (
                    want["shaft"],
                    want["part"],
                ):
                    continue
                if have["on"] == want["on"] or not same_handle:
                    stays.append((have, want))
    target_home = {handle: handle for handle in home}
    spare_names: list[str] = []
    final: list[dict[str, Any]] = []
    for want in wanted:
        have = next((h for h, w in stays if w is want), None)
        name = have["name"] if have else _new_name(want["shaft"], used_names)
        final.append({**want, "name": name})
        if want["on"] == HOME:
            target_home[str(want["shaft"])] = name
        elif want["on"] == SPARE:
            spare_names.append(name)
    target_spare: dict[str, str | None] = {h: on if on in spare_names else None for h, on in spare.items()}
    to_hang = [name for name in spare_names if name not in target_spare.values()]
    # spare handles that lose theirs first, then the empty ones
    for handle in sorted(target_spare, key=lambda h: (spare[h] is None, h)):
        if target_spare[handle] is None and to_hang:
            target_spare[handle] = to_hang.pop()
    target: dict[str, str | None] = {**target_home, **target_spare}
    moving = [handle for handle in began if began[handle] != target[handle]]
    totals["cord_moves"] += len(moving)
    steps += [
        {"kind": "move_cords", "handle": h, "from": began[h], "to": None}
        for h in moving
        if began[h] is not None
    ]
    names = {t["name"] for t in final}
    for temporary in loom:
        if temporary["name"] not in names:
            totals["withdrawals"] += 1
            steps.append({"kind": "withdraw", "temporary": temporary["name"]})
    here = {t["name"] for t in loom}
    for temporary in final:
        if temporary["name"] not in here:
            units = [u for b, u in enumerate(p.units[temporary["shaft"]]) if temporary["part"] >> b & 1]
            totals["insertions"] += 1
            totals["units_taken"] += len(units)
            shaft, name = temporary["shaft"], temporary["name"]
            steps.append({"kind": "insert", "shaft": shaft, "temporary": name, "units": units})
    steps += [
        {"kind": "move_cords", "handle": h, "from": None, "to": target[h]}
        for h in moving
        if target[h] is not None
    ]
    loom[:] = final
    home.update(target_home)
    spare.update(target_spare)


def _new_name(shaft: int, used: set[str]) -> str:
    for length in range(1, 4):
        for letters in product("abcdefghijklmnopqrstuvwxyz", repeat=length):
            name = f"{shaft}{''.join(letters)}"
            if name not in used:
                used.add(name)
                return name
    raise AssertionError("out of names")


def _raise(
    p: _Piece,
    row: int,
    state: tuple[ShaftState, ...],
    loom: list[dict[str, Any]],
    home: dict[str, str],
    spare: dict[str, str | None],
) -> tuple[list[str], list[int]]:
    handle_of = {on: handle for handle, on in {**home, **spare}.items() if on is not None}
    handles: list[str] = []
    cords = [unit for unit in p.rows[row] if not any(unit in units for units in p.units.values())]
    for shaft, one in zip(p.shafts, state, strict=True):
        demand, full = p.demands[row][shaft], p.full(shaft)
        fewest = pulls_needed(full, p.corded[shaft], p.may_stay, one, demand)
        mine = {t["name"]: t["part"] for t in loom if t["shaft"] == shaft and t["name"] in handle_of}
        if home[str(shaft)] == str(shaft):
            mine[str(shaft)] = full
        if not p.may_stay and one:
            mine = {name: part for name, part in mine.items() if len(one) == 1 and name != str(shaft)}
        useful = [name for name, part in mine.items() if part & ~demand == 0]
        for chosen in (c for n in range(len(useful) + 1) for c in combinations(useful, n)):
            lifted = 0
            for name in chosen:
                lifted |= mine[name]
            rest = demand & ~lifted
            if rest & ~p.corded[shaft] == 0 and len(chosen) + rest.bit_count() == fewest:
                handles += [handle_of[name] for name in chosen]
                cords += [unit for bit, unit in enumerate(p.units[shaft]) if rest >> bit & 1]
                break
        else:
            raise AssertionError("the state does not lift the row")
    return handles, sorted(cords)
