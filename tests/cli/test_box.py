"""Evening after evening: what one plan leaves is what the next one is cut from."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from typer.testing import CliRunner

from nestcut.batch import read_batch
from nestcut.cli import app
from nestcut.plans import read_plan
from tests.shared.small_job import BATCH, SVG

WINDOW = SVG.format(w=90, h=80, inner='<path fill-rule="evenodd" d="M0 0H90V80H0Z M50 20H80V60H50Z"/>')


def area_mm2(folder: Path) -> float:
    """Paper in a batch's stock."""
    return sum(scrap.outline.area for scrap in read_batch(folder).scraps)


def test_the_next_batch_is_planned_from_the_box(folder: Path) -> None:
    """Pieces are cut, the box goes into a second batch as it was written, and that one is planned and checked."""
    (folder / "window.svg").write_text(WINDOW, encoding="utf-8")
    more = '[[scraps]]\npaper = "red"\noutline = "window.svg"\nid = "window"\n[dies.leaf]'
    first = BATCH.replace("[dies.leaf]", more).replace("kits = 2", "kits = 9")
    (folder / "batch.toml").write_text(first, encoding="utf-8")
    begin = area_mm2(folder / "batch.toml")
    assert CliRunner().invoke(app, ["plan", "batch.toml", "--out", "out", "--seconds", "5"]).exit_code == 0
    table = list(csv.DictReader((folder / "out" / "box.csv").open(encoding="utf-8")))
    assert table
    assert all((folder / "out" / row["outline"]).is_file() for row in table if row["outline"])

    head, _, rest = BATCH.partition("[[scraps]]")
    second = 'scraps_csv = "out/box.csv"\n' + head + rest[rest.index("[dies.leaf]") :]
    (folder / "next.toml").write_text(second.replace("kits = 2", "kits = 3"), encoding="utf-8")
    plan = read_plan(folder / "out" / "plan.json")
    crumbs_at_most = begin - plan.totals.pieces * 400
    assert 0 < area_mm2(folder / "next.toml") <= crumbs_at_most + 1e-3
    result = CliRunner().invoke(app, ["plan", "next.toml", "--out", "then", "--seconds", "5"])
    assert result.exit_code == 0, result.output
    then = read_plan(folder / "then" / "plan.json")
    assert then.complete
    assert {scrap.id for scrap in then.scraps} == {
        name
        for row in table
        for name in (
            [row["id"]]
            if row["count"] == "1"
            else [f"{row['id']}-{k}" for k in range(1, int(row["count"]) + 1)]
        )
    }
    assert CliRunner().invoke(app, ["check", "then"]).exit_code == 0


def test_outlines_of_a_table_lie_beside_it_or_beside_the_batch(folder: Path) -> None:
    """Beside the table first; a table that was written for the batch's folder is read as before."""
    (folder / "stock").mkdir()
    small, large = (SVG.format(w=side, h=50, inner=f'<path d="M0 0H{side}V50H0Z"/>') for side in (60, 70))
    (folder / "stock" / "a.svg").write_text(small, encoding="utf-8")
    (folder / "a.svg").write_text(large, encoding="utf-8")
    (folder / "b.svg").write_text(large, encoding="utf-8")
    (folder / "stock" / "box.csv").write_text("paper,outline\nred,a.svg\nred,b.svg\n", encoding="utf-8")
    (folder / "batch.toml").write_text('scraps_csv = "stock/box.csv"\n' + BATCH, encoding="utf-8")
    assert [scrap.outline.bounds[2] for scrap in read_batch(folder / "batch.toml").scraps][
        -2:
    ] == pytest.approx([60, 70])
    (folder / "b.svg").unlink()
    result = CliRunner().invoke(app, ["plan", "batch.toml", "--out", "out"])
    assert result.exit_code == 2
    assert "b.svg" in result.output
