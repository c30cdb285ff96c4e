"""A work order out, for paper and for other hands: told line by line, a table, a lift plan, a draft.

Where nothing else is said, numbers are as she counts. The same order always gives the same file.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from PIL import Image, ImageDraw, ImageFont

from server.design.out import (
    INK,
    MOST_DOTS,
    PAPER,
    RULE,
    drawing,
    number_text,
    png,
    table,
    text_svg,
)
from server.design.piece import Piece
from server.design.piece_file import Unusable
from server.design.wif import Draft, FirstThread, write_draft
from server.design.wif_sections import one_line
from server.loom.actions import and_list
from server.loom.counting import Stance, leashes_in, take_and_pass
from server.loom.leashes import NO_SHAFT
from server.loom.state import handle_order, parent_of
from server.loom.steps import Insert, Label, MoveCords, Raise, TakeOut, Walk, Weave, Withdraw
from server.plan.replay import replay
from server.plan.visits import position_of
from server.plan.workorder import StepKind, WorkOrder, kind_of
from server.session.cards import Card, deal
from server.session.naming import Naming
from server.session.wording import (
    STANCE_WORDS,
    after_words,
    cautions,
    check_words,
    cord_change,
    heading,
    lift_check_words,
    minutes_text,
    numbers_text,
    pulled,
    runs_words,
    several,
    shaft_one_words,
    treadles_text,
)

# --- told ----------------------------------------------------------------------------------------------


def order_text(piece: Piece, order: WorkOrder, naming: Naming, stance: Stance) -> str:
    """What to do, one numbered line a card, complete without a drawing.

    Args:
        stance: where she stands to put temporaries in.
    """
    totals = order.totals
    head = [
        one_line(piece.name),
        f"{several(len(piece.rows), 'row')}, {several(totals.walks, 'walk')} behind the loom, "
        f"about {minutes_text(totals.minutes)} besides the weaving.",
        f"{shaft_one_words(naming)} Unit 1 is at your {naming.units_from} at the bench.",
    ]
    lines = [f"{card.number + 1}. {_told(piece, card, naming, stance)}" for card in deal(piece, order)]
    return "\n".join([*head, "", *lines, ""])


def _told(piece: Piece, as_filed: Card, naming: Naming, stance: Stance) -> str:
    card = naming.card(as_filed)
    text = heading(card, in_full=True)
    match card.step:
        case Raise(row=row):
            up = and_list(pulled(card.after)) or "nothing"
            return f"Row {row}: {_with_cords(text, card)}. Up in all: {up}."
        case Weave(row=row, treadles=treadles) | TakeOut(row=row, treadles=treadles):
            over = f", treadles {_in_full(treadles)}" if piece.loom.treadles > 1 else ""
            return f"Row {row}: {text}{over}."
        case Walk():
            return f"{text} {after_words(position_of(card.before))}. {' '.join(cautions(card)[:2])}"
        case Insert(shaft=shaft, units=units):
            assert isinstance(as_filed.step, Insert)
            hung = piece.loom.units_of(as_filed.step.shaft)
            runs = runs_words(take_and_pass(hung, as_filed.step.units, stance, piece.loom.leashes_of))
            return (
                f"{text}, {STANCE_WORDS[stance]}. "
                f"Of the {leashes_in(piece.loom, hung)} leashes on shaft {shaft}: {runs}. "
                f"{'That is unit' if len(units) == 1 else 'Those are units'} {numbers_text(units)}."
            )
        case None:
            return f"{text}. {lift_check_words(naming.loom(piece.loom), card, naming)}"
    return f"{text}. {check_words(naming.loom(piece.loom), card, naming)}".strip()


def _in_full(treadles: Sequence[int]) -> str:
    """Treadles in their order, drawn together only where nothing is left out."""
    text = treadles_text(treadles)
    return ", ".join(map(str, treadles)) if "…" in text else text


def _with_cords(text: str, card: Card) -> str:
    """A heading that leaves the single draw cords to a drawing, with them."""
    handles, then, _ = text.partition("; then the cords")
    if not then:
        return text
    pull, let_go, _ = cord_change(card)
    told = [f"pull {numbers_text(pull)}"] * bool(pull) + [f"let go of {numbers_text(let_go)}"] * bool(let_go)
    return f"{handles}; of the single draw cords {', '.join(told)}"


# --- a table -------------------------------------------------------------------------------------------

_WHAT: dict[StepKind, str] = {
    "raise": "raise",
    "reopen": "raise again, to take out",
    "weave": "weave",
    "take_out": "take out",
    "walk": "go behind",
    "label": "tape numbers on",
    "insert": "put in",
    "move_cords": "move cords",
    "withdraw": "draw out",
    "done": "finished",
}

_COLUMNS = (
    *("step", "row", "what", "shaft", "temporary", "units", "handles", "single draw cords"),
    *("from", "to", "picks", "treadles"),
)


def order_csv(order: WorkOrder, naming: Naming) -> str:
    """One line a step. Several numbers in a cell have a blank between them, so that none becomes a date."""
    return table([_COLUMNS, *_step_lines(order, naming)])


def _step_lines(order: WorkOrder, naming: Naming) -> Iterator[Sequence[str | int]]:
    for number, as_filed in enumerate(order.steps, 1):
        step = naming.step(as_filed)
        found: dict[str, str | int] = {"step": number, "what": _WHAT[kind_of(step)]}
        match step:
            case Raise(row=row, handles=handles, single_cords=cords):
                found |= {"row": row, "handles": _several(handles), "single draw cords": _several(cords)}
            case (
                Weave(row=row, picks=picks, treadles=treadles)
                | TakeOut(row=row, picks=picks, treadles=treadles)
            ):
                found |= {"row": row, "picks": picks, "treadles": _several(treadles)}
            case Label(shafts=shafts):
                found |= {"shaft": _several(shafts)}
            case Insert(shaft=shaft, temporary=name, units=units):
                found |= {"shaft": shaft, "temporary": name, "units": _several(units)}
            case MoveCords(handle=handle, source=source, target=target):
                found |= {"handles": handle, "from": source or "nothing", "to": target or "nothing"}
            case Withdraw(temporary=name):
                found |= {"temporary": name}
        yield [found.get(column, "") for column in _COLUMNS]


def _several(numbers: Sequence[str | int]) -> str:
    return " ".join(map(str, numbers))


# --- the lift plan -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LiftRow:
    """What is up for a row.

    Attributes:
        marks: per handle or single draw cord ("c12") that is up, the temporary that its cords are on, as
            briefly as can be ("a": one of the handle's own shaft; "7a"), or "": the whole.
        walk: number of the walk before the row, from 1; 0: none.
        changes: what goes in and comes out on it.
    """

    row: int
    marks: dict[str, str]
    walk: int = 0
    changes: str = ""


@dataclass(frozen=True, slots=True)
class LiftPlan:
    """The rows as woven; the columns from the left: handles as they hang, then single draw cords pulled."""

    columns: tuple[str, ...]
    rows: tuple[LiftRow, ...]
    last_changes: str


def lift_plan(piece: Piece, order: WorkOrder, naming: Naming) -> LiftPlan:
    """The lift plan of a work order.

    Raises:
        Mismatch: if the order does not weave the piece.
    """
    rows, walks, walked = list[LiftRow](), 0, False
    into, out = list[str](), list[str]()
    states = replay(piece, order.steps)
    for as_filed, after in zip(order.steps, states[1:], strict=True):
        match as_filed:
            case Walk():
                walks, walked, into, out = walks + 1, True, [], []
            case Insert(temporary=name):
                into.append(naming.name(name))
            case Withdraw(temporary=name):
                out.append(naming.name(name))
            case Raise(row=row, handles=handles, single_cords=cords):
                marks = {
                    naming.name(handle): _mark(handle, after.carrier(piece.loom, handle), naming)
                    for handle in handles
                }
                marks |= {f"c{unit}": "" for unit in naming.unit_numbers(cords)}
                rows.append(LiftRow(row, marks, walks * walked, _changes(into, out) if walked else ""))
                walked = False
    up = {name for row in rows for name in row.marks}
    columns = [
        *map(str, range(1, piece.loom.pattern_shafts + 1)),
        *sorted((name for name in up if name.startswith("S")), key=handle_order),
        *sorted((name for name in up if name.startswith("c")), key=lambda name: int(name[1:])),
    ]
    return LiftPlan(tuple(columns), tuple(rows), _changes(into, out) if walked else "")


def _changes(into: Sequence[str], out: Sequence[str]) -> str:
    told = [f"{', '.join(names)} {where}" for names, where in ((into, "in"), (out, "out")) if names]
    return "; ".join(told) or "cords moved"


def _mark(handle: str, carrier: str | None, naming: Naming) -> str:
    if carrier is None or carrier == handle:
        return ""
    is_its_own = handle == str(parent_of(carrier))
    return naming.name(carrier).removeprefix(naming.name(handle)) if is_its_own else naming.name(carrier)


_LEGEND = (
    "A dot: the whole shaft, or a single draw cord (c). A ring: the temporary named in it, on that handle.",
    "A heavy line: a walk. The first row is at the bottom.",
)

MOST_SQUARES = 100_000
"""Of a lift plan that is drawn."""

ACROSS, UP = 22, 20
"""A square of the lift plan."""


def order_svg(piece: Piece, order: WorkOrder, naming: Naming) -> str:
    """The lift plan as a drawing, the first row at the bottom.

    A dot: the whole shaft, or a single draw cord. A ring with letters: that temporary. A heavy line: a walk.

    Raises:
        Unusable: if it has too many squares.
    """
    plan = _lift_plan_to_draw(piece, order, naming)
    count = len(plan.rows)
    left, top = 44, 24
    right, foot = left + ACROSS * len(plan.columns), top + UP * count
    at = {name: left + ACROSS * (number + 0.5) for number, name in enumerate(plan.columns)}
    lines = "".join(f"M{left} {top + UP * row}H{right}" for row in range(count + 1))
    lines += "".join(f"M{left + ACROSS * column} {top}V{foot}" for column in range(len(plan.columns) + 1))
    body = [f'<path fill="none" stroke="{RULE}" stroke-width="0.5" d="{lines}"/>']
    for name in plan.columns:
        body += [text_svg(at[name], edge, name, "middle") for edge in (top - 6, foot + 14)]
    for row in plan.rows:
        y = foot - UP * (row.row - 0.5)
        body.append(text_svg(left - 6, y + 3, row.row, "end"))
        body += [_mark_svg(at[name], y, letters) for name, letters in row.marks.items()]
    for edge, words in _walk_lines(plan):
        y = foot - UP * edge
        body.append(f'<path stroke="{INK}" stroke-width="3" d="M{left - 34} {y}H{right + 8}"/>')
        body.append(text_svg(right + 12, y + 3, words, "start"))
    longest = max((len(words) for _, words in _walk_lines(plan)), default=0)
    body += [text_svg(left, foot + 34 + 14 * line, words, "start") for line, words in enumerate(_LEGEND)]
    width = max(right + 24 + 6 * longest, left + 6 * len(_LEGEND[0]))
    return drawing(width, foot + 56, piece.name, "".join(body))


def _lift_plan_to_draw(piece: Piece, order: WorkOrder, naming: Naming) -> LiftPlan:
    plan = lift_plan(piece, order, naming)
    rows, columns = len(plan.rows), len(plan.columns)
    if rows * columns > MOST_SQUARES:
        raise Unusable(f"A lift plan of {rows:,} rows and {columns:,} columns is too large to be drawn.")
    return plan


def _walk_lines(plan: LiftPlan) -> list[tuple[int, str]]:
    """Each walk: the rows below it, and its words."""
    lines = [(row.row - 1, f"walk {row.walk}: {row.changes}") for row in plan.rows if row.walk]
    if plan.last_changes:
        lines.append((len(plan.rows), f"walk {len(lines) + 1}: {plan.last_changes}"))
    return lines


def _mark_svg(x: float, y: float, letters: str) -> str:
    where = f'cx="{number_text(x)}" cy="{number_text(y)}"'
    if not letters:
        return f'<circle {where} r="6" fill="{INK}"/>'
    ring = f'<circle {where} r="8" fill="{PAPER}" stroke="{INK}"/>'
    return ring + text_svg(x, y + 3, letters, "middle", 9 if len(letters) < 3 else 7)


def order_png(piece: Piece, order: WorkOrder, naming: Naming) -> bytes:
    """The lift plan as a picture, drawn as `order_svg` draws it.

    Raises:
        Unusable: if it has too many squares or dots.
    """
    plan = _lift_plan_to_draw(piece, order, naming)
    count, font = len(plan.rows), ImageFont.load_default()
    across = max(ACROSS, *(int(font.getlength(name)) + 6 for name in plan.columns))
    left, top = 48, 24
    right, foot = left + across * len(plan.columns), top + UP * count
    longest = max((font.getlength(words) for _, words in _walk_lines(plan)), default=0)
    width = max(right + 24 + int(longest), left + 12 + int(font.getlength(_LEGEND[0])))
    height = foot + 56
    if width * height > MOST_DOTS:
        raise Unusable(f"A picture of {width:,} × {height:,} dots is too large; take the drawing instead.")
    picture = Image.new("RGB", (width, height), PAPER)
    draw = ImageDraw.Draw(picture)
    for row in range(count + 1):
        draw.line([(left, top + UP * row), (right, top + UP * row)], fill=RULE)
    middle = {name: left + across * number + across // 2 for number, name in enumerate(plan.columns)}
    for name, at in middle.items():
        x = at - across // 2
        draw.line([(x, top), (x, foot)], fill=RULE)
        for edge in (top - 10, foot + 10):
            draw.text((at, edge), name, fill=INK, font=font, anchor="mm")
    draw.line([(right, top), (right, foot)], fill=RULE)
    for row_up in plan.rows:
        y = foot - UP * row_up.row + UP // 2
        draw.text((left - 6, y), str(row_up.row), fill=INK, font=font, anchor="rm")
        for name, letters in row_up.marks.items():
            x = middle[name]
            if letters:
                draw.ellipse([x - 8, y - 8, x + 8, y + 8], fill=PAPER, outline=INK)
                draw.text((x, y), letters, fill=INK, font=font, anchor="mm")
            else:
                draw.ellipse([x - 6, y - 6, x + 6, y + 6], fill=INK)
    for below, words in _walk_lines(plan):
        y = foot - UP * below
        draw.line([(left - 34, y), (right + 8, y)], fill=INK, width=3)
        draw.text((right + 12, y), words, fill=INK, font=font, anchor="lm")
    for line, words in enumerate(_LEGEND):
        draw.text((left, foot + 32 + 14 * line), words, fill=INK, font=font, anchor="lm")
    return png(picture)


# --- a draft -------------------------------------------------------------------------------------------


def order_wif(piece: Piece, order: WorkOrder, first_thread: FirstThread = "right") -> str:
    """The order's lift plan as a WIF file, shafts and units as the piece's file counts them.

    The leash order is the threading. Each temporary, each time it goes in, is one more shaft for its units;
    so is each single draw cord that is needed. The lift plan names what the handles are on.

    Raises:
        Mismatch: if the order does not weave the piece.
        Unusable: if it would take more shafts than are read again.
    """
    loom = piece.loom
    threading = [[shaft] if shaft != NO_SHAFT else [] for shaft in loom.leashes]
    beyond: dict[int, tuple[int, str]] = {}

    def one_more(parent: int, what: str, units: Sequence[int]) -> int:
        number = loom.pattern_shafts + len(beyond) + 1
        beyond[number] = (parent, what)
        for unit in units:
            threading[unit - 1].append(number)
        return number

    pulled_ever = {unit for step in order.steps if isinstance(step, Raise) for unit in step.single_cords}
    hung_on_nothing = {unit for unit, shaft in enumerate(loom.leashes, 1) if shaft == NO_SHAFT}
    cords = {
        unit: one_more(
            loom.leashes[unit - 1], f"single draw cord of unit {unit} from the weaver's left", [unit]
        )
        for unit in sorted(pulled_ever | hung_on_nothing)
    }
    now: dict[str, int] = {}
    lifted: list[list[int]] = []
    states = replay(piece, order.steps)
    for step, after in zip(order.steps, states[1:], strict=True):
        match step:
            case Insert(shaft=shaft, temporary=name, units=units):
                what = f"temporary {name} of pattern shaft {shaft}, put in before row {len(lifted) + 1}"
                now[name] = one_more(shaft, what, units)
            case Raise(handles=handles, single_cords=single):
                up = [cords[unit] for unit in single]
                for handle in handles:
                    carrier = after.carrier(loom, handle)
                    assert carrier is not None, "handles that carry nothing are not raised"
                    up.append(int(carrier) if carrier.isdigit() else now[carrier])
                lifted.append(sorted(up))
    draft = Draft(piece.name, threading, loom.pattern_shafts, lifted, beyond, sorted(loom.single_cords))
    return write_draft(draft, first_thread)
