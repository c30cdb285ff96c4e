"""What weaving a design takes, or why the loom cannot, as the sheet of squared paper says it.

The planner counts rows through the whole piece; the paper counts them in its band, and so do these words.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Any

from server.design.design import Design
from server.loom.actions import and_list
from server.plan.no_plan import NoPlan, Sentence
from server.plan.workorder import WorkOrder
from server.session.wording import minutes_text, several

MOST_SHAFTS_NAMED = 6
"""More of them are counted only; which they are is folded away."""
MANY_TEMPORARIES = 40
MANY_UNITS = 12
"""From here on the words say that single draw cords are the right way. Our own judgement, no source."""
MOST_PLACES = 2

Place = tuple[int, int]
"""A band's number, and a row in it from 1."""

_ROWS = re.compile(r"\b(?P<rows>[Rr]ows?) (?P<numbers>\d+(?:(?:, | and | to )\d+)*)(?P<verb> asks?\b)?")
_AT_ONCE = re.compile(r"( shafts at once): \{\}\. Spare shafts on this loom: (\w+)\.")


def takes(order: WorkOrder, units: int) -> dict[str, Any]:
    """What is said of a plan.

    Args:
        units: how many need a temporary anywhere.
    """
    totals = order.totals
    walks = several(totals.walks, "walk") if totals.walks else "no walk"
    most = "" if order.proven else "at most "
    words = f"{most}{walks}, {minutes_text(totals.minutes)} besides the weaving."
    words = words[0].upper() + words[1:]
    if totals.insertions >= MANY_TEMPORARIES:
        words += f" {totals.insertions} times a temporary is put in. {_single_cords(units)}"
    return {"said": words, "can": True}


def cannot(why: NoPlan, design: Design, units: int, number: Callable[[int], int]) -> dict[str, Any]:
    """What is said where there is no plan: in short, what is folded away, and the places to go to.

    Args:
        units: how many need a temporary anywhere.
        number: from the file's number of a shaft to hers.
    """
    shown: list[str] = []
    folded: list[str] = []
    places: list[Place] = []
    last = len(why.sentences) - 1
    for at, sentence in enumerate(why.sentences):
        words, found = in_bands(sentence.counted(number), design)
        places += found
        if at == 0 or (at == last and units < MANY_UNITS):  # the last says what would do
            short = _in_short(sentence)
            shown.append(in_bands(short, design)[0] if short else words)
            if not short:
                continue
        folded.append(words)
    return {
        "said": " ".join([*shown, _single_cords(units)]),
        "more": " ".join(folded),
        "places": [
            {"band": band, "row": row, "words": _to(design, band, row)}
            for band, row in list(dict.fromkeys(places))[:MOST_PLACES]
        ],
        "can": False,
    }


def _single_cords(units: int) -> str:
    """The advice that TRADE.md asks for: beyond some size temporaries are the wrong method."""
    if units < MANY_UNITS:
        where = "the unit that needs a temporary" if units == 1 else f"the {units} units that need one"
        return f"With single draw cords on {where} it can be woven, too."
    return f"For so much, single draw cords are the right way: {units} units would need one."


def _in_short(sentence: Sentence) -> str:
    """A sentence with its many shafts counted instead of named; empty: they are few."""
    shafts = len(sentence.shafts)
    if shafts <= MOST_SHAFTS_NAMED:
        return ""
    short = _AT_ONCE.sub(r"\1; you have \2 spare.", sentence.words)
    return short.replace("shafts {}", f"{shafts} shafts").replace("{}", str(shafts))


def in_bands(words: str, design: Design) -> tuple[str, list[Place]]:
    """A sentence of the planner with its rows counted in their bands, and those rows.

    Where only one band has squares, its rows are named without it.
    """
    where = _places_of(design)
    found: list[Place] = []

    def say(match: re.Match[str]) -> str:
        numbers = [int(one) for one in re.findall(r"\d+", match["numbers"])]
        if not all(1 <= one <= len(where) for one in numbers):
            return match[0]
        places = list(dict.fromkeys(where[one - 1] for one in numbers))
        found.extend(places)
        told = _told(design, places, joined=" to " if " to " in match["numbers"] else "")
        if match["rows"][0] == "R":
            told = told[0].upper() + told[1:]
        if not match["verb"]:
            return told
        comma = "," if len(_named(design)) > 1 else ""
        return f"{told}{comma} {'asks' if len(places) == 1 else 'ask'}"

    # “5 of the rows 3 to 28”
    return _ROWS.sub(say, words.replace("of the rows ", "of rows ")), found


def _places_of(design: Design) -> Sequence[Place]:
    """Of every row of the piece, from 0, where it is."""
    return [
        (band.number, row)
        for band in design.bands
        for _ in range(band.times)
        for row in range(1, len(band.rows_of(design.units)) + 1)
    ]


def _named(design: Design) -> dict[int, str]:
    """The names of the bands that have squares, by number."""
    return {
        band.number: " ".join(band.name.split()) or "Band without a name"
        for band in design.bands
        if not band.is_plain
    }


def _told(design: Design, places: Sequence[Place], joined: str = "") -> str:
    """ "row 3"; where several bands have squares: "“Hem”, row 3, and “Flag”, rows 1 and 2"."""
    names = _named(design)
    groups: dict[int, list[int]] = {}
    for band, row in places:
        groups.setdefault(band, []).append(row)
    told = []
    for band, rows in groups.items():
        texts = [str(row) for row in rows]
        listed = joined.join(texts) if joined else and_list(texts)
        words = f"row{'s' * (len(rows) > 1)} {listed}"
        told.append(f"“{names[band]}”, {words}" if len(names) > 1 and band in names else words)
    if joined and len(told) > 1:
        return f"from {', to '.join(told)}"
    return ", and ".join(told)


def _to(design: Design, band: int, row: int) -> str:
    """The words that lead to a row."""
    return f"To {_told(design, [(band, row)])}"
