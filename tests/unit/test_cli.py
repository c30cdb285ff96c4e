"""The terminal: what it prints, what it refuses, and how it ends."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from server import __version__, cli, planning
from server.cli import main
from server.plan.no_plan import Sentence
from server.plan.planner import NoPlan, Progress, Stopped
from server.plan.replay import Mismatch
from server.plan.workorder import WorkOrder, read_workorder
from server.settings import DATABASE_NAME
from server.store.database import Store
from tests.examples import piece_order, piece_text


@pytest.fixture
def piece_file(tmp_path: Path) -> Path:
    path = tmp_path / "piece.json"
    path.write_text(piece_text())
    return path


@pytest.fixture
def planner(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """A planner that answers at once, and how it was called."""
    calls: list[dict[str, Any]] = []

    def plan(piece: object, **options: Any) -> WorkOrder:
        calls.append(options)
        return piece_order()

    monkeypatch.setattr(planning, "plan", plan)
    return calls


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Exit status, standard output, standard error."""
    try:
        status = main(words)
    except SystemExit as stop:
        status = int(stop.code or 0)
    said = capsys.readouterr()
    return status, said.out, said.err


def assert_one_sentence(said: str) -> None:
    assert said.startswith("spareshaft: ")
    assert said.endswith(".\n")
    assert said.count("\n") == 1
    assert "Traceback" not in said


# plan


def test_plan_prints_the_plan_and_nothing_else(piece_file: Path, capfd: pytest.CaptureFixture[str]) -> None:
    status, out, err = run(capfd, "plan", str(piece_file))  # capfd hears the solver's own voice, too
    assert (status, err) == (0, "")
    assert read_workorder(out).totals.minutes <= 5.71
    assert json.loads(out)["format"] == "spareshaft-workorder"


def test_plan_reads_standard_input(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, planner: list[dict[str, Any]]
) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"\xef\xbb\xbf" + piece_text().encode())))
    status, out, _ = run(capsys, "plan", "-")
    assert status == 0
    assert read_workorder(out) == piece_order()


def test_plan_hands_the_limit_on(
    piece_file: Path, capsys: pytest.CaptureFixture[str], planner: list[dict[str, Any]]
) -> None:
    run(capsys, "plan", str(piece_file))
    run(capsys, "plan", "--limit", "0.5", str(piece_file))
    assert [call["limit"] for call in planner] == [10.0, 0.5]


@pytest.mark.parametrize("command", ["plan", "import"])
def test_what_the_loom_lacks_is_said_once_and_where_to_go(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    def none(piece: object, **options: object) -> WorkOrder:
        lacks = "{rows} for parts of 3 shafts at once: {}. Spare shafts on this loom: 2."
        sentences = [Sentence(lacks, (1, 2, row), (row,)) for row in (3, 4, 5)]
        raise NoPlan(*sentences, Sentence("3 spare shafts would do, everything else as it is."))

    monkeypatch.setattr(planning, "plan", none)
    path = tmp_path / "piece.json"
    path.write_text(piece_text())
    data = ("--data", str(tmp_path)) if command == "import" else ()
    status, out, err = run(capsys, command, str(path), *data)
    assert (status, out) == (3, "")
    assert err == (
        f"spareshaft: {path}: Row 3 asks for parts of 3 shafts at once: 1, 2 and 3. "
        "Spare shafts on this loom: 2. "
        "Row 4 asks for parts of 3 shafts at once: 1, 2 and 4. "
        "Row 5 asks for parts of 3 shafts at once: 1, 2 and 5. "
        "3 spare shafts would do, everything else as it is. "
        f"{planning.WHAT_WOULD_DO}\n"
    )
    assert "“What would do?”" in planning.WHAT_WOULD_DO


@pytest.mark.parametrize("limit", ["0", "-1", "nan", "inf", "-inf", "ten", "", "1e999", "1,5", "\x1b[2J"])
def test_plan_refuses_a_limit_that_is_none(
    piece_file: Path, capsys: pytest.CaptureFixture[str], planner: list[dict[str, Any]], limit: str
) -> None:
    status, out, err = run(capsys, "plan", f"--limit={limit}", str(piece_file))
    assert (status, out, planner) == (2, "", [])
    assert "a limit is a number of seconds above 0" in err
    assert "\x1b" not in err


def test_plan_says_why_there_is_no_plan(
    piece_file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(piece: object, **options: object) -> WorkOrder:
        raise NoPlan(Sentence("Row 2 asks for a part of shaft {}.", (2,)), Sentence("1 would do."))

    monkeypatch.setattr(planning, "plan", none)
    status, out, err = run(capsys, "plan", str(piece_file))
    assert (status, out) == (3, "")
    assert "1 would do." in err
    assert_one_sentence(err)


def test_a_plan_that_fails_its_own_check_is_not_given(
    piece_file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def wrong(piece: object, **options: object) -> WorkOrder:
        raise Mismatch("Step 3: Row 2 comes out wrong at unit 4.")

    monkeypatch.setattr(planning, "plan", wrong)
    status, out, err = run(capsys, "plan", str(piece_file))
    assert (status, out) == (1, "")
    assert "did not pass its own check" in err
    assert_one_sentence(err)


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "The file is empty"),
        (b"\xef\xbb\xbf \n", "The file is empty"),
        (b"\x89PNG\r\n\x1a\n", "That is a picture. It belongs under “From a picture or a file”"),
        (b'{"format": "spareshaft-warp"}', "the file of a warp. Bring it in on the page Warps."),
        (b"{", "not JSON"),
        (b"[]", "not a piece file"),
        (b"\xff\xfe", "not UTF-8"),
        (b"\x00" * 100, "The file is empty"),
        (b"[" * 200_000, "nested too deeply"),
        (piece_text(version=2).encode(), "version"),
        (piece_text(**{"\x1b[31mred": 1}).encode(), "not a key"),
        (piece_text(rows=["#..###..\u202e"]).encode(), "a cell is #"),
        (piece_text(minutes={"walk": float("nan")}).encode(), "NaN"),
    ],
)
def test_plan_says_what_is_wrong_with_a_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes, why: str
) -> None:
    path = tmp_path / "wrong.json"
    path.write_bytes(content)
    status, out, err = run(capsys, "plan", str(path))
    assert (status, out) == (2, "")
    assert why in err
    assert_one_sentence(err)
    assert err.rstrip("\n").isprintable()


def test_a_file_that_cannot_be_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    large = tmp_path / "large.json"
    with large.open("wb") as file:
        file.truncate(20_000_001)
    for name, why in (
        (tmp_path / "none.json", "there is no such file"),
        (tmp_path, "this is a folder"),
        (large, "larger than 20 MB"),
        (tmp_path / "none.json" / "x", "there is no such file"),
        (large / "x", "cannot be read"),
        (tmp_path / ("x" * 300), "cannot be read"),
        ("/dev/zero", "larger than 20 MB"),
        (tmp_path / "line\nbreak\x1b[2J\u202e", "there is no such file"),
    ):
        status, out, err = run(capsys, "plan", str(name))
        assert (status, out) == (2, "")
        assert why in err
        assert err.rstrip("\n").replace("\n", "").isprintable()


def test_a_file_that_may_not_be_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    status, _, err = run(capsys, "plan", str(tmp_path / "piece.json"))
    assert status == 2
    assert "you may not read this file" in err


def test_a_long_plan_says_how_far_it_is(
    piece_file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    err = io.StringIO()
    assert _told(err, [Progress(0.5, 41.26, 38.0)], ticks=1) == [
        "Planning, 1 s: best so far 41.3 minutes, none takes fewer than 38.0."
    ]
    assert _told(io.StringIO(), [], ticks=1) == ["Planning, 1 s: no plan yet."]
    assert _told(io.StringIO(), [Progress(0.5, None, 3.0)], ticks=0) == []


class _Ticks:
    """An event that lets a number of waits pass at once, then is set."""

    def __init__(self, ticks: int) -> None:
        self.left = ticks

    def wait(self, seconds: float) -> bool:
        self.left -= 1
        return self.left < 0

    def set(self) -> None:
        self.left = 0


def _told(stream: io.StringIO, words: list[Progress], ticks: int) -> list[str]:
    line = planning.ProgressLine(stream)
    line._ended = _Ticks(ticks)  # type: ignore[assignment]
    for word in words:
        line(word)
    times = iter(range(100))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("server.terminal.time.monotonic", lambda: next(times))
        with line:
            line._thread.join()
    return stream.getvalue().splitlines()


def test_on_a_terminal_the_progress_line_is_rewritten_in_place_and_removed() -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    _told(terminal, [Progress(0.5, 41.26, None)], ticks=2)
    assert terminal.getvalue().count("\r\x1b[KPlanning") == 2
    assert terminal.getvalue().endswith("\r\x1b[K")
    assert "\n" not in terminal.getvalue()


def test_a_progress_line_that_nobody_reads_does_not_end_the_plan() -> None:
    class Gone(io.StringIO):
        def write(self, text: str) -> int:
            raise BrokenPipeError

    assert _told(Gone(), [], ticks=2) == []


# import


def test_import_keeps_the_piece(
    piece_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], planner: list[dict[str, Any]]
) -> None:
    data = tmp_path / "new" / "folder"
    status, out, err = run(capsys, "import", str(piece_file), "--data", str(data))
    assert (status, err) == (0, "")
    assert out == (
        "Brought in “Harbour runner”: 3 rows, 2 walks, 5.7 minutes besides the weaving. "
        "It is among the pieces now.\n"
    )
    with closing(Store(data / DATABASE_NAME)) as store:
        assert [line.name for line in store.pieces()] == ["Harbour runner"]


def test_import_of_a_wrong_file_keeps_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "wrong.json"
    path.write_text("{}")
    status, out, err = run(capsys, "import", str(path), "--data", str(tmp_path))
    assert (status, out) == (2, "")
    assert_one_sentence(err)
    with closing(Store(tmp_path / DATABASE_NAME)) as store:
        assert store.pieces() == []


def test_names_do_not_drive_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], planner: list[dict[str, Any]]
) -> None:
    path = tmp_path / "piece.json"
    path.write_text(piece_text(name="\x1b]0;owned\x07\u202eevil\r\n\x9b2J"))
    status, out, _ = run(capsys, "import", str(path), "--data", str(tmp_path))
    assert status == 0
    assert out.replace("\n", "").isprintable()
    assert "evil" in out


def test_import_says_when_the_data_folder_cannot_be_used(
    piece_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = run(capsys, "import", str(piece_file), "--data", str(piece_file))
    assert (status, out) == (1, "")
    assert str(piece_file) in err
    assert_one_sentence(err)


@pytest.mark.parametrize("words", [("import", "piece.json"), ("serve", "--port=0")])
@pytest.mark.parametrize("below", ["", "deeper/down"])
def test_a_file_named_as_data_folder_is_said_to_be_one(
    piece_file: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], below: str
) -> None:
    status, out, err = run(capsys, *words, "--data", str(piece_file / below))
    assert (status, out) == (1, "")
    assert err == f"spareshaft: {piece_file}: this is a file; name a folder with --data.\n"
    assert piece_file.read_text() == piece_text()


# serve: what is refused before anything is opened


@pytest.mark.parametrize("port", ["65536", "-1", "99999999999999999999", "http", "80.5", "", "٨٠"])
def test_a_port_that_is_none_is_refused(capsys: pytest.CaptureFixture[str], port: str) -> None:
    status, _, err = run(capsys, f"--port={port}")
    assert status == 2
    assert "a port is a number from 0 to 65535" in err


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.1.5", "::", "127.0.0.1.1", "loft", "", "localhost.x"])
def test_other_devices_are_let_in_by_share_only(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], host: str
) -> None:
    status, out, err = run(capsys, f"--host={host}", "--port", "0", "--data", str(tmp_path / "data"))
    assert (status, out) == (1, "")
    assert "--share" in err
    assert_one_sentence(err)
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize(
    "host", ["203.0.113.9", "2001:db8::1", "::", "some.name", "x" * 300, "a..b", "1.2.3.4.5", "", "\x1b[2J"]
)
def test_an_address_that_is_not_ours_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], host: str
) -> None:
    status, out, err = run(capsys, "--share", f"--host={host}", "--port=0", "--data", str(tmp_path / "data"))
    assert (status, out) == (1, "")
    assert "is not an address of this computer" in err
    assert not (tmp_path / "data").exists()
    assert_one_sentence(err)


# help and unknown words


@pytest.mark.parametrize(
    "words", [["--nothing"], ["serve", "extra"], ["plan"], ["import"], ["plan", "a", "b"], ["--data"]]
)
def test_unknown_words_are_refused_in_one_line(capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
    status, out, err = run(capsys, *words)
    assert (status, out) == (2, "")
    assert_one_sentence(err.replace("--help.", "help."))


@pytest.mark.parametrize("words", [[], ["serve"], ["plan"], ["import"]])
def test_every_help_teaches(capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
    status, out, _ = run(capsys, *words, "--help")
    assert status == 0
    assert "example" in out
    assert "spareshaft" in out
    if words:
        assert "exit status" in out


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "--version")[:2] == (0, f"spareshaft {__version__}\n")


def test_ctrl_c_ends_in_one_line(
    piece_file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(piece: object, **options: object) -> WorkOrder:
        raise KeyboardInterrupt

    monkeypatch.setattr(planning, "plan", interrupted)
    status, out, err = run(capsys, "plan", str(piece_file))
    assert (status, out, err) == (cli.INTERRUPTED, "", "spareshaft: stopped.\n")


def test_ctrl_c_is_heard_while_what_plans_is_still_loaded(piece_file: Path) -> None:
    """What takes long to load is loaded within `main`; before, a Ctrl-C there ended in a traceback."""
    hold = (
        "import os, signal, sys\n"
        "class Press:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name in ('numpy', 'pydantic', 'segno', 'server.plan'):\n"
        "            os.kill(os.getpid(), signal.SIGINT)\n"
        "sys.meta_path.insert(0, Press())\n"
        "import server.cli\n"
        "sys.exit(server.cli.main())"
    )
    command = [sys.executable, "-c", hold, "plan", str(piece_file)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (cli.INTERRUPTED, "", "spareshaft: stopped.\n")


@pytest.mark.parametrize("proven", [False, True])
def test_ctrl_c_ends_the_search_with_the_best_plan_so_far(
    piece_file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, proven: bool
) -> None:
    before = signal.getsignal(signal.SIGINT)
    best = replace(piece_order(), proven=proven, bound=5.71 if proven else 4.25)

    def interrupted(piece: object, *, stop: Callable[[], bool], **options: object) -> WorkOrder:
        assert not stop()
        os.kill(os.getpid(), signal.SIGINT)
        until = time.monotonic() + 30
        while not stop() and time.monotonic() < until:
            time.sleep(0.01)
        assert stop()
        return best

    monkeypatch.setattr(planning, "plan", interrupted)
    status, out, err = run(capsys, "plan", str(piece_file))
    assert (status, read_workorder(out)) == (0, best)
    assert "Ctrl-C once more" in err
    assert ("the best plan so far, " in err) != proven
    if not proven:
        assert "the best plan so far, 5.7 minutes besides the weaving; none takes fewer than 4.2" in err
    assert signal.getsignal(signal.SIGINT) == before


def test_ctrl_c_before_there_is_a_plan_ends_in_one_line(
    piece_file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(piece: object, **options: object) -> WorkOrder:
        raise Stopped

    monkeypatch.setattr(planning, "plan", interrupted)
    status, out, err = run(capsys, "plan", str(piece_file))
    assert (status, out, err) == (cli.INTERRUPTED, "", "spareshaft: stopped.\n")


def test_ctrl_c_while_a_piece_is_brought_in_keeps_nothing(
    piece_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(piece: object, **options: object) -> WorkOrder:
        assert "stop" not in options
        raise KeyboardInterrupt

    monkeypatch.setattr(planning, "plan", interrupted)
    status, _, err = run(capsys, "import", str(piece_file), "--data", str(tmp_path))
    assert (status, err) == (cli.INTERRUPTED, "spareshaft: stopped.\n")
    with closing(Store(tmp_path / DATABASE_NAME)) as store:
        assert store.pieces() == []


@pytest.mark.parametrize("target", ["a reader that leaves", "a full disk"])
def test_output_that_goes_nowhere_is_told_in_one_line(piece_file: Path, target: str) -> None:
    if target == "a full disk":
        out = os.open("/dev/full", os.O_WRONLY)
    else:
        read, out = os.pipe()
        os.close(read)
    command = [sys.executable, "-m", "server", "plan", str(piece_file)]
    done = subprocess.run(command, stdout=out, stderr=subprocess.PIPE, text=True, timeout=60, check=False)
    os.close(out)
    assert done.returncode == 1
    assert_one_sentence(done.stderr)
