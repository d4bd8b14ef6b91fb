"""Passes over whole scraps, or large parts of them: each end of the plate pulls scrap after scrap until it is full.

Lay-ups and what each die cuts come from :mod:`nestcut.passes.makers.ends.sharing`, their rows from :mod:`nestcut.passes.makers.ends.rows`, the way
of one scrap under one end from :mod:`nestcut.passes.makers.ends.benches`. Here scraps are chosen: the one that gives most for its passes,
its trims and its paper comes next. The two ends then work side by side; a scrap that one end is done with is a
scrap for the other.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nestcut.batch.model import Batch
from nestcut.batch.turns import turns_on
from nestcut.hands import rough_pass_s, rough_trim_s
from nestcut.passes.common.budget import ENDLESS, Budget
from nestcut.passes.common.plate_rules import leaves_half_free, window_size
from nestcut.passes.common.schedule import urgency
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PassDraft, RunDraft, bare_run
from nestcut.passes.drafts.row_items import lying
from nestcut.passes.makers.ends.benches import Bench, Pull, Workshop
from nestcut.passes.makers.ends.opened_scraps import OpenedScraps, Source
from nestcut.passes.makers.ends.pairing import Queue, pairs, side_by_side
from nestcut.passes.makers.ends.rows import EndRows, end_rows
from nestcut.passes.makers.ends.sharing import (
    EndMeasures,
    Key,
    Member,
    Shared,
    cuts_of_dies,
    loads,
    share_out,
)
from nestcut.passes.parts.chips import sites_of

__all__ = ["EndWay", "by_ends"]

ROUNDS = 4
"""How often what found no paper is shared out anew, in further lay-ups."""
FULL = (0.9, 0.82, 0.75, 0.66, 0.55, 0.4)
"""How much of the plate boxes may fill: less where rows did not go on it."""
MORE_LAYUPS = 3
"""So many lay-ups are tried, one more each time, where dies do not go on fewer plates."""
FAVOUR = 3.0
"""Cuts of favoured dies are worth so many times those of others."""
ROOMY = 1.3
"""Rows are so much longer than all dies together."""
MOST_PULLS = 12
"""Pulls of a scrap that are foreseen at once."""
LEVELS = 4
"""What a die still has to cut is looked at in so many steps: scraps that are alike then take the same way."""
LAZY = 1.15
"""A scrap is looked at again where it may be worth so many times what it was worth before."""
ATTEMPTS = ((0.25, False), (0.5, False), (1.0, False), (1.0, True))
"""(how much a pass counts of the end that has less to do, whether it keeps off the other's scraps): the first with which
it does not become the slower one."""
ALIKE = 3
"""Equal scraps take the same way until one in so many of those that could is used up."""


@dataclass(frozen=True, slots=True)
class EndWay:
    """How such a plan is sought."""

    narrow: bool
    """Dies lie with their shorter side across, otherwise along the feed."""
    feed_turn_deg: float
    """0 or 90: the turn of dies that cut paper with a direction."""
    layups: int
    rows: float
    """Rows of dies at each end, about; more where so many lay-ups do not hold all dies."""
    paper_price: float = 1.0
    """How much paper counts, as a factor."""
    favoured: frozenset[str] = frozenset()
    """Dies that found too little paper before: they come first, and their cuts are worth more."""


def by_ends(
    batch: Batch,
    shop: Workshop,
    way: EndWay,
    budget: Budget = ENDLESS,
    *,
    work: float,
    asked: Sequence[int] | None = None,
) -> tuple[PaperedPasses, list[Counter[Key]]] | None:
    """Passes, and the pieces of each line by die and paper; what found no paper is missing. None where dies don't fit.

    Args:
        shop: what is known of dies and scraps, kept from one try to the next.
        budget: asked before every sharing out and every scrap; once it is over, the rest is missing.
        work: most for each sharing out, in OR-Tools' own measure.
        asked: pieces of each line, where that is not all of the demand.
    """
    table = OpenedScraps(batch)
    measures = _measures(batch, table, way)
    if measures is None:
        return None
    left = list(asked) if asked is not None else [line.count for line in batch.demand]
    met: list[Counter[Key]] = [Counter() for _ in left]
    runs: list[RunDraft] = []
    passes: list[PassDraft] = []
    barred: set[Key] = set()
    for number in range(ROUNDS):
        found = _laid_out(batch, measures, way, left, barred, number, work, budget)
        if found is None:
            break
        shared, rows = found
        before = len(passes)
        lost: Counter[Key] = Counter()
        # Scraps that hold a large die go to it before others cut them up.
        both = sorted(
            zip(shared.layups, rows, strict=True),
            key=lambda one: -max(cuts_of_dies(end, way.favoured) for end in one[0]),
        )
        for layup, laid in both:
            run = len(runs)
            table, queues = _both_ends(batch, table, shop, layup, laid, way, lost, budget)
            made = side_by_side(run, queues)
            passes += made
            runs.append(bare_run(batch, laid.slots, len(made)))
        _take_off(batch, shared, lost, left, met)
        barred |= set(lost)
        if not any(left) or budget.over() or len(passes) == before:
            break
    missing: Counter[Key] = Counter()
    if any(left):
        # What is left is said to be missing as it would be shared out next.
        final = share_out(
            batch, left, measures, budget, work=work, layups=1, full=math.inf, barred=barred, row=False
        )
        if final is None:
            return None
        for own, more in zip(met, final.lines, strict=True):
            own.update(more)
        missing = _missing(batch, runs, passes, met)
    return PaperedPasses(runs, passes, missing), met


def _measures(batch: Batch, table: OpenedScraps, way: EndWay) -> EndMeasures | None:
    """What sharing out has to know of dies and papers; None where a die fits in no way."""
    widths = {}
    for die in batch.dies:
        papers = {paper for line in batch.demand if die.name in line.dies for paper in line.papers}
        own = sorted(paper for paper in papers if turns_on(die, batch.paper(paper)))
        lies = lying(batch, die, own, narrow=way.narrow, feed_turn_deg=way.feed_turn_deg)
        if lies is not None:
            # The rim's box and a gap: a cut and its web take about as much.
            widths[die.name] = lies[1][2] - lies[1][0] + batch.hand.gap_mm
        elif own:
            return None
    across, long_mm = _usual_sizes(batch, table)
    across_mm, _ = window_size(batch.machine)
    all_mm = sum(widths.get(die.name, 0.0) * die.copies for die in batch.dies)
    rows = max(way.rows, ROOMY * all_mm / (2 * way.layups * across_mm))
    return EndMeasures(widths, rows * across_mm + batch.hand.web_mm, across, long_mm)


def _usual_sizes(batch: Batch, table: OpenedScraps) -> tuple[dict[str, float], float]:
    """How wide the scraps of each paper lie on the plate, less their edges, and how long those of all do: by area, mm."""
    width = batch.machine.plate_mm[0]
    wide: dict[str, float] = defaultdict(float)
    areas: dict[str, float] = defaultdict(float)
    long = 0.0
    for key, scraps in table.fresh.items():
        x0, y0, x1, y1 = scraps[0].outline.bounds
        nx, ny = table.patterns[key][0] if table.patterns[key] else (1, 1)
        sides = ((x1 - x0) / nx, (y1 - y0) / ny)
        fits = [(w, h) for w, h in (sides, sides[::-1]) if leaves_half_free(batch.machine, (w, h))]
        w, h = max(fits, default=(width, 0.0))
        area = scraps[0].outline.area * len(scraps)
        wide[key[0]] += w * area
        areas[key[0]] += area
        long += h * area
    across = {
        paper.name: (wide[paper.name] / areas[paper.name] if areas[paper.name] else width)
        - 2 * batch.hand.edge_mm
        for paper in batch.papers
    }
    return across, long / max(1.0, sum(areas.values()))


def _laid_out(
    batch: Batch,
    measures: EndMeasures,
    way: EndWay,
    left: Sequence[int],
    barred: set[Key],
    number: int,
    work: float,
    budget: Budget,
) -> tuple[Shared, list[EndRows]] | None:
    """What is left, shared out, and its rows; None where it goes on no plate."""
    for more, full in itertools.product(range(MORE_LAYUPS), FULL):
        if budget.over():
            return None
        shared = share_out(
            batch,
            left,
            measures,
            budget,
            work=work,
            layups=way.layups + number + more,
            full=full,
            barred=barred,
        )
        if shared is None:
            continue
        rows = [
            end_rows(
                batch,
                layup,
                narrow=way.narrow,
                feed_turn_deg=way.feed_turn_deg,
                across=measures.across,
                long_mm=measures.long_mm,
                seed=budget.seed + number,
            )
            for layup in shared.layups
        ]
        fitting = [one for one in rows if one is not None]
        if len(fitting) == len(rows):
            return shared, fitting
    return None


def _both_ends(
    batch: Batch,
    table: OpenedScraps,
    shop: Workshop,
    layup: tuple[tuple[Member, ...], tuple[Member, ...]],
    laid: EndRows,
    way: EndWay,
    lost: Counter[Key],
    budget: Budget,
) -> tuple[OpenedScraps, list[Queue]]:
    """The pulls of both ends, the busier one first, and the table after them; what finds no paper is added to ``lost``."""
    sites = sites_of(batch, laid.slots)
    _, top, _, bottom = batch.machine.paper_field.bounds
    queues: list[Queue] = [[], []]
    for turn, end in enumerate(
        sorted((0, 1), key=lambda end: (-cuts_of_dies(layup[end], way.favoured), -loads(layup[end])))
    ):
        low, high = (top, laid.second_start_mm) if end == 0 else (laid.first_stop_mm, bottom)
        bench = Bench(shop.next_number(), sites, laid.ends[end], low, high, end == 0)
        wanted: dict[str, Counter[str]] = defaultdict(Counter)
        for member in layup[end]:
            for paper, count in member.cuts.items():
                wanted[paper][member.die.name] += count
        begun = table
        best: tuple[int, OpenedScraps, Counter[Key], Queue] | None = None
        for pass_weight, apart in ATTEMPTS if turn else ATTEMPTS[-1:]:
            table, short = begun.copy(), Counter[Key]()
            aside = table.without({id(piece) for piece, _ in queues[1 - end]}) if apart else {}
            # A try that spares the end with less to do ends where it would become the slower one.
            most = len(queues[1 - end]) if pass_weight < 1.0 else math.inf
            own = _worked(batch, table, shop, bench, wanted, short, pass_weight, way, most, budget)
            table.put_back(aside)
            queues[end] = own
            passes = len(pairs(queues)) + sum(short.values())
            if best is None or passes < best[0]:
                best = (passes, table, short, own)
            if passes <= len(queues[1 - end]):
                break
        assert best is not None
        _, table, short, queues[end] = best
        lost.update(short)
    return table, queues


def _worked(
    batch: Batch,
    table: OpenedScraps,
    shop: Workshop,
    bench: Bench,
    wanted: Mapping[str, Counter[str]],
    lost: Counter[Key],
    pass_weight: float,
    way: EndWay,
    most: float,
    budget: Budget,
) -> Queue:
    """Scrap after scrap under one end, paper after paper.

    Args:
        wanted: paper → die → cuts.
        pass_weight: what a pass of this end counts, in passes.
        most: pulls above which it is given up.
    """
    a_pass_s = rough_pass_s(batch.hand.seconds)
    queue: Queue = []
    known = bench.known
    copies = Counter(bench.sites[slot].die.name for slot in bench.slots)
    for paper in sorted(wanted, key=lambda p: (-max(wanted[p].values()), p)):
        left = Counter(wanted[paper])
        costs = (
            pass_weight * a_pass_s,
            rough_trim_s(batch.hand.seconds),
            way.paper_price * _worth_of_paper(batch, table, paper) * a_pass_s,
        )
        worth: dict[object, float] = {}
        while +left and len(queue) <= most and not budget.over():
            busiest = max(left[die] / copies[die] for die in left)
            weights = {
                die: float(urgency(math.ceil(LEVELS * left[die] / copies[die] / busiest) / LEVELS, 1.0))
                * (FAVOUR if die in way.favoured else 1.0)
                for die in +left
            }
            few = {die: _roughly(min(count, MOST_PULLS * copies[die])) for die, count in (+left).items()}
            best: tuple[float, Source, list[Pull]] | None = None
            # What a scrap is worth hardly grows: those that were worth little are not looked at again.
            for source in sorted(
                table.sources(paper), key=lambda one: -worth.get((one.state, one.trims), math.inf)
            ):
                if best and LAZY * worth.get((source.state, source.trims), math.inf) < best[0]:
                    break
                key = (paper, source.state, tuple(sorted(weights.items())), tuple(sorted(few.items())))
                if key not in known:
                    known[key] = shop.pulls(
                        bench, paper, source.outline, source.state[2], few, weights, MOST_PULLS
                    )
                rated, first = _rated(bench, known[key], weights, source, costs)
                worth[source.state, source.trims] = rated
                if first and (best is None or rated > best[0] + 1e-9):
                    best = (rated, source, known[key][:first])
            if best is None:
                break
            _, source, pulls = best
            takes = Counter(bench.sites[slot].die.name for pull in pulls for slot in pull.slots)
            alike = min(source.count, *(left[die] // count for die, count in takes.items()))
            for _ in range(max(1, min(source.count, alike // ALIKE))):
                piece = source.take()
                queue += [(piece, pull) for pull in pulls]
                table.put(piece, (*source.state[2], *(cut for pull in pulls for cut in pull.made)))
                left -= takes
        lost.update({(die, paper): count for die, count in (+left).items()})
    return queue


def _roughly(count: int) -> int:
    """Cuts that are foreseen for one scrap: in steps, so that pulls need not be sought for every count anew."""
    return count if count < 4 else count // 4 * 4


def _worth_of_paper(batch: Batch, table: OpenedScraps, paper: str) -> float:
    """Passes that a mm² of a paper is worth: the dearer, the more of what is left is needed.

    Where all of it is needed, a sheet costs half as many passes as it has room for cuts.
    """
    stock = sum(
        scrap.outline.area for (name, _), scraps in table.fresh.items() if name == paper for scrap in scraps
    )
    lines = [line for line in batch.demand if paper in line.papers]
    need = sum(
        line.count * min(batch.die(die).cut.area for die in line.dies) / len(line.papers) for line in lines
    )
    sizes = [batch.die(die).cut.area for line in lines for die in line.dies]
    return (need / max(1.0, stock)) * (need / max(1.0, stock)) / (2.0 * sum(sizes) / len(sizes))


def _rated(
    bench: Bench,
    pulls: Sequence[Pull],
    weights: Mapping[str, float],
    source: Source,
    costs: tuple[float, float, float],
) -> tuple[float, int]:
    """What the first pulls are worth for their cost at best, and how many those are.

    Args:
        costs: of a pass, a trim and a mm² of fresh paper.
    """
    best, first, worth = 0.0, 0, 0.0
    for number, pull in enumerate(pulls, start=1):
        worth += sum(weights[bench.sites[slot].die.name] for slot in pull.slots)
        cost = costs[0] * number + costs[1] * source.trims + costs[2] * source.area_mm2
        if worth / cost > best + 1e-9:
            best, first = worth / cost, number
    return best, first


def _take_off(
    batch: Batch, shared: Shared, lost: Counter[Key], left: list[int], met: list[Counter[Key]]
) -> None:
    """What was cut is met (in place): lines are served in order, what was lost falls to the last of them."""
    gone = Counter({key: count * batch.die(key[0]).pieces for key, count in lost.items()})
    for number in reversed(range(len(left))):
        for key, count in shared.lines[number].items():
            short = min(count, gone[key])
            gone[key] -= short
            if count > short:
                met[number][key] += count - short
                left[number] -= count - short


def _missing(
    batch: Batch, runs: Sequence[RunDraft], passes: Sequence[PassDraft], met: Sequence[Counter[Key]]
) -> Counter[Key]:
    """Cuts that are given out and not made."""
    pieces: Counter[Key] = Counter()
    for own in met:
        pieces.update(own)
    cut = Counter(
        (runs[one.run].sites[slot].die.name, use.paper)
        for one in passes
        for use in one.uses
        for slot in use.slots
    )
    return +Counter({key: -(-count // batch.die(key[0]).pieces) - cut[key] for key, count in pieces.items()})
