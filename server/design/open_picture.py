"""Opening a picture that somebody brings in: known by its content, within bounds, upright, on white paper.

A picture is unpacked once, taken strip by strip into the dots that are kept, and let go.
What unpacking will hold is reckoned from the picture's head before anything is unpacked.
"""

from __future__ import annotations

import math
import threading
import warnings
from io import BytesIO
from typing import Literal

import numpy as np
from PIL import ExifTags, Image, ImageOps, UnidentifiedImageError

from server.design.incoming import likely
from server.design.piece_file import Unusable

FORMATS = ("PNG", "JPEG", "GIF", "BMP", "WEBP")
"""Pillow's names of what is read as a picture of a design."""

MOST_CONTENT = 20 * 1_048_576
"""Bytes of a picture's file."""
MOST_DOTS = 50_000_000
"""Dots of a picture as it comes. A small file can unpack to gigabytes, here and in every browser."""
MOST_ACROSS = 65_535
"""Dots of either side; JPEG and GIF know no longer ones."""
ROOM = 100_000_000
"""Bytes that unpacking may hold, so that the whole house stays below 300 MB."""
KEPT_DOTS = 4_000_000
"""At least so many dots are kept of a picture that had more; at most about four times as many."""

Image.MAX_IMAGE_PIXELS = (
    MOST_DOTS // 2
)  # at twice as many Pillow itself refuses, as soon as it knows the size

_STRIP_DOTS = 250_000
_MOST_PASSES = 100
"""Passes in which a JPEG comes; each goes over all dots. Ten or so are usual."""

_NEEDED_CHUNKS = frozenset({b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND", b"eXIf"})
_BYTES_A_DOT = {"1": 1, "L": 1, "P": 1, "I;16": 2, "I;16B": 2}
"""In Pillow's memory, by mode; all others take four."""
_BYTES_A_DOT_UNPACKING = {"WEBP": 16, "GIF": 4, "BMP": 4}
"""What Pillow's readers of these hold at their worst, whatever the mode; measured with Pillow 13."""

_DAMAGED = "That picture is broken off or damaged; take it again, or choose another."
_TOO_MANY = (
    f"That picture has more than {MOST_DOTS // 1_000_000} million dots; "
    "set the camera to a smaller size, or choose another."
)
_one_at_a_time = threading.Lock()


def open_picture(content: bytes) -> Image.Image:
    """A picture in greys, to be read as cells.

    Args:
        content: a PNG, JPEG, GIF, BMP or WebP file; of a moving picture the first is taken.

    Returns:
        Mode L, 0 black to 255 white, upright; what can be seen through is white. Large ones are made smaller
        by a whole number, each dot the mean of those it stands for.

    Raises:
        Unusable: if it is none of these, is damaged, or too large to be unpacked.
    """
    if len(content) > MOST_CONTENT:
        raise Unusable("The picture is larger than 20 MB, the most that can be brought in here.")
    if what := likely(content):
        raise Unusable(f"{what} Choose a PNG, JPEG, GIF, BMP or WebP.")
    return unpack(content, FORMATS, "L", ROOM)


def unpack(
    content: bytes, formats: tuple[str, ...], mode: Literal["L", "RGB"], room: int | None = None
) -> Image.Image:
    """A picture of one of these formats (Pillow's names), upright, on white paper.

    Args:
        mode: in greys, or in red, green and blue.
        room: bytes that unpacking may hold at most.

    Raises:
        Unusable: with one sentence.
    """
    with _one_at_a_time, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what Pillow warns of is refused or harmless
        try:
            return _unpack(content, formats, mode, room)
        except Unusable:
            raise
        except UnidentifiedImageError as why:
            raise Unusable(f"That file is no picture that can be kept; choose a {_listed(formats)}.") from why
        except Image.DecompressionBombError as why:
            raise Unusable(_TOO_MANY) from why
        # Pillow's readers raise whatever they stumble over
        except (
            OSError,
            SyntaxError,
            ValueError,
            TypeError,
            LookupError,
            ArithmeticError,
            MemoryError,
            RuntimeError,
        ) as why:
            raise Unusable(_DAMAGED) from why


def _unpack(
    content: bytes, formats: tuple[str, ...], mode: Literal["L", "RGB"], room: int | None
) -> Image.Image:
    source = _bare_png(content) if content.startswith(b"\x89PNG") else BytesIO(content)
    with Image.open(source, formats=formats) as picture:
        dots = picture.width * picture.height
        if dots > MOST_DOTS:
            raise Unusable(_TOO_MANY)
        if max(picture.size) > MOST_ACROSS:
            raise Unusable(f"That picture is longer than {MOST_ACROSS:,} dots; cut it, or choose another.")
        step = _step(dots)
        kind = picture.format or ""
        picture.draft(mode, (picture.width // step, picture.height // step))
        held: float = len(content) + picture.width * picture.height * _bytes_a_dot(picture)
        if kind in ("JPEG", "MPO"):
            held += dots * _held_between_passes(content)
        if room is not None and held > room:
            raise Unusable(
                f"That picture has {math.ceil(dots / 1e6)} million dots, and one of its kind may have about "
                f"{int(dots * room / held / 1e6)} million here; save it smaller, or as a plain JPEG."
            )
        small = _made_small(picture, mode)
        turned = picture.getexif().get(ExifTags.Base.Orientation)
    if turned is not None:
        small.getexif()[ExifTags.Base.Orientation] = turned
        ImageOps.exif_transpose(small, in_place=True)
    return small


def _listed(formats: tuple[str, ...]) -> str:
    names = ["WebP" if name == "WEBP" else name for name in formats]
    return ", ".join(names[:-1]) + " or " + names[-1]


def _step(dots: int) -> int:
    return max(1, math.isqrt(dots // KEPT_DOTS))


def _made_small(picture: Image.Image, mode: Literal["L", "RGB"]) -> Image.Image:
    """On white, each dot the mean of step × step; in strips, so that there is no second copy."""
    width, height = picture.size
    step = _step(width * height)
    small = Image.new(mode, (-(-width // step), -(-height // step)))
    deep = max(1, _STRIP_DOTS // width // step) * step
    for top in range(0, height, deep):
        strip = picture.crop((0, top, width, min(top + deep, height)))
        small.paste(_on_white(strip).convert(mode).reduce(step), (0, top // step))
    return small


def _on_white(picture: Image.Image) -> Image.Image:
    """Eight bits a dot; what can be seen through is white."""
    if picture.mode.startswith("I"):  # 16 bits, of which the upper eight are kept
        deep = np.asarray(picture)
        grey = (deep >> 8).astype(np.uint8)
        seen_through = picture.info.get("transparency")
        if isinstance(seen_through, int):
            grey[deep == seen_through] = 255
        return Image.fromarray(grey)
    if not picture.has_transparency_data:
        return picture
    white = Image.new("RGBA", picture.size, "white")
    white.alpha_composite(picture.convert("RGBA"))
    return white


def _bytes_a_dot(picture: Image.Image) -> int:
    return _BYTES_A_DOT_UNPACKING.get(picture.format or "", _BYTES_A_DOT.get(picture.mode, 4))


def _bare_png(content: bytes) -> BytesIO:
    """The PNG without its texts and colour profiles: those can unpack to far more than the dots."""
    whole, bare, at = memoryview(content), BytesIO(), 8
    bare.write(whole[:at])
    while at < len(content):
        end = at + 12 + int.from_bytes(whole[at : at + 4], "big")  # length, name, data, check sum
        if bytes(whole[at + 4 : at + 8]) in _NEEDED_CHUNKS:
            bare.write(whole[at:end])
        at = end
    bare.seek(0)
    return bare


def _held_between_passes(content: bytes) -> float:
    """Bytes a dot that are held of a JPEG that comes in several passes; 0 if it comes in one.

    Two bytes a sample (ITU-T T.81 for the markers, libjpeg for what it holds; both from memory).

    Raises:
        Unusable: if it comes in more passes than any picture needs.
    """
    at, samples, parts, several = 2, 0.0, 0, False
    while 0 <= (at := content.find(b"\xff", at)) < len(content) - 9:
        kind = content[at + 1]
        if kind == 0xFF:  # fills up
            at += 1
            continue
        if kind in (0x00, 0x01) or 0xD0 <= kind <= 0xD8:  # stand alone
            at += 2
            continue
        if kind == 0xDA:  # the first pass begins
            several = several or content[at + 4] < parts
            break
        if 0xC0 <= kind <= 0xCF and kind not in (0xC4, 0xC8, 0xCC):  # the frame
            several = kind in (0xC2, 0xC6, 0xCA, 0xCE)
            parts = content[at + 9]
            sampling = [(byte >> 4, byte & 15) for byte in content[at + 11 : at + 10 + 3 * parts : 3]]
            most = max((across for across, _ in sampling), default=1) * max(
                (down for _, down in sampling), default=1
            )
            samples = sum(across * down for across, down in sampling) / max(1, most)
        at += 2 + int.from_bytes(content[at + 2 : at + 4], "big")
    if not several:
        return 0
    if content.count(b"\xff\xda") > _MOST_PASSES:
        raise Unusable(_DAMAGED)
    return 2 * samples
