"""Every form that every page shows, filled in with nonsense and sent in any order, some of it twice."""

from __future__ import annotations

import os
import random
from contextlib import closing
from dataclasses import dataclass, field
from html.parser import HTMLParser

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.store.database import Store
from tests.conftest import Clock
from tests.web.test_pages import begin

PAGES = (
    ["", "/log", "/log.csv", "/standing", "/notes", "/settings", "/walks-ahead", "/walks-ahead/now", "/end"]
    + ["/put-right" + page for page in ("", "/too-far", "/wrong", "/put-in", "/treadles", "/loom")]
    + ["/put-right/take-out?picks=2", "/put-right/cut-out?row=0"]
    + ["/loom", "/loom?look=shed"] * 16
)
HTML = "<script>alert(1)</script>"
NONSENSE = [
    HTML,
    '"><img src=x onerror=',
    "-1",
    "0",
    "1",
    "2",
    "3",
    "1e3",
    "NaN",
    "½",
    "١",
    "9" * 400,
    "\x00",
]
NONSENSE += [
    "x" * 3000,
    "take 999999",
    "t1 p1 t2",
    "3-1",
    "1–999999999",
    "S1",
    "own",
    "2a",
    "7zz",
    "\r\n\r\n",
]
PAGES_ASKED = 80


@dataclass
class _Form:
    address: str
    is_post: bool
    fields: dict[str, str] = field(default_factory=dict)


class _Forms(HTMLParser):
    """The forms of a page, as a browser that touches nothing sends them."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[_Form] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.found.append(_Form(said["action"], said.get("method") == "post"))
        elif self.found and "name" in said and said.get("type") != "file":
            self.found[-1].fields[said["name"]] = said.get("value", "")


class _Attacker:
    """One who sends what pages offer, spoilt now and then."""

    def __init__(self, client: TestClient, chance: random.Random) -> None:
        self.client = client
        self.chance = chance

    def ask(self, address: str) -> Response:
        """A page, looked over."""
        return self._looked_over(self.client.get(address), address)

    def send(self, form: _Form) -> None:
        """The form, sometimes twice; and what it proposes may be taken."""
        for _ in range(self.chance.choice((1, 1, 2))):
            if form.is_post:
                answer = self.client.post(form.address, data=form.fields)
            else:
                answer = self.client.get(form.address, params=form.fields)
            self._looked_over(answer, f"{form.address} {form.fields}")
        for proposed in _Forms(answer.text).found:
            if "mark" in proposed.fields and self.chance.random() < 0.7:
                proposed.fields["do"] = "take"
                self._looked_over(self.client.post(proposed.address, data=proposed.fields), str(proposed))

    def spoilt(self, form: _Form) -> _Form:
        """The form with nonsense in some of its fields."""
        for name in form.fields:
            if self.chance.random() < 0.3:
                form.fields[name] = self.chance.choice(NONSENSE)
        return form

    def _looked_over(self, answer: Response, what: str) -> Response:
        assert answer.status_code in (200, 303, 422), what
        if answer.headers.get("content-type", "").startswith("text/html"):
            assert HTML not in answer.text, what
        return answer


@pytest.mark.parametrize("seed", range(2 + int(os.environ.get("SPARESHAFT_EXAMPLES", "0"))))
def test_whatever_is_sent_in_any_order_every_page_answers_and_the_log_stays_whole(
    client: TestClient, store: Store, piece_id: int, clock: Clock, seed: int
) -> None:
    chance = random.Random(seed)
    attacker = _Attacker(client, chance)
    begin(client, piece_id)
    for _ in range(PAGES_ASKED):
        clock.pass_by(seconds=chance.choice((1, 5, 20, 90, 90, -3600, 60_000)))
        shown = attacker.ask(f"/pieces/{piece_id}{chance.choice(PAGES)}")
        forms = [form for form in _Forms(shown.text).found if not form.address.endswith(("/end", "/aside"))]
        if not forms:
            continue
        # the large button as a rule, so that the weaving goes on
        next_one = [
            form for form in forms if form.address.endswith(("/next", "/begin", "/resume", "/stands"))
        ]
        chosen = next_one[0] if next_one and chance.random() < 0.6 else chance.choice(forms)
        for end in {"left_end", "right_end"} & chosen.fields.keys():
            chosen.fields[end] = "on"
        attacker.send(attacker.spoilt(chosen) if chance.random() < 0.3 else chosen)
    found = store.weaving(piece_id)
    assert found is not None
    assert found.place.turn >= 10, "hardly anything of it counted"
    with closing(Store(store.path)) as anew:
        read_anew = anew.weaving(piece_id)
    assert read_anew is not None
    assert read_anew.place == found.place
    assert read_anew.state == found.state
    assert [entry.turn for entry in read_anew.log] == list(range(1, found.place.turn + 1))
