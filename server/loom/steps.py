"""The steps of a work order: everything that can be done at a drawloom for one piece.

They are plain values. What they do, and when they may be done, is in `server.loom.actions`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Raise:
    """From the bench: exactly these handles and single cords are up for a row."""

    row: int
    handles: tuple[str, ...]
    single_cords: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Reopen(Raise):
    """The shed of a row that is in the cloth, wholly or partly, is raised again to take its picks out."""


@dataclass(frozen=True, slots=True)
class Weave:
    """Weave these picks, the row's last or all of it, over these treadles, one treadle a pick."""

    row: int
    picks: int
    treadles: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class TakeOut:
    """Take the last picks of a row out, the last one first, over these treadles, one treadle a pick.

    Attributes:
        left: picks of the row that stay in.
    """

    row: int
    picks: int
    treadles: tuple[int, ...]
    left: int = 0


@dataclass(frozen=True, slots=True)
class Walk:
    """Let everything down, then go behind the loom."""


@dataclass(frozen=True, slots=True)
class Label:
    """Tape a number on each of these shafts."""

    shafts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Insert:
    """Slide a temporary shaft through the leashes of these units of a pattern shaft."""

    shaft: int
    temporary: str
    units: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class MoveCords:
    """Move a handle's pair of draw cords from one carrier to another; None: they hang free."""

    handle: str
    source: str | None
    target: str | None


@dataclass(frozen=True, slots=True)
class Withdraw:
    """Draw a temporary out."""

    temporary: str


@dataclass(frozen=True, slots=True)
class Done:
    """The piece is woven and the loom is as it was."""


Step = Raise | Reopen | Weave | TakeOut | Walk | Label | Insert | MoveCords | Withdraw | Done
