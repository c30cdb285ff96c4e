"""Photographs that are put on a row: looked through, set upright, made small, and kept as JPEG."""

from __future__ import annotations

from io import BytesIO

from server.design.open_picture import unpack
from server.design.piece_file import Unusable
from server.web.rendering import NotUnderstood

MEDIA_TYPE = "image/jpeg"
"""Of what is kept."""

LONGEST = 2_000
"""Dots of the longer side as it is kept: threads can be counted, and the database stays small."""

_FORMATS = ("JPEG", "PNG", "WEBP")


def kept_photograph(content: bytes) -> bytes:
    """The JPEG that is kept of a photograph: upright, without where and with what it was taken.

    Args:
        content: a JPEG, PNG or WebP file; of a moving picture the first is kept.

    Raises:
        NotUnderstood: if it is none of these, is broken, or too large to be unpacked.
    """
    try:
        photograph = unpack(content, _FORMATS, "RGB")
    except Unusable as why:
        raise NotUnderstood(str(why)) from why
    photograph.thumbnail((LONGEST, LONGEST))
    kept = BytesIO()
    photograph.save(kept, "JPEG", quality=85, exif=b"")
    return kept.getvalue()
