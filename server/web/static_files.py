"""Styles and scripts, under an address that changes with their content, so that browsers may keep them."""

from __future__ import annotations

import hashlib
from functools import cache

from fastapi import APIRouter, HTTPException
from starlette.responses import Response

from server.settings import htmx_file, resource_dir

router = APIRouter()

_MEDIA_TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".webmanifest": "application/manifest+json",
}
_A_YEAR = "public, max-age=31536000, immutable"


@cache
def _files() -> dict[str, bytes]:
    """All files that may be asked for, by their path below the address; htmx as "htmx.js"."""
    folder = resource_dir("static")
    files = {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.suffix in _MEDIA_TYPES
    }
    files["htmx.js"] = htmx_file().read_bytes()
    return files


@cache
def version() -> str:
    """A digest of all files and their names: twelve hexadecimal digits."""
    digest = hashlib.sha256()
    for name, content in sorted(_files().items()):
        digest.update(f"{name} {len(content)} ".encode())
        digest.update(content)
    return digest.hexdigest()[:12]


def static_url(path: str) -> str:
    """The address of a file.

    Args:
        path: its path below the static folder, or "htmx.js".

    Raises:
        KeyError: if there is no such file.
    """
    if path not in _files():
        raise KeyError(f"no static file {path!r}")
    return f"/static/{version()}/{path}"


def content_of(path: str) -> bytes:
    """A file's content.

    Args:
        path: its path below the static folder, or "htmx.js".
    """
    return _files()[path]


@router.get("/static/{asked}/{path:path}", include_in_schema=False)
def static_file(asked: str, path: str) -> Response:
    """One file, to be kept for a year; nothing under the address of another version."""
    content = _files().get(path)
    if content is None or asked != version():
        raise HTTPException(404)
    kind = path[path.rindex(".") :]
    headers = {"Cache-Control": _A_YEAR}
    if kind in (".css", ".js"):  # the strictest policy is the shortest too, and goes with each of them
        headers["Content-Security-Policy"] = "default-src 'none'"
    return Response(content, media_type=_MEDIA_TYPES[kind], headers=headers)
