"""Batch files for the tests: the contract's example with its drawings, and small ones."""

from __future__ import annotations

from pathlib import Path

__all__ = ["EVENING", "SMALL", "SVG", "write_evening", "write_small"]

SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm" viewBox="0 0 {w} {h}">'
    '<path d="{d}"/></svg>'
)

EVENING = """
title = "Hedgerow evening"

[machine]
plate = [150, 220]          # across the rollers, along the feed
clear = 2                   # kept free along the plate's edges
dies = "over"               # over | under the paper
overhang = 150              # how far a paper may stick out at the two ends (feed direction); never sideways

[hand]
web = 2.5
edge = 2.0
gap = 1.0
papers = "square"           # square | any

[papers.red]
swatch = "#a4452c"
direction = "none"          # none | stripe | up
both_sides = false          # true: good on either side

[papers.white]
[papers.blue]

[[scraps]]
paper = "red"
size = [105, 140]           # or outline = "scraps/red-corner.svg"
count = 3
id = "folder-2"             # optional

[[scraps]]
paper = "red"
outline = "scraps/red-corner.svg"

[dies.campion]
outline = "../shapes/campion.svg"
copies = 1
rim = 1.6                   # or drawn in the SVG
turns = "any"               # or a list of degrees
mirror = false              # true if the outline was taken from the cutting side
trips = 1                   # trips through the rollers for a clean cut (intricate dies: 2)

[dies.speedwell]
circle = "1/2 in"

[dies.stitchwort]
rectangle = [12, 18]
corner = 3
turns = [0, 180]
copies = 2

[[cards]]
name = "campion wreath"
count = 2                   # of this card in one kit
pieces = [
  { die = "campion", paper = "red", count = 3 },
  { any_of = ["speedwell", "stitchwort"], papers = ["white", "blue"], count = 2 },
]

[class]
kits = 12
spares = "10 %"             # of each line of demand, rounded up; or a plain number of pieces
"""

SMALL = """\
title = "small"
[machine]
plate = [100, 150]
clear = 2
[hand]
web = 2.5
[papers.red]
swatch = "#a4452c"
[papers.white]
direction = "stripe"
[[scraps]]
paper = "red"
size = [60, 80]
[[scraps]]
paper = "white"
size = [60, 80]
[dies.disc]
circle = 20
[dies.tag]
rectangle = [20, 30]
turns = [0, 90]
[[cards]]
name = "one"
pieces = [{ die = "disc", paper = "red", count = 3 }, { any_of = ["disc", "tag"], papers = ["red", "white"], count = 2 }]
[class]
kits = 2
spares = 1
[evening]
start = "18:30"
"""


def write_evening(folder: Path) -> Path:
    """The example of the contract, with a hexagon for a blossom and a scrap with a corner cut off."""
    (folder / "shapes").mkdir(parents=True)
    (folder / "job" / "scraps").mkdir(parents=True)
    hexagon = "M5,0 L15,0 L20,9 L15,18 L5,18 L0,9 Z"
    (folder / "shapes" / "campion.svg").write_text(SVG.format(w=20, h=18, d=hexagon), encoding="utf-8")
    corner = "M0,0 L70,0 L70,50 L40,90 L0,90 Z"
    (folder / "job" / "scraps" / "red-corner.svg").write_text(
        SVG.format(w=70, h=90, d=corner), encoding="utf-8"
    )
    path = folder / "job" / "evening.toml"
    path.write_text(EVENING, encoding="utf-8")
    return path


def write_small(folder: Path, text: str = SMALL) -> Path:
    """A batch of plain shapes."""
    path = folder / "small.toml"
    path.write_text(text, encoding="utf-8")
    return path
