"""A figure and the ground without it: taken out, laid somewhere else, and what would come along by itself.

A figure is a block of rows and units. Where it is taken out the ground closes over it symmetrically. Row by
row the units of a shaft do what most of the other units on that shaft do, those outside of the block. Units
with a single cord of their own are asked only where there are no others, and must then all be lifted. Where
no unit of the shaft is outside, or as many do one thing as the other, and for units that hang on single cords
only, they do what the ground on both sides of the block does, and rest where the two sides differ. So the
ground asks for a temporary only where it did so outside of the block already. At its new place the whole
block is laid over what is there, cells that rest as well as those that are lifted.

`company_of` tells the other thing that a weaver may choose: to weave the figure there without any temporary,
and let its mirror images and repeats come along.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import pairwise

from server.design.piece import Piece
from server.loom.leashes import NO_SHAFT
from server.loom.state import Loom
from server.plan.demands import troubles

ShaftDemand = tuple[tuple[int, bool], ...]
"""Of each unit on a shaft: its column of cells, a bit a row, and whether it has a single cord."""


@dataclass(frozen=True, slots=True, order=True)
class Block:
    """Rows and units of a design, from 1, all included."""

    first_row: int
    last_row: int
    first_unit: int
    last_unit: int

    @classmethod
    def between(cls, row: int, other_row: int, unit: int, other_unit: int) -> Block:
        """The block with these corners, whichever of them is given first."""
        return cls(min(row, other_row), max(row, other_row), min(unit, other_unit), max(unit, other_unit))

    @property
    def rows(self) -> range:
        """Its rows."""
        return range(self.first_row, self.last_row + 1)

    @property
    def units(self) -> range:
        """Its units."""
        return range(self.first_unit, self.last_unit + 1)


@dataclass(frozen=True, slots=True, order=True)
class Move:
    """From where the figure is to where it could be.

    Attributes:
        rows_by: so many rows later; less than 0: earlier.
        units_by: so many units to the right, as seen from the bench; less than 0: to the left.
        mirrored: whether left and right change places within it.
    """

    rows_by: int = 0
    units_by: int = 0
    mirrored: bool = False


STAYS = Move()


@dataclass(frozen=True, slots=True)
class Company:
    """What comes along if the figure is woven at a place without any temporary.

    Attributes:
        repeats: whole ones, besides the figure itself.
        mirror_images: whole ones.
        pieces: whether parts of it come along elsewhere.
        lost: lifted cells drawn elsewhere that would rest.
        spoilt: cells of the figure itself that would come out otherwise.
        is_free: whether nothing is spoilt, and no other row needs a temporary either.
    """

    repeats: int
    mirror_images: int
    pieces: bool
    lost: int
    spoilt: int
    is_free: bool


# --- the figure, and the ground without it -------------------------------------------------------------


def check_block(piece: Piece, block: Block) -> None:
    """ValueError with a sentence where a block is not a figure of this piece."""
    rows, units = len(piece.rows), len(piece.loom.leashes)
    if block.first_row > block.last_row or block.first_unit > block.last_unit:
        raise ValueError("That block is empty: mark at least one row and one unit.")
    if block.first_row < 1 or block.last_row > rows or block.first_unit < 1 or block.last_unit > units:
        raise ValueError(
            f"That block goes over the edge of the design, which has {rows:,} rows and {units:,} units."
        )
    if figure_of(piece, block).ground.rows == piece.rows:
        raise ValueError(
            "There is no figure in that block: without it the ground would be just the same. "
            "Mark the rows and units that are otherwise than their mirror images and repeats."
        )


def without(piece: Piece, block: Block) -> Piece:
    """The piece with the ground closed over a block."""
    rows = list(piece.rows)
    inside = frozenset(block.units)
    for row in block.rows:
        rows[row - 1] = _closed(piece.loom, piece.rows[row - 1], block, inside)
    return replace(piece, rows=tuple(rows))


def _closed(loom: Loom, lifted: frozenset[int], block: Block, inside: frozenset[int]) -> frozenset[int]:
    beside = [unit for unit in (block.first_unit - 1, block.last_unit + 1) if 1 <= unit <= len(loom.leashes)]
    beside_lifted = bool(beside) and lifted.issuperset(beside)
    found = set(lifted - inside)
    if beside_lifted:
        found |= {unit for unit in inside if loom.leashes[unit - 1] == NO_SHAFT}
    for units in loom.units_by_shaft.values():
        outside = units - inside
        if asked := outside - loom.single_cords:
            more = 2 * len(asked & lifted) - len(asked)
        else:  # cords lift one by one: to lift some of these asks nothing of the shaft
            more = 0 if not outside else 1 if outside <= lifted else -1
        if more > 0 or (more == 0 and beside_lifted):
            found |= units & inside
    return frozenset(found)


def suggested_block(piece: Piece) -> Block | None:
    """The block that holds what the loom cannot lift as it hangs; None where it can lift all.

    Of a shaft's units the figure is in those that are fewer: lifted where most rest, or resting where most
    are lifted. Where they are as many, in those that are nearer to the rest of it.
    """
    loom = piece.loom
    sure: list[tuple[int, frozenset[int]]] = []
    even: list[tuple[int, frozenset[int], frozenset[int]]] = []
    for trouble in troubles(piece):
        for shaft, asked in trouble.asked.items():
            other = loom.units_of(shaft) - asked
            if len(asked) == len(other):
                even.append((trouble.row, asked, other))
            else:
                sure.append((trouble.row, min(asked, other, key=len)))
    if not sure:
        sure = [(row, asked) for row, asked, _ in even]
    if not sure:
        return None
    first, last = _edges(sure)

    def reach(units: frozenset[int]) -> int:
        return max(max(units), last) - min(min(units), first)

    found = sure + [(row, min((asked, other), key=reach)) for row, asked, other in even]
    rows = [row for row, _ in found]
    return Block(min(rows), max(rows), *_edges(found))


def _edges(found: list[tuple[int, frozenset[int]]]) -> tuple[int, int]:
    return min(min(units) for _, units in found), max(max(units) for _, units in found)


# --- the figure somewhere else -------------------------------------------------------------------------


def moved(piece: Piece, block: Block, move: Move) -> Piece:
    """The piece with a figure moved.

    Raises:
        ValueError: with a sentence, if there is no figure in the block, or it would go off the cloth.
    """
    check_block(piece, block)
    check_on_cloth(piece, block, move)
    return figure_of(piece, block).at(move)


@lru_cache(maxsize=4)
def figure_of(piece: Piece, block: Block) -> Figure:
    """The figure in a block; a page asks for the same one several times."""
    return Figure(piece, block)


def check_on_cloth(piece: Piece, block: Block, move: Move) -> None:
    rows, units = len(piece.rows), len(piece.loom.leashes)
    for by, room, there, far in (
        (-move.units_by, block.first_unit - 1, "to its left", "unit"),
        (move.units_by, units - block.last_unit, "to its right", "unit"),
        (-move.rows_by, block.first_row - 1, "before it", "row"),
        (move.rows_by, rows - block.last_row, "after it", "row"),
    ):
        if by > room:
            only = f"only {room:,} {far}{'' if room == 1 else 's'}" if room else f"no {far}"
            verb = "is" if room == 1 or not room else "are"
            raise ValueError(
                f"Moved by {by:,}, the figure would go off the cloth: there {verb} {only} {there}."
            )


def laid(block: Block, move: Move) -> Block:
    """Where a block lies after a move."""
    return Block(
        block.first_row + move.rows_by,
        block.last_row + move.rows_by,
        block.first_unit + move.units_by,
        block.last_unit + move.units_by,
    )


class Figure:
    """A figure and the ground without it, ready to be laid somewhere."""

    def __init__(self, piece: Piece, block: Block) -> None:
        self.piece, self.block = piece, block
        self.ground = without(piece, block)
        self._cells = [
            frozenset(unit - block.first_unit for unit in piece.rows[row - 1] if unit in block.units)
            for row in block.rows
        ]
        self._width = len(block.units)

    def cells(self, move: Move) -> dict[int, frozenset[int]]:
        """Per row of the place, the units of the figure that are lifted there."""
        lies, last = laid(self.block, move), self._width - 1
        return {
            row: frozenset(lies.first_unit + (last - place if move.mirrored else place) for place in cells)
            for row, cells in zip(lies.rows, self._cells, strict=True)
        }

    def at(self, move: Move) -> Piece:
        """The piece with the figure laid there."""
        under = frozenset(laid(self.block, move).units)
        rows = list(self.ground.rows)
        for row, cells in self.cells(move).items():
            rows[row - 1] = (rows[row - 1] - under) | cells
        return replace(self.piece, rows=tuple(rows))

    @cached_property
    def own_columns(self) -> tuple[int, int]:
        """The first and last of the block's units, from 0, that are otherwise than the ground."""
        differ = [
            unit - self.block.first_unit
            for row in self.block.rows
            for unit in self.piece.rows[row - 1] ^ self.ground.rows[row - 1]
        ]
        return min(differ), max(differ)

    def window(self, move: Move) -> tuple[int, int]:
        """The first and last unit of the figure proper at a place, without ground at the block's edges."""
        first, last = self.own_columns
        if move.mirrored:
            first, last = self._width - 1 - last, self._width - 1 - first
        start = self.block.first_unit + move.units_by
        return start + first, start + last

    @cached_property
    def same_mirrored(self) -> bool:
        """Whether the block is its own mirror image."""
        return self.at(Move(mirrored=True)).rows == self.piece.rows

    @cached_property
    def _ground_columns(self) -> list[int]:
        columns = [0] * (len(self.piece.loom.leashes) + 1)
        for row, cells in enumerate(self.ground.rows):
            for unit in cells:
                columns[unit] |= 1 << row
        return columns

    @cached_property
    def _columns(self) -> list[int]:
        return [
            sum(1 << row for row, cells in enumerate(self._cells) if place in cells)
            for place in range(self._width)
        ]

    def columns(self, move: Move) -> list[int]:
        """Per unit (from 1) its column of cells with the figure laid there: a bit a row, the first lowest."""
        lies, columns = laid(self.block, move), list(self._ground_columns)
        under = rows_of_bits(lies)
        figure = reversed(self._columns) if move.mirrored else self._columns
        for unit, cells in zip(lies.units, figure, strict=True):
            columns[unit] = columns[unit] & ~under | cells << (lies.first_row - 1)
        return columns

    def demands(self, move: Move) -> dict[int, ShaftDemand]:
        """Per shaft what a place asks of it over all rows: the columns of its units, in no order.

        Of units that hang on no shaft (0) only the number of their lifted cells counts.
        """
        loom, columns = self.piece.loom, self.columns(move)
        hung: dict[int, list[tuple[int, bool]]] = {NO_SHAFT: []}
        for unit, shaft in enumerate(loom.leashes, 1):
            hung.setdefault(shaft, []).append((columns[unit], unit in loom.single_cords))
        own = sum(cells.bit_count() for cells, _ in hung.pop(NO_SHAFT))
        return {NO_SHAFT: ((own, True),)} | {shaft: tuple(sorted(units)) for shaft, units in hung.items()}

    def covered(self, move: Move) -> int:
        """Lifted cells outside of the figure's own place that would rest, as it is laid over them."""
        lies, block = laid(self.block, move), self.block
        return sum(
            unit in lies.units and not (row in block.rows and unit in block.units)
            for row, cells in self.cells(move).items()
            for unit in self.ground.rows[row - 1] - cells
        )

    @cached_property
    def ground_troubles(self) -> list[tuple[int, frozenset[int]]]:
        """Per row that needs a temporary without the figure, the shafts of which it asks a part."""
        return [(trouble.row, frozenset(trouble.asked)) for trouble in troubles(self.ground)]


# --- what comes along ----------------------------------------------------------------------------------


def with_company(piece: Piece, block: Block, move: Move) -> Piece:
    """The piece as it comes out if the figure is laid there and no temporary is put in for it.

    Where a row of the figure can be lifted as it is asked, it is. Of the shafts that could lift only a part,
    those on which the figure lifts a unit without a cord of its own are lifted whole; the others rest, and
    cords lift what they can. Shafts that no unit of the block hangs on do what they do.
    """
    check_on_cloth(piece, block, move)
    figure = figure_of(piece, block)
    together, rows = _together(figure, move, figure.columns(move)), list(figure.at(move).rows)
    for row in laid(block, move).rows:
        lifted = frozenset(unit for unit, cells in together.items() if cells >> (row - 1) & 1)
        rows[row - 1] = rows[row - 1].difference(together) | lifted
    return replace(piece, rows=tuple(rows))


def _together(figure: Figure, move: Move, alone: list[int]) -> dict[int, int]:
    """The columns of all units whose shafts a unit of the block hangs on, as `with_company` tells.

    Args:
        alone: the columns with the figure laid there.
    """
    loom, lies = figure.piece.loom, laid(figure.block, move)
    under, found = rows_of_bits(lies), {}
    for shaft in _shafts_under(loom, lies):
        units = loom.units_of(shaft)
        parts = rows_in_part([(alone[unit], unit in loom.single_cords) for unit in units]) & under
        whole = 0
        for unit in units - loom.single_cords:
            if unit in lies.units:
                whole |= alone[unit] & parts
        for unit in units:
            stays = ~parts | (parts & ~whole if unit in loom.single_cords else 0)
            found[unit] = alone[unit] & stays | whole
    return found


def rows_of_bits(block: Block) -> int:
    """A bit for each row of a block."""
    return ((1 << len(block.rows)) - 1) << (block.first_row - 1)


def rows_in_part(columns: Iterable[tuple[int, bool]]) -> int:
    """The rows that need a temporary on a shaft: `needs_temporary` of all rows at once, a bit each.

    Args:
        columns: of each unit of the shaft, and whether it has a single cord.
    """
    some, all_lifted = 0, -1
    for cells, is_corded in columns:
        some |= 0 if is_corded else cells
        all_lifted &= cells
    return some & ~all_lifted


def _shafts_under(loom: Loom, lies: Block) -> frozenset[int]:
    return frozenset(loom.leashes[unit - 1] for unit in lies.units) - {NO_SHAFT}


def company_of(figure: Figure, move: Move) -> Company:
    """What comes along at a place on the cloth if no temporary is put in."""
    loom, lies, alone = figure.piece.loom, laid(figure.block, move), figure.columns(move)
    together = _together(figure, move, alone)
    spoilt = sum((together[unit] ^ alone[unit]).bit_count() for unit in lies.units if unit in together)
    beside = [(unit, alone[unit], cells) for unit, cells in together.items() if unit not in lies.units]
    elsewhere = frozenset(unit for unit, drawn, comes in beside if comes & ~drawn)
    # what the closure did not put right: other rows, and shafts that no unit of the block hangs on
    left = any(
        row not in lies.rows or shafts - _shafts_under(loom, lies) for row, shafts in figure.ground_troubles
    )
    repeats = mirror_images = 0
    covered: set[int] = set()
    first, last = figure.window(move)
    for start, mirrored in _same_leashes(loom, first, last):
        copy = frozenset(range(start, start + last - first + 1))
        if copy & elsewhere:
            covered |= copy
            repeats, mirror_images = repeats + (not mirrored), mirror_images + mirrored
    return Company(
        repeats,
        mirror_images,
        pieces=bool(elsewhere - covered),
        lost=sum((drawn & ~comes).bit_count() for _, drawn, comes in beside),
        spoilt=spoilt,
        is_free=not spoilt and not left,
    )


def _same_leashes(loom: Loom, first: int, last: int) -> Iterator[tuple[int, bool]]:
    """Where else the same shafts follow in the same order: first unit, and whether the other way round."""
    order = loom.leashes[first - 1 : last]
    if NO_SHAFT in order:
        return
    width = len(order)
    for start in range(1, len(loom.leashes) - width + 2):
        other = loom.leashes[start - 1 : start - 1 + width]
        if start == first:
            continue
        if other == order:
            yield start, False
        elif other == order[::-1]:
            yield start, True


@dataclass(frozen=True, slots=True)
class Where:
    """How units lie in the leash order.

    Attributes:
        run: first and last unit of the straight run that they are in; None: they go over its end.
        turns: turning points that they go over, each with its first and last unit; one unit if hung once.
        ends_turn: whether the run ends in a turning point, at its left and at its right.
    """

    run: tuple[int, int] | None
    turns: tuple[tuple[int, int], ...]
    ends_turn: tuple[bool, bool] = (False, False)


def where_in_order(loom: Loom, first: int, last: int) -> Where:
    """How units first … last lie in the leash order."""
    runs = _straight_runs(loom)
    turns = [
        (one[1], other[0])
        for one, other in pairwise(runs)
        if one[2] == -other[2] != 0 and loom.leashes[one[1] - 1] == loom.leashes[other[0] - 1]
    ]
    for start, end, _ in runs:
        if start <= first and last <= end:
            left, right = any(start == turn[1] for turn in turns), any(end == turn[0] for turn in turns)
            return Where((start, end), (), (left, right))
    # a turning point that is hung once belongs to the runs on both sides of it
    over = [
        (left, right)
        for left, right in turns
        if first <= left - (left == right) and right < last + (left < right)
    ]
    return Where(None, tuple(over))


def figure_units(piece: Piece, block: Block, move: Move) -> tuple[int, int]:
    """The first and last unit of the figure proper at a place, without ground at the block's edges."""
    return figure_of(piece, block).window(move)


def _straight_runs(loom: Loom) -> list[tuple[int, int, int]]:
    """First and last unit of each stretch whose shafts follow one another, and which way: 1, -1, or 0."""
    runs: list[tuple[int, int, int]] = []
    start, way = 1, 0
    for unit in range(2, len(loom.leashes) + 1):
        one, other = loom.leashes[unit - 2], loom.leashes[unit - 1]
        step = other - one if NO_SHAFT not in (one, other) and abs(other - one) == 1 else 0
        if step and step in (way, way or step):
            way = step
            continue
        runs.append((start, unit - 1, way))
        # where the order turns, the turning point belongs to the runs on both sides
        start, way = (unit - 1, step) if step else (unit, 0)
    runs.append((start, len(loom.leashes), way))
    return runs
