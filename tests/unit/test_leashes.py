"""Leash orders and what they are built from."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.loom.leashes import LeashOrder, corded, free, mirrored, pointed, single, straight


def test_wolfensberger_a_point_draw_of_12_shafts_repeats_on_22() -> None:
    """A. Wolfensberger, Theory of Silk Weaving, 2nd ed., 1921 (SOURCES.md, 2): twice the shafts less 2."""
    order = pointed(12, points=4).leashes
    assert len(pointed(12, points=2)) - len(pointed(12)) == 22
    assert all(order[unit] == order[unit + 22] for unit in range(len(order) - 22))
    # and on no fewer
    assert not any(
        all(order[unit] == order[unit + repeat] for unit in range(len(order) - repeat))
        for repeat in range(1, 22)
    )


def test_bell_border_of_80_hooks_in_a_centred_tie_and_centre_of_120_four_times() -> None:
    """T. F. Bell, Jacquard Weaving and Designing, 1895, figures 57 and 58 (SOURCES.md, 4)."""
    border = pointed(80, turning_points_hung=2)
    order = border + straight(120, repeats=4, first=81) + border
    assert len(border) == 160
    assert len(order) == 800
    hooks = Counter(order.leashes)
    assert set(hooks) == set(range(1, 201))
    assert set(hooks.values()) == {4}
    # cords of the left border, counted from its edge; the right one is 640 further on
    assert order.units_of(1) == (1, 160, 641, 800)
    assert order.units_of(2) == (2, 159, 642, 799)
    assert order.units_of(80) == (80, 81, 720, 721)
    assert order.units_of(81) == (161, 281, 401, 521)
    assert order.units_of(200) == (280, 400, 520, 640)


def test_straight() -> None:
    """Common practice, no source (TRADE.md): 1 2 3 … n, 1 2 3 … n."""
    assert straight(3, 2).leashes == (1, 2, 3, 1, 2, 3)
    assert straight(2, first=5).leashes == (5, 6)
    assert straight(3, 2).single_cords == ()


def test_pointed_with_turning_points_hung_once() -> None:
    """Common practice, no source (TRADE.md): k (2n − 2) + 1 units for k repeats."""
    assert pointed(4).leashes == (1, 2, 3, 4, 3, 2, 1)
    assert pointed(3, 2).leashes == (1, 2, 3, 2, 1, 2, 3, 2, 1)
    assert pointed(2, 2, first=7).leashes == (7, 8, 7, 8, 7)
    assert pointed(1, 3).leashes == (1,)


def test_pointed_with_turning_points_hung_twice() -> None:
    assert pointed(3, turning_points_hung=2).leashes == (1, 2, 3, 3, 2, 1)
    assert pointed(2, 2, turning_points_hung=2).leashes == (1, 2, 2, 1, 1, 2, 2, 1)


@given(st.integers(1, 20), st.integers(1, 5), st.integers(1, 2))
def test_pointed_orders_are_mirror_images_of_themselves(shafts: int, points: int, hung: int) -> None:
    order = pointed(shafts, points, turning_points_hung=hung)
    assert order == mirrored(order)
    expected = points * 2 * shafts if hung == 2 else points * (2 * shafts - 2) + 1
    assert len(order) == expected


def test_borders_on_shafts_on_single_cords_and_on_both() -> None:
    order = single(2) + corded(straight(2)) + pointed(2, first=3) + mirrored(free([5, 6], [2]))
    assert order.leashes == (0, 0, 1, 2, 3, 4, 3, 6, 5)
    assert order.single_cords == (1, 2, 3, 4, 8)
    assert order.units_of(3) == (5, 7)
    assert order.units_of(9) == ()


def test_a_free_list_gives_units_without_a_shaft_their_cords() -> None:
    assert free([0, 3, 0]).single_cords == (1, 3)
    assert len(LeashOrder()) == 0


orders = st.lists(
    st.tuples(st.integers(0, 4), st.booleans()).map(lambda unit: (unit[0], unit[1] or unit[0] == 0)),
    max_size=6,
).map(lambda units: LeashOrder(tuple(s for s, _ in units), tuple(c for _, c in units)))


@given(orders, orders, orders)
def test_orders_are_put_together_from_left_to_right(a: LeashOrder, b: LeashOrder, c: LeashOrder) -> None:
    assert (a + b) + c == a + (b + c)
    assert len(a + b) == len(a) + len(b)
    assert mirrored(a + b) == mirrored(b) + mirrored(a)
    assert mirrored(mirrored(a)) == a
    shaft_units = {unit for shaft in range(1, 5) for unit in a.units_of(shaft)}
    assert shaft_units | set(a.single_cords) == set(range(1, len(a) + 1))


@pytest.mark.parametrize(
    ("build", "why"),
    [
        (lambda: straight(0), "at least 1"),
        (lambda: straight(3, 0), "at least 1"),
        (lambda: straight(3, first=0), "counted from 1"),
        (lambda: pointed(-1), "at least 1"),
        (lambda: pointed(3, 0), "at least 1"),
        (lambda: pointed(3, turning_points_hung=3), "once or twice"),
        (lambda: pointed(3, turning_points_hung=0), "once or twice"),
        (lambda: single(0), "at least 1"),
        (lambda: free([1, 2], [3]), "no unit 3"),
        (lambda: free([1, 2], [0]), "no unit 0"),
        (lambda: free([1, -2]), "Unit 2 hangs on shaft -2"),
        (lambda: LeashOrder((0,), (False,)), "Unit 1 hangs on nothing"),
        (lambda: LeashOrder((1,), ()), "one leash"),
    ],
)
def test_what_cannot_be_hung_is_refused_in_a_sentence(build, why: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=why) as refusal:
        build()
    assert str(refusal.value).endswith(".")
