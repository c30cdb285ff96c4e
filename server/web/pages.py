"""All pages the weaver sees, in one list for the application."""

from __future__ import annotations

from fastapi import APIRouter

from server.web import (
    at_loom,
    differently,
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
    standing,
    walks_ahead,
    worker,
)

routers: list[APIRouter] = [
    hold.router,  # first, because it is asked most
    pieces.router,
    plan.router,
    at_loom.router,
    follow.router,
    standing.router,
    log.router,
    piece_settings.router,
    preferences.router,
    put_right.router,
    differently.router,
    notes.router,
    walks_ahead.router,
    help_card.router,
    worker.router,
]
