"""The service worker's script, at the root: a worker is in charge of what lies below its own address."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from server.web.static_files import content_of

router = APIRouter()


@router.get("/worker.js", include_in_schema=False)
def worker() -> Response:
    """The script, asked for anew each time: an old worker must not outlive an update."""
    return Response(content_of("worker.js"), media_type="text/javascript; charset=utf-8")
