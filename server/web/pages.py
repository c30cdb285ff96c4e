"""All pages the weaver sees, in one list for the application."""

from __future__ import annotations

from fastapi import APIRouter

from server.web import (
    at_loom,
    bands,
    bring,
    cloth,
    designs,
    differently,
    files,
    follow,
    help_card,
    hold,
    log,
    notes,
    piece_settings,
    pieces,
    plan,
    preferences,
    put_right,
    sheets,
    squared,
    standing,
    walks_ahead,
    warps,
    worker,
)

routers: list[APIRouter] = [
    hold.router,  # first, because it is asked most
    pieces.router,
    plan.router,
    at_loom.router,
    follow.router,
    standing.router,
    sheets.router,
    files.router,
    log.router,
    piece_settings.router,
    preferences.router,
    put_right.router,
    differently.router,
    notes.router,
    walks_ahead.router,
    warps.router,
    designs.router,
    bands.router,
    help_card.router,
    worker.router,
    cloth.router,
    bring.router,
    squared.router,  # last: the address of a design fits /designs/new, too
]
