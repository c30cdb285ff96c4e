"""Where no work order exists: which rows ask for what the loom lacks, and what would do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from server.design.piece import Piece
from server.loom.actions import and_list
from server.loom.state import Loom
from server.plan.demands import Part
from server.plan.model import Model
from server.plan.schedule import Schedule, Standing, best_lift
from server.plan.stages import Stage

MOST_SENTENCES = 6


class NoPlan(Exception):
    """No work order exists. The message says, in sentences for the weaver, why, and what would do."""


def one_temporary(loom: Loom, shaft: int, asked: Sequence[Part]) -> Part | None:
    """A part that serves all these, alone on the shaft's own handle; empty: the bare shaft and cords do.

    None: no single part does.
    """
    wanted = [part for part in asked if part]
    common = frozenset.intersection(*wanted) if wanted else frozenset()
    for part in (
        frozenset[int](),
        common - loom.single_cords,
        common,
        *(p - loom.single_cords for p in wanted),
    ):
        standing = Standing(frozenset({(shaft, part)}), {shaft: part}) if part else Standing()
        if part != loom.units_of(shaft) and all(best_lift(loom, standing, shaft, p) for p in wanted):
            return part
    return None


def strip_schedule(piece: Piece, cut: Sequence[Stage]) -> Schedule | None:
    """The order with the fewest spare shafts at once, without spare handles: what is not in use is out.

    None where the loom lacks something for it.
    """
    schedule: list[Standing] = []
    for stage in cut:
        home = {}
        for shaft, asked in stage.asked.items():
            part = one_temporary(piece.loom, shaft, list(asked))
            if part is None or (part and piece.loom.temporaries_per_shaft < 1):
                return None
            if part:
                home[shaft] = part
        if len(home) > piece.loom.spare_shafts:
            return None
        schedule += [Standing(frozenset(home.items()), home)] * (stage.last - stage.first + 1)
    if (schedule[0].inside and 0 in piece.no_walks) or (
        schedule[-1].inside and len(piece.rows) in piece.no_walks
    ):
        return None
    return schedule


def explain(piece: Piece, shafts: Sequence[int], cut: Sequence[Stage]) -> str:
    """Which rows ask for what the loom lacks, and how many spare shafts would do, or that no number would."""
    loom = piece.loom
    sentences: list[str] = []
    for stage in cut:
        rows = (
            f"Row {stage.first} asks"
            if stage.first == stage.last
            else f"Rows {stage.first} to {stage.last} ask"
        )
        needy = []
        for shaft, asked in stage.asked.items():
            part = one_temporary(loom, shaft, list(asked))
            if part is None and not loom.spare_handles:
                sentences.append(
                    f"{rows} different things of shaft {shaft}, and no walk may be made between."
                )
            if part is None or part:
                needy.append(shaft)
        if needy and loom.temporaries_per_shaft < 1:
            sentences.append(
                f"{rows} for a part of shaft {needy[0]}, and no shaft of this loom takes a temporary."
            )
        elif len(needy) > loom.spare_shafts:
            listed = and_list([str(shaft) for shaft in needy])
            plural = "a part of shaft" if len(needy) == 1 else f"parts of {len(needy)} shafts at once:"
            have = "none" if not loom.spare_shafts else f"{loom.spare_shafts}"
            sentences.append(f"{rows} for {plural} {listed}. Spare shafts on this loom: {have}.")
        for gap, edge, where in (
            (0, cut[0].first, "before the first row"),
            (len(piece.rows), cut[-1].last, "after the last row"),
        ):
            if needy and gap in piece.no_walks and edge in (stage.first, stage.last):
                sentences.append(f"{rows} for a temporary, and no walk may be made {where}.")
    if not sentences:
        sentences.append("The rows after which no walk may be made leave too few walks.")
    if len(sentences) > MOST_SENTENCES:
        rest = len(sentences) - MOST_SENTENCES
        sentences = [*sentences[:MOST_SENTENCES], f"{rest} more like these."]
    return " ".join([*sentences, _what_would_do(piece, shafts, cut)])


def _what_would_do(piece: Piece, shafts: Sequence[int], cut: Sequence[Stage]) -> str:
    plenty = sum(len(piece.loom.units_of(shaft)) for shaft in shafts) * max(
        piece.loom.temporaries_per_shaft, 1
    )
    ample = replace(piece, loom=replace(piece.loom, spare_shafts=plenty))
    number = Model(ample, shafts, cut).fewest_spare_shafts(seconds=60.0)
    if number is None:
        return "No number of spare shafts would do, everything else as it is."
    return f"{number} spare shaft{'' if number == 1 else 's'} would do, everything else as it is."
