"""A weaver who fumbles: she taps too far, weaves wrong, puts temporaries in wrongly, takes out, breaks off,
finds her loom disturbed.

Her loom and her cloth are plain sets that know nothing of `server`; what she is told to do, she does to them,
and it must be possible. Whenever she has told the truth, what Spareshaft believes is what stands before her;
a temporary with one leash too many or too few is all that she may not have noticed yet.
"""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable
from copy import deepcopy
from dataclasses import asdict, dataclass, field, replace
from itertools import groupby
from pathlib import Path
from typing import Any

from fastapi.testclient import TestClient

from server.design.piece_file import read_piece
from server.loom.actions import Refused
from server.loom.steps import Insert, MoveCords, Raise, TakeOut, Weave, Withdraw
from server.plan.no_plan import NoPlan
from server.plan.planner import plan
from server.plan.visits import Position, position_of
from server.session.cards import BEHIND, Card
from server.session.log_words import is_about_temporaries, log_words
from server.session.naming import Naming
from server.session.place import (
    PULL,
    NotNow,
    Place,
    Tap,
    TapKind,
    after_tap,
    can_undo,
    card_up,
    is_done_again,
    standing_by_now,
    walk_of,
)
from server.session.put_right import (
    Proposal,
    continuations,
    course_of,
    cut_out,
    go_on,
    picks_back,
    picks_in,
    sheds_known,
    spots_before,
    standing,
    take_out,
    what_is_left,
)
from server.session.reminders import Reminder, due
from server.session.treadling import next_pick, picks_of
from server.session.wishes import Wishes, Written, wished
from server.store.database import Store
from server.store.weavings import Weaving
from server.web.differently import Slot, Told, Wrong, state_told
from server.web.rendering import Preferences
from tests.outside.pieces import small_piece

PLANNING_SECONDS = 0.5
CLOSE = 1e-5


def fumbled_piece(rng: random.Random) -> dict[str, Any]:
    """A small piece for which there is a plan, with a cycle of treadles that rows do not agree with."""
    while True:
        piece = small_piece(rng)
        piece["picks_per_row"] = [rng.randint(1, 4) for _ in range(rng.randint(1, 3))]
        treadles = piece["loom"]["treadles"]
        piece["treadling"] = [rng.randint(1, treadles) for _ in range(rng.randint(1, 5))]
        try:
            plan(read_piece(json.dumps(piece)), limit=PLANNING_SECONDS)
        except NoPlan:
            continue
        return piece


@dataclass
class Passage:
    """One passage of the shuttle in the cloth; a wrong one is her own fault, and stays if it is left in."""

    units: frozenset[int]
    treadle: int
    is_wrong: bool = False


def told_fields(told: Told) -> dict[str, str]:
    """The form in which the loom is told."""
    fields = {"free": told.free, "handles": told.handles, "cords": told.cords}
    fields |= {"row": told.row, "picks": told.picks, "where": told.where}
    for n, slot in enumerate(told.slots):
        fields |= {f"{name}_{n}": value for name, value in asdict(slot).items()}
    return fields


@dataclass
class Hands:
    """Her loom and her cloth.

    Attributes:
        temporaries: per name, the shaft it borrows from and the units it carries.
        slips: of those that went in wrongly unnoticed, the units that each should carry.
        on: per handle, the shaft's number or the temporary that its cords are on; None: they hang free.
        cloth: per pick of the design, the passages that stand for it: one, two where one was too many.
        leaps: before which pick her feet went on elsewhere in their cycle, and by how much.
        flips: before which pick the shuttle was found on the other side.
    """

    shafts: dict[int, frozenset[int]]
    on: dict[str, str | None]
    temporaries: dict[str, tuple[int, frozenset[int]]] = field(default_factory=dict)
    up: set[str] = field(default_factory=set)
    cords: set[int] = field(default_factory=set)
    behind: bool = False
    cloth: list[list[Passage]] = field(default_factory=list)
    leaps: dict[int, int] = field(default_factory=dict)
    flips: dict[int, int] = field(default_factory=dict)
    slips: dict[str, frozenset[int]] = field(default_factory=dict)

    def as_told(self) -> dict[str, tuple[int, frozenset[int]]]:
        """The temporaries as they should have gone in."""
        return {
            name: (shaft, self.slips.get(name, units)) for name, (shaft, units) in self.temporaries.items()
        }

    def lifted(self) -> frozenset[int]:
        """The units that are up."""
        return self._lifted_by(self.temporaries)

    def should_be_lifted(self) -> frozenset[int]:
        """The units that would be up if no temporary had gone in wrongly."""
        return self._lifted_by(self.as_told())

    def _lifted_by(self, temporaries: dict[str, tuple[int, frozenset[int]]]) -> frozenset[int]:
        units = set(self.cords)
        for handle in self.up:
            carrier = self.on[handle]
            assert carrier is not None, f"handle {handle} carries nothing"
            units |= temporaries[carrier][1] if carrier in temporaries else self.shafts[int(carrier)]
        return frozenset(units)

    def passages(self) -> int:
        """How often the shuttle has passed."""
        return sum(len(pick) for pick in self.cloth)

    def cut_to(self, picks: int) -> None:
        """All picks above so many are out, and what was odd about them with them."""
        del self.cloth[picks:]
        self.leaps = {at: by for at, by in self.leaps.items() if at <= picks}
        self.flips = {at: by for at, by in self.flips.items() if at <= picks}

    def side(self) -> str:
        """Where the shuttle is; before the first pick at the right."""
        return ("right", "left")[(self.passages() + sum(self.flips.values())) % 2]


@dataclass(frozen=True)
class Asked:
    """How a way on is asked for on the pages."""

    address: str
    fields: dict[str, str]
    by_post: bool = False


@dataclass
class Corrected:
    """A correction that can be taken back: the hands before it, and after it."""

    before: Hands
    after: Hands


class Fumbler:
    """One weaver with one piece.

    Args:
        rng: all that is left to chance.
        path: the database's file, to be made.
        look: called now and then with the store, to look at pages.
        browser: makes one on a store; then most of what is planned anew is asked for on the pages.
    """

    def __init__(
        self,
        rng: random.Random,
        path: Path,
        look: Callable[[Store, int], None] | None = None,
        browser: Callable[[Store], TestClient] | None = None,
    ) -> None:
        self.rng, self.path, self.look, self.browser = rng, path, look, browser
        self.json = fumbled_piece(rng)
        self.piece = read_piece(json.dumps(self.json))
        # two processes: each has a store of its own
        self.stores = [Store(path), Store(path)]
        self.id = self.stores[0].add_piece(json.dumps(self.json), plan(self.piece, limit=PLANNING_SECONDS))
        loom = self.json["loom"]
        hung: dict[int, set[int]] = {shaft: set() for shaft in range(1, loom["pattern_shafts"] + 1)}
        for unit, shaft in enumerate(self.json["leashes"], 1):
            if shaft:
                hung[shaft].add(unit)
        on: dict[str, str | None] = {str(shaft): str(shaft) for shaft in hung}
        on |= {f"S{n}": None for n in range(1, loom["spare_handles"] + 1)}
        self.hands = Hands({shaft: frozenset(units) for shaft, units in hung.items()}, on)
        self.by_pick = rng.random() < 0.5
        self.slippery = rng.choice([0.0, 0.1, 0.4])
        self.taps = 0
        self.noticed = 0
        self.keys = 0
        self.undoable: dict[int, Corrected] = {}
        self.story: list[str] = []
        self.naming = Naming.on(self.piece.loom)

    def close(self) -> None:
        """Let go of the file."""
        for store in self.stores:
            store.close()

    # --- what she sees -----------------------------------------------------------------------------

    @property
    def weaving(self) -> Weaving:
        found = self.rng.choice(self.stores).weaving(self.id)
        assert found is not None
        return found

    @property
    def place(self) -> Place:
        return self.weaving.place

    def picks_of(self, row: int) -> int:
        cycle: list[int] = self.json["picks_per_row"]
        return cycle[(row - 1) % len(cycle)]

    def position(self) -> tuple[int, int]:
        """Rows that are in, and picks of the next one."""
        return self.position_at(len(self.hands.cloth))

    def position_at(self, picks: int) -> tuple[int, int]:
        """Rows that so many picks are, and picks of the next one."""
        row = 0
        while row < len(self.json["rows"]) and picks >= self.picks_of(row + 1):
            row, picks = row + 1, picks - self.picks_of(row + 1)
        return row, picks

    def picks_to(self, row: int) -> int:
        """All picks up to a row's end."""
        return sum(self.picks_of(r) for r in range(1, row + 1))

    def is_lifted(self, row: int) -> frozenset[int]:
        """The units that the design lifts in a row."""
        return frozenset(u for u, cell in enumerate(self.json["rows"][row - 1], 1) if cell == "#")

    # --- taps --------------------------------------------------------------------------------------

    def tap(self, kind: TapKind, course: Any = None, counts: bool | None = True, **said: Any) -> bool:
        """Tap, on one screen or the other, sometimes twice; then what the stores have is compared.

        Args:
            counts: whether it must; None: it may or not.
        """
        place = self.place
        self.keys += 1
        key = f"{self.keys:032x}" if self.rng.random() < 0.7 else ""
        tap = Tap(kind, place.card, place.turn, json.dumps(said) if said else "", key)
        self.story.append(f"{kind} {said or ''} on {place.spot}")
        if self.rng.random() < 0.05:
            self.stale(place)
        answer = self.rng.choice(self.stores).tap(self.id, tap, course=course)
        assert answer is not None
        assert counts is None or answer.counted == counts, (answer.message, self.told_story())
        assert answer.counted or answer.message
        assert answer.weaving.place.turn == place.turn + answer.counted
        if key and answer.counted and self.rng.random() < 0.2:  # the answer was lost; sent once more
            again = self.rng.choice(self.stores).tap(self.id, tap, course=course)
            assert again is not None
            assert again.counted
            assert again.weaving.place == answer.weaving.place
        self.taps += 1
        if self.rng.random() < 0.004:
            self.restart()
        places = [w.place for store in self.stores if (w := store.weaving(self.id))]
        assert places == [answer.weaving.place] * len(self.stores)
        if answer.counted:
            entry = answer.weaving.log[-1]
            assert log_words(answer.weaving.decks, kind, entry.detail, entry.before, self.naming).strip()
            assert is_about_temporaries(answer.weaving.decks, kind, entry.before) in (True, False)
        if self.look is not None and self.rng.random() < 0.1:
            self.look(self.stores[0], self.id)
        self.reminded(answer.weaving)
        return answer.counted

    def reminded(self, weaving: Weaving) -> None:
        reminders = (Reminder("Temple", 2, "picks"), Reminder("Wind", 2, "rows"), Reminder("c", 1.5, "cm", 2))
        assert set(due(self.piece, weaving.decks, weaving.place, reminders)) <= {"Temple", "Wind", "c"}

    def stale(self, place: Place) -> None:
        """A tap from a page that was left behind."""
        kind: TapKind = self.rng.choice(["next", "back", "pick", "undo", "again", "too_far"])
        old = Tap(kind, place.card, place.turn - self.rng.randint(1, 3))
        answer = self.rng.choice(self.stores).tap(self.id, old)
        assert answer is not None
        assert answer.stale
        assert not answer.counted
        assert answer.weaving.place == place

    def restart(self) -> None:
        """A store is opened anew; it leads to the same place."""
        n = self.rng.randrange(len(self.stores))
        self.stores[n].close()
        self.stores[n] = Store(self.path)

    def correct(self, before: Hands, kind: TapKind, course: Any = None, **said: Any) -> None:
        """Tap a correction, and remember how it can be taken back."""
        turn = self.place.turn
        self.tap(kind, course=course, **said)
        self.undoable[turn] = Corrected(before, deepcopy(self.hands))
        self.check()

    def told_story(self) -> str:
        return "\n".join([json.dumps(self.json), *self.story[-40:]])

    # --- what must hold ----------------------------------------------------------------------------

    def check(self) -> None:
        """What Spareshaft believes is so."""
        weaving, hands = self.weaving, self.hands
        if weaving.place.status not in ("on the loom", "finished"):
            return
        if weaving.place.again is None and weaving.decks.at(weaving.place).kind not in BEHIND:
            hands.behind = False  # she goes to where the next thing is to be done
        state = standing_by_now(weaving.decks, weaving.place)
        believed = {
            "temporaries": {t.name: (t.parent, t.units) for t in state.temporaries},
            "on": {handle: state.carrier(self.piece.loom, handle) for handle in hands.on},
            "up": set(state.raised),
            "cords": set(state.pulled),
            "at": position_of(state),
        }
        here = {
            "temporaries": hands.as_told(),
            "on": hands.on,
            "up": hands.up,
            "cords": hands.cords,
            "at": Position(*self.position()),
        }
        assert believed == here, self.told_story()
        shed = picks_in(weaving.decks, weaving.place)
        if shed is not None and weaving.place.status == "on the loom":
            row = weaving.decks.at(weaving.place).row
            assert shed == len(hands.cloth) - self.picks_to(row - 1), self.told_story()
        # what comes next follows from what is in the cloth
        card = card_up(weaving.decks, weaving.place)
        if weaving.place.again is None and card.kind != "done":
            assert next_pick(self.piece, weaving.place, card) == len(hands.cloth), self.told_story()

    # --- what she is told to do --------------------------------------------------------------------

    def do_card(self) -> None:
        """What the card says, to the letter; then she taps it done."""
        weaving = self.weaving
        card = card_up(weaving.decks, weaving.place)
        if is_done_again(weaving.place):
            self.put_in_again(card)
        elif weaving.place.again == PULL:
            hands = self.hands
            assert isinstance(card.step, Raise)
            assert not hands.up | hands.cords, "all was let go"
            hands.up, hands.cords = set(card.step.handles), set(card.step.single_cords)
            if card.row > self.position()[0]:  # else they are still up from the row before
                assert hands.should_be_lifted() == self.is_lifted(card.row), self.told_story()
        elif isinstance(card.step, Weave | TakeOut):
            self.pick_by_pick(weaving, card)
            return
        elif self.lifts_wrongly(card) and self.rng.random() < 0.7:
            self.correct(deepcopy(self.hands), "again")  # seen at the test lift
            return
        elif card.kind == "done" and self.is_troubled():
            self.notice()
            return
        else:
            walk = [
                n
                for n in walk_of(weaving.cards, weaving.place.card)
                if n >= weaving.place.card and n not in weaving.place.ahead
            ]
            if len(walk) > 1 and self.rng.random() < 0.4:
                self.tick(weaving, self.rng.choice(walk))
                return
            self.do(card)
        self.tap("next")
        self.check()

    def do(self, card: Card) -> None:
        """A card that neither weaves nor takes out."""
        hands, loom = self.hands, self.json["loom"]
        self.story.append(f"does {card.step or card.handle}")
        match card.step:
            case Raise(row=row, handles=handles, single_cords=cords):
                hands.behind = False
                hands.up, hands.cords = set(handles), set(cords)
                assert hands.cords <= set(self.json["single_cords"])
                for handle, carrier in hands.on.items():
                    assert carrier is not None or handle.startswith("S"), "cords hang free at the bench"
                self.may_stay(hands)
                assert hands.should_be_lifted() == self.is_lifted(row), self.told_story()
            case Insert(shaft=shaft, temporary=name, units=units):
                assert hands.behind, self.told_story()
                assert name not in hands.temporaries
                assert units
                assert set(units) < hands.shafts[shaft]
                self.put_in(shaft, name, frozenset(units))
                assert len(hands.temporaries) <= loom["spare_shafts"]
                of_it = [parent for parent, _ in hands.temporaries.values() if parent == shaft]
                assert len(of_it) <= loom["temporaries_per_shaft"]
            case MoveCords(handle=handle, source=source, target=target):
                assert hands.behind, self.told_story()
                assert hands.on[handle] == source
                self.hang(handle, target)
            case Withdraw(temporary=name):
                assert hands.behind, self.told_story()
                assert name not in hands.on.values()
                del hands.temporaries[name]
                hands.slips.pop(name, None)
            case None:
                assert card.handle is not None
                assert hands.on[card.handle] is not None
                hands.behind = False
            case _ if card.kind == "walk":
                assert not hands.behind, self.told_story()
                hands.behind = True
                hands.up, hands.cords = set(), set()
            case _ if card.kind == "label":
                assert hands.behind, self.told_story()
            case _ if card.kind == "done":
                hands.behind = False
                hands.up, hands.cords = set(), set()
                self.must_be_bare()

    def put_in(self, shaft: int, name: str, units: frozenset[int]) -> None:
        """A temporary goes in; now and then with one leash too many or too few, and she does not notice."""
        really = units ^ {self.rng.choice(sorted(self.hands.shafts[shaft]))}
        if self.rng.random() < self.slippery and really and really < self.hands.shafts[shaft]:
            self.hands.slips[name] = units
            self.story.append(f"{name} really takes {sorted(really)}")
        else:
            really = units
        self.hands.temporaries[name] = (shaft, really)

    def lifts_wrongly(self, card: Card) -> bool:
        """Whether something else rises than a test lift shows."""
        return card.handle is not None and self.hands.on[card.handle] in self.hands.slips

    def hang(self, handle: str, target: str | None) -> None:
        hands = self.hands
        if target is not None:
            assert target not in [on for other, on in hands.on.items() if other != handle]
            assert target in hands.temporaries or target == handle
            if target in hands.temporaries and not handle.startswith("S"):
                assert hands.temporaries[target][0] == int(handle)
        hands.on[handle] = target

    def may_stay(self, hands: Hands) -> None:
        if self.json["loom"]["temporaries_may_stay"]:
            return
        for handle in hands.up:
            carrier = hands.on[handle]
            assert carrier is not None
            shaft = hands.temporaries[carrier][0] if carrier in hands.temporaries else int(carrier)
            for name, (parent, _) in hands.temporaries.items():
                assert parent != shaft or name == carrier, self.told_story()

    def must_be_bare(self) -> None:
        assert not self.hands.temporaries, self.told_story()
        for handle, carrier in self.hands.on.items():
            assert carrier == (None if handle.startswith("S") else handle), self.told_story()

    def put_in_again(self, card: Card) -> None:
        """Nothing is otherwise afterwards, if it was right before; what was wrong is right then."""
        hands = self.hands
        match card.step:
            case Insert(shaft=shaft, temporary=name, units=units):
                assert hands.as_told()[name] == (shaft, frozenset(units)), self.told_story()
                hands.temporaries[name] = (shaft, frozenset(units))
                hands.slips.pop(name, None)
            case MoveCords(handle=handle, target=target):
                assert hands.on[handle] == target, self.told_story()
                if target in hands.slips:  # the cords are not it: the temporary is
                    self.tap("back")
                    self.correct(deepcopy(hands), "again", temporary=target)
            case _:
                raise AssertionError(card)

    def tick(self, weaving: Weaving, number: int) -> None:
        """A thing of this walk out of its turn, where that can be."""
        if not self.tick_is_refused(weaving, number):
            self.do(weaving.cards[number])
            self.tap("tick", card=number)
            self.check()

    def tick_is_refused(self, weaving: Weaving, number: int) -> bool:
        """Whether that tick cannot be; then it is tapped, and refused."""
        place = weaving.place
        tap = Tap("tick", place.card, place.turn, json.dumps({"card": number}))
        try:
            after_tap(weaving.decks, place, tap)
        except NotNow:
            self.tap("tick", counts=False, card=number)
            self.check()
            return True
        return False

    def untick(self) -> None:
        """A thing that she has done on this walk is undone by her hands, and so told."""
        weaving = self.weaving
        place = weaving.place
        done = [n for n in walk_of(weaving.cards, place.card) if n < place.card or n in place.ahead]
        if not done or place.again is not None:
            return
        number = self.rng.choice(done)
        if self.tick_is_refused(weaving, number):
            return
        hands = self.hands
        match weaving.cards[number].step:
            case Insert(temporary=name):
                assert name not in hands.on.values(), self.told_story()
                del hands.temporaries[name]
                hands.slips.pop(name, None)
            case Withdraw(temporary=name):
                there = weaving.cards[number].before.temporary(name)
                assert there is not None
                hands.temporaries[name] = (there.parent, there.units)
                assert len(hands.temporaries) <= self.json["loom"]["spare_shafts"], self.told_story()
            case MoveCords(handle=handle, source=source):
                self.hang(handle, source)
        self.tap("tick", card=number)
        self.check()

    def pick_by_pick(self, weaving: Weaving, card: Card) -> None:
        """The picks of this card that are not done; by pick only the next one."""
        told = [pick for pick in picks_of(self.piece, weaving.place, card, "right") if not pick.is_done]
        assert told, self.told_story()
        by_pick = self.by_pick if self.rng.random() < 0.9 else not self.by_pick
        if weaving.place.checked is False and self.rng.random() < 0.1:
            self.tap("checked")
        number = 1 if by_pick else len(told)
        for pick in told[:number]:
            self.one_pick(card, pick.number, pick.treadle, pick.to)
        self.tap("pick" if by_pick else "next")
        self.check()

    def one_pick(self, card: Card, number: int, treadle: int, to: str) -> None:
        hands = self.hands
        self.story.append(f"{card.kind} row {card.row} pick {number} treadle {treadle} to {to}")
        index = self.picks_to(card.row - 1) + number - 1
        if card.kind == "weave":
            assert index == len(hands.cloth), self.told_story()
            cycle: list[int] = self.json["treadling"]
            natural = cycle[(hands.passages() + sum(hands.leaps.values())) % len(cycle)]
            assert treadle == natural, self.told_story()
            is_wrong = self.rng.random() < 0.02
            units = hands.lifted()
            assert hands.should_be_lifted() == self.is_lifted(card.row)
            hands.cloth.append([Passage(units ^ {1} if is_wrong else units, treadle, is_wrong)])
        else:
            assert index == len(hands.cloth) - 1, self.told_story()
            out = hands.cloth[-1]
            for passage in out:
                if passage.units == self.is_lifted(
                    card.row
                ):  # woven as drawn, the temporaries as they should
                    assert passage.is_wrong or passage.units == hands.should_be_lifted(), self.told_story()
            if len(out) == 1 and not out[0].is_wrong:
                assert out[0].treadle == treadle, self.told_story()
            hands.cut_to(index)
        assert hands.side() == to, self.told_story()

    # --- how she fumbles ---------------------------------------------------------------------------

    def step(self, fumbles: float) -> None:
        """One thing: what she is told, or a fumble."""
        place = self.place
        match place.status:
            case "waiting":
                self.tap("begin")
            case "aside":
                self.tap("resume")
            case "finished":
                self.tap("back")
                state = self.weaving.state
                self.hands.up, self.hands.cords = set(state.raised), set(state.pulled)
            case _:
                if place.paused and self.rng.random() < 0.8:
                    self.tap("stands")
                elif self.is_troubled() and self.rng.random() < 0.2 and not self.is_on_the_way_back():
                    self.notice()
                elif self.rng.random() < fumbles:
                    self.rng.choice(self.fumbles())()
                else:
                    self.do_card()
                return
        self.check()

    def wrong_picks(self) -> list[int]:
        """The picks, from 0, that are not as drawn because a temporary had gone in wrongly."""
        found = []
        for row in range(1, len(self.piece.rows) + 1):
            for n in range(self.picks_to(row - 1), min(self.picks_to(row), len(self.hands.cloth))):
                if any(not p.is_wrong and p.units != self.is_lifted(row) for p in self.hands.cloth[n]):
                    found.append(n)
        return found

    def is_troubled(self) -> bool:
        """Whether there is something wrong that she may notice."""
        return bool(self.hands.slips or self.wrong_picks())

    def is_on_the_way_back(self) -> bool:
        weaving = self.weaving
        return bool(weaving.place.out) or any(
            card.number >= weaving.place.card for card in weaving.decks.taken_out(weaving.place)
        )

    def notice(self) -> None:
        """She sees that a temporary is in wrongly, or what was woven with it, and puts it right."""
        before, wrong = deepcopy(self.hands), self.wrong_picks()
        self.noticed += 1
        if self.place.again is not None:
            self.do_card()
        elif self.hands.slips:
            name = self.rng.choice(sorted(self.hands.slips))
            self.story.append(f"notices {name}")
            if self.rng.random() < 0.5:
                self.let_go()
                self.correct(before, "again", temporary=name)
            else:
                self.tell_how_it_stands(before)
        elif wrong:
            self.story.append(f"notices picks {wrong}")
            row, _ = self.position_at(wrong[0])
            match self.rng.choice(["out", "out", "cut", "leave"]):
                case "out":
                    self.take_picks_out(len(self.hands.cloth) - wrong[0])
                case "cut":
                    self.cut(row)
                case "leave" if self.position()[0] > row:
                    for n in wrong:
                        for passage in self.hands.cloth[n]:
                            passage.is_wrong = True
                    self.correct(before, "left_in", row=row + 1, words="a unit off")

    def fumbles(self) -> list[Callable[[], None]]:
        """All that may go wrong; what stands twice comes oftener."""
        return [
            self.tap_too_far,
            self.tap_too_far,
            self.take_picks_out,
            self.take_picks_out,
            self.take_some_out_here,
            self.cut,
            self.leave_in,
            self.strike,
            self.say_again,
            self.disturbed,
            self.disturbed,
            self.wish,
            self.behind_already,
            self.pause,
            self.begin_a_row,
            self.shift,
            self.shift,
            self.undo,
            self.undo,
            self.undo,
            self.untick,
            self.put_aside,
            self.go_on,
        ]

    def tap_too_far(self) -> None:
        """She taps and does nothing; then she notices."""
        truth = self.place
        if truth.again is not None:
            self.tap_too_far_again(truth)
            return
        for _ in range(self.rng.choice([1, 1, 2, 3, 5, 9])):
            now = self.place
            if now.status != "on the loom":
                break
            kind: TapKind = "pick" if self.rng.random() < 0.3 else "next"
            self.tap(kind, counts=None if kind == "pick" else True)
        if self.place.status == "finished":
            self.tap("back")
        if truth.out or self.rng.random() < 0.5:
            self.tap_back(truth)
        now = self.place
        if (now.card, now.pick) != (truth.card, truth.pick):
            kind = "picks" if now.card == truth.card and self.rng.random() < 0.5 else "too_far"
            card = self.weaving.decks.at(now)
            if kind == "picks" and card.kind in ("weave", "take_out"):
                self.tap("picks", picks=truth.pick)
            elif now.card < truth.card:  # too far back
                self.tap("settle", card=truth.card, pick=truth.pick)
            else:
                self.tap("too_far", card=truth.card, pick=truth.pick)
        for number in sorted(truth.ahead - self.place.ahead):
            self.tap("tick", card=number)
        for entry in truth.to_come:  # waiting till she is at the bench; of that only the end was tapped
            if entry not in self.place.to_come:
                self.tap("again", temporary=entry.removeprefix("lift "))
                self.tap("next")
        assert self.place.spot == truth.spot, self.told_story()
        self.check()

    def tap_too_far_again(self, truth: Place) -> None:
        """The same where something is done once more: Back, as often as she tapped."""
        taps = 0
        while self.place.again is not None and taps < 3:
            self.tap("next")
            taps += 1
        for _ in range(taps):
            self.tap("back")
        # a test lift too many may be to come
        assert replace(self.place, to_come=()).spot == replace(truth, to_come=()).spot, self.told_story()
        self.check()

    def tap_back(self, truth: Place) -> None:
        """Back, as often as it takes."""
        for _ in range(80):
            weaving = self.weaving
            now = weaving.place
            if now.spot == truth.spot or now.card < truth.card:
                return
            is_out = weaving.decks.at(now).kind == "take_out"
            if now.card == truth.card:
                if is_out and (now.pick == 0 or now.pick >= truth.pick):
                    return
                if not is_out and now.pick <= truth.pick and not truth.out:
                    return
            self.tap("back")
        raise AssertionError(self.told_story())

    def tell_picks(self, to_its_end: bool = False) -> None:
        """She weaves some picks of the row that is on, or takes some out, and says how many are in."""
        weaving = self.weaving
        card = card_up(weaving.decks, weaving.place)
        if weaving.place.out or not isinstance(card.step, Weave | TakeOut) or weaving.place.again:
            return
        told = [pick for pick in picks_of(self.piece, weaving.place, card, "right") if not pick.is_done]
        some = told[: self.rng.randrange(len(told) + (to_its_end and card.kind == "weave"))]
        for pick in some:
            self.one_pick(card, pick.number, pick.treadle, pick.to)

    def picks_in_row(self) -> int:
        row = self.weaving.decks.at(self.place).row
        return len(self.hands.cloth) - self.picks_to(row - 1)

    def begin_a_row(self) -> None:
        card = card_up(self.weaving.decks, self.place)
        if card.kind not in ("weave", "take_out") or self.place.out or self.place.again:
            return
        before = deepcopy(self.hands)
        self.tell_picks()
        if self.picks_in_row():
            self.correct(before, "picks", picks=self.picks_in_row())

    def take_some_out_here(self) -> None:
        """Picks come out again in the shed that stands."""
        card = card_up(self.weaving.decks, self.place)
        if card.kind != "weave" or self.place.out or self.place.again:
            return
        before = deepcopy(self.hands)
        self.tell_picks()
        known = self.picks_in_row()
        if known > card.before.picks:
            picks = self.rng.randint(1, known - card.before.picks)
            self.correct(before, "unweave", picks=picks, **{"in": known})

    def pause(self) -> None:
        card = card_up(self.weaving.decks, self.place)
        if card.kind in ("weave", "take_out") and not self.place.out and self.rng.random() < 0.6:
            self.tell_picks()
            if self.picks_in_row():  # told before she leaves, or on the page of the break
                taps: list[tuple[TapKind, dict[str, int]]] = [
                    ("pause", {}),
                    ("picks", {"picks": self.picks_in_row()}),
                ]
                self.rng.shuffle(taps)
                for kind, said in taps:
                    self.tap(kind, **said)
                self.check()
                return
        self.tap("pause")
        self.check()

    def put_aside(self) -> None:
        """The piece comes off the loom, if it is bare and no row is begun."""
        if self.tap("aside", counts=None):
            self.must_be_bare()
            assert self.position()[1] == 0
        self.check()

    def leave_in(self) -> None:
        row = self.position()[0]
        if row:
            self.correct(deepcopy(self.hands), "left_in", row=row, words="unit 1")

    def strike(self) -> None:
        """A mistake that stays in is struck out of the record, or counts again; nothing else changes."""
        before = self.place
        if before.mistakes:
            mistake = self.rng.choice(before.mistakes)
            self.tap("strike", turn=mistake.turn)
            assert self.place.spot == before.spot
            assert [m.struck for m in self.place.mistakes if m.turn == mistake.turn] == [not mistake.struck]
        else:
            self.tap("strike", counts=False, turn=before.turn)

    def say_again(self) -> None:
        """Something behind the loom is put in once more."""
        weaving = self.weaving
        before = deepcopy(self.hands)
        if weaving.place.again is not None or not self.hands.temporaries:
            return
        self.let_go()
        if weaving.decks.at(weaving.place).kind == "test_lift" and self.rng.random() < 0.5:
            self.correct(before, "again")
        else:
            self.correct(before, "again", temporary=self.rng.choice(sorted(self.hands.temporaries)))

    def let_go(self) -> None:
        """All is let down, to do something behind the loom once more."""
        self.hands.up, self.hands.cords = set(), set()

    def shift(self) -> None:
        """A pick too many or too few, the wrong treadle, the shuttle on the other side."""
        weaving, hands = self.weaving, self.hands
        place, card = weaving.place, weaving.decks.at(weaving.place)
        at = len(hands.cloth)
        if (
            card.kind in ("reopen", "take_out", "done")
            or place.out
            or at >= self.picks_to(len(self.piece.rows))
        ):
            return
        before = deepcopy(hands)
        pick = next_pick(self.piece, place, card)
        assert pick == at, self.told_story()
        cycle: list[int] = self.json["treadling"]
        natural = cycle[(hands.passages() + sum(hands.leaps.values())) % len(cycle)]
        match self.rng.choice(["too many", "too few", "side", "treadle"]):
            case "too many" if at:
                hands.cloth[-1].append(
                    Passage(hands.cloth[-1][-1].units if hands.cloth[-1] else frozenset(), natural, True)
                )
                self.correct(before, "shift", treadles=1, passages=1, pick=pick, why="too many")
            case "too few" if at and hands.cloth[-1]:
                hands.cloth[-1].pop()
                self.correct(before, "shift", treadles=-1, passages=-1, pick=pick, why="too few")
            case "side":
                hands.flips[at] = hands.flips.get(at, 0) + 1
                self.correct(before, "shift", treadles=0, passages=1, pick=pick, why="side")
            case "treadle":
                ways = [
                    w
                    for w in continuations(self.piece, weaving.decks, place, self.rng.choice(cycle))
                    if w.shift
                ]
                if not ways:
                    return
                way = self.rng.choice(ways)
                hands.leaps[at] = hands.leaps.get(at, 0) + way.shift
                follow = (hands.passages() + sum(hands.leaps.values())) % len(cycle)
                assert way.treadles[0] == cycle[follow]
                self.correct(before, "shift", treadles=way.shift, passages=0, pick=pick, why="treadle")

    def undo(self) -> None:
        """She changes her mind before anything has happened."""
        weaving = self.weaving
        last = can_undo(weaving.place)
        if last is None:
            self.tap("undo", counts=False)
            return
        told = self.undoable.get(last.before.turn)
        if told is None or told.after != self.hands:
            return
        self.hands = deepcopy(told.before)
        self.tap("undo")
        recorded = tuple(m for m in weaving.place.mistakes if m.turn != last.before.turn)
        there = replace(last.before, turn=0, mistakes=recorded)
        assert replace(self.place, turn=0) == there, self.told_story()
        self.check()

    # --- planned anew ------------------------------------------------------------------------------

    def follow(
        self,
        before: Hands,
        make: Callable[[Weaving], Proposal],
        same: bool = False,
        asked: Asked | None = None,
    ) -> bool:
        """Work out a way on and follow it; whether there was one.

        Args:
            same: nothing is otherwise than was believed, so what is left cannot become dearer.
            asked: how it is asked for on the pages.
        """
        if asked is not None and self.browser is not None and self.rng.random() < 0.8:
            return self.by_the_pages(before, asked)
        weaving = self.weaving
        try:
            proposal = make(weaving)
            known = sheds_known(weaving.decks, weaving.place)
            course = course_of(self.piece, proposal, known, limit=PLANNING_SECONDS)
        except (NoPlan, Refused) as why:
            self.story.append(f"no way on: {why}")
            if same:
                raise
            return False
        left = what_is_left(wished(self.piece, proposal.wishes), weaving.decks, weaving.place)
        if same:
            assert course.order.totals.minutes <= left.minutes + CLOSE, (
                left,
                course.order,
                self.told_story(),
            )
        self.story.append(f"{proposal}")
        self.correct(before, "course", course=course, why=proposal.why, row=proposal.row)
        return True

    def by_the_pages(self, before: Hands, asked: Asked) -> bool:
        """See what it means, then take it as it was shown."""
        assert self.browser is not None
        client = self.browser(self.rng.choice(self.stores))
        address = f"/pieces/{self.id}/{asked.address}"
        place = self.place
        shown = {"card": str(place.card), "turn": str(place.turn)}
        if asked.by_post:
            answer = client.post(address, data=asked.fields | shown)
        else:
            answer = client.get(address, params=asked.fields)
        self.story.append(f"{address} {asked.fields}: {answer.status_code}")
        assert answer.status_code in (200, 422), (answer.text, self.told_story())
        assert "The fault is Spareshaft" not in answer.text, self.told_story()
        mark = re.search(r'name="mark" value="([0-9a-f]+)"', answer.text)
        if answer.status_code == 422 or (mark is None and asked.address != "put-right/take-out"):
            return False
        fields = asked.fields | shown | {"do": "take", "mark": mark[1] if mark else ""}
        answer = client.post(address, data=fields)
        assert answer.status_code == 303, (answer.text, self.told_story())
        again = client.post(address, data=fields)  # tapped twice
        assert again.status_code == 422, self.told_story()
        assert self.place.turn == place.turn + 1
        self.taps += 1
        self.undoable[place.turn] = Corrected(before, deepcopy(self.hands))
        self.check()
        return True

    def wishes(self) -> Wishes:
        course = self.place.course
        return self.weaving.courses[course - 1].wishes if course else Wishes()

    def go_on(self) -> None:
        """From where she is, planned anew: on a way back that is changing her mind."""
        weaving = self.weaving
        at = position_of(standing(weaving.decks, weaving.place, self.piece))
        on_the_way_back = any(isinstance(c.step, TakeOut) for c in weaving.cards[weaving.place.card :])
        assert at == Position(*self.position()), self.told_story()
        self.follow(
            deepcopy(self.hands),
            lambda w: go_on(
                self.piece, standing(w.decks, w.place, self.piece), "stands differently", self.wishes()
            ),
            same=not on_the_way_back and weaving.place.out == 0,
        )

    def take_picks_out(self, least: int = 0) -> None:
        """So many picks, or back to a row.

        Args:
            least: picks that are in by now and must come out; 0: any.
        """
        before = deepcopy(self.hands)
        if self.place.again is not None:
            return
        self.tell_picks(to_its_end=True)  # told with what is to come out
        weaving, place = self.weaving, self.place
        card = weaving.decks.at(place)
        in_all = len(self.hands.cloth)
        if not in_all or (
            card.kind == "take_out"
            and in_all != self.picks_to(card.row - 1) + (picks_in(weaving.decks, place) or 0)
        ):
            if card.kind == "take_out" and self.picks_in_row():
                self.tap("picks", picks=self.picks_in_row())
            return
        known = self.picks_in_row() if card.kind in ("weave", "take_out") else None
        here = Position(*self.position())
        if least or self.rng.random() < 0.6:
            least += in_all - len(before.cloth) if least else 0
            can = (known or 0) - card.before.picks
            most = can if can > 0 and self.rng.random() < 0.4 else min(in_all, 9)
            out = least or self.rng.randint(1, most)
            to = picks_back(self.piece, here, out)
        else:
            to = Position(self.rng.randint(0, here.row - (here.picks == 0)), 0)
            out = in_all - self.picks_to(to.row)
        assert self.picks_to(to.row) + to.picks == in_all - out
        within = card.kind == "weave" and known is not None and known < self.picks_of(card.row)
        fields = {"now": "" if known is None else str(known)}
        fields |= {"row": str(to.row)} if to.picks == 0 and self.rng.random() < 0.5 else {"picks": str(out)}
        if within and known is not None and out <= known - card.before.picks and self.browser is None:
            self.correct(before, "unweave", picks=out, **{"in": known})
            return
        if not self.follow(
            before,
            lambda w: take_out(self.piece, standing(w.decks, w.place, self.piece, known), to, self.wishes()),
            asked=Asked("put-right/take-out", fields),
        ):
            self.tell_again(known)

    def tell_again(self, known: int | None) -> None:
        """There was no way; the picks that were woven meanwhile are told as such."""
        card = self.weaving.decks.at(self.place)
        if known is not None and self.picks_in_row() == self.picks_of(card.row) and card.kind == "weave":
            self.tap("next")
        elif known and self.picks_in_row() != picks_in(self.weaving.decks, self.place):
            self.tap("picks", picks=self.picks_in_row())
        self.check()

    def cut(self, row: int | None = None) -> None:
        """The weft is cut out back to a row; to any, if it is not said to which."""
        if self.place.again is not None:
            return
        before = deepcopy(self.hands)
        here = Position(*self.position())
        if not here.row and not here.picks:
            return
        if row is None:
            row = self.rng.randint(0, here.row - (here.picks == 0))
        self.hands.cut_to(self.picks_to(row))
        if not self.follow(
            before,
            lambda w: cut_out(self.piece, standing(w.decks, w.place, self.piece), row, self.wishes()),
            asked=Asked("put-right/cut-out", {"row": str(row)}),
        ):
            self.hands = before

    def some_rows(self) -> frozenset[int]:
        rows = len(self.piece.rows)
        return frozenset(self.rng.randint(0, rows) for _ in range(self.rng.randint(0, 3)))

    def wish(self) -> None:
        """She rises after other rows, or does not want to."""
        wishes = Wishes(self.some_rows(), self.some_rows(), Written("1, 2"))
        free, none = (", ".join(map(str, rows or ())) for rows in (wishes.free, wishes.none))
        self.follow(
            deepcopy(self.hands),
            lambda w: go_on(self.piece, standing(w.decks, w.place, self.piece), "walks", wishes),
            asked=Asked("walks-ahead", {"free": free, "none": none}, by_post=True),
        )

    def behind_already(self) -> None:
        """She is behind the loom anyway."""
        if self.weaving.decks.at(self.place).kind in BEHIND:
            return
        self.follow(
            deepcopy(self.hands),
            lambda w: go_on(
                self.piece,
                standing(w.decks, w.place, self.piece),
                "behind",
                self.wishes(),
                free_now=True,
            ),
            asked=Asked("walks-ahead/now", {}),
        )

    def disturbed(self) -> None:
        """Somebody was at the loom; she tells how it stands."""
        before = deepcopy(self.hands)
        self.disturb()
        self.tell_how_it_stands(before)

    def tell_how_it_stands(self, before: Hands) -> None:
        """She tells how the loom really stands, and it goes on from there."""
        self.hands.slips.clear()  # whatever went in wrongly is told as it is
        told = self.tell()
        weaving = self.weaving
        try:
            state = state_told(weaving, told, Preferences())
        except Wrong as why:
            raise AssertionError((why, told, self.told_story())) from why
        self.rename(state)
        if not self.follow(
            before,
            lambda w: go_on(self.piece, state, "stands differently", self.wishes()),
            asked=Asked("put-right/loom", told_fields(told), by_post=True),
        ):
            self.hands = before
            self.check()

    def disturb(self) -> None:
        """A loom as it may stand, whatever stood before."""
        hands, loom, rng = self.hands, self.json["loom"], self.rng
        hands.behind = rng.random() < 0.4 if not hands.behind else rng.random() < 0.7
        for name in list(hands.temporaries):
            if rng.random() < 0.4:
                del hands.temporaries[name]
        wide = [shaft for shaft, units in hands.shafts.items() if len(units) > 1]
        for n in range(rng.randint(0, loom["spare_shafts"]) if wide else 0):
            shaft = rng.choice(wide)
            of_it = sum(parent == shaft for parent, _ in hands.temporaries.values())
            if of_it >= loom["temporaries_per_shaft"] or len(hands.temporaries) >= loom["spare_shafts"]:
                continue
            units = rng.sample(sorted(hands.shafts[shaft]), rng.randint(1, len(hands.shafts[shaft]) - 1))
            hands.temporaries[f"?{n}"] = (shaft, frozenset(units))
        hands.on = {h: None if h.startswith("S") else h for h in hands.on}
        waiting = list(hands.temporaries)
        rng.shuffle(waiting)
        for name in waiting:
            shaft = hands.temporaries[name][0]
            free = [
                h for h, on in hands.on.items() if (h == str(shaft) and on == h) or (h[0] == "S" and not on)
            ]
            if free and rng.random() < 0.7:
                hands.on[rng.choice(free)] = name
        hands.up, hands.cords = set(), set()
        if hands.behind:
            for handle, on in hands.on.items():
                if on == handle and rng.random() < 0.3:
                    hands.on[handle] = None
            return
        for handle, on in hands.on.items():
            if on is None or rng.random() < 0.6:
                continue
            shaft = hands.temporaries[on][0] if on in hands.temporaries else int(on)
            others = [
                name for name, (parent, _) in hands.temporaries.items() if parent == shaft and name != on
            ]
            if hands.shafts[shaft] and (loom["temporaries_may_stay"] or not others):
                hands.up.add(handle)
        hands.cords = {unit for unit in self.json["single_cords"] if rng.random() < 0.3}

    def tell(self) -> Told:
        """How it stands, in her words: she counts behind the loom, from her left."""
        hands = self.hands
        slots = []
        for name, (shaft, units) in self.rng.sample(
            sorted(hands.temporaries.items()), len(hands.temporaries)
        ):
            handle = next((h for h, on in hands.on.items() if on == name), "")
            met = sorted(hands.shafts[shaft], reverse=True)
            runs = [(taken, len(list(run))) for taken, run in groupby(unit in units for unit in met)]
            counts = ", ".join(f"{'take' if taken else 'pass'} {number}" for taken, number in runs)
            cords = "" if not handle else "own" if handle == str(shaft) else handle
            slots.append(Slot("" if name.startswith("?") else name, str(shaft), counts, cords))
        row, picks = self.position()
        return Told(
            slots=tuple(slots),
            free=", ".join(h for h, on in hands.on.items() if on is None and not h.startswith("S")),
            handles=", ".join(sorted(hands.up)),
            cords=", ".join(map(str, sorted(hands.cords))),
            row=str(row),
            picks=str(picks),
            where="behind" if hands.behind else "bench",
        )

    def rename(self, state: Any) -> None:
        """The temporaries are called as the page calls them by now."""
        hands = self.hands
        names: dict[str, str] = {}
        for t in state.temporaries:
            handle = state.handle_on(t.name)
            names[t.name] = next(
                name
                for name, (parent, units) in hands.temporaries.items()
                if (parent, units) == (t.parent, t.units)
                and name not in names.values()
                and next((h for h, on in hands.on.items() if on == name), None) == handle
            )
        old = {name: new for new, name in names.items()}
        hands.temporaries = {old[name]: value for name, value in hands.temporaries.items()}
        hands.on = {handle: old.get(on or "", on) for handle, on in hands.on.items()}

    # --- the whole piece ---------------------------------------------------------------------------

    def weave(self, taps: int, fumbles: float = 0.25) -> None:
        """Fumble for so many taps, then weave to the end and look at the cloth."""
        while self.taps < taps:
            self.step(fumbles)
        self.restart()
        for _ in range(3000):
            if self.place.status == "finished":
                break
            self.step(0)
        assert self.place.status == "finished", self.told_story()
        self.must_be_bare()
        assert len(self.hands.cloth) == self.picks_to(len(self.piece.rows))
        for row in range(1, len(self.piece.rows) + 1):
            for pick in self.hands.cloth[self.picks_to(row - 1) : self.picks_to(row)]:
                for passage in pick:
                    assert passage.is_wrong or passage.units == self.is_lifted(row)
        for entry in self.weaving.log:
            assert log_words(self.weaving.decks, entry.kind, entry.detail, entry.before, self.naming)
        list(spots_before(self.weaving.decks, self.place))
