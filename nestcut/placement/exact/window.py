"""A window of a layout: free what lies in it, keep the rest, and lay the window anew.

Two ways. :meth:`LayoutWindow.push` brings one more piece in and pushes what is free aside until nothing overlaps.
:meth:`LayoutWindow.choose` hands exact candidate places to the OR-Tools model (:mod:`nestcut.placement.exact.model`): those that searches
visited, fillings of the window pushed into corners in several directions, and corners of no-fit regions; the
model takes the most valuable set of places that do not conflict. That is large-neighbourhood search (Shaw
1998) with the placement model as its repair.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nestcut import _stopwatch
from nestcut.arithmetic import dot, lengths_of, sine_cosine
from nestcut.placement.engine.conflicts import meeting_pairs, places_inside
from nestcut.placement.engine.ground import MARGIN_MM, Ground, Rows
from nestcut.placement.exact.model import Wish, choose_places, cliques_of
from nestcut.placement.shapes.types import Part

__all__ = ["LayoutWindow", "WindowLayout", "greedy_choice", "open_window"]

_MOST_PLACES = 1200
"""Places to choose from, at most: the size of the model."""


@dataclass(frozen=True, slots=True)
class WindowLayout:
    """What a window came to: the whole layout's kinds and poses."""

    kind: NDArray[np.int64]
    rows: Rows


@dataclass(frozen=True, slots=True)
class LayoutWindow:
    """The part of a layout that lies around a place."""

    ground: Ground
    kind: NDArray[np.int64]
    rows: Rows
    """The whole layout."""
    inside: NDArray[np.int64]
    """Numbers of the items that are free."""
    near: NDArray[np.int64]
    """Numbers of the items around them that stay, as far as they can matter."""
    box: NDArray[np.float64]
    """Where middles of free items may lie: x0, y0, x1, y1."""

    # ---- squeezing one more in

    def push(
        self, extra: int, at: NDArray[np.float64], *, moves: int, seed: int
    ) -> tuple[WindowLayout | None, int]:
        """One more item of kind ``extra`` at pose ``at``; what is free moves aside.

        Returns: the new layout, nearly checked (see :meth:`Ground.exact_rows`), or None; moves used.
        """
        ground = self.ground
        kind = np.concatenate((self.kind[self.near], self.kind[self.inside], [extra]))
        rows = np.concatenate((self.rows[self.near], self.rows[self.inside], at[None, :]))
        mobile = np.arange(len(kind)) >= len(self.near)
        state = np.array([(seed * 0x9E3779B97F4A7C15 + 0x5851F42D4C957F2D) % 2**64], np.uint64)
        done = 0
        stages = [(ground.rough, ground.goal), (ground.true, 0.5 * MARGIN_MM)]
        if ground.rough is ground.true:
            stages = stages[1:]
        for number, (now, goal) in enumerate(stages):
            best, over = rows.copy(), np.full(1, 1e300)
            limit = moves if number == 0 else max(12, moves // 2)
            used, top = self._pushed(now, kind, rows, mobile, limit, goal, state, best, over)
            done += used
            if top > goal:
                if number < len(stages) - 1 or over[0] > 0.1:
                    return None, done
                rows = best
        settled = ground.exact_rows(kind, rows, mobile)
        if settled is None:
            return None, done
        stay = np.ones(len(self.kind), bool)
        stay[self.inside] = False
        m = len(self.near)
        return (
            WindowLayout(
                np.concatenate((self.kind[stay], kind[m:])), np.concatenate((self.rows[stay], settled[m:]))
            ),
            done,
        )

    def _pushed(self, kit, kind, rows, mobile, moves, goal, state, best, over) -> tuple[int, float]:  # type: ignore[no-untyped-def]
        from nestcut.placement.engine.settle import World
        from nestcut.placement.exact.window_kernels import push_window

        n = len(kind)
        return push_window(
            kit.arrays, kind, rows, mobile, np.ones((n, n + 1)), *World(kit, kind).all, moves, 40, goal, 7,
            state, self.box, best, over,
        )  # fmt: skip

    # ---- choosing among places

    def fillings(
        self,
        kinds: Sequence[NDArray[np.int64]],
        *,
        seed: int,
        rng: np.random.Generator,
        over: Callable[[], bool],
        keep: float = 0.0,
    ) -> tuple[NDArray[np.int64], Rows]:
        """Places from greedy fillings of the window, one for each sequence of kinds to try.

        Args:
            keep: share of the free items that stay where they are in a filling (at random), so that new
                places touch old ones.
        """
        from nestcut.placement.engine.settle import World
        from nestcut.placement.exact.window_kernels import fill_window

        kit = self.ground.true
        found_kind, found_rows = [], []
        state = np.array([(seed * 0x9E3779B97F4A7C15 + 0x5851F42D4C957F2D) % 2**64], np.uint64)
        for sequence in kinds:
            if over():
                break
            kept = self.inside[rng.random(len(self.inside)) < keep]
            fixed = np.concatenate((self.near, kept))
            kind = np.concatenate((self.kind[fixed], sequence)).astype(np.int64)
            rows = np.zeros((len(kind), 3))
            rows[: len(fixed)] = self.rows[fixed]
            order = np.arange(len(fixed), len(kind))
            rows[order, 0] = 1e7 * (1 + np.arange(len(order)))
            n = len(kind)
            angle = rng.uniform(0, 2 * np.pi)
            placed = fill_window(
                kit.arrays, kind, rows, order, np.ones((n, n + 1)), *World(kit, kind).all, 40,
                *sine_cosine(angle)[::-1], state, self.box, 0.45 * MARGIN_MM, 2,
            )  # fmt: skip
            found_kind.append(sequence[placed])
            found_rows.append(rows[order[placed]])
        if not found_kind:
            return np.empty(0, np.int64), np.empty((0, 3))
        return np.concatenate(found_kind), np.concatenate(found_rows)

    def choose(
        self,
        kind: NDArray[np.int64],
        rows: Rows,
        wish: Wish,
        *,
        seconds: float,
        seed: int = 0,
        steps: int | None = None,
        lean: NDArray[np.float64] | None = None,
        stop: Callable[[], bool] | None = None,
    ) -> WindowLayout | None:
        """The best set of places for the window, among those given and those in use.

        Args:
            kind, rows: candidate places.
            wish: what counts; its ``kept`` is set to what lies outside the window.
            lean: a direction (x, y); among equally good choices the one that lies farthest that way wins,
                which gathers the free paper on the other side.
        Returns: the whole layout, or None when no choice was found.
        """
        ground = self.ground
        began = _stopwatch.seconds()
        own = len(self.inside)
        kind = np.concatenate((self.kind[self.inside], kind)).astype(np.int64)
        rows = np.concatenate((self.rows[self.inside], rows))
        good = places_inside(ground.exact, kind, rows)
        good[own:] &= _unlike(kind, rows, ground.reach)[own:]
        good[:own] = True
        order = np.flatnonzero(good)[:_MOST_PLACES]
        kind, rows = kind[order], rows[order]
        m = len(self.near)
        pairs = meeting_pairs(
            ground.exact, ground.inner, np.concatenate((self.kind[self.near], kind)),
            np.concatenate((self.rows[self.near], rows)),
        )  # fmt: skip
        blocked = np.zeros(len(kind), bool)
        mixed = (pairs[:, 0] < m) & (pairs[:, 1] >= m)
        blocked[pairs[mixed, 1] - m] = True
        blocked[:own] = False
        pairs = pairs[pairs[:, 0] >= m] - m
        free = np.flatnonzero(~blocked)
        number = np.full(len(kind), -1)
        number[free] = np.arange(len(free))
        # what is in use is a layout, whatever rounding says
        pairs = pairs[(pairs[:, 1] >= own) & ~blocked[pairs].any(axis=1)]
        pairs = number[pairs]
        kind, rows = kind[free], rows[free]
        if seconds - (_stopwatch.seconds() - began) < 0.05 and steps is None:
            return None
        stay = np.ones(len(self.kind), bool)
        stay[self.inside] = False
        kept = np.bincount(self.kind[stay], minlength=len(ground.parts))
        gain = None
        if lean is not None and len(kind):
            far = dot(rows, *lean)
            gain = np.round(100 * (far - far.min()) / max(float(np.ptp(far)), 1e-9)).astype(int)
        wish = wish.with_kept(kept)
        hint = list(range(own)) if own else greedy_choice(ground.parts, kind, pairs, wish)
        picked, _ = choose_places(
            ground.parts,
            kind,
            cliques_of(len(kind), pairs),
            seconds=max(0.05, seconds - (_stopwatch.seconds() - began)),
            steps=steps,
            seed=seed,
            hint=hint,
            wish=wish,
            lean=gain,
            stop=stop,
        )
        picked = picked or hint  # where the time was too short even for what was given
        if not picked:
            return None
        return WindowLayout(
            np.concatenate((self.kind[stay], kind[picked])), np.concatenate((self.rows[stay], rows[picked]))
        )


def open_window(
    ground: Ground, kind: NDArray[np.int64], rows: Rows, centre: NDArray[np.float64], count: int
) -> LayoutWindow:
    """The window with the ``count`` items nearest to a place."""
    far = lengths_of(rows[:, :2] - centre)
    order = np.argsort(far, kind="stable")
    inside = np.sort(order[:count])
    reach = ground.reach
    radius = float(far[inside].max()) if len(inside) else 0.0
    radius = max(radius, float(reach.max()))
    x0, y0, x1, y1 = ground.region.bounds
    box = np.array([
        max(x0, centre[0] - radius), max(y0, centre[1] - radius),
        min(x1, centre[0] + radius), min(y1, centre[1] + radius),
    ])  # fmt: skip
    outside = np.ones(len(kind), bool)
    outside[inside] = False
    # free items may go as far as the corners of the box
    close = far < radius * 1.4143 + reach[kind] + float(reach.max()) + ground.gap_mm
    return LayoutWindow(ground, kind, rows, inside, np.flatnonzero(outside & close), box)


def greedy_choice(
    parts: Sequence[Part], kind: NDArray[np.int64], pairs: NDArray[np.int64], wish: Wish
) -> list[int]:
    """Places taken one by one, each time the one that shuts out the fewest others: something to begin with.

    In proportions the part that is furthest behind has its turn; else the one with the most value.
    """
    n = len(kind)
    meets = np.zeros((n, n), bool)
    meets[pairs[:, 0], pairs[:, 1]] = True
    meets |= meets.T
    shares = wish.proportions or (1,) * len(parts)
    left = np.array([n if part.most is None else part.most for part in parts])
    counts = np.zeros(len(parts), int)
    free = np.ones(n, bool)
    shut = meets.sum(axis=1).astype(float)
    value = np.array([part.value for part in parts])
    picked: list[int] = []
    while True:
        can = [k for k in range(len(parts)) if shares[k] > 0 and left[k] > 0]
        if wish.proportions is not None:
            can = sorted(can, key=lambda k: counts[k] / shares[k])[:1]
        open_ = np.flatnonzero(free & np.isin(kind, can))
        if len(open_) == 0:
            return picked
        best = int(open_[np.argmin((shut[open_] + 1) / np.maximum(value[kind[open_]], 1e-9))])
        picked.append(best)
        counts[kind[best]] += 1
        left[kind[best]] -= 1
        gone = free & meets[best]
        gone[best] = True
        free &= ~gone
        shut -= meets[:, gone].sum(axis=1)


def _unlike(kind: NDArray[np.int64], rows: Rows, reach: NDArray[np.float64]) -> NDArray[np.bool_]:
    """True for the first of several places that are the same within a hundredth of a millimetre."""
    turn = 2 * np.pi
    key = np.column_stack((
        kind, np.round(rows[:, :2] * 100), np.round((rows[:, 2] % turn) * 100 * reach[kind])
    ))  # fmt: skip
    first = np.unique(key, axis=0, return_index=True)[1]
    good = np.zeros(len(kind), bool)
    good[first] = True
    return good
