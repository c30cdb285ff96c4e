"""The server as it is started: ports, sharing, large uploads, Ctrl-C."""

from __future__ import annotations

import re
import signal
import socket
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from server.settings import DATABASE_NAME, SECRET_NAME, kept_secret
from server.store.database import Store
from tests.faults.process import ASKING, PATIENCE, Server, running
from tests.forks import free_port


@pytest.fixture(scope="module")
def port() -> int:
    return free_port()


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory, port: int) -> Iterator[Server]:
    """A server that shares, so that one process serves most tests here."""
    with running(tmp_path_factory.mktemp("data"), port, "--share") as process:
        yield process


def test_a_port_in_use_is_told_in_one_line(server: object, port: int, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "server", "--port", str(port), "--data", str(tmp_path / "data")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE, check=False)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith(f"spareshaft: port {port} is in use")
    assert done.stderr.endswith(f"Try --port {port + 1}.\n")
    assert done.stderr.count("\n") == 1
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize("declared", [True, False])
def test_an_upload_of_200_mb_gets_its_answer_and_takes_no_memory(
    server: Server, port: int, declared: bool
) -> None:
    block = b"x" * 1_000_000

    def blocks() -> Iterator[bytes]:
        for _ in range(200):
            yield block

    headers = {"content-type": "application/json"}
    if declared:
        headers["content-length"] = str(200 * len(block))
    before = _memory(server.pid)
    answer = ASKING.post(f"http://127.0.0.1:{port}/pieces", content=blocks(), headers=headers)
    assert answer.status_code == 413
    assert "larger than 1 MB" in answer.text
    assert _memory(server.pid) - before < 50_000


def _memory(pid: int) -> int:
    """The most memory that a process has held so far, in kB."""
    found = re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())
    assert found
    return int(found[1])


def test_an_early_answer_comes_before_the_upload_ends(server: object, port: int) -> None:
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE) as connection:
        head = f"POST /pieces HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Length: 200000000\r\n\r\n"
        connection.sendall(head.encode())
        assert connection.recv(100).startswith(b"HTTP/1.1 413 ")


def test_a_wrong_host_is_refused_by_the_real_server(server: object, port: int) -> None:
    answer = ASKING.get(f"http://127.0.0.1:{port}/", headers={"host": f"evil.example:{port}"})
    assert answer.status_code == 400


def test_sharing_prints_how_to_join_and_ctrl_c_stops(tmp_path: Path) -> None:
    port = free_port()
    with running(tmp_path, port, "--share", command=(sys.executable, "-m", "server")) as process:
        process.send_signal(signal.SIGINT)
        said, _ = process.communicate(timeout=PATIENCE)
        assert process.returncode == 0
    assert f"http://127.0.0.1:{port}/" in said
    assert "Stopped. Everything is kept." in said
    assert "Traceback" not in said
    if "no network" not in said:
        assert re.search(r"join code [A-Z0-9]{4}-[A-Z0-9]{4}\b", said)
        assert "█" in said
    assert stat.S_IMODE((tmp_path / SECRET_NAME).stat().st_mode) == 0o600


def test_the_demo_comes_once(tmp_path: Path) -> None:
    for _ in range(2):
        with running(tmp_path, free_port(), "--demo"):
            pass
    with closing(Store(tmp_path / DATABASE_NAME)) as store:
        names = [line.name for line in store.pieces()]
    assert len(names) >= 2
    assert len(set(names)) == len(names)


def test_a_database_from_a_newer_version_stops_the_start(tmp_path: Path) -> None:
    Store(tmp_path / DATABASE_NAME).close()
    with closing(sqlite3.connect(tmp_path / DATABASE_NAME)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    command = [sys.executable, "-m", "server", "--port", "0", "--data", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE, check=False)
    assert (done.returncode, done.stdout) == (1, "")
    assert "made by a newer Spareshaft" in done.stderr
    assert done.stderr.count("\n") == 1


def test_the_secret_is_made_once_and_a_broken_one_is_told(tmp_path: Path) -> None:
    first = kept_secret(tmp_path)
    assert kept_secret(tmp_path) == first
    assert len(first) >= 32
    assert [path.name for path in tmp_path.iterdir()] == [SECRET_NAME]
    (tmp_path / SECRET_NAME).write_text("short")
    command = [sys.executable, "-m", "server", "--port", "0", "--data", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE, check=False)
    assert done.returncode == 1
    assert "delete it, and every device joins again" in done.stderr
    assert (tmp_path / SECRET_NAME).read_text() == "short"
