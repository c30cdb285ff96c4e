"""Starting the server: the address, the data folder, the join code."""

from __future__ import annotations

import errno
import ipaddress
import json
import logging
import socket
import sys
from contextlib import closing, suppress
from pathlib import Path

import uvicorn
from fastapi import FastAPI

from server.app import create_app
from server.design.design import read_design
from server.planning import bring_in
from server.settings import (
    DATABASE_NAME,
    DEFAULT_PORT,
    Settings,
    kept_secret,
    new_join_code,
    resource_dir,
)
from server.store.board import Board
from server.store.database import Store
from server.terminal import own_addresses, say, tell_how_to_join

_EVERYWHERE = "0.0.0.0"
_NOT_OURS = "{host} is not an address of this computer. Leave --host out, or name one that is, in figures."


class CannotServe(Exception):
    """The server cannot be started as asked; the message says why."""


def serve(data: Path, *, host: str | None, port: int, share: bool, demo: bool) -> None:
    """Serve until Ctrl-C.

    Args:
        data: the data folder.
        host: the address to listen on; None: this computer only or, shared, every address it has.
        port: 0 stands for any that is free.
        share: whether other devices may come in that know the join code.
        demo: whether to put the demo pieces in where there are no pieces, and the demo design with its warp
            where there are no warps.

    Raises:
        CannotServe: if the address or the data folder cannot be used.
        StoreFailure: if the database cannot be used.
    """
    host = _host(host, share)
    with _listen(host, port) as listener, closing(Store(data / DATABASE_NAME)) as store:
        port = listener.getsockname()[1]
        if demo and not store.pieces():
            # the last brought in stands first among the pieces
            for path in sorted(resource_dir("demo_data").glob("*.json"), reverse=True):
                say(bring_in(store, str(path), limit=10.0))
        if demo and not store.board.warps():
            say(draw_demo(store.board))
        addresses = own_addresses() if host == _EVERYWHERE else [host]
        settings = Settings(
            data=data,
            host=host,
            port=port,
            share=share,
            join_code=new_join_code() if share else None,
            secret=_secret(data),
            names=(*addresses, socket.gethostname(), f"{socket.gethostname()}.local"),
            apart=True,
        )
        here = "127.0.0.1" if host == _EVERYWHERE else f"[{host}]" if ":" in host else host
        say(f"Spareshaft is at http://{here}:{port}/ on this computer. Ctrl-C stops it; nothing is lost.")
        if settings.join_code:
            tell_how_to_join(addresses, port, settings.join_code)
        sys.stdout.flush()
        _run(settings, store, listener)


def draw_demo(board: Board) -> str:
    """Hang the demo warp and put the demo design on it.

    Returns:
        A sentence on what was drawn.

    Raises:
        StoreFailure: if it cannot be kept.
    """
    folder = resource_dir("demo_data") / "board"
    content = json.loads((folder / "flag.json").read_text("utf-8"))
    warp = board.add_warp((folder / content["warp"]).read_text("utf-8"))
    board.add_design(warp, content["name"], read_design(json.dumps(content["design"])))
    return f"Drew “{content['name']}” on a warp of its own."


def _run(settings: Settings, store: Store, listener: socket.socket) -> None:
    logging.basicConfig(level=logging.WARNING, format="%(message)s")
    app = create_app(settings, store)
    app.state.workroom.go_on()
    config = uvicorn.Config(
        app,
        http="h11",  # it reads on after an early answer, so that a browser sees why a large file is refused
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        proxy_headers=False,  # no header may say that a request comes from this computer
        server_header=False,
        timeout_graceful_shutdown=3,
    )
    with suppress(KeyboardInterrupt):
        _Server(config).run(sockets=[listener])
    say("\nStopped. Everything is kept.")


class _Server(uvicorn.Server):
    """Lets the screens that follow go before it waits for what is still being answered."""

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Stop."""
        app = self.config.app
        assert isinstance(app, FastAPI)
        app.state.followers.close()
        app.state.workroom.close()
        await super().shutdown(sockets)


def _host(asked: str | None, share: bool) -> str:
    if asked is None:
        return _EVERYWHERE if share else "127.0.0.1"
    if asked.lower() == "localhost":
        return "127.0.0.1"
    try:
        address = ipaddress.ip_address(asked)
    except ValueError:
        address = None
    if not share and (address is None or not address.is_loopback):
        raise CannotServe(
            f"{asked or 'that host'} may be reached from other devices. "
            "Add --share, so that they must join with a code."
        )
    if address is None or str(address) == "::":  # "::" would take other devices in under two addresses each
        raise CannotServe(_NOT_OURS.format(host=asked or "that host"))
    return str(address)


def _listen(host: str, port: int) -> socket.socket:
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        listener = socket.create_server((host, port), family=family)
        # else a tablet that keeps its connection open waits 40 ms more for every answer
        listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return listener
    except OSError as error:
        number = error.errno
        if number == errno.EADDRNOTAVAIL:
            why = _NOT_OURS.format(host=host)
        elif number == errno.EADDRINUSE:
            other = port + 1 if port < 65535 else DEFAULT_PORT
            why = f"port {port} is in use, perhaps by a Spareshaft that runs already. Try --port {other}."
        elif number == errno.EACCES:
            why = f"port {port} is not for everyone to use. Choose one above 1023, such as {DEFAULT_PORT}."
        else:
            why = f"{host}, port {port} cannot be listened on: {error}."
        raise CannotServe(why) from None


def _secret(data: Path) -> str:
    try:
        return kept_secret(data)
    except OSError as error:
        where, why = error.filename or data, error.strerror or error
        raise CannotServe(f"{where} cannot be used: {why}.") from None
