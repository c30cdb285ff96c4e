"""What may stand in the loom: whatever the rules do not allow is refused with what is wrong with it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from server.loom.legal import Refused, check_state
from server.loom.state import Loom, State, Temporary

LOOM = Loom(
    leashes=(0, 1, 2, 3, 2, 1, 2),
    single_cords=frozenset({1, 4}),
    pattern_shafts=4,
    treadles=2,
    spare_shafts=3,
    spare_handles=2,
    temporaries_per_shaft=2,
)
A, B = Temporary("2a", 2, frozenset({3})), Temporary("2b", 2, frozenset({3}))
ONE = Temporary("1a", 1, frozenset({2}))
STANDING = State(row=2, temporaries=(ONE, A, B), away=(("2", "2b"), ("S1", "2a")), phase="woven")


@pytest.mark.parametrize(
    "state",
    [
        State(),
        STANDING,
        replace(STANDING, raised=frozenset({"1", "2", "S1"}), pulled=frozenset({1, 4})),
        replace(STANDING, phase="behind", away=(("1", None), ("3", None), ("S2", "2a"))),
        replace(STANDING, phase="raised", row=4, picks=1),
        replace(STANDING, phase="raised", row=4, reopened=True),
        State(row=4, phase="done"),
        State(row=3, picks=7),
    ],
)
def test_what_may_stand(state: State) -> None:
    check_state(LOOM, state)
    check_state(LOOM, state, rows=4)


STRICT = replace(LOOM, temporaries_may_stay=False)
NOT_ALLOWED: list[tuple[str, Loom, State, str]] = [
    ("nowhere in the work", LOOM, State(phase="asleep"), "'asleep' is nowhere"),  # type: ignore[arg-type]
    ("row -1", LOOM, State(row=-1), "no row -1"),
    ("row 0 raised", LOOM, State(phase="raised"), "no row 0"),
    ("a row too many", LOOM, State(row=5), "no row 5; it has 4"),
    ("a begun row too many", LOOM, State(row=4, picks=1), "no row 5; it has 4"),
    ("a raised row too many", LOOM, State(row=5, phase="raised"), "no row 5; it has 4"),
    ("picks -1", LOOM, State(picks=-1), "cannot be -1 picks"),
    ("open and not raised", LOOM, State(row=1, reopened=True), "No shed is raised"),
    ("a number on no shaft", LOOM, State(labelled=frozenset({5})), "no pattern shaft 5"),
    ("of no shaft", LOOM, State(temporaries=(Temporary("9a", 9, frozenset({1})),)), "no pattern shaft 9"),
    ("of shaft 0", LOOM, State(temporaries=(Temporary("0a", 0, frozenset({1})),)), "no pattern shaft 0"),
    ("a capital", LOOM, State(temporaries=(replace(A, name="2A"),)), "is called 2a, 2b"),
    ("another's name", LOOM, State(temporaries=(replace(A, name="1a"),)), "is called 2a, 2b"),
    ("no letter", LOOM, State(temporaries=(replace(A, name="2"),)), "is called 2a, 2b"),
    ("no name", LOOM, State(temporaries=(replace(A, name=""),)), "is called 2a, 2b"),
    ("markup", LOOM, State(temporaries=(replace(A, name="2<b>"),)), "is called 2a, 2b"),
    ("a name twice", LOOM, State(temporaries=(A, replace(B, name="2a"))), "Two temporaries are called 2a"),
    ("no unit", LOOM, State(temporaries=(replace(A, units=frozenset()),)), "2a must take some"),
    ("all units", LOOM, State(temporaries=(replace(A, units=frozenset({3, 5, 7})),)), "2a must take some"),
    ("a stray unit", LOOM, State(temporaries=(replace(A, units=frozenset({3, 4})),)), "Unit 4 does not hang"),
    ("too many", replace(LOOM, spare_shafts=2), STANDING, "This loom has 2 spare shafts, and no more"),
    ("none to be had", replace(LOOM, spare_shafts=0), STANDING, "This loom has no spare shaft"),
    (
        "too many on one",
        replace(LOOM, temporaries_per_shaft=1),
        STANDING,
        "Shaft 2 takes 1 temporary at once",
    ),
    ("none on any", replace(LOOM, temporaries_per_shaft=0), STANDING, "Shaft 1 takes no temporary at once"),
    ("no such handle", LOOM, State(away=(("9", None),)), "no handle 9"),
    ("no such spare handle", LOOM, replace(STANDING, away=(("S3", "2a"),)), "no handle S3"),
    (
        "a handle twice",
        LOOM,
        replace(STANDING, away=(("2", "2a"), ("2", "2b"))),
        "Handle 2 is said to be on two",
    ),
    ("away and home", LOOM, State(away=(("2", "2"),)), "handle 2 are said to be away"),
    ("empty and away", LOOM, State(away=(("S1", None),)), "handle S1 are said to be away"),
    ("on another's temporary", LOOM, replace(STANDING, away=(("1", "2a"),)), "temporaries of shaft 1 only"),
    ("on another shaft", LOOM, State(away=(("2", "3"),)), "Handle 2 cannot carry shaft 3"),
    ("on what is not there", LOOM, State(away=(("2", "2c"),)), "2c is not in the loom"),
    (
        "two on one",
        LOOM,
        replace(STANDING, away=(("2", "2a"), ("S1", "2a"))),
        "2a hangs on handle S1 already",
    ),
    ("free at the bench", LOOM, State(away=(("2", None),)), "cords of handle 2 hang free"),
    ("up behind", LOOM, State(phase="behind", raised=frozenset({"1"})), "nothing can be up; handle 1"),
    ("up and down", LOOM, State(pulled=frozenset({1})), "nothing can be up; cord 1"),
    ("up with nothing on it", LOOM, State(phase="woven", raised=frozenset({"S1"})), "S1 carries nothing"),
    (
        "up without a shaft's leashes",
        LOOM,
        State(phase="woven", raised=frozenset({"4"})),
        "4 carries nothing",
    ),
    ("up and not there", LOOM, State(phase="woven", raised=frozenset({"7"})), "no handle 7"),
    (
        "a cord that is none",
        LOOM,
        State(phase="woven", pulled=frozenset({2})),
        "Unit 2 has no single draw cord",
    ),
    (
        "up beside what may not stay",
        STRICT,
        replace(STANDING, raised=frozenset({"2"})),
        "2b cannot be raised while 2a of the same shaft is in the loom",
    ),
    ("finished with a temporary in", LOOM, State(phase="done", temporaries=(A,)), "2a must come out"),
    ("finished with cords away", LOOM, replace(STANDING, phase="done", temporaries=()), "is not in the loom"),
]


@pytest.mark.parametrize(
    ("loom", "state", "why"), [case[1:] for case in NOT_ALLOWED], ids=[case[0] for case in NOT_ALLOWED]
)
def test_what_may_not(loom: Loom, state: State, why: str) -> None:
    with pytest.raises(Refused) as refusal:
        check_state(loom, state, rows=4)
    assert why in str(refusal.value)
    assert str(refusal.value).endswith(".")


def test_temporaries_that_may_not_stay_may_lie_there_while_nothing_of_their_shaft_is_up() -> None:
    check_state(STRICT, replace(STANDING, raised=frozenset({"3"}), pulled=frozenset({1})))
