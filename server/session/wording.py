"""What is said to the weaver: headings, checks and cautions, in the trade's words. Pure text.

Cards, states and looms are taken as she counts (`server.session.naming`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import assert_never

from server.loom.actions import and_list
from server.loom.counting import Run, Stance, begins_at_her_left, leashes_in
from server.loom.state import Loom, State, handle_order, units_up
from server.loom.steps import (
    Done,
    Insert,
    Label,
    MoveCords,
    Raise,
    Reopen,
    TakeOut,
    Walk,
    Weave,
    Withdraw,
)
from server.plan.visits import Position, position_of
from server.session.cards import Card
from server.session.checks import Count, InsertionCheck
from server.session.naming import Naming
from server.session.treadling import LONGEST_ROUND, rounds_of

LONGEST_LIST = 5
"""More entries than this are counted in a heading and listed below it."""

STANCE_WORDS: dict[Stance, str] = {
    "behind-left": "behind the loom, counting from your left",
    "behind-right": "behind the loom, counting from your right",
    "left-side": "at the loom’s left side, counting from the nearest leash",
    "right-side": "at the loom’s right side, counting from the nearest leash",
}


def several(number: int, one: str, many: str | None = None) -> str:
    """ "1 walk", "2 walks", "1,500 walks"."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def entries(numbers: Iterable[int]) -> list[str]:
    """Numbers, ascending, with runs of three and more drawn together: "1–4", "7", "9"."""
    found: list[list[int]] = []
    for number in sorted(numbers):
        if found and number == found[-1][-1] + 1:
            found[-1].append(number)
        else:
            found.append([number])
    words: list[str] = []
    for run in found:
        words += [f"{run[0]}–{run[-1]}"] if len(run) > 2 else [str(number) for number in run]
    return words


def numbers_text(numbers: Iterable[int]) -> str:
    """ "1–4, 7 and 9"."""
    return and_list(entries(numbers))


def handle_entries(handles: Iterable[str]) -> list[str]:
    """Handles as they hang, pattern shafts' first, runs drawn together."""
    ordered = sorted(handles, key=handle_order)
    own = [int(handle) for handle in ordered if handle.isdigit()]
    return entries(own) + [handle for handle in ordered if not handle.isdigit()]


def handles_text(handles: Iterable[str]) -> str:
    """ "3–5 and S1"."""
    return and_list(handle_entries(handles))


def handle_words(handles: Iterable[str]) -> str:
    """ "handle 3", "handles 3 and 4"."""
    found = list(handles)
    return f"handle{'s' if len(found) > 1 else ''} {handles_text(found)}"


def cord_words(units: Iterable[int]) -> str:
    """ "single draw cord 3", "single draw cords 1–4"."""
    found = list(units)
    return f"single draw cord{'s' if len(found) > 1 else ''} {numbers_text(found)}"


def pulled(state: State) -> list[str]:
    """What is pulled: "handles 3 and 4", "single draw cord 2"."""
    found = [handle_words(state.raised)] if state.raised else []
    return [*found, cord_words(state.pulled)] if state.pulled else found


def carrier_words(carrier: str | None) -> str:
    """ "shaft 7", "temporary 7a", "nothing"."""
    if carrier is None:
        return "nothing"
    return f"shaft {carrier}" if carrier.isdigit() else f"temporary {carrier}"


def minutes_text(minutes: float, finely: bool = False) -> str:
    """Minutes as people say them.

    Args:
        finely: to the tenth also where there are many, so that what is compared adds up.
    """
    if minutes < 9.95 or (finely and minutes < 59.95):
        return f"{minutes:.1f}".removesuffix(".0") + (" minute" if f"{minutes:.1f}" == "1.0" else " minutes")
    whole = round(minutes)
    if whole < 60:
        return f"{whole} minutes"
    hours, rest = divmod(whole, 60)
    return several(hours, "hour") + (f" {several(rest, 'minute')}" if rest else "")


def span_text(seconds: float) -> str:
    """How long a break was: "40 minutes", "3 hours", "2 days"."""
    minutes = int(seconds // 60)
    if minutes < 120:
        return several(minutes, "minute")
    hours = minutes // 60
    return several(hours, "hour") if hours < 48 else several(hours // 24, "day")


def after_row(row: int) -> str:
    """ "after row 12", "before the first row"."""
    return f"after row {row}" if row else "before the first row"


def after_words(at: Position) -> str:
    """How far the cloth is: "after row 12", "within row 13, after 2 picks"."""
    return f"within row {at.row + 1}, after {several(at.picks, 'pick')}" if at.picks else after_row(at.row)


def due_out(row: int, rows: int) -> str:
    """When something that comes out after this row is due: "before row 13", "at the end"."""
    return f"before row {row + 1}" if row < rows else "at the end, after the last row"


# --- what is pulled, let go and left -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Change:
    """What happens to handles (or single cords) when a row is raised."""

    pull: tuple[str, ...]
    let_go: tuple[str, ...]
    leave: tuple[str, ...]


def handle_change(card: Card) -> Change:
    """The handles of a `raise` card; after a walk everything is down, so all are to be pulled."""
    assert isinstance(card.step, Raise)
    up, now = set(card.step.handles), card.before.raised
    pull, go, leave = (sorted(handles, key=handle_order) for handles in (up - now, now - up, now & up))
    return Change(tuple(pull), tuple(go), tuple(leave))


def cord_change(card: Card) -> tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...]]:
    """Single cords (units) to pull, to let go and to leave on a `raise` card."""
    assert isinstance(card.step, Raise)
    up, now = set(card.step.single_cords), card.before.pulled
    return tuple(sorted(up - now)), tuple(sorted(now - up)), tuple(sorted(now & up))


def _named(words: list[str], number: int, what: str, longest: int) -> str:
    if not words:
        return ""
    return and_list(words) if len(words) <= longest else f"{number} {what}"


def _named_cords(units: Sequence[int], longest: int) -> str:
    words = entries(units)
    if not words or len(words) > longest:
        return _named(words, len(units), "single cords", longest)
    return f"single cord{'s' * (len(units) > 1)} {and_list(words)}"


def _raise_heading(card: Card, longest: int) -> str:
    handles = handle_change(card)
    pull_cords, drop_cords, leave_cords = cord_change(card)
    if handles.pull or handles.let_go:
        text = _pull_and_let_go(
            _named(handle_entries(handles.pull), len(handles.pull), "handles", longest),
            _named(handle_entries(handles.let_go), len(handles.let_go), "handles", longest),
        )
        if not (handles.pull or handles.leave or pull_cords or leave_cords):
            return "Let everything go"
        return f"{text}; then the cords" if pull_cords or drop_cords else text
    if pull_cords or drop_cords:
        return _pull_and_let_go(
            _named_cords(pull_cords, longest),
            _named_cords(drop_cords, longest),
        )
    return "Leave everything as it hangs" if handles.leave or leave_cords else "Pull nothing for this row"


def _pull_and_let_go(pull: str, let_go: str) -> str:
    parts = [f"pull {pull}"] if pull else []
    if let_go:
        parts.append(f"let go of {let_go}")
    text = ", ".join(parts)
    return text[0].upper() + text[1:]


def heading(card: Card, *, in_full: bool = False) -> str:
    """The card's heading; it begins with the verb.

    Args:
        in_full: name all that is pulled, however long that is: for a list without drawings.
    """
    match card.step:
        case Raise():
            return _raise_heading(card, 10**6 if in_full else LONGEST_LIST)
        case Weave():
            return f"Weave {several(card.step.picks, 'pick')}"
        case TakeOut():
            return f"Take out {several(card.step.picks, 'pick')}"
        case Label():
            words, number = entries(card.step.shafts), len(card.step.shafts)
            if number == 1:
                return f"Tape a number on shaft {words[0]}"
            if len(words) > LONGEST_LIST:
                return f"Tape numbers on {number} shafts"
            return f"Tape numbers on shafts {and_list(words)}"
        case Insert():
            return f"Insert temporary {card.step.temporary}"
        case MoveCords(handle=handle, source=source, target=target):
            if target is None:
                return f"Unhook the cords of handle {handle}"
            if source is None:
                return f"Hang the cords of handle {handle} on {carrier_words(target)}"
            back = "back " if target.isdigit() else ""
            return f"Move the cords of handle {handle} {back}to {carrier_words(target)}"
        case Withdraw():
            return f"Draw out temporary {card.step.temporary}"
        case Walk():
            return "Go behind the loom"
        case None:
            return f"Pull handle {card.handle} alone"
        case Done() if card.before.raised or card.before.pulled:
            return "Let everything go: the piece is woven"
        case Done():
            return "Look the loom over: the piece is woven"
    assert_never(card.step)


def pick_heading(number: int, of: int, treadle: int | None, *, out: bool) -> str:
    """The heading where every pick has a tap of its own.

    Args:
        number: of the pick in its row, from 1.
        of: how many picks the row has.
        treadle: None on a loom with one treadle.
    """
    text = f"{'Take out pick' if out else 'Pick'} {number} of {of}"
    return text if treadle is None else f"{text}: treadle {treadle}"


def treadles_text(order: Sequence[int]) -> str:
    """Treadles in their order; of a long row the round that they go through: "1, 2, 3 in turn, 13 times".

    Without a round, how it begins and ends.
    """
    if len(order) <= LONGEST_ROUND:
        return ", ".join(map(str, order))
    if (found := rounds_of(order)) is None:
        return f"{', '.join(map(str, order[:8]))} … {', '.join(map(str, order[-3:]))}"
    around, times, rest = found
    if len(around) == 1:
        return f"{around[0]} throughout"
    then = f", then {', '.join(map(str, rest))}" if rest else ""
    return f"{', '.join(map(str, around))} in turn, {times:,} times{then}"


def part_words(first: int, last: int, of: int) -> str:
    """Which picks of a row it is about, where not all: "Picks 3–5 of 5"; else empty."""
    if last - first + 1 == of:
        return ""
    return f"Pick {first} of {of}" if first == last else f"Picks {first}–{last} of {of}"


# --- checks --------------------------------------------------------------------------------------------


def pulled_words(handles: int, cords: int) -> str:
    """How many are pulled in all: "3 handles and 2 single cords"."""
    parts = [several(handles, "handle")] if handles else []
    if cords:
        parts.append(several(cords, "single cord"))
    return " and ".join(parts)


def end_words(stance: Stance) -> tuple[str, str]:
    """The two ends of a shaft as she calls them from where she stands: "at your left", "at your right".

    At the side of the loom her own left and right run along the warp, so there they are the loom's.
    """
    if stance in ("behind-left", "behind-right"):
        return "at your left", "at your right"
    return "at the loom’s left", "at the loom’s right"


def places_words(stance: Stance, from_end: bool) -> str:
    """Where a count is taken, named by the side, not by where counting began."""
    left, right = end_words(stance)
    return left if begins_at_her_left(stance) != from_end else right


_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


def _ordinal(number: int) -> str:
    return _ORDINALS[number - 1] if number <= len(_ORDINALS) else f"number {number}"


def count_words(count: Count, stance: Stance) -> str:
    """One count of an insertion; of the leashes passed by at an end the number and the end alone."""
    where = places_words(stance, count.from_end)
    if count.run == 0:
        return f"{count.leashes or 'none'} {where}"
    taken = count.run % 2 == 1
    which = _ordinal(count.run // 2 + 1 if taken else count.run // 2)
    if taken:
        return f"the {which} group taken {where} has {several(count.leashes, 'leash', 'leashes')}"
    return f"the {which} gap inside {where} has {several(count.leashes, 'leash', 'leashes')}"


def insertion_check_words(check: InsertionCheck, stance: Stance) -> str:
    """What to count: "Passed by: 2 at your left, none at your right. The first group …"""
    ends = [count_words(count, stance) for count in check.counts if count.run == 0]
    rest = and_list([count_words(count, stance) for count in check.counts if count.run])
    found = f"Passed by: {', '.join(ends)}."
    return f"{found} {rest[0].upper()}{rest[1:]}." if rest else found


def look_alike_words(look_alikes: Iterable[int], shaft: int) -> str:
    """What counting cannot tell, and what to do instead; empty if it can.

    Args:
        look_alikes: neighbouring shafts with as many leashes.
    """
    others = and_list([str(other) for other in sorted(look_alikes)])
    if not others:
        return ""
    return (
        f"Counting cannot tell shaft {shaft} from {others}: read the tape, it must say {shaft}. "
        "The test lift shows it, too."
    )


def runs_words(runs: Sequence[Run]) -> str:
    """ "take 1, pass 1, take 2, pass 4"."""
    return ", ".join(f"{'take' if run.take else 'pass'} {run.leashes}" for run in runs)


def check_words(loom: Loom, card: Card, naming: Naming) -> str:
    """The check of every card but those that need more: an insertion the stance, picks the shuttle.

    Args:
        loom: as she counts, as the card is.
        naming: how she counts.
    """
    match card.step:
        case Raise(handles=handles, single_cords=cords):
            number = len(handles) + len(cords)
            if number == 0:
                return "Nothing is pulled."
            is_or_are = "is" if number == 1 else "are"
            return f"{pulled_words(len(handles), len(cords))} {is_or_are} pulled in all."
        case Label(shafts=shafts):
            carry = "carries" if len(shafts) == 1 else "carry"
            return f"{several(len(shafts), 'shaft')} {carry} a number. {shaft_one_words(naming)}"
        case MoveCords(handle=handle, target=target):
            if target is None:
                return f"Neither cord of handle {handle} holds anything."
            return f"Both cords of handle {handle} are on {carrier_words(target)}, one at each end."
        case Withdraw(temporary=name):
            shaft = next(t.parent for t in card.before.temporaries if t.name == name)
            rest = [t.name for t in card.after.temporaries_of(shaft)]
            stays = f", and {and_list(rest)} {'stays' if len(rest) == 1 else 'stay'} in" if rest else ""
            hung = leashes_in(loom, loom.units_of(shaft))
            leashes = "Both leashes" if hung == 2 else f"All {hung} leashes"
            return f"{leashes} still hang on shaft {shaft}{stays}."
    if card.kind == "walk":
        return "No handle and no single cord is pulled any more."
    if card.kind == "test_lift":
        return lift_check_words(loom, card, naming)
    if card.kind == "done":
        return "No temporary is in the loom, and every handle’s cords are on its own shaft."
    return ""


def shaft_one_words(naming: Naming) -> str:
    """Where she begins to count shafts."""
    return f"Shaft 1 is the {'nearest to' if naming.shafts_from == 'weaver' else 'farthest from'} the bench."


def lift_check_words(loom: Loom, card: Card, naming: Naming) -> str:
    """How many units rise in a test lift, and which are the outermost."""
    assert card.handle is not None
    up = sorted(units_up(loom, card.before, [card.handle], ()))
    if not up:
        return "Nothing rises."
    if len(up) == 1:
        return f"1 unit is up: unit {up[0]} from your {naming.units_from} at the bench."
    outermost = f"{up[0]} and {up[-1]} from your {naming.units_from} at the bench"
    return f"{len(up)} units are up, the outermost {outermost}."


def brief_words(card: Card) -> str:
    """What is to be done, in a list where the shaft is named already."""
    match card.step:
        case Insert(temporary=name):
            return f"put in {name}"
        case Withdraw(temporary=name):
            return f"draw out {name}"
        case MoveCords(handle=handle, source=source, target=target):
            if target is None:
                return f"unhook the cords of handle {handle} from {_short(source)}"
            if source is None:
                return f"hang the cords of handle {handle} on {_short(target)}"
            return f"move the cords of handle {handle} from {_short(source)} to {_short(target)}"
    return heading(card)


def _short(carrier: str | None) -> str:
    return carrier_words(carrier).removeprefix("temporary ")


def order_of_work(card: Card) -> tuple[str, ...]:
    """The hands' work on an insertion or a withdrawal, in order (common practice, no source)."""
    match card.step:
        case Insert(shaft=shaft, temporary=name):
            return (
                f"Lift shaft {shaft} by hand and prop it: its leashes stand clear.",
                f"Turn the hooks of {name} down.",
                f"Slide {name} through the leashes to take; pass the others by.",
                f"Turn {name} hooks up.",
                f"Rest {name} on the supports beside shaft {shaft}, on the bench side.",
                f"Lower shaft {shaft}. It still carries all its leashes.",
            )
        case Withdraw(temporary=name):
            shaft = next(t.parent for t in card.before.temporaries if t.name == name)
            return (
                f"Lift shaft {shaft} by hand and prop it.",
                f"Turn the hooks of {name} down.",
                f"Draw {name} out.",
                f"Lower shaft {shaft}.",
            )
    return ()


def cautions(card: Card) -> tuple[str, ...]:
    """What may hurt on this card, to be read before the action; nothing where there is no hazard."""
    match card.kind:
        case "walk":
            return (
                "Unlock and lower every cord first.",
                "Nobody at the handles while you are behind.",
                "A stool must stand firm.",
                "See the loom maker’s instructions.",
            )
        case "label":
            return ("Nobody at the handles while your hands are among the shafts.",)
        case "insert" | "withdraw":
            return ("Prop the shaft, do not hold it. Its weights hang under your hands.",)
        case "move_cords":
            return ("The cords must be unlocked and slack before you unhook them.",)
        case "test_lift":
            return ("Nobody behind the loom, no hands among the shafts.",)
    return ()


def undo_first(card: Card, standing: State, *, lifted: bool) -> tuple[str, ...]:
    """How to take back an insertion or a move that came out wrong, before it is done again.

    Args:
        standing: what stands in the loom now.
        lifted: whether it was found in a test lift, and its handle may still be up.
    """
    up = pulled(standing) or ["the handle"] * lifted
    let_go = f"Let go of {and_list(up)}. " if up else ""
    where = "Nobody" if standing.phase == "behind" and not up else "Go behind; nobody"
    lines = [f"{let_go}{where} at the handles."]
    match card.step:
        case Insert(shaft=shaft, temporary=name):
            handle = standing.handle_on(name)
            if handle:
                lines.append(f"Unhook both cords of handle {handle} from {name}.")
            lines.append(f"Prop shaft {shaft}, turn the hooks of {name} down and draw it out.")
            lines.append(f"Put {name} in as shown here.")
            if handle:
                lines.append(f"Hang both cords of handle {handle} on {name} again.")
        case MoveCords(handle=handle, target=target):
            lines.append(f"Follow both cords of handle {handle} from the handle to their ends.")
            lines.append(f"Hang both on {carrier_words(target)}; read the tape first.")
            if target is not None and not target.isdigit():
                lines.append(
                    f"If they hang there already, {target} itself is in wrongly: tap Back, then “More”, "
                    "“Something went wrong”, “I put one in wrongly”."
                )
    return tuple(lines)


# --- the log -------------------------------------------------------------------------------------------


def done_words(card: Card) -> str:
    """What has been done when a card is done."""
    match card.step:
        case Reopen(row=row):
            return f"Row {row}: shed raised again, to take picks out"
        case Raise(row=row):
            return f"Row {row}: shed raised"
        case Weave(row=row):
            return f"Row {row} woven"
        case TakeOut(row=row, picks=picks):
            return f"Row {row}: {several(picks, 'pick')} taken out"
        case Label(shafts=shafts):
            return f"Numbers taped on {'shaft' if len(shafts) == 1 else 'shafts'} {numbers_text(shafts)}"
        case Insert(temporary=name):
            return f"{name} put in"
        case Withdraw(temporary=name):
            return f"{name} drawn out"
        case MoveCords(handle=handle, source=source, target=target):
            if target is None:
                return f"Cords of handle {handle} unhooked from {carrier_words(source)}"
            return f"Cords of handle {handle} moved to {carrier_words(target)}"
        case Walk():
            return f"Went behind the loom {after_words(position_of(card.before))}"
        case None:
            return f"Test lift of handle {card.handle}: as shown"
        case Done():
            return "Piece finished"
    assert_never(card.step)
