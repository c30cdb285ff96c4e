"""What to count after an insertion so that a mistake shows.

Three mistakes are likely: to begin at the wrong side, to be one leash off somewhere (either way), and
to work on a neighbouring shaft. For each of them there is a count that comes out differently, or it is
said plainly that counting cannot tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from server.loom.counting import Run, leashes_in
from server.loom.state import Loom


@dataclass(frozen=True, slots=True)
class Count:
    """One countable thing: how many leashes a run has.

    Attributes:
        run: which run of leashes, passed ones and taken ones in turn, from 0; run 0 is passed by (it may
            be none), run 1 is taken, and so on.
        from_end: whether runs are told off from the side where counting ends.
        leashes: how many there must be.
    """

    run: int
    from_end: bool
    leashes: int


@dataclass(frozen=True, slots=True)
class InsertionCheck:
    """What to look at after an insertion.

    Attributes:
        counts: what to count; at least one of them differs after each likely mistake that counting can show.
        look_alikes: neighbouring shafts with as many leashes, from which counting cannot tell this one.
    """

    counts: tuple[Count, ...]
    look_alikes: tuple[int, ...]


def framed(runs: Sequence[Run]) -> tuple[int, ...]:
    """Lengths of the runs, passed and taken in turn, with the passed ones at both ends (they may be none)."""
    lengths = [run.leashes for run in runs]
    if runs and runs[0].take:
        lengths.insert(0, 0)
    if runs and runs[-1].take:
        lengths.append(0)
    return tuple(lengths)


def insertion_check(loom: Loom, shaft: int, runs: Sequence[Run]) -> InsertionCheck:
    """What to count after a temporary has been put through the leashes of a shaft.

    The leashes left over at the far end betray every slip by one on the way, and a shaft with more or
    fewer leashes; where none are left over, the last group does. Those passed by at the near end betray the
    wrong side, unless both ends are alike: then the first run from outside that differs does. Sides are
    named, not "where you began", because whoever begins at the wrong side also looks from there.

    Args:
        runs: as counted by `server.loom.counting.take_and_pass`.
    """
    lengths = framed(runs)
    counts = [Count(0, False, lengths[0]), Count(0, True, lengths[-1])]
    if lengths[-1] == 0:  # the last leash is taken: a slip on the way leaves the last group one short
        counts.append(Count(1, True, lengths[-2]))
    uneven = next((i for i in range(len(lengths) // 2) if lengths[i] != lengths[-1 - i]), None)
    if uneven:
        more = (Count(uneven, False, lengths[uneven]), Count(uneven, True, lengths[-1 - uneven]))
        counts += [count for count in more if count not in counts]
    leashes = sum(lengths)
    return InsertionCheck(
        counts=tuple(counts),
        look_alikes=tuple(
            other for other in neighbours(loom, shaft) if leashes_in(loom, loom.units_of(other)) == leashes
        ),
    )


def neighbours(loom: Loom, shaft: int) -> tuple[int, ...]:
    """The next pattern shafts before and behind this one that carry leashes."""
    shafts = [other for other in loom.units_by_shaft if other != shaft]
    before = [other for other in shafts if other < shaft]
    behind = [other for other in shafts if other > shaft]
    return (*before[-1:], *behind[:1])
