"""What is read from and written to a terminal."""

from __future__ import annotations

import contextlib
import ipaddress
import os
import signal
import socket
import sys
import threading
import time
from itertools import count
from pathlib import Path
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    from server.plan.planner import Progress

# the command begins with this file: what takes long to load is loaded where a Ctrl-C is heard already

FAILED, UNUSABLE, NO_PLAN = 1, 2, 3

MOST_BYTES = 20_000_000
"""The largest file that is read."""


class Unreadable(Exception):
    """A file cannot be read; the message says why."""


def plain(text: str) -> str:
    """The text without anything that a terminal would obey: control characters, changes of direction."""
    return "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text)


def say(text: str, stream: TextIO | None = None) -> None:
    """Write lines, made plain; a letter that the terminal does not know becomes a question mark."""
    stream = stream or sys.stdout
    encoding = stream.encoding or "utf-8"
    for line in text.split("\n"):
        print(plain(line).encode(encoding, "replace").decode(encoding), file=stream)


def complain(text: str) -> None:
    """Write a sentence on standard error, made plain."""
    say(f"spareshaft: {text}", sys.stderr)


def read_file(name: str) -> bytes:
    """A file's content, "-" being standard input.

    Raises:
        Unreadable: if it cannot be read or is larger than `MOST_BYTES`.
    """
    try:
        if name == "-":
            content = sys.stdin.buffer.read(MOST_BYTES + 1)
        else:
            with Path(name).open("rb") as file:
                content = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise Unreadable(f"{name}: there is no such file.") from None
    except IsADirectoryError:
        raise Unreadable(f"{name}: this is a folder; name a file in it.") from None
    except PermissionError:
        raise Unreadable(f"{name}: you may not read this file.") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise Unreadable(f"{name}: the file cannot be read: {why}.") from None
    if len(content) > MOST_BYTES:
        raise Unreadable(f"{name}: the file is larger than {MOST_BYTES // 1_000_000} MB; no piece is.")
    return content


class ProgressLine:
    """Tells on standard error how far a plan has come, once it takes longer than a second.

    Use it in `with`, and hand it to the planner as `progress`. On a terminal one line is rewritten
    in place every second; elsewhere a line is added every five.
    """

    def __init__(self, stream: TextIO, first: float = 1.0) -> None:
        self._stream = stream
        self._first = first
        self._in_place = stream.isatty()
        self.latest: Progress | None = None
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._tell, daemon=True)
        self._told = False

    def __call__(self, progress: Progress) -> None:
        """Take the planner's latest word."""
        self.latest = progress

    def __enter__(self) -> ProgressLine:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        self._thread.join()
        if self._told and self._in_place:
            self._write("\r\x1b[K")

    def _tell(self) -> None:
        started, pause = time.monotonic(), self._first
        while not self._ended.wait(pause):
            pause = 1.0 if self._in_place else 5.0
            line = _progress_sentence(time.monotonic() - started, self.latest)
            self._write(f"\r\x1b[K{line}" if self._in_place else f"{line}\n")
            self._told = True

    def _write(self, text: str) -> None:
        try:
            self._stream.write(text)
            self._stream.flush()
        except (OSError, ValueError):
            self._ended.set()  # nobody reads it; the plan is worth more


class CtrlC:
    """Makes the first Ctrl-C a wish that a search end with the best found so far; the second ends all.

    Use it in `with`; ask it, by calling it, whether the search is to end. Outside of the main thread, which
    no Ctrl-C reaches, nothing is changed.
    """

    def __init__(self, status: int) -> None:
        """Args: status: with which the second one ends the program."""
        self.pressed = False
        self._presses = count(1)
        self.left_running = False  # whether a solver that does not hear runs on
        self._status = status
        self._before: Any = None

    def __call__(self) -> bool:
        """Whether it was pressed."""
        return self.pressed

    def __enter__(self) -> CtrlC:
        if threading.current_thread() is threading.main_thread():
            self._before = signal.signal(signal.SIGINT, self._press)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _press(self, number: int, frame: FrameType | None) -> None:
        again = next(self._presses) > 1  # the second may come while the first is still being answered
        self.pressed = True
        with contextlib.suppress(OSError, ValueError, RuntimeError):  # the last: it was being written to
            if again:
                complain("stopped.")
            else:
                complain("ending with the best plan so far. Ctrl-C once more ends it without.")
            sys.stderr.flush()
        if again:  # no exception: the solver does not let go of its thread
            os._exit(self._status)


def _progress_sentence(seconds: float, latest: Progress | None) -> str:
    minutes, found = (latest.minutes, latest.bound) if latest else (None, None)
    best = "no plan yet" if minutes is None else f"best so far {minutes:.1f} minutes"
    bound = "" if found is None else f", none takes fewer than {found:.1f}"
    return f"Planning, {seconds:.0f} s: {best}{bound}."


def own_addresses() -> list[str]:
    """The IPv4 addresses, other than loopback, at which this machine may be reached; the likeliest first."""
    found: list[str] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe, contextlib.suppress(OSError):
        # asks the system which way out it would take; nothing is sent (the address is RFC 5737's)
        probe.connect(("192.0.2.1", 9))
        found.append(probe.getsockname()[0])
    with contextlib.suppress(OSError):
        entries = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        found += [str(entry[4][0]) for entry in entries]
    own = [address for address in found if not _is_useless(address)]
    return list(dict.fromkeys(own))


def _is_useless(address: str) -> bool:
    parsed = ipaddress.ip_address(address)
    return parsed.is_loopback or parsed.is_unspecified


def tell_how_to_join(addresses: list[str], port: int, code: str) -> None:
    """Print the addresses, the join code, and both as a QR code."""
    import segno

    if not addresses:
        say("This computer seems to be on no network; no other device can reach it yet.")
        return
    roots = [f"http://{f'[{address}]' if ':' in address else address}:{port}/" for address in addresses]
    say("On a tablet or phone in the same network open")
    for root in roots:
        say(f"  {root}")
    say(f"and type the join code {code}, or point its camera here:")
    try:
        qr = segno.make(f"{roots[0]}join?code={code}", error="m")
        qr.terminal(out=sys.stdout, border=2, compact=True)
    except UnicodeEncodeError:
        say("(This terminal cannot show the picture.)")
