"""Ground weaves: satin counters against Wolfensberger's table, tie-ups, refusals and cautions."""

from __future__ import annotations

from math import gcd

import pytest

from server.loom.ground import (
    BROKEN_TWILL_ON_FOUR,
    BROKEN_TWILL_ON_SIX,
    IRREGULAR_SATIN_ON_SIX,
    Ground,
    Treadle,
    cautions,
    in_order,
    is_satin_counter,
    order_by_counter,
    plain_weave,
    satin,
    satin_counters,
    shaft_of_end,
    twill,
)

# A. Wolfensberger, Theory of Silk Weaving, 2nd ed., 1921, chapter on satins (SOURCES 1): his whole table
WOLFENSBERGER = {
    5: (2,),
    7: (2, 3),
    8: (3,),
    9: (2, 4),
    10: (3,),
    11: (2, 3, 4, 5),
    12: (5,),
    13: (2, 3, 4, 5, 6),
    14: (3, 5),
    15: (2, 4, 7),
    16: (3, 5, 7),
}


@pytest.mark.parametrize(("shafts", "counters"), WOLFENSBERGER.items())
def test_counters_are_those_of_the_table(shafts: int, counters: tuple[int, ...]) -> None:
    assert satin_counters(shafts) == counters


@pytest.mark.parametrize("shafts", [1, 2, 3, 4, 6])
def test_no_counter_where_the_table_has_none(shafts: int) -> None:
    """SOURCES 1: none for 6; below 5 no two unequal parts without common divisor, neither of them 1."""
    assert satin_counters(shafts) == ()


@pytest.mark.parametrize(("shafts", "counters"), WOLFENSBERGER.items())
def test_either_part_of_a_pair_is_a_counter(shafts: int, counters: tuple[int, ...]) -> None:
    """SOURCES 1: two parts, unequal and without common divisor; either is a counter."""
    either = {counter for counter in range(shafts + 1) if is_satin_counter(shafts, counter)}
    assert either == set(counters) | {shafts - counter for counter in counters}


def test_the_worked_satin_on_five() -> None:
    """SOURCES 1: counter 2: pick 1 end 1, pick 2 end 3, pick 3 end 5, pick 4 end 2, pick 5 end 4."""
    assert order_by_counter(5, 2) == (1, 3, 5, 2, 4)
    assert [treadle.rises for treadle in satin(5, 2).treadles] == [(1,), (3,), (5,), (2,), (4,)]


@pytest.mark.parametrize("offset", [1, 2, 3, 4, -1, -2, 6])
def test_each_treadle_sinks_a_shaft_so_much_further(offset: int) -> None:
    ground = satin(5, 2, offset)
    for treadle in ground.treadles:
        assert (treadle.sinks[0] - treadle.rises[0] - offset) % 5 == 0
        assert 1 <= treadle.sinks[0] <= 5
    assert ground.offsets == (offset % 5,) * 5


@pytest.mark.parametrize("offset", [0, 5, -5])
def test_an_offset_that_raises_and_sinks_one_shaft_is_refused(offset: int) -> None:
    with pytest.raises(ValueError, match="cannot both raise and sink ground shaft 1"):
        satin(5, 2, offset)


@pytest.mark.parametrize(
    ("shafts", "counter", "says"),
    [
        (8, 2, "These do: 3"),
        (8, 4, "These do: 3"),
        (11, 1, "These do: 2, 3, 4, 5"),
        (5, 0, "These do: 2"),
        (5, 5, "These do: 2"),
        (5, -2, "These do: 2"),
        (6, 2, "No counter gives a regular satin on 6 shafts"),
        (4, 2, "No counter gives a regular satin on 4 shafts"),
    ],
)
def test_a_counter_that_gives_no_satin_is_refused(shafts: int, counter: int, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        satin(shafts, counter)


def test_twills_and_plain_weave() -> None:
    assert [treadle.rises for treadle in twill(4).treadles] == [(1,), (2,), (3,), (4,)]
    assert plain_weave().treadles == (Treadle((1,), (2,)), Treadle((2,), (1,)))
    with pytest.raises(ValueError, match="at least 3"):
        twill(2)


@pytest.mark.parametrize("order", [IRREGULAR_SATIN_ON_SIX, BROKEN_TWILL_ON_FOUR, BROKEN_TWILL_ON_SIX])
def test_orders_by_list_name_each_shaft_once_and_have_no_counter(order: tuple[int, ...]) -> None:
    """From memory; common practice, no source. None of them is a regular satin or a straight twill."""
    assert [treadle.rises[0] for treadle in in_order(order, 1).treadles] == list(order)
    steps = {(order[pick] - order[pick - 1]) % len(order) for pick in range(len(order))}
    assert len(steps) > 1


def test_the_irregular_satin_on_six_binds_no_two_neighbours_in_turn() -> None:
    """What makes it a satin: binding points of two picks in turn do not touch. Common practice, no source."""
    order = IRREGULAR_SATIN_ON_SIX
    steps = [(order[pick] - order[pick - 1]) % 6 for pick in range(6)]
    assert not {1, 5} & set(steps)


@pytest.mark.parametrize("order", [(), (1, 1, 2), (1, 3), (0, 1), (2, 3, 4)])
def test_an_order_that_is_none_is_refused(order: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match=r"each of the|1 to 64"):
        in_order(order, 1)


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (lambda: Treadle((1, 2), (3, 2)), "cannot both raise and sink ground shaft 2"),
        (lambda: Ground(0, (Treadle(),), (1,)), "1 to 64 shafts, not 0"),
        (lambda: Ground(65, (Treadle(),), (1,)), "1 to 64 shafts, not 65"),
        (lambda: Ground(2, (), (1, 2)), "at least one treadle"),
        (lambda: Ground(2, (Treadle(),), ()), "through which ground shafts"),
        (lambda: Ground(2, (Treadle(),), (1, 3)), "ground shaft 3; there are 2"),
        (lambda: Ground(2, (Treadle(),), (1,), (0,)), "ground shaft 0; there are 2"),
        (lambda: Ground(2, (Treadle(), Treadle((3,))), (1, 2)), "Treadle 2 moves ground shaft 3"),
        (lambda: Ground(2, (Treadle((), (-1,)),), (1, 2)), "Treadle 1 moves ground shaft -1"),
    ],
)
def test_what_no_harness_can_do_is_refused(made: object, says: str) -> None:
    assert callable(made)
    with pytest.raises(ValueError, match=says):
        made()


def test_offsets_only_where_one_shaft_rises_and_one_sinks() -> None:
    ground = Ground(
        4, (Treadle((1,), (4,)), Treadle((1, 2), (3,)), Treadle((), (2,)), Treadle()), (1, 2, 3, 4)
    )
    assert ground.offsets == (3, None, None, None)


def test_the_threading_is_used_in_turn() -> None:
    assert shaft_of_end((1, 2, 3), range(1, 8)) == (1, 2, 3, 1, 2, 3, 1)
    assert shaft_of_end((2, 1), [4, 1]) == (1, 2)


# --- cautions ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shafts", WOLFENSBERGER)
def test_a_satin_gives_no_caution(shafts: int) -> None:
    for counter in satin_counters(shafts):
        assert gcd(counter, shafts) == 1
        assert cautions(satin(shafts, counter), range(1, shafts + 1)) == ()


def test_ends_that_nothing_binds_are_told() -> None:
    ground = Ground(4, (Treadle((1,), (2,)), Treadle((2,), (1,)), Treadle((3,))), (1, 2, 3, 4))
    assert cautions(ground, (1, 2, 3)) == (
        "No treadle sinks ground shaft 3: where its ends are lifted, nothing binds them.",
        "No treadle moves ground shaft 4: its ends are bound nowhere.",
    )


def test_selvedge_ends_that_no_pattern_lifts_need_no_treadle_to_sink_them() -> None:
    """Common practice, no source: plain weave at the edges on two shafts of their own, raised in turn."""
    edged = (Treadle((1, 3), (2,)), Treadle((2, 4), (1,)))
    assert cautions(Ground(4, edged, (1, 2), (3, 4)), (1, 2)) == ()
    idle = Ground(5, (Treadle((1, 3), (2, 4)), Treadle((2, 3), (1, 4))), (1, 2), (3, 4, 5))
    assert cautions(idle, (1, 2)) == (
        "Every treadle raises ground shaft 3: its selvedge ends are bound nowhere.",
        "No treadle raises ground shaft 4: its selvedge ends are bound nowhere.",
        "No treadle moves ground shaft 5: its ends are bound nowhere.",
    )


def test_idle_shafts_and_treadles_are_told() -> None:
    ground = Ground(3, (Treadle((1,), (2,)), Treadle((2,), (1,)), Treadle((3,))), (1, 2))
    assert cautions(ground, (1, 2)) == (
        "Ground shaft 3 has no ends in it.",
        "Treadle 3 is not in the treadling.",
    )


def test_only_treadles_that_are_trodden_count() -> None:
    told = cautions(plain_weave(), (1,))
    assert "No treadle raises ground shaft 2: where its ends are not lifted, nothing binds them." in told
    assert "Treadle 2 is not in the treadling." in told


def test_a_selvedge_thread_needs_binding_too() -> None:
    ground = Ground(3, (Treadle((1,), (2,)), Treadle((2,), (1,))), (1, 2), (3,))
    assert cautions(ground, (1, 2)) == ("No treadle moves ground shaft 3: its ends are bound nowhere.",)


def test_a_treadle_that_is_not_tied_up_is_told_first() -> None:
    assert cautions(plain_weave(), (1, 2, 7)) == ("There is no treadle 7: the ground weave ties up 2.",)
