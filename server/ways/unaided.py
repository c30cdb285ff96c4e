"""Without any temporary: the nearest design that the loom weaves as it hangs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from server.design.piece import Piece
from server.loom.state import Loom
from server.plan.demands import Part, troubles


@dataclass(frozen=True, slots=True)
class Changed:
    """A cell that is otherwise than drawn, and whether it is lifted now."""

    row: int
    unit: int
    lifted: bool


def turned_over(piece: Piece, cells: Iterable[tuple[int, int]]) -> tuple[Changed, ...]:
    """Cells, each by row and unit, once they are otherwise than the piece has them."""
    return tuple(Changed(row, unit, unit not in piece.rows[row - 1]) for row, unit in cells)


@dataclass(frozen=True, slots=True)
class Stuck:
    """A row in which the cells that stay leave a shaft nothing that it can do as it hangs."""

    row: int
    shaft: int


@dataclass(frozen=True, slots=True)
class Unaided:
    """The nearest design that needs no temporary.

    Attributes:
        rows: per row the units lifted; as drawn where something is stuck.
        changed: the cells that differ, by row and unit. No design without temporaries differs in fewer.
        even: rows and shafts in which it was even: whole and down change as many cells.
        stuck: where the cells that stay leave none; then there is no such design.
        pulls: handles and single cords up, summed over its rows; 0 where something is stuck.
    """

    rows: tuple[frozenset[int], ...]
    changed: tuple[Changed, ...]
    even: int
    stuck: tuple[Stuck, ...]
    pulls: int

    @property
    def leaves_nothing(self) -> bool:
        """Whether it comes about by leaving down everything that needs a temporary: nothing of it is left."""
        return bool(self.changed) and not any(cell.lifted for cell in self.changed)


def unaided(piece: Piece, fixed: Mapping[int, Part] | None = None, *, even_whole: bool = False) -> Unaided:
    """The nearest design that the loom weaves as it hangs: the fewest changed cells, in closed form.

    Row by row and shaft by shaft, what the loom can do is little: the shaft stays down and lifts those of its
    units that have single cords, any of them; or it is lifted whole. With P asked, W on the shaft and C on
    cords, the first changes P − C, the second W − P, and nothing in a row depends on another. Where that is
    even, the shaft does as in the row before, so that edges run on. In the first row of a band it stays down:
    so a band comes out the same each time.

    Args:
        fixed: per row, the units whose cells stay as they are.
        even_whole: where it is even, lift the shaft whole, whatever it did before: as near, and mirror images
            and repeats come along.
    """
    nothing, begin = Part(), _first_rows(piece)
    rows = list(piece.rows)
    stuck: list[Stuck] = []
    even = 0
    for trouble in troubles(piece):
        row, lifted = trouble.row, piece.rows[trouble.row - 1]
        before = nothing if row == 1 or row in begin else rows[row - 2]
        stays = (fixed or {}).get(row, nothing)
        for shaft, asked in trouble.asked.items():
            units = piece.loom.units_of(shaft)
            down, whole = asked - piece.loom.single_cords, units - asked
            may_down, may_whole = stays.isdisjoint(down), stays.isdisjoint(whole)
            if not (may_down or may_whole):
                stuck.append(Stuck(row, shaft))
                continue
            is_even = may_down and may_whole and len(down) == len(whole)
            is_nearer = may_whole and (not may_down or len(whole) < len(down))
            even += is_even
            goes_up = (even_whole or units <= before) if is_even else is_nearer
            lifted = lifted | whole if goes_up else lifted - down
        rows[row - 1] = lifted
    if stuck:
        return Unaided(piece.rows, (), even, tuple(stuck), 0)
    changed = turned_over(
        piece,
        (
            (row, unit)
            for row, (old, new) in enumerate(zip(piece.rows, rows, strict=True), 1)
            for unit in sorted(old ^ new)
        ),
    )
    pulls = sum(times * pulls_as_it_hangs(piece.loom, row) for row, times in Counter(rows).items())
    return Unaided(tuple(rows), changed, even, (), pulls)


def pulls_as_it_hangs(loom: Loom, cells: Part) -> int:
    """Handles and single cords that lift a row without any temporary.

    Args:
        cells: the units to be lifted; the loom must be able to.
    """
    pulls = len(cells)
    for units in loom.units_by_shaft.values():
        if units <= cells:  # by the shaft, in one pull; all else by cords
            pulls -= len(units) - 1
    return pulls


def _first_rows(piece: Piece) -> set[int]:
    """The first row of each band, each time that it is woven."""
    found, row = set[int](), 1
    for band in piece.bands:
        for _ in range(band.times):
            found.add(row)
            row += band.rows
    return found
