"""Small plots for the run sheet, black on white: the cranking load along the plate, and the choice of plans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from nestcut.sheets.drawings.draw import INK, Svg, mm
from nestcut.sheets.drawings.words import number

__all__ = ["load_plot", "trade_off_plot"]


def _nice_step(span: float, parts: int) -> float:
    step = 1.0
    while True:
        for factor in (1, 2, 5):
            if span <= step * factor * parts:
                return step * factor
        step *= 10


def _axes(
    svg: Svg, width: float, height: float, x_most: float, y_most: float, x_words: str, y_words: str
) -> None:
    look = {"stroke": INK, "stroke_width": "0.25"}
    svg.add(svg.line(0, height, width, height, **look))
    svg.add(svg.line(0, 0, 0, height, **look))
    for most, along in ((x_most, True), (y_most, False)):
        step = _nice_step(most, 5)
        k = 0
        while k * step <= most + 1e-9:
            part = k * step / most
            if along:
                svg.add(svg.line(part * width, height, part * width, height + 1, **look))
                svg.add(svg.text(number(k * step), part * width, height + 4, size=2.8, anchor="middle"))
            else:
                y = height * (1 - part)
                svg.add(svg.line(-1, y, 0, y, **look))
                svg.add(svg.line(0, y, width, y, stroke="#cccccc", stroke_width="0.12"))
                svg.add(svg.text(number(k * step), -1.8, y + 1, size=2.8, anchor="end"))
            k += 1
    svg.add(svg.text(x_words, width, height + 8.2, size=2.8, anchor="end"))
    svg.add(svg.text(y_words, 0, -2.2, size=2.8))


def _numbers(values: object) -> list[float]:
    if not isinstance(values, Sequence) or isinstance(values, str):
        return []
    return [max(0.0, float(value)) for value in values if isinstance(value, int | float) and value == value]


def load_plot(
    load: Mapping[str, Any], length_mm: float, *, width: float = 74.0, height: float = 24.0
) -> str | None:
    """Cut length under the roller as the plates go through: the lay-up's ``loads`` of the plan.

    ``load``: {"step_mm": …, "length_mm": [...], "peak_mm": …, "at_mm": …}; None where it holds no values.
    """
    values = _numbers(load.get("length_mm"))
    step = load.get("step_mm", 1)
    if not values or not isinstance(step, int | float) or step <= 0:
        return None
    top = max(max(values), 1.0)
    grid = _nice_step(top, 5)
    y_most = grid * -(-top // grid)
    svg = Svg(width + 14, height + 14, name="cut length under the roller", origin=(-11, -5))
    svg.sheet["class"] = "plot"
    x_most = max(length_mm, step * (len(values) - 1), 1.0)
    _axes(svg, width, height, x_most, y_most, "mm from the first end", "mm of cutting edge under the roller")
    points = [
        f"{mm(k * step / x_most * width)},{mm(height * (1 - value / y_most))}"
        for k, value in enumerate(values)
    ]
    last = mm((len(values) - 1) * step / x_most * width)
    svg.add(
        svg.path(f"M0,{mm(height)}L{' '.join(points)} {last},{mm(height)}Z", fill="#dddddd", stroke="none")
    )
    svg.add(svg.path(f"M{' '.join(points)}", fill="none", stroke=INK, stroke_width="0.4"))
    peak = max(range(len(values)), key=values.__getitem__)
    x, y = peak * step / x_most * width, height * (1 - values[peak] / y_most)
    svg.add(svg.circle(x, y, 0.9, fill=INK))
    return svg.sheet.tostring()


def trade_off_plot(
    points: Sequence[Mapping[str, Any]], *, width: float = 84.0, height: float = 40.0
) -> str | None:
    """Plans to choose from: passes against lay-ups; the chosen one filled."""
    known = [
        (float(one["layups"]), float(one["passes"]), bool(one.get("chosen")))
        for one in points
        if isinstance(one.get("layups"), int | float) and isinstance(one.get("passes"), int | float)
    ]
    if len(known) < 2:
        return None
    x_most = max(one[0] for one in known) + 1
    top = max(one[1] for one in known)
    grid = _nice_step(top, 5)
    y_most = grid * -(-top // grid)
    svg = Svg(width + 14, height + 14, name="passes against lay-ups", origin=(-11, -5))
    svg.sheet["class"] = "plot"
    _axes(svg, width, height, x_most, y_most, "lay-ups", "passes")
    for layups, passes, chosen in known:
        x, y = layups / x_most * width, height * (1 - passes / y_most)
        svg.add(svg.circle(x, y, 1.3, fill=INK if chosen else "#ffffff", stroke=INK, stroke_width="0.35"))
        words = f"{number(passes, 0)}{' (this plan)' if chosen else ''}"
        svg.add(svg.text(words, x + 2.2, y - 1.2, size=2.8, bold=chosen))
    return svg.sheet.tostring()
