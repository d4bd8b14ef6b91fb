"""A plan from drafts: names, trims, poses, totals, remnants."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from nestcut.batch.model import Batch, Demand
from nestcut.passes.common.totals import remnants_of, totals_of
from nestcut.passes.drafts.order import layups_used
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PassDraft
from nestcut.passes.drafts.trimming import keep_whole, name_parts
from nestcut.passes.plate.minutes_bound import minutes_bound
from nestcut.plans.model import (
    Bound,
    Cut,
    DemandMet,
    KitPacking,
    Layup,
    PaperOnPlate,
    Pass,
    Plan,
    Share,
    Shortage,
)
from nestcut.units import letters

__all__ = ["assemble"]

NOTHING = "none of the pieces can be cut from the scraps in stock"
"""Why a plan has no passes though something is asked for."""
APART_MM = 0.01
"""Webs and edges wider than this keep cuts surely off each other."""


def assemble(
    batch: Batch,
    demand: Sequence[Demand],
    shares: Sequence[Sequence[Share]],
    papered: PaperedPasses,
    bound: Bound,
    *,
    proof: Mapping[str, Any],
    short: Sequence[Shortage] = (),
    packing: Sequence[KitPacking] = (),
    extras: Mapping[str, Any] | None = None,
    notes: Sequence[str] = (),
) -> Plan:
    """The plan as a value. ``demand`` is what was asked, ``shares`` what each line gets; ``papered`` stays as it is."""
    # Parts are named in place, and drafts share parts.
    papered = PaperedPasses(
        papered.runs,
        [PassDraft(one.run, [copy.copy(use) for use in one.uses]) for one in papered.passes],
        papered.missing,
    )
    keep_whole(batch, papered.runs, papered.passes)
    trims = name_parts(batch, papered.passes)
    used_runs = layups_used(papered.passes)
    names = {run: letters(k).upper() for k, run in enumerate(used_runs)}
    layups = tuple(Layup(names[run], papered.runs[run].task.slots) for run in used_runs)
    passes = []
    for number, draft in enumerate(papered.passes, start=1):
        passes.append(
            Pass(
                number,
                names[draft.run],
                tuple(PaperOnPlate(use.scrap, use.pose) for use in draft.uses),
                tuple(
                    Cut(slot, scrap)
                    for slot, scrap in sorted((slot, use.scrap) for use in draft.uses for slot in use.slots)
                ),
            )
        )
    dies = {die.name: die for die in batch.dies}
    by_id = {layup.id: layup for layup in layups}
    sheets = {scrap.id: scrap.outline for scrap in batch.scraps}
    sheets |= {part: outline for trim in trims for part, outline in trim.into}
    if not passes and any(line.count > 0 for line in demand):
        bound = replace(bound, reason=NOTHING)
    apart = min(batch.hand.web_mm, batch.hand.edge_mm) > APART_MM
    met = [
        DemandMet(
            line.card, line.dies, line.papers, line.count, line.spares,
            sum(share.count for share in line_shares), tuple(line_shares),
        )
        for line, line_shares in zip(demand, shares, strict=True)
    ]  # fmt: skip
    if passes:
        minutes, certificate = minutes_bound(met, dies, batch.hand.seconds, batch.machine, bound.passes)
        bound, proof = replace(bound, minutes=minutes), {**proof, "minutes": certificate}
    return Plan(
        title=batch.title,
        complete=all(line.met == line.count for line in met),
        machine=batch.machine,
        hand=batch.hand,
        papers=batch.papers,
        dies=batch.dies,
        scraps=batch.scraps,
        trims=trims,
        demand=tuple(met),
        layups=layups,
        passes=tuple(passes),
        bound=bound,
        totals=totals_of(batch.machine, batch.hand, dies, by_id, passes, trims, sheets),
        remnants=remnants_of(dies, by_id, passes, sheets, apart=apart),
        short=tuple(short),
        kits=batch.kits,
        cards=batch.cards,
        packing=tuple(packing),
        evening=batch.evening,
        proof=proof,
        extras={**_box(batch), **(extras or {})},
        notes=(*batch.notes, *notes),
    )


def _box(batch: Batch) -> dict[str, Any]:
    """Which box the scraps come from, and as it was when."""
    return {} if batch.box is None else {"box": {"id": batch.box.id, "state": batch.box.state}}
