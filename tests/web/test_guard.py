"""Who may come in, and what goes with every answer."""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from fastapi import FastAPI, Request
from fastapi.testclient import TestClient
from itsdangerous import URLSafeTimedSerializer
from starlette.responses import PlainTextResponse, Response
from starlette.types import Message, Receive, Scope, Send

from server.app import create_app
from server.settings import CODE_ALPHABET, Settings, kept_secret, new_join_code
from server.store.database import Store, StoreFailure
from server.web import guard
from server.web.entry import A_YEAR, COOKIE, TRIES_ALL, TRIES_EACH, WINDOW, Tries
from server.web.static_files import static_url

HERE = "http://127.0.0.1:8765"
THERE = "http://192.168.1.5:8765"
TABLET = "192.168.1.7"

NewDevice = Callable[..., TestClient]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with closing(Store(tmp_path_factory.mktemp("data") / "spareshaft.sqlite")) as store:
        yield store


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    data = tmp_path_factory.mktemp("shared")
    return Settings(
        data=data, host="0.0.0.0", share=True, join_code="ABCD-EFGH", names=("192.168.1.5", "loft")
    )


@pytest.fixture(scope="module")
def probed(shared: Settings, store: Store) -> FastAPI:
    app = create_app(shared, store)

    @app.get("/probe")
    def probe() -> PlainTextResponse:
        return PlainTextResponse("inside")

    @app.post("/probe")
    async def post(request: Request) -> PlainTextResponse:
        return PlainTextResponse(str(len(await request.body())))

    @app.get("/broken")
    def broken() -> None:
        raise RuntimeError("a secret detail")

    @app.get("/stuck")
    def stuck() -> None:
        raise StoreFailure("The disk is full.")

    @app.get("/number")
    def number(asked: int) -> PlainTextResponse:
        return PlainTextResponse(str(asked))

    return app


@pytest.fixture
def app(probed: FastAPI) -> FastAPI:
    """The application, no wrong code remembered."""
    probed.state.tries = Tries()
    return probed


@pytest.fixture
def device(app: FastAPI) -> NewDevice:
    """A device, by its address; the browser it has keeps cookies."""

    def make(address: str = TABLET, base: str = THERE) -> TestClient:
        return TestClient(app, base_url=base, client=(address, 50000), follow_redirects=False)

    return make


@pytest.fixture
def here(device: NewDevice) -> TestClient:
    return device("127.0.0.1", HERE)


# Joining


@pytest.mark.parametrize("method", ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"])
@pytest.mark.parametrize(
    "path", ["/", "/probe", "/pieces/1/loom", "/static/x/app.css", "/nowhere", "//probe", "/join/../x"]
)
def test_a_device_that_has_not_joined_gets_the_join_page_only(
    device: NewDevice, method: str, path: str
) -> None:
    answer = device().request(method, path)
    assert answer.status_code == 403
    assert "inside" not in answer.text
    if method != "HEAD":
        assert "Join code" in answer.text


def test_it_gets_the_stylesheet_of_that_page_and_no_other_file(device: NewDevice) -> None:
    page = device().get("/").text
    assert static_url("join.css") in page
    for style in ("looks.css", "join.css"):
        assert device().get(static_url(style)).headers["content-type"].startswith("text/css")
    assert device().get(static_url("htmx.js")).status_code == 403
    assert re.findall(r'(?:src|href)="([^"]*)"', page) == [static_url("looks.css"), static_url("join.css")]


def test_the_code_lets_a_device_in_for_a_year(device: NewDevice) -> None:
    tablet = device()
    answer = tablet.post("/join", data={"code": "abcd efgh"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"]
    assert {"HttpOnly", "SameSite=lax", f"Max-Age={A_YEAR}"} <= set(cookie.split("; "))
    assert tablet.get("/probe").text == "inside"
    assert tablet.get("/join?code=x").headers["location"] == "/"


def test_the_link_of_the_picture_fills_the_code_in_and_does_not_join(device: NewDevice) -> None:
    tablet = device()
    page = tablet.get("/join", params={"code": "ABCD-EFGH"})
    assert page.status_code == 403
    assert 'value="ABCD-EFGH"' in page.text
    assert "set-cookie" not in page.headers
    assert tablet.get("/probe").status_code == 403


@pytest.mark.parametrize(
    "code", ["", "x", "ABCD-EFG", "ABCD-EFGHH", '"><script>', "A" * 3000, "\x00", "ABCDEFGH " * 9]
)
def test_a_wrong_code_lets_nobody_in(device: NewDevice, code: str) -> None:
    tablet = device()
    answer = tablet.post("/join", data={"code": code})
    assert answer.status_code == 403
    assert "That is not the code" in answer.text
    assert "<script>" not in tablet.get("/join", params={"code": code}).text
    assert tablet.get("/probe").status_code == 403


@pytest.mark.parametrize("body", [b"", b"code", b"%", b"code=%ff%fe", b"other=1", b"code=&" * 50])
def test_a_form_without_a_code_lets_nobody_in(device: NewDevice, body: bytes) -> None:
    answer = device().post(
        "/join", content=body, headers={"content-type": "application/x-www-form-urlencoded"}
    )
    assert answer.status_code in (400, 403)
    assert "set-cookie" not in answer.headers
    assert "<h1>" in answer.text


def test_a_file_in_place_of_a_code_lets_nobody_in(device: NewDevice) -> None:
    answer = device().post("/join", files={"code": ("code", b"ABCD-EFGH")})
    assert answer.status_code in (400, 403)
    assert "set-cookie" not in answer.headers


def test_guessing_is_stopped(device: NewDevice) -> None:
    guesser = device("192.168.1.66")
    for _ in range(TRIES_EACH):
        assert guesser.post("/join", data={"code": "WRONG"}).status_code == 403
    answer = guesser.post("/join", data={"code": "ABCD-EFGH"})
    assert answer.status_code == 429
    assert "Try again in 10 minutes" in answer.text
    assert device().post("/join", data={"code": "ABCD-EFGH"}).status_code == 303


def test_guessing_from_many_addresses_is_stopped_and_ends_in_time() -> None:
    now = [0.0]
    tries = Tries(lambda: now[0])
    for number in range(TRIES_ALL):
        assert tries.wait(f"10.0.0.{number}") == 0
        tries.note_wrong(f"10.0.0.{number}")
        now[0] += 1
    assert tries.wait("10.0.1.1") == 10
    now[0] = WINDOW + 1
    assert tries.wait("10.0.1.1") == 0


@pytest.mark.parametrize("cookie", ["", "x", "a.b.c", "\x7f", "A" * 5000])
def test_a_cookie_that_is_not_ours_lets_nobody_in(device: NewDevice, cookie: str) -> None:
    assert device().get("/probe", headers={"cookie": f"{COOKIE}={cookie}"}).status_code == 403


def test_a_cookie_signed_with_another_secret_or_for_something_else_lets_nobody_in(
    device: NewDevice, shared: Settings
) -> None:
    for secret, salt in (("another secret", "spareshaft-device"), (shared.secret, "something else")):
        cookie = URLSafeTimedSerializer(secret, salt=salt).dumps("x")
        assert device().get("/probe", headers={"cookie": f"{COOKIE}={cookie}"}).status_code == 403


def test_a_cookie_ends_after_a_year(device: NewDevice, monkeypatch: pytest.MonkeyPatch) -> None:
    tablet = device()
    tablet.post("/join", data={"code": "ABCD-EFGH"})
    cookie = {"cookie": f"{COOKIE}={tablet.cookies[COOKIE]}"}
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: now + A_YEAR - 10)
    assert device().get("/probe", headers=cookie).status_code == 200
    monkeypatch.setattr(time, "time", lambda: now + A_YEAR + 10)
    assert device().get("/probe", headers=cookie).status_code == 403


def test_a_device_stays_joined_after_a_restart(device: NewDevice, store: Store, tmp_path: Path) -> None:
    def start(code: str) -> FastAPI:
        return create_app(
            Settings(data=tmp_path, share=True, join_code=code, secret=kept_secret(tmp_path)), store
        )

    tablet = TestClient(start("ABCD-EFGH"), base_url=HERE, client=(TABLET, 1), follow_redirects=False)
    tablet.post("/join", data={"code": "ABCD-EFGH"})
    later = TestClient(start("JKMN-PRTU"), base_url=HERE, client=(TABLET, 1), cookies=tablet.cookies)
    assert later.get(static_url("htmx.js")).status_code == 200


def test_this_computer_need_not_join(here: TestClient) -> None:
    assert here.get("/probe").text == "inside"


@pytest.mark.parametrize("header", ["x-forwarded-for", "forwarded", "x-real-ip", "client-ip"])
def test_no_header_makes_a_device_this_computer(device: NewDevice, header: str) -> None:
    assert device().get("/probe", headers={header: "127.0.0.1"}).status_code == 403


def test_without_sharing_no_device_comes_in(store: Store, tmp_path: Path) -> None:
    app = create_app(Settings(data=tmp_path), store)
    stranger = TestClient(app, base_url=HERE, client=(TABLET, 1), follow_redirects=False)
    for method, path in (("GET", "/"), ("GET", "/join"), ("POST", "/join")):
        answer = stranger.request(method, path)
        assert answer.status_code == 403
        assert "not open to other devices" in answer.text


def test_join_codes_are_easy_to_type_and_differ() -> None:
    codes = {new_join_code() for _ in range(100)}
    assert len(codes) == 100
    assert all(re.fullmatch(rf"[{CODE_ALPHABET}]{{4}}-[{CODE_ALPHABET}]{{4}}", code) for code in codes)
    assert not set(CODE_ALPHABET) & set("01OQIL5S2Z8BG6")


# Host and Origin


@pytest.mark.parametrize(
    "host", ["127.0.0.1:8765", "localhost:8765", "LOCALHOST:8765", "[::1]:8765", "loft:8765"]
)
def test_our_own_names_are_answered(here: TestClient, host: str) -> None:
    assert here.get("/probe", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "evil.example:8765",
        "127.0.0.1",
        "127.0.0.1:80",
        "localhost",
        "localhost.evil.example:8765",
        "",
        "x y",
        "127.0.0.1:8765:8765",
        "127.0.0.1:8765@evil.example",
        "[::1",
        "0.0.0.0:8765",
        "2130706433:8765",
    ],
)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_other_names_are_not(here: TestClient, host: str, method: str) -> None:
    answer = here.request(method, "/probe", headers={"host": host})
    assert answer.status_code == 400
    assert "does not answer under this address" in answer.text


def test_names_in_the_network_are_ours_only_when_sharing(store: Store, tmp_path: Path) -> None:
    app = create_app(Settings(data=tmp_path, names=("loft",)), store)
    here = TestClient(app, base_url=HERE, client=("127.0.0.1", 1))
    assert here.get("/join", headers={"host": "loft:8765"}).status_code == 400


def test_port_80_is_left_out_of_a_host(store: Store, tmp_path: Path) -> None:
    app = create_app(Settings(data=tmp_path, port=80), store)
    here = TestClient(app, base_url="http://localhost", client=("127.0.0.1", 1))
    assert here.get(static_url("join.css")).status_code == 200


@pytest.mark.parametrize(
    ("headers", "passes"),
    [
        ({"origin": HERE}, True),
        ({}, True),
        ({"sec-fetch-site": "same-origin"}, True),
        ({"sec-fetch-site": "none"}, True),
        ({"sec-fetch-site": "cross-site"}, False),
        ({"sec-fetch-site": "same-site"}, False),
        ({"origin": "null"}, False),
        ({"origin": ""}, False),
        ({"origin": "http://127.0.0.1:9999"}, False),
        ({"origin": "https://127.0.0.1:8765"}, False),
        ({"origin": "http://localhost:8765"}, False),
        ({"origin": "http://evil.example"}, False),
        ({"origin": f"{HERE}.evil.example"}, False),
    ],
)
def test_only_our_own_pages_change_anything(here: TestClient, headers: dict[str, str], passes: bool) -> None:
    answer = here.post("/probe", headers=headers)
    assert answer.status_code == (200 if passes else 403)
    if not passes:
        assert "from another site" in answer.text


@pytest.mark.parametrize(
    ("headers", "passes"),
    [
        ({}, True),
        ({"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}, True),
        ({"sec-fetch-site": "same-origin", "sec-fetch-mode": "cors", "sec-fetch-dest": "empty"}, True),
        ({"sec-fetch-site": "same-origin", "sec-fetch-mode": "no-cors", "sec-fetch-dest": "image"}, True),
        ({"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors", "sec-fetch-dest": "image"}, False),
        ({"sec-fetch-site": "same-site", "sec-fetch-mode": "no-cors", "sec-fetch-dest": "image"}, False),
        ({"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate", "sec-fetch-dest": "iframe"}, False),
        ({"sec-fetch-site": "cross-site", "sec-fetch-mode": "cors", "origin": "http://evil.example"}, False),
    ],
)
def test_another_site_may_link_to_a_page_but_not_load_it_within_its_own(
    here: TestClient, headers: dict[str, str], passes: bool
) -> None:
    answer = here.get("/probe", headers=headers)
    assert answer.status_code == (200 if passes else 403)


@pytest.mark.parametrize(
    ("content_type", "passes"),
    [
        ("application/x-www-form-urlencoded", True),
        ("application/x-www-form-urlencoded; charset=UTF-8", True),
        ('application/x-www-form-urlencoded; charset="utf-8"', True),
        ("multipart/form-data; boundary=xx; charset=unicode_escape", False),
        ("multipart/form-data; charset=punycode; boundary=xx", False),
        ("application/x-www-form-urlencoded; charset=undefined", False),
        ("application/x-www-form-urlencoded; CHARSET = utf-7", False),
    ],
)
def test_forms_in_another_encoding_are_refused(here: TestClient, content_type: str, passes: bool) -> None:
    """What such an encoding makes of a form need not be text, and the log could not be shown any more."""
    answer = here.post("/probe", content=b"words=\\ud800", headers={"content-type": content_type})
    assert answer.status_code == (200 if passes else 415)
    if not passes:
        assert "UTF-8" in answer.text


# Headers


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/probe", 200),
        ("/", 200),
        ("/nowhere", 404),
        ("/broken", 500),
        ("/stuck", 503),
        ("/number?asked=x", 422),
    ],
)
def test_every_answer_carries_the_headers(here: TestClient, path: str, status: int) -> None:
    answer = here.get(path)
    assert answer.status_code == status
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "same-origin"
    assert answer.headers["cache-control"] == "no-store"


def test_refusals_carry_them_too(device: NewDevice, here: TestClient) -> None:
    refused = [
        device().get("/"),
        here.get("/", headers={"host": "evil.example"}),
        here.post("/probe", headers={"origin": "null"}),
        here.post("/probe", content=b"x" * 2_000_000),
        here.put("/probe"),
    ]
    assert [answer.status_code for answer in refused] == [403, 400, 403, 413, 405]
    for answer in refused:
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert answer.headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    ("path", "sentence"),
    [
        ("/nowhere", "There is no such page"),
        ("/broken", "Something went wrong"),
        ("/stuck", "The disk is full."),
        ("/number?asked=x", "not what belongs there"),
    ],
)
def test_trouble_is_told_on_a_page(here: TestClient, path: str, sentence: str) -> None:
    answer = here.get(path)
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert sentence in answer.text
    assert "secret detail" not in answer.text
    assert "Traceback" not in answer.text


def test_a_wrong_method_is_told_on_a_page(here: TestClient) -> None:
    answer = here.delete("/probe")
    assert answer.status_code == 405
    assert "GET" in answer.headers["allow"]
    assert "use its buttons" in answer.text


@pytest.mark.parametrize("path", ["/docs", "/redoc", "/openapi.json"])
def test_nothing_else_is_offered(here: TestClient, path: str) -> None:
    assert here.get(path).status_code == 404


# Bodies


def test_a_large_body_is_refused_by_its_declared_length(here: TestClient) -> None:
    answer = here.post("/probe", content=b"", headers={"content-length": "200000000"})
    assert answer.status_code == 413
    assert "larger than 1 MB" in answer.text


def test_a_large_body_without_a_length_is_refused_after_little_of_it(here: TestClient) -> None:
    sent = 0

    def endless() -> Iterator[bytes]:
        nonlocal sent
        for _ in range(100):
            sent += 1
            yield b"x" * 100_000

    assert here.post("/probe", content=endless()).status_code == 413


def test_a_body_of_the_most_that_is_allowed_arrives_whole(here: TestClient) -> None:
    most = guard._MOST_BODY
    assert here.post("/probe", content=b"x" * most).text == str(most)
    assert here.post("/probe", content=b"x" * (most + 1)).status_code == 413


@pytest.mark.parametrize(
    ("method", "path", "takes_pictures"),
    [
        ("POST", "/pieces/1/notes", True),
        ("POST", "/designs/12/bring", True),
        ("POST", "/designs/12/bring/preview", True),
        ("POST", "/bring", True),
        ("POST", "/bring/preview", True),
        ("GET", "/bring", False),
        ("POST", "/bring/", False),
        ("POST", "/designs/1234567890/bring", False),
        ("POST", "/designs/x/bring", False),
        ("POST", "/designs//bring", False),
        ("POST", "/bring/preview/more", False),
        ("POST", "/bring\n", False),
        ("POST", "/designs/１/bring", False),
        ("POST", "/designs", False),
    ],
)
def test_only_where_pictures_are_brought_in_a_body_may_be_large(
    method: str, path: str, takes_pictures: bool
) -> None:
    most = guard._most_body({"method": method, "path": path})
    assert most == (guard.MOST_PICTURE + guard._FORM if takes_pictures else guard._MOST_BODY)


def test_only_so_many_pictures_are_taken_in_at_once(settings: Settings) -> None:
    """Each is held whole; one too many is told so at once, and the next after one has gone is let in."""
    answered: list[int] = []

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        await receive()
        await Response("kept")(scope, receive, send)

    async def come_and_go() -> None:
        guarded = guard.Guard(app, settings, "name")
        scope = {
            "type": "http",
            "method": "POST",
            "path": "/bring",
            "scheme": "http",
            "query_string": b"",
            "headers": [(b"host", f"127.0.0.1:{settings.port}".encode())],
            "client": ("127.0.0.1", 50000),
        }
        sent = [asyncio.Event() for _ in range(guard.MOST_LARGE + 2)]

        async def ask(number: int) -> None:
            async def receive() -> Message:
                await sent[number].wait()
                return {"type": "http.request", "body": b"picture"}

            async def send(message: Message) -> None:
                if message["type"] == "http.response.start":
                    answered.append(message["status"])

            await guarded(scope, receive, send)

        asked = [asyncio.create_task(ask(number)) for number in range(guard.MOST_LARGE + 1)]
        await asyncio.wait(asked, return_when=asyncio.FIRST_COMPLETED, timeout=60)
        assert answered == [503]
        sent[0].set()
        await asked[0]
        sent[-1].set()
        await ask(guard.MOST_LARGE + 1)
        assert answered == [503, 200, 200]
        for event in sent:
            event.set()
        await asyncio.gather(*asked)

    asyncio.run(come_and_go())
    assert answered == [503, *[200] * (guard.MOST_LARGE + 1)]


def test_a_body_in_pieces_arrives_whole(here: TestClient) -> None:
    assert here.post("/probe", content=iter([b"ab", b"", b"cde"])).text == "5"


# Static files


def test_static_files_may_be_kept_and_change_their_address_with_their_content(here: TestClient) -> None:
    answer = here.get(static_url("htmx.js"))
    assert answer.headers["cache-control"] == "public, max-age=31536000, immutable"
    assert answer.headers["content-type"] == "text/javascript; charset=utf-8"
    assert here.get("/static/another/htmx.js").status_code == 404


@pytest.mark.parametrize(
    "path", ["../README.md", "..%2fREADME.md", "%2e%2e/README.md", "/etc/passwd", "", ".", "join.css/"]
)
def test_nothing_outside_the_static_folder_is_served(here: TestClient, path: str) -> None:
    start = static_url("htmx.js").removesuffix("htmx.js")
    assert here.get(start + path).status_code == 404


def test_a_static_file_that_is_not_there_is_noticed() -> None:
    with pytest.raises(KeyError):
        static_url("nothing.css")
