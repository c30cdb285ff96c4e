"""Stages: runs of rows between which a walk can pay. Inside a stage nothing in the loom changes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise

from server.design.piece import Piece
from server.plan.demands import Part, asked_of, needs_temporary
from server.plan.schedule import BARE, Standing


@dataclass(frozen=True, slots=True)
class Stage:
    """Rows first … last, woven with the same things in the loom.

    Attributes:
        asked: per relevant shaft, what its rows ask for and how many of them do; rows that ask nothing of
            the shaft are left out.
    """

    first: int
    last: int
    asked: dict[int, Counter[Part]]


def relevant_shafts(piece: Piece, begin: Standing = BARE, end: Standing | None = BARE) -> list[int]:
    """The shafts on which a temporary can be needed, or can pay for itself in pulls saved.

    Args:
        begin: what stands at the start; the shafts that it is on matter too.
        end: what shall stand at the end; None: that is free, and a temporary may stay where it is.
    """
    loom, minutes = piece.loom, piece.minutes
    # onto a spare handle it may come in the place of another, with a move that is made anyway
    moves = 0 if loom.spare_handles else minutes.move_cords
    least = minutes.insert + 2 * minutes.take + moves
    if end is not None:
        least += minutes.withdraw + moves
    touched = {shaft for shaft, _ in begin.inside} | begin.home.keys()
    found = []
    for shaft in sorted(loom.units_by_shaft.keys() | touched):
        if shaft in touched:
            found.append(shaft)
            continue
        units = loom.units_of(shaft)
        saved = 0.0
        for row in range(1, len(piece.rows) + 1):
            asked = asked_of(piece, row, shaft)
            if needs_temporary(loom, shaft, asked):
                found.append(shaft)
                break
            if asked != units:
                saved += minutes.pull * max(len(asked) - 1, 0)
        else:
            if saved > least:
                found.append(shaft)
    return found


def stages(piece: Piece, shafts: list[int], *, by_runs: bool = True) -> list[Stage]:
    """Cut the rows into stages.

    A walk after a row may be put off, or made earlier, without loss until it meets one of the cuts; see
    DEVELOPERS.md, "The model and why it is right".

    Args:
        shafts: the relevant ones.
        by_runs: whether rows that ask the same make no cut between them; not where cells may be changed.
    """
    last = len(piece.rows)
    asked = [
        {shaft: part for shaft in shafts if (part := asked_of(piece, row, shaft))}
        for row in range(1, last + 1)
    ]
    cuts = [gap for gap in range(1, last) if gap not in piece.no_walks]

    def as_good(gap: int, other: int) -> bool:
        """Whether a walk after row `other` is allowed and costs no more than one after row `gap`."""
        return other not in piece.no_walks and (other in piece.free_walks or gap not in piece.free_walks)

    # Before a row that asks nothing, a walk can as well be put off until after it.
    cuts = [gap for gap in cuts if asked[gap] or not as_good(gap, gap + 1)]
    # Inside a run of rows that ask the same (or nothing), it can as well be made at one end of the run.
    start, kept = 0, []
    run = asked[0]
    bounds: list[tuple[int, int]] = []
    for row in range(2, last + 1):
        here = asked[row - 1]
        if here and run and here != run:
            bounds.append((start, row - 1))
            start, run = row - 1, here
        elif here:
            run = here
    bounds.append((start, last))
    ends = {gap: bound for bound in bounds for gap in range(bound[0] + 1, bound[1])}
    for gap in cuts:
        if by_runs and gap in ends and all(as_good(gap, end) for end in ends[gap]):
            continue
        kept.append(gap)
    edges = [0, *kept, last]
    return [
        Stage(
            first + 1,
            end,
            {
                shaft: counts
                for shaft in shafts
                if (counts := Counter(a[shaft] for a in asked[first:end] if shaft in a))
            },
        )
        for first, end in pairwise(edges)
    ]


def joined(cut: Sequence[Stage], gaps: Collection[int]) -> list[Stage]:
    """The stages, joined wherever there is no walk between them.

    Args:
        gaps: where walks are: g for one between the stages g − 1 and g, counted from 0.
    """
    found: list[Stage] = []
    for place, stage in enumerate(cut):
        if not found or place in gaps:
            found.append(stage)
            continue
        asked = {shaft: Counter(parts) for shaft, parts in found[-1].asked.items()}
        for shaft, parts in stage.asked.items():
            asked[shaft] = asked.get(shaft, Counter()) + parts
        found[-1] = Stage(found[-1].first, stage.last, asked)
    return found
