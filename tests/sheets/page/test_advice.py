"""The sentence about what could be bought."""

from __future__ import annotations

from dataclasses import replace

from nestcut.sheets import render_sheets
from nestcut.sheets.page.whatif import advice_text
from tests.shared import sheet_plans as plans

PAIR = {
    "what": "a second campion die and a second tag die",
    "kind": "die",
    "passes": -30,
    "sentence": "a second campion die and a second tag die save 30 passes",
}
ONE = {
    "what": "a second campion die",
    "kind": "die",
    "passes": -22,
    "sentence": "a second <b>campion</b> die saves 22 passes",
}
KIT = {"what": "one kit less", "kind": "kits", "passes": -40, "sentence": "one kit less saves 40 passes"}
DEAR = {"what": "a second tag die", "kind": "die", "passes": 3, "sentence": "a second tag die costs 3 passes"}


def told(*ideas) -> str:
    return advice_text(replace(plans.evening(), extras={"what_if": list(ideas)}))


def test_the_purchase_that_saves_most_per_die_is_told() -> None:
    """22 passes for one die are more than 30 for two; kits are no purchase, and what costs is no advice."""
    assert "campion" in told(PAIR, ONE, KIT, DEAR)
    assert "22 passes" in told(PAIR, ONE, KIT, DEAR)
    assert told(KIT, DEAR) == ""
    assert told() == ""
    assert advice_text(replace(plans.evening(), extras={"what_if": {"a": 1}})) == ""


def test_the_run_sheet_shows_it_as_plain_text() -> None:
    """Names come from people's files: no markup gets through."""
    page = render_sheets(replace(plans.evening(), extras={"what_if": [ONE]}))["run-sheet.html"]
    assert "Most useful purchase: a second &lt;b&gt;campion" in page
