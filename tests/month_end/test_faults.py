"""Each fault is named by the right check with the right amount, and no other check is disturbed."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.month_end.clean import MONTH, clean
from tests.month_end.faults import FAULTS, Fault
from tests.month_end.shops import month_end, write_shop

pytestmark = pytest.mark.no_cover


@pytest.mark.parametrize("fault", FAULTS, ids=[fault.name for fault in FAULTS])
def test_fault(tmp_path: Path, fault: Fault) -> None:
    records = clean()
    fault.change(records)
    found = month_end(write_shop(tmp_path, records), MONTH)
    named = {check: set(items) for check, items in found.wrong.items()}
    assert named == fault.named
    apart = {
        (check, account)
        for (check, account, _), verdict in found.verdicts.items()
        if verdict != "agrees" and check != "open-items"
    }
    assert apart == fault.differs
