"""How one run of the server is set up, and where its files are."""

from __future__ import annotations

import os
import secrets
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path

import platformdirs

LOOPBACK = ("127.0.0.1", "localhost", "::1")
DEFAULT_PORT = 8765
DATABASE_NAME = "spareshaft.sqlite"
SECRET_NAME = "secret"

CODE_ALPHABET = "ACDEFHJKMNPRTUVWXY3479"
"""Letters and digits that nobody takes for one another, on paper or aloud."""


@dataclass(frozen=True, slots=True)
class Settings:
    """One run of the server.

    Attributes:
        data: the folder with the database.
        host: the address that is listened on.
        port: the port, 1 … 65535.
        share: whether other devices may come in.
        join_code: what another device must know to come in; None when not sharing.
        secret: signs the cookies of the devices that have joined.
        apart: whether what takes long is worked out in a process of its own, rather than in this one.
        names: names and addresses, other than loopback, under which this machine may be asked.
    """

    data: Path
    host: str = "127.0.0.1"
    port: int = DEFAULT_PORT
    share: bool = False
    join_code: str | None = None
    secret: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)
    names: tuple[str, ...] = ()
    apart: bool = False


def default_data_folder() -> Path:
    """The folder for this user's data on this system."""
    return Path(platformdirs.user_data_dir("spareshaft", appauthor=False))


def new_join_code() -> str:
    """Eight characters in two groups, easy to read aloud and to type."""
    code = "".join(secrets.choice(CODE_ALPHABET) for _ in range(8))
    return f"{code[:4]}-{code[4:]}"


def kept_secret(data: Path) -> str:
    """The secret kept in the data folder, made on first use; only its owner may read it.

    It stays, so that a device that has joined need not join again. Without the file, every device must.

    Raises:
        OSError: if the folder cannot be read or written.
    """
    path = data / SECRET_NAME
    data.mkdir(parents=True, exist_ok=True)
    try:
        return _read_secret(path)
    except FileNotFoundError:
        pass
    unfinished = data / f"{SECRET_NAME}.{secrets.token_hex(8)}"
    with os.fdopen(os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        file.write(secrets.token_urlsafe(32))
        file.flush()
        os.fsync(file.fileno())
    try:
        os.link(unfinished, path)  # unlike a rename, it leaves the secret of a process that was first
    except FileExistsError:
        pass
    finally:
        unfinished.unlink()
    return _read_secret(path)


def _read_secret(path: Path) -> str:
    secret = path.read_text(encoding="ascii", errors="replace").strip()
    if len(secret) < 32:
        raise OSError(None, "the file is cut short; delete it, and every device joins again", str(path))
    return secret


def resource_dir(name: str) -> Path:
    """A folder that goes with the program: "templates", "static" or "demo_data".

    A wheel carries them inside the package, a checkout has them beside it.

    Raises:
        FileNotFoundError: if neither has it.
    """
    package = Path(__file__).parent
    for folder in (package / name, package.parent / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(name)


def htmx_file() -> Path:
    """htmx's script, in the installed package that carries it."""
    return Path(str(resources.files("js_lib_htmx"))) / "static" / "htmx" / "htmx.min.js"
