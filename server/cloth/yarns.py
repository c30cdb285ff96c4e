"""Yarns to see a cloth in: a few of our own, by plain names."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Yarn:
    """A yarn as it looks.

    Attributes:
        key: its name in addresses.
        name: its name on screen.
        colour: red, green, blue, 0 to 255.
    """

    key: str
    name: str
    colour: tuple[int, int, int]


YARNS = {
    yarn.key: yarn
    for yarn in (
        Yarn("linen", "natural linen", (214, 201, 172)),
        Yarn("bleached", "bleached linen", (245, 241, 230)),
        Yarn("silver", "silver grey", (168, 170, 172)),
        Yarn("indigo", "indigo", (38, 51, 110)),
        Yarn("woad", "pale woad", (122, 150, 184)),
        Yarn("madder", "madder", (158, 52, 40)),
        Yarn("weld", "weld", (214, 172, 40)),
        Yarn("moss", "moss green", (92, 108, 62)),
        Yarn("walnut", "walnut", (92, 66, 48)),
        Yarn("black", "oak-gall black", (38, 37, 44)),
    )
}
