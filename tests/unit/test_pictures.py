"""Pictures read as cells: what comes out, and what is refused."""

from __future__ import annotations

import struct
import zipfile
import zlib
from fractions import Fraction
from io import BytesIO

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageFile

from server.design.cells import Cells, to_cells, to_rows
from server.design.open_picture import MOST_ACROSS, MOST_CONTENT, open_picture
from server.design.pictures import (
    MIDDLE,
    MOST_READ,
    Reading,
    cell_proportion,
    level_of,
    read_picture,
    right_side,
    rows_of,
    swapped,
    turned_over,
    without_specks,
)
from server.design.piece_file import Unusable
from tests.outside.glyphs import glyphs

STEPS = ["#....", "##...", "###..", "#####"]
"""A figure that is its own mirror image in no way; from the top."""


def file_of(picture: Image.Image, kind: str = "PNG", **how: object) -> bytes:
    out = BytesIO()
    picture.save(out, kind, **how)
    return out.getvalue()


def picture_of(lines: list[str], dots: int = 1) -> Image.Image:
    """Black on white, so many dots a cell."""
    cells = np.repeat(np.repeat(to_cells(lines), dots, axis=0), dots, axis=1)
    return Image.fromarray(np.where(cells, np.uint8(0), np.uint8(255)))


def from_the_top(cells: Cells) -> list[str]:
    return list(to_rows(cells[::-1]))


def chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def png(width: int, height: int, bits: int, colour: int, data: bytes, more: bytes = b"") -> bytes:
    """A PNG as its specification has it (from memory). Colour: 0 grey, 2 RGB, 3 palette, 6 RGBA."""
    head = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    parts = chunk(b"IHDR", head) + more + chunk(b"IDAT", zlib.compress(data)) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + parts


def refusal_of(content: bytes, reading: Reading | None = None) -> str:
    with pytest.raises(Unusable) as refusal:
        read_picture(content, reading or Reading(units=5))
    sentence = str(refusal.value)
    assert sentence.endswith(".")
    assert "\n" not in sentence
    assert len(sentence) < 300
    return sentence


@pytest.mark.parametrize("kind", ["PNG", "GIF", "BMP", "WEBP", "JPEG"])
@pytest.mark.parametrize("dots", [1, 8])
def test_dark_is_lifted_and_the_top_is_woven_last(kind: str, dots: int) -> None:
    how = {"WEBP": {"lossless": True}, "JPEG": {"quality": 98}}.get(kind, {})
    cells = read_picture(file_of(picture_of(STEPS, dots), kind, **how), Reading(units=5))
    assert from_the_top(cells) == STEPS
    assert to_rows(cells)[0] == "#####"


def test_rows_follow_from_the_proportion_of_the_picture_and_of_the_cell() -> None:
    square = Image.new("L", (60, 60))
    assert rows_of(square, Reading(30)) == 30
    assert rows_of(square, Reading(30, proportion=Fraction(1, 2))) == 60
    assert rows_of(square, Reading(30, proportion=Fraction(3, 2))) == 20
    assert rows_of(square, Reading(30, rows=7)) == 7
    assert rows_of(Image.new("L", (60, 1)), Reading(3)) == 1
    assert rows_of(Image.new("L", (40, 30)), Reading(2)) == 2  # 1.5: half counts as a whole one
    assert read_picture(file_of(square), Reading(30, rows=7)).shape == (7, 30)


def test_a_thin_line_comes_through_when_the_picture_is_made_smaller() -> None:
    page = Image.new("L", (400, 400), 255)
    page.paste(0, (123, 0, 124, 400))
    cells = read_picture(file_of(page), Reading(40))
    assert to_rows(cells) == ("." * 12 + "#" + "." * 27,) * 40


def test_a_picture_smaller_than_the_units_keeps_its_corners() -> None:
    assert from_the_top(read_picture(file_of(picture_of(["#.", ".#"])), Reading(6))) == (
        ["###..."] * 3 + ["...###"] * 3
    )


def test_figure_and_ground_swapped() -> None:
    plain, light = (
        read_picture(file_of(picture_of(STEPS)), Reading(5, swapped=way)) for way in (False, True)
    )
    assert np.array_equal(light, swapped(plain))
    assert to_rows(light)[0] == "....."


def test_the_level_that_is_given_is_kept_to() -> None:
    greys = Image.fromarray(np.array([[0, 60, 127, 128, 200, 255]], dtype=np.uint8))
    lifted = {
        level: to_rows(read_picture(file_of(greys), Reading(6, level=level)))[0] for level in (0, 1, 128, 255)
    }
    assert lifted == {0: "......", 1: "#.....", 128: "###...", 255: "#####."}


@pytest.mark.parametrize(("grey", "cell"), [(0, "#"), (127, "#"), (128, "."), (255, ".")])
def test_a_picture_that_is_all_alike_is_all_lifted_or_all_ground(grey: int, cell: str) -> None:
    one = file_of(Image.new("L", (1, 1), grey))
    assert to_rows(read_picture(one, Reading(3, rows=2))) == (cell * 3,) * 2
    assert to_rows(read_picture(one, Reading(1))) == (cell,)


def test_the_level_found_lies_midway_between_two_greys() -> None:
    counts = [0] * 256
    assert level_of(counts) == MIDDLE
    counts[40] = 5
    assert level_of(counts) == MIDDLE
    counts[200] = 70
    assert level_of(counts) == 120  # 41 … 200 part them equally well
    counts[200], counts[41] = 0, 70
    assert level_of(counts) == 41


def test_dots_are_as_many_as_the_grey_is_dark_and_the_level_slides_them() -> None:
    grey = file_of(Image.new("L", (64, 64), 191))
    share = {
        level: read_picture(grey, Reading(64, how="dots", level=level)).mean()
        for level in (None, 128, 192, 0, 255)
    }
    assert share[None] == share[128] == pytest.approx(0.25, abs=0.03)
    assert share[192] == pytest.approx(0.5, abs=0.03)
    assert share[0] == 0
    assert share[255] == pytest.approx(0.75, abs=0.03)
    for dark, lifted in ((0, True), (255, False)):
        assert (read_picture(file_of(Image.new("L", (9, 9), dark)), Reading(9, how="dots")) == lifted).all()


def test_specks_of_either_kind_are_turned_over() -> None:
    lines = ["#......", "...####", ".#.#.##", "...####", "......."]
    clean = [".......", "...####", "...####", "...####", "......."]
    assert to_rows(without_specks(to_cells(lines), 2)) == tuple(clean)
    assert to_rows(without_specks(to_cells(lines), 1)) == tuple(lines)
    assert to_rows(without_specks(to_cells(clean), 13)) == (".......",) * 5
    read = read_picture(file_of(picture_of(lines, 3)), Reading(7, smallest=2))
    assert from_the_top(read) == clean


def test_what_touches_by_corners_only_is_not_one_patch() -> None:
    assert not without_specks(to_cells(["#..", ".#.", "..#"]), 2).any()
    ring = to_cells(["###", "#.#", "###"])
    assert without_specks(ring, 2).all()
    assert not without_specks(ring, 9).any()


def test_a_patch_may_wind_and_may_end_at_an_edge() -> None:
    winding = to_cells(["#####", "....#", "#####", "#....", "####."])
    assert np.array_equal(without_specks(winding, 4), winding)
    assert np.array_equal(without_specks(to_cells(["##.##"]), 2), to_cells(["#####"]))


@st.composite
def figures(draw: st.DrawFn) -> Cells:
    rows, units = draw(st.integers(1, 12)), draw(st.integers(1, 12))
    bits = draw(st.lists(st.booleans(), min_size=rows * units, max_size=rows * units))
    return np.array(bits, dtype=np.bool_).reshape(rows, units)


@settings(max_examples=40)
@given(figures(), st.integers(1, 3), st.booleans(), st.booleans(), st.sampled_from(["1", "L", "P", "RGBA"]))
def test_the_right_side_is_the_picture_whichever_side_is_up(
    cells: Cells, dots: int, wrong_side_up: bool, light: bool, mode: str
) -> None:
    picture = picture_of(list(to_rows(cells)), dots).convert(mode)
    reading = Reading(cells.shape[1], swapped=light, wrong_side_up=wrong_side_up)
    lifted = read_picture(file_of(picture), reading)
    seen = right_side(lifted, wrong_side_up)[::-1]
    assert np.array_equal(seen, ~cells if light else cells)
    assert np.array_equal(turned_over(turned_over(cells)), cells)


def test_lettering_can_be_read_on_the_right_side() -> None:
    for character, figure in glyphs():
        cells = np.array(figure)
        lifted = read_picture(
            file_of(picture_of(list(to_rows(cells)), 2)), Reading(cells.shape[1], wrong_side_up=True)
        )
        assert np.array_equal(right_side(lifted, True)[::-1], cells), character
        # woven as if the right side were up, it would come out backwards, and light on dark
        assert np.array_equal(lifted[::-1], ~cells[:, ::-1]), character


def test_ends_picks_and_setts_that_are_nothing_are_refused() -> None:
    for values in ((0, 1, 1, 1), (1, -1, 1, 1), (1, 1, 0, 1), (1, 1, 1, 0)):
        with pytest.raises(Unusable, match=r"more than nothing\."):
            cell_proportion(*values)


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        (Reading(0), "1 to 100,000 units"),
        (Reading(-3), "1 to 100,000 units"),
        (Reading(10**30), "1 to 100,000 units"),
        (Reading(5, rows=0), "1 row or more"),
        (Reading(5, rows=-1), "1 row or more"),
        (Reading(5, rows=10**12), "million cells"),
        (Reading(MOST_READ // 1000, rows=1001), "million cells"),
        (Reading(100_000), "million cells"),
        (Reading(5, proportion=Fraction(0)), "setts"),
        (Reading(5, proportion=Fraction(-1)), "setts"),
        (Reading(5, proportion=Fraction(1, 101)), "setts"),
        (Reading(5, proportion=Fraction(10**40)), "setts"),
        (Reading(5, level=-1), "0 to 255"),
        (Reading(5, level=256), "0 to 255"),
        (Reading(5, smallest=0), "1 cell or more"),
    ],
)
def test_readings_beyond_all_bounds_are_refused(reading: Reading, words: str) -> None:
    assert words in refusal_of(file_of(picture_of(STEPS)), reading)


def test_a_smallest_patch_larger_than_all_leaves_one_patch() -> None:
    cells = read_picture(file_of(picture_of(STEPS)), Reading(5, smallest=10**20))
    assert not cells.any()


RED_DOT = Image.new("RGBA", (2, 1), (0, 0, 0, 0))
RED_DOT.putpixel((0, 0), (255, 0, 0, 255))


@pytest.mark.parametrize(
    ("content", "greys"),
    [
        (file_of(RED_DOT), [76, 255]),  # 0.299 red: ITU-R BT.601
        (file_of(RED_DOT, "WEBP", lossless=True), [76, 255]),
        (file_of(Image.new("LA", (2, 1), (10, 255))), [10, 10]),
        (file_of(Image.new("LA", (2, 1), (0, 128))), [127, 127]),
        (file_of(Image.new("1", (2, 1), 1)), [255, 255]),
        (file_of(Image.fromarray(np.array([[0x8012, 0x0100]], dtype=np.uint16))), [128, 1]),
        # 16 bits, of which one grey can be seen through
        (png(2, 1, 16, 0, b"\0\x12\x34\x00\x01", chunk(b"tRNS", b"\x12\x34")), [255, 0]),
        (png(2, 1, 16, 2, b"\0" + bytes([9, 0] * 3) + bytes([99, 255] * 3)), [9, 99]),
        # a palette of black and black, of which the second can be seen through
        (png(2, 1, 8, 3, b"\0\0\1", chunk(b"PLTE", bytes(6)) + chunk(b"tRNS", b"\xff\0")), [0, 255]),
        (png(2, 1, 1, 3, b"\0\x40", chunk(b"PLTE", bytes(3) + b"\xff" * 3)), [0, 255]),
        (png(2, 1, 2, 0, b"\0\x10", chunk(b"tRNS", b"\0\0")), [255, 85]),
    ],
)
def test_odd_kinds_of_dots(content: bytes, greys: list[int]) -> None:
    found = np.asarray(open_picture(content)).tolist()
    assert found == [pytest.approx(greys, abs=1)]


def test_a_gif_that_can_be_seen_through_and_a_moving_one() -> None:
    dots = Image.new("P", (4, 1), 0)
    dots.putpalette([0, 0, 0, 0, 0, 0])
    dots.putpixel((1, 0), 1)
    assert np.asarray(open_picture(file_of(dots, "GIF", transparency=1))).tolist() == [[0, 255, 0, 0]]
    for kind, how in (("GIF", {}), ("WEBP", {"lossless": True}), ("PNG", {})):
        frames = [picture_of([line]) for line in ("#..#.", ".##.#", "#####")]
        moving = file_of(frames[0], kind, save_all=True, append_images=frames[1:], **how)
        assert to_rows(read_picture(moving, Reading(5))) == ("#..#.",)


def test_inks_of_a_printer_the_way_photographs_of_print_are_kept() -> None:
    """Four inks, kept the other way round and marked so (Adobe's marker): no ink is white."""
    inks = Image.new("CMYK", (16, 16))
    inks.paste((0, 0, 0, 255), (0, 0, 8, 16))
    content = file_of(inks, "JPEG", quality=98)
    assert b"Adobe" in content[:100]
    assert to_rows(read_picture(content, Reading(2, rows=1))) == ("#.",)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_it_is_set_upright(kind: str, orientation: int) -> None:
    """EXIF orientation: JEITA CP-3451, tag 0x0112, from memory."""
    turns: dict[int, list[Image.Transpose]] = {
        2: [Image.Transpose.FLIP_LEFT_RIGHT],
        3: [Image.Transpose.ROTATE_180],
        4: [Image.Transpose.FLIP_TOP_BOTTOM],
        5: [Image.Transpose.TRANSPOSE],
        6: [Image.Transpose.ROTATE_90],
        7: [Image.Transpose.TRANSVERSE],
        8: [Image.Transpose.ROTATE_270],
    }
    taken = picture_of(STEPS, 16)
    for turn in turns.get(orientation, []):
        taken = taken.transpose(turn)
    marks = Image.Exif()
    marks[0x0112] = orientation
    how = {"lossless": True} if kind == "WEBP" else {}
    content = file_of(taken, kind, exif=marks, **how)
    assert from_the_top(read_picture(content, Reading(5))) == STEPS


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_an_orientation_that_is_none_changes_nothing(orientation: int) -> None:
    marks = Image.Exif()
    marks[0x0112] = orientation
    assert from_the_top(read_picture(file_of(picture_of(STEPS), exif=marks), Reading(5))) == STEPS


@pytest.mark.parametrize(("kind", "mode"), [("PNG", "L"), ("PNG", "RGB"), ("JPEG", "RGB"), ("PNG", "P")])
def test_large_ones_are_made_smaller_evenly(kind: str, mode: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("server.design.open_picture.KEPT_DOTS", 4_000)
    monkeypatch.setattr("server.design.open_picture._STRIP_DOTS", 2_500)
    page = picture_of(STEPS, 101).convert(mode)  # 505 × 404: the step is 7
    small = open_picture(file_of(page, kind))
    assert 4_000 <= small.width * small.height < 4 * 4_000
    assert from_the_top(np.asarray(small.resize((5, 4)))[::-1] < 128) == STEPS
    assert from_the_top(read_picture(file_of(page, kind), Reading(5))) == STEPS
    fifty = read_picture(file_of(page, kind), Reading(50))
    assert from_the_top(fifty) == ["".join(cell * 10 for cell in line) for line in STEPS for _ in range(10)]


def test_texts_that_unpack_to_gigabytes_are_passed_over() -> None:
    bomb = b"note\0\0" + zlib.compress(bytes(70_000_000))
    texts = chunk(b"zTXt", bomb) + chunk(b"iCCP", b"x\0\0" + zlib.compress(bytes(9_000_000)))
    content = png(5, 1, 8, 0, b"\0" + bytes([0, 255, 0, 255, 0]), texts)
    assert to_rows(read_picture(content, Reading(5))) == ("#.#.#",)


NOISE = Image.fromarray(np.random.default_rng(4).integers(0, 256, (300, 300), dtype=np.uint8))
GOOD = file_of(NOISE)


def a_zip() -> bytes:
    out = BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("a.png", GOOD)
    return out.getvalue()


def with_head(width: int, height: int) -> bytes:
    return png(width, height, 1, 0, bytes(1000))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "no picture"),
        (b"\0", "no picture"),
        (b"hello, this is no picture", "no picture"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>", "SVG"),
        (b"\xef\xbb\xbf<?xml version='1.0'?>\n<svg onload='alert(1)'/>", "SVG"),
        (a_zip(), "zip"),
        (b"%PDF-1.7", "PDF"),
        (file_of(Image.new("L", (5, 5)), "TIFF"), "TIFF"),
        (b"\0\0\0\x18ftypheic\0\0\0\0", "HEIC"),
        (file_of(Image.new("L", (5, 5)), "ICO"), "icon"),
        (file_of(Image.new("L", (5, 5)), "PPM"), "no picture"),
        (file_of(Image.new("L", (5, 5)), "TGA"), "no picture"),
        (GOOD[:8], "choose"),
        (GOOD[:60], "broken off"),
        (GOOD[: len(GOOD) // 2], "broken off"),
        (GOOD[:100] + b"\xff" * 50 + GOOD[150:], "broken off"),
        (file_of(NOISE, "JPEG")[:900], "broken off"),
        (file_of(NOISE, "GIF")[:2000], "broken off"),
        (file_of(NOISE, "BMP")[:2000], "broken off"),
        (file_of(NOISE, "WEBP")[:900], "choose"),
        (b"RIFF\x10\x00\x00\x00WEBPVP8 ", "choose"),
        (b"RIFF0000WAVE", "no picture"),
        (b"GIF89a" + bytes(20), "choose"),
        (b"BM" + bytes(60), "choose"),
        (b"\xff\xd8\xff", "choose"),
        (with_head(0, 5), "choose"),
        (with_head(4000, 4000), "broken off"),
    ],
)
def test_what_is_no_picture_is_refused_in_a_sentence(content: bytes, words: str) -> None:
    assert words in refusal_of(content)


def huge_gif(screen: int, frame: int) -> bytes:
    """One picture that says it is so large, to be wiped out after it is shown (GIF89a, 1990; from memory)."""
    head = b"GIF89a" + struct.pack("<HHBBB", screen, screen, 0x80, 0, 0) + bytes(6)
    wiped = b"\x21\xf9\x04\x09\0\0\0\0"
    return head + wiped + b"\x2c" + struct.pack("<HHHHB", 0, 0, frame, frame, 0) + b"\x02\x02\x44\x01\x00\x3b"


def big_bmp(width: int, height: int) -> bytes:
    return b"BM" + struct.pack("<IHHIIiiHHIIiiII", 0, 0, 0, 54, 40, width, height, 1, 24, 0, 0, 0, 0, 0, 0)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (with_head(20_000, 20_000), "million dots"),
        (with_head(2**31 - 1, 2**31 - 1), "million dots"),
        (with_head(50_000_001, 1), "million dots"),
        (with_head(MOST_ACROSS + 1, 1), "longer than 65,535"),
        (png(5100, 5100, 8, 6, bytes(1000)), "may have about 24 million"),
        (huge_gif(1, 20_000), "million dots"),
        (huge_gif(65_535, 1), "million dots"),
        (huge_gif(7000, 7000), "million dots"),
        (big_bmp(20_000, 20_000), "million dots"),
        (big_bmp(20_000, -2000), "million dots"),
        (bytes(MOST_CONTENT + 1), "20 MB"),
    ],
)
def test_one_that_would_unpack_to_gigabytes_is_refused_before_it_is_unpacked(
    content: bytes, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unpacked(picture: ImageFile.ImageFile) -> None:
        raise AssertionError("it was unpacked")

    monkeypatch.setattr(ImageFile.ImageFile, "load", unpacked)
    assert words in refusal_of(content)


def test_a_webp_and_a_jpeg_in_passes_have_less_room(monkeypatch: pytest.MonkeyPatch) -> None:
    """Their readers hold many times the dots (measured): known from the head, before they are unpacked."""
    monkeypatch.setattr("server.design.open_picture.ROOM", 4_000_000)
    square = Image.new("RGB", (800, 800))
    how = {
        "plain": {"subsampling": 0},
        "half": {"progressive": True},
        "full": {"progressive": True, "subsampling": 0},
    }
    jpegs = {name: file_of(square, "JPEG", **saved) for name, saved in how.items()}
    assert {open_picture(jpegs[name]).size for name in ("plain", "half")} == {(800, 800)}
    webp = file_of(square, "WEBP")
    monkeypatch.setattr(ImageFile.ImageFile, "load", None)
    assert "save it smaller, or as a plain JPEG" in refusal_of(jpegs["full"])
    assert "save it smaller, or as a plain JPEG" in refusal_of(webp)


def test_a_jpeg_in_more_passes_than_any_picture_needs_is_refused() -> None:
    content = file_of(NOISE, "JPEG", progressive=True)
    last = content.rindex(b"\xff\xda")
    assert "damaged" in refusal_of(content[:-2] + content[last:-2] * 200 + b"\xff\xd9")


@settings(max_examples=150)
@given(st.sampled_from(["PNG", "JPEG", "GIF", "BMP", "WEBP"]), st.data())
def test_damaged_pictures_are_read_or_refused_and_nothing_else(kind: str, data: st.DataObject) -> None:
    content = bytearray(file_of(NOISE.crop((0, 0, 20, 20)), kind))
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(content)))
    for damaged in (bytes(content), bytes(content[:cut])):
        try:
            cells = read_picture(damaged, Reading(5, rows=5))
        except Unusable:
            continue
        assert cells.shape == (5, 5)
