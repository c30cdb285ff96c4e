"""What a file that somebody brings in is, judged by its content and never by its name."""

from __future__ import annotations

import re
from typing import Literal

from server.design.chart_text import MOST_CONTENT, read_chart
from server.design.piece_file import Unusable, read_json

Kind = Literal["picture", "wif", "piece", "chart"]

_HEAD = 65_536
"""Bytes that are looked at."""

_A_WIF_SECTION = re.compile(
    rb"(?:^|[\r\n])[ \t]*\[[ \t]*(?:wif|contents|weaving|threading|liftplan|tieup|treadling)[ \t]*\]",
    re.IGNORECASE,
)
_MARKS_OF_ENCODING = (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")

_BEGINNINGS: tuple[tuple[bytes, str], ...] = (
    (
        b"pk\x03\x04",
        "That is a packed file (zip, or a text or table that is kept as one); unpack it, or save it as text.",
    ),
    (b"%pdf", "That is a PDF; take a picture of the page."),
    (b"%!ps", "That is a page for a printer (PostScript); take a picture of it."),
    (b"ii*\x00", "That is a TIFF."),
    (b"mm\x00*", "That is a TIFF."),
    (b"8bps", "That is a drawing that only its own program reads."),
    (b"\x1f\x8b", "That is a packed file (gzip); unpack it."),
    (b"7z\xbc\xaf\x27\x1c", "That is a packed file (7z); unpack it."),
    (b"rar!", "That is a packed file (rar); unpack it."),
    (b"\xd0\xcf\x11\xe0", "That is a text or table that only an office program reads; save it as text."),
    (b"{\\rtf", "That is a text with its looks in it (RTF); save it as plain text."),
    (b"\x00\x00\x01\x00", "That is an icon."),
    (b"\x00\x00\x00\x0cjxl ", "That is a JPEG XL."),
    (b"\x00\x00\x00\x0cjp", "That is a JPEG 2000."),
)
_HEIF = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"mif1", b"msf1")


def kind_of(content: bytes) -> Kind:
    """What the file is: a picture, a draft (WIF), a piece's own file, or a chart in plain text.

    It is one of those at best: whether it can be used is found by reading it.

    Raises:
        Unusable: if it is none of them, with what it is likely to be.
    """
    if not content.strip(b"\x00 \t\r\n"):
        raise Unusable("The file is empty.")
    if _is_picture(content):
        return "picture"
    if what := likely(content):
        raise Unusable(f"{what} {_READ_HERE}")
    text = _bare_text(content)
    if _A_WIF_SECTION.search(text):
        return "wif"
    if text.startswith(b"{"):
        return "piece"
    in_halves = content.startswith(_MARKS_OF_ENCODING[1:])  # UTF-16: any byte may be half of a letter
    if not in_halves and re.search(rb"[\x01-\x08\x0e-\x1f\x7f]", text.removesuffix(b"\x1a")):
        raise Unusable(f"That file is neither a picture nor text. {_READ_HERE}")
    return "chart"


Own = Literal["piece", "warp"]

_AS_A_DESIGN = "It belongs under “From a picture or a file”: begin a design with it on the page Designs."

_OWN_FILES = {
    "spareshaft-piece": "That is the file of a piece. Bring it in on the page Pieces.",
    "spareshaft-warp": "That is the file of a warp. Bring it in on the page Warps.",
    "spareshaft-design": f"That is the file of a design. {_AS_A_DESIGN}",
    "spareshaft-workorder": "That is the file of a plan. Bring in the piece’s own file; it is planned anew.",
}


def belongs_elsewhere(content: bytes, wanted: Own) -> str:
    """What a file is that could not be read as a piece or a warp, and where it belongs.

    Args:
        wanted: what it was given as.

    Returns:
        A sentence or two; empty where nothing better is known than why it could not be read.
    """
    if not content.strip(b"\x00 \t\r\n"):
        return "The file is empty."
    if _is_picture(content):
        return f"That is a picture. {_AS_A_DESIGN}"
    if what := likely(content):
        return f"{what} The file of a {wanted} is plain text that begins with {{."
    text = _bare_text(content)
    if _A_WIF_SECTION.search(text):
        return f"That is a draft (WIF). {_AS_A_DESIGN}"
    try:
        if text.startswith(b"{"):
            told = str(read_json(content).get("format"))
            return "" if told == f"spareshaft-{wanted}" else _OWN_FILES.get(told, "")
        if len(content) <= MOST_CONTENT and not text.startswith(b"["):
            read_chart(content)
            return f"That is a chart in plain text. {_AS_A_DESIGN}"
    except Unusable:
        pass
    return ""


_READ_HERE = "Pictures (PNG, JPEG, GIF, BMP, WebP), WIF, charts in plain text and piece files are read here."


def likely(content: bytes) -> str:
    """A sentence that names a file that cannot be read here; empty if nothing is known of it."""
    head = content[:_HEAD].lower()
    for beginning, sentence in _BEGINNINGS:
        if head.startswith(beginning):
            return sentence
    if head[4:8] == b"ftyp":
        if head[8:12] in _HEIF:
            return "That is a photograph as some telephones keep them (HEIC); share it as JPEG."
        return "That is an AVIF." if head[8:12] in (b"avif", b"avis") else "That is a film."
    text = _bare_text(head)
    if text.startswith(b"<"):
        if b"<svg" in text:
            return "That is an SVG, a drawing told in words; save it as PNG."
        if text.startswith((b"<!doctype", b"<html", b"<?xml")):
            return "That is a page of the web or a file of another program."
    return ""


def _is_picture(content: bytes) -> bool:
    return (
        content.startswith((b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"GIF87a", b"GIF89a"))
        or (content.startswith(b"RIFF") and content[8:12] == b"WEBP")
        # a text may begin with BM; the length of a bitmap's second head is one of these
        or (
            content.startswith(b"BM")
            and int.from_bytes(content[14:18], "little") in (12, 40, 52, 56, 64, 108, 124)
        )
    )


def _bare_text(content: bytes) -> bytes:
    """The beginning as one byte a letter: enough to recognise words in, whatever the encoding."""
    text = content[:_HEAD]
    for mark in _MARKS_OF_ENCODING:
        text = text.removeprefix(mark)
    return text.replace(b"\x00", b"").lstrip()
