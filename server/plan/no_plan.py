"""Where no work order exists: which rows ask for what the loom lacks, and what would do."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from server.design.piece import Piece
from server.loom.actions import and_list
from server.loom.state import Loom, State
from server.plan.demands import Part, asked_of
from server.plan.hand_rule import hand_schedules
from server.plan.model import Model
from server.plan.parts import ALL_PARTS
from server.plan.schedule import Schedule, Standing, best_lift
from server.plan.stages import Stage, relevant_shafts, stages
from server.plan.task import Task

MOST_SENTENCES = 6
MOST_ROWS_NAMED = 6


def rows_listed(rows: Sequence[int]) -> str:
    """Rows in words, ascending: "row 3", "rows 3 to 5", "rows 3, 4 and 9", "8 of the rows 1 to 15"."""
    if len(rows) == 1:
        return f"row {rows[0]}"
    if rows[-1] - rows[0] + 1 == len(rows) and len(rows) > 2:
        return f"rows {rows[0]} to {rows[-1]}"
    if len(rows) <= MOST_ROWS_NAMED:
        return f"rows {and_list([str(row) for row in rows])}"
    return f"{len(rows)} of the rows {rows[0]} to {rows[-1]}"


def rows_ask(rows: Sequence[int]) -> str:
    """How a sentence on rows begins: "Row 3 asks", "Rows 3 to 5 ask"."""
    told = rows_listed(rows)
    return f"{told[0].upper()}{told[1:]} {'asks' if len(rows) == 1 else 'ask'}"


@dataclass(frozen=True, slots=True)
class Sentence:
    """A sentence. In its words "{}" stands for the shafts, and "{rows}" for the rows, with "ask".

    Attributes:
        rows: those of the piece that it is about, ascending.
        short: the same without naming the shafts; "": it is short as it is.
    """

    words: str
    shafts: tuple[int, ...] = ()
    rows: tuple[int, ...] = ()
    short: str = ""

    def counted(
        self,
        number: Callable[[int], int],
        ask: Callable[[Sequence[int]], str] = rows_ask,
        *,
        short: bool = False,
    ) -> str:
        """The sentence as a weaver counts.

        Args:
            number: from the file's number of a shaft to hers.
            ask: how a sentence on these rows begins.
            short: in short, where there is a short form.
        """
        shafts = and_list([str(shaft) for shaft in sorted(map(number, self.shafts))])
        words = self.short if short and self.short else self.words
        return words.format(shafts, rows=ask(self.rows) if self.rows else "")


class NoPlan(Exception):
    """No work order exists. The message says, in sentences for the weaver, why, and what would do."""

    def __init__(self, *sentences: Sentence) -> None:
        """Say why, in these sentences."""
        self.sentences = sentences
        super().__init__(self.counted(lambda shaft: shaft))

    def counted(self, number: Callable[[int], int]) -> str:
        """The message, with the shafts’ numbers as a weaver counts them."""
        return " ".join(sentence.counted(number) for sentence in self.sentences)


def one_temporary(loom: Loom, shaft: int, asked: Iterable[Part]) -> Part | None:
    """A part that serves all these, alone on the shaft's own handle; empty: the bare shaft and cords do.

    None: no single part does.
    """
    wanted = [part for part in asked if part]
    common = frozenset.intersection(*wanted) if wanted else frozenset()
    for part in (frozenset[int](), common - loom.single_cords):
        standing = Standing(frozenset({(shaft, part)}), {shaft: part}) if part else Standing()
        if part != loom.units_of(shaft) and all(best_lift(loom, standing, shaft, p) for p in wanted):
            return part
    return None


def needy_shafts(loom: Loom, stage: Stage) -> list[int]:
    """The shafts that take a temporary, or several, whatever else is done."""
    return [shaft for shaft, asked in stage.asked.items() if one_temporary(loom, shaft, asked) != frozenset()]


def strip_schedule(task: Task, loom: Loom, cut: Sequence[Stage]) -> Schedule | None:
    """The order with the fewest spare shafts at once, without spare handles: what is not in use is out.

    None where the loom lacks something for it.
    """
    schedule: list[Standing] = []
    for stage in cut:
        home = {}
        for shaft, asked in stage.asked.items():
            part = one_temporary(loom, shaft, asked)
            if part is None or (part and loom.temporaries_per_shaft < 1):
                return None
            if part:
                home[shaft] = part
        if len(home) > loom.spare_shafts:
            return None
        schedule += [Standing(frozenset(home.items()), home)] * (stage.last - stage.first + 1)
    begins = schedule[0] == task.begin or task.may_walk(0)
    ends = task.end is None or schedule[-1] == task.end or task.may_walk(len(schedule))
    return schedule if begins and ends else None


def is_hopeless(loom: Loom, cut: Sequence[Stage]) -> bool:
    """Whether some rows ask for more temporaries at once than the loom takes: then no search is needed."""
    room = loom.spare_shafts if loom.temporaries_per_shaft else 0
    return any(len(needy_shafts(loom, stage)) > room for stage in cut)


def can_be_woven(task: Task, seconds: float) -> bool | None:
    """Whether a task has an order, whatever it costs; None where that was not known in time."""
    piece = task.asked
    shafts = relevant_shafts(piece, task.begin, task.end)
    if not shafts:
        return True
    cut = stages(piece, shafts)
    if is_hopeless(piece.loom, cut):
        return False
    if strip_schedule(task, piece.loom, cut) is not None or hand_schedules(task):
        return True
    model = Model(piece, shafts, cut, task.begin, task.end, ALL_PARTS, task.begin)
    found = model.cheapest(seconds=seconds, grain=0.0, first=True)
    if found.values is not None:
        return True
    return False if found.impossible and model.complete else None


def explain(
    task: Task, shafts: Sequence[int], cut: Sequence[Stage], *, seconds: float
) -> tuple[Sentence, ...]:
    """Which rows ask for what the loom lacks, and how many spare shafts would do, or that no number would.

    Args:
        seconds: time for working that number out, where it takes a search.
    """
    if not cut:
        words = f"No walk may be made after row {task.start.row}, and the loom cannot be cleared without one."
        return (Sentence(words),)
    sentences: list[Sentence] = []
    for stage in cut:
        sentences += _what_lacks(task, shafts, stage)
    if not sentences:
        sentences.append(Sentence("The rows after which no walk may be made leave too few walks."))
    if len(sentences) > MOST_SENTENCES:
        rest = len(sentences) - MOST_SENTENCES
        sentences = [*sentences[:MOST_SENTENCES], Sentence(f"{rest} more like these.")]
    return (*sentences, Sentence(_what_would_do(task, shafts, cut, seconds)))


def _what_lacks(task: Task, shafts: Sequence[int], stage: Stage) -> list[Sentence]:
    """What the rows of one stage ask for that this loom lacks, in sentences."""
    piece, loom = task.asked, task.piece.loom
    needy = needy_shafts(loom, stage)
    if not needy:
        return []
    rows = _rows_that_ask(task, stage, needy)
    if not loom.temporaries_per_shaft:
        words = "{rows} for a part of shaft {}, and no shaft of this loom takes a temporary."
        return [Sentence(words, (needy[0],), rows)]
    if len(needy) > loom.spare_shafts:
        what = "a part of shaft" if len(needy) == 1 else f"parts of {len(needy)} shafts at once:"
        spare = loom.spare_shafts or "none"
        words = f"{{rows}} for {what} {{}}. Spare shafts on this loom: {spare}."
        short = f"{{rows}} for parts of {len(needy)} shafts at once; you have {spare} spare."
        return [Sentence(words, tuple(needy), rows, short)]
    found = []
    several = [shaft for shaft in needy if one_temporary(loom, shaft, stage.asked[shaft]) is None]
    if several and not _can_stand(piece, shafts, stage, loom.spare_shafts):
        listed = f"shaft{'s' * (len(several) > 1)} {{}}"
        of_what = (
            "more spare shafts than there are"
            if _can_stand(piece, shafts, stage, _plenty(piece, shafts))
            else "more spare handles, or more temporaries of one shaft, than there are"
        )
        words = (
            f"{{rows}} {listed} for different parts, and no walk may be made between; that takes {of_what}."
        )
        short = words.replace(listed, f"{len(several)} shafts")
        found.append(Sentence(words, tuple(several), rows, short))
    for gap, edge, where in (
        (0, 1, "before the first row" if task.start == State() else "now"),
        (len(piece.rows), len(piece.rows), "after the last row"),
    ):
        if not task.may_walk(gap) and edge in (stage.first, stage.last):
            found.append(Sentence(f"{{rows}} for a temporary, and no walk may be made {where}.", rows=rows))
    return found


def _rows_that_ask(task: Task, stage: Stage, needy: Sequence[int]) -> tuple[int, ...]:
    """Those rows of a stage that ask anything of these shafts: the others stand between them only."""
    asking = {
        task.visits[place - 1].row
        for place in range(stage.first, stage.last + 1)
        if any(asked_of(task.asked, place, shaft) for shaft in needy)
    }
    return tuple(sorted(asking))


def _can_stand(piece: Piece, shafts: Sequence[int], stage: Stage, spare_shafts: int) -> bool:
    """Whether the rows of one stage can be lifted, with walks before and after it."""
    loom = replace(piece.loom, spare_shafts=spare_shafts)
    alone = replace(piece, loom=loom, no_walks=frozenset(), free_walks=frozenset())
    model = Model(alone, shafts, [stage], most_parts=ALL_PARTS)
    return not (model.cheapest(seconds=10.0, grain=0.0, first=True).impossible and model.suffices)


def _plenty(piece: Piece, shafts: Sequence[int]) -> int:
    """More spare shafts than could be used on these shafts."""
    return sum(2 ** min(len(piece.loom.units_of(shaft)), 20) for shaft in shafts)


def _what_would_do(task: Task, shafts: Sequence[int], cut: Sequence[Stage], seconds: float) -> str:
    piece, there = task.asked, len(task.begin.inside)
    ample = replace(piece, loom=replace(piece.loom, spare_shafts=_plenty(piece, shafts) + there))
    number: int | None
    if (strip := strip_schedule(task, ample.loom, cut)) is not None:
        # each of these shafts takes one at least, and this order has no more
        number, certain = max(there, *(len(standing.inside) for standing in strip)), True
    else:
        model = Model(ample, shafts, cut, task.begin, task.end, ALL_PARTS, task.begin)
        number, certain = model.fewest_spare_shafts(seconds=seconds)
        number = None if number is None else max(there, number)
    if number is None:
        if certain:
            return "No number of spare shafts would do, everything else as it is."
        return "Whether any number of spare shafts would do could not be worked out in the time."
    would = "would do" if certain else "would do, perhaps fewer"
    return f"{number} spare shaft{'s' * (number != 1)} {would}, everything else as it is."
