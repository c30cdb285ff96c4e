"""Photographs that are put on a row: looked through, set upright, made small, and kept as JPEG."""

from __future__ import annotations

import threading
import warnings
from io import BytesIO

from PIL import Image, ImageOps, UnidentifiedImageError

from server.web.rendering import NotUnderstood

MEDIA_TYPE = "image/jpeg"
"""Of what is kept."""

MOST_DOTS = 50_000_000
"""Dots of a photograph as it comes. A small file can unpack to gigabytes, here and in every browser."""
LONGEST = 2_000
"""Dots of the longer side as it is kept: threads can be counted, and the database stays small."""

_FORMATS = ("JPEG", "PNG", "WEBP")

_one_at_a_time = threading.Lock()


def kept_photograph(content: bytes) -> bytes:
    """The JPEG that is kept of a photograph: upright, without where and with what it was taken.

    Args:
        content: a JPEG, PNG or WebP file; of a moving picture the first is kept.

    Raises:
        NotUnderstood: if it is none of these, is broken, or too large to be unpacked.
    """
    with _one_at_a_time, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what Pillow warns of is refused or harmless
        try:
            with Image.open(BytesIO(content), formats=_FORMATS) as photograph:
                if photograph.width * photograph.height > MOST_DOTS:
                    raise NotUnderstood(_TOO_MANY)
                photograph.draft("RGB", (LONGEST, LONGEST))
                ImageOps.exif_transpose(photograph, in_place=True)
                small = _on_white(photograph)
                small.thumbnail((LONGEST, LONGEST))
        except NotUnderstood:
            raise
        except UnidentifiedImageError as why:
            raise NotUnderstood(
                "That file is no picture that can be kept; choose a JPEG, PNG or WebP."
            ) from why
        except Image.DecompressionBombError as why:
            raise NotUnderstood(_TOO_MANY) from why
        # Pillow's readers raise whatever they stumble over
        except (
            OSError,
            SyntaxError,
            ValueError,
            TypeError,
            LookupError,
            ArithmeticError,
            MemoryError,
        ) as why:
            raise NotUnderstood(
                "That picture is broken off or damaged; take it again, or choose another."
            ) from why
        kept = BytesIO()
        small.save(kept, "JPEG", quality=85)
    return kept.getvalue()


_TOO_MANY = (
    f"That picture has more than {MOST_DOTS // 1_000_000} million dots; "
    "set the camera to a smaller size, or choose another."
)


def _on_white(photograph: Image.Image) -> Image.Image:
    """In red, green and blue; what can be seen through is white."""
    if photograph.mode.startswith("I"):  # 16 bits a dot, of which the upper eight are kept
        return photograph.convert("I").point(lambda dot: dot / 256).convert("RGB")
    if not photograph.has_transparency_data:
        return photograph.convert("RGB")
    white = Image.new("RGBA", photograph.size, "white")
    white.alpha_composite(photograph.convert("RGBA"))
    return white.convert("RGB")
