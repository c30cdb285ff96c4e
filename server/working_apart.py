"""The process that works questions out, apart from the server: `python -m server.working_apart`.

It reads a question a line, and writes what it has to tell a line, all JSON; with an answer, whether it ends
after it. When the server is gone, however that came about, what it reads from ends, and it ends, too, in the
middle of whatever it does.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import queue
import sys
import threading
import time
from collections.abc import Callable
from typing import Any, BinaryIO

from server.ways.questions import outcome

EVERY = 0.25
"""Seconds: what is told more often is told the next time."""

GRACE = 2.0
"""Seconds that a solver, which hears nothing deep in its work, has to end with the best so far."""

LOWER = 10
"""By how much its priority is lowered, so that taps are answered at once."""


class Telling:
    """Tells the server how far a question is."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._enough = threading.Event()
        self._next = 0.0
        self._told: dict[str, Any] = {}
        self._best: Callable[[], dict[str, Any]] | None = None
        self._lock = threading.Lock()
        self._is_answered = False

    def enough(self) -> None:
        """The best found so far shall be the answer, soon, whatever the solver does."""
        self._enough.set()
        timer = threading.Timer(GRACE, self._break_off)
        timer.daemon = True
        timer.start()

    def answer(self, content: dict[str, Any]) -> None:
        """Write how it ended, once."""
        with self._lock:
            if not self._is_answered:
                self._is_answered = True
                write(self._stream, content)

    def _break_off(self) -> None:
        """Answer with the best so far, and end: the solver cannot be told to let go."""
        with self._lock:
            if self._is_answered or self._best is None:
                return
            content = self._best()  # if that goes wrong the solver still answers
            self._is_answered = True
            write(self._stream, {"state": "answered", "content": content, "ends": True})
            os._exit(0)

    def __call__(
        self,
        words: str = "",
        share: float | None = None,
        /,
        *,
        minutes: float | None = None,
        bound: float | None = None,
        best: Callable[[], dict[str, Any]] | None = None,
    ) -> None:
        """See `server.ways.questions.Tell`."""
        told = {"words": words, "share": share, "minutes": minutes, "bound": bound}
        self._best = best or self._best
        self._told |= {name: value for name, value in told.items() if value not in (None, "")}
        if (now := time.monotonic()) >= self._next:
            self._next = now + EVERY
            with self._lock:
                if not self._is_answered:
                    write(self._stream, {"told": self._told})

    def is_enough(self) -> bool:
        """See `server.ways.questions.Tell`."""
        return self._enough.is_set()


def write(stream: BinaryIO, content: dict[str, Any]) -> None:
    """Write a line."""
    stream.write(json.dumps(content).encode() + b"\n")
    stream.flush()


def main() -> None:
    """Work questions out until the server is gone."""
    _behave()
    # whatever a solver prints goes where complaints go
    told = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    asked: queue.SimpleQueue[tuple[dict[str, Any], Telling]] = queue.SimpleQueue()

    def listen() -> None:
        telling = Telling(told)
        try:
            for line in sys.stdin.buffer:
                content = json.loads(line)
                if content == "enough":
                    telling.enough()
                else:
                    telling = Telling(told)
                    asked.put((content, telling))
        finally:  # the server is gone, perhaps in the middle of a line; or a line is too much to be read
            os._exit(0)

    threading.Thread(target=listen, daemon=True).start()
    with contextlib.suppress(BrokenPipeError):
        while True:
            question, telling = asked.get()
            try:
                ended = outcome(question["kind"], question["piece_text"], question["options"], telling)
                answer = {"state": ended.state, "content": ended.content, "ends": False}
            except Exception:  # a fault of ours; MemoryError, too
                logging.exception("A question could not be worked out.")
                answer = {"state": "dropped", "content": {"fault": True}, "ends": False}
            telling.answer(answer)


def _behave() -> None:
    """Give way to the server: let it go first, and be the one that is ended where memory is short."""
    if hasattr(os, "nice"):
        os.nice(LOWER)
    with contextlib.suppress(OSError), open("/proc/self/oom_score_adj", "w", encoding="ascii") as file:
        file.write("800")


if __name__ == "__main__":
    main()
