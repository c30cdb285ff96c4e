"""A corpus of small figures that are not symmetric: the glyphs of Pillow's built-in bitmap font.

Source: the package Pillow carries the font; `PIL.ImageFont.load_default_imagefont()` gives it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from PIL import ImageFont

Cells = tuple[tuple[bool, ...], ...]
SHAFTS = 7


def glyphs() -> Iterator[tuple[str, Cells]]:
    """(character, its cells from the top, without empty margins) of every glyph that is not symmetric."""
    font = ImageFont.load_default_imagefont()
    for code in [*range(33, 127), *range(161, 256)]:
        mask = font.getmask(chr(code))
        width, height = mask.size
        cells = [[mask.getpixel((x, y)) > 0 for x in range(width)] for y in range(height)]
        rows = [y for y in range(height) if any(cells[y])]
        columns = [x for x in range(width) if any(row[x] for row in cells)]
        if not rows:
            continue
        cut = tuple(tuple(row[columns[0] : columns[-1] + 1]) for row in cells[rows[0] : rows[-1] + 1])
        if any(row != row[::-1] for row in cut):
            yield chr(code), cut


def glyph_piece(character: str, figure: Cells, points: int) -> dict[str, Any]:
    """The glyph across the turning point in the middle of a pointed order, over a symmetric ground.

    Woven from the foot of the glyph upwards, with a row of ground before and after.

    Args:
        points: how many points side by side; the glyph stands in the first.
    """
    up = list(range(1, SHAFTS + 1))
    leashes = (up + up[-2:0:-1]) * points + [1]
    left = SHAFTS - 1 - len(figure[0]) // 2
    rows = []
    for row, cells in enumerate([(), *reversed(figure), ()]):
        line = [(shaft + row) % 4 == 0 for shaft in leashes]
        line[left : left + len(cells)] = cells
        rows.append("".join("#" if lifted else "." for lifted in line))
    return {
        "format": "spareshaft-piece",
        "version": 1,
        "name": f"The glyph {character}, {points} points",
        "loom": {"pattern_shafts": SHAFTS, "spare_shafts": 12, "temporaries_per_shaft": 3},
        "leashes": leashes,
        "rows": rows,
    }


def glyph_pieces() -> Iterator[dict[str, Any]]:
    """Each figure once, on one, two and three points in turn; figures that look alike once only."""
    seen: set[Cells] = set()
    for character, figure in glyphs():
        if figure not in seen:
            seen.add(figure)
            yield glyph_piece(character, figure, points=1 + len(seen) % 3)
