"""A warp on the loom: the leash order built from parts, its threads, and the loom it hangs on.

Several designs are drawn and several pieces woven on one warp.

`read_warp` and `write_warp` are its text, strict as the piece's file is.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import cycle, islice
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from server.design.piece import Minutes
from server.design.piece_file import LoomForm, MinutesForm, Text, Unusable, read_json, sentence
from server.design.threads import GroundForm, Threads, ground_content, sett
from server.loom import leashes
from server.loom.ground import Ground
from server.loom.leashes import LeashOrder
from server.loom.state import Loom

PartKind = Literal["straight", "pointed", "free", "single"]

MOST_PARTS = 200
MOST_UNITS = 5_000
"""Of a warp that is drawn on; piece files may have more."""


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the leash order.

    Attributes:
        kind: straight and pointed run over `shafts` shafts from `first`, `times` times; free is `leashes` as
            they are listed, 0 for a unit on its single cord only; single is `shafts` units on single cords.
        hung: how often the turning points of a pointed part are hung, 1 or 2.
        corded: whether each unit has a single draw cord beside its shaft.
        falling: whether a straight or pointed part begins at the last of its shafts and goes to the first:
            3 2 1, 3 2 1, and down and up again.
        mirrored: whether the part is hung from its right: the far one of two borders.
        ends: ends to a unit, used in turn over the part's units.
        leashes_each: leashes to a unit, used in turn.
    """

    kind: PartKind
    shafts: int = 1
    first: int = 1
    times: int = 1
    hung: int = 1
    corded: bool = False
    falling: bool = False
    mirrored: bool = False
    leashes: tuple[int, ...] = ()
    ends: tuple[int, ...] = (4,)
    leashes_each: tuple[int, ...] = (1,)

    def order(self) -> LeashOrder:
        """The units of this part. ValueError with a sentence if it cannot be hung."""
        if self.shafts * self.times > MOST_UNITS:
            raise ValueError(f"A part of more than {MOST_UNITS:,} units is more than any loom holds.")
        match self.kind:
            case "straight":
                hung = leashes.straight(self.shafts, self.times, first=self.first)
            case "pointed":
                hung = leashes.pointed(
                    self.shafts, self.times, turning_points_hung=self.hung, first=self.first
                )
            case "free":
                if not self.leashes:
                    raise ValueError("A free part takes a list of shafts, unit by unit.")
                hung = leashes.free(self.leashes)
            case "single":
                hung = leashes.single(self.shafts)
        if self.falling and self.kind in ("straight", "pointed"):
            both = 2 * self.first + self.shafts - 1
            hung = replace(hung, leashes=tuple(both - shaft for shaft in hung.leashes))
        if self.corded:
            hung = leashes.corded(hung)
        return leashes.mirrored(hung) if self.mirrored else hung

    def in_turn(self, counts: tuple[int, ...], units: int) -> tuple[int, ...]:
        """Counts used in turn over the units of this part, from its right where it is mirrored."""
        if not counts or min(counts) < 1:
            raise ValueError("Each unit has at least 1 end and hangs in at least 1 leash.")
        spread = tuple(islice(cycle(counts), units))
        return spread[::-1] if self.mirrored else spread


@dataclass(frozen=True)
class Warp:
    """A warp as it hangs.

    Attributes:
        name: the weaver's own.
        loom: the loom, with the leash order that the parts make.
        threads: ends, setts and ground weave.
        treadling: the cycle of treadles, used in turn pick by pick.
        minutes: what changes at the loom take.
        parts: what the leash order is built from, from the weaver's left.
    """

    name: str
    loom: Loom
    threads: Threads
    treadling: tuple[int, ...]
    parts: tuple[Part, ...]
    minutes: Minutes = field(default_factory=Minutes)

    @property
    def units(self) -> int:
        """How many units hang on it."""
        return len(self.loom.leashes)


def counted_from_back(part: Part, shafts: int) -> Part:
    """The part as one names it who counts `shafts` pattern shafts from the back; twice is as before.

    The units stay where they hang: only the numbers of their shafts change.
    """
    if part.kind == "free":
        turned = tuple(shafts + 1 - shaft if shaft else shaft for shaft in part.leashes)
        return replace(part, leashes=turned)
    if part.kind == "single":
        return part
    return replace(part, first=shafts + 2 - part.first - part.shafts, falling=not part.falling)


def hang(
    name: str,
    loom: Loom,
    parts: tuple[Part, ...],
    ground: Ground,
    *,
    treadling: tuple[int, ...] = (),
    ends_per_cm: Fraction = Fraction(20),
    picks_per_cm: Fraction = Fraction(20),
    selvedge_ends: tuple[int, int] = (0, 0),
    minutes: Minutes | None = None,
) -> Warp:
    """Hang a warp.

    Args:
        loom: what does not follow from the parts: its name, what is spare, how many pattern shafts there are;
            where the parts take more, that is refused. Its leashes and treadles are passed over.
        treadling: empty: each treadle of the ground weave once, in order.

    Raises:
        ValueError: with a sentence, if it cannot be hung like that.
    """
    if not parts:
        raise ValueError("A leash order takes at least one part.")
    if len(parts) > MOST_PARTS:
        raise ValueError(f"More than {MOST_PARTS} parts; put some together.")
    order, ends, each = LeashOrder(), tuple[int, ...](), tuple[int, ...]()
    for number, part in enumerate(parts, 1):
        try:
            units = part.order()
            ends += part.in_turn(part.ends, len(units))
            each += part.in_turn(part.leashes_each, len(units))
        except ValueError as why:
            raise ValueError(f"Part {number}: {why}") from None
        order += units
        if len(order) > MOST_UNITS:
            raise ValueError(f"That would be more than {MOST_UNITS:,} units; no loom holds so many.")
    if max(order.leashes) > loom.pattern_shafts:
        raise ValueError(
            f"The leash order takes {max(order.leashes)} pattern shafts; the loom has {loom.pattern_shafts}."
        )
    treadles = len(ground.treadles)
    treadling = treadling or tuple(range(1, treadles + 1))
    if strays := [treadle for treadle in treadling if not 1 <= treadle <= treadles]:
        raise ValueError(f"There is no treadle {strays[0]}: the ground weave ties up {treadles}.")
    return Warp(
        name=name,
        loom=replace(
            loom,
            leashes=order.leashes,
            single_cords=frozenset(order.single_cords),
            leashes_per_unit=() if set(each) == {1} else each,
            treadles=treadles,
        ),
        threads=Threads(ends, ground, ends_per_cm, picks_per_cm, selvedge_ends),
        treadling=treadling,
        parts=parts,
        minutes=minutes or Minutes(),
    )


_Units = Annotated[int, Field(ge=1, le=MOST_UNITS)]
_Counts = Annotated[list[Annotated[int, Field(ge=1, le=1_000)]], Field(min_length=1, max_length=MOST_UNITS)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class PartForm(_Strict):
    """A part in a warp's text."""

    kind: PartKind
    shafts: _Units = 1
    first: _Units = 1
    times: _Units = 1
    hung: Annotated[int, Field(ge=1, le=2)] = 1
    corded: bool = False
    falling: bool = False
    mirrored: bool = False
    leashes: Annotated[list[Annotated[int, Field(ge=0)]], Field(max_length=MOST_UNITS)] = []
    ends: _Counts = [4]
    leashes_each: _Counts = [1]

    def read(self) -> Part:
        """The part."""
        content = self.model_dump()
        lists = {key: tuple(content[key]) for key in ("leashes", "ends", "leashes_each")}
        return Part(**(content | lists))


class WarpForm(_Strict):
    """The whole text."""

    format: Literal["spareshaft-warp"]
    version: Literal[1]
    name: Text
    loom: LoomForm
    parts: Annotated[list[PartForm], Field(min_length=1, max_length=MOST_PARTS)]
    ground: GroundForm
    treadling: Annotated[list[Annotated[int, Field(ge=1)]], Field(max_length=100_000)] = []
    selvedge_ends: Annotated[list[Annotated[int, Field(ge=0)]], Field(min_length=2, max_length=2)] = [0, 0]
    ends_per_cm: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 20.0
    picks_per_cm: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 20.0
    minutes: MinutesForm = MinutesForm()


def read_warp(text: str | bytes) -> Warp:
    """Read a warp's text.

    Raises:
        Unusable: with one sentence that says where it goes wrong, and why.
    """
    try:
        form = WarpForm.model_validate(read_json(text))
        spare = form.loom.model_dump(exclude={"extra"})
        return hang(
            form.name,
            Loom(leashes=(), single_cords=frozenset(), **spare),
            tuple(part.read() for part in form.parts),
            form.ground.read(),
            treadling=tuple(form.treadling),
            ends_per_cm=sett(form.ends_per_cm),
            picks_per_cm=sett(form.picks_per_cm),
            selvedge_ends=(form.selvedge_ends[0], form.selvedge_ends[1]),
            minutes=Minutes(**form.minutes.model_dump()),
        )
    except ValidationError as why:
        raise Unusable(sentence(why.errors()[0])) from None
    except Unusable:
        raise
    except ValueError as why:
        raise Unusable(str(why)) from None


def write_warp(warp: Warp) -> str:
    """A warp's text."""
    return json.dumps(
        {
            "format": "spareshaft-warp",
            "version": 1,
            "name": warp.name,
            "loom": loom_content(warp.loom),
            "parts": [_part_content(part) for part in warp.parts],
            "ground": ground_content(warp.threads.ground),
            "treadling": list(warp.treadling),
            "selvedge_ends": list(warp.threads.selvedge_ends),
            "ends_per_cm": float(warp.threads.ends_per_cm),
            "picks_per_cm": float(warp.threads.picks_per_cm),
            "minutes": minutes_content(warp.minutes),
        },
        ensure_ascii=False,
    )


def loom_content(loom: Loom) -> dict[str, Any]:
    """`loom` as files write it."""
    content = {key: getattr(loom, key) for key in LoomForm.model_fields if key != "extra"}
    return content | (
        {"extra": {"leashes_per_unit": list(loom.leashes_per_unit)}} if loom.leashes_per_unit else {}
    )


def minutes_content(minutes: Minutes) -> dict[str, float]:
    """`minutes` as files write it."""
    return {key: getattr(minutes, key) for key in MinutesForm.model_fields}


def _part_content(part: Part) -> dict[str, Any]:
    content = {key: getattr(part, key) for key in PartForm.model_fields}
    return {key: list(value) if isinstance(value, tuple) else value for key, value in content.items()}
