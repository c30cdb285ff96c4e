"""A schedule: what stands in the loom during each row. Everything else in a work order follows from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

from server.loom.state import Loom
from server.plan.demands import Part

Borrowed = tuple[int, Part]
"""A temporary without its name: its parent shaft and its units."""


@dataclass(frozen=True, slots=True)
class Standing:
    """What stands in the loom during a row.

    Attributes:
        inside: the temporaries in the loom.
        home: per shaft whose cords are away, the part that its own handle carries; none of its units where
            they hang free.
        spare: the temporaries that hang on a spare handle.
    """

    inside: frozenset[Borrowed] = frozenset()
    home: Mapping[int, Part] = field(default_factory=dict)
    spare: frozenset[Borrowed] = frozenset()


BARE = Standing()
"""The loom as it was."""

Schedule = Sequence[Standing]
"""One entry a row that is woven or taken out."""


@dataclass(frozen=True, slots=True)
class Lift:
    """How one shaft's units are lifted for a row.

    Attributes:
        whole: whether the shaft itself is lifted.
        parts: temporaries that are lifted.
        cords: units lifted by their single draw cords.
    """

    whole: bool
    parts: frozenset[Part]
    cords: Part

    @property
    def pulls(self) -> int:
        """Handles and single cords that are up."""
        return self.whole + len(self.parts) + len(self.cords)


def lift_of_all(
    loom: Loom, standing: Standing, asked: Part, before: Mapping[int, Lift] | None = None
) -> dict[int, Lift] | None:
    """Per shaft the `best_lift`; None where some shaft has no exact one.

    Args:
        asked: the units to be lifted, of whatever shafts.
        before: how each shaft was lifted in the row before.
    """
    lifts: dict[int, Lift] = {}
    for shaft, units in loom.units_by_shaft.items():
        lift = best_lift(loom, standing, shaft, asked & units, (before or {}).get(shaft))
        if lift is None:
            return None
        lifts[shaft] = lift
    return lifts


def best_lift(
    loom: Loom, standing: Standing, shaft: int, asked: Part, before: Lift | None = None
) -> Lift | None:
    """The lift with the fewest pulls, among those the nearest to the row before; None where none is exact.

    Args:
        asked: the units of this shaft to be lifted.
        before: how the shaft was lifted in the row before.
    """
    nothing = Lift(False, frozenset(), frozenset())
    if not asked:
        return nothing
    units = loom.units_of(shaft)
    ready: list[Part | None] = [part for parent, part in standing.spare if parent == shaft]
    ready.append(standing.home.get(shaft))  # None: the shaft itself hangs on its handle
    inside = {part for parent, part in standing.inside if parent == shaft}
    usable = [
        part
        for part in ready
        if (units if part is None else part) <= asked and (loom.temporaries_may_stay or inside <= {part})
    ]
    best: tuple[int, int] | None = None
    found = None
    for count in range(len(usable) + 1):
        if best is not None and count > best[0]:
            break
        for chosen in combinations(usable, count):
            lifted = frozenset[int]().union(*(units if part is None else part for part in chosen))
            cords = asked - lifted
            if not cords <= loom.single_cords:
                continue
            lift = Lift(None in chosen, frozenset(p for p in chosen if p is not None), cords)
            changes = 0
            if before is not None:
                changes = (
                    (lift.whole != before.whole)
                    + len(lift.parts ^ before.parts)
                    + len(lift.cords ^ before.cords)
                )
            if best is None or (lift.pulls, changes) < best:
                best, found = (lift.pulls, changes), lift
    return found
