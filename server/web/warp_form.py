"""The form of a warp: all that was typed, as it was typed; what it means; and a kept warp back in the form.

Pattern shafts are typed and shown as the weaver counts them, parts and units of a list from her left.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from fractions import Fraction
from typing import cast, get_args

from server.design.piece import Minutes
from server.design.threads import MOST_ENDS, MOST_TO_A_CM
from server.design.warp import (
    MOST_PARTS,
    MOST_UNITS,
    Part,
    PartKind,
    Warp,
    counted_from_back,
    hang,
)
from server.loom.ground import (
    BROKEN_TWILL_ON_FOUR,
    BROKEN_TWILL_ON_SIX,
    IRREGULAR_SATIN_ON_SIX,
    MOST_GROUND_SHAFTS,
    Ground,
    Treadle,
    in_order,
    is_satin_counter,
    order_by_counter,
    plain_weave,
    satin,
    twill,
)
from server.loom.state import Loom
from server.session.naming import ShaftsFrom
from server.web.rendering import NotUnderstood

MOST_SHAFTS = 1_000
"""Pattern shafts that can be typed; far above any shaft drawloom."""

MOST_TIED = 24
"""Ground shafts, and treadles, of a tie-up that is filled in here."""

MOST_IN_A_LIST = 100_000
LONGEST_NAME = 200
MOST_COUNT = 1_000
MOST_SPARE = 1_000_000_000
MOST_MINUTES = 1_000_000

PART_WORDS: dict[PartKind, str] = {
    "straight": "Straight: 1 2 3, 1 2 3",
    "pointed": "Pointed: up and down again",
    "free": "Free: unit by unit, as I list it",
    "single": "Single draw cords only",
}

GROUND_WORDS: dict[str, str] = {
    "satin": "Satin",
    "six": "Irregular satin on six",
    "twill": "Twill",
    "broken-four": "Broken twill on four",
    "broken-six": "Broken twill on six",
    "plain": "Plain weave",
    "free": "A tie-up of my own",
    "kept": "As it is kept",
}
_LISTED = {
    "six": IRREGULAR_SATIN_ON_SIX,
    "broken-four": BROKEN_TWILL_ON_FOUR,
    "broken-six": BROKEN_TWILL_ON_SIX,
}

MINUTE_WORDS = {
    "walk": "A walk to the back of the loom and back",
    "insert": "Putting a temporary in",
    "take": "Each leash it takes",
    "withdraw": "Drawing a temporary out",
    "move_cords": "Moving a pair of draw cords",
    "pull": "Pulling a handle or a single cord",
}


class NotRead(NotUnderstood):
    """Something in the form cannot be used; the message is a sentence for the weaver.

    Attributes:
        field: the name of the field it is about; "" where it is about several.
    """

    def __init__(self, sentence: str, field: str = "") -> None:
        super().__init__(sentence)
        self.field = field


@dataclass(frozen=True, slots=True)
class PartSheet:
    """A part as it is typed.

    Attributes:
        key: what its fields are named by; it stays with the part when it is moved.
    """

    key: int
    kind: str = "pointed"
    shafts: str = "8"
    first: str = "1"
    times: str = "1"
    hung: str = "1"
    falling: str = ""
    mirrored: str = ""
    corded: str = ""
    leashes: str = ""
    ends: str = "4"
    each: str = "1"

    @property
    def is_plain(self) -> bool:
        """Whether nothing is said in what is folded away."""
        return not (self.falling or self.mirrored or self.corded) and self.each.strip() in ("", "1")

    @property
    def is_even(self) -> bool:
        """Whether all units of it are alike: on single cords its mirror image is then the part itself."""
        return all(len(set(re.findall(r"[0-9]+", text))) <= 1 for text in (self.ends, self.each))


PART_FIELDS = tuple(field.name for field in fields(PartSheet) if field.name != "key")

WORDS = {
    "name": "",
    "loom": "",
    "pattern_shafts": "",
    "spare_shafts": "2",
    "spare_handles": "0",
    "temporaries_per_shaft": str(Loom.temporaries_per_shaft),
    "may_stay": "on",
    "selvedge_left": "0",
    "selvedge_right": "0",
    "ends_per_cm": "20",
    "picks_per_cm": "20",
    "ground": "satin",
    "ground_shafts": "5",
    "counter": "2",
    "offset": "1",
    "treadles": "5",
    "threading": "",
    "selvedge_threading": "",
    "treadling": "",
    **{field.name: f"{getattr(Minutes(), field.name):g}" for field in fields(Minutes)},
    "mark": "",
    "unfold": "",
    "seen": "",
}
"""The fields of the form that are there once, as they stand in a new one; tie-up fields are besides."""

TIE = re.compile(r"tie-[0-9]{1,3}-[0-9]{1,3}", re.ASCII)
_KEY = re.compile(r"[0-9]{1,6}", re.ASCII)


@dataclass(frozen=True, slots=True)
class WarpSheet:
    """All that is typed in the form.

    Attributes:
        words: what stands in the fields that are there once, by their names, and in the tie-up.
        parts: the parts, from the weaver's left.
    """

    words: Mapping[str, str]
    parts: tuple[PartSheet, ...]

    # --- what the buttons beside the parts do ------------------------------------------------------------

    def next_key(self) -> int:
        """A key that no part has."""
        return max((part.key for part in self.parts), default=0) + 1

    def with_part(self) -> WarpSheet:
        """One part more, at the right, like the last."""
        last = self.parts[-1] if self.parts else PartSheet(0)
        return replace(self, parts=(*self.parts, replace(last, key=self.next_key())))

    def with_borders(self) -> WarpSheet:
        """A border at the left and its mirror image at the right, on the next shafts that carry nothing."""
        left = PartSheet(self.next_key(), "straight", shafts="4", first=str(self._next_shaft()))
        right = replace(left, key=left.key + 1, mirrored="on")
        return replace(self, parts=(left, *self.parts, right))

    def _next_shaft(self) -> int:
        tops = [0]
        for part in self.parts:
            if part.kind in ("straight", "pointed") and all(map(_KEY.fullmatch, (part.first, part.shafts))):
                tops.append(int(part.first) + int(part.shafts) - 1)
            elif part.kind == "free":
                tops += [int(number) for number in re.findall(r"(?a:\b\d{1,6}\b)", part.leashes)]
        return max(tops) + 1

    def without(self, key: int) -> WarpSheet:
        """Without the part of this key."""
        return replace(self, parts=tuple(part for part in self.parts if part.key != key))

    def moved(self, key: int, by: int) -> WarpSheet:
        """The part of this key moved to the right, or to the left by less than 0; not beyond either end."""
        parts = list(self.parts)
        at = next((place for place, part in enumerate(parts) if part.key == key), None)
        if at is not None:
            part = parts.pop(at)
            parts.insert(max(0, at + by), part)
        return replace(self, parts=tuple(parts))

    def saying(self, **words: str) -> WarpSheet:
        """With other words in some fields."""
        return replace(self, words={**self.words, **words})


def new_sheet() -> WarpSheet:
    """The form for a new warp."""
    return WarpSheet(WORDS, (PartSheet(1),))


def sheet_sent(sent: Sequence[tuple[str, str]]) -> WarpSheet:
    """The form as it was sent: `sent` has every field with its name, in order."""
    once = dict(reversed(sent))
    words = {name: once.get(name, "") for name in WORDS}
    words |= {name: text for name, text in once.items() if TIE.fullmatch(name)}
    keys = dict.fromkeys(int(text) for name, text in sent if name == "part" and _KEY.fullmatch(text))
    parts = tuple(
        PartSheet(key, **{name: once.get(f"part-{key}-{name}", "") for name in PART_FIELDS}) for key in keys
    )
    return WarpSheet(words, parts)


# --- reading numbers -------------------------------------------------------------------------------------

_WHOLE = re.compile(r"[0-9]{1,9}", re.ASCII)
_DECIMAL = re.compile(r"[0-9]{1,9}(?:[.,][0-9]{1,6})?", re.ASCII)
_JOINED = re.compile(r" ?(?:-|–|—|\bto\b) ?")
_PIECE = re.compile(r"(?:([0-9]{1,6}) ?[×x*] ?)?\(([^()]*)\)|([^()\s,;]+)|[\s,;]+|(.)", re.ASCII)
_RUN = re.compile(r"([0-9]{1,9})(?:-([0-9]{1,9}))?", re.ASCII)


def _shown(text: str) -> str:
    """What was typed, cut short; marks that turn the direction of writing are left out."""
    letters = "".join(letter for letter in text.strip() if letter.isprintable())
    return letters if len(letters) <= 20 else f"{letters[:19]}…"


def read_whole(text: str, what: str, field: str, least: int, most: int) -> int:
    """A whole number. NotRead if it is none, or out of bounds."""
    asked = f"{what}: write a whole number from {least} to {most:,}"
    if not text.strip():
        raise NotRead(f"{asked}.", field)
    if not _WHOLE.fullmatch(text.strip()) or not least <= int(text) <= most:
        raise NotRead(f"{asked}, not “{_shown(text)}”.", field)
    return int(text)


def read_decimal(text: str, what: str, field: str, most: int, *, zero: bool = False) -> Fraction:
    """A number with a point or a comma: "7.5", "7,5". NotRead if it is none, or out of bounds."""
    asked = f"{what}: write a number {'from 0' if zero else 'above 0'} to {most:,}, as 7.5"
    if not text.strip():
        raise NotRead(f"{asked}.", field)
    number = Fraction(-1)
    if _DECIMAL.fullmatch(text.strip()):
        number = Fraction(text.strip().replace(",", "."))
    if not (number > 0 or (zero and number == 0)) or number > most:
        raise NotRead(f"{asked}, not “{_shown(text)}”.", field)
    return number


def read_list(text: str, what: str, field: str, least: int, most: int, longest: int) -> tuple[int, ...]:
    """Numbers in the order they are typed: "1 2 4–8 8–4", "3×(1 2)"; empty for none.

    NotRead if it is something else, a number is out of bounds, or there are more than `longest`.
    """
    found: list[int] = []

    def take(numbers: Sequence[int], times: int = 1) -> None:
        if len(found) + len(numbers) * times > longest:
            raise NotRead(f"{what}: more than {longest:,} numbers are too many.", field)
        found.extend([*numbers] * times)

    for piece in _PIECE.finditer(_JOINED.sub("-", " ".join(text.split()))):
        times, inside, run, stray = piece.groups()
        if inside is not None:
            take(read_list(inside, what, field, least, most, longest), int(times or 1))
        elif run is not None and (read := _RUN.fullmatch(run)):
            first, last = int(read[1]), int(read[2] or read[1])
            for number in (first, last):
                if not least <= number <= most:
                    raise NotRead(f"{what}: {number:,} is not from {least} to {most:,}.", field)
            take(range(first, last + 1) if first <= last else range(first, last - 1, -1))
        elif run is not None or stray is not None:
            raise NotRead(
                f"{what}: “{_shown(run or stray)}” cannot be read; write 1 2 4–8, or 3×(1 2).", field
            )
    return tuple(found)


def write_list(numbers: Sequence[int]) -> str:
    """Numbers as `read_list` reads them, runs of three and more drawn together."""
    written, at = [], 0
    while at < len(numbers):
        end = at + 1
        step = numbers[end] - numbers[at] if end < len(numbers) else 0
        while abs(step) == 1 and end + 1 < len(numbers) and numbers[end + 1] - numbers[end] == step:
            end += 1
        if end - at >= 2:
            written.append(f"{numbers[at]}–{numbers[end]}")
            at = end + 1
        else:
            written.append(str(numbers[at]))
            at += 1
    return " ".join(written)


# --- what the form means ---------------------------------------------------------------------------------


def read_sheet(sheet: WarpSheet, shafts_from: ShaftsFrom, kept: Ground | None = None) -> Warp:
    """The warp that is typed.

    Args:
        shafts_from: from where its weaver counts shafts.
        kept: the ground weave that stays as it is, where the form says so.

    Raises:
        NotRead: with a sentence, if it cannot be hung like that.
    """
    words = sheet.words
    for field, what in (("name", "name of the warp"), ("loom", "name of the loom")):
        if len(words[field]) > LONGEST_NAME:
            raise NotRead(f"The {what} is too long; {LONGEST_NAME} characters are the most.", field)
    asked = words["pattern_shafts"]
    shafts = read_whole(asked, "Pattern shafts", "pattern_shafts", 1, MOST_SHAFTS) if asked.strip() else 0
    if len(sheet.parts) > MOST_PARTS:
        raise NotRead(f"More than {MOST_PARTS} parts; put some together.")
    parts = [_part(part, number, shafts) for number, part in enumerate(sheet.parts, 1)]
    shafts = shafts or _needed(parts)
    if shafts_from == "back":
        parts = [counted_from_back(part, shafts) for part in parts]
    ground = _ground(words, kept)
    treadling = read_list(words["treadling"], "The treadling", "treadling", 1, MOST_COUNT, MOST_IN_A_LIST)
    try:
        return hang(
            words["name"].strip(),
            Loom(
                leashes=(),
                single_cords=frozenset(),
                pattern_shafts=shafts,
                name=words["loom"].strip(),
                spare_shafts=_spare(words, "spare_shafts", "Spare shafts", 0),
                spare_handles=_spare(words, "spare_handles", "Spare handles", 0),
                temporaries_per_shaft=_spare(
                    words, "temporaries_per_shaft", "Temporaries to a shaft", Loom.temporaries_per_shaft
                ),
                temporaries_may_stay=bool(words["may_stay"]),
            ),
            tuple(parts),
            ground,
            treadling=treadling,
            ends_per_cm=read_decimal(words["ends_per_cm"], "Ends to a cm", "ends_per_cm", MOST_TO_A_CM),
            picks_per_cm=read_decimal(words["picks_per_cm"], "Picks to a cm", "picks_per_cm", MOST_TO_A_CM),
            selvedge_ends=(
                _spare(words, "selvedge_left", "Selvedge ends at the left", 0, MOST_ENDS),
                _spare(words, "selvedge_right", "Selvedge ends at the right", 0, MOST_ENDS),
            ),
            minutes=_minutes(words),
        )
    except NotRead:
        raise
    except ValueError as why:
        raise NotRead(str(why)) from None


def _spare(words: Mapping[str, str], field: str, what: str, usual: int, most: int = MOST_SPARE) -> int:
    return read_whole(words[field], what, field, 0, most) if words[field].strip() else usual


def _minutes(words: Mapping[str, str]) -> Minutes:
    read = {
        name: float(read_decimal(words[name], what, name, MOST_MINUTES, zero=True))
        for name, what in MINUTE_WORDS.items()
        if words[name].strip()
    }
    return replace(Minutes(), **read)


def _part(sheet: PartSheet, number: int, loom_shafts: int) -> Part:
    """A part in the weaver's own numbers; `loom_shafts` is 0 where the loom has as many as the parts take."""

    def whole(field: str, what: str, least: int, most: int) -> int:
        text = cast(str, getattr(sheet, field))
        return read_whole(text, f"Part {number}, {what}", f"part-{sheet.key}-{field}", least, most)

    def listed(field: str, what: str, least: int, most: int) -> tuple[int, ...]:
        text = cast(str, getattr(sheet, field))
        return read_list(text, f"Part {number}, {what}", f"part-{sheet.key}-{field}", least, most, MOST_UNITS)

    kind = next((kind for kind in get_args(PartKind) if kind == sheet.kind), None)
    if kind is None:
        raise NotRead(f"Part {number}: choose how it hangs.", f"part-{sheet.key}-kind")
    part = Part(
        kind=kind,
        corded=bool(sheet.corded),
        mirrored=bool(sheet.mirrored),
        ends=listed("ends", "ends to a unit", 1, MOST_COUNT),
        leashes_each=listed("each", "leashes to a unit", 1, MOST_COUNT) or (1,),
    )
    if not part.ends:
        raise NotRead(f"Part {number}, ends to a unit: write a number, as 4.", f"part-{sheet.key}-ends")
    if kind == "single":
        return replace(part, shafts=whole("shafts", "units", 1, MOST_UNITS), corded=False)
    if kind == "free":
        leashes = listed("leashes", "the shaft of each unit", 0, loom_shafts or MOST_SHAFTS)
        if not leashes:
            raise NotRead(
                f"Part {number}: list the shaft of each unit, from your left.", f"part-{sheet.key}-leashes"
            )
        return replace(part, leashes=leashes)
    part = replace(
        part,
        shafts=whole("shafts", "shafts", 1, MOST_SHAFTS),
        first=whole("first", "lowest shaft", 1, MOST_SHAFTS),
        times=whole("times", "times", 1, MOST_UNITS),
        falling=bool(sheet.falling),
    )
    if loom_shafts and _top(part) > loom_shafts:
        raise NotRead(
            f"Part {number} goes up to shaft {_top(part)}; the loom has {loom_shafts}.",
            f"part-{sheet.key}-shafts",
        )
    return replace(part, hung=whole("hung", "turning points", 1, 2)) if kind == "pointed" else part


def _top(part: Part) -> int:
    """The highest shaft of a part; 0 if it takes none."""
    if part.kind in ("free", "single"):
        return max(part.leashes, default=0)
    return part.first + part.shafts - 1


def _needed(parts: Iterable[Part]) -> int:
    """How many pattern shafts these parts take, at least one."""
    return max(map(_top, parts), default=1) or 1


def _ground(words: Mapping[str, str], kept: Ground | None) -> Ground:
    kind = words["ground"]
    if kind == "kept" and kept is not None:
        return kept
    try:
        if kind == "free":
            made = _tied(words)
        elif kind == "satin":
            shafts = _on(words)
            counter = read_whole(words["counter"], "The counter", "counter", 1, MOST_GROUND_SHAFTS)
            made = satin(shafts, counter, _offset(words))
        elif kind == "twill":
            made = twill(_on(words), _offset(words))
        elif kind == "plain":
            made = plain_weave()
        elif kind in _LISTED:
            made = in_order(_LISTED[kind], _offset(words))
        else:
            raise NotRead("Choose the ground weave.", "ground")
        threading = _through(words, "threading", "The ends of the units")
        selvedge = _through(words, "selvedge_threading", "The selvedge ends")
        return replace(made, threading=threading or tuple(range(1, made.shafts + 1)), selvedge=selvedge)
    except NotRead:
        raise
    except ValueError as why:
        raise NotRead(str(why), "counter" if kind == "satin" else "ground") from None


def _on(words: Mapping[str, str]) -> int:
    return read_whole(words["ground_shafts"], "Ground shafts", "ground_shafts", 2, MOST_GROUND_SHAFTS)


def _offset(words: Mapping[str, str]) -> int:
    text = words["offset"]
    return read_whole(text, "The sinking shaft", "offset", 0, MOST_GROUND_SHAFTS) if text.strip() else 1


def _through(words: Mapping[str, str], field: str, what: str) -> tuple[int, ...]:
    what = f"{what} through the ground shafts"
    return read_list(words[field], what, field, 1, MOST_GROUND_SHAFTS, 10_000)


def tied_size(words: Mapping[str, str]) -> tuple[int, int]:
    """Ground shafts and treadles of the tie-up that is filled in. NotRead if one cannot be read."""
    return (
        read_whole(words["ground_shafts"], "Ground shafts", "ground_shafts", 1, MOST_TIED),
        read_whole(words["treadles"], "Treadles", "treadles", 1, MOST_TIED),
    )


def _tied(words: Mapping[str, str]) -> Ground:
    shafts, treadles = tied_size(words)
    tied: dict[str, list[list[int]]] = {"up": [], "down": []}
    for treadle in range(1, treadles + 1):
        for moves in tied.values():
            moves.append([])
        for shaft in range(1, shafts + 1):
            field = f"tie-{shaft}-{treadle}"
            move = words.get(field, "")
            if move in tied:
                tied[move][-1].append(shaft)
            elif move:
                raise NotRead(
                    f"Treadle {treadle}, ground shaft {shaft}: choose whether it rises, sinks or stays.",
                    field,
                )
    return Ground(
        shafts,
        tuple(
            Treadle(tuple(rises), tuple(sinks)) for rises, sinks in zip(tied["up"], tied["down"], strict=True)
        ),
        tuple(range(1, shafts + 1)),
    )


# --- a kept warp in the form -----------------------------------------------------------------------------


def sheet_of(warp: Warp, shafts_from: ShaftsFrom) -> WarpSheet:
    """The form as this warp fills it in."""
    loom, threads = warp.loom, warp.threads
    parts = _as_she_counts(warp, shafts_from)
    in_order_of_treadles = tuple(range(1, len(threads.ground.treadles) + 1))
    words = {
        "name": warp.name,
        "loom": loom.name,
        # as many as the parts take is what an empty field means, so that it follows the parts
        "pattern_shafts": "" if loom.pattern_shafts == _needed(parts) else str(loom.pattern_shafts),
        "spare_shafts": str(loom.spare_shafts),
        "spare_handles": str(loom.spare_handles),
        "temporaries_per_shaft": str(loom.temporaries_per_shaft),
        "may_stay": "on" if loom.temporaries_may_stay else "",
        "selvedge_left": str(threads.selvedge_ends[0]),
        "selvedge_right": str(threads.selvedge_ends[1]),
        "ends_per_cm": _decimal(float(threads.ends_per_cm)),
        "picks_per_cm": _decimal(float(threads.picks_per_cm)),
        "treadling": "" if warp.treadling == in_order_of_treadles else write_list(warp.treadling),
        **{name: _decimal(getattr(warp.minutes, name)) for name in MINUTE_WORDS},
    }
    return WarpSheet(
        {**WORDS, **words, **_ground_words(threads.ground)},
        tuple(_part_sheet(part, key) for key, part in enumerate(parts, 1)),
    )


def needed_shafts(warp: Warp, shafts_from: ShaftsFrom) -> int:
    """How many pattern shafts its loom has where the form does not say how many."""
    return _needed(_as_she_counts(warp, shafts_from))


def _as_she_counts(warp: Warp, shafts_from: ShaftsFrom) -> tuple[Part, ...]:
    if shafts_from == "weaver":
        return warp.parts
    return tuple(counted_from_back(part, warp.loom.pattern_shafts) for part in warp.parts)


def _decimal(number: float) -> str:
    """A number as it can be typed: without an exponent, to a millionth."""
    return f"{number:.6f}".rstrip("0").rstrip(".")


def _part_sheet(part: Part, key: int) -> PartSheet:
    return PartSheet(
        key=key,
        kind=part.kind,
        shafts=str(part.shafts),
        first=str(part.first),
        times=str(part.times),
        hung=str(part.hung),
        falling="on" if part.falling else "",
        mirrored="on" if part.mirrored else "",
        corded="on" if part.corded else "",
        leashes=write_list(part.leashes),
        ends=write_list(part.ends),
        each=write_list(part.leashes_each),
    )


def _ground_words(ground: Ground) -> dict[str, str]:
    """How the form calls a ground weave; "kept" where it is larger than what is filled in here."""
    natural = tuple(range(1, ground.shafts + 1))
    words = {
        "ground": "kept",
        "ground_shafts": str(ground.shafts),
        "treadles": str(len(ground.treadles)),
        "threading": "" if ground.threading == natural else write_list(ground.threading),
        "selvedge_threading": write_list(ground.selvedge),
        "offset": str(ground.offsets[0] or 1),
    }
    for found in _named(ground):
        return words | found
    if ground.shafts <= MOST_TIED and len(ground.treadles) <= MOST_TIED:
        words["ground"] = "free"
        for number, treadle in enumerate(ground.treadles, 1):
            words |= {f"tie-{shaft}-{number}": "up" for shaft in treadle.rises}
            words |= {f"tie-{shaft}-{number}": "down" for shaft in treadle.sinks}
    return words


def _named(ground: Ground) -> Iterable[dict[str, str]]:
    """The weaves of the list that this one is, with what else the form says of them."""
    order = tuple(treadle.rises[0] if treadle.rises else 0 for treadle in ground.treadles)
    offset = ground.offsets[0]
    if len(order) != ground.shafts or offset is None or set(ground.offsets) != {offset}:
        return
    if order == (1, 2):
        yield {"ground": "plain"}
    for kind, listed in _LISTED.items():
        if order == listed:
            yield {"ground": kind}
    if order == order_by_counter(ground.shafts, 1) and ground.shafts > 2:
        yield {"ground": "twill"}
    for counter in range(2, ground.shafts - 1):
        if is_satin_counter(ground.shafts, counter) and order == order_by_counter(ground.shafts, counter):
            yield {"ground": "satin", "counter": str(counter)}
