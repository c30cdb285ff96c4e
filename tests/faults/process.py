"""A real server process that can be asked, killed and started again."""

from __future__ import annotations

import os
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.process import BaseProcess
from pathlib import Path

import httpx

from server.session.place import Tap
from tests.forks import split_off

PATIENCE = 100.0
"""Seconds for a server to come up or to end. Far more than either takes, even where much else runs."""

# for all requests, each on a connection of its own: a new client reads certificates, longer than a tap takes
ASKING = httpx.Client(timeout=PATIENCE, limits=httpx.Limits(max_keepalive_connections=0))


@dataclass(frozen=True)
class Forked:
    """A server that was split off; it is asked as a `subprocess.Popen` is."""

    process: BaseProcess
    log: Path

    @property
    def pid(self) -> int:
        assert self.process.pid is not None
        return self.process.pid

    @property
    def returncode(self) -> int | None:
        return self.process.exitcode

    def poll(self) -> int | None:
        return self.process.exitcode

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        self.process.kill()

    def wait(self, timeout: float) -> int:
        self.process.join(timeout)
        assert self.process.exitcode is not None, "it did not end"
        return self.process.exitcode

    def communicate(self, timeout: float = PATIENCE) -> tuple[str, None]:
        """Wait for its end; all that it said, complaints among it."""
        self.wait(timeout)
        return self.log.read_text(), None


Server = subprocess.Popen[str] | Forked


@contextmanager
def running(
    data: Path, port: int, *options: str, command: Sequence[str] = (), cwd: Path | None = None
) -> Iterator[Server]:
    """A server that answers on `port`; it is killed at the end.

    Args:
        command: what starts it, as from a terminal; it takes seconds. Empty: it is split off.
        cwd: where that is given, from another folder, and without our code's.
    """
    words = ["--port", str(port), "--data", str(data), *options]
    with tempfile.TemporaryDirectory() as folder:
        process: Server
        if command:
            environment = {
                name: value for name, value in os.environ.items() if cwd is None or name != "PYTHONPATH"
            }
            process = subprocess.Popen(
                [*command, *words],
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                cwd=cwd,
                env=environment,
            )
        else:
            log = Path(folder, "said.log")
            process = Forked(split_off(words, log), log)
        try:
            _wait_for(process, port)
            yield process
        finally:
            process.kill()
            process.wait(PATIENCE)
            if isinstance(process, subprocess.Popen) and process.stdout:
                process.stdout.close()


def _wait_for(process: Server, port: int) -> None:
    give_up = time.monotonic() + PATIENCE
    while time.monotonic() < give_up and process.poll() is None:
        try:
            ASKING.get(f"http://127.0.0.1:{port}/join")
        except httpx.TransportError:
            time.sleep(0.05)
        else:
            return
    process.kill()
    raise AssertionError(f"The server did not come up: {process.communicate()[0]}")


def tap(port: int, piece_id: int, tap: Tap) -> httpx.Response:
    """Tap as a form does without scripts."""
    return ASKING.post(
        f"http://127.0.0.1:{port}/pieces/{piece_id}/{tap.kind}",
        data={"card": tap.card, "turn": tap.turn},
    )
