"""The table of steps: which makers are asked, in what order, for how long, on what condition, and why.

A new way to make a plan is a class with the two methods of :class:`~nestcut.passes.makers.door.Maker` and a row here.
"""

from __future__ import annotations

from nestcut.passes.common.budget import Budget
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.drafts.ranking import Draft, better
from nestcut.passes.makers.board import Goal, LayUps, Step
from nestcut.passes.makers.chips.papering import Chips, SqueezedChips
from nestcut.passes.makers.door import Ask
from nestcut.passes.makers.mixed.low_trim import Ends, WholeScraps, handling_matters, minutes_first
from nestcut.passes.makers.nests.nesting import Nests
from nestcut.passes.makers.nests.repack import Repacked
from nestcut.passes.makers.rows.maker import InRows
from nestcut.passes.makers.scarce.fallback import OnePaper
from nestcut.passes.makers.scarce.scarce import Scarce
from nestcut.passes.makers.strips.strip_drafts import Strips

__all__ = ["GOALS"]

ABOVE = 1.1
"""Passes by their bound from which a whole plan is not good enough."""
NESTED_MISSING = 0.2
"""Where more of the cuts find no paper, no way of laying them mends it."""
ANOTHER_WAY = 0.11
"""Share of the time that must be left for other lay-ups to be begun."""
HANDIER, HANDIEST = 0.7, 0.8
"""Share of the time left that plans with few trims may take, and the same where no others are wanted."""
BESIDE_MINUTES = 0.25
"""Share of the time for plans in few passes where minutes come first."""
ROWS = 0.8
"""Share of the time left for colours in rows."""
GLANCE_S = 4.0
"""Most seconds for them where the person's wishes come first to fewest passes: there they are only to choose from."""
GLANCE_PASSES = 10_000
"""With more passes even a glance takes longer than that."""


def wanting(ask: Ask) -> bool:
    """Cuts are missing, or all are made but in many passes: others may do with what misses a few."""
    if ask.best is None or ask.bound is None or ask.best_short() is None:
        return False
    return bool(ask.missing) or ask.best.passes > ABOVE * ask.bound.bound


def nearly_enough(ask: Ask) -> bool:
    """The same, and paper is short by so little that laying it more densely may mend it."""
    short = ask.best_short()
    if short is None or not wanting(ask):
        return False
    return short.missing <= NESTED_MISSING * sum(cuts_wanted(ask.batch, short.shares).values())


def matters_or_glance(ask: Ask) -> bool:
    """Scraps as they are serve the person's wishes, or a glance at them gives something to choose from."""
    if ask.best is None:
        return False
    glance = ask.advise and ask.best.passes <= GLANCE_PASSES
    return not ask.trims.allowed or (not ask.missing and (handling_matters(ask.batch) or glance))


def passes_share(ask: Ask, budget: Budget) -> float:
    """Share of the time for plans in few passes: where minutes come first, they are a draft like others."""
    return BESIDE_MINUTES if minutes_first(ask.batch) else 1.0


def handling_share(ask: Ask, budget: Budget) -> float:
    """Share of the time left for plans that are light on the hands."""
    if minutes_first(ask.batch):
        return 1.0
    if not ask.trims.allowed:
        return HANDIEST
    if handling_matters(ask.batch):
        return HANDIER
    return min(HANDIER, GLANCE_S / max(1.0, budget.left()))


def some_unmet(ask: Ask) -> bool:
    """The best draft does not give all that is asked for."""
    return ask.best is None or bool(ask.missing) or ask.unmet(ask.best) > 0


def more_pieces(ask: Ask, draft: Draft) -> bool:
    """A draft without missing cuts that gives more pieces."""
    best = ask.best
    return best is None or (bool(draft.missing), ask.unmet(draft)) < (bool(best.missing), ask.unmet(best))


HULLS = LayUps("hulls", share=0.35)
BOXES = LayUps("chips", share=0.35)
SQUARE = LayUps("hulls", share=0.3, square=True)
RIMS = LayUps("rims", share=0.3)

FEW_PASSES = Goal(
    "few passes",
    when=lambda ask: True,
    share=passes_share,
    rather=lambda ask, draft: ask.best is None or better(ask.batch, draft, ask.best),
    openings=True,
    steps=(
        Step(
            "lanes and strips",
            Strips(),
            "far fewer trims than chips, and hulls lie apart so that papers separate",
            when=lambda ask: ask.trims.any_shape,
            lay_ups=HULLS,
            needs=None,
        ),
        Step(
            "lanes and strips",
            Strips(),
            "the same for straight cuts, which leave boxes",
            when=lambda ask: ask.trims.straight_only,
            lay_ups=BOXES,
            needs=None,
        ),
        Step(
            "papers laid",
            Chips(),
            "strips lie square to the feed: chips where they miss some, take more passes or are too hard to crank",
            when=lambda ask: not ask.trims.straight_only,
            lay_ups=HULLS,
            needs=None,
        ),
        Step(
            "papers laid",
            Chips(),
            "the same for straight cuts",
            when=lambda ask: ask.trims.straight_only,
            lay_ups=BOXES,
            needs=None,
        ),
        Step(
            "papers laid",
            Chips(),
            "square dies suit small scraps",
            when=lambda ask: (
                ask.trims.any_shape and ask.bound is not None and (ask.best is None or bool(ask.missing))
            ),
            lay_ups=SQUARE,
            needs=ANOTHER_WAY,
        ),
        Step(
            "papers laid",
            Chips(),
            "bare rims save passes where hulls cost some",
            when=lambda ask: ask.trims.any_shape and not ask.missing and not ask.closed,
            lay_ups=RIMS,
            needs=ANOTHER_WAY,
        ),
        Step(
            "squeezing parts together",
            SqueezedChips(),
            "takes time: only on the lay-ups that get along best with these scraps",
            when=wanting,
        ),
        Step(
            "pushing cuts together",
            Repacked(),
            "cuts of one scrap need a web between them, parts two edges: what is missing may find room",
            when=nearly_enough,
            share=0.7,
        ),
        Step(
            "nesting scraps",
            Nests(),
            "the densest way to cut a scrap, in more passes and lay-ups",
            when=lambda ask: not ask.closed,
            after=Repacked,
        ),
    ),
)

LIGHT_ON_HANDS = Goal(
    "light on the hands",
    when=matters_or_glance,
    share=handling_share,
    rather=None,
    steps=(
        Step(
            "colours in rows",
            InRows(),
            "each colour pulls its scraps on under a row of its own dies: least to do for hands, often in the fewest passes, too",
            when=lambda ask: minutes_first(ask.batch),
            share=ROWS,
        ),
        Step(
            "scraps laid as they are",
            Ends(begin_short=0.55, begin=0.65, end=0.8),
            "each end of the plate pulls its own scraps on: fewest trims for few passes, as a rule",
        ),
        Step(
            "scraps laid as they are",
            WholeScraps(),
            "scraps anywhere on the plate: where paper is short they may do better",
        ),
        Step(
            "scraps laid as they are",
            Ends(begin_short=1.0, begin=1.0, end=1.0),
            "what is left of the time, for the lay-ups that the first step did not come to",
        ),
    ),
)

MOST_PIECES = Goal(
    "most pieces",
    when=some_unmet,
    share=lambda ask, budget: 1.0,
    rather=more_pieces,
    bounded=False,
    steps=(
        Step(
            "paper is short: keeping whole kits",
            Scarce(),
            "the best draft cut back to whole kits, then as many further pieces as the paper gives",
            needs=None,
        ),
        Step(
            "one paper a pass",
            OnePaper(),
            "what people do by hand: no plan gives fewer pieces than that, and there is always one",
            when=some_unmet,
            needs=None,
        ),
    ),
)

GOALS = (FEW_PASSES, LIGHT_ON_HANDS, MOST_PIECES)
