"""What must be missing, whatever is planned: counted by the checker's own code, so that nothing is called proved in vain."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from nestcut.batch.model import Batch, Demand
from nestcut.passes.short.capacity import capacities

if TYPE_CHECKING:
    from nestcut.checks.measures.patience import Patience

__all__ = ["Shortfall", "Shortfalls"]


@dataclass(frozen=True, slots=True)
class Shortfall:
    """Pieces that no plan can cut from a paper, why in plain words, and the proof as in plan.json."""

    pieces: int = 0
    reason: str = ""
    proof: Mapping[str, Any] = field(default_factory=dict)


class Shortfalls:
    """Asks the checker, paper by paper; what it measured of dies and scraps is kept."""

    def __init__(self, batch: Batch) -> None:
        from nestcut.checks.proof.short_proof import ShortageProofs

        self.batch = batch
        self.checker = ShortageProofs(batch)

    def of(
        self, paper: str, dies: Collection[str] = (), *, over: Callable[[], bool] = lambda: False
    ) -> Shortfall:
        """What must be missing in this paper.

        Args:
            dies: large ones, for which it is worth a proof how many a scrap can hold.
            over: asked before every such proof; True leaves it out.
        """
        by_area = self._by_area(paper)
        by_capacity = self._by_capacity(paper, dies, over)
        return by_capacity if by_capacity.pieces > by_area.pieces else by_area

    def _by_area(self, paper: str) -> Shortfall:
        proof = {"by": "area"}
        pieces = self.checker.surely_missing(paper, proof)
        if not pieces or isinstance(pieces, str):
            return Shortfall()
        if all(scrap.paper != paper for scrap in self.batch.scraps):
            return Shortfall(pieces, f"there is no scrap of {paper}", proof)
        nowhere, reasons = self._nowhere(paper)
        if nowhere < pieces:
            reasons.append(
                f"the cuts in {paper}, with the web around them, need more paper than all its scraps have"
            )
        return Shortfall(pieces, " and ".join(reasons), proof)

    def _nowhere(self, paper: str) -> tuple[int, list[str]]:
        """Pieces of this paper alone for which no scrap of it is large enough, and the words for it."""
        lines = [
            line
            for line in self.batch.demand
            if set(line.papers) == {paper} and not any(self.checker.fits(name, paper) for name in line.dies)
        ]
        names = dict.fromkeys(name for line in lines for name in line.dies)
        words = [f"no scrap of {paper} is large enough for {' or '.join(names)}"] if names else []
        return sum(line.count for line in lines), words

    def _by_capacity(self, paper: str, dies: Collection[str], over: Callable[[], bool]) -> Shortfall:
        from nestcut.checks.measures.patience import Patience, TooLongError

        patience = Patience(stop=over)
        found = {}
        reasons = self._nowhere(paper)[1]
        try:
            for name, entries in capacities(self.batch, paper, dies, over=over).items():
                believed, most = self._believed(paper, name, entries, patience)
                wanted = sum(line.count for line in self.batch.demand if _alone(line, name, paper))
                if wanted > most * self.batch.die(name).pieces:
                    found[name] = believed
                    reasons.append(f"the scraps of {paper} hold no more than {most} of {name}")
            if not found:
                return Shortfall()
            proof = {"by": "capacity", "dies": found}
            pieces = self.checker.surely_missing(paper, proof, patience)
        except TooLongError:
            return Shortfall()
        reasons[-1] += ", however they are laid"
        return Shortfall() if isinstance(pieces, str) else Shortfall(pieces, " and ".join(reasons), proof)

    def _believed(
        self, paper: str, name: str, entries: Sequence[Mapping[str, Any]], patience: Patience
    ) -> tuple[list[Mapping[str, Any]], float]:
        """The entries that the checker believes, and the most cuts that the paper's scraps hold then."""
        from nestcut.checks.proof.short_proof import NotProvedError

        believed: list[Mapping[str, Any]] = []
        most = math.inf
        for entry in entries:
            # The checker draws cores in its own way: near the limit it may not find what was found here.
            try:
                now = self.checker.most_cuts(paper, name, [*believed, entry], patience)
            except NotProvedError:
                continue
            if not isinstance(now, str):
                believed.append(entry)
                most = now
        return believed, most


def _alone(line: Demand, name: str, paper: str) -> bool:
    """Whether the line allows nothing but this die and this paper."""
    return set(line.papers) == {paper} and set(line.dies) == {name}
