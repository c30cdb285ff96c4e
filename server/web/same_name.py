"""What is called as others are, told apart in a list: a file brought in twice, a way taken twice."""

from __future__ import annotations

from collections.abc import Iterable


def which_of_its_name(named: Iterable[tuple[int, str]], what: str) -> dict[int, str]:
    """By id, for what is called as others are: "Plan 2 of 3 of this name, the newest".

    Args:
        named: id and name of each; the ids are in the order in which they came.
        what: what they are: "Plan".
    """
    called: dict[str, list[int]] = {}
    for number, name in sorted(named):
        called.setdefault(name.strip(), []).append(number)
    return {
        number: f"{what} {count} of {len(alike)} of this name{', the newest' * (count == len(alike))}"
        for alike in called.values()
        if len(alike) > 1
        for count, number in enumerate(alike, 1)
    }
