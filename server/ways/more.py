"""What one more buys: minutes and walks with more spare shafts and spare handles, or fewer.

A loom with more of both can do whatever one with fewer can. So of two looms the richer never takes more
minutes, nor more walks for as many minutes; and an order that uses no more than a poorer loom has is the best
for that one, too. Most cells of the table follow from others that way, and the rest begin from them.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter

from server.design.piece import Piece
from server.plan.demands import Twin
from server.plan.planner import CLOSE, Lack, Stopped
from server.plan.schedule import BARE, Standing
from server.plan.task import whole_task
from server.ways.looms import Looms, Numbers, Planned
from server.ways.rest import TaskOf, rest_asked
from server.ways.seconds import seconds_in

if TYPE_CHECKING:  # questions knows this module
    from server.ways.questions import Tell

MOST_SHAFTS, MOST_HANDLES = 40, 20
"""Beyond it the table is larger than anybody reads."""

MOST_SECONDS = 600.0

SHAFTS_FIELD, HANDLES_FIELD = "Spare shafts, up to", "Spare handles, up to"
"""What she is asked for, as the page has it on its labels."""


@dataclass(frozen=True, slots=True)
class Cell:
    """What the piece takes on a loom with so many spare shafts and spare handles.

    Attributes:
        minutes: of changing and pulling; None where there is no plan, or nobody knows yet.
        at_least: no plan takes fewer minutes.
        walks: the fewest with those minutes.
        is_possible: False where no plan exists.
    """

    minutes: float | None
    at_least: float
    walks: int | None
    is_possible: bool

    @property
    def is_exact(self) -> bool:
        """Whether no plan takes fewer minutes than these."""
        return self.minutes is not None and self.minutes <= self.at_least + CLOSE

    def is_as(self, other: Cell) -> bool:
        """Whether both take as many minutes and walks, or there is no plan for either."""
        if self.minutes is None or other.minutes is None:
            return self.minutes is other.minutes and self.is_possible == other.is_possible
        return abs(self.minutes - other.minutes) <= CLOSE and self.walks == other.walks


@dataclass(frozen=True, slots=True)
class More:
    """The table.

    Attributes:
        own: spare shafts and spare handles of the weaver's loom, as far as they can be of use.
        in_use: those that what stands in the loom takes now; with fewer there is no way on.
        rows: per number of spare shafts from 0 on a row, and in it per number of spare handles a cell.
    """

    own: Numbers
    rows: tuple[tuple[Cell, ...], ...]
    in_use: Numbers = (0, 0)

    @property
    def own_cell(self) -> Cell:
        """What it takes on her loom."""
        return self.rows[self.own[0]][self.own[1]]

    @property
    def by_shafts(self) -> tuple[Cell, ...]:
        """With 0, 1, … spare shafts, and her spare handles."""
        return tuple(row[self.own[1]] for row in self.rows)

    @property
    def by_handles(self) -> tuple[Cell, ...]:
        """With 0, 1, … spare handles, and her spare shafts."""
        return self.rows[self.own[0]]


_MORE = TypeAdapter(More)


def as_json(found: More) -> dict[str, Any]:
    """An answer as plain JSON."""
    content: dict[str, Any] = _MORE.dump_python(found, mode="json")
    return content


def from_json(content: dict[str, Any]) -> More:
    """Read what `as_json` made. ValueError if it is something else."""
    return _MORE.validate_python(content)


def answer_more(piece: Piece, options: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """The answer to the question “more”, as `server.ways.questions` has it.

    Args:
        options: `shafts` and `handles`, the most of each in the table; `limit`: seconds (60); `here`: the
            state from which on it is asked.

    Raises:
        ValueError: with a sentence, if these are no options.
    """
    limit = seconds_in(options, 60.0, MOST_SECONDS)
    rest = rest_asked(piece, options)
    shafts, handles = options.get("shafts"), options.get("handles")
    return as_json(more(rest.piece, shafts, handles, limit=limit, tell=tell, task_of=rest.task))


# --- how large it can be -------------------------------------------------------------------------------


def most_temporaries(piece: Piece, stands: Standing = BARE) -> int:
    """So many temporaries at once could be of use; more spare shafts, or spare handles, never are.

    A temporary takes some units of its shaft and not all, and two with the same units are never worth having
    (DEVELOPERS.md, "Candidates"). So a shaft with u units takes at most 2^u − 2, if the loom lets it; and
    those that stand twice already.
    """
    loom, twins = piece.loom, Counter(shaft for shaft, part in stands.inside if isinstance(part, Twin))
    return sum(
        min(loom.temporaries_per_shaft, 2 ** len(units) - 2 + twins[shaft])
        for shaft, units in loom.units_by_shaft.items()
    )


def own_numbers(piece: Piece, stands: Standing = BARE) -> Numbers:
    """What the weaver's loom has, as far as it can be of use: a spare handle lifts one temporary.

    Args:
        stands: what stands in the loom.
    """
    shafts = min(piece.loom.spare_shafts, most_temporaries(piece, stands))
    return shafts, min(piece.loom.spare_handles, shafts)


def usual_numbers(piece: Piece, stands: Standing = BARE) -> Numbers:
    """How far the table goes if she says nothing: two more than her loom has of each."""
    own = own_numbers(piece, stands)
    shafts = min(own[0] + 2, most_temporaries(piece, stands))
    return shafts, min(own[1] + 2, shafts)


def check_numbers(piece: Piece, shafts: object, handles: object, *, stands: Standing = BARE) -> Numbers:
    """How far the table shall go.

    Raises:
        ValueError: with a sentence, if that is no number, or it would be larger than the loom could hold.
    """
    most, own = most_temporaries(piece, stands), own_numbers(piece, stands)
    if own[0] > MOST_SHAFTS or own[1] > MOST_HANDLES:
        raise ValueError(
            f"Your loom has more than {MOST_SHAFTS} spare shafts or {MOST_HANDLES} spare handles to use; "
            "that is more than this table shows."
        )
    for number, field in ((shafts, SHAFTS_FIELD), (handles, HANDLES_FIELD)):
        if not isinstance(number, int) or isinstance(number, bool) or number < 0:
            raise ValueError(f"“{field}” takes whole numbers from 0 on.")
    assert isinstance(shafts, int)
    assert isinstance(handles, int)
    if shafts > most:
        raise ValueError(
            f"“{SHAFTS_FIELD}” is too many. "
            f"This loom can use at most {_counted(most, 'spare shaft')}: a shaft holds at most "
            f"{_counted(piece.loom.temporaries_per_shaft, 'temporary', 'temporaries')}, and fewer are of use "
            "on one with few units."
        )
    if handles > shafts:
        raise ValueError(
            f"“{HANDLES_FIELD}” is too many. A spare handle lifts one temporary, so "
            f"with up to {_counted(shafts, 'spare shaft')}, at most {_counted(shafts, 'spare handle')} "
            f"{'is' if shafts == 1 else 'are'} of use."
        )
    if shafts > MOST_SHAFTS or handles > MOST_HANDLES:
        raise ValueError(
            f"“{SHAFTS_FIELD if shafts > MOST_SHAFTS else HANDLES_FIELD}” is too many. "
            f"The table shows at most {MOST_SHAFTS} spare shafts and {MOST_HANDLES} spare handles."
        )
    if shafts < own[0] or handles < own[1]:
        raise ValueError(
            f"“{SHAFTS_FIELD if shafts < own[0] else HANDLES_FIELD}” is too few. "
            "Your own loom must be in the table: at least "
            f"{_counted(own[0], 'spare shaft')} and {_counted(own[1], 'spare handle')}."
        )
    return shafts, handles


def _counted(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


# --- the table -----------------------------------------------------------------------------------------


def more(
    piece: Piece,
    shafts: object,
    handles: object,
    *,
    limit: float = 60.0,
    tell: Tell | None = None,
    task_of: TaskOf = whole_task,
) -> More:
    """Minutes and walks with 0 … `shafts` spare shafts and 0 … `handles` spare handles.

    Args:
        task_of: what is to be planned of the piece on a loom; the same is in use at its start on each.
        limit: seconds for all of it; minutes are then at most so many where they are not `Cell.is_exact`.

    Raises:
        ValueError: with a sentence, if the table would make no sense: see `check_numbers`.
    """
    stands = task_of(piece).begin
    in_use = len(stands.inside), len(stands.spare)
    most_shafts, most_handles = check_numbers(piece, shafts, handles, stands=stands)
    stop = None if tell is None else tell.is_enough
    table = _Table(Looms(piece, stop, task_of), most_shafts, most_handles, in_use)
    until = time.monotonic() + limit
    while (at := table.next_one()) is not None:
        left, open_ones = until - time.monotonic(), table.open_ones()
        if left <= 0 or (stop is not None and stop()):
            break
        if tell is not None:
            done = table.size - open_ones
            tell(f"{done} of {table.size} looms worked out", done / table.size)
        try:
            table.solve(at, min(left, max(MANY_TIMES * left / open_ones, SHORTEST)))
        except Stopped:  # or the time for this loom was up
            continue
    return More(
        own_numbers(piece, stands),
        tuple(
            tuple(table.cell((n, min(m, n))) for m in range(most_handles + 1)) for n in range(most_shafts + 1)
        ),
        in_use,
    )


MANY_TIMES, SHORTEST = 4, 0.5
"""A cell may take so many times its share of the time, and at least so many seconds."""


def _suffices(richer: Numbers, poorer: Numbers) -> bool:
    return richer[0] >= poorer[0] and richer[1] >= poorer[1]


class _Table:
    """What is known of all looms. One with more spare handles than spare shafts is not among them.

    Nor is one with fewer of both than are in use.
    """

    def __init__(self, looms: Looms, most_shafts: int, most_handles: int, in_use: Numbers) -> None:
        self._looms, self._in_use = looms, in_use
        self._solved: list[Planned] = []
        self._impossible: list[Numbers] = []
        self._tried: set[Numbers] = set()
        every = _in_order(most_shafts, most_handles)
        self._waiting = [at for at in every if _suffices(at, in_use)]
        self.size = len(self._waiting)

    def next_one(self) -> Numbers | None:
        """A loom that is to be planned for."""
        self._waiting = [at for at in self._waiting if not self._is_settled(at)]
        return self._waiting[0] if self._waiting else None

    def open_ones(self) -> int:
        """How many looms nothing is sure of."""
        return len(self._waiting)

    def solve(self, at: Numbers, seconds: float) -> None:
        """Plan for a loom; an order for a poorer one that is known is where that begins."""
        self._tried.add(at)
        found = self._looms.plan(
            at,
            limit=seconds,
            known=self._best(at),
            at_least=self._at_least(at),
        )
        if isinstance(found, Lack):
            if found.is_sure:
                self._impossible.append(at)
        else:
            self._solved.append(found)

    def cell(self, at: Numbers) -> Cell:
        """What is known of a loom."""
        best = self._best(at)
        if best is None:
            return Cell(None, self._at_least(at), None, is_possible=not self._is_impossible(at))
        return Cell(best.minutes, min(self._at_least(at), best.minutes), best.walks, is_possible=True)

    def _is_settled(self, at: Numbers) -> bool:
        if at in self._tried or self._is_impossible(at):
            return True
        best = self._best(at)
        return best is not None and any(
            _suffices(other.at, at)
            and other.is_exact
            and abs(other.minutes - best.minutes) <= CLOSE
            and other.walks == best.walks
            for other in self._solved
        )

    def _is_impossible(self, at: Numbers) -> bool:
        return not _suffices(at, self._in_use) or any(_suffices(richer, at) for richer in self._impossible)

    def _best(self, at: Numbers) -> Planned | None:
        """The best of the orders known that this loom can carry out."""
        can = [solved for solved in self._solved if _suffices(at, solved.uses)]
        return min(can, key=lambda solved: (round(solved.minutes, 6), solved.walks), default=None)

    def _at_least(self, at: Numbers) -> float:
        """No plan for this loom takes fewer minutes, since none for a richer one does."""
        return max((s.at_least for s in self._solved if _suffices(s.at, at)), default=0.0)


def _in_order(most_shafts: int, most_handles: int) -> Iterator[Numbers]:
    """All looms, in the order in which they are best planned for.

    From the richest on, since an order for it often is one for poorer looms, too; and each beside one before.
    Those without spare handles are another program, and come first: they take least time.
    """
    for shafts in range(most_shafts, -1, -1):
        yield shafts, 0
    for shafts in range(most_shafts, 0, -1):
        for handles in range(min(most_handles, shafts), 0, -1):
            yield shafts, handles
