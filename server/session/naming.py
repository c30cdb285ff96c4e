"""How the weaver counts: shafts from herself or from the back of the loom, units from her left or her right.

Files, plans and the log keep the counting of the files: shafts from the weaver, units from her left. What is
said to her is told of a loom renumbered in her way: give the functions of `server.session.wording` what
`Naming.card`, `Naming.state` and `Naming.loom` return, and every number in their sentences is hers, and in
ascending order. Drawings and counts of leashes show where things are, and that no numbering changes: they are
computed from the loom as the files have it, and only their labels are named here.

Counting from the other end twice is counting as before. So every function here is its own inverse, and
what she enters is read by the function that would have shown it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal, assert_never

from server.loom.state import Loom, State, Temporary, handle_order, temporary_order
from server.loom.steps import Done, Insert, Label, MoveCords, Raise, Step, TakeOut, Walk, Weave, Withdraw
from server.session.cards import Card
from server.session.treadling import Side

ShaftsFrom = Literal["weaver", "back"]

_NAMED_AFTER_SHAFT = re.compile(r"([1-9][0-9]{0,8})([a-z]*)")


@dataclass(frozen=True, slots=True)
class Naming:
    """How shafts, units and all that is named after them are called on one loom.

    A number that the loom does not have, or text that names nothing, stays as it is: whoever refuses it then
    speaks of what she entered.

    Attributes:
        pattern_shafts: how many the loom has.
        units: how many it has.
    """

    pattern_shafts: int
    units: int
    shafts_from: ShaftsFrom = "weaver"
    units_from: Side = "left"

    @classmethod
    def on(cls, loom: Loom, shafts_from: ShaftsFrom = "weaver", units_from: Side = "left") -> Naming:
        """This way of counting on a loom."""
        return cls(loom.pattern_shafts, len(loom.leashes), shafts_from, units_from)

    @property
    def as_files(self) -> bool:
        """Whether all numbers are as the files have them."""
        return self.shafts_from == "weaver" and self.units_from == "left"

    # --- names -----------------------------------------------------------------------------------------

    def shaft(self, shaft: int) -> int:
        """A pattern shaft's number; 0, for none, stays 0."""
        flips = self.shafts_from == "back" and 1 <= shaft <= self.pattern_shafts
        return self.pattern_shafts + 1 - shaft if flips else shaft

    def unit(self, unit: int) -> int:
        """A unit's number."""
        flips = self.units_from == "right" and 1 <= unit <= self.units
        return self.units + 1 - unit if flips else unit

    def unit_numbers(self, units: Iterable[int]) -> tuple[int, ...]:
        """Numbers of units, ascending."""
        return tuple(sorted(map(self.unit, units)))

    def name(self, name: str) -> str:
        """What is named after a shaft: "7" is the shaft or its handle, "7a" a temporary; "S1" stays."""
        found = _NAMED_AFTER_SHAFT.fullmatch(name)
        return f"{self.shaft(int(found[1]))}{found[2]}" if found else name

    def carrier(self, carrier: str | None) -> str | None:
        """What cords are on: a shaft, a temporary, or nothing."""
        return None if carrier is None else self.name(carrier)

    def handles(self, handles: Iterable[str]) -> tuple[str, ...]:
        """Handles, pattern shafts' first, ascending."""
        return tuple(sorted(map(self.name, handles), key=handle_order))

    # --- what stands and what is done, renumbered ------------------------------------------------------

    def loom(self, loom: Loom) -> Loom:
        """The loom, renumbered."""
        if self.as_files:
            return loom
        leashes, each = tuple(map(self.shaft, loom.leashes)), loom.leashes_per_unit
        from_right = self.units_from == "right"
        return replace(
            loom,
            leashes=leashes[::-1] if from_right else leashes,
            leashes_per_unit=each[::-1] if from_right else each,
            single_cords=frozenset(map(self.unit, loom.single_cords)),
        )

    def state(self, state: State) -> State:
        """What stands in the loom, renumbered."""
        if self.as_files:
            return state
        temporaries = [
            Temporary(self.name(t.name), self.shaft(t.parent), frozenset(map(self.unit, t.units)))
            for t in state.temporaries
        ]
        away = [(self.name(handle), self.carrier(carrier)) for handle, carrier in state.away]
        return replace(
            state,
            temporaries=tuple(sorted(temporaries, key=lambda t: temporary_order(t.name))),
            away=tuple(sorted(away, key=lambda entry: handle_order(entry[0]))),
            raised=frozenset(map(self.name, state.raised)),
            pulled=frozenset(map(self.unit, state.pulled)),
            labelled=None if state.labelled is None else frozenset(map(self.shaft, state.labelled)),
        )

    def step(self, step: Step) -> Step:
        """A step, renumbered."""
        match step:
            case Raise(handles=handles, single_cords=cords):
                return replace(step, handles=self.handles(handles), single_cords=self.unit_numbers(cords))
            case Label(shafts=shafts):
                return Label(tuple(sorted(map(self.shaft, shafts))))
            case Insert(shaft=shaft, temporary=name, units=units):
                return Insert(self.shaft(shaft), self.name(name), self.unit_numbers(units))
            case MoveCords(handle=handle, source=source, target=target):
                return MoveCords(self.name(handle), self.carrier(source), self.carrier(target))
            case Withdraw(temporary=name):
                return Withdraw(self.name(name))
            case Weave() | TakeOut() | Walk() | Done():
                return step
        assert_never(step)

    def card(self, card: Card) -> Card:
        """A card, renumbered: what the weaver is told of it."""
        if self.as_files:
            return card
        return replace(
            card,
            step=None if card.step is None else self.step(card.step),
            before=self.state(card.before),
            after=self.state(card.after),
            handle=None if card.handle is None else self.name(card.handle),
        )
