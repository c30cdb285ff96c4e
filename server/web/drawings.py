"""What the drawings show, computed from the loom and what stands in it; templates/drawings puts it in SVG.

Looms, states and units are taken as the files count: where a thing is drawn, no numbering changes. A `Sight`
says how they are labelled and from which side of the loom they are seen. Lengths are in the drawing's own
units; y runs downwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Literal

from server.design.piece import Piece
from server.loom.counting import LeashesOf, Run, Stance, begins_at_her_left, leashes_met, one_leash
from server.loom.state import Loom, State, handle_order, parent_of, temporary_order
from server.plan.demands import troubles
from server.session.naming import Naming
from server.session.wording import Change, entries

Doing = Literal["pull", "let go", "leave", "idle"]

HANDLES_SHOWN = 16
"""A loom with more handles than this has its runs of idle ones folded on every screen."""


@dataclass(frozen=True, slots=True)
class Sight:
    """How drawings are labelled, and from where they are seen.

    Attributes:
        behind: whether from behind the loom, where left is right.
    """

    naming: Naming
    behind: bool = False

    def across(self, unit: int) -> float:
        """The middle of a unit across the warp, in units from the left of the drawing."""
        return self.naming.units - unit + 0.5 if self.behind else unit - 0.5


# --- handles -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Handle:
    """One handle in the row over the weaver's head.

    Attributes:
        name: as she counts.
        doing: what to do with it.
        carries: the temporary its cords are on, "" where they are home or a spare handle hangs free.
        is_away: whether its cords are not home.
    """

    name: str
    doing: Doing
    carries: str
    is_away: bool


@dataclass(frozen=True, slots=True)
class IdleHandles:
    """A run of handles that stay as they are.

    Attributes:
        text: "4–7".
        handles: the same one by one, for a screen that has room.
        always: whether the run is folded on every screen, not on narrow ones only.
    """

    text: str
    handles: tuple[Handle, ...]
    always: bool


@dataclass(frozen=True, slots=True)
class HandleRow:
    """The handles as they hang.

    Attributes:
        hung: from left to right.
        behind: whether as seen from behind the loom.
    """

    hung: tuple[Handle | IdleHandles, ...]
    behind: bool


def all_handles(loom: Loom) -> list[str]:
    """Handles as they hang: the pattern shafts' in order, spare ones after."""
    own = [str(shaft) for shaft in range(1, loom.pattern_shafts + 1)]
    return own + [f"S{spare}" for spare in range(1, loom.spare_handles + 1)]


def handle_row(loom: Loom, state: State, change: Change, sight: Sight, *, alone: bool = False) -> HandleRow:
    """The handles as they hang, with what is to be done to each.

    Args:
        alone: fold all others, also those whose cords are not home.
    """
    named, carrier = sight.naming.name, sight.naming.carrier
    doing: dict[str, Doing] = dict.fromkeys(change.pull, "pull")
    doing |= dict.fromkeys(change.let_go, "let go")
    doing |= dict.fromkeys(change.leave, "leave")
    names = all_handles(loom)
    if sight.behind:
        names.reverse()
    away = dict(state.away)
    row: list[Handle | IdleHandles] = []
    for is_idle, group in groupby(names, lambda name: name not in doing and (alone or name not in away)):
        handles = tuple(
            Handle(named(name), doing.get(name, "idle"), carrier(away.get(name)) or "", name in away)
            for name in group
        )
        if is_idle and len(handles) > 1:
            row.append(IdleHandles(_run_text(handles), handles, alone or len(names) > HANDLES_SHOWN))
        else:
            row += handles
    return HandleRow(tuple(row), sight.behind)


def _run_text(handles: Sequence[Handle]) -> str:
    own = sorted((handle.name for handle in handles if handle.name.isdigit()), key=int)
    spare = sorted((handle.name for handle in handles if not handle.name.isdigit()), key=handle_order)
    runs = [own, spare]
    return ", ".join(run[0] if len(run) == 1 else f"{run[0]}–{run[-1]}" for run in runs if run)


# --- single cords --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CordRun:
    """Neighbouring single cords with which the same is done.

    Attributes:
        text: their units as she counts, "1–4".
        across: where each cord hangs, from the left.
    """

    doing: Doing
    text: str
    across: tuple[float, ...]
    width: float


MOST_CORD_RUNS = 10
"""More runs than this would be a thicket; then the words alone tell them."""

_CORD_GAP = 15.0
_WIDEST_RUN = 150.0


def cord_runs(
    pull: Iterable[int], let_go: Iterable[int], leave: Iterable[int], sight: Sight
) -> list[CordRun]:
    """The single cords that take part in a row, from left to right; empty where there are too many runs."""
    ways: tuple[tuple[Doing, Iterable[int]], ...] = (("pull", pull), ("let go", let_go), ("leave", leave))
    runs = sorted((start, length, doing) for doing, units in ways for start, length in runs_of(sorted(units)))
    if len(runs) > MOST_CORD_RUNS:
        return []
    found = []
    for start, length, doing in runs:
        gap = min(_CORD_GAP, _WIDEST_RUN / length)
        text = ", ".join(entries(map(sight.naming.unit, range(start, start + length))))
        found.append(CordRun(doing, text, tuple((n + 0.5) * gap for n in range(length)), length * gap))
    return found[::-1] if sight.behind else found


# --- a strip of units ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Tick:
    """A number along an edge, at its distance in units from the start."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Strip:
    """The whole width of the warp, one unit long per unit.

    Attributes:
        up: path data: a stroke one unit thick over the units that are up.
        ticks: unit numbers as she counts.
        seen: "as you see them from the bench" or "seen from behind the loom".
    """

    units: int
    up: str
    ticks: tuple[Tick, ...]
    seen: str


def strip(loom: Loom, up: Iterable[int], sight: Sight) -> Strip:
    """The width of the cloth with these units up."""
    path = row_path(cells_across(up, sight), 0.5)
    return Strip(len(loom.leashes), path, tuple(unit_ticks(sight)), seen_words(sight))


def cells_across(units: Iterable[int], sight: Sight) -> list[int]:
    """Where units are across the warp, from 1 at the left of the drawing, ascending."""
    return sorted(int(sight.across(unit) + 0.5) for unit in units)


def seen_words(sight: Sight) -> str:
    """From where a drawing is seen."""
    return "seen from behind the loom" if sight.behind else "as you see them from the bench"


def unit_ticks(sight: Sight) -> Iterator[Tick]:
    """Unit numbers along an edge, from where she begins to count."""
    units = sight.naming.units
    for number in edge_numbers(units, tick_step(units)):
        yield Tick(sight.across(sight.naming.unit(number)), str(number))


def tick_step(number: int) -> int:
    """Distance of numbers along an edge, so that no more than a dozen or so stand there."""
    return next((step for step in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if number <= 14 * step), 5000)


def row_path(cells: Iterable[int], y: float) -> str:
    """Path data for a stroke through the middle of cells (from 1, ascending) of one row, run by run."""
    path = ""
    for start, length in runs_of(cells):
        path += f"M{start - 1} {y:g}h{length}"
    return path


def runs_of(cells: Iterable[int]) -> list[tuple[int, int]]:
    """(first, length) of each run of neighbouring numbers."""
    runs: list[tuple[int, int]] = []
    for cell in cells:
        if runs and cell == runs[-1][0] + runs[-1][1]:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((cell, 1))
    return runs


# --- leashes on a shaft --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LeashGroup:
    """Neighbouring leashes, drawn side by side.

    Attributes:
        text: "take 3" or "pass 2"; "" where the run goes on from the group before.
        units: for each leash its unit, as she counts, in the order of the drawing.
    """

    text: str
    take: bool
    units: tuple[int, ...]


MOST_IN_A_GROUP = 6
"""Longer runs are broken, so that they fit a narrow screen."""


def leash_groups(
    hung: Iterable[int],
    runs: Sequence[Run],
    stance: Stance,
    naming: Naming,
    leashes_of: LeashesOf = one_leash,
) -> list[LeashGroup]:
    """Every leash of a shaft in its place, in counting order; units within a group as they are drawn."""
    met = list(leashes_met(hung, stance, leashes_of))
    groups: list[LeashGroup] = []
    for run in runs:
        units, met = met[: run.leashes], met[run.leashes :]
        for start in range(0, len(units), MOST_IN_A_GROUP):
            part = units[start : start + MOST_IN_A_GROUP]
            drawn = part if begins_at_her_left(stance) else part[::-1]
            text = f"{'take' if run.take else 'pass'} {run.leashes}" if start == 0 else ""
            groups.append(LeashGroup(text, run.take, tuple(map(naming.unit, drawn))))
    return groups


# --- the loom from above -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Bar:
    """A shaft or temporary seen from above.

    Attributes:
        name: "7" or "7a", as she counts.
        y: its distance from the top.
        is_meant: whether something is to be done at it.
    """

    name: str
    y: float
    is_temporary: bool
    is_meant: bool


@dataclass(frozen=True, slots=True)
class LoomMap:
    """The pattern harness from above, the weaver's place at the edge.

    Attributes:
        bars: shafts and temporaries, top to bottom.
        gaps: (y, shafts left out) where shafts that have no part are not drawn one by one.
        bench_below: whether the bench is at the bottom; it is at the top for one who stands behind.
        she_stands: at which edge of the drawing she stands.
    """

    bars: tuple[Bar, ...]
    gaps: tuple[tuple[float, int], ...]
    height: float
    bench_below: bool
    she_stands: Literal["bottom", "left", "right"]


_BAR_GAP = 26.0


def loom_map(loom: Loom, state: State, meant: Iterable[str], stance: Stance | None, sight: Sight) -> LoomMap:
    """The loom from above, as seen by one who stands there.

    Args:
        state: the temporaries that are in.
        meant: names of shafts and temporaries to be worked on.
        stance: where she stands to work at it; None: nowhere yet, it is seen from where the sight is.
    """
    wanted = set(meant)
    behind = sight.behind if stance is None else stance in ("behind-left", "behind-right")
    named = {parent_of(name) for name in wanted} | {t.parent for t in state.temporaries}
    named |= {1, loom.pattern_shafts}
    if loom.pattern_shafts <= 8:
        named = set(range(1, loom.pattern_shafts + 1))
    found: list[Bar | int] = []
    last = 0
    for shaft in sorted(named):
        if shaft - last == 2:
            found.append(Bar(str(last + 1), 0, False, False))
        elif shaft - last > 2:
            found.append(shaft - last - 1)
        last = shaft
        # a temporary rests on the weaver's side of its parent
        names = {t.name for t in state.temporaries_of(shaft)}
        names |= {name for name in wanted if not name.isdigit() and parent_of(name) == shaft}
        found += [Bar(name, 0, True, name in wanted) for name in sorted(names, key=temporary_order)]
        found.append(Bar(str(shaft), 0, False, str(shaft) in wanted))
    if not behind:
        found.reverse()
    bars, gaps = [], []
    y = _BAR_GAP
    for item in found:
        if isinstance(item, int):
            gaps.append((y, item))
        else:
            bars.append(Bar(sight.naming.name(item.name), y, item.is_temporary, item.is_meant))
        y += _BAR_GAP
    stands: Literal["bottom", "left", "right"] = "bottom"
    if stance == "left-side":
        stands = "left"
    elif stance == "right-side":
        stands = "right"
    return LoomMap(tuple(bars), tuple(gaps), y, not behind, stands)


# --- the design ----------------------------------------------------------------------------------------

MOST_CELLS_DRAWN, MOST_ROWS_DRAWN = 200_000, 2_000
"""A design of more cells or rows is drawn in parts: a browser would take many seconds for the whole."""

ROWS_AT_ONCE, UNITS_AT_ONCE = 240, 400
"""Of such a design so much is drawn at once."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """The rows and units of a design that are drawn, row 1 at the bottom, unit 1 at the left.

    Attributes:
        rows, units: as files count.
        of_rows, of_units: of the whole design.
    """

    rows: range
    units: range
    of_rows: int
    of_units: int

    @classmethod
    def about(
        cls,
        piece: Piece,
        rows: Iterable[int] = (),
        units: Iterable[int] = (),
        most_rows: int = MOST_ROWS_DRAWN,
    ) -> Drawn:
        """The part with these in its middle, as far as they fit in; a small design whole.

        Args:
            most_rows: a design of more rows is not small.
        """
        of_rows, of_units = len(piece.rows), len(piece.loom.leashes)
        if of_rows * of_units <= MOST_CELLS_DRAWN:
            if of_rows <= most_rows:
                return cls(range(1, of_rows + 1), range(1, of_units + 1), of_rows, of_units)
            return cls(_about(rows, ROWS_AT_ONCE, of_rows), range(1, of_units + 1), of_rows, of_units)
        return cls(
            _about(rows, ROWS_AT_ONCE, of_rows), _about(units, UNITS_AT_ONCE, of_units), of_rows, of_units
        )

    @property
    def is_whole(self) -> bool:
        """Whether nothing is left out."""
        return (len(self.rows), len(self.units)) == (self.of_rows, self.of_units)

    def shows(self, row: int, unit: int) -> bool:
        """Whether a cell is drawn."""
        return row in self.rows and unit in self.units

    def y(self, row: int) -> float:
        """The middle of a row."""
        return self.rows[-1] - row + 0.5

    def across(self, units: Iterable[int]) -> list[int]:
        """Those of some units that are drawn, counted from 1 at the left of the drawing, ascending."""
        return sorted(unit - self.units.start + 1 for unit in units if unit in self.units)

    def frame(self, rows: range, units: range) -> tuple[int, int, int, int] | None:
        """(x, y, width, height) of what is drawn of a block; None: nothing."""
        first, last = max(rows.start, self.rows.start), min(rows[-1], self.rows[-1])
        left, right = max(units.start, self.units.start), min(units[-1], self.units[-1])
        if first > last or left > right:
            return None
        return left - self.units.start, self.rows[-1] - last, right - left + 1, last - first + 1

    def row_ticks(self) -> tuple[Tick, ...]:
        """Row numbers along an edge."""
        numbers = edge_numbers(self.of_rows, tick_step(len(self.rows)))
        return tuple(Tick(self.y(row), str(row)) for row in numbers if row in self.rows)

    def unit_ticks(self, naming: Naming) -> tuple[Tick, ...]:
        """Unit numbers along an edge, from where she begins to count."""
        numbers = edge_numbers(self.of_units, tick_step(len(self.units)))
        drawn = ((naming.unit(number), str(number)) for number in numbers)
        return tuple(Tick(unit - self.units.start + 0.5, text) for unit, text in drawn if unit in self.units)


def _about(wanted: Iterable[int], at_once: int, most: int) -> range:
    """At most so many numbers of 1 … most, about some of them."""
    wanted, size = list(wanted) or [1], min(at_once, most)
    first, last = min(wanted), max(wanted)
    room = size - (last - first + 1)
    start = first - (room // 2 if room > 0 else min(4, first - 1))
    start = min(max(start, 1), most - size + 1)
    return range(start, start + size)


@dataclass(frozen=True, slots=True)
class DesignPicture:
    """A design as the cloth lies before the weaver, or a part of it: row 1 at the bottom, unit 1 at the left.

    Attributes:
        units, rows: how many are drawn.
        cell: pixels to a cell at full size.
        lifted: path data of all lifted cells, for a stroke one cell thick.
        needing: the same, of the cells whose units need a temporary in that row.
        marks: path data of the second mark on each of those cells, for a thin stroke.
        walks: y of each walk, between two rows, with its number.
    """

    units: int
    rows: int
    cell: int
    lifted: str
    needing: str
    marks: str
    unit_ticks: tuple[Tick, ...]
    row_ticks: tuple[Tick, ...]
    walks: tuple[Tick, ...]


def cells_needing_temporaries(piece: Piece, rows: range | None = None) -> dict[int, frozenset[int]]:
    """Per row, the lifted units that the loom as it hangs cannot lift there.

    These are the units asked of a shaft of which the row asks a part only, save those that a single
    cord lifts.

    Args:
        rows: of these rows only.
    """
    first = 1
    if rows is not None:
        first, piece = rows.start, replace(piece, rows=piece.rows[rows.start - 1 : rows.stop - 1])
    return {
        trouble.row + first - 1: frozenset().union(*trouble.asked.values()) - piece.loom.single_cords
        for trouble in troubles(piece)
    }


def design_picture(
    piece: Piece, walks_after: Sequence[int], naming: Naming, drawn: Drawn | None = None
) -> DesignPicture:
    """The design with the cells marked that the loom could not do unaided.

    Args:
        walks_after: the row after which each walk is made.
        drawn: what is drawn; None: all of it, however large.
    """
    if drawn is None:
        rows, units = len(piece.rows), len(piece.loom.leashes)
        drawn = Drawn(range(1, rows + 1), range(1, units + 1), rows, units)
    needing = cells_needing_temporaries(piece, drawn.rows)
    lifted_path, needing_path, marks = [], [], []
    for row in drawn.rows:
        y = drawn.y(row)
        lifted_path.append(row_path(drawn.across(piece.rows[row - 1]), y))
        if marked := drawn.across(needing.get(row, ())):
            needing_path.append(row_path(marked, y))
            marks += [f"M{unit - 0.85:g} {y + 0.35:g}l.7-.7" for unit in marked]
    return DesignPicture(
        units=len(drawn.units),
        rows=len(drawn.rows),
        cell=max(4, min(16, 860 // len(drawn.units))),
        lifted="".join(lifted_path),
        needing="".join(needing_path),
        marks="".join(marks),
        unit_ticks=drawn.unit_ticks(naming),
        row_ticks=drawn.row_ticks(),
        walks=tuple(
            Tick(drawn.rows[-1] - row, str(number))
            for number, row in enumerate(walks_after, 1)
            if row + 1 in drawn.rows or row in drawn.rows
        ),
    )


@dataclass(frozen=True, slots=True)
class Cloth:
    """The last rows, the newest at the top, one unit long per unit and row.

    Attributes:
        lifted: path data of all lifted cells, for a stroke one cell thick.
    """

    units: int
    first_row: int
    last_row: int
    lifted: str

    @property
    def rows(self) -> int:
        """How many are shown."""
        return self.last_row - self.first_row + 1


def cloth(piece: Piece, before_row: int, rows: int, sight: Sight) -> Cloth | None:
    """The rows woven before a row, at most so many of them; None before the first."""
    if before_row < 2:
        return None
    first = max(1, before_row - rows)
    paths = [
        row_path(cells_across(piece.rows[row - 1], sight), before_row - 1 - row + 0.5)
        for row in range(first, before_row)
    ]
    return Cloth(len(piece.loom.leashes), first, before_row - 1, "".join(paths))


def edge_numbers(number: int, step: int) -> list[int]:
    """The numbers written along an edge: the first, and every step."""
    return [1, *(mark for mark in range(step, number + 1, step) if mark > 1)]


# --- the tape of rows ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Tape:
    """All rows in a line: what is woven, where she is, where the walks are. One unit long per row."""

    rows: int
    woven: int
    walks: tuple[int, ...]


def tape(rows: int, woven: int, walks_after: Sequence[int]) -> Tape:
    """The line of rows, with walks that are still to come or made."""
    return Tape(rows, woven, tuple(walks_after))
