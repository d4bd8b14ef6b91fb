"""docs/batch-file.md says what the reader does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from nestcut.batch import forms, read_batch, read_cards_csv, read_scraps_csv
from nestcut.units import sheet_size
from tests.shared.batch_files import SVG
from tests.shared.places import ROOT

PAGE = (ROOT / "docs" / "batch-file.md").read_text(encoding="utf-8")
FORMS = [
    forms.BatchForm,
    forms.MachineForm,
    forms.HandForm,
    forms.PaperForm,
    forms.ScrapForm,
    forms.DieForm,
    forms.CardForm,
    forms.PieceForm,
    forms.ClassForm,
    forms.WishesForm,
    forms.EveningForm,
    forms.SecondsForm,
]
KEYS = sorted({field.alias or name for form in FORMS for name, field in form.model_fields.items()})


def examples(language: str) -> list[str]:
    """The code blocks of the page in a language."""
    return re.findall(rf"```{language}\n(.*?)```", PAGE, re.DOTALL)


@pytest.mark.parametrize("key", KEYS)
def test_every_key_is_documented(key: str) -> None:
    """A key that the reader knows stands on the page, as a key or as a table."""
    assert re.search(rf"`{key}`|`\[+{key}[.\]]|\b{key} = ", PAGE)


def test_every_key_of_the_page_is_known() -> None:
    """And no key stands on the page that the reader does not know."""
    rows = re.findall(r"^\| (`[^|]*`) \|", PAGE, re.MULTILINE)
    documented = {key for row in rows for key in re.findall(r"`([a-z_]+)`", row)}
    assert len(documented) > 40
    assert documented <= set(KEYS)


def test_example_of_the_page_is_a_batch(tmp_path: Path) -> None:
    """What the page shows first can be copied and read; its demand is what the page says."""
    (example,) = examples("toml")
    for name in ("job/scraps/white-corner", "shapes/campion"):
        drawing = tmp_path / f"{name}.svg"
        drawing.parent.mkdir(parents=True, exist_ok=True)
        drawing.write_text(SVG.format(w=30, h=30, d="M0,0H30V30H0Z"), encoding="utf-8")
    path = tmp_path / "job" / "evening.toml"
    path.write_text(example, encoding="utf-8")
    batch = read_batch(path)
    assert batch.demand[0].count == 80
    assert "12 × 2 × 3 = 72, plus 10 % = 80" in PAGE


def test_tables_of_the_page_can_be_read(tmp_path: Path) -> None:
    """Both CSV examples."""
    scraps, cards = examples("csv")
    (tmp_path / "s.csv").write_text(scraps, encoding="utf-8")
    (tmp_path / "c.csv").write_text(cards, encoding="utf-8")
    assert [scrap.id for scrap in read_scraps_csv(tmp_path / "s.csv")] == ["red-1", "red-2", "box lid"]
    assert read_scraps_csv(tmp_path / "s.csv")[2].outline.bounds == pytest.approx((0, 0, 60.325, 101.6))
    (card,) = read_cards_csv(tmp_path / "c.csv")
    assert (card.count, len(card.lines)) == (2, 2)


def test_limits_of_the_page_are_those_of_the_reader() -> None:
    """Numbers in the last section."""
    limits = PAGE[PAGE.index("## Limits") :]
    assert f"{forms.MOST_SCRAPS:,} scraps, {forms.MOST_DIES:,} dies, {forms.MOST_PAPERS} papers" in limits
    assert f"{forms.MOST_CARDS:,} cards" in limits
    assert forms.MOST_KITS == forms.MOST_COUNT == 10**6
    assert f"up to {forms.MOST_COPIES}" in PAGE


def test_sheet_names_of_the_page_are_known() -> None:
    """Names in the row of `size`."""
    row = next(line for line in PAGE.splitlines() if line.startswith("| `size`"))
    for name in re.findall(r'`"([^"]+)"`', row):
        assert sheet_size(name) is not None
