"""The questions that take long: what they go by, and that answers and refusals come through as JSON."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import pytest

from server.design.piece_file import Unusable, read_piece
from server.plan.no_plan import NoPlan, Sentence
from server.plan.planner import plan
from server.plan.replay import Mismatch
from server.ways import questions
from server.ways.questions import (
    QUESTIONS,
    Outcome,
    Question,
    answer,
    check_kept,
    key_of,
    order_of,
    outcome,
    refusal,
)
from tests.examples import PIECE, piece_text


class Silent:
    """Whoever asks hears nothing, and never says that it is enough."""

    def __init__(self) -> None:
        self.told: list[tuple[Any, ...]] = []

    def __call__(self, words: str = "", share: float | None = None, /, **more: Any) -> None:
        self.told.append((words, share, more))

    def is_enough(self) -> bool:
        return False


def key(kind: str = "plan", options: dict[str, Any] | None = None, **changed: Any) -> str:
    return key_of(kind, read_piece(piece_text(**changed)), options or {})


@pytest.fixture
def whole(monkeypatch: pytest.MonkeyPatch) -> Question:
    """A question to which all of the piece matters but its name."""
    question = Question("whole", lambda piece, options, tell: {"piece": repr(piece)}, "All of it")
    monkeypatch.setitem(QUESTIONS, "whole", question)
    return question


def test_a_plan_comes_through_as_json_and_is_replayed() -> None:
    said = json.loads(json.dumps(answer("plan", piece_text(), {"limit": 5}, Silent())))
    piece = read_piece(piece_text())
    assert order_of(piece, said) == plan(piece)
    assert said["proven"] is True
    other = read_piece(piece_text(rows=["#..###..#", "..#......", "...###..."]))
    with pytest.raises(Mismatch):
        order_of(other, said)


@pytest.mark.parametrize(
    "changed",
    [
        {"rows": ["#..###..#", "..##.#...", "..####..."]},
        {"rows": ["..##.#...", "#..###..#", "...###..."]},
        {"leashes": [0, 1, 2, 3, 4, 3, 2, 1, 1], "single_cords": [1, 9]},
        {"single_cords": [1, 5, 9]},
        {"picks_per_row": [4]},
        {"treadling": [1, 2, 3, 4]},
        {"minutes": {"walk": 2.0}},
        {"free_walks": [1]},
        {"no_walks": [1]},
        {"loom": PIECE["loom"] | {"spare_shafts": 2}},
        {"loom": PIECE["loom"] | {"spare_handles": 1}},
        {"loom": PIECE["loom"] | {"temporaries_per_shaft": 1}},
        {"loom": PIECE["loom"] | {"temporaries_may_stay": False}},
        {"loom": PIECE["loom"] | {"pattern_shafts": 5}},
    ],
)
def test_what_matters_to_the_plan_makes_it_another_question(changed: dict[str, Any], whole: Question) -> None:
    assert key(**changed) != key()
    assert key("whole", **changed) != key("whole")


def test_free_walks_and_walks_that_may_not_be_made_are_told_apart() -> None:
    assert key(free_walks=[1]) != key(no_walks=[1])
    assert key(free_walks=[1], no_walks=[2]) != key(free_walks=[1, 2])


def test_what_does_not_matter_makes_no_other_question(whole: Question) -> None:
    bands = {"bands": [{"name": "One", "rows": 3, "times": 1}]}
    assert key(name="Another", loom_name="Upstairs") == key()
    assert key("whole", name="Another", loom_name="Upstairs") == key("whole")
    assert key(extra=bands) == key()
    assert key("whole", extra=bands) != key("whole")
    assert key(options={"limit": 1}) == key(options={"limit": 100})
    assert key("whole", options={"limit": 1}) != key("whole", options={"limit": 100})
    content = {name: value for name, value in PIECE.items() if name != "treadling"}
    assert key_of("plan", read_piece(json.dumps(content)), {}) == key()
    assert key("whole") != key()


def test_whoever_answers_does_not_see_what_is_not_in_the_key(whole: Question) -> None:
    seen = answer("whole", piece_text(name="Secret", loom_name="Attic"), {}, Silent())["piece"]
    assert "Secret" not in seen
    assert "Attic" not in seen
    assert "leashes=(0, 1, 2, 3, 4, 3, 2, 1, 0)" in seen


def test_a_refusal_comes_through_with_its_shafts_and_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    why = NoPlan(
        Sentence("{rows} for a part of shaft {}.", (2, 3), (1, 4), "{rows} for too much."),
        Sentence("1 would do."),
    )

    def none(*asked: object, **more: object) -> None:
        raise why

    monkeypatch.setattr(questions, "plan", none)
    ended = outcome("plan", piece_text(), {}, Silent())
    assert ended.state == "refused"
    again = refusal(json.loads(json.dumps(ended.content)))
    assert isinstance(again, NoPlan)
    assert again.sentences == why.sentences
    assert again.counted(lambda shaft: 10 - shaft) == why.counted(lambda shaft: 10 - shaft)


def test_a_question_that_makes_no_sense_is_refused_in_its_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    def nonsense(*asked: object) -> dict[str, Any]:
        raise Unusable("There is no figure.")

    monkeypatch.setitem(QUESTIONS, "x", Question("x", nonsense, "X"))
    ended = outcome("x", piece_text(), {}, Silent())
    assert ended == Outcome("refused", {"said": "There is no figure."})
    assert str(refusal(ended.content)) == "There is no figure."


@pytest.mark.parametrize("kind", ["plan", "places", "why not"])
def test_a_limit_that_is_none_is_refused_in_a_sentence(kind: str) -> None:
    for limit in (0, -1, 1e300, 10**400, float("nan"), float("inf"), True, None, "5", "x", [5], {}):
        ended = outcome(kind, piece_text(), {"block": [2, 2, 3, 3], "limit": limit}, Silent())
        assert ended.state == "refused", limit
        assert re.fullmatch(r"It may take from 0 to [\d,]+ seconds\.", ended.content["said"])


def test_options_that_are_no_json_are_refused() -> None:
    piece, deep = read_piece(piece_text()), list[Any]()
    for _ in range(100_000):
        deep = [deep]
    for options in ({"x": float("nan")}, {"x": object()}, {"x": deep}, {1: 2, "x": 3}):
        with pytest.raises(ValueError, match=r"^What was asked could not be read\.$"):
            key_of("plan", piece, options)  # type: ignore[arg-type]


@pytest.mark.parametrize("order", ["[" * 100_000, '{"steps": ' + "[" * 100_000, "1" * 5_000, "", 7, None])
def test_an_order_that_was_damaged_is_no_answer(order: object) -> None:
    with pytest.raises(Mismatch):
        check_kept("plan", read_piece(piece_text()), Outcome("answered", {"order": order}))


def test_a_planner_that_goes_wrong_is_no_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*asked: object, **more: object) -> None:
        raise ValueError("no such column")

    monkeypatch.setattr(questions, "plan", fail)
    with pytest.raises(Mismatch):
        outcome("plan", piece_text(), {}, Silent())


def test_every_kind_stands_under_its_own_name() -> None:
    assert all(kind == question.kind for kind, question in QUESTIONS.items())
    assert "plan" in QUESTIONS


def test_what_is_told_of_a_plan_are_its_minutes_and_the_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    silent = Silent()
    answer("plan", piece_text(), {}, silent)
    assert all(words == "" and share is None for words, share, _ in silent.told)
    told = [more for *_, more in silent.told]
    assert told
    assert all(set(more) == {"minutes", "bound", "best"} for more in told)
    piece = read_piece(piece_text())
    best = [more["best"]() for more in told if more["best"]]
    assert best
    assert all(order_of(piece, json.loads(json.dumps(one))).totals.minutes >= 5.71 for one in best)
    assert all(one["proven"] is False for one in best)
    assert all(more["minutes"] is None or more["minutes"] >= 5.71 for more in told)


def test_the_piece_seen_by_a_plan_has_neither_threads_nor_bands() -> None:
    piece = read_piece(piece_text(loom=PIECE["loom"] | {"extra": {"leashes_per_unit": [2] * 9}}))
    assert piece.loom.leashes_per_unit
    seen = questions.as_seen(QUESTIONS["plan"], piece)
    assert seen == replace(
        piece, name="", threads=None, bands=(), loom=replace(piece.loom, name="", leashes_per_unit=())
    )
