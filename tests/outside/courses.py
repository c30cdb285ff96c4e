"""Random legal starts in the middle of a piece, and ways from there: what "from here" is checked with.

A course is plain JSON values: how far the cloth is (`row`, `picks`), the `phase`, what stands in the loom
(`temporaries`, `cords` that are away, shafts `labelled`), what is up (`raised`, `pulled`), and what is to be
planned: `visits` as [row, picks before, picks after], `until_bare`, `free_now`.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from typing import Any, cast

from server.loom.state import Phase, State, Temporary, handle_order, temporary_order
from server.plan.visits import Visit

Course = dict[str, Any]


def random_course(rng: random.Random, piece: Mapping[str, Any]) -> Course:
    """A course of a piece whose start the loom's rules allow."""
    course: Course = {"labelled": None, "raised": [], "pulled": [], "free_now": rng.random() < 0.2}
    course["until_bare"] = rng.random() < 0.6
    course["phase"] = rng.choice(["down", "woven", "woven", "behind", "raised", "reopened"])
    _random_loom(rng, piece, course)
    _random_way(rng, piece, course)
    if course["phase"] in ("raised", "reopened", "woven"):
        _random_shed(rng, piece, course)
    return course


def _hung(piece: Mapping[str, Any]) -> dict[int, list[int]]:
    hung: dict[int, list[int]] = {}
    for unit, shaft in enumerate(piece["leashes"], 1):
        if shaft:
            hung.setdefault(shaft, []).append(unit)
    return hung


def _random_loom(rng: random.Random, piece: Mapping[str, Any], course: Course) -> None:
    """What stands in the loom: temporaries, two alike too, on handles or on none."""
    loom, hung = piece["loom"], _hung(piece)
    wide = [shaft for shaft, units in hung.items() if len(units) > 1]
    temporaries: list[dict[str, Any]] = []
    for _ in range(rng.randint(0, loom["spare_shafts"]) if wide else 0):
        shaft = rng.choice(wide)
        if sum(t["shaft"] == shaft for t in temporaries) >= loom["temporaries_per_shaft"]:
            continue
        asked = [u for u in hung[shaft] if rng.choice(piece["rows"])[u - 1] == "#"]
        row = rng.choice(piece["rows"])
        as_asked = [u for u in hung[shaft] if row[u - 1] == "#"]
        units = rng.choice([asked, as_asked, rng.sample(hung[shaft], rng.randint(1, len(hung[shaft]) - 1))])
        alike = [t["units"] for t in temporaries if t["shaft"] == shaft]
        if alike and rng.random() < 0.3:
            units = rng.choice(alike)
        if 0 < len(units) < len(hung[shaft]):
            letters = [c for c in "abcxyz" if all(t["name"] != f"{shaft}{c}" for t in temporaries)]
            temporaries.append(
                {"name": f"{shaft}{rng.choice(letters)}", "shaft": shaft, "units": sorted(units)}
            )
    cords: dict[str, str | None] = {}
    waiting = list(temporaries)
    rng.shuffle(waiting)
    for t in waiting:
        free = [
            h
            for h in [str(t["shaft"]), *(f"S{n + 1}" for n in range(loom["spare_handles"]))]
            if h not in cords
        ]
        if free and rng.random() < 0.8:
            cords[rng.choice(free)] = t["name"]
    if course["phase"] == "behind":
        for shaft in range(1, loom["pattern_shafts"] + 1):
            if str(shaft) not in cords and rng.random() < 0.3:
                cords[str(shaft)] = None
    if temporaries or rng.random() < 0.5:
        course["labelled"] = sorted(
            {t["shaft"] for t in temporaries} | set(rng.sample(sorted(hung), rng.randint(0, len(hung))))
        )
    course["temporaries"], course["cords"] = temporaries, cords


def _random_way(rng: random.Random, piece: Mapping[str, Any], course: Course) -> None:
    """Forwards to the end or to another row, backwards, or back and forth."""
    rows = len(piece["rows"])

    def picks(row: int) -> int:
        return piece["picks_per_row"][(row - 1) % len(piece["picks_per_row"])]

    def somewhere() -> tuple[int, int]:
        row = rng.randint(0, rows)
        within = row < rows and picks(row + 1) > 1 and rng.random() < 0.3
        return (row, rng.randint(1, picks(row + 1) - 1)) if within else (row, 0)

    def walk_to(row: int, part: int, to_row: int, to_part: int) -> list[list[int]]:
        if (row, part) < (to_row, to_part):
            return [[r, part if r == row + 1 else 0, picks(r)] for r in range(row + 1, to_row + 1)]
        first = row + 1 if part else row
        return [
            [r, part if r == row + 1 else picks(r), to_part if r == to_row + 1 else 0]
            for r in range(first, to_row, -1)
        ]

    here = somewhere()
    kind = rng.choice(["to the end", "to the end", "forwards", "backwards", "back and forth"])
    if kind == "forwards":
        there = (rng.randint(here[0] + 1, rows), 0) if here[0] < rows else here
        visits = walk_to(*here, *there) if there != here else []
    elif kind == "to the end":
        visits = walk_to(*here, rows, 0) if here != (rows, 0) else []
    else:
        back = min(somewhere(), here)
        visits = walk_to(*here, *back) if back != here else []
        if kind == "back and forth" and back != (rows, 0):
            visits += walk_to(*back, rng.randint(back[0] + 1, rows), 0)
    course["row"], course["picks"], course["visits"] = *here, visits
    if visits and 0 < visits[-1][2] < picks(visits[-1][0]):
        course["until_bare"] = False
    if not visits and here[1]:
        course["until_bare"] = False
    if course["phase"] == "raised" and here[0] == rows:
        course["phase"] = "woven"
    if course["phase"] == "reopened" and here == (0, 0):
        course["phase"] = "down"


def _random_shed(rng: random.Random, piece: Mapping[str, Any], course: Course) -> None:
    """Handles and single cords that can be up as the loom stands, right for some row or not."""
    loom, hung = piece["loom"], _hung(piece)
    on: dict[str, str | None] = {str(shaft): str(shaft) for shaft in hung} | course["cords"]
    for handle, carrier in on.items():
        shaft = int("".join(c for c in carrier or "" if c.isdigit()) or 0)
        others = [t for t in course["temporaries"] if t["shaft"] == shaft and t["name"] != carrier]
        if carrier and hung.get(shaft) and not (others and not loom["temporaries_may_stay"]):
            course["raised"] += [handle] * (rng.random() < 0.5)
    course["pulled"] = [unit for unit in piece["single_cords"] if rng.random() < 0.3]


def state_of(course: Course) -> State:
    """The course's start as the server has it."""
    phase, row, picks = course["phase"], course["row"], course["picks"]
    if phase == "raised" or (phase == "reopened" and picks):
        row += 1
    return State(
        phase=cast(Phase, "raised" if phase == "reopened" else phase),
        row=row,
        temporaries=tuple(
            sorted(
                (Temporary(t["name"], t["shaft"], frozenset(t["units"])) for t in course["temporaries"]),
                key=lambda t: temporary_order(t.name),
            )
        ),
        away=tuple(sorted(course["cords"].items(), key=lambda item: handle_order(item[0]))),
        raised=frozenset(course["raised"]),
        pulled=frozenset(course["pulled"]),
        labelled=None if course["labelled"] is None else frozenset(course["labelled"]),
        reopened=phase == "reopened",
        picks=picks,
    )


def visits_of(course: Course) -> tuple[Visit, ...]:
    """The course's visits as the server has them."""
    return tuple(Visit(*visit) for visit in course["visits"])


def is_within_a_row(course: Course) -> bool:
    """Whether a walk now would break off a row in the middle of which she is, and she is not up already."""
    if course["phase"] == "behind" or course["free_now"] or not course["visits"]:
        return False
    shed_of = {"raised": course["row"] + 1, "reopened": course["row"] + bool(course["picks"])}
    return course["picks"] > 0 or shed_of.get(course["phase"]) == course["visits"][0][0]


def course_of(start: State, visits: Sequence[Visit], until_bare: bool = True) -> Course:
    """The other way about, for a start in which no shed is raised to be used."""
    return {
        "row": start.row,
        "picks": start.picks,
        "phase": start.phase,
        "temporaries": [
            {"name": t.name, "shaft": t.parent, "units": sorted(t.units)} for t in start.temporaries
        ],
        "cords": dict(start.away),
        "labelled": None if start.labelled is None else sorted(start.labelled),
        "raised": sorted(start.raised),
        "pulled": sorted(start.pulled),
        "visits": [[visit.row, visit.before, visit.after] for visit in visits],
        "until_bare": until_bare,
        "free_now": False,
    }
