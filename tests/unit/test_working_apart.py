"""The process that works questions out, without a server: what it is told and how it ends."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from typing import Any

import pytest

from server.working_apart import Telling
from tests.examples import piece_text

PATIENCE = 100.0
"""Seconds; far more than it takes."""


@pytest.mark.parametrize("said", [b"", b'{"kind": "pl', b"[" * 100_000 + b"\n"], ids=len)
def test_it_ends_when_the_server_is_gone_or_cannot_be_understood(said: bytes) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "server.working_apart"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        try:
            out, err = process.communicate(said, timeout=PATIENCE)
        finally:
            process.kill()
    assert (process.returncode, out, err) == (0, b"", b"")


def test_where_the_best_so_far_comes_to_nothing_the_answer_still_comes() -> None:
    told = io.BytesIO()
    telling = Telling(told)

    def goes_wrong() -> dict[str, Any]:
        raise AssertionError

    telling(best=goes_wrong)
    with pytest.raises(AssertionError):
        telling._break_off()
    telling.answer({"state": "answered", "content": {}})
    assert json.loads(told.getvalue().splitlines()[-1]) == {"state": "answered", "content": {}}


@pytest.mark.parametrize("text", [piece_text(), "no piece"])
def test_questions_are_answered_in_order(text: str) -> None:
    asked = [
        {"kind": "plan", "piece_text": text, "options": {"limit": 10}},
        {"kind": "no such kind", "piece_text": text, "options": {}},
        {"kind": "more", "piece_text": text, "options": {}},
    ]
    with subprocess.Popen(
        [sys.executable, "-m", "server.working_apart"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(b"".join(json.dumps(one).encode() + b"\n" for one in asked))
        process.stdin.flush()
        states: list[str] = []
        while len(states) < 3:
            content = json.loads(process.stdout.readline())
            states += [content["state"]] if "state" in content else []
        process.kill()
    assert states == ["answered" if text != "no piece" else "refused", "dropped", "refused"]
