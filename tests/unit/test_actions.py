"""The loom's rules: what may be done, what not, and what always holds."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.strategies import DataObject

from server.loom.actions import Refused, and_list, apply
from server.loom.legal import check_state
from server.loom.state import Loom, State, parent_of, units_up
from server.loom.steps import (
    Done,
    Insert,
    Label,
    MoveCords,
    Raise,
    Reopen,
    Step,
    TakeOut,
    Walk,
    Weave,
    Withdraw,
)
from tests.outside.pieces import examples

LOOM = Loom(
    leashes=(0, 1, 2, 3, 2, 1, 2),
    single_cords=frozenset({1, 4}),
    pattern_shafts=4,
    treadles=2,
    spare_shafts=3,
    spare_handles=2,
    temporaries_per_shaft=2,
)
BEHIND = State(phase="behind", walk_after=0, labelled=frozenset({1, 2}))


def after(*steps: Step, loom: Loom = LOOM, state: State = BEHIND) -> State:
    for step in steps:
        state = apply(loom, state, step)
    return state


WITH_2A = after(Insert(2, "2a", (3,)))
HUNG = after(MoveCords("2", "2", "2a"), state=WITH_2A)
RAISED = apply(LOOM, State(), Raise(1, ("1", "2"), (4,)))
WOVEN = apply(LOOM, RAISED, Weave(1, 2, (1, 2)))
REOPENED = apply(LOOM, WOVEN, Reopen(1, ("1", "2"), (4,)))
BEGUN = apply(LOOM, REOPENED, TakeOut(1, 1, (2,), left=1))


def test_the_way_through_a_row_and_a_walk() -> None:
    state = after(Walk(), state=WOVEN)
    assert (state.phase, state.row, state.raised, state.pulled) == ("behind", 1, frozenset(), frozenset())
    state = after(
        Label((2,)),
        Insert(2, "2a", (3, 5)),
        MoveCords("2", "2", "2a"),
        Raise(2, ("2",), (1,)),
        Weave(2, 1, (1,)),
        state=state,
    )
    assert units_up(LOOM, state, state.raised, state.pulled) == {1, 3, 5}
    assert state.handle_on("2a") == "2"
    assert not state.is_bare()
    state = after(Walk(), MoveCords("2", "2a", "2"), Withdraw("2a"), Done(), state=state)
    assert state.phase == "done"
    assert state.is_bare()


def test_a_row_is_taken_out_and_woven_again() -> None:
    assert (REOPENED.phase, REOPENED.row, REOPENED.reopened) == ("raised", 1, True)
    assert (BEGUN.phase, BEGUN.row, BEGUN.picks, BEGUN.reopened) == ("woven", 0, 1, False)
    assert BEGUN.raised == {"1", "2"}
    again = after(Raise(1, ("1", "2"), (4,)), Weave(1, 1, (2,)), state=BEGUN)
    assert again == WOVEN
    out = after(Reopen(1, ("1", "2"), (4,)), TakeOut(1, 1, (1,)), state=BEGUN)
    assert (out.row, out.picks) == (0, 0)
    assert after(TakeOut(1, 2, (2, 1)), state=REOPENED) == out


def test_going_back_and_forth_over_a_row_never_forbids_a_walk() -> None:
    state = after(Walk(), MoveCords("2", "2", None), MoveCords("2", None, "2"), state=WOVEN)
    state = after(Reopen(1, ("1",), ()), TakeOut(1, 2, (2, 1)), Walk(), Label((2,)), state=state)
    state = after(Raise(1, ("1",), ()), Weave(1, 2, (1, 2)), state=state)
    assert after(Walk(), state=state).walk_after == 1


def test_more_shafts_may_be_numbered_on_a_later_walk() -> None:
    assert after(Label((3, 4))).labelled == {1, 2, 3, 4}


REFUSALS: list[tuple[str, Loom, State, Step, str]] = [
    ("raise over a raised row", LOOM, RAISED, Raise(2, (), ()), "raised and not yet woven"),
    ("raise another row", LOOM, State(), Raise(2, (), ()), "Row 1 comes next, not row 2"),
    ("raise a row again", LOOM, WOVEN, Raise(1, (), ()), "Row 2 comes next, not row 1"),
    ("raise a handle twice", LOOM, State(), Raise(1, ("1", "1"), ()), "twice"),
    ("pull a cord twice", LOOM, State(), Raise(1, (), (1, 1)), "twice"),
    ("pull a cord that is not there", LOOM, State(), Raise(1, (), (2,)), "Unit 2 has no single draw cord"),
    ("raise no such handle", LOOM, State(), Raise(1, ("5",), ()), "no handle 5"),
    ("raise handle 0", LOOM, State(), Raise(1, ("0",), ()), "no handle 0"),
    ("raise handle 01", LOOM, State(), Raise(1, ("01",), ()), "no handle 01"),
    ("raise a temporary", LOOM, HUNG, Raise(1, ("2a",), ()), "no handle 2a"),
    ("raise nothing's name", LOOM, State(), Raise(1, ("",), ()), "no handle"),
    ("raise no such spare handle", LOOM, State(), Raise(1, ("S3",), ()), "no handle S3"),
    ("raise S0", LOOM, State(), Raise(1, ("S0",), ()), "no handle S0"),
    ("raise an empty spare handle", LOOM, State(), Raise(1, ("S1",), ()), "Handle S1 carries nothing"),
    ("raise a shaft where nothing hangs", LOOM, State(), Raise(1, ("4",), ()), "Handle 4 carries nothing"),
    ("come back from an idle walk", LOOM, BEHIND, Raise(1, (), ()), "Nothing has been done on this walk"),
    (
        "come back with cords hanging free",
        LOOM,
        after(MoveCords("2", "2", None)),
        Raise(1, (), ()),
        "cords of handle 2 hang free",
    ),
    (
        "raise beside a temporary that may not stay",
        replace(LOOM, temporaries_may_stay=False),
        after(MoveCords("S1", None, "2a"), state=WITH_2A),
        Raise(1, ("2",), ()),
        "while 2a of the same shaft is in the loom",
    ),
    (
        "raise a temporary beside another that may not stay",
        replace(LOOM, temporaries_may_stay=False),
        after(Insert(2, "2b", (5,)), state=HUNG),
        Raise(1, ("2",), ()),
        "while 2b of the same shaft is in the loom",
    ),
    ("weave unraised", LOOM, State(), Weave(1, 1, (1,)), "its shed is not raised"),
    ("weave twice", LOOM, WOVEN, Weave(1, 1, (1,)), "its shed is not raised"),
    ("weave another row", LOOM, RAISED, Weave(2, 1, (1,)), "Row 1 is raised"),
    ("weave no picks", LOOM, RAISED, Weave(1, 0, ()), "one treadle for each of its picks"),
    ("weave with a treadle too few", LOOM, RAISED, Weave(1, 2, (1,)), "one treadle for each of its picks"),
    ("tread beside", LOOM, RAISED, Weave(1, 1, (3,)), "no treadle 3; it has 2"),
    ("tread treadle 0", LOOM, RAISED, Weave(1, 1, (0,)), "no treadle 0"),
    ("weave a row open to be taken out", LOOM, REOPENED, Weave(1, 1, (1,)), "open to be taken out, not"),
    ("walk from a row open to be taken out", LOOM, REOPENED, Walk(), "take its picks out before you go"),
    ("raise over a row open to be taken out", LOOM, REOPENED, Raise(2, (), ()), "take its picks out before"),
    ("end with a row open", LOOM, REOPENED, Done(), "take its picks out before the piece is finished"),
    ("end with a row begun", LOOM, BEGUN, Done(), "Row 1 is begun"),
    ("open over a raised row", LOOM, RAISED, Reopen(1, (), ()), "weave it before row 1 is opened again"),
    ("open where nothing is in", LOOM, State(), Reopen(1, (), ()), "No row is in the cloth"),
    ("open row 0", LOOM, State(), Reopen(0, (), ()), "No row is in the cloth"),
    ("open an earlier row", LOOM, State(row=3), Reopen(2, (), ()), "Row 3 is the last in the cloth"),
    ("open beneath a begun row", LOOM, State(row=3, picks=1), Reopen(3, (), ()), "Row 4 is the last"),
    ("open the next row", LOOM, State(row=3), Reopen(4, (), ()), "Row 3 is the last in the cloth"),
    ("open with no such handle", LOOM, WOVEN, Reopen(1, ("9",), ()), "no handle 9"),
    ("open with a handle twice", LOOM, WOVEN, Reopen(1, ("1", "1"), ()), "twice"),
    (
        "open from a walk that is not at an end",
        LOOM,
        after(Walk(), MoveCords("2", "2", None), state=WOVEN),
        Reopen(1, (), ()),
        "cords of handle 2 hang free",
    ),
    ("take out unopened", LOOM, WOVEN, TakeOut(1, 1, (1,)), "its shed is not opened for that"),
    ("take out of a shed raised to weave", LOOM, RAISED, TakeOut(1, 1, (1,)), "not opened for that"),
    ("take out another row", LOOM, REOPENED, TakeOut(2, 1, (1,)), "Row 1 is open"),
    ("take no pick out", LOOM, REOPENED, TakeOut(1, 0, ()), "one treadle for each of its picks"),
    ("take out with a treadle too many", LOOM, REOPENED, TakeOut(1, 1, (2, 1)), "one treadle for each"),
    ("take out on no such treadle", LOOM, REOPENED, TakeOut(1, 1, (3,)), "no treadle 3"),
    ("leave fewer than none", LOOM, REOPENED, TakeOut(1, 2, (2, 1), left=-1), "no fewer than 0 picks"),
    (
        "leave more than are in",
        LOOM,
        after(Reopen(1, ("1",), ()), state=BEGUN),
        TakeOut(1, 1, (1,), left=1),
        "1 out and 1 left do not come to that",
    ),
    ("walk behind", LOOM, BEHIND, Walk(), "behind the loom already"),
    ("walk in mid-row", LOOM, RAISED, Walk(), "weave it before you go behind"),
    ("walk twice", LOOM, State(walk_after=0), Walk(), "a walk after row 0 already"),
    ("label at the bench", LOOM, State(), Label((1,)), "behind the loom only"),
    ("label twice", LOOM, BEHIND, Label((1,)), "once is enough"),
    ("label nothing", LOOM, replace(BEHIND, labelled=None), Label(()), "each once"),
    ("label one twice", LOOM, replace(BEHIND, labelled=None), Label((1, 1)), "each once"),
    (
        "label no such shaft",
        LOOM,
        replace(BEHIND, labelled=None),
        Label((5,)),
        "no pattern shaft 5; it has 4",
    ),
    ("insert at the bench", LOOM, State(), Insert(2, "2a", (3,)), "behind the loom only"),
    ("insert at no such shaft", LOOM, BEHIND, Insert(5, "5a", (3,)), "no pattern shaft 5"),
    ("insert at shaft 0", LOOM, BEHIND, Insert(0, "0a", (1,)), "no pattern shaft 0"),
    ("insert under another's name", LOOM, BEHIND, Insert(2, "1a", (3,)), "is called 2a, 2b"),
    ("insert under a number", LOOM, BEHIND, Insert(2, "2", (3,)), "is called 2a, 2b"),
    ("insert in capitals", LOOM, BEHIND, Insert(2, "2A", (3,)), "is called 2a, 2b"),
    ("insert with a line break", LOOM, BEHIND, Insert(2, "2a\n", (3,)), "is called 2a, 2b"),
    ("insert a name that is taken", LOOM, WITH_2A, Insert(2, "2a", (5,)), "2a is in the loom already"),
    ("insert unnumbered", LOOM, BEHIND, Insert(3, "3a", (4,)), "Shaft 3 has no number taped on"),
    (
        "insert before any number",
        LOOM,
        replace(BEHIND, labelled=None),
        Insert(2, "2a", (3,)),
        "Shaft 2 has no number taped on",
    ),
    ("insert a unit twice", LOOM, BEHIND, Insert(2, "2a", (3, 3)), "named twice"),
    ("insert a stray unit", LOOM, BEHIND, Insert(2, "2a", (3, 4)), "Unit 4 does not hang on shaft 2"),
    ("insert no unit", LOOM, BEHIND, Insert(2, "2a", ()), "some of the leashes"),
    ("insert all units", LOOM, BEHIND, Insert(2, "2a", (3, 5, 7)), "some of the leashes"),
    (
        "insert beyond the spare shafts",
        replace(LOOM, spare_shafts=1),
        WITH_2A,
        Insert(1, "1a", (2,)),
        "This loom has 1 spare shaft, and no more",
    ),
    (
        "insert beyond what a shaft takes",
        replace(LOOM, temporaries_per_shaft=1),
        WITH_2A,
        Insert(2, "2b", (5,)),
        "Shaft 2 takes 1 temporary at once",
    ),
    ("move cords at the bench", LOOM, State(), MoveCords("2", "2", None), "behind the loom only"),
    ("move no such handle", LOOM, BEHIND, MoveCords("9", "9", None), "no handle 9"),
    ("move from elsewhere", LOOM, WITH_2A, MoveCords("2", "2a", "2"), "are on 2, not on 2a"),
    ("move from nothing", LOOM, WITH_2A, MoveCords("2", None, "2a"), "are on 2, not on nothing"),
    ("move from something", LOOM, WITH_2A, MoveCords("S1", "2", "2a"), "are on nothing, not on 2"),
    ("move to where they are", LOOM, WITH_2A, MoveCords("2", "2", "2"), "are there already"),
    ("move free cords free", LOOM, BEHIND, MoveCords("S1", None, None), "are there already"),
    ("move to another shaft", LOOM, BEHIND, MoveCords("2", "2", "3"), "cannot carry shaft 3"),
    ("move a spare handle to a shaft", LOOM, BEHIND, MoveCords("S1", None, "2"), "cannot carry shaft 2"),
    ("move to what is not there", LOOM, BEHIND, MoveCords("2", "2", "2a"), "2a is not in the loom"),
    ("move to another's temporary", LOOM, WITH_2A, MoveCords("1", "1", "2a"), "temporaries of shaft 1 only"),
    ("move to a taken temporary", LOOM, HUNG, MoveCords("S1", None, "2a"), "2a hangs on handle 2 already"),
    ("withdraw at the bench", LOOM, replace(WITH_2A, phase="woven"), Withdraw("2a"), "behind the loom only"),
    ("withdraw what is not there", LOOM, WITH_2A, Withdraw("2b"), "2b is not in the loom"),
    ("withdraw a shaft", LOOM, WITH_2A, Withdraw("2"), "2 is not in the loom"),
    ("withdraw under cords", LOOM, HUNG, Withdraw("2a"), "cords of handle 2 are still on 2a"),
    ("end in mid-row", LOOM, RAISED, Done(), "raised and not yet woven"),
    ("end after an idle walk", LOOM, BEHIND, Done(), "Nothing has been done"),
    ("end with a temporary in", LOOM, WITH_2A, Done(), "2a must come out"),
    (
        "end with cords away",
        LOOM,
        after(MoveCords("2", "2", None)),
        Done(),
        "cords of handle 2 hang free",
    ),
    (
        "end with cords elsewhere",
        LOOM,
        State(away=(("2", "2a"),)),
        Done(),
        "cords of handle 2 are not home",
    ),
    ("go on after the end", LOOM, State(phase="done"), Walk(), "nothing more is to be done"),
    ("end after the end", LOOM, State(phase="done"), Done(), "nothing more is to be done"),
]


@pytest.mark.parametrize(
    ("loom", "state", "step", "why"), [case[1:] for case in REFUSALS], ids=[c[0] for c in REFUSALS]
)
def test_refusals(loom: Loom, state: State, step: Step, why: str) -> None:
    before = replace(state)
    with pytest.raises(Refused) as refusal:
        apply(loom, state, step)
    assert why in str(refusal.value)
    assert str(refusal.value).endswith(".")
    assert state == before


def test_a_step_of_no_known_kind_is_a_mistake_of_ours() -> None:
    with pytest.raises(TypeError):
        apply(LOOM, State(), "walk")  # type: ignore[arg-type]


def test_a_name_is_free_again_once_withdrawn() -> None:
    state = after(Withdraw("2a"), Insert(2, "2a", (5, 7)), state=WITH_2A)
    temporary = state.temporary("2a")
    assert temporary is not None
    assert temporary.units == {5, 7}


def test_temporaries_of_one_shaft_may_share_units() -> None:
    state = after(Insert(2, "2b", (3, 5)), state=WITH_2A)
    assert [t.name for t in state.temporaries_of(2)] == ["2a", "2b"]


def test_names_after_z_sort_last() -> None:
    loom = replace(LOOM, temporaries_per_shaft=3)
    state = after(Insert(2, "2aa", (3,)), Insert(2, "2z", (5,)), Insert(2, "2b", (7,)), loom=loom)
    assert [t.name for t in state.temporaries] == ["2b", "2z", "2aa"]


def test_a_shaft_lifts_beside_its_unused_temporary_where_that_may_stay() -> None:
    state = after(MoveCords("S1", None, "2a"), Raise(1, ("2", "S1"), ()), state=WITH_2A)
    assert state.raised == {"2", "S1"}


def test_a_single_cord_may_be_pulled_beside_a_temporary_that_may_not_stay() -> None:
    loom = replace(LOOM, temporaries_may_stay=False, single_cords=frozenset({1, 4, 5}))
    state = after(Insert(2, "2b", (5,)), Raise(1, (), (5,)), loom=loom, state=HUNG)
    assert state.pulled == {5}


def test_a_state_cannot_be_changed() -> None:
    with pytest.raises(FrozenInstanceError):
        State().row = 3  # type: ignore[misc]
    assert hash(HUNG) == hash(after(MoveCords("2", "2", "2a"), state=WITH_2A))


def test_lists_in_words() -> None:
    assert [and_list(words) for words in (["a"], ["a", "b"], ["a", "b", "c"])] == [
        "a",
        "a and b",
        "a, b and c",
    ]


# --- any sequence of actions ----------------------------------------------------------------------

looms = st.builds(
    Loom,
    leashes=st.lists(st.integers(0, 3), min_size=1, max_size=7).map(tuple),
    single_cords=st.just(frozenset[int]()),
    pattern_shafts=st.just(3),
    treadles=st.integers(1, 2),
    spare_shafts=st.integers(0, 3),
    spare_handles=st.integers(0, 2),
    temporaries_per_shaft=st.integers(0, 2),
    temporaries_may_stay=st.booleans(),
).map(lambda loom: replace(loom, single_cords=frozenset(u for u, s in enumerate(loom.leashes, 1) if s == 0)))

handles = st.sampled_from(["1", "2", "3", "S1", "S2", "S3", "7", "x"])
carriers = st.sampled_from(["1", "2", "3", "1a", "1b", "2a", "3a", None])
few_units = st.lists(st.integers(1, 7), max_size=3).map(tuple)
any_step: st.SearchStrategy[Step] = st.one_of(
    st.builds(Raise, st.integers(1, 3), st.lists(handles, max_size=3).map(tuple), few_units),
    st.builds(Reopen, st.integers(0, 3), st.lists(handles, max_size=3).map(tuple), few_units),
    st.builds(Weave, st.integers(1, 3), st.just(1), st.just((1,))),
    st.builds(TakeOut, st.integers(0, 3), st.just(1), st.just((1,)), st.integers(-1, 2)),
    st.just(Walk()),
    st.builds(Label, st.lists(st.integers(1, 4), max_size=4).map(tuple)),
    st.builds(Insert, st.integers(1, 3), st.sampled_from(["1a", "1b", "2a", "3a", "3b"]), few_units),
    st.builds(MoveCords, handles, carriers, carriers),
    st.builds(Withdraw, st.sampled_from(["1a", "1b", "2a", "3a", "4a"])),
    st.just(Done()),
)


def sensible(data: DataObject, loom: Loom, state: State) -> Step:
    """A step that the loom as it stands has a fair chance to allow."""
    if state.phase == "raised":
        if state.reopened:
            return TakeOut(state.row, 1, (1,), max(state.picks - 1, 0) or data.draw(st.integers(0, 2)))
        return Weave(state.row, 1, (1,))
    if state.phase != "behind":
        up = tuple(h for h in ("1", "2", "3", "S1", "S2") if data.draw(st.integers(0, 3)) == 0)
        last = state.row + (state.picks > 0)
        return data.draw(
            st.sampled_from([Walk(), Walk(), Raise(state.row + 1, up, ()), Reopen(last, up, ()), Done()])
        )
    if state.labelled is None:
        return Label((1, 2, 3))
    steps: list[Step] = [Raise(state.row + 1, (), ()), Done()]
    for shaft in (1, 2, 3):
        hung = sorted(loom.units_of(shaft))
        if len(hung) > 1:
            part = tuple(hung[: data.draw(st.integers(1, len(hung) - 1))])
            steps += [Insert(shaft, f"{shaft}{letter}", part) for letter in "ab"]
    for handle in ("1", "2", "3", "S1", "S2"):
        try:
            now = state.carrier(loom, handle)
        except KeyError:
            continue
        targets = [None, loom.home(handle), *(t.name for t in state.temporaries)]
        steps += [MoveCords(handle, now, target) for target in targets]
    steps += [Withdraw(t.name) for t in state.temporaries]
    return data.draw(st.sampled_from(steps))


def check_what_always_holds(loom: Loom, state: State) -> None:
    assert len(state.temporaries) <= loom.spare_shafts
    names = [t.name for t in state.temporaries]
    assert len(set(names)) == len(names)
    for shaft in (1, 2, 3):
        assert len(state.temporaries_of(shaft)) <= loom.temporaries_per_shaft
    for temporary in state.temporaries:
        assert frozenset() < temporary.units < loom.units_of(temporary.parent)
        assert parent_of(temporary.name) == temporary.parent
        assert temporary.parent in (state.labelled or ())
    carried = [on for _, on in state.away if on is not None]
    assert len(set(carried)) == len(carried)
    for handle, on in state.away:
        home = loom.home(handle)
        assert on != home
        if on is not None:
            assert on in names
            assert home is None or parent_of(on) == int(home)
        elif home is not None:
            assert state.phase == "behind"
    if state.phase == "behind":
        assert not state.raised
        assert not state.pulled
    for handle in state.raised:
        assert state.carrier(loom, handle) is not None
        carrier = state.carrier(loom, handle)
        if not loom.temporaries_may_stay and carrier is not None and state.phase in ("raised", "woven"):
            assert {t.name for t in state.temporaries_of(parent_of(carrier))} <= {carrier}
    assert state.pulled <= loom.single_cords
    if state.phase == "done":
        assert state.is_bare()


@examples(200)
@given(st.data(), looms)
def test_whatever_is_done_the_loom_stays_within_its_rules(data: DataObject, loom: Loom) -> None:
    state = State()
    for _ in range(data.draw(st.integers(1, 25))):
        before = replace(state)
        step = data.draw(any_step) if data.draw(st.integers(0, 3)) == 0 else sensible(data, loom, state)
        try:
            following = apply(loom, state, step)
        except Refused as refusal:
            following, said = state, str(refusal)
        else:
            said = "."
        assert said.endswith(".")
        assert state == before
        assert abs(following.row - state.row) <= 1
        check_what_always_holds(loom, following)
        check_state(loom, following)
        state = following


@examples(60)
@given(st.sets(st.sampled_from([3, 5, 7]), min_size=1, max_size=2), st.sampled_from(["2", "S1"]))
def test_putting_in_and_taking_out_restores_the_loom(units: set[int], handle: str) -> None:
    home = LOOM.home(handle)
    state = after(
        Insert(2, "2a", tuple(sorted(units))),
        MoveCords(handle, home, "2a"),
        MoveCords(handle, "2a", home),
        Withdraw("2a"),
    )
    assert state == replace(BEHIND, busy=True)
    assert state.is_bare()
