"""The tables print what they should. How quick anything is, no test asserts."""

from __future__ import annotations

import json
import os
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from server.design.piece_file import read_piece
from server.plan.demands import asked_of
from tests.bench import __main__ as bench
from tests.bench.from_here import run_from_here
from tests.bench.growth import Series, all_series, doubled, exponent, growth
from tests.bench.scattered import HEIGHT, scattered
from tests.bench.table import Line, Ours, as_kept, large, machine, middle, ratio, side_by_side, small
from tests.outside.cpsat import Solved
from tests.outside.pieces import pointed_piece


def words_of(line: str) -> list[str]:
    return line.replace("|", " ").split()


def line(ours: Ours, other: Solved | None, hand: float | None = None) -> Line:
    return Line("A piece", 12, 6, 1, ours, other, hand)


def solved(minutes: int | None, seconds: float, *, proven: bool) -> Solved:
    return Solved(None if minutes is None else Fraction(minutes), 3, Fraction(20), proven, seconds)


def test_a_line_for_each_piece_with_its_ratios(tmp_path: Path) -> None:
    (tmp_path / "small.json").write_text(json.dumps(pointed_piece(2, shafts=5, rows=9)), "utf-8")
    impossible = pointed_piece(2, shafts=5, rows=9)
    impossible["loom"]["spare_shafts"] = 0
    (tmp_path / "zero.json").write_text(json.dumps(impossible), "utf-8")
    head, *lines, last = side_by_side(bench.from_folder(tmp_path), 20, cpsat=True)
    assert head.split()[:4] == ["piece", "rows", "shafts", "handles"]
    words = {line.split()[0]: words_of(line) for line in lines}
    # name, rows, shafts, handles, minutes, gap, s, CP-SAT, bound, s, by hand, ratios
    piece = words["small"]
    assert piece[1:4] == ["9", "5", "0"]
    assert piece[4].endswith("*")
    assert piece[4] == piece[7]
    assert piece[5] == "0.00"
    assert piece[11] == "1.000"
    assert float(piece[12]) == pytest.approx(float(piece[8]) / float(piece[10]), abs=1e-3)
    assert words["zero"][4] == "-*"
    assert words["zero"][10:13] == ["-", "-", "-"]
    assert "minutes planned" in last


def test_ratios_of_minutes_are_ours_to_theirs_and_the_gap_is_of_ours() -> None:
    one = line(Ours(30.0, 27.0, 2.0, proven=False), solved(40, 8.0, proven=False), 60.0)
    assert (one.to_other, one.to_hand) == (0.75, 0.5)
    assert one.ours.gap == pytest.approx(0.1)
    assert words_of(str(one))[5:] == [
        *("30.00", "10.00", "2.00", "40.00", "20.00", "8.00", "60.00", "0.750", "0.500", "-")
    ]
    without = line(Ours(None, None, 2.0, proven=True), None)
    assert (without.to_other, without.to_hand, without.ours.gap) == (None, None, None)
    assert ratio(0.0, 0.0) is None
    assert Ours(0.0, 0.0, 1.0, proven=True).gap is None


@pytest.mark.parametrize(
    ("ours_proven", "other_proven", "shown"),
    [
        (True, True, ("", 0.25)),
        (True, False, ("<", 0.25)),
        (False, True, (">", 0.25)),
        (False, False, ("", None)),
    ],
)
def test_a_ratio_of_seconds_says_who_ended_without_a_proof(
    ours_proven: bool, other_proven: bool, shown: tuple[str, float | None]
) -> None:
    ours = Ours(30.0, 30.0, 2.0, ours_proven)
    one = line(ours, solved(30, 8.0, proven=other_proven))
    assert one.seconds_to_other == shown
    assert words_of(str(one))[-1] == ("-" if shown[1] is None else f"{shown[0]}0.250")
    assert line(ours, None).seconds_to_other == ("", None)


def test_an_order_that_the_independent_replay_refuses_is_marked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.bench.table.faults", lambda *_: ["Row 1 lifts something else."])
    _, shown, _ = side_by_side([("small", pointed_piece(2, shafts=5, rows=9))], 20, cpsat=False)
    words = words_of(shown)
    assert words[4].endswith("!")
    assert words[7:10] == ["-", "-", "-"]


def test_a_piece_that_is_too_large_for_cpsat_has_a_line_all_the_same() -> None:
    leashes = [1] * 20
    content: dict[str, Any] = pointed_piece(2, shafts=5, rows=9) | {
        "leashes": leashes,
        "single_cords": [],
        "rows": ["#" * 10 + "." * 10, "#" * 20],
    }
    content["loom"] |= {"pattern_shafts": 1}
    _, shown, _ = side_by_side([("wide", content)], 20, cpsat=True)
    words = words_of(shown)
    assert words[4].endswith("*")
    assert words[7:10] == ["-", "-", "-"]


def test_the_power_of_a_growth_is_found() -> None:
    assert exponent([(size, 3.0 * size**1.5) for size in (10, 20, 40, 80)]) == pytest.approx(1.5)
    assert exponent([(10, 4.0), (20, 4.0)]) == pytest.approx(0.0)
    assert exponent([(10, 4.0), (20, None), (40, 0.0)]) is None
    assert exponent([]) is None


def test_growth_is_told_line_by_line_and_ends_where_nothing_is_proven(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    found = iter(
        [
            Ours(10.0, 10.0, 0.5, proven=True),
            Ours(20.0, 20.0, 2.0, proven=True),
            Ours(50.0, 40.0, 9.0, proven=False),
        ]
    )
    monkeypatch.setattr("tests.bench.growth.planned", lambda *_: next(found))
    series = Series("apart", "rows", doubled(20, 4), 1, lambda rows: scattered(rows, 8, spare_handles=1))
    _, first, second, third, fitted = growth([series], 9)
    # figures, rows, shafts, handles, minutes, gap, s, ratios
    assert words_of(first)[1:] == ["20", "8", "1", "10.00*", "0.00", "0.50", "-", "-"]
    assert words_of(second)[1:] == ["40", "8", "1", "20.00*", "0.00", "2.00", "2.00", "4.00"]
    assert words_of(third)[1:] == ["80", "8", "1", "50.00", "20.00", "9.00", "2.50", ">4.50"]
    # twice the minutes is the power 1, four times the seconds the power 2; the third line does not count
    assert fitted.endswith("minutes 1.00, seconds 2.00 (2 lines)")


def test_the_series_double_rows_and_shafts_without_and_with_a_spare_handle() -> None:
    series = list(all_series())
    assert {(one.of, one.handles) for one in series} == {
        ("rows", 0),
        ("rows", 1),
        ("shafts", 0),
        ("shafts", 1),
    }
    for one in series:
        assert len(one.sizes) >= 4
        assert all(later == 2 * size for size, later in pairwise(one.sizes))
        content = one.piece(one.sizes[0])
        sizes = {"rows": len(content["rows"]), "shafts": content["loom"]["pattern_shafts"]}
        assert sizes[one.of] == one.sizes[0]
        assert content["loom"]["spare_handles"] == one.handles


def test_twice_as_large_a_piece_has_twice_the_figures() -> None:
    for one in all_series():
        figures = [sum(row.count("##") for row in one.piece(size)["rows"]) for size in one.sizes]
        for before, after in pairwise(figures):  # they are of various widths, and the ground has odd cells
            assert 1.5 < after / before < 2.5, (one, figures)


@pytest.mark.parametrize("same", [True, False])
def test_a_scattered_piece_is_a_ground_that_repeats_and_figures_that_do_not(same: bool) -> None:
    content = scattered(60, 48, points=2, spare_handles=1, same=same)
    assert content == scattered(60, 48, points=2, spare_handles=1, same=same)
    piece = read_piece(json.dumps(content))
    asked = [
        {
            shaft
            for shaft, units in piece.loom.units_by_shaft.items()
            if asked_of(piece, row, shaft) not in (units, frozenset())
        }
        for row in range(1, 61)
    ]
    with_figures = [row for row, shafts in enumerate(asked) if shafts]
    assert len(with_figures) == 3 * HEIGHT
    assert with_figures[HEIGHT] - with_figures[HEIGHT - 1] > 1
    assert content["rows"][with_figures[0]].count("##") == 2, "two figures side by side"
    assert (asked[with_figures[0]] == asked[with_figures[HEIGHT]]) is same


def test_the_sets_are_as_large_as_they_are_called() -> None:
    sizes = {
        name: {
            (len(piece["rows"]), piece["loom"]["pattern_shafts"], piece["loom"]["spare_handles"])
            for _, piece in pieces
        }
        for name, pieces in (("small", small()), ("middle", middle()), ("large", large()))
    }
    assert sizes["small"] == {(12, 6, 0), (12, 6, 1), (16, 8, 0), (16, 8, 1)}
    assert all(40 <= rows <= 60 and 12 <= shafts <= 20 for rows, shafts, _ in sizes["middle"])
    assert {handles for *_, handles in sizes["middle"]} == {0, 1}
    assert sizes["large"] == {(400, 50, 0), (400, 50, 3)}


def test_a_machine_that_others_work_on_is_said_to_be_shared(monkeypatch: pytest.MonkeyPatch) -> None:
    for load, shared in ((1.6, True), (1.4, False)):
        monkeypatch.setattr(os, "getloadavg", lambda load=load: (load, 0.0, 0.0))
        assert ("shared" in machine()) is shared
    assert "processors, Python 3" in machine()


def test_the_kept_table_names_the_command_and_no_place_on_this_machine(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = tmp_path / "TABLE.md"
    monkeypatch.setattr(bench, "KEPT", kept)
    monkeypatch.setitem(bench.SETS, "small", lambda: iter([("one", pointed_piece(2, shafts=5, rows=9))]))
    bench.main(["small", "--write", "--no-cpsat", "--limit", "20"])
    printed = capsys.readouterr().out
    text = kept.read_text("utf-8")
    assert "`python -m tests.bench small --write --no-cpsat --limit 20`" in text
    assert text == as_kept("python -m tests.bench small --write --no-cpsat --limit 20", printed.splitlines())
    assert printed in text
    assert "20 s at most" in text
    assert str(Path(bench.__file__).parent) not in text
    assert os.uname().nodename not in text
    kept.unlink()
    bench.main(["small", "--no-cpsat"])
    assert not kept.exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["everything"], "there are small, middle, large, glyphs and growth, not everything"),
        (["--limit", "0"], "a number of seconds above 0"),
        (["--limit", "-1"], "a number of seconds above 0"),
        (["--limit", "nan"], "a number of seconds above 0"),
        (["--limit", "inf"], "a number of seconds above 0"),
        (["--limit", "soon"], "a number of seconds above 0"),
        (["--pieces", "nowhere"], "nowhere is no folder"),
        (["--write", "--pieces", "."], "leave out --pieces"),
        (["--write", "--from-here"], "leave out --pieces and --from-here"),
    ],
)
def test_what_cannot_be_run_is_refused_in_a_sentence(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stopped:
        bench.main(words)
    assert stopped.value.code == 2
    assert said in " ".join(capsys.readouterr().err.split())


def test_a_line_for_each_row_to_go_on_from(capsys: pytest.CaptureFixture[str]) -> None:
    piece = pointed_piece(2, shafts=5, rows=20)
    run_from_here([("small", piece)], 20)
    lines = [words_of(line) for line in capsys.readouterr().out.splitlines()[3:]]
    # name, row, back to, visits, minutes, s, whole s, ratios
    assert [(int(line[1]), int(line[2])) for line in lines[:3]] == [(0, 0), (2, 2), (2, 0)]
    assert all(line[4].endswith("*") for line in lines)
    assert all(int(line[3]) == 20 - int(line[2]) + int(line[1]) - int(line[2]) for line in lines)
