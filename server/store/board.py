"""The drawing board: warps, the designs drawn on them with every change, and the box of figures."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar, cast

from sqlalchemy import delete, func
from sqlmodel import Session, col, select

from server.design.design import (
    Change,
    Design,
    Run,
    changed,
    check,
    mark_of,
    read_change,
    read_design,
    setting,
    taken_back,
    write_change,
    write_design,
)
from server.design.warp import Warp, read_warp
from server.store.opening import OfOneFile
from server.store.sent_twice import sent_before
from server.store.tables import ChangeRow, DesignRow, FigureRow, PieceRow, WarpRow

MOST_FIGURES = 500
MOST_IN_BOX = 2_000_000
"""Squares of all figures together: the page of squared paper fetches them all."""


class NotKept(ValueError):
    """What was asked for was not done; the message is a sentence for the weaver."""


class ChangedMeanwhile(NotKept):
    """What was to be changed is not any more as it was."""


@dataclass(frozen=True, slots=True)
class KeptWarp:
    """A warp on the board.

    Attributes:
        designs: how many designs are drawn on it.
    """

    id: int
    warp: Warp
    designs: int
    changed_at: datetime

    @property
    def name(self) -> str:
        """Its name."""
        return self.warp.name


@dataclass(frozen=True, slots=True)
class KeptDesign:
    """A design on the board, as it is now.

    Attributes:
        at: how many of its changes hold: the last that can be taken back.
        made: how many there are, with those that were taken back and can be made again.
        pieces: ids of the pieces that were made of it, oldest first.
    """

    id: int
    name: str
    warp_id: int
    warp: Warp
    design: Design
    at: int
    made: int
    changed_at: datetime
    pieces: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class DesignLine:
    """A design in a list."""

    id: int
    name: str
    warp_id: int
    warp_name: str
    units: int
    rows: int
    changed_at: datetime


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure in the box.

    Attributes:
        rows: "#" and ".", the first row woven first.
    """

    id: int
    name: str
    rows: tuple[str, ...]


class Board(OfOneFile):
    """The drawing board of one database file; `Store.board` makes it.

    Every method may raise `StoreFailure`; then nothing was changed.
    """

    # --- warps -------------------------------------------------------------------------------------------

    def warps(self) -> list[KeptWarp]:
        """All warps, the one changed last first."""
        with self._read() as session:
            rows = session.exec(
                select(WarpRow)
                .where(col(WarpRow.thrown_away).is_(False))
                .order_by(col(WarpRow.changed_at).desc(), col(WarpRow.id).desc())
            )
            return [_kept_warp(session, row) for row in rows]

    def warp(self, warp_id: int) -> KeptWarp | None:
        """A warp; None if there is none of that number."""
        with self._read() as session:
            row = _get(session, WarpRow, warp_id)
            return None if row is None or row.thrown_away else _kept_warp(session, row)

    def add_warp(self, text: str) -> int:
        """Keep a warp; returns its id. The same again within a minute is the same form, sent twice.

        Raises:
            Unusable: if the text is none.
        """
        warp = read_warp(text)
        row = WarpRow(name=warp.name, warp_text=text, changed_at=self._now())
        with self._write() as session:
            if kept := sent_before(session, row, ("warp_text", "thrown_away"), "changed_at"):
                return kept
            session.add(row)
            session.flush()
            return cast(int, row.id)

    def change_warp(self, warp_id: int, text: str, before: Warp | None = None) -> None:
        """Keep a warp as it is now.

        Args:
            before: the warp that is to be changed; None: whatever it is.

        Raises:
            Unusable: if the text is none.
            ChangedMeanwhile: if it is another by now.
            NotKept: if there is no such warp, or designs are drawn on it that would not fit any more.
        """
        warp = read_warp(text)
        with self._write() as session:
            row = _get(session, WarpRow, warp_id)
            if row is None or row.thrown_away:
                raise NotKept("That warp is not here any more.")
            now = read_warp(row.warp_text)
            if before not in (None, now):
                raise ChangedMeanwhile("The warp was changed elsewhere meanwhile.")
            # a design that was thrown away may be brought back
            if warp.units != now.units and (drawn := _designs_on(session, warp_id, thrown_away=True)):
                designs = f"{drawn} designs are" if drawn > 1 else "A design is"
                thrown = drawn - _designs_on(session, warp_id)
                raise NotKept(
                    f"{designs} drawn on this warp, {now.units} units wide"
                    f"{', counting what was thrown away and can be brought back' if thrown else ''}; with "
                    f"{warp.units} units it would not fit any more. Keep the new leash order as another warp."
                )
            row.name, row.warp_text, row.changed_at = warp.name, text, self._now()
            session.add(row)

    def throw_warp_away(self, warp_id: int, away: bool = True) -> None:
        """Put a warp out of sight, or back.

        Raises:
            NotKept: if there is no such warp, or designs are drawn on it.
        """
        with self._write() as session:
            if _thrown_away(session, WarpRow, warp_id, away) is None:
                raise NotKept("There is no such warp.")
            if away and _designs_on(session, warp_id):  # then the transaction is undone
                raise NotKept("Designs are drawn on this warp; throw those away first.")

    # --- designs -----------------------------------------------------------------------------------------

    def designs(self, warp_id: int | None = None) -> list[DesignLine]:
        """All designs, or those on one warp; the one changed last first."""
        with self._read() as session:
            chosen = (
                select(DesignRow, WarpRow.name)
                .join(WarpRow)
                .where(col(DesignRow.thrown_away).is_(False))
                .order_by(col(DesignRow.changed_at).desc(), col(DesignRow.id).desc())
            )
            if warp_id is not None:
                chosen = chosen.where(DesignRow.warp == warp_id)
            lines = []
            for row, warp_name in session.exec(chosen):
                design = read_design(row.design_text)
                rows = sum(max(1, len(band.rows)) * band.times for band in design.bands)
                lines.append(
                    DesignLine(
                        cast(int, row.id), row.name, row.warp, warp_name, design.units, rows, row.changed_at
                    )
                )
            return lines

    def design(self, design_id: int) -> KeptDesign | None:
        """A design; None if there is none of that number."""
        with self._read() as session:
            row = _get(session, DesignRow, design_id)
            return None if row is None or row.thrown_away else _kept_design(session, row)

    def add_design(self, warp_id: int, name: str, design: Design) -> int:
        """Keep a new design; returns its id. The same again within a minute is the same form, sent twice.

        Raises:
            ValueError: with a sentence, if it cannot be kept.
        """
        check(design)
        row = DesignRow(
            warp=warp_id, name=name, design_text=write_design(design), at=0, changed_at=self._now()
        )
        same = ("warp", "name", "design_text", "at", "thrown_away")
        with self._write() as session:
            warp = _get(session, WarpRow, warp_id)
            if warp is None or warp.thrown_away:
                raise NotKept("That warp is not here any more; choose another.")
            if read_warp(warp.warp_text).units != design.units:
                raise NotKept("The design is not as wide as the warp.")
            if kept := sent_before(session, row, same, "changed_at"):
                return kept
            session.add(row)
            session.flush()
            return cast(int, row.id)

    def draw(self, design_id: int, band: int, runs: Sequence[Run], key: str) -> KeptDesign | None:
        """Set stretches of rows, as one change. It holds wherever else was drawn meanwhile.

        Args:
            key: the stroke's own name; under one name it counts once.

        Raises:
            ValueError: with a sentence, if the band is gone or has no such cells.
        """
        return self.change(design_id, lambda design: setting(design, band, runs), key)

    def change(
        self, design_id: int, make: Callable[[Design], Change | None], key: str = ""
    ) -> KeptDesign | None:
        """Make one change; when this returns it is on the disk.

        Args:
            make: the change, of the design as it is now; None: there is nothing to change.
            key: its own name; under one name a change counts once. "": none.

        Returns:
            The design as it is then; None if there is none of that number.

        Raises:
            ValueError: with a sentence, if the design cannot be changed so.
        """
        with self._write() as session:
            row = _get(session, DesignRow, design_id)
            if row is None or row.thrown_away:
                return None
            if key and _has_change(session, design_id, key):
                return _kept_design(session, row)
            design = read_design(row.design_text)
            change = make(design)
            if change is None:
                return _kept_design(session, row)
            after = changed(design, change)
            if after != design:
                check(after)
                _forget_taken_back(session, design_id, row.at)
                row.at += 1
                row.design_text, row.changed_at = write_design(after), self._now()
                session.add(row)
                session.add(
                    ChangeRow(
                        design=design_id, number=row.at, change_text=write_change(change), key=key or None
                    )
                )
                session.flush()
            return _kept_design(session, row)

    def take_back(self, design_id: int, at: int, mark: str = "") -> KeptDesign | None:
        """Take the last change back.

        Nothing happens unless `at` changes hold now, and what is drawn has this mark (`mark_of`; "": any):
        else another device was first, and the change would be another's.
        """
        return self._step(design_id, at, mark, back=True)

    def make_again(self, design_id: int, at: int, mark: str = "") -> KeptDesign | None:
        """Make the change again that was taken back last; as `take_back`."""
        return self._step(design_id, at, mark, back=False)

    def _step(self, design_id: int, at: int, mark: str, *, back: bool) -> KeptDesign | None:
        with self._write() as session:
            row = _get(session, DesignRow, design_id)
            if row is None or row.thrown_away:
                return None
            number, now = at if back else at + 1, read_design(row.design_text)
            is_as_shown = row.at == at and mark in ("", mark_of(now))
            if is_as_shown and (change := session.get(ChangeRow, (design_id, number))) is not None:
                step = taken_back if back else changed
                design = step(now, read_change(change.change_text))
                row.design_text, row.at, row.changed_at = (
                    write_design(design),
                    at + (-1 if back else 1),
                    self._now(),
                )
                session.add(row)
                session.flush()
            return _kept_design(session, row)

    def rename_design(self, design_id: int, name: str) -> bool:
        """Give a design another name; False if there is none of that number."""
        with self._write() as session:
            row = _get(session, DesignRow, design_id)
            if row is None:
                return False
            row.name = name
            session.add(row)
            return True

    def throw_design_away(self, design_id: int, away: bool = True) -> bool:
        """Put a design out of sight, or back, and its warp with it; False if there is none of that number."""
        with self._write() as session:
            row = _thrown_away(session, DesignRow, design_id, away)
            if row is not None and not away:
                _thrown_away(session, WarpRow, row.warp, away)
            return row is not None

    # --- the box of figures ------------------------------------------------------------------------------

    def figures(self) -> list[Figure]:
        """The figures in the box, by name."""
        with self._read() as session:
            rows = session.exec(
                select(FigureRow).where(col(FigureRow.thrown_away).is_(False)).order_by(col(FigureRow.id))
            )
            found = [Figure(cast(int, row.id), row.name, tuple(row.rows_text.split("\n"))) for row in rows]
        return sorted(found, key=lambda figure: (figure.name.casefold(), figure.id))

    def add_figure(self, name: str, rows: Iterable[str]) -> int:
        """Put a figure into the box; returns its id. The same again within a minute was sent twice.

        Raises:
            NotKept: if the box is full.
        """
        row = FigureRow(name=name, rows_text="\n".join(rows), added_at=self._now())
        with self._write() as session:
            if kept := sent_before(session, row, ("name", "rows_text", "thrown_away"), "added_at"):
                return kept
            there = session.exec(select(func.count()).where(col(FigureRow.thrown_away).is_(False))).one()
            if there >= MOST_FIGURES:
                raise NotKept(f"The box holds {MOST_FIGURES} figures; throw some away first.")
            squares = select(func.sum(func.length(FigureRow.rows_text)))
            full = session.exec(squares.where(col(FigureRow.thrown_away).is_(False))).one() or 0
            if full + len(row.rows_text) > MOST_IN_BOX:
                raise NotKept(f"The box holds {MOST_IN_BOX:,} squares in all; throw some figures away first.")
            session.add(row)
            session.flush()
            return cast(int, row.id)

    def throw_figure_away(self, figure_id: int, away: bool = True) -> bool:
        """Put a figure out of sight, or back; False if there is none of that number."""
        with self._write() as session:
            return _thrown_away(session, FigureRow, figure_id, away) is not None


_Row = TypeVar("_Row", WarpRow, DesignRow, FigureRow)


def _get(session: Session, kind: type[_Row], number: int) -> _Row | None:
    return session.get(kind, number) if 0 < number < 2**63 else None


def _thrown_away(session: Session, kind: type[_Row], number: int, away: bool) -> _Row | None:
    """A row, put out of sight or back; None if there is none of that number."""
    row = _get(session, kind, number)
    if row is not None:
        row.thrown_away = away
        session.add(row)
    return row


def _designs_on(session: Session, warp_id: int, *, thrown_away: bool = False) -> int:
    """How many designs are drawn on a warp, with those thrown away or without."""
    on_it = select(func.count()).where(DesignRow.warp == warp_id)
    if not thrown_away:
        on_it = on_it.where(col(DesignRow.thrown_away).is_(False))
    return session.exec(on_it).one()


def _has_change(session: Session, design_id: int, key: str) -> bool:
    found = select(ChangeRow.number).where(ChangeRow.design == design_id, ChangeRow.key == key)
    return session.exec(found).first() is not None


def _forget_taken_back(session: Session, design_id: int, at: int) -> None:
    session.connection().execute(
        delete(ChangeRow).where(col(ChangeRow.design) == design_id, col(ChangeRow.number) > at)
    )


def _kept_warp(session: Session, row: WarpRow) -> KeptWarp:
    warp_id = cast(int, row.id)
    return KeptWarp(warp_id, read_warp(row.warp_text), _designs_on(session, warp_id), row.changed_at)


def _kept_design(session: Session, row: DesignRow) -> KeptDesign:
    design_id = cast(int, row.id)
    warp = cast(WarpRow, session.get(WarpRow, row.warp))
    made = session.exec(select(func.max(ChangeRow.number)).where(ChangeRow.design == design_id)).one()
    pieces = session.exec(select(PieceRow.id).where(PieceRow.design == design_id).order_by(col(PieceRow.id)))
    return KeptDesign(
        id=design_id,
        name=row.name,
        warp_id=row.warp,
        warp=read_warp(warp.warp_text),
        design=read_design(row.design_text),
        at=row.at,
        made=made or 0,
        changed_at=row.changed_at,
        pieces=tuple(cast(int, piece) for piece in pieces),
    )
