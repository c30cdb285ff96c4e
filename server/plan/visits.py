"""The rows that a plan goes through, in order: to weave them, or to take them out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from server.design.piece import Piece
from server.loom.state import State


@dataclass(frozen=True, slots=True)
class Visit:
    """A row's shed raised once, and what is done in it.

    Attributes:
        row: counted from 1.
        before, after: picks of the row that are in before and after.
    """

    row: int
    before: int
    after: int

    @property
    def out(self) -> bool:
        """Whether picks are taken out."""
        return self.after < self.before

    def treadles(self, piece: Piece) -> tuple[int, ...]:
        """One treadle a pick, in the order they are trodden: the last pick comes out first."""
        treadles = piece.treadles(self.row)
        if self.out:
            return treadles[self.after : self.before][::-1]
        return treadles[self.before : self.after]


@dataclass(frozen=True, slots=True)
class Position:
    """How far the cloth is: rows that are in to their last pick, and picks of the next one."""

    row: int
    picks: int = 0


def position_of(state: State) -> Position:
    """How far the cloth is in this state."""
    if state.phase == "raised" and not (state.reopened and not state.picks):
        return Position(state.row - 1, state.picks)
    return Position(state.row, state.picks)


def position_before(piece: Piece, visit: Visit) -> Position:
    """How far the cloth is before a visit."""
    return _position(piece, visit.row, visit.before)


def position_after(piece: Piece, visit: Visit) -> Position:
    """How far the cloth is after a visit."""
    return _position(piece, visit.row, visit.after)


def _position(piece: Piece, row: int, picks: int) -> Position:
    return Position(row) if picks == piece.picks(row) else Position(row - 1, picks)


def way(piece: Piece, row: int, picks: int, to_row: int, to_picks: int = 0) -> tuple[Visit, ...]:
    """The visits from `row` rows and `picks` of the next one to `to_row` rows and `to_picks` of the next one.

    Forwards the rows are woven, backwards they are taken out.

    Raises:
        ValueError: if the piece has no such row or pick, or the way forwards ends within a row: a row that
            is woven is woven to its end.
    """
    here, there = Position(row, picks), Position(to_row, to_picks)
    for position in (here, there):
        _check_position(piece, position)
    if here == there:
        return ()
    if (row, picks) < (to_row, to_picks):
        if to_picks:
            raise ValueError(f"Row {to_row + 1} would be left with {to_picks} picks in; weave it to its end.")
        return tuple(
            Visit(r, picks if r == row + 1 else 0, piece.picks(r)) for r in range(row + 1, to_row + 1)
        )
    rows = range(row + (picks > 0), to_row, -1)
    return tuple(
        Visit(r, picks if r == row + 1 else piece.picks(r), to_picks if r == to_row + 1 else 0) for r in rows
    )


def _check_position(piece: Piece, position: Position) -> None:
    """ValueError unless the cloth of this piece can be so far."""
    if not 0 <= position.row <= len(piece.rows):
        raise ValueError(f"The piece has no row {position.row}; it has {len(piece.rows)}.")
    if position.picks and position.row == len(piece.rows):
        raise ValueError(f"The piece has no row {position.row + 1}; it has {len(piece.rows)}.")
    if position.picks and not 0 < position.picks < piece.picks(position.row + 1):
        most = piece.picks(position.row + 1)
        raise ValueError(f"Row {position.row + 1} has {most} picks; {position.picks} cannot be in of it.")


def check_visits(piece: Piece, start: Position, visits: Sequence[Visit]) -> Position:
    """How far the cloth is after these visits.

    Raises:
        ValueError: if they do not follow from each other, or weave a row in part.
    """
    _check_position(piece, start)
    here = start
    for visit in visits:
        if not 1 <= visit.row <= len(piece.rows):
            raise ValueError(f"The piece has no row {visit.row}; it has {len(piece.rows)}.")
        if position_before(piece, visit) != here:
            raise ValueError(f"Row {visit.row} does not come after row {here.row} and {here.picks} picks.")
        if visit.after == visit.before or not 0 <= visit.after <= piece.picks(visit.row):
            raise ValueError(f"Row {visit.row} cannot go from {visit.before} picks to {visit.after}.")
        if not visit.out and visit.after != piece.picks(visit.row):
            raise ValueError(
                f"Row {visit.row} would be left with {visit.after} picks in; weave it to its end."
            )
        here = position_after(piece, visit)
    return here
