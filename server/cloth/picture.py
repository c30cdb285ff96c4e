"""How a cloth looks: any part of it, at true proportion, from the whole piece down to single threads.

Pictures are rows × columns × red, green, blue, 0 to 255; the first pick is at the bottom.
"""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from math import ceil

import numpy as np
import numpy.typing as npt
from PIL import Image

from server.cloth.crossings import AT_ONCE, Crossings, Draft, Window, from_below, weave
from server.cloth.floats import Side
from server.cloth.yarns import Yarn
from server.design.threads import Threads

Picture = npt.NDArray[np.uint8]

MOST_DOTS = 4_000_000

MOST_CROSSINGS = 100_000_000
"""In one picture."""

_THREADS_FROM = 1.5
"""Dots to a thread from which threads are drawn one by one; below, what can be seen is their mixture."""
_FINEST = 64
"""Dots to a thread in drawing; beyond, the drawing is enlarged."""

_SHADOW = 0.42
_MARK, _MARK_EDGE = (246, 189, 30), (20, 22, 58)


@dataclass(frozen=True, slots=True)
class View:
    """How a cloth is looked at.

    Attributes:
        side: the back is seen as the cloth is turned over like a page: left and right change.
        mark: a part of the cloth with a frame drawn around it.
    """

    warp: Yarn
    weft: Yarn
    side: Side = "front"
    mark: Window | None = None


def height_of(threads: Threads, window: Window, width: int) -> int:
    """Dots that a picture so many dots wide is high, at true proportion; at least 1."""
    ratio = (len(window.picks) / threads.picks_per_cm) / (len(window.ends) / threads.ends_per_cm)
    return max(1, round(width * ratio))


def draw(draft: Draft, window: Window, width: int, view: View) -> Picture:
    """A part of a cloth.

    Args:
        width: dots across; the height follows (`height_of`).

    Raises:
        ValueError: with a sentence, if the picture or the part is too large.
    """
    height = height_of(draft.threads, window, width)
    if width * height > MOST_DOTS:
        raise ValueError(f"That picture would be {width:,} × {height:,} dots; {MOST_DOTS:,} are the most.")
    if min(width / len(window.ends), height / len(window.picks)) >= _THREADS_FROM:
        picture = _thread_by_thread(draft, window, width, height, view)
    else:
        if window.crossings > MOST_CROSSINGS:
            raise ValueError("So much of this cloth does not go into one picture. Look at a part of it.")
        picture = _mixed(draft, window, width, height, view)
    if view.mark is not None:
        _draw_mark(picture, window, view.mark, view.side)
    return picture


def png(picture: Picture) -> bytes:
    """The picture as a PNG file."""
    kept = BytesIO()
    Image.fromarray(picture).save(kept, "PNG", compress_level=1)
    return kept.getvalue()


# --- from afar -----------------------------------------------------------------------------------------


def _mixed(draft: Draft, window: Window, width: int, height: int, view: View) -> Picture:
    """Each dot in the mixture of the threads under it, by the area that each has there."""
    along = np.linspace(window.picks.start, window.picks.stop, height + 1)
    lines_at_once = max(1, int(AT_ONCE / (along[1] - along[0]) / len(window.ends)))
    share = np.empty((height, width), dtype=np.uint8)
    for line in range(0, height, lines_at_once):
        last = min(line + lines_at_once, height)
        first_pick = int(along[line])
        picks = range(first_pick, min(ceil(along[last]), window.picks.stop))
        over = weave(draft, Window(window.ends, picks)).view(np.uint8) * np.uint8(255)
        box = (0, along[line] - first_pick, len(window.ends), min(along[last] - first_pick, len(picks)))
        how = Image.Resampling.BOX if width <= len(window.ends) else Image.Resampling.BILINEAR
        share[line:last] = np.asarray(Image.fromarray(over).resize((width, last - line), how, box=box))
    share = share[::-1] if view.side == "front" else 255 - share[::-1, ::-1]
    warp, weft = (tile.mean(axis=(0, 1)) for tile in _tiles(8, 8, view)[[4, 0]])
    colours = (weft + np.linspace(0, 1, 256)[:, None] * (warp - weft)).round().astype(np.uint8)
    return np.take(colours, share, axis=0)


# --- thread by thread ----------------------------------------------------------------------------------


def _thread_by_thread(draft: Draft, window: Window, width: int, height: int, view: View) -> Picture:
    """Each crossing as a small drawing, of a few kinds: which thread is on top, and where it dives under."""
    seen = _with_margin(draft, window)[::-1]
    if view.side == "back":
        seen = from_below(seen)
    here = seen[1:-1, 1:-1]
    dives_before = np.where(here, ~seen[:-2, 1:-1], seen[1:-1, :-2])
    dives_after = np.where(here, ~seen[2:, 1:-1], seen[1:-1, 2:])
    kinds = here * np.uint8(4) + dives_before * np.uint8(2) + dives_after
    high = min(_FINEST, ceil(height / len(window.picks)))
    wide = min(_FINEST, ceil(width / len(window.ends)))
    tiles = _tiles(high, wide, view).round().astype(np.uint8)
    drawn = np.empty((len(here), high, here.shape[1], wide, 3), dtype=np.uint8)
    for line in range(high):
        drawn[:, line] = tiles[:, line][kinds]
    picture = drawn.reshape(len(here) * high, here.shape[1] * wide, 3)
    if picture.shape[:2] == (height, width):
        return picture
    smaller = picture.shape[0] >= height and picture.shape[1] >= width
    how = Image.Resampling.BOX if smaller else Image.Resampling.BICUBIC
    return np.array(Image.fromarray(picture).resize((width, height), how))


def _with_margin(draft: Draft, window: Window) -> Crossings:
    """The crossings with a thread more on each side; at the edges of the cloth the threads there go on."""
    ends, picks = window.ends, window.picks
    wider = Window(
        range(max(0, ends.start - 1), min(draft.ends, ends.stop + 1)),
        range(max(0, picks.start - 1), min(draft.picks, picks.stop + 1)),
    )
    lacking = (
        (wider.picks.start - picks.start + 1, picks.stop + 1 - wider.picks.stop),
        (wider.ends.start - ends.start + 1, ends.stop + 1 - wider.ends.stop),
    )
    return np.pad(weave(draft, wider), lacking, mode="edge")


def _tiles(high: int, wide: int, view: View) -> npt.NDArray[np.float64]:
    """The kinds of crossings, drawn: 4 if the warp is on top, and 2 and 1 if the thread on top dives.

    By warp, 2 is diving above and 1 below; by weft, 2 at the left and 1 at the right.
    """
    warp, weft = (np.array(yarn.colour, dtype=np.float64) for yarn in (view.warp, view.weft))
    down = (np.arange(4 * high) + 0.5)[:, None] / (4 * high) + np.zeros((1, 4 * wide))
    right = (np.arange(4 * wide) + 0.5)[None, :] / (4 * wide) + np.zeros((4 * high, 1))
    kinds = []
    for kind in range(8):
        top, below = (warp, weft) if kind & 4 else (weft, warp)
        along, across = (down, right) if kind & 4 else (right, down)
        covers, light = _thread(along, across, bool(kind & 2), bool(kind & 1), lit=1.0 if kind & 4 else 0.9)
        drawn = covers[..., None] * top * light[..., None] + (1 - covers[..., None]) * below * _SHADOW
        kinds.append(drawn.reshape(high, 4, wide, 4, 3).mean(axis=(1, 3)))
    return np.stack(kinds).clip(0, 255)


def _thread(
    along: npt.NDArray[np.float64],
    across: npt.NDArray[np.float64],
    dives_before: bool,
    dives_after: bool,
    lit: float,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Where a thread covers what is below it, and how light it is there: round, and darker where it dives.

    The light falls on the warp, so that a cloth in one colour still shows its figure.
    """
    dive = np.zeros_like(along)
    if dives_before:
        dive = np.maximum(dive, 1 - along / 0.45)
    if dives_after:
        dive = np.maximum(dive, 1 - (1 - along) / 0.45)
    half = 0.94 * np.sqrt(1 - 0.62 * dive**2)
    from_middle = np.abs(2 * across - 1)
    covers = (from_middle < half).astype(np.float64)
    roundness = np.sqrt(np.clip(1 - (from_middle / half) ** 2, 0, 1))
    twist = 0.03 * np.sin(2 * np.pi * (2 * along + across))
    light = lit * (0.66 + 0.36 * roundness + 0.06 * (1 - 2 * across) + twist) * (1 - 0.38 * dive**2)
    return covers, light


# --- a mark --------------------------------------------------------------------------------------------


def _draw_mark(picture: Picture, window: Window, mark: Window, side: Side) -> None:
    """A frame around a part of the cloth, yellow with a dark edge; nothing where it is out of sight."""
    height, width, _ = picture.shape
    left = round((mark.ends.start - window.ends.start) / len(window.ends) * width)
    right = round((mark.ends.stop - window.ends.start) / len(window.ends) * width)
    bottom = height - round((mark.picks.start - window.picks.start) / len(window.picks) * height)
    top = height - round((mark.picks.stop - window.picks.start) / len(window.picks) * height)
    if side == "back":
        left, right = width - right, width - left
    thin = max(2, width // 250)
    for grown, thick, colour in ((3 * thin, 3 * thin, _MARK_EDGE), (2 * thin, thin, _MARK)):
        x0, x1, y0, y1 = left - grown, right + grown, top - grown, bottom + grown
        for rows, columns in (
            ((y0, y0 + thick), (x0, x1)),
            ((y1 - thick, y1), (x0, x1)),
            ((y0, y1), (x0, x0 + thick)),
            ((y0, y1), (x1 - thick, x1)),
        ):
            picture[_inside(rows, height), _inside(columns, width)] = colour


def _inside(part: tuple[int, int], length: int) -> slice:
    return slice(*(min(max(place, 0), length) for place in part))
