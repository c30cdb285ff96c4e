"""The table prints what it should. How quick anything is, no test asserts."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.bench.__main__ import from_folder, generated, run
from tests.bench.from_here import run_from_here
from tests.outside.pieces import pointed_piece


def test_a_line_for_each_piece_with_its_ratios(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "small.json").write_text(json.dumps(pointed_piece(2, shafts=5, rows=9)), "utf-8")
    impossible = pointed_piece(2, shafts=5, rows=9)
    impossible["loom"]["spare_shafts"] = 0
    (tmp_path / "zero.json").write_text(json.dumps(impossible), "utf-8")
    run(from_folder(tmp_path), 20, cpsat=True)
    _, head, *lines, last = capsys.readouterr().out.splitlines()
    assert head.split()[:4] == ["piece", "rows", "shafts", "handles"]
    words = {line.split()[0]: line.replace("|", " ").split() for line in lines}
    # name, rows, shafts, handles, minutes, bound, s, CP-SAT, bound, s, by hand, ratios
    small = words["small"]
    assert small[4].endswith("*")
    assert small[4] == small[7]
    assert small[11] == "1.000"
    assert float(small[12]) == pytest.approx(float(small[5]) / float(small[10]), abs=1e-3)
    assert words["zero"][4] == "-*"
    assert words["zero"][10:] == ["-", "-", "-"]
    assert "minutes planned" in last


def test_a_line_for_each_row_to_go_on_from(capsys: pytest.CaptureFixture[str]) -> None:
    piece = pointed_piece(2, shafts=5, rows=20)
    run_from_here([("small", piece)], 20)
    lines = [line.replace("|", " ").split() for line in capsys.readouterr().out.splitlines()[3:]]
    # name, row, back to, visits, minutes, s, whole s, ratios
    assert [(int(line[1]), int(line[2])) for line in lines[:3]] == [(0, 0), (2, 2), (2, 0)]
    assert all(line[4].endswith("*") for line in lines)
    assert all(int(line[3]) == 20 - int(line[2]) + int(line[1]) - int(line[2]) for line in lines)


def test_there_are_pieces_with_and_without_spare_handles() -> None:
    handles = [piece["loom"]["spare_handles"] for _, piece in generated()]
    assert {0, 1} == set(handles)
