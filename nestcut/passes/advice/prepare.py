"""Kernels are compiled on the first run of a machine; that must not eat the time that the person gave.

A tiny batch is planned before the clock starts: it touches every compiled kernel of the pass planner, so they are
compiled (once a machine) or loaded (once a process) then.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

from shapely.geometry import Point, box

from nestcut.arithmetic import buffered
from nestcut.batch.model import Batch, Card, CardLine, Die, Hand, Machine, Paper, Scrap
from nestcut.passes.common.types import Footprint

__all__ = ["prepare"]


def prepare(tell: Callable[[str], None] | None = None, *, load: bool = True) -> None:
    """Compile or load the kernels of the search.

    Args:
        tell: is told "preparing (once)" where they must be compiled first.
        load: also load them where they were compiled before; else each is loaded when it is first called.
    """
    from nestcut.placement.shapes.cache import keep_kernels, tell_if_new

    keep_kernels()
    new = tell_if_new("overlap.search", tell or (lambda _text: None))
    if new or load:
        _planned_once()


@lru_cache(maxsize=1)
def _planned_once() -> None:
    from nestcut.passes.common.schedule import cuts_wanted, run_tasks
    from nestcut.passes.disproofs.relative import EFFORTS, Relative
    from nestcut.passes.disproofs.stacking import Stacker
    from nestcut.passes.drafts.papers_for_passes import draft_runs, papers_for_passes
    from nestcut.passes.makers.one_paper.one_paper import one_paper_a_pass
    from nestcut.passes.parts.straight_cuts import parts_of_straight_cuts
    from nestcut.passes.plate.solve import plan_plate

    # Three discs of 29 mm that can't share a plate of 58 × 58 mm, with a bar that can join some: searches, a
    # stacking proof and laying of chips all get work to do.
    disc, bar = Point(0, 0), box(-10, -2, 10, 2)
    cut, rim = buffered(disc, 13.0, 6), buffered(disc, 14.5, 6)
    dies = (*(Die(f"d{k}", cut, rim) for k in range(3)), Die("bar", bar, buffered(bar, 1.5, 4)))
    batch = Batch(
        title="",
        machine=Machine(plate_mm=(58.0, 58.0), clear_mm=0.0),
        hand=Hand(),
        papers=(Paper("p"),),
        scraps=tuple(Scrap(f"p-{k}", "p", box(0, 0, 90, 60)) for k in range(2)),
        dies=dies,
        cards=(Card("", 1, tuple(CardLine((die.name,), ("p",), 2) for die in dies)),),
    )
    footprints: tuple[Footprint, ...] = ("rims", "hulls")
    for footprint in footprints:
        plate = plan_plate(batch, batch.demand, footprint=footprint, seconds=60.0, work_limit=60)
        tasks, _ = run_tasks(batch, plate.runs, cuts_wanted(batch, plate.shares))
        runs = draft_runs(batch, tasks)
        if runs is not None:
            papers_for_passes(batch, runs)
    one_paper_a_pass(batch)
    # What that batch need not have needed.
    Relative([rim], ["any"], batch.machine.window, 1.0).disprove((0, 0, 0), EFFORTS[0])
    Stacker([rim], ["any"], batch.machine.window, 1.0).disprove((0, 0, 0))
    parts_of_straight_cuts([box(0, 0, 9, 9), box(9, 0, 18, 9)], [1.0, 1.0])
