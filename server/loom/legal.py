"""What may stand in the loom: each rule once, for what is done to it (`server.loom.actions`) and for a state
that is entered as it was found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import get_args

from server.loom.state import TEMPORARY_NAME, Loom, Phase, State, Temporary, carried_units, parent_of


class Refused(ValueError):
    """The loom does not allow it; the message says why, in a sentence for the weaver."""


def and_list(words: list[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def check_state(loom: Loom, state: State, rows: int | None = None) -> None:
    """Whether the loom can stand like this.

    Args:
        rows: of the piece, where it is known: no more than these can be in.

    Raises:
        Refused: with a sentence that says what is wrong.
    """
    _check_place(state, rows)
    for shaft in sorted(state.labelled or ()):
        check_shaft(loom, shaft)
    for temporary in state.temporaries:
        check_temporary(loom, temporary)
    if name := _doubled(t.name for t in state.temporaries):
        raise Refused(f"Two temporaries are called {name}; give one of them another letter.")
    check_room(loom, state)
    if handle := _doubled(handle for handle, _ in state.away):
        raise Refused(f"Handle {handle} is said to be on two things at once.")
    for handle, carrier in state.away:
        if carrier == home_of(loom, handle):
            raise Refused(f"The cords of handle {handle} are said to be away, and are where they belong.")
        if carrier is not None:
            check_carrier(loom, state, handle, carrier)
    if state.phase != "behind":
        check_hung_up(loom, state)
    if state.phase in ("raised", "woven"):
        check_raised(loom, state, sorted(state.raised), sorted(state.pulled))
    elif state.raised or state.pulled:
        up = [f"handle {h}" for h in sorted(state.raised)] + [f"cord {u}" for u in sorted(state.pulled)]
        raise Refused(f"No shed is raised, so nothing can be up; {and_list(up)} is said to be.")
    if state.phase == "done":
        check_bare(state)


def _check_place(state: State, rows: int | None) -> None:
    """The phase, the row and the picks."""
    if state.phase not in get_args(Phase):
        raise Refused(f"{state.phase!r} is nowhere in the work.")
    if state.row < 0 or (state.phase == "raised" and state.row < 1):
        raise Refused(f"There is no row {state.row}; rows are counted from 1.")
    if state.picks < 0:
        raise Refused(f"There cannot be {state.picks} picks in; the fewest are 0.")
    # of a row that is begun, or whose shed is raised, some picks can be in; then it is one of the piece's
    last = state.row + (state.picks > 0 and state.phase != "raised")
    if rows is not None and last > rows:
        raise Refused(f"The piece has no row {last}; it has {rows}.")
    if state.reopened and state.phase != "raised":
        raise Refused("No shed is raised, so none can be open to take picks out of.")


def _doubled(names: Iterable[str]) -> str | None:
    """A name that stands twice, if any."""
    return next((name for name, times in Counter(names).items() if times > 1), None)


def check_shaft(loom: Loom, shaft: int) -> None:
    """The loom has this pattern shaft."""
    if not 1 <= shaft <= loom.pattern_shafts:
        raise Refused(f"This loom has no pattern shaft {shaft}; it has {loom.pattern_shafts}.")


def home_of(loom: Loom, handle: str) -> str | None:
    """`Loom.home`, with a sentence where the loom has no such handle."""
    try:
        return loom.home(handle)
    except KeyError:
        raise Refused(f"This loom has no handle {handle}.") from None


def check_temporary(loom: Loom, temporary: Temporary) -> None:
    """A temporary is called after its parent and takes some of the parent's leashes, not all."""
    check_shaft(loom, temporary.parent)
    name = TEMPORARY_NAME.fullmatch(temporary.name)
    if not name or int(name[1]) != temporary.parent:
        raise Refused(
            f"A temporary of shaft {temporary.parent} is called {temporary.parent}a, {temporary.parent}b "
            "and so on."
        )
    hung = loom.units_of(temporary.parent)
    if strays := sorted(temporary.units - hung):
        raise Refused(f"Unit {strays[0]} does not hang on shaft {temporary.parent}.")
    if not temporary.units or temporary.units == hung:
        raise Refused(
            f"{temporary.name} must take some of the leashes on shaft {temporary.parent} and pass some by."
        )


def check_room(loom: Loom, state: State) -> None:
    """No more temporaries are in than the loom takes, nor than one shaft takes."""
    if len(state.temporaries) > loom.spare_shafts:
        raise Refused(_no_room(loom.spare_shafts, "This loom has", "spare shaft", "spare shafts"))
    for shaft, number in Counter(t.parent for t in state.temporaries).items():
        if number > loom.temporaries_per_shaft:
            raise Refused(
                _no_room(
                    loom.temporaries_per_shaft,
                    f"Shaft {shaft} takes",
                    "temporary at once",
                    "temporaries at once",
                )
            )


def _no_room(room: int, who: str, one: str, many: str) -> str:
    if room == 0:
        return f"{who} no {one}."
    return f"{who} {room} {one if room == 1 else many}, and no more; draw one out first."


def check_carrier(loom: Loom, state: State, handle: str, carrier: str) -> None:
    """The cords of a handle can be on this shaft or temporary, as it stands, beside all the others."""
    home = home_of(loom, handle)
    if carrier == home:
        return
    temporary = state.temporary(carrier)
    if temporary is None:
        if carrier.isdigit():
            raise Refused(f"Handle {handle} cannot carry shaft {carrier}; only that shaft's own can.")
        raise Refused(f"{carrier} is not in the loom; put it in before its cords are moved.")
    if home is not None and temporary.parent != int(handle):
        raise Refused(f"Handle {handle} reaches temporaries of shaft {home} only; {carrier} is not one.")
    if other := next((other for other, on in state.away if on == carrier and other != handle), None):
        raise Refused(f"{carrier} hangs on handle {other} already.")


def check_hung_up(loom: Loom, state: State) -> None:
    """At the bench no shaft's cords hang free."""
    for handle, carrier in state.away:
        if carrier is None and home_of(loom, handle) is not None:
            raise Refused(
                f"The cords of handle {handle} hang free; hook them on before you go back to the bench."
            )


def check_raised(loom: Loom, state: State, handles: Sequence[str], single_cords: Sequence[int]) -> None:
    """These handles and single cords can be up as the loom stands."""
    for unit in single_cords:
        if unit not in loom.single_cords:
            raise Refused(f"Unit {unit} has no single draw cord to pull.")
    for handle in handles:
        home_of(loom, handle)
        carrier = state.carrier(loom, handle)
        if carrier is None or not carried_units(loom, state, carrier):
            raise Refused(f"Handle {handle} carries nothing; it is not raised.")
        if loom.temporaries_may_stay:
            continue
        if others := [t.name for t in state.temporaries_of(parent_of(carrier)) if t.name != carrier]:
            raise Refused(
                f"{carrier} cannot be raised while {and_list(others)} of the same shaft is in the loom: "
                "on this loom a temporary that is not in use must be out."
            )


def check_bare(state: State) -> None:
    """Every temporary is out and every handle's cords are home."""
    if state.temporaries:
        raise Refused(
            f"{and_list([t.name for t in state.temporaries])} must come out before the piece is finished."
        )
    if state.away:
        raise Refused(f"The cords of {and_list(['handle ' + h for h, _ in state.away])} are not home yet.")
