"""Reading what she writes: leashes taken and passed by, lists of numbers. Forgiving, but never guessing."""

from __future__ import annotations

import re

from server.loom.counting import Run

LONGEST = 4_000
"""Characters that are read at all."""


class Unreadable(ValueError):
    """It cannot be read; the message says how it should be written, in a sentence for the weaver."""


_NUMBERS = [
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
    "twenty",
]
_WORDS = {word: number for number, word in enumerate(_NUMBERS, 1)}
_TAKE = {"take", "takes", "taking", "taken", "took", "t", "through"}
_PASS = {"pass", "passes", "passing", "passed", "p", "past", "by", "skip", "leave", "miss"}
_FILLERS = {"then", "and", "with", "the", "next", "leash", "leashes"}
_BEGIN = {"begin", "begins", "beginning", "start", "starts", "starting", "first"}
_TOKEN = re.compile(r"[0-9]+|[a-z]+|[^0-9a-z\s,;.:/+–—-]", re.ASCII)

HOW = "Write it as take 1, pass 1, take 2, pass 4."


def read_runs(text: str) -> tuple[Run, ...]:
    """Takes and passes: "take 1, pass 1, take 2", "t1 p1 t2", "1 1 2 beginning with take".

    Where only some numbers have their word, takes and passes go in turn from there. Neighbouring runs that
    are alike are drawn together, and runs of none are left out.

    Raises:
        Unreadable: if it is something else, or does not say whether the first are taken or passed by.
    """
    if len(text) > LONGEST:
        raise Unreadable(f"That is too long to be read. {HOW}")
    numbers: list[tuple[bool | None, int]] = []
    word: bool | None = None
    begins: bool | None = None
    beginning = False
    for token in _TOKEN.findall(text.casefold()):
        if token in _WORDS or (token.isascii() and token.isdecimal()):
            numbers.append((word, _WORDS.get(token) or _number(token)))
            word = None
        elif token in _TAKE or token in _PASS:
            take = token in _TAKE
            if beginning:
                begins, beginning = take, False
            elif token != "by":  # of "pass by", said already
                if word is not None:
                    raise Unreadable(f"A number is missing after “{'take' if word else 'pass'}”. {HOW}")
                word = take
        elif token in _BEGIN:
            beginning = True
        elif token not in _FILLERS:
            raise Unreadable(f"“{token[:20]}” cannot be read there. {HOW}")
    if word is not None:
        raise Unreadable(f"A number is missing after “{'take' if word else 'pass'}”. {HOW}")
    if not numbers:
        raise Unreadable(f"No leash is counted. {HOW}")
    return _in_turn(numbers, begins)


def _number(digits: str) -> int:
    if len(digits) > 6:
        raise Unreadable("No shaft has so many leashes.")
    return int(digits)


def _in_turn(numbers: list[tuple[bool | None, int]], begins: bool | None) -> tuple[Run, ...]:
    first = numbers[0][0] if begins is None else begins
    if first is None:
        raise Unreadable("Say how it begins, with take or with pass: 1 1 2 4 beginning with take.")
    if begins is not None and numbers[0][0] not in (None, begins):
        raise Unreadable("It is said to begin with take and with pass; only one of them can be right.")
    runs: list[Run] = []
    take = not first
    for said, leashes in numbers:
        take = (not take) if said is None else said
        if not leashes:
            continue
        if runs and runs[-1].take == take:
            runs[-1] = Run(take, runs[-1].leashes + leashes)
        else:
            runs.append(Run(take, leashes))
    return tuple(runs)


_JOINED = re.compile(r" ?(?:-|–|\bto\b) ?")
_PART = re.compile(r"([0-9]{1,9})(?:-([0-9]{1,9}))?", re.ASCII)


def read_numbers(text: str, least: int, most: int, what: str) -> frozenset[int]:
    """Numbers and runs of them: "8, 16 and 20–24"; empty for none.

    Args:
        what: what they are, as "row": for the sentence.

    Raises:
        Unreadable: if it is something else, or a number is out of bounds.
    """
    if len(text) > LONGEST:
        raise Unreadable("That is too long to be read; name runs as 8–24.")
    found: set[int] = set()
    joined = _JOINED.sub("-", " ".join(text.split()))
    for part in re.split(r"[,; ]+|\band\b", joined):
        if not part:
            continue
        read = _PART.fullmatch(part)
        if read is None:
            raise Unreadable(f"“{part[:20]}” cannot be read; write {what}s as 8, 16, 20–24.")
        first, last = int(read[1]), int(read[2] or read[1])
        for number in (first, last):
            if not least <= number <= most:
                raise Unreadable(f"There is no {what} {number} here; {what}s go from {least} to {most}.")
        if last < first:
            raise Unreadable(f"{first}–{last} runs backwards; write the smaller {what} first.")
        found |= set(range(first, last + 1))
    return frozenset(found)
