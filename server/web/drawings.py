"""What the drawings show, computed from the loom and what stands in it; templates/drawings puts it in SVG.

Lengths are in the drawing's own units; y runs downwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from server.design.piece import Piece
from server.loom.counting import Run, Stance, as_met, begins_at_her_left
from server.loom.state import Loom, State, parent_of, temporary_order
from server.plan.demands import troubles
from server.session.wording import Change

Doing = Literal["pull", "let go", "leave", "idle"]

HANDLES_SHOWN = 16
"""A loom with more handles than this has its runs of idle ones folded on every screen."""


# --- handles -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Handle:
    """One handle in the row over the weaver's head.

    Attributes:
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


def all_handles(loom: Loom) -> list[str]:
    """Handles as they hang: the pattern shafts' in order, spare ones after."""
    own = [str(shaft) for shaft in range(1, loom.pattern_shafts + 1)]
    return own + [f"S{spare}" for spare in range(1, loom.spare_handles + 1)]


def handle_row(
    loom: Loom, state: State, change: Change, *, alone: bool = False
) -> list[Handle | IdleHandles]:
    """The handles as they hang, with what is to be done to each.

    Args:
        alone: fold all others, also those whose cords are not home.
    """
    doing: dict[str, Doing] = dict.fromkeys(change.pull, "pull")
    doing |= dict.fromkeys(change.let_go, "let go")
    doing |= dict.fromkeys(change.leave, "leave")
    names = all_handles(loom)
    away = dict(state.away)
    row: list[Handle | IdleHandles] = []
    for is_idle, group in groupby(names, lambda name: name not in doing and (alone or name not in away)):
        handles = tuple(
            Handle(name, doing.get(name, "idle"), away.get(name) or "", name in away) for name in group
        )
        if is_idle and len(handles) > 1:
            row.append(IdleHandles(_run_text(handles), handles, alone or len(names) > HANDLES_SHOWN))
        else:
            row += handles
    return row


def _run_text(handles: Sequence[Handle]) -> str:
    own = [handle.name for handle in handles if handle.name.isdigit()]
    spare = [handle.name for handle in handles if not handle.name.isdigit()]
    runs = [own, spare]
    return ", ".join(run[0] if len(run) == 1 else f"{run[0]}–{run[-1]}" for run in runs if run)


# --- single cords --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CordRun:
    """Neighbouring single cords with which the same is done.

    Attributes:
        text: their units, "1–4".
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


def cord_runs(pull: Iterable[int], let_go: Iterable[int], leave: Iterable[int]) -> list[CordRun]:
    """The single cords that take part in a row, by unit; empty where there are too many runs."""
    ways: tuple[tuple[Doing, Iterable[int]], ...] = (("pull", pull), ("let go", let_go), ("leave", leave))
    runs = sorted((start, length, doing) for doing, units in ways for start, length in runs_of(sorted(units)))
    if len(runs) > MOST_CORD_RUNS:
        return []
    found = []
    for start, length, doing in runs:
        gap = min(_CORD_GAP, _WIDEST_RUN / length)
        text = str(start) if length == 1 else f"{start}{'–' if length > 2 else ', '}{start + length - 1}"
        found.append(CordRun(doing, text, tuple((n + 0.5) * gap for n in range(length)), length * gap))
    return found


# --- a strip of units ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Tick:
    """A number along an edge, at its distance in units from the start."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Strip:
    """The whole width of the warp from the weaver's left, one unit long per unit.

    Attributes:
        up: path data: a stroke one unit thick over the units that are up.
        ticks: unit numbers.
    """

    units: int
    up: str
    ticks: tuple[Tick, ...]


def strip(loom: Loom, up: Iterable[int]) -> Strip:
    """The width of the cloth with these units up."""
    units = len(loom.leashes)
    ticks = tuple(Tick(unit - 0.5, str(unit)) for unit in edge_numbers(units, tick_step(units)))
    return Strip(units, row_path(sorted(up), 0.5), ticks)


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
        units: the units whose leashes these are, in the order of the drawing.
    """

    text: str
    take: bool
    units: tuple[int, ...]


MOST_IN_A_GROUP = 6
"""Longer runs are broken, so that they fit a narrow screen."""


def leash_groups(hung: Iterable[int], runs: Sequence[Run], stance: Stance) -> list[LeashGroup]:
    """Every leash of a shaft in its place, in counting order; units within a group as they are drawn."""
    met = list(as_met(hung, stance))
    groups: list[LeashGroup] = []
    for run in runs:
        units, met = met[: run.leashes], met[run.leashes :]
        for start in range(0, len(units), MOST_IN_A_GROUP):
            part = units[start : start + MOST_IN_A_GROUP]
            drawn = part if begins_at_her_left(stance) else part[::-1]
            text = f"{'take' if run.take else 'pass'} {run.leashes}" if start == 0 else ""
            groups.append(LeashGroup(text, run.take, tuple(drawn)))
    return groups


# --- the loom from above -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Bar:
    """A shaft or temporary seen from above.

    Attributes:
        name: "7" or "7a".
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


def loom_map(loom: Loom, state: State, meant: Iterable[str], stance: Stance | None) -> LoomMap:
    """The loom from above, as seen by one who stands there.

    Args:
        state: the temporaries that are in.
        meant: names of shafts and temporaries to be worked on.
        stance: where she stands; None: at the bench.
    """
    wanted = set(meant)
    behind = stance in ("behind-left", "behind-right")
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
            bars.append(Bar(item.name, y, item.is_temporary, item.is_meant))
        y += _BAR_GAP
    stands: Literal["bottom", "left", "right"] = "bottom"
    if stance == "left-side":
        stands = "left"
    elif stance == "right-side":
        stands = "right"
    return LoomMap(tuple(bars), tuple(gaps), y, not behind, stands)


# --- the design ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DesignPicture:
    """The design as the cloth lies before the weaver: row 1 at the bottom, unit 1 at the left.

    Attributes:
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


def cells_needing_temporaries(piece: Piece) -> dict[int, frozenset[int]]:
    """Per row, the lifted units that the loom as it hangs cannot lift there.

    These are the units asked of a shaft of which the row asks a part only, save those that a single
    cord lifts.
    """
    return {
        trouble.row: frozenset().union(*trouble.asked.values()) - piece.loom.single_cords
        for trouble in troubles(piece)
    }


def design_picture(piece: Piece, walks_after: Sequence[int]) -> DesignPicture:
    """The design with the cells marked that the loom could not do unaided.

    Args:
        walks_after: the row after which each walk is made.
    """
    rows, units = len(piece.rows), len(piece.loom.leashes)
    needing = cells_needing_temporaries(piece)
    lifted_path, needing_path, marks = [], [], []
    for row, cells in enumerate(piece.rows, 1):
        y = rows - row + 0.5
        lifted_path.append(row_path(sorted(cells), y))
        if marked := sorted(needing.get(row, ())):
            needing_path.append(row_path(marked, y))
            marks += [f"M{unit - 0.85:g} {y + 0.35:g}l.7-.7" for unit in marked]
    unit_step, row_step = tick_step(units), tick_step(rows)
    return DesignPicture(
        units=units,
        rows=rows,
        cell=max(4, min(16, 860 // units)),
        lifted="".join(lifted_path),
        needing="".join(needing_path),
        marks="".join(marks),
        unit_ticks=tuple(Tick(unit - 0.5, str(unit)) for unit in edge_numbers(units, unit_step)),
        row_ticks=tuple(Tick(rows - row + 0.5, str(row)) for row in edge_numbers(rows, row_step)),
        walks=tuple(Tick(rows - row, str(number)) for number, row in enumerate(walks_after, 1)),
    )


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
