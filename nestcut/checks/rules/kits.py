"""The kit pick list: every kit whole, every card from the pieces its lines allow, nothing given out twice."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence

from nestcut.batch.model import Card, CardLine
from nestcut.checks.measures.report import Notebook
from nestcut.plans.model import KitPacking, Plan, Share

__all__ = ["check_packing"]


def check_packing(plan: Plan, notes: Notebook) -> None:
    """Rule ``packing``. A plan without a pick list passes."""
    if not plan.packing:
        return
    cards = {card.name: card for card in plan.cards}
    whole_kits = max(packed.last for packed in plan.packing)
    if plan.complete and whole_kits != plan.kits:
        notes.fault("packing", f"{whole_kits} kits are packed, {plan.kits} asked for")
    if whole_kits > plan.kits:
        notes.fault("packing", f"kit {whole_kits} is packed, but there are {plan.kits}")
    ranges: dict[tuple[str, int], list[tuple[int, int]]] = defaultdict(list)
    for packed in plan.packing:
        notes.count("packings")
        card = cards.get(packed.card)
        if card is None:
            notes.fault("packing", f"there is no card {packed.card}")
        elif packed.copy > card.count:
            notes.fault("packing", f"copy {packed.copy} of card {card.name}, which a kit has {card.count} of")
        elif packed.first > packed.last:
            notes.fault("packing", f"kits {packed.first} to {packed.last} run backwards")
        else:
            ranges[packed.card, packed.copy].append((packed.first, packed.last))
            if not _fits_card(packed.pieces, card.lines):
                notes.fault(
                    "packing",
                    f"the pieces for card {card.name}, kits {packed.first} to {packed.last}, "
                    "are not what its lines ask for",
                )
    _whole(cards, ranges, whole_kits, notes)
    _from_what_is_met(plan, notes)


def _whole(
    cards: dict[str, Card],
    ranges: dict[tuple[str, int], list[tuple[int, int]]],
    whole_kits: int,
    notes: Notebook,
) -> None:
    """Every copy of every card is there once in every kit from 1 to the last."""
    for card in cards.values():
        # Only copies that are packed are gone through: a card may claim to be in a kit a thousand million times.
        copies = sorted(copy for name, copy in ranges if name == card.name)
        if len(copies) < card.count and whole_kits > 0:
            notes.fault(
                "packing", f"{len(copies)} copies of card {card.name} are packed, a kit has {card.count}"
            )
        for copy in copies:
            after = 0
            for first, last in sorted(ranges[card.name, copy]):
                if first != after + 1:
                    notes.fault(
                        "packing", f"card {card.name}: kit {min(first, after + 1)} is not packed once"
                    )
                after = max(after, last)
            if after != whole_kits:
                notes.fault("packing", f"card {card.name} is packed up to kit {after} of {whole_kits}")


def _from_what_is_met(plan: Plan, notes: Notebook) -> None:
    """Each card's kits take no more of any piece than its lines of demand get."""
    got: Counter[tuple[str, str, str]] = Counter()
    for line in plan.demand:
        for share in line.by:
            got[line.card, share.die, share.paper] += share.count
    taken: Counter[tuple[str, str, str]] = Counter()
    for packed in plan.packing:
        taken.update(_taken(packed))
    for (card, die, paper), count in taken.items():
        if count > got[card, die, paper]:
            notes.fault(
                "packing",
                f"the kits take {count} {die} pieces in {paper} for card {card}, "
                f"which gets {got[card, die, paper]}",
            )


def _taken(packed: KitPacking) -> Counter[tuple[str, str, str]]:
    kits = packed.last - packed.first + 1
    taken: Counter[tuple[str, str, str]] = Counter()
    for share in packed.pieces:
        taken[packed.card, share.die, share.paper] += kits * share.count
    return taken


def _fits_card(pieces: Sequence[Share], lines: Sequence[CardLine]) -> bool:
    """Whether the pieces can be dealt to the lines so that each line gets its count.

    Source: maximum flow by augmenting paths (Ford & Fulkerson, 1956).
    """
    supply = [share.count for share in pieces]
    if sum(supply) != sum(line.count for line in lines):
        return False
    may = [[share.die in line.dies and share.paper in line.papers for line in lines] for share in pieces]
    flow = [[0] * len(lines) for _ in pieces]

    def open_path(line: int, seen: set[int], amount: int) -> int:
        """Bring up to ``amount`` more pieces to a line, moving others aside; the amount brought."""
        for kind, allowed in enumerate(may):
            if not allowed[line] or kind in seen:
                continue
            if supply[kind]:
                brought = min(amount, supply[kind])
                supply[kind] -= brought
                flow[kind][line] += brought
                return brought
            seen.add(kind)
            for other in range(len(lines)):
                if other != line and flow[kind][other]:
                    brought = open_path(other, seen, min(amount, flow[kind][other]))
                    if brought:
                        flow[kind][other] -= brought
                        flow[kind][line] += brought
                        return brought
        return 0

    for number, line in enumerate(lines):
        wanted = line.count
        while wanted:
            brought = open_path(number, set(), wanted)
            if not brought:
                return False
            wanted -= brought
    return True
