"""Files that are brought in are known by their content."""

from __future__ import annotations

from io import BytesIO

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from server.design.incoming import Own, belongs_elsewhere, kind_of
from server.design.piece_file import Unusable


def picture(kind: str) -> bytes:
    out = BytesIO()
    Image.new("L", (5, 5)).save(out, kind)
    return out.getvalue()


DRAFT = "; somebody’s draft\r\n\r\n [ Wif ]\r\nVersion=1.1\r\n"


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        *((picture(kind), "picture") for kind in ("PNG", "JPEG", "GIF", "BMP", "WEBP")),
        *((DRAFT.encode(how), "wif") for how in ("utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be")),
        (b"[WIF]\n", "wif"),
        (b"\xff\xfe[\0W\0I\0F\0]\0", "wif"),
        (b"\r[THREADING]\r1=1\r", "wif"),
        (b"; x\n" * 10_000 + b"[wif]", "wif"),
        (b' \n{"format": "spareshaft-piece"}', "piece"),
        ('{"format": 1}'.encode("utf-16"), "piece"),
        (b"{", "piece"),
        (b"#..\n.#.\n", "chart"),
        ("⬛⬜\n".encode(), "chart"),
        ("⬛⬜\n".encode("utf-16"), "chart"),
        ("·#·\r\n".encode("latin-1"), "chart"),
        (b"BM#.#.#.#.#.#.#.#.#", "chart"),
        (b"X\tX\x1a", "chart"),
        (b"[1, 2]", "chart"),
        (b"a letter", "chart"),
    ],
)
def test_kinds(content: bytes, kind: str) -> None:
    assert kind_of(content) == kind


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"\0\0 \r\n", "empty"),
        (b"PK\x03\x04 and more", "zip"),
        (b"%PDF-1.4", "PDF"),
        (b"II*\0", "TIFF"),
        (picture("TIFF"), "TIFF"),
        (b"\0\0\0\x18ftypheic", "HEIC"),
        (b"\0\0\0\x18ftypavif", "AVIF"),
        (b"\0\0\0\x18ftypisom", "film"),
        (b"<svg onload='alert(1)'>", "SVG"),
        (b"\xef\xbb\xbf<?xml version='1.0'?><!-- [wif] -->\n<svg/>", "SVG"),
        ("<?xml version='1.0'?><svg/>".encode("utf-16"), "SVG"),
        (b"<!DOCTYPE html><p>", "page of the web"),
        (b"{\\rtf1 text}", "RTF"),
        (b"\x1f\x8b\x08", "gzip"),
        (b"\x7fELF\x01\x02", "neither a picture nor text"),
        (b"RIFF0000WAVE\x01", "neither a picture nor text"),
    ],
)
def test_what_cannot_be_read_is_named(content: bytes, words: str) -> None:
    with pytest.raises(Unusable) as refusal:
        kind_of(content)
    assert words in str(refusal.value)
    assert str(refusal.value).endswith(".")


@given(st.binary(max_size=60))
def test_anything_is_of_some_kind_or_refused(content: bytes) -> None:
    try:
        kind = kind_of(content)
    except Unusable:
        return
    assert kind in ("picture", "wif", "piece", "chart")


@pytest.mark.parametrize("wanted", ["piece", "warp"])
@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "The file is empty."),
        (b"\0\0 \r\n", "The file is empty."),
        *((picture(kind), "That is a picture. It belongs under") for kind in ("PNG", "JPEG", "GIF", "WEBP")),
        (DRAFT.encode(), "That is a draft (WIF). It belongs under"),
        (DRAFT.encode("utf-16"), "That is a draft (WIF). It belongs under"),
        (b"#..\n.#.\n", "That is a chart in plain text. It belongs under"),
        (b"%PDF-1.4", "That is a PDF; take a picture of the page. The file of a {wanted} is plain text"),
        (b"II*\0", "That is a TIFF. The file of a {wanted} is plain text"),
        (b'{"format": "spareshaft-design", "units": 3}', "That is the file of a design. It belongs under"),
        (b'{"format": "spareshaft-workorder"}', "That is the file of a plan. Bring in the piece"),
    ],
)
def test_what_is_no_piece_and_no_warp_is_told_where_it_belongs(
    wanted: Own, content: bytes, words: str
) -> None:
    told = belongs_elsewhere(content, wanted)
    assert told.startswith(words.format(wanted=wanted))
    assert told.endswith(".")
    assert ("page Designs" in told) == ("It belongs under" in words)


def test_a_piece_and_a_warp_are_told_apart() -> None:
    piece, warp = b' {"format": "spareshaft-piece"}', b'{"format": "spareshaft-warp", "version": 9}'
    assert belongs_elsewhere(warp, "piece") == "That is the file of a warp. Bring it in on the page Warps."
    assert belongs_elsewhere(piece, "warp") == "That is the file of a piece. Bring it in on the page Pieces."
    assert belongs_elsewhere(piece, "piece") == belongs_elsewhere(warp, "warp") == ""


@pytest.mark.parametrize(
    "content",
    [
        b"{",
        b"{}",
        b'{"format": ["spareshaft-warp"]}',
        b'{"format": {"a": 1}}',
        b'{"format": "spareshaft-warp", "format": 1}',
        b'{"a": ' * 50_000,
        b'{"a": \xff}',
        b"[]",
        b"[" * 100_000,
        b"a letter",
        b"\xff\xfe",
        b"#" * 2_000_000,
    ],
)
def test_of_what_is_nothing_known_nothing_is_said(content: bytes) -> None:
    assert belongs_elsewhere(content, "piece") == ""


@given(st.binary(max_size=200))
def test_where_it_belongs_is_a_sentence_or_nothing(content: bytes) -> None:
    told = belongs_elsewhere(content, "warp")
    assert told == "" or told.endswith(".")
