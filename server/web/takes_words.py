"""What weaving a design takes, or why the loom cannot, as the sheet of squared paper says it.

The planner counts rows through the whole piece; the paper counts them in its band, and so do these words.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from server.design.design import Design
from server.plan.no_plan import NoPlan, rows_listed
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
    bands = _places_of(design)
    shown: list[str] = []
    folded: list[str] = []
    last = len(why.sentences) - 1

    def ask(rows: Sequence[int]) -> str:
        return _ask(design, [bands[row - 1] for row in rows])

    for at, sentence in enumerate(why.sentences):
        is_long = len(sentence.shafts) > MOST_SHAFTS_NAMED and bool(sentence.short)
        is_shown = at == 0 or (at == last and units < MANY_UNITS)  # the last says what would do
        if is_shown:
            shown.append(sentence.counted(number, ask, short=is_long))
        if is_long or not is_shown:
            folded.append(sentence.counted(number, ask))
    places = dict.fromkeys(bands[row - 1] for sentence in why.sentences for row in sentence.rows)
    return {
        "said": " ".join([*shown, _single_cords(units)]),
        "more": " ".join(folded),
        "places": [
            {"band": band, "row": row, "words": f"To {_told(design, [(band, row)])}"}
            for band, row in list(places)[:MOST_PLACES]
        ],
        "can": False,
    }


def _single_cords(units: int) -> str:
    """The advice: beyond some size temporaries are the wrong method (common practice, no source)."""
    if units < MANY_UNITS:
        where = "the unit that needs a temporary" if units == 1 else f"the {units} units that need one"
        return f"With single draw cords on {where} it can be woven, too."
    return f"For so much, single draw cords are the right way: {units} units would need one."


def _ask(design: Design, places: Sequence[Place]) -> str:
    """How a sentence on rows begins, counted in their bands; a row woven several times is named once."""
    once = list(dict.fromkeys(places))
    told = _told(design, once)
    comma = "," if len(_named(design)) > 1 else ""
    return f"{told[0].upper()}{told[1:]}{comma} {'asks' if len(once) == 1 else 'ask'}"


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


def _told(design: Design, places: Sequence[Place]) -> str:
    """ "row 3"; where several bands have squares: "“Hem”, row 3, and “Flag”, rows 1 and 2"."""
    names = _named(design)
    groups: dict[int, list[int]] = {}
    for band, row in places:
        groups.setdefault(band, []).append(row)
    told = []
    for band, rows in groups.items():
        words = rows_listed(sorted(rows))
        told.append(f"“{names[band]}”, {words}" if len(names) > 1 and band in names else words)
    return ", and ".join(told)
