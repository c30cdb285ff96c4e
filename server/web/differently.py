"""The loom stands differently: she says how, sees it drawn back, and the rest is planned anew."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.responses import Response

from server.loom.counting import (
    MoreThanHang,
    UnitSplit,
    begins_at_her_left,
    leashes_in,
    take_and_pass,
    units_taken,
)
from server.loom.legal import Refused
from server.loom.state import (
    Loom,
    State,
    Temporary,
    handle_order,
    parent_of,
    temporary_names,
    temporary_order,
)
from server.plan.from_here import check_start
from server.plan.visits import position_of
from server.session.naming import Naming
from server.session.put_right import go_on, standing
from server.session.read_counts import Unreadable, read_numbers, read_runs
from server.session.wording import STANCE_WORDS, entries, numbers_text, pulled, runs_words
from server.store.weavings import Weaving
from server.web.drawings import LeashGroup, leash_groups
from server.web.proposals import Planned, planned, wishes_of
from server.web.put_right import check_fresh, off_the_loom, take_plan
from server.web.rendering import (
    NotUnderstood,
    Preferences,
    number_of,
    page,
    preferences_of,
    store_of,
    weaving_of,
)

router = APIRouter()

MOST_PLACES = 40
"""Spare shafts that can be told of; more are not on any loom."""

EMPTY_PLACES = 2
"""Empty places that are shown beside the temporaries told of."""

LONGEST_FIELD = 2_000


@dataclass(frozen=True, slots=True)
class Slot:
    """A spare shaft as she tells of it, in her words.

    Attributes:
        name: what it is called so far, as she counts; "" for one not known yet.
        shaft: the pattern shaft that it borrows from.
        counts: takes and passes.
        cords: which handle's cords are on it: "own", "S1" …, or "" for none.
    """

    name: str = ""
    shaft: str = ""
    counts: str = ""
    cords: str = ""

    @property
    def is_empty(self) -> bool:
        """Whether no temporary is told of."""
        return not (self.shaft.strip() or self.counts.strip())


@dataclass(frozen=True, slots=True)
class Told:
    """The whole form, as it was filled in.

    Attributes:
        free: handles whose cords hang free behind the loom.
        handles: handles that are up.
        cords: single cords that are up.
        row: rows that are in to their last pick.
        picks: picks of the next one that are in.
        where: "bench" or "behind".
    """

    slots: tuple[Slot, ...]
    free: str = ""
    handles: str = ""
    cords: str = ""
    row: str = ""
    picks: str = ""
    where: str = "bench"


@dataclass(frozen=True, slots=True)
class SlotView:
    """A place in the form.

    Attributes:
        number: from 0.
        wrong: what cannot be so.
        read: the counts as they were read.
        groups: the leashes drawn back.
        as_believed: whether it is all as Spareshaft believes; then it is folded.
    """

    number: int
    slot: Slot
    wrong: str = ""
    read: str = ""
    groups: tuple[LeashGroup, ...] = ()
    shaft: int = 0
    as_believed: bool = False


class Wrong(ValueError):
    """What was told cannot be; `fields` says why, by the field's name, "" where it is none of one field's."""

    def __init__(self, fields: dict[str, str]) -> None:
        super().__init__("; ".join(fields.values()))
        self.fields = fields


# --- what Spareshaft believes, and what she tells ------------------------------------------------------


def believed(weaving: Weaving, chosen: Preferences) -> Told:
    """The form as Spareshaft would fill it in."""
    loom = weaving.piece.loom
    naming = chosen.naming(loom)
    state = standing(weaving.decks, weaving.place, weaving.piece)
    at = position_of(state)
    slots = []
    for temporary in sorted(state.temporaries, key=lambda t: temporary_order(naming.name(t.name))):
        hung = loom.units_of(temporary.parent)
        runs = take_and_pass(hung, temporary.units, chosen.stance, loom.leashes_of)
        handle = state.handle_on(temporary.name) or ""
        slots.append(
            Slot(
                name=naming.name(temporary.name),
                shaft=str(naming.shaft(temporary.parent)),
                counts=runs_words(runs),
                cords=handle if handle.startswith("S") else "own" if handle else "",
            )
        )
    told = naming.state(state)
    return Told(
        slots=tuple(slots),
        free=", ".join(
            handle for handle, carrier in told.away if carrier is None and not handle.startswith("S")
        ),
        handles=", ".join(sorted(told.raised, key=handle_order)),
        cords=", ".join(entries(told.pulled)),
        row=str(at.row),
        picks=str(at.picks),
        where="behind" if state.phase == "behind" else "bench",
    )


def told_by(form: Mapping[str, Any]) -> Told:
    """The form as she sent it; what is missing is empty.

    Raises:
        NotUnderstood: if a file or far too much text was sent.
    """

    def text(name: str) -> str:
        value = form.get(name, "")
        if isinstance(value, UploadFile):
            raise NotUnderstood("A file was sent where words belong, so nothing was changed.")
        if len(value) > LONGEST_FIELD:
            raise NotUnderstood("One of the fields is far too long, so nothing was changed.")
        return str(value)

    slots = [
        Slot(*(text(f"{field}_{n}") for field in ("name", "shaft", "counts", "cords")))
        for n in range(MOST_PLACES)
    ]
    while slots and slots[-1].is_empty and not slots[-1].name:
        slots.pop()
    return Told(
        slots=tuple(slots),
        free=text("free"),
        handles=text("handles"),
        cords=text("cords"),
        row=text("row"),
        picks=text("picks"),
        where="behind" if text("where") == "behind" else "bench",
    )


def state_told(weaving: Weaving, told: Told, chosen: Preferences) -> State:
    """What she says stands in the loom.

    Raises:
        Wrong: if it cannot be read, or cannot stand so.
    """
    piece, loom = weaving.piece, weaving.piece.loom
    naming = chosen.naming(loom)
    wrong: dict[str, str] = {}
    temporaries, away = _temporaries(loom, told, chosen, naming, wrong)
    behind = told.where == "behind"
    for handle in _handles(told.free, "free", loom, naming, wrong):
        if (on := naming.carrier(away.get(handle))) is not None:
            wrong["free"] = (
                f"Handle {naming.name(handle)} is said to be on {on}; it cannot hang free as well."
            )
        elif not handle.startswith("S"):  # a spare handle hangs free as a rule
            away[handle] = None
    raised = _handles(told.handles, "handles", loom, naming, wrong)
    try:
        units = read_numbers(told.cords, 1, len(loom.leashes), "unit")
    except Unreadable as why:
        wrong["cords"] = str(why)
        units = frozenset()
    row = picks = 0
    try:
        row = number_of(told.row or "0", "Rows that are in", 0, len(piece.rows))
        most = piece.picks(row + 1) - 1 if row < len(piece.rows) else 0
        picks = number_of(told.picks or "0", f"Picks of row {row + 1} that are in", 0, most)
    except NotUnderstood as why:
        wrong["row" if str(why).startswith("Rows") else "picks"] = str(why)
    if wrong:
        raise Wrong(wrong)
    pulled = frozenset(map(naming.unit, units))
    before = weaving.state
    state = State(
        phase="behind" if behind else "woven" if raised or pulled else "down",
        row=row,
        temporaries=tuple(sorted(temporaries, key=lambda t: temporary_order(t.name))),
        away=tuple(sorted(away.items(), key=lambda entry: handle_order(entry[0]))),
        raised=frozenset(raised),
        pulled=pulled,
        labelled=(before.labelled or frozenset()) | {t.parent for t in temporaries} or None,
        walk_after=row if behind else None,
        busy=behind,
        picks=picks,
    )
    _check(weaving, state, naming, told)
    return state


def _check(weaving: Weaving, state: State, naming: Naming, told: Told) -> None:
    """Wrong, with the sentence at the field that it is about, unless the loom can stand so."""
    piece = weaving.piece
    as_counted = replace(piece, loom=naming.loom(piece.loom))
    try:
        check_start(as_counted, naming.state(state))  # told of the loom as she counts
    except Refused as why:
        sentence = str(why)
        for number, slot in enumerate(_named(told.slots)):
            if slot.name and re.search(rf"\b{slot.name}\b", sentence):
                raise Wrong({f"slot_{number}": sentence}) from why
        raise Wrong({"": sentence}) from why


def _named(slots: tuple[Slot, ...]) -> list[Slot]:
    """The slots with a name each: the one it had while its shaft is the same, else the next letter."""
    named: list[Slot] = []
    taken = {slot.name for slot in slots if slot.name and _keeps_name(slot)}
    for slot in slots:
        if slot.is_empty or _keeps_name(slot):
            named.append(slot)
            continue
        shaft = _shaft_text(slot)
        name = next(name for name in temporary_names(shaft) if name not in taken)
        taken.add(name)
        named.append(replace(slot, name=name))
    return named


def _keeps_name(slot: Slot) -> bool:
    is_name = re.fullmatch(r"[1-9][0-9]{0,8}[a-z]{1,2}", slot.name)
    return bool(is_name) and str(parent_of(slot.name)) == _shaft_text(slot)


def _shaft_text(slot: Slot) -> str:
    return slot.shaft.strip().lstrip("0")


def _temporaries(
    loom: Loom, told: Told, chosen: Preferences, naming: Naming, wrong: dict[str, str]
) -> tuple[list[Temporary], dict[str, str | None]]:
    temporaries: list[Temporary] = []
    away: dict[str, str | None] = {}
    for number, slot in enumerate(_named(told.slots)):
        if slot.is_empty:
            continue
        try:
            shaft = naming.shaft(number_of(slot.shaft, "Its pattern shaft", 1, loom.pattern_shafts))
            units = _units(loom, shaft, slot.counts, chosen, naming)
            name = naming.name(slot.name)
            temporaries.append(Temporary(name, shaft, units))
            if handle := _handle_of(slot, shaft, loom):
                if handle in away:
                    on = naming.carrier(away[handle])
                    raise NotUnderstood(f"Handle {naming.name(handle)} is said to be on {on} already.")
                away[handle] = name
        except NotUnderstood as why:
            wrong[f"slot_{number}"] = str(why)
    return temporaries, away


def _units(loom: Loom, shaft: int, counts: str, chosen: Preferences, naming: Naming) -> frozenset[int]:
    hung = loom.units_of(shaft)
    try:
        return units_taken(hung, read_runs(counts), chosen.stance, loom.leashes_of)
    except (Unreadable, UnitSplit) as why:
        raise NotUnderstood(str(why)) from why
    except MoreThanHang as why:
        leashes = leashes_in(loom, hung)
        raise NotUnderstood(
            f"Shaft {naming.shaft(shaft)} has {leashes} leashes, and more are counted here."
        ) from why


def _handle_of(slot: Slot, shaft: int, loom: Loom) -> str:
    if slot.cords in ("", "none"):
        return ""
    handle = str(shaft) if slot.cords == "own" else slot.cords
    if handle != str(shaft) and not (handle.startswith("S") and _exists(loom, handle)):
        raise NotUnderstood("Choose a handle that this loom has, or none.")
    return handle


def _exists(loom: Loom, handle: str) -> bool:
    try:
        loom.home(handle)
    except KeyError:
        return False
    return True


def _handles(text: str, field: str, loom: Loom, naming: Naming, wrong: dict[str, str]) -> list[str]:
    """Handles as the files call them."""
    spare = [part.upper() for part in re.findall(r"[sS][0-9]+", text)]
    try:
        numbers = read_numbers(re.sub(r"[sS][0-9]+", ",", text), 1, loom.pattern_shafts, "handle")
    except Unreadable as why:
        wrong[field] = str(why)
        return []
    if strange := [handle for handle in spare if not _exists(loom, handle)]:
        wrong[field] = f"This loom has no handle {strange[0][:12]}."
        return []
    return [naming.name(str(number)) for number in sorted(numbers)] + sorted(set(spare), key=handle_order)


# --- pages ---------------------------------------------------------------------------------------------


def _slot_views(
    weaving: Weaving, told: Told, chosen: Preferences, wrong: Mapping[str, str]
) -> tuple[SlotView, ...]:
    loom = weaving.piece.loom
    naming = chosen.naming(loom)
    views = []
    by_log = {slot.name: slot for slot in believed(weaving, chosen).slots}
    slots = _named(told.slots)
    room = min(loom.spare_shafts, MOST_PLACES)
    slots += [Slot()] * max(0, min(len(slots) + EMPTY_PLACES, room) - len(slots))
    for number, slot in enumerate(slots):
        view = SlotView(number, slot, wrong.get(f"slot_{number}", ""))
        if not slot.is_empty:
            try:
                shaft = naming.shaft(number_of(slot.shaft, "Its pattern shaft", 1, loom.pattern_shafts))
                units = _units(loom, shaft, slot.counts, chosen, naming)
            except NotUnderstood:
                pass  # said beside the field
            else:
                hung = loom.units_of(shaft)
                runs = take_and_pass(hung, units, chosen.stance, loom.leashes_of)
                groups = tuple(leash_groups(hung, runs, chosen.stance, naming, loom.leashes_of))
                read = runs_words(runs)
                same = replace(slot, shaft=_shaft_text(slot), counts=read) == by_log.get(slot.name)
                view = replace(view, read=read, groups=groups, shaft=naming.shaft(shaft), as_believed=same)
        views.append(view)
    return tuple(views)


def _form_page(
    request: Request,
    weaving: Weaving,
    told: Told,
    *,
    message: str = "",
    wrong: Mapping[str, str] | None = None,
    plan: Planned | None = None,
    status: int = 200,
) -> Response:
    chosen = preferences_of(store_of(request), weaving.id)
    loom = weaving.piece.loom
    naming = chosen.naming(loom)
    wrong, by_log = wrong or {}, believed(weaving, chosen)
    up = (told.handles, told.cords, told.free)
    return page(
        "put_right/differently.html",
        status=status,
        weaving=weaving,
        message=message or wrong.get("", ""),
        wrong=wrong,
        told=told,
        up_as_believed=up == (by_log.handles, by_log.cords, by_log.free),
        up_words=" and ".join(pulled(naming.state(weaving.state))) or "nothing",
        slots=_slot_views(weaving, told, chosen, wrong),
        stance=STANCE_WORDS[chosen.stance],
        from_left=begins_at_her_left(chosen.stance),
        behind=chosen.stance.startswith("behind"),
        spare_handles=[f"S{n}" for n in range(1, min(loom.spare_handles, MOST_PLACES) + 1)],
        corded=numbers_text(naming.unit_numbers(loom.single_cords)) if loom.single_cords else "",
        plan=plan,
    )


@router.get("/pieces/{piece}/put-right/loom")
def show_form(request: Request, piece: str) -> Response:
    """The form, filled in with what Spareshaft believes."""
    weaving = weaving_of(request, piece)
    chosen = preferences_of(store_of(request), weaving.id)
    return off_the_loom(weaving) or _form_page(request, weaving, believed(weaving, chosen))


@router.post("/pieces/{piece}/put-right/loom")
async def tell(request: Request, piece: str) -> Response:
    """Show what she told drawn back, and what is left from there; or take it, as it was shown."""
    form = await request.form(max_files=1, max_fields=10 * MOST_PLACES)
    try:
        fields: dict[str, Any] = dict(form)
        return await run_in_threadpool(_tell, request, piece, fields)
    finally:
        await form.close()


def _tell(request: Request, piece: str, form: Mapping[str, Any]) -> Response:
    weaving = weaving_of(request, piece)
    if elsewhere := off_the_loom(weaving):
        return elsewhere
    chosen = preferences_of(store_of(request), weaving.id)
    told, plan = believed(weaving, chosen), None
    try:
        told = told_by(form)
        plan = _plan(weaving, told, chosen)
        if form.get("do") != "take":
            return _form_page(request, weaving, told, plan=plan)
        shown = (str(form.get("card", "")), str(form.get("turn", "")))
        check_fresh(weaving, shown)
        return take_plan(request, weaving, plan, shown, str(form.get("mark", "")))
    except Wrong as why:
        return _form_page(request, weaving, told, wrong=why.fields, status=422)
    except NotUnderstood as why:
        weaving = weaving_of(request, piece)
        return off_the_loom(weaving) or _form_page(
            request, weaving, told, message=str(why), plan=plan, status=422
        )


def _plan(weaving: Weaving, told: Told, chosen: Preferences) -> Planned:
    state = state_told(weaving, told, chosen)
    return planned(
        weaving,
        go_on(weaving.piece, state, "stands differently", wishes_of(weaving)),
        chosen.naming(weaving.piece.loom),
    )
