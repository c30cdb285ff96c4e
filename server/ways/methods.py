"""Other methods than temporary shafts, with their figures; and the plain advice.

What nobody has measured is a guess from memory (`Assumptions`), which the weaver replaces by her own. Where
the advice changes is our own judgement; it stands in the constants below, and nowhere else.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import AfterValidator, Field, TypeAdapter, ValidationError

from server.design.piece import Piece
from server.plan.demands import troubles
from server.plan.planner import Lack, Stopped, cheapest
from server.plan.replay import verify
from server.plan.task import whole_task
from server.plan.workorder import Totals
from server.ways.seconds import up_after
from server.ways.unaided import pulls_as_it_hangs, unaided

if TYPE_CHECKING:  # questions knows this module
    from server.ways.questions import Tell

# --- our own judgement: where temporary shafts begin to be the wrong method ------------------------------

ROWS_TO_A_WALK = 8
"""Fewer rows to a walk, on average, and there is no rhythm left in the weaving …"""
FEW_WALKS = 5
"""… if there are more walks than these: so many one gets over, in however few rows."""
MOST_MINUTES_A_ROW = 3.0
"""Of changing, on average over the rows. Beyond it, changing takes about as long as weaving."""
MOST_BY_HAND = 4
"""Units that are picked up by hand for one pick; with more the shed is not clean, and one goes wrong."""
MOST_PICKS_BY_HAND = 120
"""Picks for which units are picked up by hand, in all."""

MOST_ROWS_IN_A_SET = 2_000
"""Rows of all copies together that are planned in a row."""

MOST_CORD_MINUTES, MOST_HAND_MINUTES = 600, 60
MOST_WEAVINGS = 10_000
FEWEST_COPIES, MOST_COPIES = 2, 100
MOST_SECONDS = 600.0
MOST_PLAN_MINUTES = 1e12
"""Of a plan; beyond it, sums of minutes could no longer be told apart."""


@dataclass(frozen=True, slots=True)
class Assumptions:
    """What only the weaver knows. The minutes are a guess from memory. Read from outside, it is in bounds.

    Attributes:
        cord: minutes to string one single draw cord.
        hand: minutes to pick up one unit by hand, for one pick.
        weavings: how often the piece will be woven.
        copies: how many of it would be woven in a row, on one warp; see `copies_for`.
    """

    cord: Annotated[float, Field(ge=0, le=MOST_CORD_MINUTES)] = 10.0
    hand: Annotated[float, Field(ge=0, le=MOST_HAND_MINUTES)] = 0.1
    weavings: Annotated[int, Field(ge=1, le=MOST_WEAVINGS)] = 1
    copies: Annotated[int, Field(ge=FEWEST_COPIES, le=MOST_COPIES)] = FEWEST_COPIES


def copies_for(weavings: int) -> int:
    """How many would be woven in a row, unless she says otherwise: as many as she will weave."""
    return min(max(weavings, FEWEST_COPIES), MOST_COPIES)


@dataclass(frozen=True, slots=True)
class Cords:
    """Single draw cords for the units that the loom cannot lift alone.

    Attributes:
        units: those to be strung, ascending: no fewer do, and all of them are enough.
        stringing: minutes, once.
        pulls: handles and single cords up, over all rows of one weaving.
        minutes: for these pulls.
        most_at_once: single cords up in one row, at most, those that are there already among them.
        pays_from: from so many weavings on it takes fewer minutes than the plan each time; None: never.
    """

    units: tuple[int, ...]
    stringing: float
    pulls: int
    minutes: float
    most_at_once: int
    pays_from: int | None


@dataclass(frozen=True, slots=True)
class ByHand:
    """The units that the loom cannot lift, picked up by hand at each pick; all else as it hangs.

    Attributes:
        rows: how many rows have any.
        picks: picks of these rows.
        units: units picked up, summed over these picks.
        most: units for one pick, at most.
        minutes: for picking up, and for the pulls of all rows.
        is_few: whether it is sensible (`MOST_BY_HAND`, `MOST_PICKS_BY_HAND`).
    """

    rows: int
    picks: int
    units: int
    most: int
    minutes: float
    is_few: bool


Verdict = Literal["nothing needed", "temporaries", "by hand", "wrong method"]

Reason = Literal["cords cost less", "no rhythm", "changing outweighs"]


@dataclass(frozen=True, slots=True)
class Advice:
    """What we would say to her.

    Attributes:
        verdict: "wrong method": temporary shafts are not the method for this.
        reasons: why they are the wrong one.
    """

    verdict: Verdict
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True)
class Methods:
    """The other methods that can be told without a plan.

    Attributes:
        plan: what the plan with temporary shafts takes, once.
        changed: cells that the nearest design without any temporary changes.
        leaves_nothing: whether nothing of what needs a temporary is left in that design.
        unaided: minutes for the pulls of that design.
    """

    plan: Totals
    cords: Cords
    by_hand: ByHand
    changed: int
    leaves_nothing: bool
    unaided: float
    advice: Advice


def methods(piece: Piece, totals: Totals, assumed: Assumptions = Assumptions()) -> Methods:
    """The other methods beside a plan of the piece.

    Args:
        totals: what that plan takes.
    """
    cords, by_hand, counts = single_cords(piece, totals, assumed), picked_up(piece, assumed), _counts(piece)
    return Methods(
        totals,
        cords,
        by_hand,
        counts.changed,
        counts.leaves_nothing,
        float(_exact(piece.minutes.pull) * counts.unaided_pulls),
        advice(piece, totals, cords, by_hand, assumed),
    )


@dataclass(frozen=True, slots=True)
class _Counts:
    """What can be counted of a piece whatever anything takes: see `Cords`, `ByHand` and `Methods`."""

    cords: tuple[int, ...]
    cord_pulls: int
    most_at_once: int
    hand_pulls: int
    changed: int
    leaves_nothing: bool
    unaided_pulls: int


@lru_cache(maxsize=8)
def _counts(piece: Piece) -> _Counts:
    """Counted once for a piece, and in it once for rows that are alike: she changes only what things take."""
    by_row = lacking(piece)
    wanted = frozenset[int]().union(*by_row.values())
    strung = replace(piece.loom, single_cords=piece.loom.single_cords | wanted)
    lacks = {piece.rows[row - 1]: units for row, units in by_row.items()}
    rows, nearest = Counter(piece.rows), unaided(piece)
    return _Counts(
        tuple(sorted(wanted)),
        sum(times * pulls_as_it_hangs(strung, cells) for cells, times in rows.items()),
        max(_cords_up(piece, strung.single_cords, cells) for cells in rows),
        sum(
            times * pulls_as_it_hangs(piece.loom, cells - lacks.get(cells, frozenset()))
            for cells, times in rows.items()
        ),
        len(nearest.changed),
        nearest.leaves_nothing,
        nearest.pulls,
    )


def single_cords(piece: Piece, totals: Totals, assumed: Assumptions) -> Cords:
    """What single draw cords would take.

    A row that asks a part P of a shaft is lifted without a temporary only by the cords of all of P (the whole
    shaft would lift too much, and cords hold nothing down). So every unit of such a part must be on a cord,
    and that is enough: the set is the smallest, and the cheapest, and there is no other as small.
    """
    counts = _counts(piece)
    stringing = _exact(assumed.cord) * len(counts.cords)
    each = _exact(piece.minutes.pull) * counts.cord_pulls
    return Cords(
        counts.cords,
        float(stringing),
        counts.cord_pulls,
        float(each),
        counts.most_at_once,
        pays_from(stringing, _exact(totals.minutes) - each),
    )


def pays_from(once: Fraction, saved_each_time: Fraction) -> int | None:
    """The smallest number of times n, from 1, with n × saved > once; None: there is none."""
    if saved_each_time <= 0:
        return None
    return max(1, once // saved_each_time + 1)


def picked_up(piece: Piece, assumed: Assumptions) -> ByHand:
    """What it takes to pick the units up by hand: those of each part that the loom cannot lift, at each pick.

    The shaft stays down meanwhile, since by hand units can be lifted, and not held down.
    """
    by_row = lacking(piece)
    picks = sum(piece.picks(row) for row in by_row)
    units = sum(len(wanted) * piece.picks(row) for row, wanted in by_row.items())
    most = max(map(len, by_row.values()), default=0)
    minutes = _exact(assumed.hand) * units + _exact(piece.minutes.pull) * _counts(piece).hand_pulls
    is_few = most <= MOST_BY_HAND and picks <= MOST_PICKS_BY_HAND
    return ByHand(len(by_row), picks, units, most, float(minutes), is_few)


def advice(piece: Piece, totals: Totals, cords: Cords, by_hand: ByHand, assumed: Assumptions) -> Advice:
    """Which method we would advise; where it is not temporary shafts, why not."""
    if not by_hand.rows:
        return Advice("nothing needed")
    if by_hand.is_few and by_hand.minutes < totals.minutes:
        return Advice("by hand")
    reasons: list[Reason] = []
    if cords.pays_from is not None and cords.pays_from <= assumed.weavings:
        reasons.append("cords cost less")
    if totals.walks > FEW_WALKS and len(piece.rows) < ROWS_TO_A_WALK * totals.walks:
        reasons.append("no rhythm")
    if totals.minutes > MOST_MINUTES_A_ROW * len(piece.rows):
        reasons.append("changing outweighs")
    return Advice("wrong method" if reasons else "temporaries", tuple(reasons))


@lru_cache(maxsize=8)
def lacking(piece: Piece) -> Mapping[int, frozenset[int]]:
    """Per row that the loom cannot lift as it hangs, the units that it lacks."""
    return MappingProxyType(
        {
            trouble.row: frozenset[int]().union(*trouble.asked.values()) - piece.loom.single_cords
            for trouble in troubles(piece)
        }
    )


def _cords_up(piece: Piece, corded: frozenset[int], cells: frozenset[int]) -> int:
    """Single cords that are up in a row where every part is on cords and whole shafts are lifted as such."""
    whole = [units for units in piece.loom.units_by_shaft.values() if units <= cells]
    return len(cells.difference(*whole) & corded)


def _exact(minutes: float) -> Fraction:
    return Fraction(repr(minutes))


# --- with plans of their own -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class KeptIn:
    """Copies woven one after another, the temporaries staying in from one to the next where that is better.

    Attributes:
        minutes: of all copies together, at most (`proven`: exactly).
        walks: of all copies together.
        alone: minutes of as many copies, each from the bare loom to the bare loom.
        alone_walks: walks of as many.
        proven: whether no plan of all copies together takes fewer minutes.
    """

    copies: int
    minutes: float
    walks: int
    alone: float
    alone_walks: int
    proven: bool

    @property
    def saved_each(self) -> float:
        """Minutes that each copy from the second on takes less, on average."""
        return (self.alone - self.minutes) / (self.copies - 1)


@dataclass(frozen=True, slots=True)
class PartlyByHand:
    """Rows that lack few units are picked up by hand; the others are planned as ever.

    Attributes:
        most: up to so many units for one pick are picked up by hand.
        rows: rows in which that is done.
        picks: picks of these rows.
        by_hand: minutes for picking up.
        minutes: of the plan that is left, and for picking up.
        walks: of the plan that is left.
        proven: whether no plan of the other rows takes fewer minutes.
    """

    most: int
    rows: int
    picks: int
    by_hand: float
    minutes: float
    walks: int
    proven: bool


@dataclass(frozen=True, slots=True)
class WithPlans:
    """The methods that take plans of their own.

    Attributes:
        kept_in: None: there is no plan for the copies in a row.
        partly: in order of `most`; fewest to most by hand.
    """

    kept_in: KeptIn | None
    partly: tuple[PartlyByHand, ...]


def repeated(piece: Piece, copies: int) -> Piece:
    """A piece woven so many times in a row, as one piece.

    Between two copies it is after the last row of one and before the first of the next: a walk there is free
    if either says so, and none may be made if either says so.
    """
    rows = len(piece.rows)

    def each(gaps: frozenset[int]) -> frozenset[int]:
        return frozenset(copy * rows + gap for copy in range(copies) for gap in gaps)

    return replace(
        piece,
        rows=piece.rows * copies,
        picks_per_row=tuple(piece.picks(row) for row in range(1, rows + 1)),
        free_walks=each(piece.free_walks),
        no_walks=each(piece.no_walks),
        bands=(),
    )


def kept_in(
    piece: Piece, totals: Totals, copies: int, *, limit: float, tell: Tell | None = None
) -> KeptIn | None:
    """What the temporaries save by staying in from one copy to the next; None where there is no such plan.

    Args:
        totals: what a plan of one copy takes.
        limit: seconds for the search; more only where no plan of one copy does for each of several.

    Raises:
        ValueError: with a sentence, if that is no set, or too many rows.
    """
    if copies < FEWEST_COPIES:
        raise ValueError("A set has at least two pieces.")
    rows = copies * len(piece.rows)
    if rows > MOST_ROWS_IN_A_SET:
        raise ValueError(
            f"{copies} times {len(piece.rows)} rows are {rows:,}; at most {MOST_ROWS_IN_A_SET:,} are planned "
            "in a row. Choose fewer."
        )
    alone, alone_walks = float(_exact(totals.minutes) * copies), totals.walks * copies
    each_alone = None
    if piece.no_walks.isdisjoint({0, len(piece.rows)}):  # what is done for one can be done for each
        each_alone = KeptIn(copies, alone, alone_walks, alone, alone_walks, False)
    set_of_them = repeated(piece, copies)
    try:
        stop = None if each_alone is None else up_after(limit, tell)
        order = cheapest(whole_task(set_of_them), limit=limit, stop=stop)
    except Stopped:
        return each_alone
    if isinstance(order, Lack):
        return None
    verify(set_of_them, order)
    if each_alone is not None and alone < order.totals.minutes:  # the time was up
        return each_alone
    return KeptIn(copies, order.totals.minutes, order.totals.walks, alone, alone_walks, order.proven)


def rest_planned(piece: Piece, most: int) -> tuple[Piece, dict[int, frozenset[int]]]:
    """The piece without the units that are picked up by hand, and these by row.

    Args:
        most: a row is picked up by hand if it lacks at most so many units.
    """
    by_hand = {row: wanted for row, wanted in lacking(piece).items() if len(wanted) <= most}
    rows = tuple(cells - by_hand.get(row, frozenset()) for row, cells in enumerate(piece.rows, 1))
    return replace(piece, rows=rows), by_hand


def partly_by_hand(
    piece: Piece, assumed: Assumptions, most: int, *, limit: float, tell: Tell | None = None
) -> PartlyByHand | None:
    """Rows that lack at most so many units by hand, the others by a plan.

    None where that is none or all of them, and where no plan was found in the time.

    In a row that is picked up, all units that the loom as it hangs cannot lift are: that a temporary which
    stands there for other rows could lift some of them is not counted on.

    Args:
        limit: seconds for the search.
    """
    rest, by_hand = rest_planned(piece, most)
    if not by_hand or len(by_hand) == len(lacking(piece)):
        return None
    try:
        order = cheapest(whole_task(rest), limit=limit, stop=up_after(limit, tell))
    except Stopped:
        return None
    if isinstance(order, Lack):
        return None
    verify(rest, order)
    units = sum(len(wanted) * piece.picks(row) for row, wanted in by_hand.items())
    picking = _exact(assumed.hand) * units
    return PartlyByHand(
        most,
        len(by_hand),
        sum(map(piece.picks, by_hand)),
        float(picking),
        float(picking + _exact(order.totals.minutes)),
        order.totals.walks,
        order.proven,
    )


def with_plans(
    piece: Piece, totals: Totals, assumed: Assumptions, *, limit: float, tell: Tell | None = None
) -> WithPlans:
    """The methods that take plans of their own.

    Args:
        totals: what the plan of the piece takes.
        limit: seconds for all searches together.

    Raises:
        ValueError: as `kept_in`.
    """
    if tell is not None:
        tell("Several copies in a row are planned.", 0.0)
    in_a_row = kept_in(piece, totals, assumed.copies, limit=limit / 2, tell=tell)
    partly: dict[int, PartlyByHand] = {}
    for most in range(1, MOST_BY_HAND + 1):
        if tell is not None:
            tell("Some rows by hand, and the others are planned.", 0.5 + 0.5 * (most - 1) / MOST_BY_HAND)
        found = partly_by_hand(piece, assumed, most, limit=limit / 2 / MOST_BY_HAND, tell=tell)
        if found is not None and found.picks <= MOST_PICKS_BY_HAND:
            partly.setdefault(found.rows, found)
    return WithPlans(in_a_row, tuple(partly.values()))


def answer_methods(piece: Piece, options: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """The answer to the question “methods”, as `server.ways.questions` has it.

    Args:
        options: `totals` of the plan and what is `assumed`, as `options_for` has them; `limit`: seconds.

    Raises:
        ValueError: with a sentence, as `kept_in`, or if these are no options.
    """
    try:
        asked = _OPTIONS.validate_python(options)
    except ValidationError:
        raise ValueError("That could not be read as a question about other methods.") from None
    return as_json(with_plans(piece, asked.totals, asked.assumed, limit=asked.limit, tell=tell))


def _in_bounds(totals: Totals) -> Totals:
    if not 0 <= totals.minutes <= MOST_PLAN_MINUTES:
        raise ValueError
    return totals


@dataclass(frozen=True, slots=True)
class _Options:
    totals: Annotated[Totals, AfterValidator(_in_bounds)]
    assumed: Assumptions
    limit: Annotated[float, Field(gt=0, le=MOST_SECONDS)]


_OPTIONS = TypeAdapter(_Options)
_WITH_PLANS = TypeAdapter(WithPlans)


def options_for(totals: Totals, assumed: Assumptions, limit: float = 20.0) -> dict[str, Any]:
    """The options of the question “methods”."""
    content: dict[str, Any] = _OPTIONS.dump_python(_Options(totals, assumed, limit), mode="json")
    return content


def as_json(result: WithPlans) -> dict[str, Any]:
    """As it is kept."""
    content: dict[str, Any] = _WITH_PLANS.dump_python(result, mode="json")
    return content


def from_json(content: dict[str, Any]) -> WithPlans:
    """Read what `as_json` wrote."""
    return _WITH_PLANS.validate_python(content)
