"""Every page as another tradition counts, against the same pages of a piece that was renumbered in its file.

Shafts counted from the back make the pages of the renumbered piece. Units counted from the right make those
of its mirror image, in which she stands at the other side and left and right change places in every sentence.
Drawings show the same numbers in other places, so all words of a page are compared, in any order.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.app import create_app
from server.design.piece_file import read_piece
from server.plan.planner import plan
from server.plan.workorder import read_workorder, write_workorder
from server.session.naming import ShaftsFrom
from server.session.treadling import Side
from server.settings import DATABASE_NAME, Settings
from server.store.database import Store
from tests.conftest import Clock
from tests.traditions import PIECES, TRADITIONS, renumbered
from tests.visitor import Visitor
from tests.web.test_pages import begin, done, form_of

PATHS = [
    "",
    "/loom",
    "/standing",
    "/log",
    "/log?only=temporaries",
    "/end",
    "/settings",
    "/put-right",
    "/put-right/too-far",
    "/put-right/wrong",
    "/put-right/loom",
    "/put-right/put-in",
    "/walks-ahead",
    "/ways",
    "/ways/unaided",
    "/ways/cells",
    "/ways/methods",
    "/ways/more",
    "/ways/places",
]
NOT_A_NUMBER = [
    ("farthest from the bench", "nearest to the bench"),
    ("counted from the back", "counted from the bench"),
    ("left on this walk", "to do on this walk"),
    ("Put the loom right", "Put the loom in order"),
    ("is left", "is to come"),
    ("are left", "are to come"),
    ("put right", "mended"),
    ("Put right", "Mended"),
]
"""What is said otherwise on purpose, and words that are no sides."""
TOLD = re.compile(r'(?:aria-label|data-say)="([^"]*)"')


def all_words(page: str) -> Counter[str]:
    """The words that are read or heard on a page, without where things are drawn and what names them."""
    for said, instead in NOT_A_NUMBER:
        page = page.replace(said, instead)
    seen = re.sub(r"<[^>]*>", " ", page)
    return Counter(re.findall(r"\w+(?:–\w+)?", " ".join([seen, *TOLD.findall(page)])))


def mirrored(words: Counter[str], is_mirrored: bool) -> Counter[str]:
    """Left for right and right for left, in a mirrored loom."""
    other = {"left": "right", "right": "left"} if is_mirrored else {}
    found: Counter[str] = Counter()
    for word, times in words.items():
        found[other.get(word, word)] += times
    return found


@dataclass
class House:
    """A piece on the only loom of a house whose weaver counts in her way.

    Attributes:
        shown: the instruction that is up, if it has been asked for since the last tap.
    """

    client: TestClient
    store: Store
    piece: int
    shown: Response | None = None

    def words(self, path: str) -> Counter[str]:
        answer = self.loom() if path == "/loom" else self.client.get(f"/pieces/{self.piece}{path}")
        return all_words(answer.text)

    def loom(self) -> Response:
        self.shown = self.shown or self.client.get(f"/pieces/{self.piece}/loom")
        return self.shown

    def kind(self) -> str:
        weaving = self.store.weaving(self.piece)
        assert weaving is not None
        return weaving.cards[weaving.place.card].kind if weaving.place.status == "on the loom" else "woven"

    def card(self) -> int:
        weaving = self.store.weaving(self.piece)
        assert weaving is not None
        return weaving.place.card

    def refused(self, card: int) -> str:
        """What is said to a thing ticked before its turn; "" if it is taken: then it is taken off again."""
        for _ in range(2):
            shown = self.client.get(f"/pieces/{self.piece}/loom")
            data = form_of(shown) | {"detail": f'{{"card": {card}}}'}
            self.shown = None
            answer = self.client.post(f"/pieces/{self.piece}/tick", data=data)
            if answer.status_code != 303:
                found = re.search(r'<p class="said" role="status">(.*?)</p>', answer.text)
                assert found
                return found[1]
        return ""

    def no_plan(self) -> str:
        """What is said where no walk may be made at all, at the bench before the first row."""
        shown = self.client.get(f"/pieces/{self.piece}/walks-ahead")
        weaving = self.store.weaving(self.piece)
        assert weaving is not None
        data = form_of(shown) | {"none": f"0-{len(weaving.piece.rows)}"}
        answer = self.client.post(f"/pieces/{self.piece}/walks-ahead", data=data)
        assert answer.status_code == 422
        found = re.search(r'<p class="said" role="alert">(.*?)</p>', answer.text)
        assert found
        return found[1]

    def go_on(self) -> None:
        self.shown = done(self.client, self.piece, self.loom())


@contextmanager
def house(folder: Path, text: str, order: str, chosen: dict[str, str]) -> Iterator[House]:
    store = Store(folder / DATABASE_NAME, clock=Clock())
    piece = store.add_piece(text, read_workorder(order))
    settings = Settings(data=folder)
    with (
        closing(store),
        Visitor(
            create_app(settings, store),
            base_url=f"http://127.0.0.1:{settings.port}",
            client=("127.0.0.1", 50000),
            follow_redirects=False,
        ) as client,
    ):
        assert client.post("/preferences", data=chosen).status_code == 200
        begin(client, piece)
        yield House(client, store, piece)


@contextmanager
def two_houses(
    folder: Path, tradition: tuple[ShaftsFrom, Side], text: str
) -> Iterator[tuple[House, House, bool]]:
    """A piece as she counts, and the same renumbered in its file; and whether that one is mirrored."""
    order = write_workorder(plan(read_piece(text)))
    is_mirrored = tradition[1] == "right"
    plain = {"stance": "behind-left", "first_side": "left"}
    hers = plain | {"shafts_from": tradition[0], "units_from": tradition[1]}
    if is_mirrored:
        plain = {"stance": "behind-right", "first_side": "right"}
    with (
        house(folder / "mine", text, order, hers) as mine,
        house(folder / "other", *renumbered(text, order, *tradition), plain) as other,
    ):
        yield mine, other, is_mirrored


every_tradition = pytest.mark.parametrize(
    ("tradition", "text"),
    list(zip(TRADITIONS, [PIECES[0], PIECES[0], PIECES[1]], strict=True)),
    ids=["from the back", "from the right", "from both"],
)


@every_tradition
def test_every_page_counts_as_she_does(tmp_path: Path, tradition: tuple[ShaftsFrom, Side], text: str) -> None:
    with two_houses(tmp_path, tradition, text) as (mine, other, is_mirrored):
        lifts: list[set[str]] = [set(), set()]
        seen: set[str] = set()
        while "woven" not in seen:
            kind = mine.kind()
            if kind == "test_lift":
                # made along the row of handles, so from its other end in the other piece: compared together
                lifts[0] |= mirrored(mine.words("/loom"), is_mirrored).keys()
                lifts[1] |= other.words("/loom").keys()
            else:
                assert lifts[0] == lifts[1]
                lifts = [set(), set()]
                for path in ["/loom"] if kind in seen else PATHS:
                    one, two = mirrored(mine.words(path), is_mirrored), other.words(path)
                    assert one - two == two - one == Counter(), (kind, path)
            seen.add(kind)
            if kind != "woven":
                mine.go_on()
                other.go_on()
        assert seen >= {"raise", "weave", "walk", "label", "insert", "move_cords", "withdraw", "test_lift"}


@every_tradition
def test_refusals_count_as_she_does(tmp_path: Path, tradition: tuple[ShaftsFrom, Side], text: str) -> None:
    """What of a walk cannot be done yet, and rows for which there is no plan."""
    order = write_workorder(plan(read_piece(text)))
    hers = {"shafts_from": tradition[0], "units_from": tradition[1]}
    with (
        house(tmp_path / "mine", text, order, hers) as mine,
        house(tmp_path / "other", *renumbered(text, order, *tradition), {"units_from": "left"}) as other,
    ):
        while mine.kind() != "label":
            mine.go_on()
            other.go_on()
        walk = range(mine.card() + 1, mine.card() + 8)
        refused = [(mine.refused(number), other.refused(number)) for number in walk]
        assert any(re.search(r"\d", one) for one, _ in refused)
        assert [one for one, _ in refused] == [two for _, two in refused]
        assert re.search(r"shafts? \d", mine.no_plan())
        assert Counter(re.findall(r"\w+", mine.no_plan())) == Counter(re.findall(r"\w+", other.no_plan()))
