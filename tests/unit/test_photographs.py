"""Photographs: what is kept of them, and what is refused."""

from __future__ import annotations

import struct
import zipfile
import zlib
from io import BytesIO

import pytest
from PIL import Image, ImageFile

from server.web.photographs import LONGEST, kept_photograph
from server.web.rendering import NotUnderstood


def file_of(picture: Image.Image, kind: str, **how: object) -> bytes:
    out = BytesIO()
    picture.save(out, kind, **how)
    return out.getvalue()


def kept(content: bytes) -> Image.Image:
    found = Image.open(BytesIO(kept_photograph(content)))
    assert found.format == "JPEG"
    assert found.mode == "RGB"
    found.load()
    return found


def near(found: tuple[int, ...], wanted: tuple[int, ...]) -> bool:
    return all(abs(a - b) < 20 for a, b in zip(found, wanted, strict=True))


def png_of_size(width: int, height: int, bits: int = 1) -> bytes:
    """A PNG that says it is so large, with next to nothing in it."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    head = struct.pack(">IIBBBBB", width, height, bits, 0, 0, 0, 0)
    lines = zlib.compress(bytes(1000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", lines) + chunk(b"IEND", b"")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photograph_is_kept_small_with_its_proportions(kind: str) -> None:
    found = kept(file_of(Image.new("RGB", (3000, 1500), (200, 30, 40)), kind))
    assert found.size == (LONGEST, LONGEST // 2)
    assert near(found.getpixel((900, 400)), (200, 30, 40))
    assert kept(file_of(Image.new("RGB", (7, 1)), kind)).size == (7, 1)


def test_it_is_set_upright_and_says_no_more_where_it_was_taken() -> None:
    """EXIF orientation 6: the camera was turned; JEITA CP-3451, tag 0x0112, from memory."""
    sideways = Image.new("RGB", (40, 20), "white")
    sideways.paste((0, 0, 0), (0, 0, 10, 20))
    marks = Image.Exif()
    marks[0x0112] = 6
    marks[0x010E] = "the loft"
    found = kept(file_of(sideways, "JPEG", exif=marks))
    assert found.size == (20, 40)
    assert near(found.getpixel((10, 3)), (0, 0, 0))
    assert near(found.getpixel((10, 35)), (255, 255, 255))
    assert not found.getexif()


@pytest.mark.parametrize(
    ("picture", "wanted"),
    [
        (Image.new("RGBA", (9, 9), (0, 0, 0, 0)), (255, 255, 255)),
        (Image.new("LA", (9, 9), (10, 255)), (10, 10, 10)),
        (Image.new("1", (9, 9), 1), (255, 255, 255)),
        (Image.new("I;16", (9, 9), 0x8080), (128, 128, 128)),
        (Image.new("P", (9, 9), 0), (0, 0, 0)),
    ],
)
def test_odd_kinds_of_dots(picture: Image.Image, wanted: tuple[int, ...]) -> None:
    assert near(kept(file_of(picture, "PNG")).getpixel((4, 4)), wanted)


def test_cmyk_and_moving_pictures() -> None:
    assert near(kept(file_of(Image.new("CMYK", (9, 9)), "JPEG")).getpixel((4, 4)), (255, 255, 255))
    first, then = Image.new("RGB", (9, 9), "white"), Image.new("RGB", (9, 9), "black")
    moving = file_of(first, "WEBP", save_all=True, append_images=[then] * 3, lossless=True)
    assert near(kept(moving).getpixel((4, 4)), (255, 255, 255))


GOOD = file_of(Image.effect_noise((300, 300), 90), "PNG")


def a_zip() -> bytes:
    out = BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("a.png", GOOD)
    return out.getvalue()


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\xff\xd8\xff",
        b"GIF89a" + bytes(20),
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
        b"RIFF\x10\x00\x00\x00WEBPVP8 ",
        b"RIFF0000WAVE",
        GOOD[: len(GOOD) // 2],
        GOOD[:60],
        file_of(Image.effect_noise((300, 300), 90), "JPEG")[:900],
        file_of(Image.new("L", (5, 5)), "GIF"),
        file_of(Image.new("L", (5, 5)), "BMP"),
        file_of(Image.new("L", (5, 5)), "TIFF"),
        a_zip(),
        b"%PDF-1.7",
        png_of_size(0, 5),
        png_of_size(4000, 4000),
    ],
)
def test_what_cannot_be_kept_is_refused_in_a_sentence(content: bytes) -> None:
    with pytest.raises(NotUnderstood, match=r"choose|broken off"):
        kept_photograph(content)


@pytest.mark.parametrize("size", [(12_000, 12_000), (2**31 - 1, 2**31 - 1), (50_000_001, 1)])
def test_one_that_would_unpack_to_gigabytes_is_refused_before_it_is_unpacked(
    size: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    def unpacked(picture: ImageFile.ImageFile) -> None:
        raise AssertionError("it was unpacked")

    content = png_of_size(*size)
    monkeypatch.setattr(ImageFile.ImageFile, "load", unpacked)
    with pytest.raises(NotUnderstood, match=r"million dots|choose"):
        kept_photograph(content)
