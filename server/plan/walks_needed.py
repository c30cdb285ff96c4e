"""Stretches of stages in which a walk cannot be done without: what the solver would find out late.

Between two walks the loom stands the same. So where no one standing lifts all that the stages k … l ask,
there is a walk in one of the gaps between them. The linear relaxation does not know that by itself: half a
walk and half a spare handle seem to do. DEVELOPERS.md, "The model and why it is right".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

from server.loom.state import Loom
from server.plan.demands import Part
from server.plan.schedule import Standing, best_lift
from server.plan.stages import Stage

Room = tuple[int, int]
"""(spare handles, temporaries) that something takes."""

MOST_STANDINGS = 3_000
"""Ways for one shaft to stand that are looked through; where there are more, it is taken to need nothing."""


def walks_needed(
    loom: Loom,
    parts: Mapping[int, Sequence[Part]],
    cut: Sequence[Stage],
    begin: Standing,
    end: Standing | None,
) -> list[tuple[int, int]]:
    """The smallest stretches of gaps, first and last, in each of which a walk must be made.

    Gap g is before stage g, the last one after the last stage.

    Args:
        parts: per shaft all that a temporary need be, the whole shaft included where that could help; a shaft
            of which that is not known is missing, and taken to need nothing.
        begin: what stands before the first stage.
        end: what stands after the last; None: that is free.
    """
    needs = _Needs(loom, parts)
    ends_at: list[tuple[int, int]] = []
    last = 0
    for first in range(len(cut)):
        last = max(last, first)
        while last < len(cut) and needs.can_stand(cut[first : last + 1]):
            last += 1
        if last == len(cut):
            break
        ends_at.append((first + 1, last))
    served = next((k for k, stage in enumerate(cut) if not _serves(loom, begin, stage)), None)
    found = [(0, served)] if served is not None else []
    found += ends_at
    if end is not None:
        behind = next((k for k in reversed(range(len(cut))) if not _serves(loom, end, cut[k])), None)
        if behind is not None:
            found.append((behind + 1, len(cut)))
    return _smallest(found)


def _smallest(stretches: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Those that no other one lies within."""
    found: list[tuple[int, int]] = []
    for first, last in sorted(set(stretches), key=lambda stretch: (stretch[1], -stretch[0])):
        if not found or first > found[-1][0]:
            found.append((first, last))
    return found


def _serves(loom: Loom, standing: Standing, stage: Stage) -> bool:
    """Whether all rows of a stage can be lifted as this stands."""
    return all(
        best_lift(loom, standing, shaft, part) is not None
        for shaft, asked in stage.asked.items()
        for part in asked
    )


class _Needs:
    """What it takes to serve all that is asked of a shaft without a change between."""

    def __init__(self, loom: Loom, parts: Mapping[int, Sequence[Part]]) -> None:
        self._loom, self._parts = loom, parts
        self._known: dict[tuple[int, frozenset[Part]], tuple[Room, ...]] = {}

    def can_stand(self, stages: Sequence[Stage]) -> bool:
        """Whether the loom can stand so that all these stages are served."""
        asked: dict[int, set[Part]] = {}
        for stage in stages:
            for shaft, parts in stage.asked.items():
                asked.setdefault(shaft, set()).update(parts)
        loom = self._loom
        taken: set[Room] = {(0, 0)}
        for shaft, wanted in asked.items():
            key = (shaft, frozenset(wanted))
            if key not in self._known:
                self._known[key] = self._ways(*key)
            sums = {(h + a, t + b) for h, t in taken for a, b in self._known[key]}
            taken = _least({(h, t) for h, t in sums if h <= loom.spare_handles and t <= loom.spare_shafts})
            if not taken:
                return False
        return True

    def _ways(self, shaft: int, wanted: frozenset[Part]) -> tuple[Room, ...]:
        """The least that serves all these parts of a shaft, of handles and of temporaries."""
        loom = self._loom
        if shaft not in self._parts:
            return ((0, 0),)
        useful = [part for part in self._parts[shaft] if any(part <= asked for asked in wanted)]
        found: set[Room] = set()
        looked = 0
        for number in range(min(loom.temporaries_per_shaft, loom.spare_shafts, len(useful)) + 1):
            for inside in combinations(useful, number):
                looked += number + 1
                if looked > MOST_STANDINGS:
                    return ((0, 0),)
                for home in (None, *inside):
                    spare = [part for part in inside if part is not home]
                    if len(spare) > loom.spare_handles or any(
                        h <= len(spare) and t <= number for h, t in found
                    ):
                        continue
                    standing = Standing(
                        frozenset((shaft, part) for part in inside),
                        {} if home is None else {shaft: home},
                        frozenset((shaft, part) for part in spare),
                    )
                    if all(best_lift(loom, standing, shaft, part) is not None for part in wanted):
                        found.add((len(spare), number))
        return tuple(_least(found))


def _least(rooms: set[Room]) -> set[Room]:
    """Those that no other one is below."""
    return {one for one in rooms if not any(o != one and o[0] <= one[0] and o[1] <= one[1] for o in rooms)}
