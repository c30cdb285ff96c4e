"""A budget of cells: the model may change so many cells of the design for a plan that costs less.

Which cells: those of units on the relevant shafts, in rows that ask something of the shaft. The others are
left alone, and nothing is lost by that:

- A row that asks nothing of a shaft is never changed there. Lifting nothing is always possible and costs no
  pull; so where a plan goes with such a change, it goes without it as well, and costs no more.
- On a shaft that is not relevant no row needs a temporary, and none can pay for itself. With its cells as
  they are the shaft takes part in no walk, whatever else is changed; changing that could save pulls only.
- Units on single cords only take part in no walk, either.

For a design with some cells changed the arguments of the model hold as for any other; the cheapest plan of
the cheapest such design is wanted. So every part of a shaft that could be a temporary for one of these
designs must be among the candidates (`parts_within`), and every gap where a walk could pay for one of them
must be a cut (`server.plan.stages.stages`, by_runs=False): the middle of a run of rows that ask the same is
worth something here, as it may be that only some of these rows are changed.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from server.design.piece import Piece
from server.loom.state import Loom
from server.plan.demands import Part, asked_of
from server.plan.parts import Candidates
from server.plan.solver import Program, Term
from server.plan.stages import Stage

Cell = tuple[int, int]
"""A cell of the design: row and unit, both from 1."""

MOST_WITHIN = 300
"""Candidates for one shaft; beyond that the design is not said to be the best."""

MOST_LOOKED_AT = 6_000
"""Parts of one shaft that are looked at for candidates."""


@dataclass(frozen=True, slots=True)
class Budget:
    """How many cells may be changed.

    Attributes:
        most: at most so many.
        fixed: these stay as they are.
    """

    most: int
    fixed: frozenset[Cell] = frozenset()

    def fixed_in(self, row: int, units: Part) -> Part:
        """Those of these units whose cell of a row stays as it is."""
        return frozenset(unit for unit in units if (row, unit) in self.fixed)


@dataclass(frozen=True, slots=True)
class _Row:
    """What a row asks of a shaft, and which of its cells stay."""

    asked: Part
    fixed: Part

    def distance(self, part: Part, single_cords: Part, *, alone: bool) -> int | None:
        """How many cells must be changed for this part to be lifted, cords apart; None: a fixed one must.

        Args:
            alone: whether nothing else of the shaft is lifted with it.
        """
        wrong = part - self.asked
        if alone:
            wrong |= self.asked - part - single_cords
        return None if wrong & self.fixed else len(wrong)


def ways_with(
    asked: Part, bar: Part, single_cords: Part, fixed: Part, most: int, *, by_bar: bool
) -> list[Way]:
    """How a row can be lifted for a shaft with a bar or without, with at most so many cells changed.

    The fewest cells first; those with more of them only where there are fewer pulls.

    Args:
        asked: what the row asks of the shaft.
        bar: the units on the bar.
        fixed: units whose cells of the row stay as they are.
        by_bar: whether a way that leaves the bar down counts for itself, however many pulls it has.
    """
    found: list[Way] = []
    for is_up in (False, True):
        lifted = bar if is_up else frozenset[int]()
        must = (lifted - asked) | (asked - lifted - single_cords)
        if must & fixed:
            continue
        cords = (asked - lifted) & single_cords
        spared = sorted(cords - fixed)
        for more in range(min(len(spared), most - len(must)) + 1):
            found.append(Way(must.union(spared[:more]), is_up + len(cords) - more, is_up))
    found.sort(key=lambda way: (len(way.changed), way.pulls, way.is_up))
    kept: list[Way] = []
    for way in found:
        rivals = [other for other in kept if not (by_bar and other.is_up and not way.is_up)]
        if len(way.changed) <= most and all(way.pulls < other.pulls for other in rivals):
            kept.append(way)
    return kept


def parts_within(
    piece: Piece, shafts: Sequence[int], budget: Budget, most: int = MOST_WITHIN
) -> dict[int, Candidates]:
    """Per shaft the parts worth a temporary for any design within the budget.

    *Without spare handles* one bar at a time lifts for a shaft. Units that every row asks for alike, that are
    fixed in the same rows and are alike in having cords can be called by each other's names, all at once: the
    temporary takes as many of them, and for each row it serves as many cells are changed. So of each such
    class the first ones do. *With spare handles* several bars lift together, and who takes which matters:
    then all parts are looked at, where there are not too many.

    A temporary takes no unit that none of the rows it serves asks for: without it as many pulls do, and fewer
    takes and changes. Hence, if one row that it serves asks for all of it, it is within the budget of that
    row; else it serves two rows at least, at a change or more each, and all of these together are within the
    budget. One that takes a single corded unit is never needed: the cord lifts it for the same pull.
    """
    return {shaft: _parts_of(piece, shaft, budget, most) for shaft in shafts}


def _parts_of(piece: Piece, shaft: int, budget: Budget, most: int) -> Candidates:
    loom, units = piece.loom, piece.loom.units_of(shaft)
    rows = list(
        dict.fromkeys(
            _Row(asked, budget.fixed_in(row, units))
            for row in range(1, len(piece.rows) + 1)
            if (asked := asked_of(piece, row, shaft))
        )
    )
    single_cords = loom.single_cords & units
    alone = not loom.spare_handles
    if alone:
        looked_at, all_of_them = _near(units, single_cords, rows, budget.most)
    elif 2 ** len(units) - 2 <= most:
        ordered = sorted(units)
        looked_at = {
            frozenset(chosen) for count in range(1, len(ordered)) for chosen in combinations(ordered, count)
        }
        all_of_them = True
    else:
        looked_at, _ = _near(units, single_cords, rows, min(budget.most, 2))
        all_of_them = False
    worth = {
        part: nearest
        for part in looked_at
        if part and part != units and (len(part) > 1 or not part <= single_cords)
        if (nearest := _nearest(part, rows, single_cords, budget.most, alone=alone)) is not None
    }
    kept = sorted(worth, key=lambda part: (worth[part], -len(part), sorted(part)))[:most]
    return Candidates(tuple(sorted(kept, key=sorted)), all_of_them and len(kept) == len(worth))


def _nearest(part: Part, rows: Sequence[_Row], single_cords: Part, most: int, *, alone: bool) -> int | None:
    """The fewest changes of a row that a part could serve; None where it serves none within the budget."""
    distances = [
        (distance, row.asked)
        for row in rows
        if (distance := row.distance(part, single_cords, alone=alone)) is not None and distance <= most
    ]
    if not distances:
        return None
    nearest = min(distance for distance, _ in distances)
    if any(part <= asked for _, asked in distances):
        return nearest
    for unit in part:
        least = min((distance for distance, asked in distances if unit in asked), default=most + 1)
        if least + nearest > most:
            return None
    return nearest


def _near(units: Part, single_cords: Part, rows: Sequence[_Row], most: int) -> tuple[set[Part], bool]:
    """Parts that lie near what some row asks for, the nearest first, and whether these are all.

    One of each kind: see `parts_within`. What a corded unit changes counts nothing.
    """
    classes = _classes(units, single_cords, rows)

    def first_ones(part: Part) -> Part:
        counted = [(c, len(part.intersection(c))) for c in classes]
        return frozenset(unit for c, count in counted for unit in c[:count])

    found: dict[Part, int] = {}
    queue = deque((0, first_ones(row.asked)) for row in rows)
    while queue:
        steps, part = queue.popleft()
        if found.get(part, most + 1) <= steps or steps > most:
            continue
        if len(found) >= MOST_LOOKED_AT:
            return set(found), False
        found[part] = steps
        for c in classes:
            count = len(part.intersection(c))
            is_corded = c[0] in single_cords
            for other in (count - 1, count + 1):
                if 0 <= other <= len(c):
                    near = part.difference(c).union(c[:other])
                    if is_corded:
                        queue.appendleft((steps, near))
                    else:
                        queue.append((steps + 1, near))
    return set(found), True


def _classes(units: Part, single_cords: Part, rows: Sequence[_Row]) -> list[tuple[int, ...]]:
    """The units that every row asks for alike, that are fixed alike, and that are alike in having cords."""
    found: dict[tuple[object, ...], list[int]] = {}
    for unit in sorted(units):
        key = (unit in single_cords, *((unit in row.asked, unit in row.fixed) for row in rows))
        found.setdefault(key, []).append(unit)
    return [tuple(c) for c in found.values()]


@dataclass(frozen=True, slots=True)
class Way:
    """A way to lift a row for a shaft with one bar, or with none.

    Attributes:
        changed: the units whose cells of the row must be changed for it.
        pulls: handles and single cords up.
        is_up: whether the bar is lifted.
    """

    changed: Part
    pulls: int
    is_up: bool


@dataclass(frozen=True, slots=True)
class _OneBar:
    """A row that is lifted with one bar at a time.

    Attributes:
        ways: per bar that the handle can carry, its variable and its ways, first the one that is used where
            none of the others is.
        others: per bar the variables of the others, in that order.
    """

    row: int
    units: Part
    ways: dict[int, Sequence[Way]]
    others: dict[int, Sequence[int]]


class ChangedCells:
    """The variables of a program for the cells that are changed, and how rows are lifted with them.

    Attributes:
        changed: per cell that may be changed, the variable that is 1 where it is; with spare handles only.
    """

    def __init__(self, program: Program, budget: Budget) -> None:
        self.budget = budget
        self.changed: dict[Cell, int] = {}
        self._rows: list[tuple[int, Part, list[tuple[int, Part]]]] = []
        self._one_bar: list[_OneBar] = []
        self._counted: dict[int, int] = defaultdict(int)
        self._program = program
        self._most = program.variable(upper=float(budget.most))

    def within(self, most: int) -> None:
        """Change at most so many cells; no more than the budget that the program was made for."""
        self._program.fix(self._most, float(min(most, self.budget.most)))

    def count(self) -> None:
        """Make the number of cells the objective; any number within the budget will do."""
        self._program.costs = [0.0] * len(self._program.costs)
        self._program.costs[self._most] = 1.0
        self._program.lower[self._most], self._program.upper[self._most] = 0.0, float(self.budget.most)

    def charge(self, minutes: float) -> None:
        """Add so many minutes for each cell that is changed."""
        for variable, cells in (*self._counted.items(), *((changed, 1) for changed in self.changed.values())):
            self._program.costs[variable] += minutes * cells

    def close(self) -> None:
        """Hold all changes together within the budget; when every row is lifted."""
        changed = [(variable, 1.0) for variable in self.changed.values()]
        counted = [(variable, float(cells)) for variable, cells in self._counted.items() if cells]
        self._program.row([*changed, *counted, (self._most, -1.0)], upper=0.0)
        self.within(self.budget.most)

    def may_lift(self, row: int, asked: Part, lifted: Part) -> bool:
        """Whether a bar with these units may be lifted in a row: what it lifts too much can be changed."""
        wrong = lifted - asked
        return len(wrong) <= self.budget.most and not self.budget.fixed_in(row, wrong)

    def lift(
        self, row: int, asked: Part, single_cords: Part, pull: float, bars: Sequence[tuple[int, Part]]
    ) -> list[tuple[int, int]]:
        """A row lifts of a shaft what it asks for, but for the cells that are changed.

        What a bar lifts too much is changed. What is asked for is lifted by a bar or a cord, or changed.

        Args:
            bars: per bar that may be lifted, its variable and its units.

        Returns:
            Per corded unit asked for, the variable of its cord, and the unit.
        """
        cords = []
        for unit in sorted(asked):
            terms = [(up, 1.0) for up, part in bars if unit in part]
            if unit in single_cords:
                cord = self._program.variable(pull)
                cords.append((cord, unit))
                terms.append((cord, 1.0))
            self._program.row([*terms, *self._changed(row, unit)], lower=1.0)
        for up, part in bars:
            for unit in part - asked:
                self._program.row([*self._changed(row, unit), (up, -1.0)], lower=0.0)
        self._rows.append((row, asked, [*bars, *((cord, frozenset([unit])) for cord, unit in cords)]))
        return cords

    def lift_with_one_bar(
        self,
        row: int,
        asked: Part,
        loom: Loom,
        pull: float,
        units_of_shaft: Part,
        bars: Sequence[tuple[int, Part]],
        others_inside: Callable[[int], Sequence[int]] | None,
    ) -> None:
        """A row is lifted with what the shaft's own handle carries, which is one of these bars.

        How many cells each bar takes at least is counted with its own variable. Where fewer pulls are to be
        had for some cells more, there is one variable for each number of them.

        Args:
            bars: per bar its variable and its units.
            others_inside: where temporaries may not stay: per bar, by its variable, the variables of the
                other temporaries that may be in the loom beside it.
        """
        program, most = self._program, self.budget.most
        fixed = self.budget.fixed_in(row, units_of_shaft)
        found = _OneBar(row, units_of_shaft, {}, {})
        alike: dict[object, tuple[list[int], list[Term]]] = {}
        for bar, units in bars:
            ways = ways_with(asked, units, loom.single_cords, fixed, most, by_bar=others_inside is not None)
            if not ways or self._counted[bar] + len(ways[0].changed) > most:
                program.fix(bar, 0.0)
                continue
            first, *more = ways
            self._counted[bar] += len(first.changed)
            program.costs[bar] += pull * first.pulls
            found.ways[bar] = ways
            saved = tuple((len(way.changed) - len(first.changed), first.pulls - way.pulls) for way in more)
            key = (saved, bar if others_inside is not None else None)
            if more and key not in alike:
                others = [program.variable(-pull * pulls) for _, pulls in saved]
                for other, (cells, _) in zip(others, saved, strict=True):
                    self._counted[other] = cells
                alike[key] = others, []
            if more:
                found.others[bar] = alike[key][0]
                alike[key][1].append((bar, 1.0))
            if others_inside is not None:
                up = [(bar, 1.0)] if first.is_up else []
                up += [
                    (other, 1.0 if way.is_up else -1.0)
                    for other, way in zip(found.others.get(bar, ()), more, strict=True)
                    if way.is_up != first.is_up
                ]
                for inside in others_inside(bar) if up else ():
                    program.row([*up, (inside, 1.0)], upper=1.0)
        for others, terms in alike.values():
            program.row([*terms, *((other, -1.0) for other in others)], lower=0.0)
        self._one_bar.append(found)

    def put(self, values: list[float], cells: Iterable[Cell]) -> bool:
        """Among the program's values, set what follows from those of the bars and from the changed cells.

        Returns:
            Whether the program has variables for it.
        """
        changed: dict[int, set[int]] = defaultdict(set)
        for row, unit in cells:
            changed[row].add(unit)
            variable = self.changed.get((row, unit))
            if variable is not None:
                values[variable] = 1.0
            elif not self._one_bar:
                return False
        values[self._most] = self._program.upper[self._most]
        for one in self._one_bar:
            standing = [bar for bar in one.ways if values[bar] > 0.5]
            count = len(changed[one.row] & one.units)
            if not standing or len(one.ways[standing[0]][0].changed) > count:
                return False
            for bar in standing:
                ways = one.ways[bar]
                best = min((w for w in ways if len(w.changed) <= count), key=lambda way: way.pulls)
                for other, way in zip(one.others.get(bar, ()), ways[1:], strict=True):
                    values[other] = float(way is best)
        return True

    def cells(self, values: np.ndarray) -> tuple[Cell, ...]:
        """The cells that are lifted otherwise than the design has them, row by row, from the left."""
        found = []
        for one in self._one_bar:
            for bar, (first, *more) in one.ways.items():
                if values[bar] > 0.5:
                    chosen = [
                        way
                        for other, way in zip(one.others.get(bar, ()), more, strict=True)
                        if values[other] > 0.5
                    ]
                    found += [(one.row, unit) for unit in (chosen or [first])[0].changed]
        for row, asked, bars in self._rows:
            lifted = frozenset[int]().union(*(part for up, part in bars if values[up] > 0.5))
            found += [(row, unit) for unit in asked ^ lifted]
        return tuple(sorted(found))

    def _changed(self, row: int, unit: int) -> list[Term]:
        if (row, unit) in self.budget.fixed:
            return []
        if (row, unit) not in self.changed:
            self.changed[row, unit] = self._program.variable()
        return [(self.changed[row, unit], 1.0)]


@dataclass(frozen=True, slots=True)
class Span:
    """Where among the stages a temporary can be of use.

    Attributes:
        inside: stages during which it can be worth having it in the loom.
        home: those during which its shaft's own handle can carry it.
    """

    inside: frozenset[int]
    home: frozenset[int]


def spans(
    piece: Piece, shaft: int, cut: Sequence[Stage], parts: Sequence[Part], budget: Budget
) -> dict[Part, Span]:
    """Where the temporaries of a shaft can be of use, without spare handles and corded units.

    While a temporary hangs on the handle, each row that asks something of the shaft is lifted with it, or
    changed to ask nothing. It goes in on the last walk before its first use on which cords come onto it:
    from there they stay on it. It comes out on the first after its last use on which they leave it. Between
    its first and its last use it may lie unused. All rows that it serves are within the budget together.
    """
    least = [_changes_for(piece, stage, shaft, None, budget) for stage in cut]
    return {part: _span(piece, shaft, cut, part, least, budget) for part in parts}


def _span(
    piece: Piece, shaft: int, cut: Sequence[Stage], part: Part, least: Sequence[int | None], budget: Budget
) -> Span:
    uses = [
        _changes_for(piece, stage, shaft, part, budget) if shaft in stage.asked else None for stage in cut
    ]
    known = [(stage, use) for stage, use in enumerate(uses) if use is not None]
    inside: set[int] = set()
    for first, use in known:
        begin = _stretch(range(first - 1, -1, -1), least, budget.most - use, first)
        for last, other in reversed(known):
            rest = budget.most - use - (other if last != first else 0)
            if last >= first and rest >= 0:
                inside.update(range(begin, _stretch(range(last + 1, len(cut)), least, rest, last) + 1))
                break
    home = {
        stage
        for stage in inside
        if any(count is not None and count <= budget.most for count in (uses[stage], least[stage]))
    }
    return Span(frozenset(inside), frozenset(home))


def _stretch(stages: Iterable[int], least: Sequence[int | None], most: int, end: int) -> int:
    """The last of these stages, one after another, up to which all rows can be changed to ask nothing."""
    for stage in stages:
        count = least[stage]
        if count is None or count > most:
            break
        most, end = most - count, stage
    return end


def _changes_for(piece: Piece, stage: Stage, shaft: int, part: Part | None, budget: Budget) -> int | None:
    """The fewest changes for a temporary to lift for a shaft in a stage, or (None) for nothing to lift.

    None: it cannot, or not within the budget.
    """
    total = 0
    for row, asked in rows_that_ask(piece, stage.first, stage.last, shaft):
        wrong = [asked] if part is None else [asked, asked ^ part]
        counts = [len(cells) for cells in wrong if not budget.fixed_in(row, cells)]
        if not counts:
            return None
        total += min(counts)
    return total if total <= budget.most else None


def rows_that_ask(piece: Piece, first: int, last: int, shaft: int) -> Iterator[tuple[int, Part]]:
    """The rows from first to last that ask something of a shaft, one by one, and what."""
    for row in range(first, last + 1):
        if asked := asked_of(piece, row, shaft):
            yield row, asked


def with_changed(rows_drawn: Sequence[frozenset[int]], cells: Iterable[Cell]) -> tuple[frozenset[int], ...]:
    """Rows of a design with some cells turned over: lifted ones not, the others lifted."""
    rows = list(rows_drawn)
    for row, unit in cells:
        rows[row - 1] ^= {unit}
    return tuple(rows)
