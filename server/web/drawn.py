"""Which part of a large design a page draws, as its address says, and how to get to the other parts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from server.session.naming import Naming
from server.web.drawings import Drawn
from server.web.rendering import NotUnderstood, number_of

ROW, UNIT = "show_row", "show_unit"
"""The first row and unit that are drawn, in an address; units as she counts."""


@dataclass(frozen=True, slots=True)
class DrawnView:
    """What a page says of the part that it draws.

    Attributes:
        words: "Rows 241 to 480 of 20,000".
        ways: to the parts beside it, each in words, with its address.
        here, fields: where the form goes that asks for another part, and what else it sends.
        row, unit: the first that are drawn; `unit` "" where all of them are.
    """

    words: str
    ways: tuple[tuple[str, str], ...]
    here: str
    fields: tuple[tuple[str, str], ...]
    row: str
    unit: str


def drawn_asked(usual: Drawn, naming: Naming, query: Mapping[str, str]) -> Drawn:
    """The part of a design that an address asks for.

    Args:
        usual: what is drawn where it does not say.

    Raises:
        NotUnderstood: if it asks for rows or units that there are not.
    """
    drawn = usual
    if text := query.get(ROW, "").strip():
        first = number_of(text, "From row", 1, drawn.of_rows)
        drawn = replace(drawn, rows=_from(first, len(drawn.rows), drawn.of_rows))
    if text := query.get(UNIT, "").strip():
        first = number_of(text, "From unit", 1, drawn.of_units)
        counted = _from(first, len(drawn.units), drawn.of_units)
        ends = sorted(map(naming.unit, (counted[0], counted[-1])))
        drawn = replace(drawn, units=range(ends[0], ends[1] + 1))
    return drawn


def drawn_or_refusal(usual: Drawn, naming: Naming, query: Mapping[str, str]) -> tuple[Drawn, str]:
    """As `drawn_asked`; where there is no such part, the usual one and the sentence that says so."""
    try:
        return drawn_asked(usual, naming, query), ""
    except NotUnderstood as why:
        return usual, str(why)


def drawn_view(
    drawn: Drawn, naming: Naming, here: str, fields: Sequence[tuple[str, str]] = ()
) -> DrawnView | None:
    """What a page says of the part that it draws; None where it draws all.

    Args:
        here: the page's address, without what is asked of it.
        fields: what else is asked of it.
    """
    if drawn.is_whole:
        return None
    row, last_row = drawn.rows[0], drawn.rows[-1]
    unit, last_unit = sorted(map(naming.unit, (drawn.units[0], drawn.units[-1])))
    all_units = len(drawn.units) == drawn.of_units
    words = [f"Rows {row:,} to {last_row:,} of {drawn.of_rows:,}"]
    if not all_units:
        words.append(f"units {unit:,} to {last_unit:,} of {drawn.of_units:,}")
    ways = []

    def to(what: str, name: str, first: int, most: int, at_once: int) -> None:
        stays = {ROW: row} if all_units else {ROW: row, UNIT: unit}
        asked = [*fields, *(stays | {name: min(max(first, 1), most - at_once + 1)}).items()]
        ways.append((what, f"{here}?{urlencode(asked)}#drawn"))

    if row > 1:
        to("Earlier rows", ROW, row - len(drawn.rows), drawn.of_rows, len(drawn.rows))
    if last_row < drawn.of_rows:
        to("Later rows", ROW, last_row + 1, drawn.of_rows, len(drawn.rows))
    if unit > 1:
        to("Units before", UNIT, unit - len(drawn.units), drawn.of_units, len(drawn.units))
    if last_unit < drawn.of_units:
        to("Units after", UNIT, last_unit + 1, drawn.of_units, len(drawn.units))
    return DrawnView(
        ", ".join(words), tuple(ways), here, tuple(fields), str(row), "" if all_units else str(unit)
    )


def _from(first: int, at_once: int, most: int) -> range:
    start = min(first, most - at_once + 1)
    return range(start, start + at_once)
