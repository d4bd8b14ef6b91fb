"""A small plan in plain JSON values, written by hand from the contract, every key used."""

from __future__ import annotations

from typing import Any

__all__ = ["sample", "square"]


def square(left: float, top: float, size: float) -> list[list[list[float]]]:
    """The rings of a square, outer ring counter-clockwise as RFC 7946 asks."""
    right, low = left + size, top + size
    return [[[left, top], [right, top], [right, low], [left, low], [left, top]]]


def _polygon(left: float, top: float, size: float) -> dict[str, Any]:
    return {"type": "Polygon", "coordinates": square(left, top, size)}


def sample() -> dict[str, Any]:
    """Two square dies, one scrap trimmed into a part, one pass. A new value at every call."""
    holed = square(0, 0, 50)
    holed.append([[10, 10], [10, 30], [30, 30], [30, 10], [10, 10]])
    return {
        "format": "nestcut-plan",
        "version": 2,
        "title": "Hedgerow evening",
        "complete": False,
        "machine": {
            "plate": [150, 220],
            "clear": 2,
            "overhang": 150,
            "dies": "over",
            "load_limit": 320.5,
        },
        "hand": {
            "web": 2.5,
            "edge": 2.0,
            "gap": 1.0,
            "papers": "square",
            "trims": "straight",
            "dies": "held",
            "pace": 1,
            "seconds": {
                "crank": 15,
                "lay": 12,
                "pull_on": 6,
                "turn": 8,
                "take_away": 3,
                "lift": 6,
                "put_back": 6,
                "set_up": 15,
                "lift_under": 8,
                "put_back_under": 8,
                "set_up_under": 15,
                "place_loose": 5,
                "free": 3,
                "trim_take": 10,
                "trim_cut": 8,
                "trim_cut_again": 4,
                "scissors": 10,
            },
        },
        "papers": [{"name": "red", "swatch": "#a4452c", "direction": "none", "both_sides": False}],
        "dies": [
            {
                "name": "campion",
                "copies": 1,
                "turns": [0, 90],
                "trips": 1,
                "cut": _polygon(-10, -10, 20),
                "rim": _polygon(-12, -12, 24),
                "marks": {"type": "MultiLineString", "coordinates": [[[0, 0], [5, 5], [6, 5]]]},
            },
            {
                "name": "two leaves",
                "copies": 2,
                "turns": "any",
                "trips": 2,
                "cut": {"type": "MultiPolygon", "coordinates": [square(-10, -2, 4), square(5, -2, 4)]},
                "rim": _polygon(-12, -12, 24),
            },
        ],
        "scraps": [{"id": "red-1", "paper": "red", "outline": _polygon(0, 0, 100)}],
        "trims": [{"scrap": "red-1", "into": [{"id": "red-1a", "outline": _polygon(0, 0, 50)}]}],
        "demand": [
            {
                "card": "campion wreath",
                "dies": ["campion"],
                "papers": ["red"],
                "count": 80,
                "spares": 8,
                "met": 1,
                "by": [{"die": "campion", "paper": "red", "count": 1}],
            }
        ],
        "layups": [{"id": "A", "slots": [{"die": "campion", "pose": [30.0, 40.0, 15.0]}]}],
        "passes": [
            {
                "number": 1,
                "layup": "A",
                "papers": [{"scrap": "red-1a", "pose": [10, 20, 0], "flipped": False}],
                "cuts": [{"slot": 0, "scrap": "red-1a"}],
            }
        ],
        "bound": {"passes": 1, "reason": "the campion die must cut 1 piece and you own one"},
        "totals": {
            "passes": 1,
            "cranks": 1,
            "changes": 1,
            "trims": 1,
            "pieces": 1,
            # crank 15, lay 12, set up 15, free 3, take 10, two cuts at 50 mm 8 + 4: 67 seconds
            "minutes": 1.1167,
            "actions": {
                "crank": 1,
                "lay": 1,
                "pull_on": 0,
                "turn": 0,
                "take_away": 0,
                "lift": 0,
                "put_back": 0,
                "set_up": 1,
                "place_loose": 0,
                "free": 1,
                "trim_take": 1,
                "trim_cut": 1,
                "trim_cut_again": 1,
                "scissors_mm": 0,
            },
        },
        "remnants": [{"scrap": "red-1a", "outline": {"type": "Polygon", "coordinates": holed}}],
        "short": [
            {
                "paper": "red",
                "dies": ["campion"],
                "pieces": 79,
                "area_mm2": 31600.0,
                "sheets": {"A4": 1, "letter": 1},
                "proved": True,
                "reason": "79 pieces are missing",
            }
        ],
        "kits": 12,
        "cards": [
            {
                "name": "campion wreath",
                "count": 2,
                "lines": [{"dies": ["campion"], "papers": ["red"], "count": 3}],
            }
        ],
        "packing": [
            {
                "first": 1,
                "last": 1,
                "card": "campion wreath",
                "copy": 1,
                "pieces": [{"die": "campion", "paper": "red", "count": 1}],
            }
        ],
        "evening": {"start": "18:30", "break_every": 20, "break_minutes": 5},
        "proof": {"prices": {"campion": "1/1"}, "lines": ["1/1"], "disproofs": []},
        "extras": {"seed": 7, "loads": {"A": [1.5, 2]}},
        "notes": ["one scrap is small"],
    }


def sample_of_version_1() -> dict[str, Any]:
    """The same as version 1 told it: minutes by passes, dies set up and trims, no actions."""
    data = sample()
    data["version"] = 1
    data["machine"] |= {"seconds_per_pass": 60, "seconds_per_die": 15, "seconds_per_trim": 30}
    for key in ("dies", "pace", "seconds"):
        del data["hand"][key]
    del data["totals"]["actions"]
    data["totals"]["minutes"] = 1.75
    return data
