"""WIF in and out: files from many hands, and refusals that say where and why."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
import pytest

from server.design.cells import to_cells, to_rows
from server.design.piece_file import Unusable
from server.design.wif import Draft, Wif, read_wif, write_draft, write_wif
from server.design.wif_sections import MOST_BYTES, MOST_LINES, one_line
from tests.wif_files import (
    BYTES,
    HEAD,
    POINTED,
    POINTED_LEASHES,
    POINTED_ROWS,
    TREADLED,
    TREADLED_LEASHES,
    TREADLED_ROWS,
    TREADLED_ROWS_SINKING,
    UNTIDY,
    VARIANTS,
)


def read(text: str) -> Wif:
    return read_wif(text.encode())


def noted(wif: Wif, *words: str) -> bool:
    return any(all(word in note for word in words) for note in wif.notes)


def draft(threading: str, plan: str) -> str:
    return f"{HEAD}[THREADING]\n{threading}\n[LIFTPLAN]\n{plan}\n"


# --- read ----------------------------------------------------------------------------------------------


def test_a_lift_plan() -> None:
    wif = read(POINTED)
    assert (wif.name, wif.leashes, wif.pattern_shafts) == ("Little point", POINTED_LEASHES, 3)
    assert to_rows(wif.rows) == POINTED_ROWS
    assert (wif.units_per_cm, wif.rows_per_cm) == (4, Fraction(500, 127))  # 10 to the inch of 2.54 cm
    assert wif.single_cords == frozenset()
    assert wif.notes == ()


def test_treadling_and_tie_up() -> None:
    wif = read(TREADLED)
    assert wif.leashes == TREADLED_LEASHES
    assert to_rows(wif.rows) == TREADLED_ROWS
    assert wif.notes == ()


@pytest.mark.parametrize("word", ["false", "no", "Off", "0", '"No"', "no ; counterbalanced"])
def test_sheds_that_sink(word: str) -> None:
    wif = read(TREADLED.replace("Rising Shed=true", f"Rising Shed={word}"))
    assert to_rows(wif.rows) == TREADLED_ROWS_SINKING
    assert noted(wif, "sheds sink")


def test_a_thread_on_two_sinking_shafts_sinks_with_either() -> None:
    text = TREADLED.replace("Rising Shed=true", "Rising Shed=no").replace("\n4=4\n", "\n4=4,1\n", 1)
    assert to_rows(read(text).rows) == (".#..", "..##", ".###", "....")


def test_a_rising_shed_is_taken_where_the_file_does_not_say_yes_or_no() -> None:
    wif = read(TREADLED.replace("Rising Shed=true", "Rising Shed=perhaps"))
    assert to_rows(wif.rows) == TREADLED_ROWS
    assert noted(wif, "“perhaps”", "Line 9")


def test_the_lift_plan_goes_before_the_treadling() -> None:
    wif = read(TREADLED + "[LIFTPLAN]\n1=4\n")
    assert to_rows(wif.rows) == ("#...",)
    assert noted(wif, "lift plan and a treadling")


def test_an_empty_lift_plan_does_not() -> None:
    assert to_rows(read(TREADLED + "[LIFTPLAN]\n").rows) == TREADLED_ROWS


@pytest.mark.parametrize("nothing", ["0", "", " 0, 0 ; none", '"0"'])
def test_nor_does_one_that_lifts_nothing_in_any_row(nothing: str) -> None:
    treadled = "[TIEUP]\n1=1\n2=2\n[TREADLING]\n1=1\n2=2\n"
    wif = read(draft("1=1\n2=2", f"1={nothing}\n2={nothing}") + treadled)
    assert to_rows(wif.rows) == (".#", "#.")  # thread 1 is at the right
    assert noted(wif, "lift plan lifts nothing", "its treadling was taken")
    alone = read(draft("1=1\n2=2", f"1={nothing}\n2={nothing}"))
    assert to_rows(alone.rows) == ("..", "..")


def test_where_the_first_thread_is() -> None:
    right, left = (read_wif(TREADLED.encode(), side) for side in ("right", "left"))  # type: ignore[arg-type]
    assert right.leashes == left.leashes[::-1] == (4, 3, 2, 1)
    assert np.array_equal(right.rows, left.rows[:, ::-1])


@pytest.mark.parametrize("hand", VARIANTS)
def test_the_same_cloth_from_many_hands(hand: str) -> None:
    wif = read(VARIANTS[hand])
    assert (wif.leashes, wif.pattern_shafts) == (POINTED_LEASHES, 3)
    assert to_rows(wif.rows) == POINTED_ROWS


@pytest.mark.parametrize("hand", BYTES)
def test_the_same_letters_in_many_writings(hand: str) -> None:
    wif = read_wif(BYTES[hand])
    assert (wif.name, wif.leashes, to_rows(wif.rows)) == ("Little point", POINTED_LEASHES, POINTED_ROWS)


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1", "cp1252", "utf-16"])
def test_a_name_with_other_letters(encoding: str) -> None:
    text = POINTED.replace("Little point", "Rölakan på björk")
    assert read_wif(text.encode(encoding)).name == "Rölakan på björk"


def test_what_could_not_be_used_is_named() -> None:
    wif = read(UNTIDY)
    assert noted(wif, "Line 3", "stray=1", "before any section")
    assert noted(wif, "Line 13", "5", "twice", "[THREADING]")
    assert noted(wif, "Line 14", "“this is no entry”")
    assert noted(wif, "Line 15", "“six”", "no thread’s number")
    assert noted(wif, "Line 16", "no thread 0")
    assert noted(wif, "Threads=99999999999 cannot be")
    assert noted(wif, "Line 28", "“x” is no number")
    assert noted(wif, "Line 30", "bracket")
    assert noted(wif, "Line 30", "stands twice")
    assert noted(wif, "Passed over: [private somebody secrets], [Warp Colors].")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (VARIANTS["contents that lie"], ("says that there is no [THREADING], and there is one",)),
        (VARIANTS["contents that lie"], ("says that there is a [TIEUP], and there is none",)),
        (VARIANTS["too many threads promised"], ("[WARP] says 100", "5 were taken")),
        (VARIANTS["too few threads promised"], ("[WARP] says 2", "5 were taken")),
        (VARIANTS["too few shafts promised"], ("thread 3 is on shaft 3", "2 shafts")),
        (VARIANTS["a shaft that nothing hangs on"], ("shaft 77 was passed over", "the last is 3")),
        (VARIANTS["no head"], ("no [WIF] section",)),
        (POINTED.replace("[WEFT]\nThreads=4", "[WEFT]\nThreads=9"), ("[WEFT] says 9", "row listed is 4")),
        (TREADLED.replace("2=2,3", "2=2,3,8"), ("treadle 8 was passed over",)),
        (TREADLED.replace("2=3\n", "2=3,88\n", 1).replace("\n2=2\n", "\n2=2\n", 1), ("shaft 88",)),
        (POINTED.replace("Units=Inches", "Units=Ells"), ("“Ells” is no unit",)),
        (POINTED.replace("Units=Inches\n", ""), ("does not say in which units",)),
        (POINTED.replace("=.1\n", "=0\n"), ("spacing of “0” cannot be",)),
        (POINTED.replace("=.1\n", "=1e999\n"), ("spacing of “1e999” cannot be",)),
        (POINTED.replace("=.1\n", "=-3\n"), ("spacing of “-3” cannot be",)),
    ],
)
def test_notes(text: str, words: Sequence[str]) -> None:
    wif = read(text)
    assert noted(wif, *words), wif.notes


def test_spacings_in_every_unit() -> None:
    def sett(units: str, spacing: str) -> Fraction | None:
        text = POINTED.replace("Units=Centimeters\nSpacing=0.25", f"Units={units}\nSpacing={spacing}")
        return read(text).units_per_cm

    assert sett("cm", "0,125") == 8
    assert sett("INCHES", "0.0254") == Fraction(1_000_000, 64516).limit_denominator(1000)
    assert sett("Decipoints", "72") == Fraction(500, 127)  # 720 to the inch, so a tenth of an inch
    assert sett("Centimeters", "0.166667") == 6


def test_threads_on_no_shaft_hang_on_cords() -> None:
    wif = read(draft("1=2\n2=0\n5=1", "1=1,2\n3=1"))
    assert wif.leashes == (1, 0, 0, 0, 2)
    assert wif.single_cords == {2, 3, 4}
    assert to_rows(wif.rows) == ("#...#", ".....", "#....")
    assert noted(wif, "on no shaft: 3", "thread 2")
    assert noted(wif, "Not listed: 2 threads", "thread 3")
    assert noted(wif, "Not listed: 1 row", "row 2")


def test_a_thread_on_several_shafts_keeps_its_rows() -> None:
    wif = read(draft("1=1\n2=2\n3=2,1", "1=1\n2=2"))
    assert wif.leashes == (2, 2, 1)
    assert to_rows(wif.rows) == ("#.#", "##.")
    assert noted(wif, "Line 9: thread 3 is on several shafts", "shaft 2 was taken")


def test_a_reversed_range_begins_where_it_says() -> None:
    assert read(draft("1=8-1", "1=3\n2=9-1")).leashes == (8,)
    assert to_rows(read(draft("1=8-1", "1=3\n2=9")).rows) == ("#", ".")


def test_a_hundred_of_a_kind_are_one_note() -> None:
    wif = read(draft("1=1", "1=1\n" + "what is this\n" * 100))
    assert [note for note in wif.notes if "no entry" in note] == [
        "Line 10: “what is this” is no entry and was passed over. The same 99 times more."
    ]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not a WIF file"),
        ("Dear Ann,\nhere is the draft.\n", "not a WIF file"),
        ("[WIF]\nVersion=1.1\n", "no [THREADING] section"),
        (HEAD + "[THREADING]\n[LIFTPLAN]\n1=1", "no thread is listed"),
        (HEAD + "[THREADING]\n0=1\n[LIFTPLAN]\n1=1", "no thread is listed"),
        (HEAD + "[THREADING]\n1=1\n", "no lift plan and no treadling"),
        (HEAD + "[THREADING]\n1=1\n[LIFTPLAN]\n0=1", "lists no row"),
        (HEAD + "[THREADING]\n1=1\n[TREADLING]\n1=1\n", "no [TIEUP]"),
        (HEAD + "[THREADING]\n1=1\n[TREADLING]\n1=1\n[TIEUP]\n", "no [TIEUP]"),
        (draft("1=99999", "1=1"), "Line 7: thread 1 is on shaft 99,999; 10,000 are the most"),
        (draft("1=" + "9" * 5000, "1=1"), "shaft with more than 10 figures"),
        (draft("100001=1", "1=1"), "Line 7: thread 100,001 is beyond 100,000"),
        (draft("9" * 5000 + "=1", "1=1"), "beyond 100,000"),
        (draft("1=1", "999999=1"), "Line 9: row 999,999 is beyond 100,000"),
        (draft("100000=1", "100000=1"), "more than 20,000,000 cells"),
        (draft("\n".join(f"{n}=1-10000" for n in range(1, 200)), "1=1"), "on several shafts at once"),
        (
            draft("\n".join(f"{n}=1-1000" for n in range(1, 900)), "90000=1").replace("90000", "20000"),
            "on several shafts at once",
        ),
        (TREADLED.replace("[TIEUP]\n", "[TIEUP]\n2000=1\n"), "treadle 2,000 is beyond 1,000"),
    ],
)
def test_refused_in_a_sentence(text: str, words: str) -> None:
    with pytest.raises(Unusable) as refused:
        read(text)
    assert words in str(refused.value)
    assert str(refused.value).endswith(".")


def test_too_many_treadles_at_once() -> None:
    ties = "\n".join(f"{n}=1-10000" for n in range(1, 1001))
    rows = "\n".join(f"{n}=1-1000" for n in range(1, 1000))
    text = f"{HEAD}[THREADING]\n1=10000\n[TIEUP]\n{ties}\n[TREADLING]\n{rows}\n"
    with pytest.raises(Unusable, match="too many treadles at once"):
        read(text)


def test_limits_of_the_file() -> None:
    with pytest.raises(Unusable, match="larger than 8 MB"):
        read_wif(b" " * (MOST_BYTES + 1))
    with pytest.raises(Unusable, match="500,000 lines"):
        read_wif(b"\n" * (2 * MOST_LINES + 1))
    long = read(draft("1=1", "1=1\n2=" + "1," * 200_000))
    assert to_rows(long.rows) == ("#",)
    assert noted(long, "Line 10 has more than 200,000 characters")


def test_names_are_made_one_line() -> None:
    assert one_line("a\r\nb\tc\0d") == "a b c d"
    assert one_line("\u202edrawkcab") == "drawkcab"
    assert one_line("שלום") == "שלום"
    assert one_line("x" * 5000) == "x" * 200
    assert one_line("half\ud800") == "half"


# --- write ---------------------------------------------------------------------------------------------


def test_what_the_loom_weaves_as_it_hangs_is_the_leash_order() -> None:
    text = write_wif("Little point", POINTED_LEASHES, 3, to_cells(POINTED_ROWS))
    lines = text.split("\r\n")
    at = lines.index("[THREADING]")
    assert lines[at + 1 : at + 6] == ["1=1", "2=2", "3=3", "4=2", "5=1"]
    at = lines.index("[LIFTPLAN]")
    assert lines[at + 1 : at + 5] == ["1=1", "2=2", "3=1,3", "4=0"]
    assert "Source Program=Spareshaft" in lines
    assert "Shafts=3" in lines


def test_what_it_does_not_gets_further_shafts() -> None:
    # units 3, 4 and 5 hang on shaft 1; unit 4 rises by itself; unit 1 on its single cord
    text = write_wif("", (0, 2, 1, 1, 1), 2, to_cells(["#.#.#", ".#.#."]), single_cords=[1, 2])
    lines = text.split("\r\n")
    at = lines.index("[THREADING]")
    assert lines[at + 1 : at + 6] == ["1=1", "2=4", "3=1", "4=2", "5=3"]  # thread 1 at the right
    at = lines.index("[LIFTPLAN]")
    assert lines[at + 1 : at + 3] == ["1=1,3", "2=2,4"]
    assert any("Shaft 3: a unit on its single draw cord." in line for line in lines)
    assert any("Shaft 4: some of the units of pattern shaft 1." in line for line in lines)
    wif = read(text)
    assert (wif.leashes, wif.single_cords, wif.pattern_shafts) == ((0, 2, 1, 1, 1), {1, 2}, 2)
    assert to_rows(wif.rows) == ("#.#.#", ".#.#.")
    assert wif.notes == ()


def test_our_section_holds_only_for_its_threading() -> None:
    text = write_wif("", (0, 2, 1, 1, 1), 2, to_cells(["#.#.#", ".#.#."]))
    other = read(text.replace("\r\n5=3\r\n", "\r\n5=2\r\n"))
    assert other.leashes == (2, 2, 1, 4, 1)
    assert noted(other, "does not fit the threading any more")
    # the rows may be drawn otherwise by somebody else: the loom is the same
    rows = read(text.replace("\r\n2=2,4\r\n", "\r\n2=2\r\n"))
    assert (rows.leashes, to_rows(rows.rows)[1]) == ((0, 2, 1, 1, 1), ".#...")
    assert rows.notes == ()


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("Pattern Shafts=2", "Pattern Shafts=-2"),
        ("Pattern Shafts=2", "Pattern Shafts=99999999999999"),
        ("Pattern Shafts=2", "Pattern Shafts=1"),
        ("Single Cords=5", "Single Cords=0"),
        ("Single Cords=5", "Single Cords=one"),
        ("\r\n3=0\r\n4=1\r\n", "\r\n3=0\r\n4=77\r\n"),
        ("\r\n3=0\r\n4=1\r\n", "\r\n3=0\r\n4=²\r\n"),
        ("\r\n3=0\r\n4=1\r\n", "\r\n3=0\r\n"),
    ],
)
def test_our_section_spoilt(old: str, new: str) -> None:
    text = write_wif("", (0, 2, 1, 1, 1), 2, to_cells(["#.#.#", ".#.#."]))
    assert old in text
    wif = read(text.replace(old, new))
    assert wif.leashes == (3, 2, 1, 4, 1)
    assert noted(wif, "does not fit the threading any more")
    assert to_rows(wif.rows) == ("#.#.#", ".#.#.")


def test_our_file_says_itself_where_thread_one_is() -> None:
    text = write_wif("", (1, 2, 3), 3, to_cells(["##."]), first_thread="left")
    wif = read(text)
    assert (wif.leashes, to_rows(wif.rows)) == ((1, 2, 3), ("##.",))
    assert noted(wif, "thread 1 is at the left")


@pytest.mark.parametrize(
    "name",
    [
        "[THREADING]",
        "a\r\n[THREADING]\r\n1=7",
        "; no comment",
        '"quoted"',
        "'x'",
        "=",
        "שלום",
        "\u202eabc",
        "",
        "x" * 500,
    ],
)
def test_names_cannot_break_out(name: str) -> None:
    wif = read(write_wif(name, (1, 2), 2, to_cells(["#."])))
    assert wif.name == one_line(name)
    assert (wif.leashes, to_rows(wif.rows), wif.notes) == ((1, 2), ("#.",), ())


def test_more_shafts_than_are_read_are_not_written() -> None:
    with pytest.raises(Unusable, match="10,001 shafts"):
        write_wif("", (0,) * 10_000, 1, np.zeros((1, 10_000), dtype=np.bool_))


def test_a_unit_on_several_shafts_is_written_as_such() -> None:
    # as an order does: unit 2 on pattern shaft 1 and in a temporary, which is shaft 3
    written = Draft("", [(1,), (1, 3), (2,)], 2, [(1,), (2, 3)], {3: (1, "temporary 1a")})
    wif = read(write_draft(written))
    assert (wif.leashes, wif.pattern_shafts, to_rows(wif.rows)) == ((1, 1, 2), 2, ("##.", ".##"))
    assert wif.notes == ()
