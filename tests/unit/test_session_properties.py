"""Whatever is tapped, and whenever the program stops: where the piece is follows from the log."""

from __future__ import annotations

import json
import tempfile
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from server.design.piece_file import read_piece
from server.loom.actions import apply
from server.loom.state import State
from server.session.cards import Card, deal
from server.session.log_words import is_about_temporaries, log_words
from server.session.naming import Naming
from server.session.place import (
    TAP_KINDS,
    Decks,
    NotNow,
    Place,
    Tap,
    after_tap,
    can_undo,
    card_up,
    is_stale,
    place_after,
)
from server.store.database import Store
from tests.examples import piece_order, piece_text

PIECE = read_piece(piece_text())
CARDS = deal(PIECE, piece_order())
DECKS = Decks(PIECE.loom, (CARDS,))
NAMES = Naming.on(PIECE.loom)

# mostly forwards, so that runs come past walks and test lifts
KINDS = st.sampled_from(["next"] * 12 + ["begin"] * 3 + ["tick", "again", "undo"] * 2 + [*TAP_KINDS])
_SOME = st.integers(-2, 30) | st.sampled_from([10**30, 1.5, "2", None, True, [], "2a", "7z"])
_NAMES = ("card", "pick", "picks", "treadles", "passages", "temporary", "words", "why", "course")
DETAILS = st.one_of(
    st.just(""),
    st.builds(json.dumps, st.fixed_dictionaries({}, optional=dict.fromkeys(_NAMES, _SOME))),
    st.builds(json.dumps, st.fixed_dictionaries(dict.fromkeys(_NAMES, st.integers(0, 14)))),
    st.builds(json.dumps, st.fixed_dictionaries({"temporary": st.just("2a")})),
    st.sampled_from(["[]", "nonsense", "null", "{", "[" * 100_000]),
)


class Weaving(RuleBasedStateMachine):
    """Two pieces on one loom, and one on another, tapped in any order on a database that is opened anew."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.path = Path(self.folder.name) / "spareshaft.sqlite"
        self.store = Store(self.path)
        looms = ("big", "BIG ", "small")
        self.ids = [self.store.add_piece(piece_text(loom_name=loom), piece_order()) for loom in looms]
        # what we know without the store: the taps that counted
        self.counted: dict[int, list[Tap]] = {piece_id: [] for piece_id in self.ids}
        self.last: tuple[int, Tap] | None = None

    def teardown(self) -> None:
        self.store.close()
        self.folder.cleanup()

    def place(self, piece_id: int) -> Place:
        return place_after(DECKS, self.counted[piece_id])

    def is_free(self, piece_id: int) -> bool:
        others = {0: 1, 1: 0}.get(self.ids.index(piece_id))
        return others is None or self.place(self.ids[others]).status != "on the loom"

    def tap(self, piece_id: int, tap: Tap) -> None:
        place = self.place(piece_id)
        try:
            after = after_tap(DECKS, place, tap)
            allowed = not is_stale(place, tap)
            if after.status == "on the loom" != place.status:
                allowed = allowed and self.is_free(piece_id)
        except NotNow:
            allowed = False
        answer = self.store.tap(piece_id, tap)
        assert answer is not None
        assert answer.counted == allowed
        assert bool(answer.message) != allowed
        if allowed:
            self.counted[piece_id].append(tap)
            self.last = (piece_id, tap)
        assert answer.weaving.place == self.place(piece_id)

    @rule(which=st.integers(0, 2), kind=KINDS, detail=DETAILS)
    def tap_the_card_that_is_up(self, which: int, kind: str, detail: str) -> None:
        place = self.place(self.ids[which])
        self.tap(self.ids[which], Tap(kind, place.card, place.turn, detail))  # type: ignore[arg-type]

    @rule(times=st.integers(2, 12))
    def weave_on(self, times: int) -> None:
        for _ in range(times):
            place = self.place(self.ids[0])
            kind = "next" if place.status == "on the loom" else "begin"
            self.tap(self.ids[0], Tap(kind, place.card, place.turn))

    @precondition(lambda self: self.last is not None)
    @rule()
    def tap_once_more(self) -> None:
        assert self.last is not None
        before = len(self.counted[self.last[0]])
        self.tap(*self.last)
        assert len(self.counted[self.last[0]]) == before

    @rule(which=st.integers(0, 2), kind=KINDS, back=st.integers(1, 5), card=st.integers(-1, 30))
    def tap_a_page_from_history(self, which: int, kind: str, back: int, card: int) -> None:
        place = self.place(self.ids[which])
        self.tap(self.ids[which], Tap(kind, place.card, place.turn - back))  # type: ignore[arg-type]
        if card != place.card:
            self.tap(self.ids[which], Tap(kind, card, place.turn))  # type: ignore[arg-type]

    @rule()
    def start_anew(self) -> None:
        self.store.close()
        self.store = Store(self.path)

    @invariant()
    def all_follows_from_the_log(self) -> None:
        for piece_id in self.ids:
            weaving = self.store.weaving(piece_id)
            assert weaving is not None
            assert [(entry.kind, entry.card, entry.detail) for entry in weaving.log] == [
                (tap.kind, tap.card, tap.detail) for tap in self.counted[piece_id]
            ]
            for entry in weaving.log:
                assert log_words(weaving.decks, entry.kind, entry.detail, entry.before, NAMES)
                assert is_about_temporaries(weaving.decks, entry.kind, entry.before) in (True, False)
            assert [entry.turn for entry in weaving.log] == list(range(1, len(weaving.log) + 1))
            assert weaving.place.turn == len(weaving.log)
            assert weaving.place == self.place(piece_id)
            assert _standing(weaving.state) == _standing(_state(weaving.place))
            if weaving.place.status == "on the loom":
                assert _standing(card_up(weaving.decks, weaving.place).before) is not None
                if last := can_undo(weaving.place):
                    place = weaving.place
                    undone = after_tap(DECKS, place, Tap("undo", place.card, place.turn))
                    assert replace(undone, turn=0) == replace(last.before, turn=0)

    @invariant()
    def one_loom_has_one_piece_on_it(self) -> None:
        on_loom = [line.id for line in self.store.pieces() if line.status == "on the loom"]
        assert len(set(on_loom) & set(self.ids[:2])) <= 1

    @invariant()
    def a_piece_off_the_loom_leaves_it_bare(self) -> None:
        for piece_id in self.ids:
            weaving = self.store.weaving(piece_id)
            assert weaving is not None
            if weaving.place.status != "on the loom":
                assert weaving.state.is_bare()


def _state(place: Place) -> State:
    """What stands at a place, read off the cards in another way than the store's."""
    if place.status == "ended":
        return State()
    done: list[Card] = list(CARDS[: place.card + (place.status == "finished")])
    state = done[-1].after if done else State()
    for number in sorted(place.ahead):
        step = CARDS[number].step
        assert step is not None
        state = apply(PIECE.loom, state, step)
    return state


def _standing(state: State) -> tuple[object, ...]:
    """What hangs where, leaving out how many picks are in."""
    return (state.temporaries, state.away, state.raised, state.pulled, state.row)


Weaving.TestCase.settings = settings(max_examples=20, stateful_step_count=25)
TestWeaving = Weaving.TestCase


def test_a_restart_in_the_middle_of_every_card(tmp_path: Path) -> None:
    path = tmp_path / "spareshaft.sqlite"
    with closing(Store(path)) as store:
        piece_id = store.add_piece(piece_text(), piece_order())
    place = Place()
    while place.status != "finished":
        with closing(Store(path)) as store:
            weaving = store.weaving(piece_id)
            assert weaving is not None
            assert weaving.place == place
            kind = "begin" if place.status == "waiting" else "next"
            answer = store.tap(piece_id, Tap(kind, place.card, place.turn))
            assert answer is not None
            assert answer.counted
            place = answer.weaving.place
    assert place == replace(place, card=len(CARDS) - 1, turn=len(CARDS) + 1)
