"""All pages the weaver sees, in one list for the application."""

from __future__ import annotations

from fastapi import APIRouter

from server.web import at_loom, log, pieces, plan, preferences, standing

routers: list[APIRouter] = [
    pieces.router,
    plan.router,
    at_loom.router,
    standing.router,
    log.router,
    preferences.router,
]
