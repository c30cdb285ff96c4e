"""A piece, its plan or a design taken away as a file: pictures, drawings, texts, tables, drafts, our own."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, isqrt
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, HTTPException, Request
from starlette.responses import Response

from server.design.cells import Cells, to_cells
from server.design.chart_text import write_chart
from server.design.design import piece_text, write_design
from server.design.out import design_csv, design_png, design_svg
from server.design.piece_file import Unusable
from server.design.threads import Threads
from server.design.warp import write_warp
from server.design.wif import write_wif
from server.loom.state import Loom
from server.plan.workorder import write_workorder
from server.session.naming import Naming
from server.session.order_out import order_csv, order_png, order_svg, order_text, order_wif
from server.store.board import KeptDesign
from server.store.weavings import Weaving
from server.web.cloth import cells_of
from server.web.rendering import page, preferences_of, store_of, weaving_of
from server.web.squared import design_of

router = APIRouter()

MOST_DOTS = 20_000_000
"""Of the picture of a design; the dots to a cell follow."""
DOTS_TO_A_CELL = 12

MEDIA_TYPES = {
    "png": "image/png",
    "svg": "image/svg+xml",
    "txt": "text/plain; charset=utf-8",
    "csv": "text/csv; charset=utf-8",
    "wif": "text/plain; charset=utf-8",
    "json": "application/json",
}

REPLANNED = "The plan that the piece came with. What was planned anew on the way is on the sheets to print."

Writer = Callable[[], str | bytes]


@dataclass(frozen=True, slots=True)
class FileLine:
    """A file that can be taken away.

    Attributes:
        name: its last part in the address: "design.png".
        title: "Picture (PNG)".
        words: what it is good for.
    """

    name: str
    title: str
    words: str


DESIGN_FILES = (
    FileLine("design.png", "Picture (PNG)", "Black and white, cells in the proportion of the cloth."),
    FileLine("design.svg", "Drawing (SVG)", "The squared chart with its numbers, sharp at every size."),
    FileLine("design.txt", "Plain text", "A character a cell, the row woven last at the top."),
    FileLine("design.csv", "Table (CSV)", "A column a unit, a line a row, the row woven first at the top."),
    FileLine("design.wif", "Draft (WIF)", "A thread a unit, with the leash order as threading."),
)
ORDER_FILES = (
    FileLine("order.txt", "Plain text", "Everything to do, a line each, in order."),
    FileLine("order.png", "Picture (PNG)", "The lift plan, the row woven first at the bottom."),
    FileLine("order.svg", "Drawing (SVG)", "The same, sharp at every size."),
    FileLine("order.csv", "Table (CSV)", "A line for each thing to do."),
    FileLine("order.wif", "Draft (WIF)", "The lift plan, with each temporary as one more shaft."),
    FileLine("order.json", "For Spareshaft (JSON)", "The plan, as it was worked out."),
)
PIECE_FILE = FileLine(
    "piece.json", "For Spareshaft (JSON)", "The piece’s own file; it can be brought in again."
)
BOARD_FILES = (
    FileLine(
        "piece.json", "The piece (JSON)", "The design on its warp, to be brought in as a piece elsewhere."
    ),
    FileLine("design.json", "The design (JSON)", "Its bands as they are drawn."),
    FileLine("warp.json", "The warp (JSON)", "The warp that it is drawn on."),
)


# --- a file as it goes out -----------------------------------------------------------------------------


def disposition(name: str, what: str, ending: str) -> str:
    """The header that gives a file its name: the weaver's where that can be, plain letters for old programs.

    Args:
        name: of the piece or design, whatever is in it.
        what: added to it, in plain letters.
    """
    kept = "".join(letter if letter.isprintable() else " " for letter in name)
    kept = " ".join(re.sub(r'[\\/:*?"<>|%;]', " ", kept).split()).strip(". ")
    kept = kept.encode("utf-8", "ignore")[:150].decode("utf-8", "ignore").strip()
    plain = unicodedata.normalize("NFKD", kept).encode("ascii", "ignore").decode("ascii")
    plain = " ".join(re.sub(r"[^A-Za-z0-9 ._-]", " ", plain).split()).strip(". ")
    full, old = (f"{word} {what}".strip() + f".{ending}" for word in (kept, plain))
    return f"attachment; filename=\"{old}\"; filename*=UTF-8''{quote(full, safe='')}"


def sent(name: str, what: str, ending: str, content: str | bytes) -> Response:
    """A file to be kept. Whoever opens a drawing in the browser all the same opens it shut in a box."""
    if isinstance(content, str):
        content = content.encode("utf-8-sig" if ending == "csv" else "utf-8", "replace")
    headers = {
        "Content-Disposition": disposition(name, what, ending),
        "Content-Security-Policy": "default-src 'none'; sandbox",
    }
    return Response(content, media_type=MEDIA_TYPES[ending], headers=headers)


# --- a design, of a piece or on the board --------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Drawn:
    """A design on its loom.

    Attributes:
        picks: of each row.
        threads: None where nothing tells them: cells are square then.
    """

    name: str
    cells: Cells
    loom: Loom
    picks: Sequence[int]
    threads: Threads | None
    naming: Naming

    @property
    def usual_picks(self) -> Fraction:
        """Picks of a row on average; rows that lift nothing do not count: a hem is one row of many picks."""
        lifting = [picks for picks, row in zip(self.picks, self.cells, strict=True) if row.any()]
        counted = lifting or self.picks or [1]
        return Fraction(sum(counted), len(counted))

    @property
    def proportion(self) -> Fraction:
        """Height of a cell over its width, between what can be drawn."""
        if self.threads is None:
            return Fraction(1)
        usual = self.threads.proportion(self.usual_picks)
        return min(max(usual, Fraction(1, 100)), Fraction(100))

    def png(self) -> bytes:
        """The picture, with as many dots to a cell as its limit allows.

        Raises:
            Unusable: if even the fewest are too many.
        """
        fewest = ceil(1 / self.proportion)  # so that each row has a dot
        most = isqrt(int(MOST_DOTS / self.proportion / max(1, self.cells.size)))
        if most < fewest:
            raise Unusable(
                f"A picture of this design would have more than {MOST_DOTS // 1_000_000} million dots; "
                "take the table or the text instead."
            )
        return design_png(self.cells, min(max(DOTS_TO_A_CELL, fewest), most), self.proportion)

    def csv(self) -> str:
        """The table, as she counts."""
        leashes = list(map(self.naming.shaft, self.loom.leashes))
        return design_csv(self.cells, leashes, self.loom.single_cords, self.naming.unit)

    def wif(self) -> str:
        """The draft, as files count."""
        threads = self.threads
        return write_wif(
            self.name,
            self.loom.leashes,
            self.loom.pattern_shafts,
            self.cells,
            single_cords=sorted(self.loom.single_cords),
            units_per_cm=threads.ends_per_cm / threads.usual_ends if threads else None,
            rows_per_cm=threads.picks_per_cm / self.usual_picks if threads else None,
        )

    def writers(self) -> dict[str, Writer]:
        """How each of `DESIGN_FILES` is written; each may raise Unusable."""
        return {
            "design.png": self.png,
            "design.svg": lambda: design_svg(self.name, self.cells, self.proportion, self.naming.unit),
            "design.txt": lambda: write_chart(self.cells),
            "design.csv": self.csv,
            "design.wif": self.wif,
        }


# --- the pages -----------------------------------------------------------------------------------------


def _answer(name: str, file: str, writers: dict[str, Writer], refused: Callable[[str], Response]) -> Response:
    """The file of that name, or the page with the reason why there is none."""
    writer = writers.get(file)
    if writer is None:
        raise HTTPException(404, "There is no such file here.")
    what, _, ending = file.rpartition(".")
    try:
        content = writer()
    except Unusable as why:
        return refused(str(why))
    return sent(name, {"order": "plan"}.get(what, what), ending, content)


@router.get("/pieces/{piece}/files")
def show_piece_files(request: Request, piece: str) -> Response:
    """All that can be taken away of a piece."""
    return _piece_page(weaving_of(request, piece))


def _piece_page(weaving: Weaving, message: str = "") -> Response:
    groups = [
        ("The design", "", DESIGN_FILES),
        ("The plan", REPLANNED if weaving.courses else "", ORDER_FILES),
        ("The piece", "", (PIECE_FILE,)),
    ]
    address = f"/pieces/{weaving.id}/files"
    return _files_page(address, groups, message, weaving=weaving, kept=None)


def _files_page(address: str, groups: list[Any], message: str, **shown: Any) -> Response:
    status = 422 if message else 200
    return page("files.html", status=status, address=address, groups=groups, message=message, **shown)


@router.get("/pieces/{piece}/files/{file}")
def piece_files(request: Request, piece: str, file: str) -> Response:
    """A file of a piece."""
    weaving, store = weaving_of(request, piece), store_of(request)
    woven, order, chosen = weaving.piece, weaving.order, preferences_of(store_of(request), weaving.id)
    naming = chosen.naming(woven.loom)

    def own_file() -> str:
        text = store.piece_text(weaving.id)
        assert text is not None  # pieces are never removed
        return text

    # the design is put together only where it is asked for
    writers: dict[str, Writer] = {
        "order.txt": lambda: order_text(woven, order, naming, chosen.stance),
        "order.csv": lambda: order_csv(order, naming),
        "order.svg": lambda: order_svg(woven, order, naming),
        "order.png": lambda: order_png(woven, order, naming),
        "order.wif": lambda: order_wif(woven, order),
        "order.json": lambda: write_workorder(order),
        "piece.json": own_file,
    }
    if file not in writers:
        picks = [woven.picks(row) for row in range(1, len(woven.rows) + 1)]
        drawn = Drawn(woven.name, cells_of(woven), woven.loom, picks, woven.threads, naming)
        writers |= drawn.writers()
    return _answer(woven.name, file, writers, lambda why: _piece_page(weaving, why))


@router.get("/designs/{design}/files")
def show_design_files(request: Request, design: str) -> Response:
    """All that can be taken away of a design."""
    return _design_page(design_of(request, design))


def _design_page(kept: KeptDesign, message: str = "") -> Response:
    groups = [("The design", "", DESIGN_FILES), ("For Spareshaft", "", BOARD_FILES)]
    address = f"/designs/{kept.id}/files"
    return _files_page(address, groups, message, weaving=None, kept=kept)


@router.get("/designs/{design}/files/{file}")
def design_files(request: Request, design: str, file: str) -> Response:
    """A file of a design."""
    kept = design_of(request, design)
    rows, loom = kept.design.rows(), kept.warp.loom
    if not rows and file in {line.name for line in DESIGN_FILES}:
        return _design_page(kept, "There is nothing in this design yet; draw something first.")
    naming = preferences_of(store_of(request)).naming(loom)
    writers: dict[str, Writer] = {
        "piece.json": lambda: piece_text(kept.name, kept.design, kept.warp),
        "design.json": lambda: write_design(kept.design),
        "warp.json": lambda: write_warp(kept.warp),
    }
    if file not in writers:
        drawn = Drawn(kept.name, to_cells(rows), loom, kept.design.picks(), kept.warp.threads, naming)
        writers |= drawn.writers()
    return _answer(kept.name, file, writers, lambda why: _design_page(kept, why))
