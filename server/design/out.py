"""A design out, for other hands and for paper: a table, a squared chart as a drawing, a picture.

As a chart in plain text: `server.design.chart_text.write_chart`; as WIF: `server.design.wif.write_wif`. The
same design always gives the same file. The first row woven is at the bottom, the unit at the weaver's left at
the left.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from fractions import Fraction
from math import ceil
from xml.sax.saxutils import escape

import numpy as np
from PIL import Image

from server.design.cells import Cells
from server.design.piece_file import Unusable
from server.design.wif_sections import one_line

INK, RULE, PAPER = "#14163a", "#a9a597", "#ffffff"

MOST_DRAWN = 2_000_000
"""Cells of a drawing; more would make a file that nothing opens."""

MOST_DOTS = 50_000_000
"""Dots of a picture."""

CELL = 10
"""Width of a cell in a drawing."""

Numbered = Callable[[int], int]
"""A unit's number, from the weaver's left, as she counts."""

_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def table(lines: Iterable[Sequence[str | int]]) -> str:
    """Lines as CSV. Text that a spreadsheet would work out as a formula gets a ' before it."""
    written = io.StringIO()
    writer = csv.writer(written)
    for line in lines:
        writer.writerow(
            [
                f"'{cell}" if isinstance(cell, str) and cell.startswith(_STARTS_A_FORMULA) else cell
                for cell in line
            ]
        )
    return written.getvalue()


def design_csv(
    cells: Cells, leashes: Sequence[int], single_cords: Iterable[int] = (), unit_number: Numbered = int
) -> str:
    """Units as columns, rows in weaving order: 1 lifted, 0 not. Shafts and single draw cords stand above.

    Args:
        leashes: per unit its pattern shaft; 0 for none.
        single_cords: units (from 1) that have one.
    """
    units, corded = len(leashes), set(single_cords)

    def lines() -> Iterator[Sequence[str | int]]:
        yield ["row", *(unit_number(unit) for unit in range(1, units + 1))]
        yield ["shaft", *leashes]
        yield ["single draw cord", *(int(unit in corded) for unit in range(1, units + 1))]
        for number, row in enumerate(cells, 1):
            yield [number, *row.astype(int).tolist()]

    return table(lines())


def design_svg(
    name: str, cells: Cells, proportion: Fraction = Fraction(1), unit_number: Numbered = int
) -> str:
    """The squared chart as a drawing, every tenth row and unit numbered.

    Args:
        proportion: height of a cell as woven over its width.

    Raises:
        Unusable: if it has too many cells, or a cell cannot have this proportion.
    """
    _check_proportion(proportion)
    rows, units = cells.shape
    if cells.size > MOST_DRAWN:
        raise Unusable(
            f"A drawing of {rows:,} rows and {units:,} units would be too large; take the picture instead."
        )
    left, top, tall = 40, 10, CELL * float(proportion)
    right, foot = left + CELL * units, top + tall * rows

    def y(row: int) -> str:
        """The upper edge of a row; of row 0: the lower edge of the first."""
        return number_text(top + tall * (rows - row))

    runs = "".join(
        f"M{left + CELL * start} {y(row + 1)}h{CELL * (end - start)}V{y(row)}h{CELL * (start - end)}z"
        for row, start, end in runs_lifted(cells)
    )
    fine = "".join(f"M{left} {y(row)}H{right}" for row in range(rows + 1) if row % 10)
    fine += "".join(f"M{left + CELL * at} {top}V{number_text(foot)}" for at in range(units + 1) if at % 10)
    bold = "".join(f"M{left} {y(row)}H{right}" for row in (*range(0, rows, 10), rows))
    bold += "".join(f"M{left + CELL * at} {top}V{number_text(foot)}" for at in (*range(0, units, 10), units))
    numbers = "".join(
        text_svg(left - 4, top + tall * (rows - row + 0.5) + 3, row, "end") for row in range(10, rows + 1, 10)
    ) + "".join(
        text_svg(left + CELL * (unit - 0.5), foot + 12, unit_number(unit), "middle")
        for unit in range(1, units + 1)
        if unit_number(unit) % 10 == 0
    )
    body = (
        f'<path fill="{INK}" d="{runs}"/>'
        f'<path fill="none" stroke="{RULE}" stroke-width="0.5" d="{fine}"/>'
        f'<path fill="none" stroke="{RULE}" stroke-width="1.5" d="{bold}"/>{numbers}'
    )
    return drawing(right + 10, foot + 20, name, body)


def runs_lifted(cells: Cells) -> Iterator[tuple[int, int, int]]:
    """Runs of lifted cells along the rows: row, first unit, unit after the last, all from 0."""
    edged = np.zeros((cells.shape[0], cells.shape[1] + 2), dtype=np.int8)
    edged[:, 1:-1] = cells
    change = np.diff(edged, axis=1)
    row, start = np.nonzero(change == 1)
    _, end = np.nonzero(change == -1)
    return zip(row.tolist(), start.tolist(), end.tolist(), strict=True)


def design_png(cells: Cells, dots: int = 8, proportion: Fraction = Fraction(1)) -> bytes:
    """The design as a black and white picture, lifted cells black, without lines.

    Args:
        dots: width of a cell. Where a cell would be lower than one dot, all are made larger.
        proportion: height of a cell as woven over its width; the picture as a whole keeps it to a dot.

    Raises:
        Unusable: if it has too many dots.
    """
    _check_proportion(proportion)
    if dots < 1:
        raise Unusable("A cell is at least one dot wide.")
    dots = max(dots, ceil(1 / proportion))
    rows, units = cells.shape
    edges = [round(row * dots * proportion) for row in range(rows + 1)]
    if edges[-1] * units * dots > MOST_DOTS:
        raise Unusable(
            f"A picture of {units * dots:,} × {edges[-1]:,} dots is too large; take fewer dots to a cell."
        )
    upright = np.repeat(cells[::-1], np.diff(edges)[::-1], axis=0)
    paper = np.packbits(~np.repeat(upright, dots, axis=1), axis=1)
    return png(Image.frombytes("1", (units * dots, edges[-1]), paper.tobytes()))


def png(picture: Image.Image) -> bytes:
    """A picture as a PNG file."""
    written = io.BytesIO()
    picture.save(written, format="PNG")
    return written.getvalue()


def _check_proportion(proportion: Fraction) -> None:
    if not Fraction(1, 100) <= proportion <= 100:
        raise Unusable("A cell is at most a hundred times as high as wide, or as wide as high.")


# --- drawings ------------------------------------------------------------------------------------------


def drawing(width: float, height: float, title: str, body: str) -> str:
    """An SVG file on white paper, whose title is some text from outside."""
    wide, high = number_text(width), number_text(height)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide}" height="{high}" viewBox="0 0 {wide} {high}">'
        f"<title>{escape(one_line(title))}</title>"
        f'<rect width="100%" height="100%" fill="{PAPER}"/>{body}</svg>\n'
    )


def text_svg(x: float, y: float, text: str | int, anchor: str, size: int = 9) -> str:
    """A few letters in a drawing."""
    return (
        f'<text x="{number_text(x)}" y="{number_text(y)}" text-anchor="{anchor}" font-size="{size}" '
        f'font-family="sans-serif" fill="{INK}">{escape(str(text))}</text>'
    )


def number_text(number: float) -> str:
    """A length in a drawing, to the hundredth."""
    return f"{number:.2f}".rstrip("0").rstrip(".")
