"""Warps: parts, what they make together, and their text; hostile texts are refused in a sentence."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.design.piece_file import Unusable
from server.design.threads import MOST_ENDS, Threads, threads_content, threads_of
from server.design.warp import (
    MOST_PARTS,
    MOST_UNITS,
    Part,
    PartKind,
    Warp,
    counted_from_back,
    hang,
    read_warp,
    write_warp,
)
from server.loom.ground import in_order, plain_weave, satin, twill
from server.loom.state import Loom

LOOM = Loom(leashes=(), single_cords=frozenset(), pattern_shafts=12, name="The big loom", spare_shafts=2)


def hung(*parts: Part, loom: Loom = LOOM, **more: Any) -> Warp:
    return hang("A warp", loom, parts, satin(5, 2), **more)


def leashes(part: Part) -> tuple[int, ...]:
    return part.order().leashes


# --- parts -----------------------------------------------------------------------------------------------


def test_what_the_parts_hang() -> None:
    """Common practice, no source (TRADE.md, the leash order)."""
    assert leashes(Part("straight", shafts=3, first=2, times=2)) == (2, 3, 4, 2, 3, 4)
    assert leashes(Part("pointed", shafts=3)) == (1, 2, 3, 2, 1)
    assert leashes(Part("pointed", shafts=3, hung=2)) == (1, 2, 3, 3, 2, 1)
    assert leashes(Part("straight", shafts=3, mirrored=True)) == (3, 2, 1)
    free = Part("free", leashes=(4, 0, 4)).order()
    assert (free.leashes, free.single_cords) == ((4, 0, 4), (2,))
    assert Part("single", shafts=3).order().single_cords == (1, 2, 3)
    both = Part("straight", shafts=2, corded=True).order()
    assert (both.leashes, both.single_cords) == ((1, 2), (1, 2))


def test_a_falling_part_begins_at_the_last_of_its_shafts() -> None:
    """Common practice, no source: a point may as well go down first and then up."""
    assert leashes(Part("straight", shafts=3, first=2, falling=True)) == (4, 3, 2)
    assert leashes(Part("pointed", shafts=3, falling=True)) == (3, 2, 1, 2, 3)
    assert leashes(Part("free", leashes=(1, 2), falling=True)) == (1, 2)


PARTS = st.builds(
    Part,
    kind=st.sampled_from(get_args(PartKind)),
    shafts=st.integers(1, 5),
    first=st.integers(1, 8),
    times=st.integers(1, 3),
    hung=st.integers(1, 2),
    corded=st.booleans(),
    falling=st.booleans(),
    mirrored=st.booleans(),
    leashes=st.lists(st.integers(0, 12), min_size=1, max_size=9).map(tuple),
    ends=st.lists(st.integers(1, 6), min_size=1, max_size=3).map(tuple),
    leashes_each=st.lists(st.integers(1, 3), min_size=1, max_size=3).map(tuple),
)


@given(PARTS)
def test_counted_from_the_back_the_same_units_hang_together(part: Part) -> None:
    turned = counted_from_back(part, 12)
    assert leashes(turned) == tuple(13 - shaft if shaft else 0 for shaft in leashes(part))
    assert counted_from_back(turned, 12) == part


@given(st.lists(PARTS, min_size=1, max_size=4))
def test_what_is_written_and_read_again_is_the_same(parts: list[Part]) -> None:
    warp = hung(*parts, selvedge_ends=(3, 4), ends_per_cm=Fraction("7.2"), treadling=(1, 3, 2))
    assert read_warp(write_warp(warp)) == warp
    assert warp.units == len(warp.threads.ends_per_unit) == sum(len(part.order()) for part in parts)


def test_counts_are_used_in_turn_and_from_the_right_in_a_mirrored_part() -> None:
    warp = hung(
        Part("straight", shafts=3, ends=(4, 5), leashes_each=(1, 2)),
        Part("straight", shafts=3, ends=(4, 5), leashes_each=(1, 2), mirrored=True),
    )
    assert warp.threads.ends_per_unit == (4, 5, 4, 4, 5, 4)
    assert warp.loom.leashes_per_unit == (1, 2, 1, 1, 2, 1)
    assert hung(Part("straight", shafts=3)).loom.leashes_per_unit == ()


def test_selvedge_ends_belong_to_no_unit() -> None:
    warp = hung(Part("straight", shafts=10), selvedge_ends=(6, 2), ends_per_cm=Fraction(16))
    assert (warp.units, warp.threads.ends, warp.threads.width_cm) == (10, 48, 3.0)


def test_the_treadles_in_order_are_the_usual_treadling() -> None:
    assert hung(Part("single", shafts=2)).treadling == (1, 2, 3, 4, 5)
    assert hung(Part("single", shafts=2)).loom.treadles == 5


TOO_MUCH: list[tuple[dict[str, Any], str]] = [
    ({"parts": ()}, "at least one part"),
    ({"parts": (Part("straight"),) * (MOST_PARTS + 1)}, "put some together"),
    ({"parts": (Part("straight", shafts=13),)}, "takes 13 pattern shafts; the loom has 12"),
    ({"parts": (Part("straight", shafts=0),)}, "Part 1: "),
    ({"parts": (Part("straight", shafts=-5, times=-5),)}, "Part 1: "),
    ({"parts": (Part("straight", shafts=5, first=-5),)}, "Part 1: "),
    ({"parts": (Part("straight"), Part("straight", shafts=10**30))}, "Part 2: "),
    ({"parts": (Part("straight", shafts=12, times=10**30),)}, "more than any loom holds"),
    ({"parts": (Part("single", shafts=MOST_UNITS), Part("single"))}, "more than 5,000 units"),
    ({"parts": (Part("free"),)}, "takes a list of shafts"),
    ({"parts": (Part("free", leashes=(-1,)),)}, "counted from 1"),
    ({"parts": (Part("pointed", shafts=3, hung=3),)}, "once or twice"),
    ({"parts": (Part("straight", ends=()),)}, "at least 1 end"),
    ({"parts": (Part("straight", ends=(0,)),)}, "at least 1 end"),
    ({"parts": (Part("straight", leashes_each=(0,)),)}, "at least 1 leash"),
    ({"parts": (Part("single", shafts=1_000, ends=(1_000,)),)}, f"{MOST_ENDS:,} are the most"),
    ({"treadling": (1, 6)}, "There is no treadle 6"),
    ({"treadling": (0,)}, "There is no treadle 0"),
    ({"selvedge_ends": (-1, 0)}, "fewer than 0 ends"),
    ({"ends_per_cm": Fraction(0)}, "above 0"),
    ({"ends_per_cm": Fraction("1e-320")}, "above 0"),  # a width that no number holds
    ({"picks_per_cm": Fraction(1_001)}, "at most 1,000"),
]


@pytest.mark.parametrize(("changed", "why"), TOO_MUCH)
def test_what_cannot_be_hung_is_refused_in_a_sentence(changed: dict[str, Any], why: str) -> None:
    asked: dict[str, Any] = {"parts": (Part("straight", shafts=4),)} | changed
    parts = asked.pop("parts")
    with pytest.raises(ValueError, match=r"^[^\n]+\.$") as refused:
        hung(*parts, **asked)
    assert why in str(refused.value)


# --- texts -----------------------------------------------------------------------------------------------


def content(**changed: Any) -> dict[str, Any]:
    written: dict[str, Any] = json.loads(write_warp(hung(Part("pointed", shafts=4))))
    return written | changed


def part(**changed: Any) -> list[dict[str, Any]]:
    return [content()["parts"][0] | changed]


GROUND = content()["ground"]
HUGE = 10**30

HOSTILE: list[Any] = [
    [],
    None,
    {},
    content(format="spareshaft-piece"),
    content(version=2),
    content(name=7),
    content(name="x" * 201),
    content(nonsense=1),
    content(parts=[]),
    content(parts={}),
    content(parts=part() * (MOST_PARTS + 1)),
    content(parts=part(kind="brocade")),
    content(parts=part(shafts=0)),
    content(parts=part(shafts=HUGE)),
    content(parts=part(shafts=True)),
    content(parts=part(shafts=3.5)),
    content(parts=part(times="3")),
    content(parts=part(times=-1)),
    content(parts=part(hung=3)),
    content(parts=part(falling="yes")),
    content(parts=part(ends=[])),
    content(parts=part(ends=[0])),
    content(parts=part(ends=[HUGE])),
    content(parts=part(leashes_each=[-1])),
    content(parts=part(kind="free", leashes=[])),
    content(parts=part(kind="free", leashes=[-1])),
    content(parts=part(kind="free", leashes=[HUGE])),
    content(parts=part(kind="free", leashes=[1] * (MOST_UNITS + 1))),
    content(parts=part(kind="single", shafts=MOST_UNITS) * 2),
    content(loom={}),
    content(loom=content()["loom"] | {"pattern_shafts": 3}),
    content(loom=content()["loom"] | {"spare_shafts": -1}),
    content(ground={}),
    content(ground=GROUND | {"shafts": 0}),
    content(ground=GROUND | {"shafts": HUGE}),
    content(ground=GROUND | {"treadles": []}),
    content(ground=GROUND | {"treadles": [{"rises": [1], "sinks": [1]}]}),
    content(ground=GROUND | {"treadles": [{"rises": [9]}]}),
    content(ground=GROUND | {"treadles": [{"rises": [1]}] * 1_001}),
    content(ground=GROUND | {"threading": []}),
    content(ground=GROUND | {"threading": [6]}),
    content(ground=GROUND | {"selvedge": [-1]}),
    content(treadling=[6]),
    content(treadling=[0]),
    content(treadling=[1] * 100_001),
    content(selvedge_ends=[1]),
    content(selvedge_ends=[1, HUGE]),
    content(ends_per_cm=0),
    content(ends_per_cm="20"),
    content(picks_per_cm=-3),
    content(picks_per_cm=1e300),
    content(minutes={"walk": -1}),
    content(minutes={"walk": 1e300}),
]


@pytest.mark.parametrize("text", HOSTILE, ids=lambda text: json.dumps(text)[-60:])
def test_hostile_warps_are_refused_in_a_sentence(text: Any) -> None:
    with pytest.raises(Unusable, match=r"^[^\n]{1,400}$"):
        read_warp(json.dumps(text))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "NaN",
        "[" * 100_000,
        json.dumps(content()).replace("20.0", "NaN"),
        json.dumps(content()).replace("20.0", "9" * 5_000),
        json.dumps(content()).replace("20.0", "Infinity"),
        '{"name": "\\ud800"}',
        '{"a": 1, "a": 2}',
        b"\xff\xfe",
    ],
    ids=repr,
)
def test_texts_that_are_no_warp_are_refused_in_a_sentence(text: str | bytes) -> None:
    with pytest.raises(Unusable):
        read_warp(text)


def test_names_of_every_script_stay_as_they_are() -> None:
    for name in ("", "שטיח הנמל", "\u202eelbat", "مفرش", "a\x00b", "🧵" * 200):
        warp = replace(hung(Part("single")), name=name)
        assert read_warp(write_warp(warp)).name == name


# --- threads ---------------------------------------------------------------------------------------------


def test_threads_come_back_from_the_extra_of_a_piece() -> None:
    threads = Threads((4, 5, 4), twill(4, 2), Fraction("7.2"), Fraction(18), (2, 3))
    assert threads_of({"threads": threads_content(threads)}, 3, 4) == threads
    assert (threads.ends, threads.usual_ends) == (18, 4)


def test_of_two_numbers_as_common_the_smaller_is_the_usual() -> None:
    assert Threads((5, 4, 4, 5), plain_weave()).usual_ends == 4
    assert Threads((), plain_weave()).usual_ends == 1


def test_a_cell_is_as_high_as_wide_with_as_many_picks_as_ends_in_a_cloth_wefted_square() -> None:
    """T. F. Bell, Jacquard Weaving and Designing, 1895 (SOURCES.md, 3)."""
    assert Threads((4,), plain_weave(), Fraction(100), Fraction(100)).proportion(Fraction(4)) == 1
    assert Threads((2,), plain_weave(), Fraction(100), Fraction(150)).proportion(Fraction(3)) == 1
    assert Threads((3,), plain_weave(), Fraction(100), Fraction(150)).proportion(Fraction(9, 2)) == 1


THREADS = threads_content(Threads((4, 4, 4), in_order((1, 3, 2), 1)))


@pytest.mark.parametrize(
    "extra",
    [
        {},
        {"threads": None},
        {"threads": []},
        {"threads": {}},
        {"threads": THREADS | {"more": 1}},
        {"threads": THREADS | {"ends_per_unit": [4, 4]}},
        {"threads": THREADS | {"ends_per_unit": [4, 4, 0]}},
        {"threads": THREADS | {"ends_per_unit": [4, 4, HUGE]}},
        {"threads": THREADS | {"ends_per_unit": [4, 4, "4"]}},
        {"threads": THREADS | {"ends_per_unit": [MOST_ENDS] * 3}},
        {"threads": THREADS | {"ends_per_cm": float("nan")}},
        {"threads": THREADS | {"ends_per_cm": float("inf")}},
        {"threads": THREADS | {"picks_per_cm": 0}},
        {"threads": THREADS | {"selvedge_ends": [1]}},
        {"threads": THREADS | {"selvedge_ends": [-1, 0]}},
        {"threads": THREADS | {"ground": None}},
        {"threads": THREADS | {"ground": THREADS["ground"] | {"threading": [4]}}},
        {
            "threads": THREADS
            | {"ground": THREADS["ground"] | {"treadles": [{"rises": [1], "sinks": [1]}] * 3}}
        },
    ],
    ids=str,
)
def test_what_is_no_threads_of_this_loom_counts_as_none(extra: dict[str, Any]) -> None:
    assert threads_of(extra, 3, 3) is None
    assert threads_of({"threads": THREADS}, 3, 3) is not None
    assert threads_of({"threads": THREADS}, 3, 4) is None
