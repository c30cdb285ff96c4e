"""The log: what was done when, newest first, and as a table to take away."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import datetime

from fastapi import APIRouter, HTTPException, Request
from starlette.responses import Response

from server.session.log_words import is_about_temporaries, log_words
from server.session.naming import Naming
from server.store.weavings import Weaving
from server.web.rendering import naming_of, page, weaving_of

router = APIRouter()

COUNTED = "what (shafts counted from the weaver, units from her left)"
"""Says in the table how it counts."""


@dataclass(frozen=True, slots=True)
class LogLine:
    """One thing that was done."""

    turn: int
    at: datetime
    text: str
    row: int
    is_back: bool
    is_walk: bool


def log_lines(weaving: Weaving, only_temporaries: bool, naming: Naming) -> list[LogLine]:
    """The log in words, newest first."""
    decks = weaving.decks
    return [
        LogLine(
            turn=entry.turn,
            at=entry.at,
            text=log_words(decks, entry.kind, entry.detail, entry.before, naming),
            row=decks.at(entry.before).row,
            is_back=entry.kind in ("back", "again", "too_far", "undo", "strike"),
            is_walk=entry.kind == "next" and decks.at(entry.before).kind == "walk",
        )
        for entry in reversed(weaving.log)
        if not only_temporaries or is_about_temporaries(decks, entry.kind, entry.before)
    ]


def _only(only: str) -> bool:
    if only not in ("", "temporaries"):
        raise HTTPException(422, "The log can show everything, or temporaries only.")
    return only == "temporaries"


@router.get("/pieces/{piece}/log")
def show_log(request: Request, piece: str, only: str = "") -> Response:
    """The log of a piece."""
    weaving = weaving_of(request, piece)
    chosen = _only(only)
    lines = log_lines(weaving, chosen, naming_of(request, weaving))
    return page("log.html", weaving=weaving, lines=lines, only=chosen)


@router.get("/pieces/{piece}/log.csv")
def log_table(request: Request, piece: str, only: str = "") -> Response:
    """The log as a table, oldest first, UTF-8. Like every file it counts as the piece's file does."""
    weaving = weaving_of(request, piece)
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(["number", "time (UTC)", "piece", "row", COUNTED])
    for line in reversed(log_lines(weaving, _only(only), Naming.on(weaving.piece.loom))):
        row = [str(line.turn), f"{line.at:%Y-%m-%d %H:%M:%S}", weaving.piece.name, str(line.row), line.text]
        table.writerow([harmless(cell) for cell in row])
    return Response(
        text.getvalue().encode("utf-8-sig", "replace"),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="log-{weaving.id}.csv"'},
    )


def harmless(cell: str) -> str:
    """A cell that no table program takes for a formula."""
    is_risky = cell.lstrip().startswith(("=", "+", "-", "@")) or cell.startswith(("\t", "\r", "\n"))
    return f"'{cell}" if is_risky else cell
