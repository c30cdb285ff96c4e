"""A real server process that can be asked, killed and started again."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import httpx

from server.session.place import Tap

PATIENCE = 30.0
"""Seconds for a server to come up or to end. Far more than either takes."""

# for all requests, each on a connection of its own: a new client reads certificates, longer than a tap takes
ASKING = httpx.Client(timeout=PATIENCE, limits=httpx.Limits(max_keepalive_connections=0))


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def running(
    data: Path,
    port: int,
    *options: str,
    command: Sequence[str] = (sys.executable, "-m", "server"),
    cwd: Path | None = None,
) -> Iterator[subprocess.Popen[str]]:
    """A server that answers on `port`; it is killed at the end."""
    words = [*command, "--port", str(port), "--data", str(data), *options]
    environment = {key: value for key, value in os.environ.items() if cwd is None or key != "PYTHONPATH"}
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=cwd, env=environment
    ) as process:
        try:
            _wait_for(process, port)
            yield process
        finally:
            process.kill()
            process.wait(PATIENCE)


def _wait_for(process: subprocess.Popen[str], port: int) -> None:
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
