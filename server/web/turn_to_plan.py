"""Plans take a processor for seconds; only so many are worked out at once, and only so many wait."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from server.web.rendering import NotUnderstood

AT_ONCE = 2
"""More would only slow down each other, and the instruction page."""
MOST_WAITING = 6
"""Each waits in a thread that taps need as well, and there are forty."""

_working = threading.BoundedSemaphore(AT_ONCE)
_places = threading.BoundedSemaphore(AT_ONCE + MOST_WAITING)


@contextmanager
def turn_to_plan() -> Iterator[None]:
    """Wait until a plan may be worked out.

    Raises:
        NotUnderstood: at once, where too many wait already.
    """
    if not _places.acquire(blocking=False):
        raise NotUnderstood(
            "Other plans are being worked out already, so nothing was changed. Try again in a moment."
        )
    try:
        with _working:
            yield
    finally:
        _places.release()
