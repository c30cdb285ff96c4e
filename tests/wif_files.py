"""WIF files as many hands write them. All invented; what a key means is from memory of WIF 1.1."""

from __future__ import annotations

from typing import Final

HEAD: Final = "[WIF]\nVersion=1.1\nDate=April 20, 1997\nSource Program=Somebody\n\n"

POINTED: Final = (
    HEAD
    + """[CONTENTS]
TEXT=true
WEAVING=true
WARP=true
WEFT=true
THREADING=true
LIFTPLAN=true

[TEXT]
Title=Little point
Author=Nobody

[WEAVING]
Shafts=3
Treadles=3
Rising Shed=yes

[WARP]
Threads=5
Units=Centimeters
Spacing=0.25

[WEFT]
Threads=4
Units=Inches
Spacing=.1

[THREADING]
1=1
2=2
3=3
4=2
5=1

[LIFTPLAN]
1=1
2=2
3=1,3
4=
"""
)
"""Five threads on three shafts; rows as in POINTED_ROWS."""

POINTED_LEASHES: Final = (1, 2, 3, 2, 1)
POINTED_ROWS: Final = ("#...#", ".#.#.", "#.#.#", ".....")

TREADLED: Final = (
    HEAD
    + """[WEAVING]
Shafts=4
Treadles=3
Rising Shed=true

[THREADING]
1=1
2=2
3=3
4=4

[TIEUP]
1=1,2
2=3
3=4

[TREADLING]
1=1
2=2,3
3=3
4=0
"""
)
"""A straight threading over four shafts; thread 1 at the right; rows as in TREADLED_ROWS."""

TREADLED_LEASHES: Final = (4, 3, 2, 1)
TREADLED_ROWS: Final = ("..##", "##..", "#...", "....")
TREADLED_ROWS_SINKING: Final = ("##..", "..##", ".###", "....")

UNTIDY: Final = """; written by hand, with a good deal of coffee
# and a line that is no comment in the standard
stray=1
[wif]
 VERSION = 1.1
[ Threading ]   ; on the way
 1 = "1"
\t2\t=\t2 ; the second
3=3

4=2,
5 = 1
5=1
this is no entry
six=1
0=3
[private somebody secrets]
1=what is this
[Warp Colors]
1=3
[WEAVING]
shafts=3
rising  shed=ON
[warp]
threads=99999999999
[lift plan]
1=1
2=2,2,x
3=3-3,1
[LIFTPLAN
4=0
"""
"""The same cloth as POINTED."""

VARIANTS: Final = {
    "as it should be": POINTED,
    "untidy": UNTIDY,
    "shouting": POINTED.upper(),
    "whispering": POINTED.lower(),
    "no contents": HEAD + POINTED[POINTED.index("[TEXT]") :],
    "no head": POINTED[POINTED.index("[THREADING]") :],
    "contents that lie": POINTED.replace("THREADING=true", "THREADING=false\nTIEUP=true"),
    "sections the other way round": HEAD
    + POINTED[POINTED.index("[LIFTPLAN]") :]
    + POINTED[POINTED.index("[THREADING]") : POINTED.index("[LIFTPLAN]")],
    "threading in two parts": POINTED.replace("4=2\n5=1\n", "").replace(
        "4=\n", "4=\n[THREADING]\n5=1\n4=2\n"
    ),
    "too many threads promised": POINTED.replace("Threads=5", "Threads=100"),
    "too few threads promised": POINTED.replace("Threads=5", "Threads=2"),
    "too few shafts promised": POINTED.replace("Shafts=3", "Shafts=2"),
    "no number of shafts": POINTED.replace("Shafts=3", "Shafts=many"),
    "shafts without end": POINTED.replace("Shafts=3", "Shafts=99999999999"),
    "a shaft that nothing hangs on": POINTED.replace("3=1,3", "3=1,3,77"),
    "ranges": POINTED.replace("3=1,3", "3=3-3,1-1"),
    "trailing commas": POINTED.replace("3=1,3", "3=,1,,3,"),
    "quotes": POINTED.replace("3=1,3", '3="1,3"').replace("Little point", "'Little point'"),
}
"""All the same cloth."""

BYTES: Final = {
    "UTF-8 with a mark": b"\xef\xbb\xbf" + POINTED.encode(),
    "UTF-16": POINTED.encode("utf-16"),
    "UTF-16, big end first": b"\xfe\xff" + POINTED.encode("utf-16-be"),
    "UTF-16 without a mark": POINTED.encode("utf-16-le"),
    "UTF-16 without a mark, big end first": POINTED.encode("utf-16-be"),
    "UTF-32": POINTED.encode("utf-32"),
    "old Mac lines": POINTED.replace("\n", "\r").encode(),
    "DOS lines and end": POINTED.replace("\n", "\r\n").encode() + b"\x1a",
    "DOS lines, twice over": POINTED.replace("\n", "\r\r\n").encode(),
    "zero bytes": POINTED.replace("\n", "\n\0").encode() + b"\0" * 100,
}
"""All the same cloth, with the same name."""
