"""The box: all papers, scraps and dies that somebody owns, in one file."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType

from shapely.affinity import translate
from shapely.geometry import Polygon
from shapely.geometry import box as rectangle

from nestcut._files import decode_text, read_bytes, shown, write_whole
from nestcut.batch.fields import LEAST_SIDE_MM
from nestcut.batch.model import BoxState, Die, Paper, Scrap, Stock
from nestcut.batch.problems import show_value
from nestcut.box import evening, rows, text, undo
from nestcut.box.file import BoxFile, now_text
from nestcut.box.place import usual_place
from nestcut.box.schema import STOCK
from nestcut.box.values import Action, AfterEvening, PastEvening, StockScrap, Tagged
from nestcut.errors import BoxError, Where, found_at
from nestcut.plans import Plan, plan_digest
from nestcut.units import Units

__all__ = ["Box"]

MOST_SIDE_MM = 10_000.0
MOST_AT_ONCE = 5_000
MOST_EXPORT = 256_000_000
BY_HAND = "by hand"


class Box:
    """A stock of papers, scraps and dies in one file (SQLite).

    Every method that changes something is one action: it is kept whole or not at all, whatever happens to the program or
    the disk, and it can be undone. Two programs may use the same box: one waits for the other. All lengths are mm, all outlines
    shapely polygons seen from the paper's good side, x to the right and y down, all times ISO 8601 texts in UTC.

    Args:
        path: the file; None: where this system keeps people's data (:func:`nestcut.box.usual_place`).
        create: make a new box where there is none.
    Raises: BoxError where the file is no box, damaged, or of a newer nestcut; OutputError where it can't be written.

    >>> with nestcut.Box("box.db") as box:                             # doctest: +SKIP
    ...     box.add("red", (148, 105), count=3)
    (Tagged(tag='red-1', paper='red', asked=''), …)
    """

    def __init__(self, path: str | os.PathLike[str] | None = None, *, create: bool = True) -> None:
        self._file = BoxFile(Path(path) if path is not None else usual_place(), create=create)

    def __enter__(self) -> Box:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    # ------------------------------------------------------------------ what is in it

    @property
    def path(self) -> Path:
        """The file."""
        return self._file.path

    @property
    def notes(self) -> tuple[str, ...]:
        """What the person should know about the file: that it was brought up to date, and where the copy is."""
        return tuple(self._file.notes)

    @property
    def state(self) -> BoxState:
        """Which box this is, and a digest of what it holds: equal where it holds the same again."""
        with self._file.reading() as con:
            return self._state(con)

    def _state(self, con: sqlite3.Connection) -> BoxState:
        id_, seal = con.execute("select id, seal from box").fetchone()
        return BoxState(id_, seal[:16], os.fspath(self._file.path))

    def papers(self) -> tuple[Paper, ...]:
        """All papers, by name; also those that no scrap is left of."""
        with self._file.reading() as con:
            return rows.papers(con)

    def scraps(self, papers: Iterable[str] | None = None) -> tuple[StockScrap, ...]:
        """All scraps, or those of some papers, in the order in which they came in."""
        with self._file.reading() as con:
            return rows.scraps(con, papers)

    def dies(self) -> tuple[Die, ...]:
        """All dies, by name; cut and rim in mm, in one frame with the rim's box centred on (0, 0)."""
        with self._file.reading() as con:
            return rows.dies(con)

    def was_put_back(self, plan: Plan) -> PastEvening | None:
        """The evening of this plan, if :meth:`after` was called for it."""
        digest = plan_digest(plan)
        with self._file.reading() as con:
            return evening.put_back_before(con, digest)

    def evenings(self) -> tuple[PastEvening, ...]:
        """The plans whose paper was put back, the latest first."""
        with self._file.reading() as con:
            return rows.evenings(con)

    def actions(self, most: int = 20) -> tuple[Action, ...]:
        """What was done last, the latest first."""
        with self._file.reading() as con:
            return undo.actions(con, most)

    def stock(self, papers: Iterable[str] | None = None, dies: Iterable[str] | None = None) -> Stock:
        """What a batch takes from the box, all of one moment.

        Args:
            papers, dies: names of those that are wanted; None: all. A name that the box does not know is passed over.
        """
        wanted = None if papers is None else set(papers)
        with self._file.reading() as con:
            return Stock(
                self._state(con),
                tuple(paper for paper in rows.papers(con) if wanted is None or paper.name in wanted),
                tuple(Scrap(one.tag, one.paper, one.outline) for one in rows.scraps(con, wanted)),
                rows.dies(con, dies),
            )

    # ------------------------------------------------------------------ in and out

    def add(
        self,
        paper: str,
        shape: Polygon | tuple[float, float],
        *,
        tag: str | None = None,
        count: int = 1,
        source: str = BY_HAND,
    ) -> tuple[Tagged, ...]:
        """Put scraps of one paper and one shape in.

        Args:
            paper: its name; a paper that the box does not know yet comes in with it.
            shape: (width, length) in mm, or the outline, seen from the good side; it is moved to (0, 0).
            tag: what is pencilled on its back; None: the next free one, as in red-7. Of several: tag-1, tag-2, …
            count: how many alike.
            source: how they came in, in a few words.
        Returns: the tag of each.
        Raises: BoxError for a tag that is there already, a shape that can't be; OutputError.
        """
        paper = rows.good_name(paper, "the paper")
        outline = _outline(shape)
        if not 1 <= count <= MOST_AT_ONCE:
            raise BoxError(
                f"{count} scraps can't be put in at once", mend=f"give a count of 1 to {MOST_AT_ONCE:,}"
            )
        asked = [""] * count
        if tag is not None:
            tag = rows.good_name(tag, "the tag")
            asked = [tag] if count == 1 else [f"{tag}-{number}" for number in range(1, count + 1)]
        with self._file.acting(f"put in {_counted(count, 'scrap')} of {paper}") as con:
            taken = rows.tags(con)
            clash = next((name for name in asked if name in taken), None)
            if clash is not None:
                raise BoxError(
                    f"there is a scrap {show_value(clash)} in the box already",
                    mend="give another tag, or none: then it gets the next free one",
                    where=self._file.where,
                )
            return _put(con, [(name, paper, outline) for name in asked], source)

    def add_table(self, path: str | os.PathLike[str], *, units: Units = "mm") -> tuple[Tagged, ...]:
        """Put all scraps of a table in: a table of scraps as batch files read it, or the ``box.csv`` of a plan.

        Args:
            path: the table (CSV); outlines that it names lie beside it.
            units: what bare numbers in it are.
        Returns: the tag of each. One whose id the box has already gets another tag.
        Raises: BatchError or OutlineError for the table, BoxError, OutputError.
        """
        from nestcut.batch import read_scraps_csv

        found = read_scraps_csv(path, units=units)
        name = shown(Path(path).name)
        with self._file.acting(f"put in {_counted(len(found), 'scrap')} of the table {name}") as con:
            return _put(con, [(one.id, one.paper, one.outline) for one in found], f"table {name}")

    def set_paper(self, paper: Paper) -> None:
        """Put a paper in, or change its swatch, its direction or its good sides. Raises: BoxError, OutputError."""
        with self._file.acting(f"noted the paper {paper.name}") as con:
            rows.put_paper(con, paper)

    def add_dies(self, dies: Sequence[Die], *, again: bool = False) -> None:
        """Put dies in.

        Args:
            dies: cut and rim in one frame, mm; the whole is moved so that the rim's box is centred on (0, 0).
            again: change those that the box has already; else they are refused.
        Raises: BoxError, OutputError.
        """
        named = [_centred(replace(die, name=rows.good_name(die.name, "the die"))) for die in dies]
        with self._file.acting(f"put in {_counted(len(named), 'die')}") as con:
            there = {die.name for die in rows.dies(con)}
            for die in named:
                if die.name in there and not again:
                    raise BoxError(
                        f"there is a die {show_value(die.name)} in the box already",
                        mend="give it another name, or say --again to change it",
                        where=self._file.where,
                    )
                there.add(die.name)
                rows.put_die(con, die)

    def take(self, tags: Sequence[str] = (), *, dies: Sequence[str] = (), papers: Sequence[str] = ()) -> None:
        """Take out scraps by their tags, dies and papers by their names.

        Raises: BoxError for a name that is not there, a paper that still has scraps; then nothing is taken out.
        """
        words = ", ".join(
            _counted(len(names), what)
            for names, what in ((tags, "scrap"), (dies, "die"), (papers, "paper"))
            if names
        )
        with self._file.acting(f"took out {words or 'nothing'}") as con:
            rows.remove(con, "scrap", "tag", tags, "scrap")
            rows.remove(con, "die", "name", dies, "die")
            left = {one.paper for one in rows.scraps(con, papers)}
            for name in papers:
                if name in left:
                    raise BoxError(
                        f"there are scraps of the paper {show_value(name)} in the box",
                        mend="take them out first",
                        where=self._file.where,
                    )
            rows.remove(con, "paper", "name", papers, "paper")

    def after(self, plan: Plan, *, anyway: bool = False) -> AfterEvening:
        """Put back what an evening left, and take out what it used: once for a plan, however often this is called.

        A plan that was made from this box takes the scraps that it trimmed or cut out of it, and leaves alone those that it did not
        touch. Of a plan with scraps of its own all that is left goes in, as its ``box.csv`` has it.

        Args:
            plan: the plan that was cut.
            anyway: also where scraps that it uses are gone from the box, or changed.
        Raises: BoxError where the plan was made from another box, or its scraps are gone or changed; OutputError.
        """
        digest = plan_digest(plan)
        with self._file.reading() as con:
            before = evening.put_back_before(con, digest)
        if before is None:
            words = f"after the evening {plan.title}" if plan.title else "after an evening"
            try:
                with self._file.acting(words) as con:
                    # Another program may have been faster.
                    before = evening.put_back_before(con, digest)
                    if before is not None:
                        raise _AgainError
                    return evening.put_back(con, plan, self._state(con), digest, anyway=anyway)
            except _AgainError:
                pass
        return AfterEvening(before, (), (), 0, ())

    # ------------------------------------------------------------------ undoing

    def undo(self) -> Action | None:
        """Undo the latest action that is not undone yet. Returns: it; None where there is none."""
        return self._toggle(back=True)

    def redo(self) -> Action | None:
        """Do the action again that was undone last; a new action in between ends that. Returns: it, or None."""
        return self._toggle(back=False)

    def _toggle(self, *, back: bool) -> Action | None:
        with self._file.writing() as con:
            action = undo.latest(con) if back else undo.next_undone(con)
            if action is not None:
                undo.toggle(con, action, self._file.seal)
            return action

    # ------------------------------------------------------------------ text

    def export_text(self) -> str:
        """All that the box holds as a JSON text: papers, dies, scraps and evenings without any loss, not what can be undone."""
        with self._file.reading() as con:
            return text.write_text(con)

    def export_to(self, path: str | os.PathLike[str]) -> None:
        """Write :meth:`export_text` to a file, whole or not at all. Raises: OutputError."""
        write_whole(path, self.export_text())

    def import_text(self, export: str, *, again: bool = False) -> None:
        """Take in an export, in place of all that the box holds: one action, which can be undone.

        Args:
            export: what :meth:`export_text` gave.
            again: also where the box holds something.
        Raises: BoxError for what is no export, and for a box that is not empty.
        """
        taken_in = text.read_text(export)
        with self._file.acting("took in an export") as con:
            full = any(con.execute(f"select 1 from {table} limit 1").fetchone() for table in STOCK)
            if full and not again:
                raise BoxError(
                    "the box is not empty",
                    mend="name a new file with --box, or say --replace: what it holds is replaced, "
                    "and nestcut box undo brings it back",
                    where=self._file.where,
                )
            fresh = con.execute("select count(*) from action").fetchone()[0] == 1
            for table in ("scrap", "paper", "die", "evening"):
                con.execute(f"delete from {table}")
            text.put_export(con, taken_in)
            if fresh:
                # The same box at a new place: plans made from it know it again.
                con.execute("update box set id = ?, made = ?", (taken_in.id, taken_in.made))

    def import_from(self, path: str | os.PathLike[str], *, again: bool = False) -> None:
        """:meth:`import_text` of a file. Raises: BoxError, OutputError."""
        where = Where(file=shown(path))
        data = read_bytes(path, limit_bytes=MOST_EXPORT, kind="an export of a box", error=BoxError)
        export = decode_text(data, where=where, error=BoxError)
        with found_at(where):
            self.import_text(export, again=again)


class _AgainError(Exception):
    """This plan was put back before: the action comes to nothing."""


def _put(
    con: sqlite3.Connection, scraps: Sequence[tuple[str, str, Polygon]], source: str
) -> tuple[Tagged, ...]:
    """Put scraps in: (the id asked for or "", paper, outline) each."""
    taken = rows.tags(con)
    # What has an id of its own must not lose it to one that is given a new one.
    fresh = rows.FreshTags(taken.union(asked for asked, _, _ in scraps))
    since = now_text()
    put = []
    for asked, paper, outline in scraps:
        tag = asked if asked and asked not in taken else fresh.of(paper)
        taken.add(tag)
        rows.put_scrap(con, tag, paper, outline, source, since)
        put.append(Tagged(tag, paper, asked))
    return tuple(put)


def _outline(shape: Polygon | tuple[float, float]) -> Polygon:
    """The outline of a scrap. Raises: BoxError for what no paper can be."""
    if not isinstance(shape, Polygon):
        width, length = (float(side) for side in shape)
        if not (LEAST_SIDE_MM <= width <= MOST_SIDE_MM and LEAST_SIDE_MM <= length <= MOST_SIDE_MM):
            raise BoxError(
                f"{width:g} × {length:g} mm is no size of a scrap",
                mend="give its width and length, as in (148, 105)",
            )
        return rectangle(0.0, 0.0, width, length)
    if shape.is_empty or not shape.is_valid or not shape.area > 0:
        raise BoxError("the outline is no clean polygon", mend="give one whose lines do not cross")
    left, top, right, low = shape.bounds
    if not max(right - left, low - top) <= MOST_SIDE_MM:
        raise BoxError("the outline is longer than 10 m", mend="check its unit: outlines are in mm")
    return shape


def _centred(die: Die) -> Die:
    """The die with the middle of its rim's box at (0, 0)."""
    left, top, right, low = die.rim.bounds
    x, y = (left + right) / 2, (top + low) / 2
    if (x, y) == (0.0, 0.0):
        return die
    moved = [translate(shape, -x, -y) for shape in (die.cut, die.rim, *die.marks)]
    return replace(die, cut=moved[0], rim=moved[1], marks=tuple(moved[2:]))


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")
