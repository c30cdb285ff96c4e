"""What is brought in, read as bands and put on a warp."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from io import BytesIO

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from server.design.brought import (
    Brought,
    Choices,
    Wider,
    as_design,
    cut,
    hung_otherwise,
    placed,
    put_in,
    read_brought,
    warp_like,
)
from server.design.cells import to_cells, to_rows
from server.design.design import Band, Design, changed, check, piece_text, write_design
from server.design.pictures import right_side
from server.design.piece_file import Unusable
from server.design.warp import Part, Warp, hang, read_warp, write_warp
from server.design.wif import Wif
from server.loom.ground import satin
from server.loom.state import Loom
from tests.examples import piece_text as small_piece
from tests.outside.glyphs import glyphs
from tests.wif_files import POINTED


def a_warp(*parts: Part) -> Warp:
    return hang("W", Loom((), frozenset(), 8), parts or (Part("straight", 5, times=2),), satin(5, 2))


WARP = a_warp()
STEPS = ("#....", "##...", "####.")


def a_picture(rows: tuple[str, ...], dots: int = 1) -> bytes:
    """Black on white; the first row at the bottom."""
    cells = np.repeat(np.repeat(to_cells(rows)[::-1], dots, axis=0), dots, axis=1)
    out = BytesIO()
    Image.fromarray(np.where(cells, np.uint8(0), np.uint8(255))).save(out, "PNG")
    return out.getvalue()


def read(content: bytes | str, **choices: object) -> Brought:
    chosen = Choices(**choices)  # type: ignore[arg-type]
    content = content.encode() if isinstance(content, str) else content
    return cut(read_brought(content, chosen, WARP.threads), chosen)


def test_a_picture_is_as_wide_as_the_warp_and_its_cells_as_high_as_woven() -> None:
    brought = read(a_picture(("#" * 10,) * 20), picks=(4,))
    assert (brought.kind, brought.units, len(brought.rows())) == ("picture", 10, 20)
    # twice the picks, cells twice as high: half the rows; so it is with 6 and 10 in turn
    assert [len(read(a_picture(("#" * 10,) * 20), picks=p).rows()) for p in ((8,), (6, 10))] == [10, 10]
    assert len(read(a_picture(("#" * 10,) * 20), picks=(8,), rows=20).rows()) == 20
    assert read(a_picture(STEPS), across=5).rows() == STEPS


def test_picks_in_turn_are_no_more_than_rows() -> None:
    (band,) = read("#.\n.#\n", picks=(4, 5, 6)).bands
    assert band.picks == (4, 5)
    check(as_design(read("#.\n.#\n", picks=(4, 5, 6)), "x"))


def test_a_chart_and_what_can_be_chosen_of_it() -> None:
    chart = "####.\n##...\n#....\n"
    assert read(chart).rows() == STEPS
    assert read(chart, swapped=True).rows() == (".####", "..###", "....#")
    assert read(chart, wrong_side_up=True).rows() == ("####.", "###..", "#....")
    assert read(chart, smallest=9).rows() == (".....",) * 3
    assert read("abb\nbba\n", lifted="a").rows() == ("..#", "#..")


def test_a_wif_file_tells_of_a_loom() -> None:
    brought = read(POINTED)
    assert brought.kind == "wif"
    assert brought.name == "Little point"
    assert brought.wif is not None
    assert brought.units == len(brought.wif.leashes) == 5
    assert brought.rows() == to_rows(brought.wif.rows)


DESIGN = Design(
    10,
    (
        Band(3, "Edge", (4, 5), ("#" * 10, "." * 10), 2),
        Band(5, "Ground", (40,)),
        Band(6, "Steps", (4,), tuple(row * 2 for row in STEPS)),
    ),
    6,
)


def test_our_own_files_bring_their_bands() -> None:
    bands = tuple(replace(band, number=number) for number, band in enumerate(DESIGN.bands, 1))
    assert read(write_design(DESIGN)).bands == bands
    piece = read(piece_text("Runner", DESIGN, WARP))
    assert piece.name == "Runner"
    assert piece.bands == bands
    assert read(small_piece()).bands == (Band(1, "", (5,), ("#..###..#", "..##.#...", "...###...")),)


def test_bands_that_a_piece_tells_wrongly_keep_their_rows() -> None:
    content = json.loads(piece_text("Runner", DESIGN, WARP))
    content["rows"][0] = "." * 10
    bands = read(json.dumps(content)).bands
    assert (len(bands[0].rows), bands[0].times) == (4, 1)
    assert bands[0].rows[0] == "." * 10
    assert Design(10, bands).rows() == tuple(content["rows"])
    assert Design(10, bands).picks() == DESIGN.picks()


def test_ground_is_turned_over_with_the_rest() -> None:
    turned = read(write_design(DESIGN), wrong_side_up=True)
    assert turned.bands[1] == Band(2, "Ground", (40,), ("#" * 10,))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"PK\x03\x04" + bytes(50), "packed"),
        ("[]", "which of them stand for lifted"),
        ("{}", "not a piece file"),
        ('{"format": "spareshaft-warp"}', "file of a warp"),
        ('{"format": "spareshaft-workorder"}', "file of a plan"),
        ('{"format": "spareshaft-design"}', "no file of a design"),
        ('{"format": "spareshaft-design", "version": true}', "no file of a design"),
        ('{"format": "spareshaft-design", "version": 1, "units": true, "bands": []}', "how many units"),
        ('{"format": "spareshaft-design", "version": 1, "units": 1e9, "bands": []}', "how many units"),
        ('{"format": "spareshaft-design", "version": 1, "units": 3, "bands": []}', "no band"),
        ('{"format": "spareshaft-design", "version": 1, "units": 3, "bands": 3}', "no bands"),
        (
            '{"format": "spareshaft-design", "version": 1, "units": 3, "bands": [{"number": 1, "name": "", '
            '"rows": ["#x."]}]}',
            "something else",
        ),
        (
            '{"format": "spareshaft-design", "version": 1, "units": 3, "bands": [{"number": 1, "name": "", '
            '"picks": [99999999999999999999]}]}',
            "at most 10,000",
        ),
        ('{"format": "spareshaft-design", "format": 1}', "twice"),
        ('{"a": ' * 100_000, "nested"),
        ("abcabd", "here are"),
        ("[THREADING]\n1=1\n", "no lift plan"),
        ("#" * 1_048_577, "1 MB"),
        ("\n".join(["#" * 1000] * 1001), "1,000,000 cells"),
    ],
)
def test_what_cannot_be_read_is_refused_in_a_sentence(content: bytes | str, words: str) -> None:
    with pytest.raises(Unusable, match=words) as refusal:
        read(content)
    assert str(refusal.value).endswith((".", "}."))
    assert len(str(refusal.value)) < 300


def test_some_of_its_units_are_taken_from_the_side_she_counts_from() -> None:
    chart = "12345\n".translate(str.maketrans("12345", "#.##."))
    assert read(chart, taken=(1, 2)).rows() == ("#.",)
    assert read(chart, taken=(1, 2), counted_from="right").rows() == ("#.",)
    assert read(chart, taken=(2, 4)).rows() == (".##",)
    assert read(chart, taken=(2, 4), counted_from="right").rows() == (".##",)
    assert read(chart, taken=(3, None)).rows() == ("##.",)
    for taken in ((0, 1), (3, 2), (1, 6), (6, None)):
        with pytest.raises(Unusable, match="units 1 to 5"):
            read(chart, taken=taken)


@pytest.mark.parametrize(("counted_from", "taken"), [("left", "#.#"), ("right", "##.")])
def test_the_same_of_its_units_are_taken_whichever_side_faces_her(counted_from: str, taken: str) -> None:
    chosen = {"taken": (1, 3), "counted_from": counted_from}
    assert read("#.##.", **chosen).rows() == (taken,)
    turned = read("#.##.", **chosen, wrong_side_up=True).rows()
    assert to_rows(right_side(to_cells(turned), True)) == (taken,)


def place(choices: Choices) -> str:
    brought = cut(read_brought(b"###.", choices, WARP.threads), choices)
    ((row,),) = (band.rows for band in placed(brought, 10, choices))
    return row


def test_where_it_lies_on_the_warp() -> None:
    assert place(Choices(place="left")) == "###......."
    assert place(Choices(place="middle")) == "...###...."
    assert place(Choices(place="right")) == "......###."
    assert place(Choices(place="at", at=2)) == ".###......"
    assert place(Choices(place="at", at=7)) == "......###."
    assert place(Choices(place="at", at=1, counted_from="right")) == "......###."
    # woven wrong side up, what is ground on the right side is lifted; it lies where it was put all the same
    assert place(Choices(place="left", wrong_side_up=True)) == "#...######"
    for at in (0, 8):
        with pytest.raises(Unusable, match="unit 1 to 7"):
            place(Choices(place="at", at=at))


def test_what_is_wider_than_the_warp_is_told_so() -> None:
    for content, words in ((b"#" * 11, "some of its units"), (a_picture(STEPS), "fewer units across")):
        brought = read(content, across=11)
        with pytest.raises(Wider, match=f"11 units wide, and the warp has 10.*{words}"):
            placed(brought, 10, Choices())


def test_bands_are_put_in_where_they_are_wanted() -> None:
    bands = placed(read("####.\n"), 10, Choices())

    def names(after: int | None) -> list[tuple[int, str]]:
        after_it = changed(DESIGN, put_in(DESIGN, bands, after, "New"))
        check(after_it)
        return [(band.number, band.name) for band in after_it.bands]

    old = [(3, "Edge"), (5, "Ground"), (6, "Steps")]
    assert names(None) == names(6) == [*old, (7, "New")]
    assert names(0) == [(7, "New"), *old]
    assert names(3) == [old[0], (7, "New"), *old[1:]]
    with pytest.raises(ValueError, match="not in the design any more"):
        put_in(DESIGN, bands, 4, "New")


@settings(max_examples=40)
@given(st.data())
def test_the_cloth_shows_on_its_right_side_what_was_brought(data: st.DataObject) -> None:
    """Wherever it lies, and whichever side faces up: the figure, on ground."""
    units = data.draw(st.integers(1, 10))
    rows = tuple(data.draw(st.lists(st.text("#.", min_size=units, max_size=units), min_size=1, max_size=6)))
    chart = "\n".join("".join(row) for row in reversed(rows))
    choices = Choices(
        place=data.draw(st.sampled_from(["left", "middle", "right"])),
        wrong_side_up=data.draw(st.booleans()),
        lifted="#" if any("#" in row for row in rows) else "",
    )
    try:
        brought = cut(read_brought(chart.encode(), choices, WARP.threads), choices)
    except Unusable:
        return  # all of it one character
    (band,) = placed(brought, 10, choices)
    seen = right_side(to_cells(band.rows), choices.wrong_side_up)
    lifted_across = np.flatnonzero(seen.any(axis=0))
    assert seen.sum() == sum(row.count("#") for row in rows)
    if lifted_across.size:
        figure = to_cells(rows)
        left = np.flatnonzero(figure.any(axis=0))[0]
        start = lifted_across[0] - left
        assert np.array_equal(seen[:, start : start + units], figure)


def test_lettering_brought_in_wrong_side_up_is_read_on_the_right_side() -> None:
    for character, figure in list(glyphs())[::7]:
        rows = to_rows(np.array(figure)[::-1])
        brought = read(a_picture(rows, 3), across=len(rows[0]), wrong_side_up=True)
        (band,) = placed(brought, 20, Choices(wrong_side_up=True, place="left"))
        seen = to_rows(right_side(to_cells(band.rows), True))
        assert [row[-len(rows[0]) :] for row in seen] == list(rows), character
        assert all("#" not in row[: -len(rows[0])] for row in seen)


def a_wif(leashes: tuple[int, ...], shafts: int, **more: object) -> Wif:
    corded = more.pop("corded", {u for u, shaft in enumerate(leashes, 1) if shaft == 0})
    return Wif("W", leashes, frozenset(corded), shafts, to_cells(["#" * len(leashes)]), **more)  # type: ignore[arg-type, call-overload]


def test_a_warp_like_a_file_has_its_leashes_cords_and_setts() -> None:
    wif = a_wif((1, 2, 0, 3, 3, 9), 9, corded={2, 3}, units_per_cm=Fraction(7, 2), rows_per_cm=Fraction(3))
    warp = warp_like(wif, WARP, "New", (4, 6))
    assert read_warp(write_warp(warp)) == warp
    assert warp.loom.leashes == wif.leashes
    assert warp.loom.single_cords == {2, 3}
    assert warp.loom.pattern_shafts == 9
    assert (warp.threads.ends_per_cm, warp.threads.picks_per_cm) == (14, 15)
    assert warp.threads.ground == WARP.threads.ground
    few = warp_like(a_wif((1, 2), 2), WARP, "New", (4,))
    assert few.loom.pattern_shafts == WARP.loom.pattern_shafts
    assert few.threads.ends_per_cm == WARP.threads.ends_per_cm
    with pytest.raises(ValueError, match="5,000 units"):
        warp_like(a_wif((1,) * 5_001, 1), WARP, "New", (4,))


def test_units_that_hang_otherwise_are_found() -> None:
    assert hung_otherwise(a_wif((1, 2, 3, 4, 5) * 2, 5), WARP) == ()
    assert hung_otherwise(a_wif((1, 2, 3, 5, 4) * 2, 5), WARP) == (4, 5, 9, 10)
