"""Who may come in, and what goes with every answer: the one middleware around all pages."""

from __future__ import annotations

import logging
import re

from fastapi import Request
from python_multipart.multipart import parse_options_header
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from server.settings import LOOPBACK, Settings
from server.web.device import asking, device_of
from server.web.entry import COOKIE, has_joined, is_this_computer, join_page, sentence_page
from server.web.rendering import answering
from server.web.static_files import static_url

MOST_UPLOAD = 1_048_576
"""Bytes of a piece file brought in by a form."""
_FORM = 16_384  # the form around the file
_MOST_BODY = MOST_UPLOAD + _FORM

MOST_PICTURE = 20 * 1_048_576
"""Bytes of a photograph put on a row, or a picture brought into a design; no other address takes so much."""
_TAKES_PICTURES = re.compile(
    r"/pieces/[0-9]{1,9}/notes|(?:/designs/[0-9]{1,9})?/bring(?:/preview)?", re.ASCII
)

MOST_LARGE = 3
"""Requests that may carry a picture, at once: each is held whole."""

_SAFE = ("GET", "HEAD", "OPTIONS")

BEFORE_JOINING = ("looks.css", "join.css")
"""All that a device may load that has not joined."""

_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",  # not "no-referrer": browsers would then hide a form's Origin from us
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}

_log = logging.getLogger("spareshaft")


class Guard:
    """Checks each request before anything else sees it."""

    def __init__(self, app: ASGIApp, settings: Settings, database: str) -> None:
        self.app = app
        self.settings = settings
        self.database = database
        self._large = 0  # requests under way that may carry a picture

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        asking.set(device_of(Request(scope)))
        answering.set(self.database)
        answered = False
        only_head = scope["method"] == "HEAD"
        if only_head:  # answered as GET is, without the body
            scope = {**scope, "method": "GET", "only_head": True}

        async def send_with_headers(message: Message) -> None:
            nonlocal answered
            if message["type"] == "http.response.start":
                answered = True
                headers = MutableHeaders(scope=message)
                stricter = headers.get("content-security-policy")  # a photograph's, which shuts it in
                headers.update(_HEADERS)
                if stricter:
                    headers["Content-Security-Policy"] = stricter
                # a page restored from history must be asked for again: the piece may have moved on
                headers.setdefault("Cache-Control", "no-store")
            elif only_head:
                message = {**message, "body": b""}
            await send(message)

        most = _most_body(scope)
        is_large = most > _MOST_BODY
        self._large += is_large
        try:
            refusal = self._refusal(Request(scope))
            if not refusal and is_large and self._large > MOST_LARGE:
                refusal = _too_many()
            body = None if refusal else await _read_body(scope, receive, most)
            if refusal:
                await refusal(scope, receive, send_with_headers)
            elif body is None:
                await _too_large(most - _FORM)(scope, receive, send_with_headers)
            else:
                receive, body = _once(body, receive), None
                await self.app(scope, receive, send_with_headers)
        except Exception:
            if answered:
                raise
            _log.exception("A request failed.")
            await _failed()(scope, receive, send_with_headers)
        finally:
            self._large -= is_large

    def _refusal(self, request: Request) -> Response | None:
        """Why this request goes no further; None: it may pass."""
        settings = self.settings
        if not self._is_our_name(request):
            return sentence_page(
                400,
                "Not this address",
                "Spareshaft does not answer under this address. Use the one it printed when it started.",
            )
        if not is_this_computer(request) and not has_joined(settings, request.cookies.get(COOKIE)):
            path = request.scope["path"]
            allowed = settings.share and (
                path == "/join" or (request.method == "GET" and path in map(static_url, BEFORE_JOINING))
            )
            if not allowed:
                return join_page(settings)
        if not _is_a_link(request) and not _is_same_origin(request):
            return sentence_page(
                403,
                "Nothing was changed",
                "This was asked for from another site. Open Spareshaft itself and do it there.",
            )
        charset = parse_options_header(request.headers.get("content-type"))[1].get(b"charset", b"utf-8")
        if charset.lower() != b"utf-8":  # what another encoding makes of a form need not be text
            return sentence_page(
                415,
                "Nothing was changed",
                "What was sent is not written in UTF-8. Use the page’s own buttons.",
            )
        return None

    def _is_our_name(self, request: Request) -> bool:
        """Whether the Host header names this machine and port: another name is a trick with DNS."""
        asked = request.headers.getlist("host")
        if len(asked) != 1:
            return False
        names = [*LOOPBACK]
        if self.settings.share:
            names += self.settings.names
            # the address on which the request came in is ours
            names += [str(address) for address in (request.scope.get("server") or ())[:1]]
        port = self.settings.port
        hosts = {f"[{name}]" if ":" in name else name.lower() for name in names}
        allowed = {f"{host}:{port}" for host in hosts} | (hosts if port == 80 else set())
        return asked[0].lower() in allowed


def _is_a_link(request: Request) -> bool:
    """Whether a page is asked for as it is by a link or the address line: that, another site may do.

    A browser says so itself. What another site's page loads within itself, a picture or a frame, is none: it
    could ask for plans by the dozen.
    """
    return (
        request.method in _SAFE
        and request.headers.get("sec-fetch-mode", "navigate") == "navigate"
        and request.headers.get("sec-fetch-dest", "document") == "document"
    )


def _is_same_origin(request: Request) -> bool:
    origins = request.headers.getlist("origin")
    if origins:
        return origins == [f"{request.scope['scheme']}://{request.headers['host']}"]
    return request.headers.get("sec-fetch-site", "same-origin") in ("same-origin", "none")


def _most_body(scope: Scope) -> int:
    """Bytes that a request to this address may carry."""
    takes_pictures = scope["method"] == "POST" and _TAKES_PICTURES.fullmatch(scope["path"])
    return MOST_PICTURE + _FORM if takes_pictures else _MOST_BODY


async def _read_body(scope: Scope, receive: Receive, most: int) -> bytes | None:
    """The body; None if it is too large. No more than is allowed is ever held.

    What a browser still sends after the answer is thrown away by the server as it comes, so that the
    browser gets to read the answer.
    """
    declared = Headers(scope=scope).get("content-length", "0")
    if not declared.isdigit() or int(declared) > most:
        return None
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return bytes(body)
        body += message.get("body", b"")
        if len(body) > most:
            return None
        if not message.get("more_body", False):
            return bytes(body)


def _once(body: bytes | None, receive: Receive) -> Receive:
    """Hand out the body that was read, then whatever comes."""

    async def give() -> Message:
        nonlocal body
        if body is None:
            return await receive()
        given, body = body, None  # whoever reads it holds it, and nobody else
        return {"type": "http.request", "body": given, "more_body": False}

    return give


def _too_large(most: int) -> Response:
    return sentence_page(
        413,
        "Too large",
        f"The file is larger than {most // 1_048_576} MB, the most that can be brought in here. "
        "Nothing was kept.",
    )


def _too_many() -> Response:
    return sentence_page(
        503,
        "Not just now",
        "Several pictures are being brought in already, so nothing was changed. Try again in a moment.",
    )


def _failed() -> Response:
    return sentence_page(
        500,
        "That did not work",
        "Something went wrong in Spareshaft. What was woven is kept; go back to the pieces and try again.",
    )
