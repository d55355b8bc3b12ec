"""The same portions on an engine that runs them elsewhere: the processes of a Dask cluster.

Source of the calls: the documents of Dask, ``distributed.Client.map`` and ``gather``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from distributed import Client

from reconcile.matching.shared import shared_groups
from reconcile.portions.check import (
    check_portion,
    put_together,
    scout_portion,
)
from reconcile.portions.portion import hand_out, size_of
from tests.shops import build_shop
from tests.test_portions import at_once, same, shelved

COUNT = 3


@pytest.mark.no_cover
def test_a_cluster_gives_what_the_shop_gives_at_once(tmp_path: Path) -> None:
    truth = build_shop(tmp_path, orders=300, seed=29, fault_rate=0.004, lookalike_rate=0.004)
    known = at_once(tmp_path, truth.as_of)
    (tmp_path / "aside").mkdir()
    shelf, groups = shelved(known, tmp_path / "aside")
    parts, size = known.intake.parts, size_of(groups)
    even = hand_out(np.zeros(size, dtype=bool), COUNT)
    with Client(n_workers=2, threads_per_worker=1, dashboard_address=None) as client:  # type: ignore[no-untyped-call]
        terms = client.scatter(known.terms, broadcast=True)
        portions = list(shelf.parted(parts, groups, even, COUNT + 1))
        scouts = client.gather(client.map(scout_portion, portions, terms=terms))
        place = hand_out(shared_groups(scouts, size), COUNT)
        portions = list(shelf.parted(parts, groups, place, COUNT + 1))
        checked = client.gather(client.map(check_portion, portions, terms=terms))
    rows = [portion.rows for portion in portions]
    assert len(rows) == COUNT + 1
    found = iter(zip(rows, checked, strict=True))
    matched, _, exceptions, texts = put_together(found, known.intake, known.terms, tmp_path)
    same(known, matched, exceptions, texts)
