"""A process that has read the server's code and splits off servers: each comes up at once."""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections.abc import Sequence
from multiprocessing.process import BaseProcess
from pathlib import Path

from server.cli import main

_FORKS = multiprocessing.get_context("forkserver")
_FORKS.set_forkserver_preload(["tests.preload"])


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
