"""WIF beside another reader, there and back for any loom and design, and for whatever bytes may come."""

from __future__ import annotations

import configparser
import random
from fractions import Fraction

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from server.design.cells import Cells, to_rows
from server.design.piece_file import Unusable
from server.design.wif import FirstThread, Wif, read_wif, write_wif
from tests.outside.pieces import examples
from tests.wif_files import BYTES, HEAD, POINTED, TREADLED, UNTIDY

MATTERS = ["1", "2", "9", "0", "-", ",", ";", "=", "[", "]", "\n", "\r", "\0", '"', " ", "\t", "²", "é", "٣"]
LINES = [
    *(
        "[THREADING]",
        "[LIFTPLAN]",
        "[TIEUP]",
        "[TREADLING]",
        "[WARP]",
        "[WEFT]",
        "[CONTENTS]",
        "[",
        "]",
        "=",
        "==",
    ),
    *(
        "[PRIVATE SPARESHAFT LEASHES]",
        "Threading=1",
        "Pattern Shafts=2",
        "Single Cords=1-99999",
        "First Thread=up",
    ),
    *(
        "Shafts=99999999999",
        "Threads=-1",
        "Rising Shed=",
        "1=8-1",
        "1=1,2-5,",
        "7=0",
        "99999999999999999999=1",
    ),
    *(
        "100000=1",
        "5=1-10000",
        "Spacing=1/0",
        "Spacing=nan",
        "Units=Inches",
        "1",
        "=1",
        ";",
        "9=" + "9" * 5000,
    ),
]


def random_loom(rng: random.Random) -> tuple[list[int], int, set[int], Cells]:
    """Leashes, pattern shafts, corded units and rows; half of the time rows the loom weaves as it hangs."""
    shafts, units, rows = rng.randint(1, 6), rng.randint(1, 14), rng.randint(1, 9)
    leashes = [rng.choice([0, *range(1, shafts + 1)]) for _ in range(units)]
    corded = {unit for unit in range(1, units + 1) if leashes[unit - 1] == 0 or rng.random() < 0.2}
    by_shaft = rng.random() < 0.5
    cells = np.zeros((rows, units), dtype=np.bool_)
    for row in range(rows):
        up = {shaft: rng.random() < 0.5 for shaft in range(1, shafts + 1)}
        for unit, shaft in enumerate(leashes):
            cells[row, unit] = up[shaft] if by_shaft and shaft else rng.random() < 0.5
    return leashes, shafts, corded, cells


@examples(150)
@given(
    st.integers(0, 2**63),
    st.text(max_size=30),
    st.sampled_from(["left", "right"]),
    st.fractions(Fraction(1, 10), 200, max_denominator=1000),
)
def test_what_is_written_and_read_again_is_the_same(
    seed: int, name: str, side: FirstThread, sett: Fraction
) -> None:
    leashes, shafts, corded, cells = random_loom(random.Random(seed))
    text = write_wif(
        name,
        leashes,
        shafts,
        cells,
        single_cords=corded,
        units_per_cm=sett,
        rows_per_cm=sett,
        first_thread=side,
    )
    wif = read_wif(text.encode("utf-8"), side)
    assert (wif.leashes, wif.pattern_shafts, wif.single_cords) == (tuple(leashes), shafts, corded)
    assert np.array_equal(wif.rows, cells)
    assert (wif.units_per_cm, wif.rows_per_cm) == (sett, sett)
    assert wif.notes == ()
    assert (
        write_wif(
            wif.name,
            wif.leashes,
            wif.pattern_shafts,
            wif.rows,
            single_cords=wif.single_cords,
            units_per_cm=wif.units_per_cm,
            rows_per_cm=wif.rows_per_cm,
            first_thread=side,
        )
        == text
    )


@examples(60)
@given(st.integers(0, 2**63))
def test_another_reader_sees_the_same_cloth(seed: int) -> None:
    """Python's configparser and the plain meaning of threading and lift plan, of a file that it can read."""
    leashes, shafts, corded, cells = random_loom(random.Random(seed))
    parser = configparser.ConfigParser(interpolation=None)
    parser.read_string(write_wif("x", leashes, shafts, cells, single_cords=corded))
    threads, picks = (parser.getint(section, "Threads") for section in ("WARP", "WEFT"))
    threading = [parser.getint("THREADING", str(thread)) for thread in range(1, threads + 1)]
    plan = [set(map(int, parser["LIFTPLAN"][str(pick)].split(","))) for pick in range(1, picks + 1)]
    assert max(threading) <= parser.getint("WEAVING", "Shafts")
    from_the_right = tuple("".join("#" if shaft in up else "." for shaft in threading) for up in plan)
    assert tuple(row[::-1] for row in from_the_right) == to_rows(cells)
    # units that hang together and rise together stay together
    assert all(
        (threading[-1 - a] == threading[-1 - b]) == np.array_equal(cells[:, a], cells[:, b])
        for a, leash in enumerate(leashes)
        for b in range(a)
        if leashes[b] == leash != 0
    )


def read_or_refused(content: bytes) -> None:
    try:
        wif = read_wif(content)
    except Unusable as refused:
        why = str(refused)
    else:
        why = ""
    if why:
        assert why.endswith(".")
        assert "\n" not in why
        return
    assert isinstance(wif, Wif)
    assert wif.rows.shape[1] == len(wif.leashes) > 0
    assert all(0 <= shaft <= wif.pattern_shafts for shaft in wif.leashes)
    assert {unit for unit, shaft in enumerate(wif.leashes, 1) if shaft == 0} <= wif.single_cords
    assert wif.single_cords <= set(range(1, len(wif.leashes) + 1))
    assert all(note.endswith(".") and "\n" not in note for note in wif.notes)


@examples(300)
@given(st.integers(0, 2**63))
def test_files_that_went_through_many_hands(seed: int) -> None:
    rng = random.Random(seed)
    ours = write_wif("Ours", [0, 1, 2, 1], 2, np.eye(4, dtype=np.bool_))
    text = rng.choice([POINTED, TREADLED, UNTIDY, ours])
    for _ in range(rng.randint(1, 6)):
        at, to = sorted(rng.randrange(len(text) + 1) for _ in range(2))
        lines = text.split("\n")
        line = rng.randrange(len(lines))
        match rng.randrange(6):
            case 0:
                text = text[:at] + rng.choice(MATTERS) + text[at:]
            case 1:
                text = text[:at] + text[min(to, at + 20) :]
            case 2:
                text = "\n".join([*lines[:line], rng.choice(LINES), *lines[line:]])
            case 3:
                text = "\n".join([*lines[:line], *lines[line + 1 :]])
            case 4:
                text = "\n".join([*lines, *lines[line : line + 9]])
            case 5:
                text = text[:at] + text[at : at + 1] * rng.randint(2, 40) + text[at + 1 :]
    content = text.encode(rng.choice(["utf-8", "utf-16", "utf-16-le", "utf-7"]))
    if rng.random() < 0.3:
        content = content[: rng.randrange(len(content) + 1)]
    read_or_refused(content)


@examples(200)
@given(st.binary(max_size=300))
def test_whatever_bytes(content: bytes) -> None:
    read_or_refused(content)
    read_or_refused(HEAD.encode() + b"[THREADING]\n1=1\n" + content + b"\n[LIFTPLAN]\n1=1")
    read_or_refused(BYTES["UTF-16"][:200] + content)
