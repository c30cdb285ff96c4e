"""What is said in a terminal, and how other devices are told to join."""

from __future__ import annotations

import io
import ipaddress
import os
import signal
import sys
from typing import NoReturn

import pytest
import segno

from server.terminal import CtrlC, own_addresses, plain, say, tell_how_to_join


class Latin(io.TextIOWrapper):
    """A terminal that knows only the letters of Latin-1."""

    def __init__(self) -> None:
        super().__init__(io.BytesIO(), encoding="latin-1", write_through=True)

    def said(self) -> str:
        buffer = self.buffer
        assert isinstance(buffer, io.BytesIO)
        return buffer.getvalue().decode("latin-1")


@pytest.mark.parametrize(
    "text", ["\x1b[31m", "\x9b2J", "\x07", "\r", "\x00", "\u202e", "\u2066", "\ud800", "\u2028", "\x7f"]
)
def test_nothing_that_a_terminal_obeys_passes(text: str) -> None:
    made = plain(f"a{text}b")
    assert made.isprintable()
    assert made.startswith("a")
    assert made.endswith("b")


def test_letters_pass() -> None:
    assert plain("Läufer “Hafen”, 40 × 40 · 港") == "Läufer “Hafen”, 40 × 40 · 港"


def test_a_terminal_that_lacks_a_letter_gets_a_question_mark() -> None:
    terminal = Latin()
    say("Läufer “Hafen”\nnext", terminal)
    assert terminal.said() == "Läufer ?Hafen?\nnext\n"


def test_the_picture_holds_the_first_address_with_the_code(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[str] = []
    make = segno.make

    def remember(content: str, **options: str) -> segno.QRCode:
        made.append(content)
        return make(content, **options)

    monkeypatch.setattr(segno, "make", remember)
    tell_how_to_join(["192.168.1.5", "10.0.0.5"], 8765, "ABCD-EFGH")
    said = capsys.readouterr().out
    assert "http://192.168.1.5:8765/" in said
    assert "http://10.0.0.5:8765/" in said
    assert "join code ABCD-EFGH" in said
    assert made == ["http://192.168.1.5:8765/join?code=ABCD-EFGH"]
    assert "█" in said


def test_an_address_with_colons_is_put_in_brackets(capsys: pytest.CaptureFixture[str]) -> None:
    tell_how_to_join(["fd00::5"], 8765, "ABCD-EFGH")
    assert "http://[fd00::5]:8765/" in capsys.readouterr().out


def test_a_terminal_that_cannot_show_the_picture_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Latin()
    monkeypatch.setattr(sys, "stdout", terminal)
    tell_how_to_join(["192.168.1.5"], 8765, "ABCD-EFGH")
    assert "join code ABCD-EFGH" in terminal.said()
    assert terminal.said().endswith("(This terminal cannot show the picture.)\n")


def test_without_a_network_it_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    tell_how_to_join([], 8765, "ABCD-EFGH")
    assert "on no network" in capsys.readouterr().out


def test_own_addresses_are_others_than_loopback_and_each_once() -> None:
    addresses = own_addresses()
    assert len(set(addresses)) == len(addresses)
    assert not any(ipaddress.ip_address(address).is_loopback for address in addresses)


# --- Ctrl-C --------------------------------------------------------------------------------------------


class Ended(Exception):
    """Stands for the end of the process."""


def press() -> None:
    signal.raise_signal(signal.SIGINT)


@pytest.fixture
def no_end(monkeypatch: pytest.MonkeyPatch) -> None:
    def end(status: int) -> NoReturn:
        raise Ended(status)

    monkeypatch.setattr(os, "_exit", end)


@pytest.mark.usefixtures("no_end")
def test_the_first_ctrl_c_is_a_wish_and_the_second_ends_all(capsys: pytest.CaptureFixture[str]) -> None:
    with CtrlC(130) as stop:
        assert not stop()
        press()
        assert stop()
        with pytest.raises(Ended, match="130"):
            press()
    assert capsys.readouterr().err.split("spareshaft: ")[1:] == [
        "ending with the best plan so far. Ctrl-C once more ends it without.\n",
        "stopped.\n",
    ]


@pytest.mark.usefixtures("no_end")
def test_a_second_ctrl_c_ends_all_while_the_first_is_being_answered(monkeypatch: pytest.MonkeyPatch) -> None:
    """It comes as soon as the sentence that asks for it can be read, before the first is done with."""

    class Hasty(io.StringIO):
        def flush(self) -> None:
            if self.getvalue().endswith("without.\n"):
                press()

    monkeypatch.setattr(sys, "stderr", terminal := Hasty())
    with CtrlC(130) as stop, pytest.raises(Ended):
        press()
    assert stop()
    assert terminal.getvalue().endswith("spareshaft: stopped.\n")


@pytest.mark.usefixtures("no_end")
def test_ctrl_c_is_heard_where_nothing_can_be_said(monkeypatch: pytest.MonkeyPatch) -> None:
    class Written(io.StringIO):
        def write(self, text: str) -> NoReturn:
            raise RuntimeError("reentrant call")

    monkeypatch.setattr(sys, "stderr", Written())
    with CtrlC(130) as stop:
        press()
        assert stop()
        with pytest.raises(Ended):
            press()
