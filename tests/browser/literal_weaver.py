"""A weaver who does only what the screen says, on a loom of plain sets, and looks at her cloth at the end.

It shares no code with the server: she counts leashes, pulls handles and moves cords by the words alone.
"""

from __future__ import annotations

import re
from typing import Any

from tests.browser.screen import Screen


def numbers(text: str) -> set[int]:
    """The numbers in "1–4, 7 and 9"."""
    found: set[int] = set()
    for first, last in re.findall(r"(\d+)(?:–(\d+))?", text):
        found |= set(range(int(first), int(last or first) + 1))
    return found


class LiteralWeaver:
    """Where her hands have been.

    Attributes:
        cloth: per row woven, the units that were up.
        treadles: every treadle, pick by pick.
    """

    def __init__(self, piece: dict[str, Any], units_from: str = "left") -> None:
        """She knows the loom from the piece's file, not the plan.

        Args:
            piece: its file, with shafts and units numbered as she counts.
            units_from: the side at the bench from which she counts units.
        """
        self.units_from = units_from
        self.shafts: dict[str, set[int]] = {
            str(shaft): set() for shaft in range(1, piece["loom"]["pattern_shafts"] + 1)
        }
        for unit, shaft in enumerate(piece["leashes"], 1):
            if shaft:
                self.shafts[str(shaft)].add(unit)
        self.temporaries: dict[str, set[int]] = {}
        self.carries: dict[str, str | None] = {shaft: shaft for shaft in self.shafts}
        self.carries |= {f"S{n}": None for n in range(1, piece["loom"].get("spare_handles", 0) + 1)}
        self.pulled: set[str] = set()
        self.cords: set[int] = set()
        self.behind = False
        self.shuttle = "right"
        self.cloth: list[set[int]] = []
        self.treadles: list[int] = []

    def lifted(self, handle: str) -> set[int]:
        carrier = self.carries[handle]
        assert carrier is not None, f"handle {handle} carries nothing"
        return self.temporaries[carrier] if carrier in self.temporaries else self.shafts[carrier]

    def do(self, screen: Screen) -> None:
        """One instruction, to the letter."""
        getattr(self, f"_{screen.kind}")(screen)

    def _raise(self, screen: Screen) -> None:
        self.behind = False
        for name, doing in screen.handles:
            handle = re.match(r"Handle (S?\d+)", name)[1]  # type: ignore[index]
            hung_on = re.search(r"on temporary (\w+)", name)
            home = None if handle.startswith("S") else handle
            assert self.carries[handle] == (hung_on[1] if hung_on else home), f"the mark on handle {handle}"
            self._change(self.pulled, {handle}, doing)
        for doing, units in screen.cords:
            self._change(self.cords, numbers(units), doing)

    def _change(self, up: set[Any], which: set[Any], doing: str) -> None:
        match doing.lower():
            case "pull":
                assert not which & up, f"{which} is pulled already"
                up |= which
            case "let go":
                assert which <= up, f"{which} is not pulled"
                up -= which
            case "leave":
                assert which <= up, f"{which} is to be left pulled and is not"
            case "not pulled":
                assert not which & up, f"{which} is pulled"
            case _:
                raise AssertionError(f"what does {doing!r} mean?")

    def _weave(self, screen: Screen) -> None:
        picks = int(re.fullmatch(r"Weave (\d+) picks?", screen.heading)[1])  # type: ignore[index]
        assert len(screen.treadles) == picks
        assert self.shuttle in screen.starts, "the shuttle is on the other side"
        if picks % 2:
            self.shuttle = "left" if self.shuttle == "right" else "right"
        assert self.shuttle in screen.ends, "the shuttle ends on the other side"
        self.treadles += screen.treadles
        self.cloth.append(self.cords.union(*(self.lifted(handle) for handle in self.pulled)))

    def _walk(self, screen: Screen) -> None:
        assert not self.behind
        self.pulled.clear()
        self.cords.clear()
        self.behind = True

    def _label(self, screen: Screen) -> None:
        assert self.behind
        assert numbers(screen.heading) <= {int(shaft) for shaft in self.shafts}

    def _insert(self, screen: Screen) -> None:
        assert self.behind
        name = screen.heading.removeprefix("Insert temporary ")
        shaft = re.search(r"on shaft (\d+)", screen.sub)[1]  # type: ignore[index]
        assert re.fullmatch(rf"{shaft}[a-z]+", name)
        # behind the loom, at her left, is the unit that is farthest right from the bench
        last_first = self.units_from == "left"
        assert "from your left" in screen.sub
        assert "start at your left" in screen.counting
        leashes = sorted(self.shafts[shaft], reverse=last_first)
        taken: set[int] = set()
        for count in screen.counts:
            word, number = count.split()
            here, leashes = leashes[: int(number)], leashes[int(number) :]
            assert len(here) == int(number)
            if word.lower() == "take":
                taken |= set(here)
        assert not leashes, "leashes are left over"
        assert name not in self.temporaries
        self.temporaries[name] = taken

    def _move_cords(self, screen: Screen) -> None:
        assert self.behind
        handle = re.search(r"the cords of handle (S?\d+)", screen.heading)[1]  # type: ignore[index]
        onto = re.search(r"(?:to|on) (?:shaft|temporary) (\w+)$", screen.heading)
        self.carries[handle] = onto[1] if onto else None
        if onto:
            assert onto[1] in self.temporaries or onto[1] == handle
            assert list(self.carries.values()).count(onto[1]) == 1
        else:
            assert screen.heading.startswith("Unhook")

    def _withdraw(self, screen: Screen) -> None:
        assert self.behind
        name = screen.heading.removeprefix("Draw out temporary ")
        assert name not in self.carries.values(), f"cords are still on {name}"
        del self.temporaries[name]

    def _test_lift(self, screen: Screen) -> None:
        self.behind = False
        handle = re.fullmatch(r"Pull handle (S?\d+) alone", screen.heading)[1]  # type: ignore[index]
        assert numbers(screen.strip.split(":")[1]) == self.lifted(handle)

    def _done(self, screen: Screen) -> None:
        self.pulled.clear()
        self.cords.clear()
        assert not self.temporaries, "a temporary is still in the loom"
        for handle, carrier in self.carries.items():
            assert carrier == (None if handle.startswith("S") else handle), f"handle {handle} is not home"
