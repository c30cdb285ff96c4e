"""The threads of a warp: ends to a unit, selvedges, setts, and the ground weave they are in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from server.loom.ground import Ground, Treadle

MOST_ENDS = 100_000
"""Of a warp; far above any hand loom."""

LEAST_TO_A_CM, MOST_TO_A_CM = Fraction(1, 1_000_000), 1_000


@dataclass(frozen=True, slots=True)
class Threads:
    """What the cloth is made of, beside the pattern.

    Attributes:
        ends_per_unit: warp ends of each unit, from the weaver's left.
        ground: the ground weave; its treadles are those of the loom.
        ends_per_cm: warp sett.
        picks_per_cm: weft sett.
        selvedge_ends: ends at the left and at the right edge that belong to no unit.

    Raises:
        ValueError: with a sentence, if a count or a sett cannot be.
    """

    ends_per_unit: tuple[int, ...]
    ground: Ground
    ends_per_cm: Fraction = Fraction(20)
    picks_per_cm: Fraction = Fraction(20)
    selvedge_ends: tuple[int, int] = (0, 0)

    def __post_init__(self) -> None:
        if any(ends < 1 for ends in self.ends_per_unit):
            raise ValueError("Each unit has at least one end.")
        if any(ends < 0 for ends in self.selvedge_ends):
            raise ValueError("A selvedge cannot have fewer than 0 ends.")
        if self.ends > MOST_ENDS:
            raise ValueError(f"That would be {self.ends:,} ends; {MOST_ENDS:,} are the most that fit here.")
        for word, sett in (("Ends", self.ends_per_cm), ("Picks", self.picks_per_cm)):
            if not LEAST_TO_A_CM <= sett <= MOST_TO_A_CM:
                raise ValueError(f"{word} to a centimetre are above 0 and at most {MOST_TO_A_CM:,}.")

    @property
    def ends(self) -> int:
        """All ends, the selvedges' too."""
        return sum(self.ends_per_unit) + sum(self.selvedge_ends)

    @property
    def width_cm(self) -> float:
        """Width in the reed."""
        return float(self.ends / self.ends_per_cm)

    def proportion(self, picks: Fraction) -> Fraction:
        """Height of a cell woven with so many picks, in widths of a unit with the usual number of ends."""
        return picks / self.picks_per_cm / (self.usual_ends / self.ends_per_cm)

    @property
    def usual_ends(self) -> int:
        """The number of ends that most units have; the smallest of several as common."""
        counts: dict[int, int] = {}
        for ends in self.ends_per_unit:
            counts[ends] = counts.get(ends, 0) + 1
        return min(counts, key=lambda ends: (-counts[ends], ends)) if counts else 1


_Ends = Annotated[int, Field(ge=1, le=MOST_ENDS)]
_EndsFromZero = Annotated[int, Field(ge=0, le=MOST_ENDS)]
_Sett = Annotated[float, Field(gt=0, le=MOST_TO_A_CM, allow_inf_nan=False)]
_Shafts = Annotated[list[Annotated[int, Field(ge=1)]], Field(max_length=64)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class TreadleForm(_Strict):
    """A treadle in a file."""

    rises: _Shafts = []
    sinks: _Shafts = []


class GroundForm(_Strict):
    """`ground` in a file."""

    shafts: int
    treadles: Annotated[list[TreadleForm], Field(max_length=1_000)]
    threading: Annotated[list[int], Field(max_length=10_000)]
    selvedge: Annotated[list[int], Field(max_length=10_000)] = []

    def read(self) -> Ground:
        """The ground weave. ValueError with a sentence if it cannot be."""
        return Ground(
            shafts=self.shafts,
            treadles=tuple(Treadle(tuple(each.rises), tuple(each.sinks)) for each in self.treadles),
            threading=tuple(self.threading),
            selvedge=tuple(self.selvedge),
        )


class ThreadsForm(_Strict):
    """`threads` in the `extra` of a piece file."""

    ends_per_unit: list[_Ends]
    ground: GroundForm
    ends_per_cm: _Sett
    picks_per_cm: _Sett
    selvedge_ends: Annotated[list[_EndsFromZero], Field(min_length=2, max_length=2)] = [0, 0]


def ground_content(ground: Ground) -> dict[str, Any]:
    """A ground weave as files write it."""
    return {
        "shafts": ground.shafts,
        "treadles": [{"rises": list(each.rises), "sinks": list(each.sinks)} for each in ground.treadles],
        "threading": list(ground.threading),
        "selvedge": list(ground.selvedge),
    }


def threads_content(threads: Threads) -> dict[str, Any]:
    """Threads as the `extra` of a piece file carries them."""
    return {
        "ends_per_unit": list(threads.ends_per_unit),
        "ground": ground_content(threads.ground),
        "ends_per_cm": float(threads.ends_per_cm),
        "picks_per_cm": float(threads.picks_per_cm),
        "selvedge_ends": list(threads.selvedge_ends),
    }


def threads_of(extra: Mapping[str, Any], units: int, treadles: int) -> Threads | None:
    """The threads that the `extra` of a piece file carries.

    Nothing there is ours to refuse: what is not threads of such a loom counts as none.
    """
    try:
        form = ThreadsForm.model_validate(extra.get("threads"))
        threads = Threads(
            ends_per_unit=tuple(form.ends_per_unit),
            ground=form.ground.read(),
            ends_per_cm=sett(form.ends_per_cm),
            picks_per_cm=sett(form.picks_per_cm),
            selvedge_ends=(form.selvedge_ends[0], form.selvedge_ends[1]),
        )
    except (ValidationError, ValueError):
        return None
    fits = len(threads.ends_per_unit) == units and len(threads.ground.treadles) >= treadles
    return threads if fits else None


def sett(number: float) -> Fraction:
    """A sett as it is written: 7.2 is 36/5, not the nearest binary number."""
    return Fraction(str(number))
