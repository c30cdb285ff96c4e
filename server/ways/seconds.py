"""How long a question may take, as its options say it, and whether that time is up."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # questions knows this module
    from server.ways.questions import Tell


def seconds_in(options: Mapping[str, Any], usual: float, most: float) -> float:
    """The seconds that a question may take: its option `limit`.

    Args:
        usual: where the options say nothing.
        most: it may take no more.

    Raises:
        ValueError: with a sentence, if that is no number of seconds, or more than `most`.
    """
    limit = options.get("limit", usual)
    if isinstance(limit, bool) or not isinstance(limit, int | float) or not 0 < limit <= most:
        raise ValueError(f"It may take from 0 to {most:,.0f} seconds.")
    return float(limit)


def up_after(seconds: float, tell: Tell | None = None) -> Callable[[], bool]:
    """Whether so many seconds from now have passed, or the best found so far shall be the answer.

    A planner that has found no order when its time is up looks on for one, without an end, unless it is told
    to stop.
    """
    until = time.monotonic() + seconds
    return lambda: time.monotonic() >= until or (tell is not None and tell.is_enough())
