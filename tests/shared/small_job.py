"""A batch of one die, one scrap and two kits, and its drawing: what the tests of the commands plan."""

from __future__ import annotations

__all__ = ["BATCH", "SQUARE", "SVG"]

SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm" viewBox="0 0 {w} {h}">{inner}</svg>'
)
SQUARE = SVG.format(w=20, h=20, inner='<path d="M0 0H20V20H0Z"/>')
BATCH = """
title = "x"
[machine]
plate = [150, 220]
[papers.red]
[[scraps]]
paper = "red"
size = [100, 100]
[dies.leaf]
outline = "leaf.svg"
rim = 1.6
[[cards]]
name = "card"
count = 1
pieces = [{ die = "leaf", paper = "red", count = 1 }]
[class]
kits = 2
"""
