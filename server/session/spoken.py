"""What is read aloud: each instruction in words made for the ear, complete without the screen.

Numbers are words up to ninety-nine; runs are said as “one to four”. Each text names the side it counts from
and how many there are in all, so that who listens can check without looking.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import assert_never

from server.design.piece import Piece
from server.loom.actions import and_list
from server.loom.counting import Stance, leashes_in, take_and_pass
from server.loom.state import Loom, handle_order, units_up
from server.loom.steps import Done, Insert, Label, MoveCords, Raise, TakeOut, Walk, Weave, Withdraw
from server.session.cards import Card
from server.session.naming import Naming
from server.session.place import Place, is_done_again, picks_done
from server.session.treadling import LONGEST_ROUND, Pick, Picks, Side, other_side, picks_of, rounds_of
from server.session.wording import STANCE_WORDS, cord_change, end_words, handle_change

_TO_NINETEEN = (
    *("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"),
    *("eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"),
)
_TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")


def number_words(number: int) -> str:
    """A number as it is said: "seven", "forty-two"; from 100 on its figures, which every voice can read."""
    if number < 20:
        return _TO_NINETEEN[number]
    if number > 99:
        return str(number)
    tens, ones = divmod(number, 10)
    return _TENS[tens - 2] + (f"-{_TO_NINETEEN[ones]}" if ones else "")


def name_words(name: str) -> str:
    """A handle, shaft or temporary as it is said: "seven", "S one", "seven a"."""
    parts = re.findall(r"[0-9]+|[^0-9]+", name)
    return " ".join(number_words(int(part)) if part.isdigit() else " ".join(part) for part in parts)


def run_entries(numbers: Sequence[int]) -> list[str]:
    """Numbers in the order given, neighbours that go up or down by one drawn together from three on."""
    words: list[str] = []
    at = 0
    while at < len(numbers):
        step = numbers[at + 1] - numbers[at] if at + 1 < len(numbers) else 0
        end = at
        while step in (1, -1) and end + 1 < len(numbers) and numbers[end + 1] - numbers[end] == step:
            end += 1
        if end - at >= 2:
            words.append(f"{number_words(numbers[at])} to {number_words(numbers[end])}")
            at = end + 1
        else:
            words.append(number_words(numbers[at]))
            at += 1
    return words


def _numbers(numbers: Iterable[int]) -> str:
    return and_list(run_entries(sorted(numbers)))


def _handles(handles: Iterable[str]) -> str:
    ordered = sorted(handles, key=handle_order)
    own = [int(handle) for handle in ordered if handle.isdigit()]
    return and_list(run_entries(own) + [name_words(handle) for handle in ordered if not handle.isdigit()])


def _several(number: int, one: str, many: str | None = None) -> str:
    return f"{number_words(number)} {one if number == 1 else many or one + 's'}"


def _carrier(carrier: str) -> str:
    return f"{'shaft' if carrier.isdigit() else 'temporary'} {name_words(carrier)}"


def _sentences(*parts: str) -> str:
    return " ".join(f"{part[0].upper()}{part[1:]}." for part in parts if part)


def _is_or_are(number: int) -> str:
    return "is" if number == 1 else "are"


def spoken(
    piece: Piece,
    place: Place,
    card: Card,
    stance: Stance,
    first: Side,
    naming: Naming,
    *,
    by_pick: bool = False,
) -> str:
    """The instruction for the ear.

    Args:
        place: where the weaver is.
        card: the one that is up there.
        stance: where she stands to put temporaries in.
        first: where the shuttle was before the first pick of the piece.
        naming: how she counts.
        by_pick: whether she taps pick by pick.
    """
    if isinstance(card.step, Weave | TakeOut):
        picks = picks_of(piece, place, card, first)
        treadled = piece.loom.treadles > 1
        text = (
            _one_pick(card, picks[picks_done(card, place)], piece.picks(card.row), treadled)
            if by_pick
            else _picks(card, picks, max(0, picks_done(card, place)), treadled)
        )
    else:
        text = _spoken(naming.loom(piece.loom), naming.card(card), stance, naming)
    return f"Once more. Undo it first, as the screen shows. {text}" if is_done_again(place) else text


def shed_spoken(units: Iterable[int], naming: Naming) -> str:
    """What to look over before the first pick of a row.

    Args:
        units: those that must be up.
    """
    up = naming.unit_numbers(units)
    if not up:
        return "Check the shed. Nothing is up."
    count = f"{_several(len(up), 'unit')} {_is_or_are(len(up))} up"
    return _sentences("check the shed", f"{count}, from your {naming.units_from}: {_numbers(up)}")


def _spoken(loom: Loom, card: Card, stance: Stance, naming: Naming) -> str:
    """All but the picks; loom and card are as she counts."""
    match card.step:
        case Raise():
            return _raise(card, naming)
        case Label(shafts=shafts):
            words = "a number on shaft" if len(shafts) == 1 else "numbers on shafts"
            end = "bench" if naming.shafts_from == "weaver" else "back"
            count = f"{_several(len(shafts), 'shaft')} in all, counted from the {end}"
            return _sentences(f"tape {words} {_numbers(shafts)}", count)
        case Insert():
            return _insert(loom, card.step, stance, naming)
        case MoveCords():
            return _move(card.step, stance)
        case Withdraw():
            return _withdraw(loom, card, card.step, stance)
        case Walk():
            return _sentences(_let_down(card, naming), "nobody at the handles", "then go behind the loom")
        case None:
            return _test_lift(loom, card, naming)
        case Done():
            return _sentences(_let_down(card, naming), "the piece is woven", "no temporary is in the loom")
        case Weave() | TakeOut():
            raise AssertionError(card)  # told with its picks
    assert_never(card.step)


def _raise(card: Card, naming: Naming) -> str:
    assert isinstance(card.step, Raise)
    handles = handle_change(card)
    pull, let_go, leave = cord_change(card)
    cords = [f"{word} {_numbers(units)}" for word, units in (("pull", pull), ("let go of", let_go)) if units]
    parts = [
        ", ".join(
            f"{word} {_handles(names)}"
            for word, names in (("pull", handles.pull), ("let go of", handles.let_go))
            if names
        ),
        f"then the single cords, from your {naming.units_from}: {', '.join(cords)}" if cords else "",
    ]
    if not any(parts):
        parts[0] = "leave everything as it hangs" if handles.leave or leave else "pull nothing for this row"
    if card.kind == "reopen":
        parts.insert(0, f"row {number_words(card.row)} once more, to take picks out")
    up, cords_up = len(card.step.handles), len(card.step.single_cords)
    counts = [_several(up, "handle")] if up else []
    if cords_up:
        counts.append(_several(cords_up, "single cord"))
    total = f"{and_list(counts)} {_is_or_are(up + cords_up)} pulled in all" if counts else ""
    return _sentences(*parts, total)


def _picks(card: Card, picks: Picks, done: int, treadled: bool) -> str:
    """The picks that are left to weave, or to take out."""
    left = picks[done:]
    out = isinstance(card.step, TakeOut)
    more = "more " if len(left) < len(picks) else ""
    parts = [f"{'take out' if out else 'weave'} {_several(len(left), f'{more}pick')}"]
    if out:
        parts.append("the last pick first")
    if treadled:
        parts.append(_treadles([pick.treadle for pick in left]))
    shuttle = f"the shuttle starts on your {other_side(left[0].to)} and ends on your {left[-1].to}"
    return _sentences(", ".join(parts), shuttle)


def _treadles(order: Sequence[int]) -> str:
    """In their order; of a long row the round that they go through, or how it begins."""
    if len(order) <= LONGEST_ROUND:
        return f"treadle{'s' if len(order) > 1 else ''} {and_list(run_entries(order))}"
    if (found := rounds_of(order)) is None:
        return f"treadles as the screen shows them, beginning with {number_words(order[0])}"
    around, times, rest = found
    if len(around) == 1:
        return f"treadle {number_words(around[0])} throughout"
    then = f", then {and_list(run_entries(rest))}" if rest else ""
    return f"treadles {and_list(run_entries(around))} in turn, {number_words(times)} times{then}"


def _one_pick(card: Card, pick: Pick, of: int, treadled: bool) -> str:
    """The next pick alone, of so many in its row."""
    out = "take out " if isinstance(card.step, TakeOut) else ""
    parts = [f"{out}pick {number_words(pick.number)} of {number_words(of)}"]
    if treadled:
        parts.append(f"treadle {number_words(pick.treadle)}")
    parts.append(f"the shuttle goes to your {pick.to}")
    return _sentences(", ".join(parts))


def _let_down(card: Card, naming: Naming) -> str:
    handles, cords = card.before.raised, card.before.pulled
    parts = [f"handle{'s' * (len(handles) > 1)} {_handles(handles)}"] if handles else []
    if cords:
        parts.append(f"single cord{'s' * (len(cords) > 1)} {_numbers(cords)} from your {naming.units_from}")
    return f"let go of {and_list(parts)}" if parts else "nothing is pulled"


def _insert(loom: Loom, step: Insert, stance: Stance, naming: Naming) -> str:
    hung = loom.units_of(step.shaft)
    # leashes are counted where they hang, whatever their units are called
    units, taken = map(naming.unit, hung), map(naming.unit, step.units)
    runs = take_and_pass(units, taken, stance, lambda unit: loom.leashes_of(naming.unit(unit)))
    in_all, take = (leashes_in(loom, some) for some in (hung, step.units))
    counted = ", ".join(f"{'take' if run.take else 'pass'} {number_words(run.leashes)}" for run in runs)
    return _sentences(
        f"insert temporary {name_words(step.temporary)}",
        f"{STANCE_WORDS[stance]}: of {_several(in_all, 'leash', 'leashes')} on shaft "
        f"{number_words(step.shaft)} {counted}",
        f"then {_several(take, 'leash', 'leashes')} {_is_or_are(take)} taken in all",
    )


def _move(step: MoveCords, stance: Stance) -> str:
    cords = f"both cords of handle {name_words(step.handle)}"
    if step.target is None:
        what = f"unhook {cords} from {_carrier(step.source or '')}, and let them hang free"
    elif step.source is None:
        what = f"hang {cords}, which hang free, on {_carrier(step.target)}"
    else:
        what = f"move {cords} from {_carrier(step.source)} to {_carrier(step.target)}"
    return _sentences(what, f"two cords, one {' and one '.join(end_words(stance))}")


def _withdraw(loom: Loom, card: Card, step: Withdraw, stance: Stance) -> str:
    temporary = card.before.temporary(step.temporary)
    assert temporary is not None
    in_all, taken = (leashes_in(loom, units) for units in (loom.units_of(temporary.parent), temporary.units))
    shaft = f"shaft {number_words(temporary.parent)}"
    ends = " and ".join(end_words(stance))
    return _sentences(
        f"draw out temporary {name_words(step.temporary)}",
        f"it goes through {number_words(taken)} of {_several(in_all, 'leash', 'leashes')} on {shaft}",
        f"see that it is clear {ends}; {shaft} keeps all its leashes",
    )


def _test_lift(loom: Loom, card: Card, naming: Naming) -> str:
    assert card.handle is not None
    up = sorted(units_up(loom, card.before, [card.handle], ()))
    match up:
        case []:
            rises = "nothing rises"
        case [one]:
            rises = f"one unit rises: unit {number_words(one)} from your {naming.units_from}"
        case [least, *_, most]:
            rises = (
                f"{_several(len(up), 'unit')} rise, the outermost {number_words(least)} and "
                f"{number_words(most)} from your {naming.units_from}"
            )
    return _sentences(f"test lift: pull handle {name_words(card.handle)} alone", rises, "then let it go")
