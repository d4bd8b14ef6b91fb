"""Ways to damage a plan, each breaking one rule (or the rules named, where one damage must break several)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields, replace

from shapely.affinity import scale, translate
from shapely.geometry import MultiPolygon, Polygon, box

from nestcut.batch.model import Card, CardLine, Die, Paper, Pose
from nestcut.hands import evening_actions, minutes_of
from nestcut.plans.model import Actions, Cut, Layup, Pass, Plan, Remnant, Share, Shortage, Slot, Trim
from tests.shared.checked_plans import finished, kits, lying, openings, rectangle_die, short, squares, turned

NAN = float("nan")


@dataclass(frozen=True)
class Damage:
    """A valid plan, what is done to it, and the rules that must be named."""

    what: str
    plan: Callable[[], Plan]
    do: Callable[[Plan], Plan]
    rules: frozenset[str]


DAMAGES: list[Damage] = []


def damage(
    plan: Callable[[], Plan], *rules: str
) -> Callable[[Callable[[Plan], Plan]], Callable[[Plan], Plan]]:
    """Enter a function into the list; its name, in words, says what is done."""

    def enter(do: Callable[[Plan], Plan]) -> Callable[[Plan], Plan]:
        DAMAGES.append(Damage(do.__name__.strip("_").replace("_", " "), plan, do, frozenset(rules)))
        return do

    return enter


def change_pass(plan: Plan, index: int, **changes: object) -> Plan:
    passes = list(plan.passes)
    passes[index] = replace(passes[index], **changes)  # type: ignore[arg-type]
    return replace(plan, passes=tuple(passes))


def change_paper(plan: Plan, index: int, paper: int, **changes: object) -> Plan:
    papers = list(plan.passes[index].papers)
    papers[paper] = replace(papers[paper], **changes)  # type: ignore[arg-type]
    return change_pass(plan, index, papers=tuple(papers))


def shift_paper(
    plan: Plan, index: int, paper: int, dx: float = 0.0, dy: float = 0.0, turn: float = 0.0
) -> Plan:
    pose = plan.passes[index].papers[paper].pose
    return change_paper(plan, index, paper, pose=Pose(pose.x_mm + dx, pose.y_mm + dy, pose.deg + turn))


def shift_slot(
    plan: Plan, layup: int, slot: int, dx: float = 0.0, dy: float = 0.0, turn: float = 0.0
) -> Plan:
    layups, slots = list(plan.layups), list(plan.layups[layup].slots)
    pose = slots[slot].pose
    slots[slot] = replace(slots[slot], pose=Pose(pose.x_mm + dx, pose.y_mm + dy, pose.deg + turn))
    layups[layup] = replace(layups[layup], slots=tuple(slots))
    return replace(plan, layups=tuple(layups))


def change_die(plan: Plan, name: str, **changes: object) -> Plan:
    dies = tuple(replace(die, **changes) if die.name == name else die for die in plan.dies)  # type: ignore[arg-type]
    return replace(plan, dies=dies)


def change_scrap(plan: Plan, name: str, **changes: object) -> Plan:
    scraps = tuple(
        replace(scrap, **changes) if scrap.id == name else scrap  # type: ignore[arg-type]
        for scrap in plan.scraps
    )
    return replace(plan, scraps=scraps)


def change_line(plan: Plan, index: int, **changes: object) -> Plan:
    lines = list(plan.demand)
    lines[index] = replace(lines[index], **changes)  # type: ignore[arg-type]
    return replace(plan, demand=tuple(lines))


# ---------------------------------------------------------------- lay-ups


@damage(squares, "window")
def die_slid_out_of_the_window(plan: Plan) -> Plan:
    plan = shift_slot(plan, 0, 0, dx=-0.01)
    return finished(plan)


@damage(squares, "window")
def plate_kept_clearer_along_its_edges(plan: Plan) -> Plan:
    return replace(plan, machine=replace(plan.machine, clear_mm=2.01))


@damage(turned, "window")
def turned_die_out_of_the_window_by_a_corner(plan: Plan) -> Plan:
    slots = list(plan.layups[0].slots)
    papers = list(plan.passes[0].papers)
    slots[0] = replace(slots[0], pose=Pose(slots[0].pose.x_mm, slots[0].pose.y_mm - 0.01, 45.0))
    papers[0] = replace(papers[0], pose=Pose(papers[0].pose.x_mm, papers[0].pose.y_mm - 0.01, 45.0))
    plan = replace(plan, layups=(Layup("A", tuple(slots)),))
    return finished(change_pass(plan, 0, papers=tuple(papers)))


@damage(squares, "rim-gap")
def rims_too_near(plan: Plan) -> Plan:
    return finished(shift_slot(plan, 0, 1, dx=-0.01))


@damage(openings, "rim-gap")
def rims_overlap_while_one_is_lifted_in_every_pass(plan: Plan) -> Plan:
    slots = (*plan.layups[1].slots, Slot("frame", Pose(75, 75)))  # comes over the seed at (60.5, 60)
    plan = replace(plan, layups=(plan.layups[0], Layup("B", slots)))
    return finished(plan)


@damage(openings, "rim-gap")
def small_die_against_the_frame_that_it_lies_in(plan: Plan) -> Plan:
    plan = shift_slot(plan, 0, 1, dx=0.02)
    return finished(plan)


@damage(squares, "copies")
def copy_used_twice(plan: Plan) -> Plan:
    slots = (*plan.layups[0].slots, Slot("tile", Pose(80, 80)))
    return finished(replace(plan, layups=(Layup("A", slots),)))


@damage(turned, "copies")
def one_copy_less_owned(plan: Plan) -> Plan:
    return change_die(plan, "disc", copies=1)


@damage(squares, "rim")
def rim_smaller_than_its_cut(plan: Plan) -> Plan:
    return change_die(plan, "bar", rim=box(-5, -14.99, 5, 15))


@damage(openings, "rim")
def rim_with_an_opening_over_its_cut(plan: Plan) -> Plan:
    die = plan.die("seed")
    return change_die(plan, "seed", rim=die.rim.difference(box(-1, -1, 1, 1)))


# ---------------------------------------------------------------- papers on the plate


@damage(squares, "sideways")
def paper_sticks_out_to_the_left(plan: Plan) -> Plan:
    plan = change_scrap(plan, "red-1", outline=box(-2, 0, 24.5, 76))
    return finished(plan)


@damage(squares, "sideways")
def paper_sticks_out_to_the_right(plan: Plan) -> Plan:
    return finished(change_scrap(plan, "green-1", outline=box(0, 0, 76, 80).difference(box(3, 60, 8, 65))))


@damage(squares, "overhang")
def paper_sticks_out_too_far_at_the_first_end(plan: Plan) -> Plan:
    return replace(plan, machine=replace(plan.machine, overhang_mm=49.99))


@damage(squares, "overhang")
def paper_sticks_out_too_far_at_the_last_end(plan: Plan) -> Plan:
    return finished(change_scrap(plan, "green-1", outline=box(0, 0, 16, 170)))


@damage(squares, "square")
def paper_off_the_whole_millimetres(plan: Plan) -> Plan:
    return finished(shift_paper(plan, 2, 1, dx=0.25))


@damage(squares, "square")
def paper_off_the_whole_millimetres_along_the_feed(plan: Plan) -> Plan:
    return finished(shift_paper(plan, 2, 1, dy=0.01))


@damage(squares, "square")
def paper_turned_by_a_little(plan: Plan) -> Plan:
    return finished(shift_paper(plan, 2, 1, dx=20, turn=1.0))


@damage(squares, "square")
def paper_turned_by_a_hair(plan: Plan) -> Plan:
    return finished(shift_paper(plan, 2, 1, dx=20, turn=1e-5))


@damage(turned, "flipped")
def paper_with_one_good_side_flipped(plan: Plan) -> Plan:
    papers = tuple(replace(paper, both_sides=False) for paper in plan.papers)
    return replace(plan, papers=papers)


@damage(kits, "metal-on-overlap")
def papers_overlap_under_a_rim(plan: Plan) -> Plan:
    return finished(change_scrap(plan, "grey-1", outline=box(0, 0, 14.6, 14)))


@damage(kits, "other-paper", "metal-on-overlap")
def cut_comes_down_on_the_paper_of_its_neighbour(plan: Plan) -> Plan:
    # A cut lies in its own paper and under its rim: where it meets another paper, metal is on both.
    tongue = Polygon([(0, 0), (14, 0), (14, 24), (0, 24), (0, 12), (-3, 10), (0, 8)])
    return finished(change_scrap(plan, "grey-2", outline=tongue))


# ---------------------------------------------------------------- cuts


@damage(squares, "edge")
def cut_too_near_the_side_of_its_scrap(plan: Plan) -> Plan:
    return finished(change_scrap(plan, "red-1", outline=box(0, 0, 24.49, 76)))


@damage(squares, "edge")
def cut_over_a_hole_of_its_scrap(plan: Plan) -> Plan:
    return finished(change_scrap(plan, "green-1", outline=box(0, 0, 16, 80).difference(box(5, 10, 6, 11))))


@damage(squares, "edge")
def cut_too_near_a_hole_of_its_scrap(plan: Plan) -> Plan:
    return finished(change_scrap(plan, "green-1", outline=box(0, 0, 16, 80).difference(box(5, 34.49, 6, 36))))


@damage(squares, "edge", "demand")
def cut_beside_its_scrap(plan: Plan) -> Plan:
    plan = change_pass(plan, 0, cuts=(Cut(0, "red-1"), Cut(1, "red-1")))
    return finished(
        change_pass(plan, 0, cuts=(Cut(0, "red-1"), Cut(1, "red-1")), papers=plan.passes[0].papers[:1])
    )


@damage(squares, "web")
def cuts_of_two_passes_too_near(plan: Plan) -> Plan:
    return finished(shift_paper(plan, 1, 0, dy=1))


@damage(squares, "web")
def same_place_cut_twice(plan: Plan) -> Plan:
    return finished(change_paper(plan, 1, 0, pose=plan.passes[0].papers[0].pose))


@damage(openings, "web")
def cut_in_the_fallen_out_middle_of_an_earlier_one(plan: Plan) -> Plan:
    plan = change_pass(plan, 0, cuts=(Cut(0, "white-1"),))
    # The seed of pass 3 lands in the frame's middle instead: 22 is the frame's centre in the scrap.
    return finished(change_paper(plan, 2, 0, pose=Pose(36, 38)))


@damage(openings, "web")
def frame_cut_around_an_earlier_hole(plan: Plan) -> Plan:
    passes = plan.passes
    first = replace(passes[0], cuts=(Cut(1, "white-1"),))
    last = Pass(5, "A", passes[0].papers, (Cut(0, "white-1"),))
    return finished(replace(plan, passes=(first, *passes[1:], last)))


@damage(openings, "web")
def web_too_small_within_one_pass(plan: Plan) -> Plan:
    # The seed's cut is 4 mm from the frame's: ask for a hair more.
    plan = replace(plan, hand=replace(plan.hand, web_mm=4.01))
    keep = (plan.passes[0], plan.passes[1])
    plan = change_line(plan, 1, by=(Share("seed", "white", 1), Share("pair", "white", 2)), count=3, met=3)
    return finished(replace(plan, passes=keep))


@damage(turned, "web")
def two_copies_too_near_in_one_scrap(plan: Plan) -> Plan:
    return replace(plan, hand=replace(plan.hand, web_mm=4.01))


@damage(turned, "turn")
def die_turned_as_it_may_not_be(plan: Plan) -> Plan:
    return change_die(plan, "lozenge", turns=(90.0,))


@damage(turned, "turn")
def die_turned_by_more_than_half_a_degree(plan: Plan) -> Plan:
    return change_die(plan, "lozenge", turns=(0.51, 359.49, 90.0))


@damage(turned, "turn")
def turn_measured_from_the_plate_instead_of_the_paper(plan: Plan) -> Plan:
    return change_die(plan, "lozenge", turns=(45.0,))


@damage(openings, "direction")
def striped_paper_across(plan: Plan) -> Plan:
    plan = replace(plan, papers=(Paper("white", direction="stripe"),))
    return plan


@damage(squares, "direction")
def paper_with_an_up_upside_down(plan: Plan) -> Plan:
    # Lying the other way up, the bar's cut would still fit: it is the direction that is wrong.
    return finished(change_paper(plan, 0, 1, pose=Pose(41, 61, 180.0)))


@damage(openings, "direction")
def die_upside_down_on_paper_with_an_up(plan: Plan) -> Plan:
    # White-2 lies at 90°, the pair at 180°: wrong for "up"; all else lies at 0°, but for the last pass.
    plan = replace(plan, papers=(Paper("white", direction="up"),))
    plan = replace(plan, passes=plan.passes[:3])
    return finished(change_line(plan, 1, by=(Share("seed", "white", 2), Share("pair", "white", 2))))


# ---------------------------------------------------------------- names and numbers


@damage(squares, "absent-scrap", "demand", "totals", "remnant")
def cut_in_a_scrap_that_is_not_there(plan: Plan) -> Plan:
    return change_pass(plan, 0, papers=plan.passes[0].papers[:1])


@damage(squares, "scrap-twice")
def scrap_in_two_places_at_once(plan: Plan) -> Plan:
    papers = (*plan.passes[1].papers, lying("red-1", 60, 0))
    return change_pass(plan, 1, papers=papers)


@damage(squares, "slot-twice", "web", "totals")
def die_cuts_twice_in_one_pass(plan: Plan) -> Plan:
    cuts = plan.passes[1].cuts
    return finished(change_pass(plan, 1, cuts=cuts + cuts))


@damage(kits, "scrap-trimmed", "totals")
def trimmed_scrap_used_itself(plan: Plan) -> Plan:
    papers = (*plan.passes[2].papers, lying("pink-1", 60, 0))
    return change_pass(plan, 2, papers=papers)


@damage(squares, "unknown", "totals", "remnant", "demand")
def lay_up_missing(plan: Plan) -> Plan:
    return change_pass(plan, 2, layup="B")


@damage(squares, "unknown", "totals", "demand", "remnant")
def slot_beyond_the_lay_up(plan: Plan) -> Plan:
    return change_pass(plan, 2, cuts=(Cut(2, "red-1"),))


@damage(squares, "unknown", "totals", "demand", "remnant")
def slot_before_the_first(plan: Plan) -> Plan:
    return change_pass(plan, 2, cuts=(Cut(-2, "red-1"),))


@damage(squares, "unknown")
def unknown_paper_lying_idle(plan: Plan) -> Plan:
    return change_pass(plan, 1, papers=(*plan.passes[1].papers, lying("red-9", 60, 0)))


@damage(squares, "unknown")
def scrap_of_an_unknown_paper(plan: Plan) -> Plan:
    return change_scrap(plan, "spare-1", paper="violet")


@damage(squares, "unknown")
def demand_for_an_unknown_die(plan: Plan) -> Plan:
    return change_line(plan, 1, dies=("bar", "tile", "star"))


@damage(squares, "unknown")
def lay_up_with_an_unknown_die(plan: Plan) -> Plan:
    return replace(plan, layups=(*plan.layups, Layup("Z", (Slot("star", Pose(50, 50)),))))


@damage(kits, "unknown", "totals")
def unknown_scrap_trimmed(plan: Plan) -> Plan:
    return replace(plan, trims=(*plan.trims, Trim("pink-7", (("pink-7a", box(0, 0, 5, 5)),))))


@damage(kits, "unknown", "totals", "demand", "remnant", "absent-scrap")
def part_trimmed_before_it_is_there(plan: Plan) -> Plan:
    return replace(plan, trims=plan.trims[::-1])


@damage(squares, "size")
def lay_up_with_more_dies_than_can_be_measured(plan: Plan) -> Plan:
    return replace(plan, layups=(Layup("A", plan.layups[0].slots * 3000),))


@damage(squares, "numbering")
def pass_number_twice(plan: Plan) -> Plan:
    return change_pass(plan, 1, number=1)


@damage(squares, "numbering")
def passes_from_nought(plan: Plan) -> Plan:
    return replace(plan, passes=tuple(replace(p, number=p.number - 1) for p in plan.passes))


@damage(squares, "empty-pass")
def pass_that_cuts_nothing(plan: Plan) -> Plan:
    passes = (*plan.passes, Pass(4, "A", (), ()))
    longer = replace(plan, passes=passes)
    actions = evening_actions(longer)
    minutes = minutes_of(actions, plan.hand.seconds, plan.machine)
    return replace(longer, totals=replace(plan.totals, passes=4, cranks=4, minutes=minutes, actions=actions))


@damage(squares, "name")
def two_scraps_of_one_name(plan: Plan) -> Plan:
    return change_scrap(plan, "spare-1", id="red-1")


@damage(kits, "name")
def part_named_like_a_scrap(plan: Plan) -> Plan:
    return replace(plan, trims=(Trim("pink-1", (("grey-1", box(0, 0, 14, 90)),)),))


@damage(squares, "name")
def two_dies_of_one_name(plan: Plan) -> Plan:
    return replace(plan, dies=(*plan.dies, plan.dies[0]))


@damage(squares, "name")
def two_lay_ups_of_one_name(plan: Plan) -> Plan:
    return replace(plan, layups=plan.layups * 2)


@damage(squares, "number")
def pose_not_a_number(plan: Plan) -> Plan:
    return shift_paper(plan, 0, 0, dx=NAN)


@damage(squares, "number")
def endless_slot(plan: Plan) -> Plan:
    return shift_slot(plan, 0, 0, dy=math.inf)


@damage(squares, "number")
def clearance_not_a_number(plan: Plan) -> Plan:
    return replace(plan, hand=replace(plan.hand, web_mm=NAN))


@damage(squares, "number")
def negative_edge(plan: Plan) -> Plan:
    return replace(plan, hand=replace(plan.hand, edge_mm=-1.0))


@damage(squares, "number")
def plate_without_width(plan: Plan) -> Plan:
    return replace(plan, machine=replace(plan.machine, plate_mm=(0.0, 120.0)))


@damage(squares, "number")
def half_a_piece(plan: Plan) -> Plan:
    return change_line(plan, 0, met=2.5)  # type: ignore[arg-type]


@damage(squares, "number")
def no_copies_of_a_die(plan: Plan) -> Plan:
    return change_die(plan, "bar", copies=0)


@damage(squares, "number")
def turns_not_numbers(plan: Plan) -> Plan:
    return change_die(plan, "bar", turns=(0.0, NAN))


@damage(squares, "shape")
def outline_crosses_itself(plan: Plan) -> Plan:
    return change_scrap(plan, "red-1", outline=Polygon([(0, 0), (24.5, 76), (24.5, 0), (0, 76)]))


@damage(squares, "shape")
def cut_without_area(plan: Plan) -> Plan:
    return change_die(plan, "bar", cut=Polygon())


@damage(squares, "window", "rim-gap", "edge", "web", "remnant", "metal-on-overlap", "other-paper")
def dies_in_inches_taken_for_millimetres(plan: Plan) -> Plan:
    for die in plan.dies:
        plan = change_die(plan, die.name, cut=scale(die.cut, 25.4, 25.4), rim=scale(die.rim, 25.4, 25.4))
    return plan


# ---------------------------------------------------------------- trims


@damage(kits, "trim")
def part_reaches_out_of_its_scrap(plan: Plan) -> Plan:
    return finished(change_scrap(plan, "pink-1", outline=box(0, 0, 40, 89.99)))


@damage(kits, "trim")
def parts_overlap(plan: Plan) -> Plan:
    first = Trim("pink-1", (("pink-1a", box(0, 0, 14.01, 90)), ("pink-1b", box(14, 0, 40, 90))))
    plan = replace(plan, hand=replace(plan.hand, trims="scissors"), trims=(first, plan.trims[1]))
    return finished(plan)


@damage(kits, "trim")
def scrap_trimmed_twice(plan: Plan) -> Plan:
    again = Trim("pink-1", (("pink-1z", box(30, 0, 40, 10)),))
    plan = replace(plan, hand=replace(plan.hand, trims="scissors"), trims=(*plan.trims, again))
    return finished(plan)


@damage(kits, "trim")
def trimmed_where_no_trims_are_wanted(plan: Plan) -> Plan:
    return replace(plan, hand=replace(plan.hand, trims="none"))


@damage(kits, "trim")
def outline_for_scissors_where_only_straight_cuts_are_wanted(plan: Plan) -> Plan:
    corner = Polygon([(14, 0), (28, 0), (28, 60), (20, 60), (20, 50), (14, 50)])
    return finished(replace(plan, trims=(plan.trims[0], Trim("pink-1b", (("pink-1c", corner),)))))


@damage(kits, "trim", "totals")
def trimmed_into_nothing(plan: Plan) -> Plan:
    return replace(
        plan,
        scraps=(*plan.scraps, replace(plan.scraps[1], id="grey-3")),
        trims=(*plan.trims, Trim("grey-3", ())),
    )


# ---------------------------------------------------------------- sums


def _total(name: str, by: float) -> None:
    def do(plan: Plan) -> Plan:
        return replace(plan, totals=replace(plan.totals, **{name: getattr(plan.totals, name) + by}))

    for plan in (squares, openings, kits):
        DAMAGES.append(
            Damage(f"total of {name} off by {by} ({plan.__name__})", plan, do, frozenset({"totals"}))
        )


def _action(name: str, by: int) -> None:
    def do(plan: Plan) -> Plan:
        actions = replace(plan.totals.actions, **{name: getattr(plan.totals.actions, name) + by})
        return replace(plan, totals=replace(plan.totals, actions=actions))

    for plan in (squares, kits):
        DAMAGES.append(
            Damage(f"count of {name} off by {by} ({plan.__name__})", plan, do, frozenset({"totals"}))
        )


for _one in fields(Actions):
    _action(_one.name, 1)


@damage(squares, "totals")
def _a_pace_that_the_minutes_were_not_counted_with(plan: Plan) -> Plan:
    seconds = replace(plan.hand.seconds, pace=1.5)
    return replace(plan, hand=replace(plan.hand, seconds=seconds))


@damage(squares, "totals")
def _seconds_that_the_minutes_were_not_counted_with(plan: Plan) -> Plan:
    seconds = replace(plan.hand.seconds, crank=16.0)
    return replace(plan, hand=replace(plan.hand, seconds=seconds))


@damage(squares, "number")
def _a_pace_of_nothing(plan: Plan) -> Plan:
    return replace(plan, hand=replace(plan.hand, seconds=replace(plan.hand.seconds, pace=0.0)))


for _name in ("passes", "cranks", "changes", "trims", "pieces", "minutes"):
    _total(_name, 1)
_total("minutes", -0.02)


@damage(squares, "bound")
def bound_above_the_count(plan: Plan) -> Plan:
    return replace(plan, bound=replace(plan.bound, passes=4))


@damage(squares, "demand")
def demand_met_by_the_wrong_die(plan: Plan) -> Plan:
    return change_line(plan, 1, dies=("tile",))


@damage(squares, "demand")
def demand_met_in_the_wrong_paper(plan: Plan) -> Plan:
    return change_line(plan, 1, papers=("red",))


@damage(squares, "demand")
def more_met_than_is_given(plan: Plan) -> Plan:
    return change_line(plan, 0, by=(Share("tile", "red", 2),))


@damage(squares, "demand")
def more_given_than_is_cut(plan: Plan) -> Plan:
    return change_line(plan, 0, by=(Share("tile", "red", 4),), met=4, count=4)


@damage(openings, "demand")
def pieces_given_to_two_lines_at_once(plan: Plan) -> Plan:
    first = replace(plan.demand[1], by=(Share("seed", "white", 3),), met=3, count=3)
    second = replace(
        plan.demand[1], by=(Share("pair", "white", 2), Share("seed", "white", 1)), met=3, count=3
    )
    return replace(plan, demand=(plan.demand[0], first, second))


@damage(squares, "demand")
def more_met_than_asked(plan: Plan) -> Plan:
    return change_line(plan, 0, count=2)


@damage(squares, "demand")
def more_spares_than_pieces(plan: Plan) -> Plan:
    return change_line(plan, 0, spares=4)


@damage(kits, "demand", "packing")
def one_kit_more_than_the_demand(plan: Plan) -> Plan:
    return replace(plan, kits=3)


@damage(kits, "demand")
def line_of_a_card_forgotten(plan: Plan) -> Plan:
    card = plan.cards[1]
    return replace(
        plan, cards=(plan.cards[0], replace(card, lines=(*card.lines, CardLine(("small",), ("pink",), 0))))
    )


@damage(short, "complete", "short")
def called_complete_with_demand_unmet(plan: Plan) -> Plan:
    return replace(plan, complete=True)


@damage(squares, "complete", "short")
def called_incomplete_with_all_met(plan: Plan) -> Plan:
    return replace(plan, complete=False)


@damage(short, "short")
def incomplete_without_a_shortage(plan: Plan) -> Plan:
    return replace(plan, short=())


@damage(squares, "short")
def complete_with_a_shortage(plan: Plan) -> Plan:
    lack = Shortage("red", ("tile",), 1, 400.0, {"A4": 1}, False, "")
    return replace(plan, short=(lack,))


@damage(short, "unknown")
def shortage_of_an_unknown_paper(plan: Plan) -> Plan:
    return replace(plan, short=(replace(plan.short[0], paper="violet"),))


# ---------------------------------------------------------------- remnants and kits


@damage(squares, "remnant")
def remnant_forgotten(plan: Plan) -> Plan:
    return replace(plan, remnants=plan.remnants[1:])


@damage(squares, "remnant")
def remnant_without_its_holes(plan: Plan) -> Plan:
    first = Remnant(plan.remnants[0].scrap, box(*plan.remnants[0].outline.bounds))
    return replace(plan, remnants=(first, *plan.remnants[1:]))


@damage(openings, "remnant")
def remnant_with_the_fallen_out_middle(plan: Plan) -> Plan:
    white = next(r for r in plan.remnants if r.scrap == "white-1")
    middle = box(8, 8, 20, 20)
    kept = Remnant("white-1", white.outline.union(middle))
    return replace(plan, remnants=(kept, *(r for r in plan.remnants if r.scrap != "white-1")))


@damage(squares, "remnant")
def remnant_shifted(plan: Plan) -> Plan:
    first = Remnant(plan.remnants[0].scrap, translate(plan.remnants[0].outline, 0.01, 0))
    return replace(plan, remnants=(first, *plan.remnants[1:]))


@damage(squares, "remnant")
def two_remnants_of_one_scrap(plan: Plan) -> Plan:
    return replace(plan, remnants=plan.remnants + plan.remnants[:1])


@damage(kits, "remnant")
def remnant_of_a_trimmed_scrap(plan: Plan) -> Plan:
    return replace(plan, remnants=(*plan.remnants, Remnant("pink-1", box(0, 0, 40, 90))))


@damage(squares, "remnant")
def remnant_of_an_unknown_scrap(plan: Plan) -> Plan:
    return replace(plan, remnants=(*plan.remnants, Remnant("red-7", box(0, 0, 40, 90))))


@damage(squares, "remnant")
def unused_scrap_that_is_left_smaller(plan: Plan) -> Plan:
    return replace(plan, remnants=(*plan.remnants, Remnant("spare-1", box(0, 0, 30, 29))))


@damage(kits, "packing")
def kit_forgotten(plan: Plan) -> Plan:
    return replace(plan, packing=plan.packing[1:])


@damage(kits, "packing")
def card_forgotten(plan: Plan) -> Plan:
    return replace(plan, packing=plan.packing[:2])


@damage(kits, "packing")
def kit_packed_twice(plan: Plan) -> Plan:
    return replace(plan, packing=(*plan.packing, plan.packing[0]))


@damage(kits, "packing")
def kit_with_a_wrong_piece(plan: Plan) -> Plan:
    wrong = replace(plan.packing[0], pieces=(Share("small", "pink", 2),))
    return replace(plan, packing=(wrong, *plan.packing[1:]))


@damage(kits, "packing")
def kit_with_a_piece_too_few(plan: Plan) -> Plan:
    wrong = replace(plan.packing[0], pieces=plan.packing[0].pieces[:1])
    return replace(plan, packing=(wrong, *plan.packing[1:]))


@damage(kits, "packing")
def kits_take_a_piece_that_another_has(plan: Plan) -> Plan:
    both = replace(plan.packing[0], last=2)
    return replace(plan, packing=(both, plan.packing[2]))


@damage(kits, "packing")
def copy_of_a_card_too_many(plan: Plan) -> Plan:
    extra = replace(plan.packing[2], copy=2)
    return replace(plan, packing=(*plan.packing, extra))


@damage(kits, "packing")
def packing_of_an_unknown_card(plan: Plan) -> Plan:
    return replace(plan, packing=(*plan.packing, replace(plan.packing[2], card="three")))


@damage(kits, "packing")
def kits_backwards(plan: Plan) -> Plan:
    return replace(plan, packing=(*plan.packing, replace(plan.packing[2], first=2, last=1)))


__all__ = ["DAMAGES", "Damage", "change_die", "change_scrap", "shift_paper", "shift_slot"]
_UNUSED = (Card, Die, MultiPolygon, rectangle_die)
