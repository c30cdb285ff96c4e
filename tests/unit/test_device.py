"""What is set on one device: kept in its cookie, and read back whatever the cookie holds."""

from __future__ import annotations

from dataclasses import fields
from http.cookies import SimpleCookie
from typing import get_args
from urllib.parse import urlencode

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.responses import Response

from server.web.device import (
    DEFAULT,
    LONGEST_REST,
    MOST_KEYS,
    Device,
    Hand,
    Look,
    NotSettable,
    Say,
    Size,
    View,
    changed,
    keep,
    read_cookie,
    settings_of,
)

NAMES = ["PageDown", "Space", "Enter", "a", "é", ";", "%", "+", "&", "=", '"', ",", "F13", "MediaTrackNext"]
KEYS = st.lists(st.sampled_from(NAMES), max_size=MOST_KEYS, unique=True)


@st.composite
def devices(draw: st.DrawFn) -> Device:
    keys = draw(KEYS)
    cut = draw(st.integers(0, len(keys)))
    return Device(
        look=draw(st.sampled_from(get_args(Look))),
        size=draw(st.sampled_from(get_args(Size))),
        hand=draw(st.sampled_from(get_args(Hand))),
        view=draw(st.sampled_from(get_args(View))),
        say=draw(st.sampled_from(get_args(Say))),
        speak=draw(st.booleans()),
        tick=draw(st.booleans()),
        rest=draw(st.integers(0, LONGEST_REST)),
        keys_next=tuple(keys[:cut]),
        keys_back=tuple(keys[cut:]),
        hold_back=draw(st.booleans()),
    )


@given(devices())
def test_what_is_kept_is_read_back(device: Device) -> None:
    answer = Response()
    keep(answer, device)
    cookie = SimpleCookie(answer.headers["set-cookie"])["device"]
    assert read_cookie(cookie.value) == device
    assert (cookie["samesite"].lower(), cookie["path"], cookie["httponly"]) == ("strict", "/", "")
    assert int(cookie["max-age"]) == 365 * 24 * 3600


@pytest.mark.parametrize(
    "cookie",
    [
        None,
        "",
        "x",
        "look",
        "look=",
        "look=DARK",
        "look=dark%00",
        "look=<script>",
        "look=%ff%fe",
        "rest=-1",
        "rest=51",
        "rest=３",
        "rest=1e9",
        "rest=" + "9" * 500,
        "keys_next=" + "+".join(f"F{n}" for n in range(99)),
        "keys_next=%0d%0aSet-Cookie",
        "keys_next=Enter&keys_back=Enter&keys_next=Enter",
        "keys_back=" + "x" * 300,
        "nothing=here",
        "&".join(f"a{n}=1" for n in range(900)),
        "look=dark&" * 300,
        "__class__=x&behind=on",
    ],
)
def test_a_hostile_cookie_sets_nothing(cookie: str | None) -> None:
    assert read_cookie(cookie) == DEFAULT


@given(st.text(max_size=300))
def test_any_cookie_gives_settings(cookie: str) -> None:
    read = read_cookie(cookie)
    assert changed(DEFAULT, settings_of(read)) == read


def test_one_bad_setting_leaves_the_others() -> None:
    cookie = urlencode({"look": "dark", "size": "enormous", "rest": "10"})
    assert read_cookie(cookie) == Device(look="dark", rest=10)


def test_a_key_can_go_from_back_to_next() -> None:
    device = changed(DEFAULT, {"keys_next": "PageUp", "keys_back": "ArrowLeft"})
    answer = Response()
    keep(answer, device)
    assert read_cookie(SimpleCookie(answer.headers["set-cookie"])["device"].value) == device


@pytest.mark.parametrize(
    ("asked", "word"),
    [
        ({"look": "pink"}, "choices"),
        ({"size": ""}, "choices"),
        ({"speak": "yes"}, "choices"),
        ({"rest": "5.0"}, "between 0 and 5 seconds"),
        ({"rest": ""}, "between 0 and 5 seconds"),
        ({"keys_next": "PageUp"}, "both"),
        ({"keys_next": "A B  C"}, "no key"),
        ({"keys_next": "Control Alt\x00"}, "no key"),
        ({"keys_back": " ".join("abcdefghijklm")}, "At most"),
        ({"colour": "red"}, "choices"),
    ],
)
def test_what_cannot_be_set_is_refused_with_a_sentence(asked: dict[str, str], word: str) -> None:
    with pytest.raises(NotSettable) as refusal:
        changed(DEFAULT, {"look": "dark", **asked})
    assert word in str(refusal.value)
    assert str(refusal.value).endswith("nothing was changed.")


def test_every_setting_is_written() -> None:
    assert settings_of(DEFAULT).keys() == {field.name for field in fields(Device)}
