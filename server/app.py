"""The browser's door: pages, static files, and the guard around them."""

from __future__ import annotations

from http import HTTPStatus

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import Response

from server.settings import Settings
from server.store.database import Store, StoreFailure
from server.web import entry, pages, static_files
from server.web.entry import sentence_page
from server.web.follow import Followers
from server.web.guard import Guard
from server.working import workroom

_SENTENCES = {
    400: (
        "Nothing was changed",
        "What was sent came apart on the way, or has more in it than this form. Go back and send it again.",
    ),
    404: ("Not here", "There is no such page, or no such piece."),
    405: ("Nothing was changed", "This page cannot be asked for in that way. Go back and use its buttons."),
}


def create_app(settings: Settings, store: Store) -> FastAPI:
    """The whole web application.

    Args:
        settings: `app.state.settings` to the pages.
        store: `app.state.store` to the pages; the caller closes it.
    """
    routers = (static_files.router, entry.router, *pages.routers)
    app = FastAPI(
        title="Spareshaft",
        # as they stand: of routers that are included each app makes every route anew, for a fifth of a second
        routes=[route for router in routers for route in router.routes],
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
    )
    app.state.settings = settings
    app.state.store = store
    app.state.tries = entry.Tries()
    app.state.followers = Followers()
    app.state.workroom = workroom(store, settings.apart)
    store.listen(app.state.followers.tell)
    store.listen_to_changes(app.state.followers.tell_of_change)
    app.add_exception_handler(HTTPException, _told)
    app.add_exception_handler(RequestValidationError, _not_understood)
    app.add_exception_handler(StoreFailure, _store_failed)
    # no page carries a secret, so that a page's length tells nothing of one
    app.add_middleware(GZipMiddleware, compresslevel=6)
    app.add_middleware(Guard, settings=settings, database=store.name)
    return app


async def _told(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    title, sentence = _SENTENCES.get(error.status_code, ("That did not work", "Go back and try again."))
    # of a form that is none, the reader of forms tells in words of its own
    if error.status_code != 400 and error.detail != HTTPStatus(error.status_code).phrase:
        sentence = error.detail
    answer = sentence_page(error.status_code, title, sentence)
    answer.headers.update(error.headers or {})
    return answer


async def _not_understood(request: Request, error: Exception) -> Response:
    return sentence_page(
        422, "Nothing was changed", "Part of what was sent is missing or is not what belongs there."
    )


async def _store_failed(request: Request, error: Exception) -> Response:
    return sentence_page(503, "Nothing was changed", str(error))
