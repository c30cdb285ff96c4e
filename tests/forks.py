"""A process that has read the server's code and splits off servers, each up at once; and their ports."""

from __future__ import annotations

import multiprocessing
import os
import random
import socket
import sys
from collections.abc import Sequence
from contextlib import suppress
from itertools import count
from multiprocessing.process import BaseProcess
from pathlib import Path

from server.cli import main

_FORKS = multiprocessing.get_context("forkserver")
_FORKS.set_forkserver_preload(["tests.preload"])

# below those that a system gives out by itself: nobody is given a server's port before it is up, or while it
# is down. Two processes that run tests begin far apart as a rule
_PORTS = range(20_000, 32_000)
_NUMBERS = count(random.SystemRandom().randrange(len(_PORTS)))


def free_port() -> int:
    """A port that nobody listens on."""
    while True:
        port = _PORTS[next(_NUMBERS) % len(_PORTS)]
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


def split_off(command: Sequence[str], log: Path) -> BaseProcess:
    """A process with these options of the command; what it says goes to a file."""
    process = _FORKS.Process(target=_serve, args=(command, log), daemon=True)
    process.start()
    return process


def _serve(command: Sequence[str], log: Path) -> None:
    said = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    for stream in (1, 2):
        os.dup2(said, stream)
    sys.exit(main(command))
