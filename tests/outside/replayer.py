"""A second replay of a work order, written from WORKORDER.md alone: it shares nothing with `server`.

It takes plain JSON values and returns everything that is wrong, as sentences; an empty list: nothing.
"""

from __future__ import annotations

import json
import math
import re
from fractions import Fraction
from typing import Any

STEP_KEYS = {
    "raise": {"row", "handles", "single_cords"},
    "reopen": {"row", "handles", "single_cords"},
    "weave": {"row", "picks", "treadles"},
    "take_out": {"row", "picks", "treadles", "left"},
    "walk": set(),
    "label": {"shafts"},
    "insert": {"shaft", "temporary", "units"},
    "move_cords": {"handle", "from", "to"},
    "withdraw": {"temporary"},
    "done": set(),
}
TOTALS = {"walks", "insertions", "units_taken", "withdrawals", "cord_moves", "pulls", "minutes"}
ORDER_KEYS = {"format", "version", "proven", "bound", "totals", "steps"}
DEFAULT_MINUTES = {"walk": 1.5, "insert": 1.0, "take": 0.05, "withdraw": 0.5, "move_cords": 0.5, "pull": 0.02}
BEHIND = {"label", "insert", "move_cords", "withdraw"}


def faults_in_text(piece: str, order: str) -> list[str]:
    """As `faults`, from the two files' text; duplicate keys and endless numbers are faults too."""
    found: list[str] = []

    def pairs(items: list[tuple[str, Any]]) -> dict[str, Any]:
        if len(dict(items)) != len(items):
            found.append("a key stands twice")
        return dict(items)

    def constant(word: str) -> float:
        found.append(f"{word} is no JSON number")
        return float(word)

    content = json.loads(order, object_pairs_hook=pairs, parse_constant=constant)
    return found + faults(json.loads(piece), content)


def faults(piece: dict[str, Any], order: Any, course: dict[str, Any] | None = None) -> list[str]:
    """Everything that is wrong with a work order for a piece (a valid one), both as parsed JSON.

    Args:
        course: where the order begins and what it goes through (`tests/outside/courses.py`); None: the
            whole piece, from the bare loom.
    """
    return _Replay(piece, course).run(order)


def is_count(value: Any, least: int = 0) -> bool:
    """A JSON integer: not 5.0, not true."""
    return isinstance(value, int) and not isinstance(value, bool) and value >= least


def is_minutes(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def are_counts(value: Any) -> bool:
    return isinstance(value, list) and all(is_count(entry, 1) for entry in value)


def are_texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(entry, str) for entry in value)


class _Temporary:
    """One temporary in the loom. Two that bear the same name one after the other are two things."""

    def __init__(self, name: str, shaft: int, units: frozenset[int]) -> None:
        self.name, self.shaft, self.units = name, shaft, units


class _Replay:
    def __init__(self, piece: dict[str, Any], course: dict[str, Any] | None) -> None:
        loom = piece["loom"]
        self.leashes: list[int] = piece["leashes"]
        self.rows: list[str] = piece["rows"]
        self.shafts: int = loom["pattern_shafts"]
        self.most: int = loom.get("spare_shafts", 0)
        self.most_of_one: int = loom.get("temporaries_per_shaft", 2)
        self.may_stay: bool = loom.get("temporaries_may_stay", True)
        self.spare = {f"S{number}" for number in range(1, loom.get("spare_handles", 0) + 1)}
        self.cords = set(
            piece.get("single_cords", [unit for unit, shaft in enumerate(self.leashes, 1) if shaft == 0])
        )
        self.picks: list[int] = piece.get("picks_per_row", [1])
        self.treadling: list[int] = piece.get("treadling", list(range(1, loom.get("treadles", 1) + 1)))
        self.minutes = {**DEFAULT_MINUTES, **piece.get("minutes", {})}
        self.free, self.barred = set(piece.get("free_walks", [])), set(piece.get("no_walks", []))
        self.hung = {
            shaft: frozenset(unit for unit, on in enumerate(self.leashes, 1) if on == shaft)
            for shaft in range(1, self.shafts + 1)
        }
        # what each handle's cords are on: "shaft", a temporary, or None
        self.on: dict[str, Any] = {str(shaft): "shaft" for shaft in self.hung}
        self.on |= dict.fromkeys(self.spare)
        self.loom: list[_Temporary] = []
        self.found: list[str] = []
        # rows that are in, picks of the next one; the row whose shed stands unused, and what for
        self.woven = self.part = self.raised = 0
        self.opened = self.behind = self.finished = self.walked = self.changed = self.under_way = False
        # per walk: rows that are in, whether it costs
        self.walks: list[tuple[int, bool]] = []
        self.done_behind: list[str] = []
        self.began: dict[str, Any] = {}
        self.labels: list[list[int]] = []
        self.numbered: set[int] = set()
        # what is to be done, [row, picks before, picks after], and how much of it is
        self.visits = [[row, 0, self.picks_of(row)] for row in range(1, len(self.rows) + 1)]
        self.visited = 0
        self.until_bare, self.free_now = True, False
        self.parents: set[int] = set()
        self.sum = dict.fromkeys(TOTALS - {"minutes"}, 0)
        self.where = ""
        if course is not None:
            self.begin(course)

    def begin(self, course: dict[str, Any]) -> None:
        self.woven, self.part, self.visits = course["row"], course["picks"], course["visits"]
        self.until_bare, self.free_now = course["until_bare"], course["free_now"]
        self.numbered = set(course["labelled"] or ())
        self.loom = [_Temporary(t["name"], t["shaft"], frozenset(t["units"])) for t in course["temporaries"]]
        for handle, on in course["cords"].items():
            self.on[handle] = None if on is None else self.named(on)
        if course["phase"] == "behind":
            self.behind = self.under_way = self.walked = True
            self.began = dict(self.on)

    def picks_of(self, row: int) -> int:
        return self.picks[(row - 1) % len(self.picks)]

    def wrong(self, what: str) -> None:
        self.found.append(f"{self.where}{what}")

    # --- the file ---------------------------------------------------------------------------------

    def run(self, order: Any) -> list[str]:
        if not isinstance(order, dict):
            return ["the order is not an object"]
        self.keys(order, ORDER_KEYS)
        if order.get("format") != "spareshaft-workorder" or not is_count(order.get("version"), 1):
            self.wrong("format or version is wrong")
        elif order["version"] != 1:
            self.wrong("version is not 1")
        steps = order.get("steps")
        if not isinstance(steps, list):
            self.wrong("steps is not a list")
            return self.found
        for place, step in enumerate(steps, 1):
            self.where = f"step {place}: "
            self.step(step)
        self.where = ""
        self.end()
        self.totals(order)
        return self.found

    def keys(self, content: dict[str, Any], known: set[str], extra: bool = True) -> bool:
        for key in content.keys() - known - ({"extra"} if extra else set()):
            self.wrong(f"unknown key {key!r}")
        if extra and "extra" in content and not isinstance(content["extra"], dict):
            self.wrong("extra is not an object")
        missing = known - content.keys()
        for key in missing:
            self.wrong(f"key {key!r} is missing")
        return not missing

    def step(self, step: Any) -> None:
        kind = step.get("kind") if isinstance(step, dict) else None
        if not isinstance(kind, str) or kind not in STEP_KEYS:
            self.wrong("no step of a known kind")
            return
        if self.finished:
            self.wrong(f"{kind} after done")
        if not self.keys(step, STEP_KEYS[kind] | {"kind"}):
            return
        if kind in BEHIND:
            if not self.behind:
                self.wrong(f"{kind} without a walk")
            self.done_behind.append(kind)
            self.changed |= kind != "label"
        getattr(self, f"do_{kind}")(step)
        if len(self.loom) > self.most:
            self.wrong(f"{len(self.loom)} temporaries in the loom, {self.most} spare shafts")
        for shaft in self.hung:
            if sum(t.shaft == shaft for t in self.loom) > self.most_of_one:
                self.wrong(f"too many temporaries of shaft {shaft}")

    # --- one step each ----------------------------------------------------------------------------

    def named(self, name: Any) -> _Temporary | None:
        return next((t for t in self.loom if t.name == name), None)

    def come_back(self) -> None:
        if not self.behind:
            return
        self.behind = False
        if not self.done_behind and not self.under_way:
            self.wrong("nothing was done on the walk")
        self.under_way = False
        for handle, before in self.began.items():
            self.sum["cord_moves"] += self.on[handle] is not before
            if self.on[handle] is None and handle not in self.spare:
                self.wrong(f"the cords of handle {handle} hang free after the walk")

    def do_walk(self, step: dict[str, Any]) -> None:
        if self.behind:
            self.wrong("walk upon walk")
            self.come_back()
        if self.raised:
            self.wrong("walk between raising and weaving")
        if self.walked:
            self.wrong(f"two walks after row {self.woven}")
        if not self.part and self.woven in self.barred:
            self.wrong(f"walk after row {self.woven}, where none may be made")
        if self.part and self.visited:
            self.wrong(f"walk within row {self.woven + 1}")
        free_as_said = self.free_now and not self.visited
        self.walks.append((self.woven, not free_as_said and (self.part > 0 or self.woven not in self.free)))
        self.behind, self.walked, self.done_behind, self.began = True, True, [], dict(self.on)
        self.sum["walks"] += 1

    def do_label(self, step: dict[str, Any]) -> None:
        shafts = step["shafts"]
        if not are_counts(shafts):
            self.wrong("shafts is not a list of numbers")
            return
        if self.changed or self.labels:
            self.wrong("label comes after something was changed, or again")
        if len(set(shafts)) != len(shafts) or set(shafts) & self.numbered:
            self.wrong("label names a shaft twice")
        self.labels.append(shafts)

    def do_insert(self, step: dict[str, Any]) -> None:
        shaft, name, units = step["shaft"], step["temporary"], step["units"]
        if not is_count(shaft, 1) or shaft not in self.hung:
            self.wrong(f"there is no shaft {shaft!r}")
            return
        if not isinstance(name, str) or not re.fullmatch(f"{shaft}[a-z]+", name):
            self.wrong(f"{name!r} is no name for a temporary of shaft {shaft}")
            return
        if not are_counts(units):
            self.wrong("units is not a list of numbers")
            return
        if self.named(name):
            self.wrong(f"{name} is in the loom already")
        part = frozenset(units)
        if len(part) != len(units):
            self.wrong("a unit is named twice")
        if not part or not part < self.hung[shaft]:
            self.wrong(f"{sorted(part)} is no proper, non-empty part of shaft {shaft}")
        self.loom.append(_Temporary(name, shaft, part))
        self.parents.add(shaft)
        self.sum["insertions"] += 1
        self.sum["units_taken"] += len(part)

    def do_withdraw(self, step: dict[str, Any]) -> None:
        temporary = self.named(step["temporary"])
        if temporary is None:
            self.wrong(f"{step['temporary']!r} is not in the loom")
            return
        if any(on is temporary for on in self.on.values()):
            self.wrong(f"{temporary.name} still has cords on it")
        self.loom.remove(temporary)
        self.sum["withdrawals"] += 1

    def do_move_cords(self, step: dict[str, Any]) -> None:
        handle, source, target = step["handle"], step["from"], step["to"]
        if not isinstance(handle, str) or handle not in self.on:
            self.wrong(f"there is no handle {handle!r}")
            return
        now = self.on[handle]
        if (handle if now == "shaft" else now.name if now else None) != source:
            self.wrong(f"the cords of handle {handle} are not on {source!r}")
        if source == target:
            self.wrong("cords moved to where they are")
        if target is None:
            self.on[handle] = None
        elif handle not in self.spare and target == handle:
            self.on[handle] = "shaft"
        else:
            temporary = self.named(target)
            if temporary is None:
                self.wrong(f"handle {handle} cannot carry {target!r}")
                return
            if handle not in self.spare and temporary.shaft != int(handle):
                self.wrong(f"handle {handle} cannot carry a temporary of shaft {temporary.shaft}")
            if any(on is temporary for other, on in self.on.items() if other != handle):
                self.wrong(f"two handles on {target}")
            self.on[handle] = temporary

    def do_reopen(self, step: dict[str, Any]) -> None:
        self.do_raise(step, out=True)

    def do_raise(self, step: dict[str, Any], out: bool = False) -> None:
        self.come_back()
        row, handles, cords = step["row"], step["handles"], step["single_cords"]
        if self.raised:
            self.wrong("raise before the row before is woven")
        following = self.woven + (self.part > 0 or not out)
        if not is_count(row, 1) or row != following or row > len(self.rows):
            self.wrong(f"row {row!r} is not the next")
            return
        if self.visited < len(self.visits):
            visit, before, after = self.visits[self.visited]
            if (row, out) != (visit, after < before):
                self.wrong(f"row {row} is not what is to be done next")
        self.raised, self.opened, self.walked = row, out, False
        if not are_texts(handles) or not are_counts(cords):
            self.wrong("handles or single_cords is not a list of such")
            return
        if len(set(handles)) != len(handles) or len(set(cords)) != len(cords):
            self.wrong("something is raised twice")
        self.sum["pulls"] += len(handles) + len(cords)
        up: set[int] = set()
        for handle in handles:
            on = self.on.get(handle)
            if on is None:
                self.wrong(f"handle {handle} carries nothing or is not there")
                continue
            shaft = int(handle) if on == "shaft" else on.shaft
            up |= self.hung[shaft] if on == "shaft" else on.units
            if not self.may_stay and any(t is not on for t in self.loom if t.shaft == shaft):
                self.wrong(f"shaft {shaft}: raised while another temporary of it is in the loom")
        for unit in cords:
            if unit not in self.cords:
                self.wrong(f"unit {unit} has no single cord")
            up.add(unit)
        if up != {unit for unit, cell in enumerate(self.rows[row - 1], 1) if cell == "#"}:
            self.wrong(f"row {row} lifts other units than it should")

    def do_weave(self, step: dict[str, Any]) -> None:
        row = step["row"]
        if not self.used(row, out=False):
            return
        self.trodden(step, list(range(self.part, self.picks_of(row))))
        self.woven, self.part = row, 0

    def do_take_out(self, step: dict[str, Any]) -> None:
        row, left = step["row"], step["left"]
        if not self.used(row, out=True):
            return
        before = self.part or self.picks_of(row)
        wanted = self.visits[self.visited - 1][2] if self.visited <= len(self.visits) else None
        if not is_count(left) or left >= before or left != wanted:
            self.wrong(f"{left!r} picks of row {row} are left")
            return
        self.trodden(step, list(range(before - 1, left - 1, -1)))
        self.woven, self.part = row - 1, left

    def used(self, row: Any, out: bool) -> bool:
        if not is_count(row, 1) or row != self.raised or self.opened != out:
            self.wrong(f"row {row!r} is not raised")
        if self.behind:
            self.wrong("woven on a walk")
        self.raised = 0
        self.visited += 1
        return is_count(row, 1) and row <= len(self.rows)

    def trodden(self, step: dict[str, Any], picks: list[int]) -> None:
        row = step["row"]
        start = sum(self.picks_of(r) for r in range(1, row))
        treadles = [self.treadling[(start + pick) % len(self.treadling)] for pick in picks]
        if not is_count(step["picks"], 1) or step["picks"] != len(picks):
            self.wrong(f"row {row} has {len(picks)} picks")
        if not are_counts(step["treadles"]) or step["treadles"] != treadles:
            self.wrong(f"row {row} has treadles {treadles}")

    def do_done(self, step: dict[str, Any]) -> None:
        self.come_back()
        self.finished = True

    # --- the whole --------------------------------------------------------------------------------

    def end(self) -> None:
        if self.finished != (self.until_bare and self.woven == len(self.rows)):
            self.wrong("done is not last")
        if self.visited != len(self.visits):
            self.wrong(f"{self.visited} of {len(self.visits)} rows are woven")
        if self.raised:
            self.wrong("the last row raised is not woven")
        if self.behind and (self.visits or self.until_bare):
            self.come_back()
            if not self.until_bare:
                self.wrong("a walk for nothing at the end")
        if [set(shafts) for shafts in self.labels] != (
            [self.parents - self.numbered] if self.parents - self.numbered else []
        ):
            self.wrong("label does not name the parents of all temporaries, once")
        if not self.until_bare:
            return
        for temporary in self.loom:
            self.wrong(f"{temporary.name} is still in the loom")
        for handle, on in self.on.items():
            if on is not (None if handle in self.spare else "shaft"):
                self.wrong(f"the cords of handle {handle} are not home")

    def totals(self, order: dict[str, Any]) -> None:
        totals, bound, proven = order.get("totals"), order.get("bound"), order.get("proven")
        if not isinstance(totals, dict):
            self.wrong("totals is not an object")
            return
        if not self.keys(totals, TOTALS, extra=False):
            return
        for key, value in self.sum.items():
            if not is_count(totals[key]) or totals[key] != value:
                self.wrong(f"totals: {key} is {value}, not {totals[key]!r}")
        cost = {key: Fraction(repr(value)) for key, value in self.minutes.items()}
        minutes = (
            cost["walk"] * sum(paid for _, paid in self.walks)
            + cost["insert"] * self.sum["insertions"]
            + cost["take"] * self.sum["units_taken"]
            + cost["withdraw"] * self.sum["withdrawals"]
            + cost["move_cords"] * self.sum["cord_moves"]
            + cost["pull"] * self.sum["pulls"]
        )
        claimed = totals["minutes"]
        if not is_minutes(claimed):
            self.wrong(f"totals: minutes is {claimed!r}")
            return
        # half a millionth for rounding; a millionth of a millionth of the sum for binary fractions
        allowed = Fraction(6, 10**7) + minutes / 10**12
        if abs(Fraction(claimed) - minutes) > allowed or round(claimed, 6) != claimed:
            self.wrong(f"totals: minutes is {float(minutes)}, not {claimed!r}")
        if not isinstance(proven, bool):
            self.wrong("proven is neither true nor false")
        if not is_minutes(bound):
            self.wrong(f"bound is {bound!r}")
        elif Fraction(bound) > Fraction(claimed) + Fraction(1, 10**6):
            self.wrong("bound is above minutes")
        elif proven is True and Fraction(bound) < Fraction(claimed) - Fraction(2, 10**6):
            self.wrong("proven, but bound is below minutes")
