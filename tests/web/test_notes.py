"""Notes and photographs on rows."""

from __future__ import annotations

import re
from io import BytesIO
from urllib.parse import quote

import pytest
from fastapi.testclient import TestClient
from httpx import Response
from PIL import Image

from server.store.database import Store
from server.web.guard import MOST_PICTURE
from tests.conftest import Clock
from tests.examples import piece_order, piece_text
from tests.web.test_pages import HOSTILE, MARKUP, NOT_ON_SCREEN, Text, begin, weave_to, words


def a_picture(kind: str) -> bytes:
    out = BytesIO()
    Image.new("RGB", (60, 40), (20, 90, 160)).save(out, kind)
    return out.getvalue()


JPEG, PNG, WEBP = (a_picture(kind) for kind in ("JPEG", "PNG", "WEBP"))
NO_PICTURES = [
    b"GIF89a",
    b"<svg xmlns='http://www.w3.org/2000/svg'/>",
    b"<html>",
    b"RIFF0000WAVE",
    b"\xff\xd8",
    b"BM",
]


def note(
    client: TestClient, piece_id: int, row: str, words: str = "", picture: bytes | None = None
) -> Response:
    files = {} if picture is None else {"picture": ("IMG_1.svg", picture, "image/svg+xml")}
    return client.post(f"/pieces/{piece_id}/notes", data={"row": row, "words": words}, files=files)


def pictures(client: TestClient, piece_id: int) -> list[str]:
    return re.findall(r'<img src="([^"]*)"', client.get(f"/pieces/{piece_id}/notes").text)


def test_words_are_kept_by_row_whatever_the_piece_is_at(
    client: TestClient, store: Store, piece_id: int
) -> None:
    assert note(client, piece_id, "2", "beat harder").status_code == 303
    assert note(client, piece_id, "0", MARKUP).status_code == 303
    shown = client.get(f"/pieces/{piece_id}/notes")
    text = Text(shown.text)
    assert text.refused == []
    assert MARKUP in text.words
    assert "<script>alert" not in shown.text
    assert not NOT_ON_SCREEN.search(text.words.replace(MARKUP, ""))
    assert words(shown).index("Before the first row") < words(shown).index("beat harder")
    weave_to(client, store, piece_id, "weave")
    assert "Back to the instruction, nothing changed" in words(client.get(f"/pieces/{piece_id}/notes"))
    assert [(kept.row, kept.words) for kept in store.notes(piece_id)] == [(0, MARKUP), (2, "beat harder")]


@pytest.mark.parametrize("content", [JPEG, PNG, WEBP])
def test_a_picture_is_known_by_its_content_and_served_shut_in(
    client: TestClient, piece_id: int, content: bytes
) -> None:
    assert note(client, piece_id, "1", picture=content).status_code == 303
    (address,) = pictures(client, piece_id)
    answer = client.get(address)
    assert Image.open(BytesIO(answer.content)).size == (60, 40)
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["content-security-policy"] == "default-src 'none'; sandbox"
    assert "camera=()" in answer.headers["permissions-policy"]


@pytest.mark.parametrize("content", [*NO_PICTURES, b"\xff\xd8\xff"[:2] + b"x" * 60])
def test_what_is_no_picture_is_refused_and_the_words_are_not_lost(
    client: TestClient, store: Store, piece_id: int, content: bytes
) -> None:
    answer = note(client, piece_id, "1", "look here", content)
    assert answer.status_code == 422
    assert "choose a JPEG, PNG or WebP" in words(answer)
    assert "look here" in answer.text
    assert store.notes(piece_id) == []


def test_20_mb_are_taken_here_and_more_is_not(client: TestClient, store: Store, piece_id: int) -> None:
    whole = JPEG + b"j" * (MOST_PICTURE - len(JPEG))
    assert note(client, piece_id, "1", picture=whole).status_code == 303
    assert len(client.get(pictures(client, piece_id)[0]).content) < 10_000
    one_more = note(client, piece_id, "1", picture=whole + b"j")
    assert one_more.status_code == 422
    assert "larger than 20 MB" in words(one_more)
    far_more = note(client, piece_id, "1", picture=whole + b"j" * 100_000)
    assert far_more.status_code == 413
    assert "larger than 20 MB" in words(far_more)
    assert len(store.notes(piece_id)) == 1
    elsewhere = client.post("/pieces", files={"file": ("a.json", whole)})
    assert elsewhere.status_code == 413
    assert "larger than 1 MB" in words(elsewhere)


def test_a_form_that_is_sent_twice_is_kept_once(
    client: TestClient, store: Store, piece_id: int, clock: Clock
) -> None:
    for _ in range(2):
        assert note(client, piece_id, "2", "beat harder", PNG).status_code == 303
    assert len(store.notes(piece_id)) == 1
    clock.pass_by(minutes=2)  # later she may well say the same again
    note(client, piece_id, "2", "beat harder", PNG)
    assert len(store.notes(piece_id)) == 2


def test_a_note_is_thrown_away_and_taken_back(client: TestClient, store: Store, piece_id: int) -> None:
    note(client, piece_id, "1", "too loose", PNG)
    (address,) = pictures(client, piece_id)
    (kept,) = store.notes(piece_id)
    away = client.post(f"/pieces/{piece_id}/notes/{kept.id}/away")
    shown = client.get(away.headers["location"])
    assert "The note is thrown away" in words(shown)
    assert "too loose" not in words(shown)
    assert client.get(address).status_code == 404
    client.post(f"/pieces/{piece_id}/notes/{kept.id}/keep")
    assert "too loose" in words(client.get(f"/pieces/{piece_id}/notes"))
    assert client.get(address).status_code == 200


def test_hostile_values_are_answered_with_a_sentence(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    for bad in (*HOSTILE, "-1", "4", "99999999999999"):
        answer = note(client, piece_id, bad, "words")
        assert answer.status_code == 422, bad
        assert 'role="alert"' in answer.text
        for way in ("away", "keep"):
            assert client.post(f"/pieces/{piece_id}/notes/{quote(bad) or 'x'}/{way}").status_code == 404
    assert note(client, piece_id, "1").status_code == 422
    assert note(client, piece_id, "1", " \r\n \x00").status_code == 422
    too_long = note(client, piece_id, "1", "w" * 2001)
    assert "at most 2000 characters" in words(too_long)
    assert note(client, piece_id, "1", "é\r\n" * 1000).status_code == 303  # a new line counts once
    url = f"/pieces/{piece_id}/notes"
    assert client.post(url, content=b"\xff\xfe").status_code == 422
    assert client.post(url, files={"row": ("x", b"1"), "words": ("y", b"z")}).status_code in (400, 422)
    assert client.post("/pieces/9/notes", data={"row": "1", "words": "x"}).status_code == 404
    assert len(store.notes(piece_id)) == 1


def test_another_piece_does_not_show_the_note(client: TestClient, store: Store, piece_id: int) -> None:
    other = store.add_piece(piece_text(), piece_order())
    note(client, piece_id, "1", "mine", PNG)
    (kept,) = store.notes(piece_id)
    assert client.get(f"/pieces/{other}/notes/{kept.id}/picture").status_code == 404
    assert client.post(f"/pieces/{other}/notes/{kept.id}/away").status_code == 404
    assert "mine" not in words(client.get(f"/pieces/{other}/notes"))


def test_a_photograph_comes_from_the_camera_or_from_a_file(client: TestClient, piece_id: int) -> None:
    """A browser sends both fields, the one left out as an empty file."""
    for name, other in (("photograph", "picture"), ("picture", "photograph")):
        files = {name: ("a.jpg", JPEG), other: ("", b"")}
        asked = {"row": "1", "words": name}
        assert client.post(f"/pieces/{piece_id}/notes", data=asked, files=files).status_code == 303
    assert [client.get(address).status_code for address in pictures(client, piece_id)] == [200, 200]
