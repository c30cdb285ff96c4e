"""Working out what takes long, outside of the requests: one question at a time, the others wait in order.

What waits and what came of it is in the database (`server.store.worked_out`), so that a server that was
started anew goes on with it. How far the present question is stands in memory only.
"""

from __future__ import annotations

import json
import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Protocol, TypeVar

from server.design.piece_file import Unusable, read_piece
from server.plan.replay import Mismatch
from server.store.database import Store, StoreFailure
from server.store.worked_out import FAULT, Kept, TooManyWait, Wanted
from server.ways.questions import Outcome, check_kept, key_of, outcome

__all__ = ["Told", "TooManyWait", "Workroom", "workroom"]

MOST_UNFINISHED = 8
"""Questions that are worked on or wait."""

PATIENCE, PATIENCE_HERE = 1.5, 60.0
"""Seconds that a request waits for an answer; what takes longer gets a page of its own. Here: in tests."""

STARTING = 2.5
"""Seconds that it waits longer where the process has to be started first."""

MOST_PATIENT = 6
"""Requests that wait at once: each holds a thread that taps need as well, and there are forty."""

PAUSES = (1.0, 5.0, 25.0)
"""Seconds after which a file that another program holds is tried again, beside what each try waits for it."""

LOOKING = 1.0
"""Seconds after which it is looked whether another server has stopped what is worked on."""

_log = logging.getLogger("spareshaft")

_Done = TypeVar("_Done")


@dataclass(frozen=True, slots=True)
class Told:
    """How far a question is.

    Attributes:
        seconds: since it was begun.
        words: what was told last; "" for nothing.
        share: of the work that is done, 0 … 1; None: nobody knows.
        minutes: of the best plan so far; None: none yet, or it is no plan that is asked for.
        bound: no plan takes fewer minutes; None: nothing known yet.
        is_enough: whether the best so far is being taken.
    """

    seconds: float
    words: str = ""
    share: float | None = None
    minutes: float | None = None
    bound: float | None = None
    is_enough: bool = False


class Job:
    """A question that is being worked out. It is `Tell` to whoever works it out in this process."""

    def __init__(self, kept: Kept) -> None:
        """It begins now."""
        self.kept = kept
        self.is_stopped = False
        self._began = time.monotonic()
        self._enough = threading.Event()
        self._told: dict[str, Any] = {}

    @property
    def told(self) -> Told:
        """How far it is."""
        return Told(time.monotonic() - self._began, **self._told, is_enough=self.is_enough())

    def take(self, told: Mapping[str, Any]) -> None:
        """Take what is told of it."""
        known = ("words", "share", "minutes", "bound")
        self._told = self._told | {name: told[name] for name in known if told.get(name) not in (None, "")}

    def enough(self) -> None:
        """The best found so far shall be the answer."""
        self._enough.set()

    def is_enough(self) -> bool:
        """Whether it shall."""
        return self._enough.is_set()

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
        self.take({"words": words, "share": share, "minutes": minutes, "bound": bound})
        if self.is_stopped:
            raise _Stopped


class _Stopped(Exception):
    """A question is not to be worked out any more."""


class Worker(Protocol):
    """Works one question out after another."""

    @property
    def is_ready(self) -> bool:
        """Whether it can begin at once."""

    def work(self, job: Job) -> Outcome | None:
        """Work it out; None where that came to nothing, because it was stopped or the worker died."""

    def enough(self, job: Job) -> None:
        """The best found so far shall be the answer."""

    def stop(self, job: Job) -> None:
        """Let go of it."""

    def close(self) -> None:
        """End."""


class Here:
    """Works questions out in this process: for tests."""

    is_ready = True

    def work(self, job: Job) -> Outcome | None:
        """See `Worker`."""
        with suppress(_Stopped):
            try:
                return outcome(job.kept.kind, job.kept.piece_text, job.kept.options, job)
            except _Stopped:
                raise
            except Exception:
                _log.exception("A question could not be worked out.")
                return Outcome("dropped", FAULT)
        return None

    def enough(self, job: Job) -> None:
        """See `Worker`."""
        job.enough()

    def stop(self, job: Job) -> None:
        """See `Worker`. It lets go the next time that it tells something."""
        job.is_stopped = True

    def close(self) -> None:
        """See `Worker`."""


class Apart:
    """Works questions out in a process of its own, which is kept for the next one, and killed to stop it."""

    def __init__(self) -> None:
        """It is started when it is first needed."""
        self._process: subprocess.Popen[bytes] | None = None
        self._job: Job | None = None
        self._lock = threading.Lock()

    @property
    def is_ready(self) -> bool:
        """See `Worker`."""
        process = self._process
        return process is not None and process.poll() is None

    def work(self, job: Job) -> Outcome | None:
        """See `Worker`."""
        asked = {"kind": job.kept.kind, "piece_text": job.kept.piece_text, "options": job.kept.options}
        ended, ends = None, True
        with self._lock:
            if job.is_stopped:
                return None
            if self._process is None or self._process.poll() is not None:
                self._let_go()
                self._process = _start()
            process, self._job = self._process, job
        assert process.stdout is not None
        with suppress(OSError, ValueError):
            self._send(process, asked)
            for line in process.stdout:
                content = json.loads(line)
                if "told" not in content:
                    ended, ends = Outcome(content["state"], content["content"]), content["ends"]
                    break
                job.take(content["told"])
        with self._lock:
            self._job = None
            if ends or job.is_stopped:  # it may seem to be there for a moment longer
                self._let_go()
        return ended

    def _let_go(self) -> None:
        """End the process, if there is one. The lock is held."""
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            with suppress(OSError):
                if pipe is not None:
                    pipe.close()

    def _send(self, process: subprocess.Popen[bytes], content: object) -> None:
        assert process.stdin is not None
        process.stdin.write(json.dumps(content).encode() + b"\n")
        process.stdin.flush()

    def enough(self, job: Job) -> None:
        """See `Worker`."""
        job.enough()
        with self._lock, suppress(OSError, ValueError):
            if self._process is not None and self._job is job:
                self._send(self._process, "enough")

    def stop(self, job: Job) -> None:
        """See `Worker`."""
        with self._lock:
            job.is_stopped = True
            if self._process is not None and self._job is job:
                self._process.kill()

    def close(self) -> None:
        """See `Worker`."""
        with self._lock:
            self._let_go()


def _start() -> subprocess.Popen[bytes]:
    """A process that listens. It is no child of the terminal: Ctrl-C there is for the server alone."""
    here = str(Path(__file__).parent.parent)
    paths = [here, *filter(None, [os.environ.get("PYTHONPATH")])]
    return subprocess.Popen(
        [sys.executable, "-m", "server.working_apart"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(paths)},
    )


class Workroom:
    """All that is asked of one server and takes long. Any thread may ask.

    Every method may raise `StoreFailure`; then nothing was changed.
    """

    def __init__(self, store: Store, worker: Worker, patience: float) -> None:
        """Nothing is worked out yet.

        Args:
            patience: seconds that a request waits for an answer.
        """
        self.patience = patience
        self.most_unfinished = MOST_UNFINISHED
        self._kept = store.worked_out
        self._worker = worker
        self._server = os.getpid()
        self._ended = threading.Condition()
        self._patient = threading.BoundedSemaphore(MOST_PATIENT)
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._job: Job | None = None
        self._is_closed = False

    def go_on(self) -> None:
        """Go on with what a server that is gone has left, and with what was left by this one."""
        for due in self._kept.pieces_due():
            self._keep_piece(due)
        self._take_over()

    def _take_over(self) -> None:
        self._kept.adopt(self._server, _is_alive)
        self._wake()

    def ask(
        self,
        kind: str,
        piece_text: str,
        options: Mapping[str, Any],
        *,
        anew: bool = False,
        wanted: Wanted | None = None,
    ) -> tuple[Kept, int | None]:
        """The question, ended if it was answered before, or is within the patience of a request.

        Args:
            anew: whether one that was stopped or dropped is begun once more.
            wanted: the piece that is to be among the pieces when its plan is there.

        Returns:
            The question, and the id of the piece to come.

        Raises:
            Unusable: if the text is no piece.
            ValueError: if the options are no JSON.
            TooManyWait: then nothing was changed.
        """
        piece = read_piece(piece_text)
        key = key_of(kind, piece, options)
        for _ in range(2):
            with self._room_soon():
                kept, to_come = self._kept.ask(
                    key,
                    kind,
                    piece_text,
                    options,
                    server=self._server,
                    most=self.most_unfinished,
                    serves=_serving(options) if kind == "plan" else lambda _: True,
                    anew=anew,
                    wanted=wanted,
                )
            if kept.is_unfinished:
                self.look_after(kept)
                kept = self._wait_for(kept)
            if kept.state not in ("answered", "refused"):
                break
            try:
                if kept.state == "answered" and to_come is not None:
                    self._kept.keep_piece(to_come)
                else:
                    check_kept(kind, piece, Outcome(kept.state, kept.content))
                break
            except Mismatch:
                _log.exception("What was kept is no answer to this question; it is worked out anew.")
                self._kept.drop_answer(kept.id)
                kept = replace(kept, state="dropped", content=FAULT)
        return kept, to_come

    def _wait_for(self, kept: Kept) -> Kept:
        if not self._patient.acquire(blocking=False):
            return kept
        try:
            until = time.monotonic() + self.patience + (0.0 if self._worker.is_ready else STARTING)
            with self._ended:
                while (left := until - time.monotonic()) > 0 and kept.is_unfinished:
                    self._ended.wait(min(left, 0.5))  # another server may be at it, and does not tell us
                    kept = self._kept.question(kept.id, with_text=False) or kept
            return kept
        finally:
            self._patient.release()

    @contextmanager
    def _room_soon(self) -> Iterator[None]:
        """Where too many wait: see to it that they are worked out, also where their server is gone."""
        try:
            yield
        except TooManyWait:
            self._take_over()
            raise

    def look_after(self, kept: Kept) -> None:
        """See to it that a question that is unfinished is worked out."""
        if kept.server == self._server:
            self._wake()
        else:
            self._take_over()

    def told(self, question: int) -> Told | None:
        """How far a question is; None: it is not being worked out here."""
        job = self._job
        return job.told if job is not None and job.kept.id == question else None

    def is_elsewhere(self, kept: Kept) -> bool:
        """Whether another server works on it."""
        return kept.state == "working" and kept.server != self._server

    def enough(self, question: int) -> bool:
        """The best plan found so far shall be the answer; False, and nothing happens, where there is none."""
        with self._lock:
            job = self._job
            if job is None or job.kept.id != question or job.told.minutes is None:
                return False
        self._worker.enough(job)
        return True

    def stop(self, question: int) -> None:
        """Stop working a question out, if it has not ended yet."""
        if not self._kept.end(question, "stopped", {}):
            return
        with self._lock:
            job = self._job
        if job is not None and job.kept.id == question:
            self._worker.stop(job)
        self._tell_ended()

    def again(self, question: int, to_come: int | None) -> None:
        """Begin a question once more that was stopped or dropped; of any other, wait for the piece again.

        Raises:
            TooManyWait: then nothing was changed.
        """
        with self._room_soon():
            self._kept.again(question, to_come, server=self._server, most=self.most_unfinished)
        self.keep_pieces(question)
        self._wake()

    def keep_pieces(self, question: int) -> None:
        """Put the pieces among the pieces that wait for this plan."""
        for due in self._kept.pieces_due(question):
            self._keep_piece(due)

    def close(self) -> None:
        """End; what is not answered waits for the next server."""
        with self._lock:
            self._is_closed = True
            job, thread = self._job, self._thread
        if job is not None:
            with suppress(StoreFailure):
                self._kept.give_back(job.kept.id)
            self._worker.stop(job)
        self._worker.close()
        if thread is not None:
            thread.join(5.0)

    # --- the thread ----------------------------------------------------------------------------------

    def _wake(self) -> None:
        with self._lock:
            if self._thread is None and not self._is_closed:
                self._thread = threading.Thread(target=self._work, name="working", daemon=True)
                self._thread.start()

    def _work(self) -> None:
        """Work out what waits, until nothing does."""
        try:
            while (job := _tried(self._next)) is not None:
                with self._looked_after(job):
                    ended = self._worker.work(job)
                if self._is_closed:
                    return
                if ended is not None:
                    end = partial(self._kept.end, job.kept.id, ended.state, ended.content)
                    _tried(partial(end, server=self._server))
                    _tried(partial(self.keep_pieces, job.kept.id))
                self._tell_ended()
        except Exception:
            _log.exception("What takes long cannot be worked out just now.")
            with self._lock:
                self._job = self._thread = None

    @contextmanager
    def _looked_after(self, job: Job) -> Iterator[None]:
        """Look now and then whether it is still to be worked out; a solver may tell nothing for long."""
        is_done = threading.Event()

        def look() -> None:
            while not is_done.wait(LOOKING):
                with suppress(StoreFailure):
                    kept = self._kept.question(job.kept.id, with_text=False)
                    if kept is None or (kept.state, kept.server) != ("working", self._server):
                        self._worker.stop(job)
                        return
                    if self._kept.is_long_ago(kept):
                        self._kept.still_works(kept.id, self._server)

        threading.Thread(target=look, name="looking", daemon=True).start()
        try:
            yield
        finally:
            is_done.set()

    def _next(self) -> Job | None:
        with self._lock:
            kept = None if self._is_closed else self._kept.begin_next(self._server)
            self._job = None if kept is None else Job(kept)
            if kept is None:
                self._thread = None
            return self._job

    def _keep_piece(self, to_come: int) -> None:
        try:
            self._kept.keep_piece(to_come)
        except (Mismatch, Unusable):
            _log.exception("A plan does not weave the piece it was made for.")

    def _tell_ended(self) -> None:
        with self._ended:
            self._ended.notify_all()


def workroom(store: Store, apart: bool) -> Workroom:
    """Where a server works things out: in a process apart, or in its own."""
    return Workroom(store, Apart(), PATIENCE) if apart else Workroom(store, Here(), PATIENCE_HERE)


def _tried(do: Callable[[], _Done]) -> _Done:
    """Do it; a file that another program holds is waited for, as nobody may come to ask for it again."""
    for pause in PAUSES:
        try:
            return do()
        except StoreFailure:
            time.sleep(pause)
    return do()


def _serving(options: Mapping[str, Any]) -> Callable[[Kept], bool]:
    """Whether a plan of the same piece will do where one may take so long."""
    limit = _seconds(options)

    def serves(kept: Kept) -> bool:
        if kept.is_unfinished:
            return _seconds(kept.options) >= limit
        return kept.content.get("proven") is True or _seconds(kept.content) >= limit

    return serves


def _seconds(content: Mapping[str, Any]) -> float:
    """The limit in what was kept; 0 where there is none."""
    limit = content.get("limit")
    return float(limit) if isinstance(limit, int | float) else 0.0


def _is_alive(server: int) -> bool:
    """Whether the process of that number runs, as far as can be told."""
    if os.name != "posix":
        return False
    try:
        os.kill(server, 0)
    except ProcessLookupError:
        return False
    except PermissionError:  # there is one, of somebody else
        return True
    return True
