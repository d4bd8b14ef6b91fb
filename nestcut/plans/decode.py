"""A plan from plain JSON values that nobody vouches for.

What is checked here is the *form*: types, ranges, ids used once, valid geometry. Whether the plan
obeys the rules (and whether what it refers to exists) is :mod:`nestcut.checks`'s to say. Keys that
are not known are ignored: the contract may gain keys.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import fields
from typing import Any, TypeVar

from nestcut.batch.model import (
    Card,
    CardLine,
    Die,
    Evening,
    Hand,
    HandSeconds,
    Machine,
    Paper,
    Pose,
    Scrap,
    Turns,
)
from nestcut.errors import PlanError, Where
from nestcut.plans.encode import FORMAT, OLD_VERSION, VERSION
from nestcut.plans.model import (
    Actions,
    Bound,
    BrokenDie,
    Cut,
    DemandMet,
    KitPacking,
    Layup,
    MissedCut,
    Missing,
    PaperOnPlate,
    Pass,
    PassClock,
    Plan,
    Remnant,
    Share,
    Shortage,
    Slot,
    SpoiltPaper,
    Totals,
    Trim,
)
from nestcut.plans.node import LIMIT_MM, MOST_COUNT, JsonNode
from nestcut.plans.shapes import marks_of, polygon_of, shape_of

__all__ = ["die_of", "paper_of", "plan_from_json"]

T = TypeVar("T")


def plan_from_json(data: Any) -> Plan:
    """A plan from the values that ``json.load`` gives.

    Raises: PlanError with the path of the key (``passes[3].cuts[0].slot``) and the mend.
    """
    root = JsonNode(data)
    root.mapping()
    old = _format(root) == OLD_VERSION
    machine = _machine(root.key("machine"))
    scraps = _each(root.key("scraps"), _scrap)
    trims = _each(root.key("trims"), _trim)
    plan = Plan(
        title=root.key("title").text(most=500, may_be_empty=True),
        complete=root.key("complete").flag(),
        machine=machine,
        hand=_hand(root.key("hand"), old=old),
        papers=_each(root.key("papers"), paper_of),
        dies=_each(root.key("dies"), die_of),
        scraps=scraps,
        trims=trims,
        demand=_each(root.key("demand"), _demand),
        layups=_each(root.key("layups"), _layup),
        passes=_each(root.key("passes"), _pass),
        bound=_bound(root.key("bound")),
        totals=_totals(root.key("totals"), old=old),
        remnants=_each(root.key("remnants"), _remnant),
        short=_each_if(root, "short", _shortage),
        kits=_if(root, "kits", lambda node: node.whole(0, MOST_COUNT), 1),
        cards=_each_if(root, "cards", _card),
        packing=_each_if(root, "packing", _packing),
        evening=_if(root, "evening", _evening, Evening()),
        proof=_if(root, "proof", lambda node: node.plain_mapping(), {}),
        extras=_if(root, "extras", lambda node: node.plain_mapping(), {}),
        notes=_if(root, "notes", lambda node: tuple(one.prose() for one in node.items()), ()),
        done=_if(root, "done", lambda node: node.whole(0, MOST_COUNT), 0),
        missed=_each_if(root, "missed", _missed),
        spoilt=_each_if(root, "spoilt", _spoilt),
        broken=_each_if(root, "broken", _broken),
        pass_clock=_pass_clock(root.key("machine")) if old else None,
    )
    _once((paper.name for paper in plan.papers), "papers", "name")
    _once((die.name for die in plan.dies), "dies", "name")
    _once((layup.id for layup in plan.layups), "layups", "id")
    _once((scrap.id for scrap in plan.scraps), "scraps", "id")
    _once(_ids(plan), "trims", "id")
    return plan


def _format(root: JsonNode) -> int:
    """The version."""
    kind = root.key("format")
    if kind.value != FORMAT:
        kind.refuse(f"this is not a plan of nestcut: {kind.shown()}", f'a plan says "format": "{FORMAT}"')
    version = root.key("version")
    number = version.whole(0, 10**9)
    if number not in (OLD_VERSION, VERSION):
        version.refuse(
            f"this plan has version {version.shown()}, and versions {OLD_VERSION} and {VERSION} are known here",
            "read it with the nestcut that wrote it, or make the plan again",
        )
    return number


def _ids(plan: Plan) -> Iterable[str]:
    yield from (scrap.id for scrap in plan.scraps)
    for trim in plan.trims:
        yield from (part for part, _ in trim.into)


def _once(names: Iterable[str], key: str, field: str) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise PlanError(
                f"'{name}' appears twice", mend=f"every {field} may be used once", where=Where(element=key)
            )
        seen.add(name)


def _each(node: JsonNode, read: Callable[[JsonNode], T]) -> tuple[T, ...]:
    return tuple(read(item) for item in node.items())


def _each_if(root: JsonNode, key: str, read: Callable[[JsonNode], T]) -> tuple[T, ...]:
    return _if(root, key, lambda node: _each(node, read), ())


def _if(parent: JsonNode, key: str, read: Callable[[JsonNode], T], default: T) -> T:
    node = parent.key_if(key)
    return default if node is None else read(node)


def _machine(node: JsonNode) -> Machine:
    plate = node.key("plate").items()
    if len(plate) != 2:
        node.key("plate").refuse("a plate has two sides", "write [width across the rollers, length], in mm")
    machine = Machine(
        plate_mm=(plate[0].number(1e-3, LIMIT_MM), plate[1].number(1e-3, LIMIT_MM)),
        clear_mm=node.key("clear").number(0, LIMIT_MM),
        dies=node.key("dies").choice("over", "under"),
        overhang_mm=node.key("overhang").number(0, LIMIT_MM),
        load_limit_mm=_if(node, "load_limit", lambda one: one.number(0, LIMIT_MM), None),
    )
    if 2 * machine.clear_mm >= min(machine.plate_mm):
        node.key("clear").refuse(
            "nothing is left of the plate", "clear must be less than half the shorter side"
        )
    return machine


def _pass_clock(node: JsonNode) -> PassClock:
    return PassClock(
        per_pass_s=node.key("seconds_per_pass").number(0, 1e6),
        per_die_s=node.key("seconds_per_die").number(0, 1e6),
        per_trim_s=node.key("seconds_per_trim").number(0, 1e6),
    )


def _hand_seconds(node: JsonNode) -> HandSeconds:
    each = node.key("seconds")
    names = [one.name for one in fields(HandSeconds) if one.name not in ("dies", "pace")]
    return HandSeconds(
        **{name: each.key(name).number(0, 1e6) for name in names},
        pace=node.key("pace").number(1e-3, 1e3),
        dies=node.key("dies").choice("held", "loose"),
    )


def _actions(node: JsonNode) -> Actions:
    return Actions(
        **{
            one.name: node.key(one.name).whole(0, MOST_COUNT)
            for one in fields(Actions)
            if one.name != "scissors_mm"
        },
        scissors_mm=node.key("scissors_mm").number(0, 1e12),
    )


def _hand(node: JsonNode, *, old: bool) -> Hand:
    return Hand(
        web_mm=node.key("web").number(0, LIMIT_MM),
        edge_mm=node.key("edge").number(0, LIMIT_MM),
        gap_mm=node.key("gap").number(0, LIMIT_MM),
        papers=node.key("papers").choice("square", "any"),
        trims=_if(node, "trims", lambda one: one.choice("none", "straight", "scissors"), "scissors"),
        seconds=HandSeconds() if old else _hand_seconds(node),
    )


def paper_of(node: JsonNode) -> Paper:
    """A paper, as in ``plan.json``. Raises: PlanError."""
    return Paper(
        name=node.key("name").text(),
        swatch=_if(node, "swatch", lambda one: one.swatch(), None),
        direction=node.key("direction").choice("none", "stripe", "up"),
        both_sides=node.key("both_sides").flag(),
    )


def _turns(node: JsonNode) -> Turns:
    if isinstance(node.value, str):
        node.choice("any")
        return "any"
    turns = tuple(one.number(-1e6, 1e6) for one in node.items(most=3600))
    if not turns:
        node.refuse("no turn is allowed at all", 'write "any" or a list of degrees')
    return turns


def die_of(node: JsonNode) -> Die:
    """A die, as in ``plan.json``. Raises: PlanError."""
    return Die(
        name=node.key("name").text(),
        copies=node.key("copies").whole(1, MOST_COUNT),
        turns=_turns(node.key("turns")),
        trips=node.key("trips").whole(1, 100),
        cut=shape_of(node.key("cut")),
        rim=shape_of(node.key("rim")),
        marks=_if(node, "marks", marks_of, ()),
    )


def _scrap(node: JsonNode) -> Scrap:
    return Scrap(node.key("id").text(), node.key("paper").text(), polygon_of(node.key("outline")))


def _trim(node: JsonNode) -> Trim:
    into = tuple(
        (part.key("id").text(), polygon_of(part.key("outline"))) for part in node.key("into").items()
    )
    return Trim(node.key("scrap").text(), into)


def _names(node: JsonNode) -> tuple[str, ...]:
    return tuple(one.text() for one in node.items(most=10_000))


def _share(node: JsonNode) -> Share:
    return Share(node.key("die").text(), node.key("paper").text(), node.key("count").whole(0, MOST_COUNT))


def _demand(node: JsonNode) -> DemandMet:
    return DemandMet(
        card=node.key("card").text(),
        dies=_names(node.key("dies")),
        papers=_names(node.key("papers")),
        count=node.key("count").whole(0, MOST_COUNT),
        spares=node.key("spares").whole(0, MOST_COUNT),
        met=node.key("met").whole(0, MOST_COUNT),
        by=_each(node.key("by"), _share),
    )


def _pose(node: JsonNode) -> Pose:
    parts = node.items()
    if len(parts) != 3:
        node.refuse(f"a pose has 3 numbers, not {len(parts)}", "write [x, y, degrees]")
    return Pose(
        parts[0].number(-LIMIT_MM, LIMIT_MM), parts[1].number(-LIMIT_MM, LIMIT_MM), parts[2].number(-1e6, 1e6)
    )


def _layup(node: JsonNode) -> Layup:
    slots = tuple(Slot(one.key("die").text(), _pose(one.key("pose"))) for one in node.key("slots").items())
    return Layup(node.key("id").text(), slots)


def _pass(node: JsonNode) -> Pass:
    papers = tuple(
        PaperOnPlate(
            one.key("scrap").text(),
            _pose(one.key("pose")),
            _if(one, "flipped", lambda flag: flag.flag(), False),
        )
        for one in node.key("papers").items()
    )
    cuts = tuple(
        Cut(one.key("slot").whole(0, MOST_COUNT), one.key("scrap").text()) for one in node.key("cuts").items()
    )
    return Pass(node.key("number").whole(0, MOST_COUNT), node.key("layup").text(), papers, cuts)


def _bound(node: JsonNode) -> Bound:
    return Bound(
        passes=node.key("passes").whole(0, MOST_COUNT),
        reason=node.key("reason").prose(),
        minutes=_if(node, "minutes", lambda one: one.number(0, 1e12), None),
    )


def _totals(node: JsonNode, *, old: bool) -> Totals:
    return Totals(
        passes=node.key("passes").whole(0, MOST_COUNT),
        cranks=node.key("cranks").whole(0, MOST_COUNT),
        changes=node.key("changes").whole(0, MOST_COUNT),
        trims=node.key("trims").whole(0, MOST_COUNT),
        pieces=node.key("pieces").whole(0, MOST_COUNT),
        minutes=node.key("minutes").number(0, 1e12),
        actions=Actions() if old else _actions(node.key("actions")),
    )


def _remnant(node: JsonNode) -> Remnant:
    return Remnant(node.key("scrap").text(), shape_of(node.key("outline"), may_be_empty=True))


def _shortage(node: JsonNode) -> Shortage:
    return Shortage(
        paper=_if(node, "paper", lambda one: one.text(), None),
        dies=_names(node.key("dies")),
        pieces=node.key("pieces").whole(0, MOST_COUNT),
        area_mm2=node.key("area_mm2").number(0, 1e15),
        sheets={name: one.whole(0, MOST_COUNT) for name, one in node.key("sheets").entries()},
        proved=node.key("proved").flag(),
        reason=node.key("reason").prose(),
        by=_each_if(node, "by", _missing),
        proof=_if(node, "proof", lambda one: one.plain_mapping(), {}),
    )


def _missing(node: JsonNode) -> Missing:
    return Missing(
        line=node.key("line").whole(1, MOST_COUNT),
        die=node.key("die").text(),
        count=node.key("count").whole(0, MOST_COUNT),
    )


def _missed(node: JsonNode) -> MissedCut:
    return MissedCut(node.key("pass").whole(1, MOST_COUNT), node.key("slot").whole(0, MOST_COUNT))


def _spoilt(node: JsonNode) -> SpoiltPaper:
    return SpoiltPaper(node.key("scrap").text(), node.key("after").whole(0, MOST_COUNT))


def _broken(node: JsonNode) -> BrokenDie:
    return BrokenDie(node.key("die").text(), node.key("after").whole(0, MOST_COUNT))


def _card(node: JsonNode) -> Card:
    lines = tuple(
        CardLine(_names(one.key("dies")), _names(one.key("papers")), one.key("count").whole(0, MOST_COUNT))
        for one in node.key("lines").items()
    )
    return Card(node.key("name").text(), node.key("count").whole(0, MOST_COUNT), lines)


def _packing(node: JsonNode) -> KitPacking:
    return KitPacking(
        first=node.key("first").whole(0, MOST_COUNT),
        last=node.key("last").whole(0, MOST_COUNT),
        card=node.key("card").text(),
        copy=node.key("copy").whole(1, MOST_COUNT),
        pieces=_each(node.key("pieces"), _share),
    )


def _evening(node: JsonNode) -> Evening:
    return Evening(
        start=_if(node, "start", lambda one: one.clock(), None),
        break_every=_if(node, "break_every", lambda one: one.whole(0, MOST_COUNT), 0),
        break_minutes=_if(node, "break_minutes", lambda one: one.number(0, 1e6), 5.0),
    )
