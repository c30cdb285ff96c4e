"""What all pages share: the templates, the store, and reading what forms send."""

from __future__ import annotations

import re
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Annotated, Any, get_args

import jinja2
from fastapi import Depends, Form, HTTPException, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from server.loom.counting import STANCES, Stance
from server.loom.state import Loom
from server.session.naming import Naming, ShaftsFrom
from server.session.place import Tap, TapKind
from server.session.treadling import Side
from server.session.wording import after_row, minutes_text, several
from server.settings import resource_dir
from server.store.database import Store
from server.store.weavings import Weaving
from server.web.device import asking, settings_of
from server.web.drawings import Sight
from server.web.static_files import static_url

_COUNT = re.compile(r"[0-9]{1,9}", re.ASCII)
"""Far above any piece, and still a number that every part of the house can hold."""


answering: ContextVar[str] = ContextVar("answering", default="")
"""The name of the database that the request is answered from, for the templates; the guard sets it."""

NO_SUCH_PIECE = "There is no such piece here."


def is_count(text: str) -> bool:
    """Whether a text is a number as addresses and forms write it."""
    return _COUNT.fullmatch(text) is not None


class NotUnderstood(ValueError):
    """What a form sent cannot be used; the message is a sentence for the weaver."""


def number_of(text: str, what: str, least: int, most: int) -> int:
    """A number that a form sent.

    Args:
        what: what it is, at the beginning of a sentence.

    Raises:
        NotUnderstood: if it is none, or out of bounds.
    """
    text = text.strip()
    if is_count(text) and least <= int(text) <= most:
        return int(text)
    if least > most:
        raise NotUnderstood(f"{what}: there is nothing to choose here.")
    only = f"{least}" if least == most else f"a number from {least} to {most}"
    raise NotUnderstood(f"{what}: it must be {only}.")


@cache
def environment() -> jinja2.Environment:
    """The templates, with escaping on and nothing undefined passed over."""
    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(resource_dir("templates")),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals["static_url"] = static_url
    made.globals["device"] = asking.get
    made.globals["database"] = answering.get
    made.globals["settings_of"] = settings_of
    made.globals["several"] = several
    made.globals["after_row"] = after_row
    made.filters["minutes"] = minutes_text
    made.filters["when"] = when_text
    return made


def page(name: str, *, status: int = 200, **context: Any) -> HTMLResponse:
    """A page from its template. `context` is what the template names."""
    return HTMLResponse(environment().get_template(name).render(**context), status)


def when_text(at: datetime) -> str:
    """A time as the clock in this house shows it."""
    local = at.astimezone()
    return f"{local.day} {local:%B %Y, %H:%M}"


def store_of(request: Request) -> Store:
    """The store that this server runs on."""
    store: Store = request.app.state.store
    return store


def weaving_of(request: Request, piece: str) -> Weaving:
    """The piece that an address names.

    Raises:
        HTTPException: 404 if there is none, or the address has no number in it.
    """
    weaving = store_of(request).weaving(id_of(piece))
    if weaving is None:
        raise HTTPException(404, NO_SUCH_PIECE)
    return weaving


def id_of(piece: str) -> int:
    """The number in an address that stands for a piece.

    Raises:
        HTTPException: 404 if it is no number.
    """
    if not is_count(piece):
        raise HTTPException(404, NO_SUCH_PIECE)
    return int(piece)


async def _shown_on(card: Annotated[str, Form()] = "", turn: Annotated[str, Form()] = "") -> tuple[str, str]:
    return card, turn


Shown = Annotated[tuple[str, str], Depends(_shown_on)]
"""What the page showed that a tap was made on: card and turn, as its form sent them, unread."""


def tap_of(kind: TapKind, shown: tuple[str, str]) -> Tap:
    """The tap that a form sent.

    Raises:
        NotUnderstood: if card or turn is no number.
    """
    if not all(map(is_count, shown)):
        raise NotUnderstood("That tap could not be read, so nothing was changed. Here is where the piece is.")
    card, turn = map(int, shown)
    return Tap(kind, card, turn)


def is_htmx(request: Request) -> bool:
    """Whether a script of ours asks, and puts the answer into the page itself."""
    return request.headers.get("hx-request") == "true"


def go_to(request: Request, address: str) -> Response:
    """Send the browser on, with or without scripts."""
    if is_htmx(request):
        return Response(status_code=204, headers={"HX-Redirect": address})
    return RedirectResponse(address, 303)


@dataclass(frozen=True, slots=True)
class Preferences:
    """What the weaver has chosen.

    Attributes:
        stance: where she stands to put temporaries in.
        first_side: where the shuttle starts at the first pick of a piece.
        shafts_from: from where she counts shafts.
        units_from: from which side she counts units.
    """

    stance: Stance = "behind-left"
    first_side: Side = "right"
    shafts_from: ShaftsFrom = "weaver"
    units_from: Side = "left"

    def naming(self, loom: Loom) -> Naming:
        """How she counts on a loom."""
        return Naming.on(loom, self.shafts_from, self.units_from)

    def sight(self, loom: Loom) -> Sight:
        """How the device that asks shows drawings of a loom."""
        return Sight(self.naming(loom), asking.get().behind)


def preferences_of(store: Store, piece: int | None = None) -> Preferences:
    """Her preferences; the default where one was never chosen or is not known any more.

    Args:
        piece: id of a piece; once it is begun, its shuttle starts where it did start.
    """
    kept, default = store.preferences(), Preferences()
    first = kept.get(first_side_key(piece), kept.get("first_side", ""))
    return Preferences(
        stance=stance_of(kept.get("stance", "")) or default.stance,
        first_side=side_of(first) or default.first_side,
        shafts_from=shafts_from_of(kept.get("shafts_from", "")) or default.shafts_from,
        units_from=side_of(kept.get("units_from", "")) or default.units_from,
    )


def naming_of(request: Request, weaving: Weaving) -> Naming:
    """How she counts on the loom of a piece."""
    return preferences_of(store_of(request)).naming(weaving.piece.loom)


def first_side_key(piece: int | None) -> str:
    """Under which key it is kept where the shuttle started at the first pick of a piece."""
    return f"first_side:{piece}"


def stance_of(text: str) -> Stance | None:
    """The stance of that name, if there is one."""
    return next((stance for stance in STANCES if stance == text), None)


def shafts_from_of(text: str) -> ShaftsFrom | None:
    """The end of that name from which shafts are counted, if there is one."""
    return next((end for end in get_args(ShaftsFrom) if end == text), None)


def side_of(text: str) -> Side | None:
    """The side of that name, if there is one."""
    sides: tuple[Side, ...] = ("left", "right")
    return next((side for side in sides if side == text), None)
