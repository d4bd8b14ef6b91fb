"""An estimate for many kits: alike scraps are filled once, and it comes to the same."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely.geometry import box

from nestcut.batch.model import Scrap
from nestcut.passes.advice import estimates
from nestcut.passes.common.schedule import cuts_wanted
from tests.benchmarks.kits import grown
from tests.benchmarks.passes_classes import random_class


@pytest.mark.parametrize(("seed", "supply"), [(1, 3.0), (4, 0.8)])
def test_alike_scraps_count_as_if_each_were_filled(
    seed: int, supply: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Scraps that differ by a millionth of a millimetre are filled one by one; papers that run short, too."""
    batch = grown(random_class(seed, size="small", supply=supply), 60)
    wanted = cuts_wanted(batch, estimates.plate_for(batch, batch.demand, seconds=600, work_limit=10).shares)
    fills = 0
    lay = estimates.lay

    def counted(*arguments, **options):  # type: ignore[no-untyped-def]
        nonlocal fills
        fills += 1
        return lay(*arguments, **options)

    monkeypatch.setattr(estimates, "lay", counted)
    need, stock, short = estimates.paper_need(batch, wanted)
    few, fills = fills, 0
    apart = tuple(
        Scrap(scrap.id, scrap.paper, box(0, 0, scrap.outline.bounds[2] + 1e-9 * k, scrap.outline.bounds[3]))
        for k, scrap in enumerate(batch.scraps)
    )
    each = estimates.paper_need(replace(batch, scraps=apart), wanted)
    assert (need, stock) == pytest.approx(each[:2], rel=1e-6)
    assert short == each[2]
    assert bool(short) is (supply < 1)
    assert few < 0.5 * fills
