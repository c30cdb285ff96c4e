"""A browser of requests alone, for pages that are answered whole."""

from __future__ import annotations

from typing import Any
from urllib.parse import unquote

import anyio
import httpx
from fastapi.testclient import TestClient

PORTS = {"http": 80, "https": 443}


class Visitor(TestClient):
    """As starlette's, but each request goes over to the application's thread once, and the answer comes back.

    There it goes to and fro eight times, so that an answer can be read while it is being sent, which takes
    longer than most pages. A stream that never ends is never answered here.
    """

    def __init__(self, app: Any, *, client: tuple[str, int], **options: Any) -> None:
        super().__init__(app, client=client, **options)
        self._transport = _InOneGo(self, client)


class _InOneGo(httpx.BaseTransport):
    def __init__(self, visitor: Visitor, address: tuple[str, int]) -> None:
        self.visitor = visitor
        self.address = address

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        url = request.url
        scope = {
            "type": "http",
            "http_version": "1.1",
            "method": request.method,
            "path": unquote(url.path),
            "raw_path": url.raw_path.partition(b"?")[0],
            "root_path": "",
            "scheme": url.scheme,
            "query_string": url.query,
            "headers": [(name.lower(), value) for name, value in request.headers.raw],
            "client": self.address,
            "server": [url.raw_host.decode("ascii"), url.port or PORTS[url.scheme]],
            "state": self.visitor.app_state.copy(),
        }
        body = request.read()
        if self.visitor.portal is not None:
            return self.visitor.portal.call(self.answer, scope, body)
        return anyio.run(self.answer, scope, body)

    async def answer(self, scope: dict[str, Any], body: bytes) -> httpx.Response:
        """What the application answers.

        Raises:
            Exception: whatever it did not catch.
        """
        is_read, is_answered = False, anyio.Event()
        start: dict[str, Any] = {}
        parts: list[bytes] = []

        async def receive() -> dict[str, Any]:
            nonlocal is_read
            if is_read:
                await is_answered.wait()
                return {"type": "http.disconnect"}
            is_read = True
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message: dict[str, Any]) -> None:
            assert not is_answered.is_set(), "more was sent after the answer"
            if message["type"] == "http.response.start":
                assert not start, "an answer was begun twice"
                start.update(message)
                return
            assert message["type"] == "http.response.body"
            assert start, "a body was sent before its head"
            parts.append(bytes(message.get("body", b"")))
            if not message.get("more_body", False):
                is_answered.set()

        await self.visitor.app(scope, receive, send)  # type: ignore[arg-type]
        assert is_answered.is_set(), "there was no answer, or no whole one"
        return httpx.Response(
            start["status"],
            headers=start.get("headers", []),
            stream=httpx.ByteStream(b"" if scope["method"] == "HEAD" else b"".join(parts)),
        )
