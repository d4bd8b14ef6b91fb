"""The moves of a filling: choices of the OR-Tools model, one more piece squeezed in."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nestcut import _stopwatch
from nestcut.arithmetic import sine_cosine
from nestcut.placement.fill.sowing import Sowing
from nestcut.placement.shapes.types import Placed

__all__ = ["Growth", "moves_alone"]

_PATIENCE = 14  # moves without a better layout before another start is taken
_FEW = 14  # pieces up to which a search by long jumps is affordable
_MOST_TURNS = 4
_CHOICE_SECONDS = 0.6
_CHOICE_STEPS = 12
_GLANCE, _ALONE, _HOPELESS = 0.05, 0.65, 0.9
"""For a mix: shares of the time for patterns of each kind, and for kinds by themselves; below this share of the most promising, growth hardly makes it up."""


def moves_alone(moves_limit: int, kinds: int) -> int:
    """Of the moves for a mix by value, those that each of its kinds gets for itself."""
    return int(_ALONE * moves_limit / kinds)


class Growth(Sowing):
    """Fills a region by turns: whatever has brought most per second so far is tried most."""

    # ---- the work

    def work(self) -> None:
        """Grid model, patterns, choice, growth, until the time is over."""
        task = self.task
        if task.room.is_empty or not self.parts or self.bound <= 0:
            return
        if task.start:
            self.offer(task.start)
        if self._on_grid() or self.over():
            return
        from nestcut.placement.engine.ground import Ground

        self.useful = self._useful()
        if not self.useful:
            return
        self.ground = Ground(self.parts, task.room, task.web_mm, task.obstacles)
        self.kind = np.empty(0, np.int64)
        self.rows = np.empty((0, 3))
        self.visited_kind = np.empty(0, np.int64)
        self.visited_rows = np.empty((0, 3))
        for k in self.useful:
            self._lay_rows(k)
        if self.over_early():
            return
        if self.best:
            self._back()  # what was given, what the models of places found, or rows
        mixed = len(self.useful) > 1 and self.share is None and not any(p.least > 0 for p in self.parts)
        for number, k in enumerate(self.useful):
            # By value, the kinds that promise most look for patterns of their own later, for longer.
            share = _GLANCE if mixed else min(0.2 * len(self.useful), 0.4) / len(self.useful)
            self._lay_patterns(k, share * task.seconds * (number + 1))
            if self.over_early():
                return
        # however busy the machine: never without a layout where there is a pattern
        if not self.best or (len(self.useful) > 1 and not self.over()):
            self._choose_all()
        if mixed:
            self._best_alone()
        self._grow()

    def _best_alone(self) -> None:
        """Fill with each kind by itself, the most promising first, and go on from the best if that is worth more.

        What one kind reaches alone (patterns pressed, all of the growth for it) a mixed search often misses: a
        mix would then be worth less than no mix. By moves, a kind gets the same whatever the others do, and none
        is left out but by proof, so that the mix is worth no less than any kind alone with :func:`moves_alone`.
        By the clock, kinds that are far behind are left out.
        """
        worth = {k: self.parts[k].value * self.held.get(k, 0) for k in self.useful}
        top = max(self.value, *worth.values())
        # A kind far behind would not catch up by growing; where few lie, one more is much.
        more = {k: worth[k] / _HOPELESS + self.parts[k].value for k in self.useful}
        limit = self.task.moves_limit
        kinds = sorted(
            (k for k in self.useful if limit is not None or more[k] >= top), key=lambda k: -worth[k]
        )
        for number, k in enumerate(kinds):
            share = _ALONE / (len(kinds) - number * _ALONE)
            self._alone(k, share * max(0.0, self.seconds_left()))
            if self.over_early() or (limit is None and self.over()):
                return

    def _alone(self, k: int, seconds: float) -> None:
        """One kind by itself, for so long, or for its share of the moves."""
        task = self.task
        limit = task.moves_limit
        own = replace(
            task, parts=(task.parts[k],), seconds=seconds, start=(),
            moves_limit=None if limit is None else moves_alone(limit, len(self.useful)),
        )  # fmt: skip

        def named(placed: Sequence[Placed]) -> tuple[Placed, ...]:
            return tuple(Placed(k, one.pose) for one in placed)

        alone = Growth(own, lambda found: self._take(named(found.placed)), self.stop)
        if alone.bound <= self.value + 1e-9:
            return  # proved: no more than is there already
        alone.work()
        self.moves += alone.moves
        if alone.best:
            self._take(named(alone.best))
            self.patterns[k] = alone.patterns.get(0, self.patterns.get(k, []))

    def _take(self, placed: tuple[Placed, ...]) -> None:
        """Offer a layout from elsewhere, and go on from it if it is the best."""
        if self.offer(placed):
            self._back()
            self._visit(self.kind, self.rows)

    def _grow(self) -> None:
        """Moves by turns, until the time is over; from other starts now and then when nothing gets better."""
        arms: list[tuple[str, Callable[[], bool]]] = [
            ("insert", self._insert),
            ("squeeze", self._squeeze),
            ("choose", self._choose),
        ]
        if len(self.useful) == 1 and self.patterns.get(self.useful[0]):
            arms.append(("press", self._press))
        won, spent = np.ones(len(arms)), np.full(len(arms), 1e-3)
        turn = idle = 0
        while not self.over():
            if not self.next_kinds(self.counts) and self.share is None and len(self.useful) < 2:
                break
            # every arm gets some of the time; two times out of three the one that did best has its turn
            if turn < len(arms):
                arm = turn
            else:
                arm = int(np.argmin(spent) if self.rng.random() < 0.33 else np.argmax(won / spent))
            turn += 1
            began, before = _stopwatch.seconds(), self.moves
            better = arms[arm][1]()
            cost = _stopwatch.seconds() - began if self.task.moves_limit is None else self.moves - before
            won[arm], spent[arm] = 0.95 * won[arm] + better, 0.95 * spent[arm] + cost
            self.moves += self.moves == before
            idle = 0 if better else idle + 1
            if idle >= _PATIENCE:
                self._elsewhere()
                idle = 0

    def _elsewhere(self) -> None:
        """Go on from the best layout, or from another one that is nearly as good."""
        if not self.starts or self.rng.random() < 0.4:
            self._back()
            return
        # the better ones more often
        pick = int(len(self.starts) * self.rng.random() * self.rng.random())
        self.kind, self.rows = self.starts[pick]

    # ---- one more piece

    def _wanted(self) -> int | None:
        can = self.next_kinds(self.count(self.kind))
        if not can:
            return None
        return can[0] if len(can) == 1 or self.rng.random() < 0.4 else can[int(self.rng.integers(len(can)))]

    def _gap_for(self, k: int) -> NDArray[np.float64]:
        """A pose where one more piece of kind k overlaps little."""
        from nestcut.placement.engine.overlap import relocate, set_world
        from nestcut.placement.engine.settle import World

        ground, n = self.ground, len(self.kind)
        kit = ground.rough
        kind = np.append(self.kind, k)
        rows = np.zeros((n + 1, 3))
        rows[:n] = self.rows
        x0, y0, x1, y1 = kit.box
        turns = kit.turns_deg[k]
        angle = math.radians(turns[int(self.rng.integers(len(turns)))]) if turns else self.rng.uniform(0, 7)
        rows[n] = self.rng.uniform(x0, x1), self.rng.uniform(y0, y1), angle
        world = World(kit, kind)
        set_world(kit.arrays, kind, rows, *world.all)
        state = np.array([self.rng.integers(1, 2**63)], np.uint64)
        samples = int(self.rng.choice([20, 60, 200]))
        relocate(
            kit.arrays, kind, rows, n, np.ones((n + 1, n + 2)), *world.all, samples, state, kit.box
        )  # fmt: skip
        return rows[n]

    def _squeeze(self) -> bool:
        """One more piece into a window of the layout, its neighbours squeezed aside."""
        from nestcut.placement.exact.window import open_window

        k = self._wanted()
        if k is None:
            return False
        at = self._gap_for(k)
        count = int(self.rng.choice([6, 10, 18]))
        window = open_window(self.ground, self.kind, self.rows, at[:2], count)
        choice, used = window.push(k, at, moves=30, seed=self.seed())
        self.moves += used
        return choice is not None and self._adopt(choice.kind, choice.rows)

    def _insert(self) -> bool:
        """One more piece into the layout, all others squeezed aside."""
        k = self._wanted()
        if k is None:
            return False
        kind = np.append(self.kind, k)
        rows = np.vstack((self.rows, self._gap_for(k)))
        n = len(kind)
        return self._push(kind, rows, 24 + 2 * n if n > _FEW else 160)

    def _push(self, kind: NDArray[np.int64], rows: NDArray[np.float64], moves: int) -> bool:
        """Squeeze until nothing overlaps; gives up when it does not get better."""
        from nestcut.placement.engine.fits import Search

        search = Search(self.ground, kind, self.seed())
        search.pose[:] = rows
        search.best_over[0] = 1e300
        n = len(kind)
        done, last, fine = 0, math.inf, False
        limit = self.task.moves_limit
        while done < moves and not self.over():
            chunk = min(12, moves - done)
            if limit is not None:
                chunk = max(1, min(chunk, limit - self.moves))
            used, found = search.grow(chunk) if n > _FEW else search.run(chunk)
            done += used
            self.moves += used
            if found is not None:
                return self._adopt(kind, self.ground.rows_of(found))
            left = float(search.best_over[0])
            if search.fine and not fine:
                fine, last, moves = True, math.inf, max(moves, done + 36)
                continue
            if n > _FEW and done >= 24 and left > 0.97 * last:
                break
            last = left
        return False

    def _press(self) -> bool:
        """A pattern pressed a little too tight, so that one piece more lies in the region; pushed apart."""
        from nestcut.placement.fill.lattice import lay_out, rooms_for

        k = self.useful[0]
        part = self.parts[k]
        want = int(self.counts[k]) + 1
        if part.most is not None and want > part.most:
            return False
        patterns = self.patterns[k]
        lattice = patterns[int(self.rng.integers(len(patterns)))]
        room = math.sqrt(self.area[k] / max(self.free.area, 1e-9))
        press = 1.0 - self.rng.uniform(0.1, 0.8) * room
        free_turn = part.turns == "any"
        for rows in lay_out(
            lattice,
            rooms_for(self.ground.parts[k].shape, self.free, self.task.web_mm),
            self.task.room,
            free_turn=free_turn,
            rng=self.rng,
            looks=3,
            press=press,
        ):
            if len(rows) < want:
                continue
            pick = np.sort(self.rng.permutation(len(rows))[:want])
            if self._push(np.full(want, k), np.array([rows[i] for i in pick]), 24 + want):
                return True
            if self.over():
                break
        return False

    # ---- choices of the model

    def _wish(self) -> Any:
        from nestcut.placement.exact.model import Wish

        return Wish(self.share)

    def _choose_all(self) -> None:
        """The model chooses among everything found so far, over the whole room."""
        from nestcut.placement.exact.window import open_window

        limit = self.task.moves_limit
        middle = np.array(self.task.room.centroid.coords[0])
        window = open_window(self.ground, self.kind, self.rows, middle, len(self.kind))
        order = self.rng.permutation(len(self.visited_kind))
        choice = window.choose(
            self.visited_kind[order], self.visited_rows[order], self._wish(),
            seconds=min(max(1.0, 0.15 * self.task.seconds), max(0.5, self.seconds_left())), seed=self.seed(),
            steps=None if limit is None else 4 * _CHOICE_STEPS, stop=self.stop,
        )  # fmt: skip
        if choice is not None:
            self._adopt(choice.kind, choice.rows)

    def _choose(self) -> bool:
        """The model lays a window anew; an equally good layout is taken over too, for what it opens up."""
        from nestcut.placement.exact.window import open_window

        limit = self.task.moves_limit
        if self.rng.random() < 0.1 or not self.lean.any():
            angle = self.rng.uniform(0, 2 * math.pi)
            self.lean = np.array(sine_cosine(angle)[::-1])
        k = self._wanted()
        k = self.useful[0] if k is None else k
        centre = self._gap_for(k)[:2]
        count = int(self.rng.integers(3, 10))
        window = open_window(self.ground, self.kind, self.rows, centre, count)
        began = _stopwatch.seconds()

        def late() -> bool:
            return self.over() or (limit is None and _stopwatch.seconds() - began > 0.25)

        freed = self.kind[window.inside]
        sequences = [self._sequence(freed, k) for _ in range(24 if limit is None else 8)]
        keep = float(self.rng.choice([0.0, 0.3, 0.6]))
        kind, rows = window.fillings(sequences, seed=self.seed(), rng=self.rng, over=late, keep=keep)
        self.moves += len(sequences) if limit is not None else 0
        corner_kind, corner_rows = self._corners(window, freed)
        kind, rows = np.concatenate((corner_kind, kind)), np.concatenate((corner_rows, rows))
        if len(self.visited_kind):
            x0, y0, x1, y1 = window.box
            x, y = self.visited_rows[:, 0], self.visited_rows[:, 1]
            here = (x >= x0) & (x <= x1) & (y >= y0) & (y <= y1)
            kind = np.concatenate((kind, self.visited_kind[here][:400]))
            rows = np.concatenate((rows, self.visited_rows[here][:400]))
        choice = window.choose(
            kind, rows, self._wish(), seconds=min(_CHOICE_SECONDS, max(0.0, self.seconds_left())),
            seed=self.seed(), steps=None if limit is None else _CHOICE_STEPS, lean=self.lean, stop=self.stop,
        )  # fmt: skip
        if choice is None:
            return False
        if self._adopt(choice.kind, choice.rows):
            return True
        same = self.worth(self.count(choice.kind)) >= self.worth(self.count(self.kind))
        if same and self.lies_well(self.ground.placed_of(choice.kind, choice.rows)):
            self.kind, self.rows = choice.kind, choice.rows
        return False

    def _corners(
        self, window: Any, freed: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Corners of no-fit regions around the window's neighbours, for turns that are listed or in use."""
        if self.no_fits is None:
            from nestcut.placement.exact.touching import NoFits

            self.no_fits = NoFits(self.ground)
        no_fits = self.no_fits
        near = window.near
        wanted: list[tuple[int, float]] = []
        for k in self.useful:
            if no_fits.in_good_time(k, set(self.kind[near].tolist())):
                turns = self.ground.exact.turns_deg[k]
                own = self.rows[window.inside[freed == k], 2].tolist()
                wanted += [(k, angle) for angle in ([math.radians(turn) for turn in turns] or own)]
        wanted = [wanted[i] for i in self.rng.permutation(len(wanted))[:_MOST_TURNS]]
        timed = self.task.moves_limit is None
        began = _stopwatch.seconds()

        def late() -> bool:
            return (timed and _stopwatch.seconds() - began > 0.15) or (self.stop is not None and self.stop())

        return no_fits.corners(self.kind[near], self.rows[near], wanted, window.box, over=late)

    def _sequence(self, freed: NDArray[np.int64], extra: int) -> NDArray[np.int64]:
        """Kinds to fill a window with: what was there and one more, or any of the useful ones."""
        if len(self.useful) == 1:
            return np.append(freed, extra).astype(np.int64)
        if self.rng.random() < 0.5:
            sequence = np.append(freed, extra)
        else:
            weight = np.array([self.parts[k].value / math.sqrt(self.area[k]) + 1e-9 for k in self.useful])
            if self.share is not None:
                weight = np.array([float(self.share[k]) for k in self.useful])
            sequence = self.rng.choice(self.useful, 2 * len(freed) + 2, p=weight / weight.sum())
        # larger pieces first, roughly
        order = np.argsort(-self.area[sequence] * self.rng.uniform(0.5, 1.5, len(sequence)), kind="stable")
        return sequence[order].astype(np.int64)
