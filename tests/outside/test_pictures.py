"""Pictures read as cells, beside plain definitions and published figures; what memory it takes."""

from __future__ import annotations

import struct
import subprocess
import sys
import zlib
from fractions import Fraction
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from server.design.cells import Cells
from server.design.pictures import Reading, cell_proportion, cells_of, level_of, without_specks

HERE = Path(__file__).parents[2]


@pytest.mark.parametrize(
    ("ends_per_unit", "picks_per_row", "ends", "picks"),
    [(1, 1, 100, 100), (4, 4, 100, 100), (2, 3, 100, 150), (3, Fraction(4 + 5, 2), 100, 150)],
)
def test_cells_are_square_with_the_published_picks_to_a_card(
    ends_per_unit: int, picks_per_row: int | Fraction, ends: int, picks: int
) -> None:
    """T. F. Bell, Jacquard Weaving and Designing, 1895 (SOURCES.md, 3); the cloths are to come out square."""
    assert cell_proportion(ends_per_unit, picks_per_row, ends, picks) == 1


def test_a_cell_of_twice_the_picks_is_twice_as_high() -> None:
    assert cell_proportion(2, 6, 100, 150) == 2
    assert cell_proportion(4, 3, 100, 150) == Fraction(1, 2)


def within(greys: np.ndarray) -> float:
    return float(((greys - greys.mean()) ** 2).sum()) if greys.size else 0.0


@settings(max_examples=40)
@given(st.lists(st.integers(0, 255), min_size=2, max_size=40))
def test_the_level_is_that_of_least_spread_on_either_side(dots: list[int]) -> None:
    """N. Otsu, 1979: the greatest variance between is the least within; here by trying every level."""
    greys = np.array(dots, dtype=np.float64)
    spread = [within(greys[greys < level]) + within(greys[greys >= level]) for level in range(256)]
    level = level_of(np.bincount(dots, minlength=256).tolist())
    assert spread[level] == pytest.approx(min(spread), abs=1e-6)


@settings(max_examples=60)
@given(st.integers(1, 9), st.integers(1, 9), st.integers(1, 6), st.integers(1, 6), st.integers(0, 2**32))
def test_a_cell_is_dark_if_the_mean_of_its_dots_is(
    units: int, rows: int, across: int, down: int, seed: int
) -> None:
    dots = np.random.default_rng(seed).integers(0, 256, (rows * down, units * across), dtype=np.uint8)
    means = dots.reshape(rows, down, units, across).mean(axis=(1, 3))
    cells = cells_of(Image.fromarray(dots), Reading(units, rows=rows, level=128))[::-1]
    sure = abs(means - 127.5) > 1.5  # Pillow rounds once for each direction
    assert np.array_equal(cells[sure], (means < 128)[sure])


def patches(cells: Cells) -> list[list[tuple[int, int]]]:
    """What hangs together by sides, found by walking from cell to cell."""
    rows, units = cells.shape
    left, found = {(row, unit) for row in range(rows) for unit in range(units)}, []
    while left:
        to_do = [left.pop()]
        patch = []
        while to_do:
            row, unit = to_do.pop()
            patch.append((row, unit))
            for near in ((row + 1, unit), (row - 1, unit), (row, unit + 1), (row, unit - 1)):
                if near in left and cells[near] == cells[row, unit]:
                    left.remove(near)
                    to_do.append(near)
        found.append(patch)
    return found


@settings(max_examples=150)
@given(st.integers(1, 12), st.integers(1, 12), st.floats(0, 1), st.integers(1, 12), st.integers(0, 2**32))
def test_specks_are_those_found_by_walking_from_cell_to_cell(
    rows: int, units: int, share: float, smallest: int, seed: int
) -> None:
    cells = np.random.default_rng(seed).random((rows, units)) < share
    by_hand = cells.copy()
    for lifted in (True, False):
        for patch in patches(by_hand):
            if by_hand[patch[0]] == lifted and len(patch) < min(smallest, cells.size):
                for cell in patch:
                    by_hand[cell] = not lifted
    found = without_specks(cells, smallest)
    assert np.array_equal(found, by_hand)
    left = patches(found)
    assert len(left) == 1 or min(map(len, left)) >= smallest
    assert np.array_equal(without_specks(found, smallest), found)


def chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def png(side: int, bits: int, colour: int, bits_a_dot: int, more: bytes = b"") -> bytes:
    """A whole picture of nothing, and small as a file."""
    line, packed = bytes(1 + side * bits_a_dot // 8), zlib.compressobj(1)
    data = b"".join(packed.compress(line) for _ in range(side)) + packed.flush()
    head = struct.pack(">IIBBBBB", side, side, bits, colour, 0, 0, 0)
    parts = chunk(b"IHDR", head) + more + chunk(b"IDAT", data) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + parts


def saved(side: int, kind: str, **how: object) -> bytes:
    out = BytesIO()
    few = np.random.default_rng(5).integers(0, 256, (40, 40, 3), dtype=np.uint8)
    Image.fromarray(few).resize((side, side)).save(out, kind, **how)
    return out.getvalue()


def hostile() -> dict[str, tuple[bool, bytes]]:
    """By name: whether it can be read, and the file. Those that can are close to the most that can."""
    # in memory four bytes a letter, for the sake of the first
    letter = zlib.compress(b"\xf0\x9f\x98\x80" + b"a" * 1_000_000)
    texts = b"".join(chunk(b"iTXt", b"k%d\0\1\0\0\0" % number + letter) for number in range(60))
    palette = chunk(b"PLTE", bytes(768)) + chunk(b"tRNS", bytes(256))
    return {
        "20,000 × 20,000": (False, png(20_000, 1, 0, 1)),
        "in colours, seen through": (True, png(4900, 8, 6, 32)),
        "palette, seen through": (True, png(7000, 8, 3, 8, palette)),
        "texts": (True, png(4000, 8, 2, 24, texts)),
        "WebP": (True, saved(2400, "WEBP", method=0)),
        "JPEG in passes": (True, saved(3700, "JPEG", progressive=True, subsampling=0)),
    }


CHILD = """
import sys
import server.app, server.cli, server.serving
from server.design.piece_file import Unusable
from server.design.pictures import Reading, read_picture
for name in sys.argv[1:]:
    how = "dots" if name is sys.argv[-1] else "solid"
    with open(name, "rb") as file:
        content = file.read()
    try:
        read_picture(content, Reading(2000, rows=2000, how=how, smallest=3))
        print("read")
    except Unusable as refusal:
        print("refused")
with open("/proc/self/status") as status:
    print([line.split()[1] for line in status if line.startswith("VmHWM")][0])
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the process's peak is read from Linux")
def test_memory_stays_below_300_mb_whatever_is_brought_in(tmp_path: Path) -> None:
    """The peak of a process that has loaded the whole house, and reads them one after the other.

    Not by getrusage: that counts what the process was started from as well.
    """
    files = hostile()
    for number, (_, content) in enumerate(files.values()):
        (tmp_path / str(number)).write_bytes(content)
    names = [str(tmp_path / str(number)) for number in range(len(files))]
    child = subprocess.run(
        [sys.executable, "-c", CHILD, *names],
        cwd=HERE,
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )
    *what, peak = child.stdout.split()
    assert dict(zip(files, what, strict=True)) == {
        name: "read" if can_be else "refused" for name, (can_be, _) in files.items()
    }
    assert int(peak) * 1024 < 300_000_000, peak
