"""Plans take a processor for seconds, pictures take memory: only so many at once, and only so many wait."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from server.web.rendering import NotUnderstood

AT_ONCE = 2
"""More would only slow down each other, and the instruction page."""
MOST_WAITING = 6
"""Each waits in a thread that taps need as well, and there are forty."""


class Turns:
    """Turns at something that not all can do at once. Each who waits holds a thread."""

    def __init__(self, at_once: int, most_waiting: int, busy: str) -> None:
        """Args: busy: the sentence for who is turned away."""
        self._working = threading.BoundedSemaphore(at_once)
        self.places = threading.BoundedSemaphore(at_once + most_waiting)
        self._busy = busy

    @contextmanager
    def __call__(self) -> Iterator[None]:
        """Wait for a turn, and take it.

        Raises:
            NotUnderstood: at once, where too many wait already.
        """
        if not self.places.acquire(blocking=False):
            raise NotUnderstood(self._busy)
        try:
            with self._working:
                yield
        finally:
            self.places.release()


turn_to_plan = Turns(
    AT_ONCE,
    MOST_WAITING,
    "Other plans are being worked out already, so nothing was changed. Try again in a moment.",
)

turn_to_read = Turns(
    1, 3, "Other pictures are being read just now, so nothing was changed. Try again in a moment."
)
"""Each who waits holds a file of 20 MB at most."""
