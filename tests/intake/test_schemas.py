"""Rows that do not fit their record type are a fault, and nothing outside can switch that off."""

from __future__ import annotations

from contextlib import AbstractContextManager

import pandas as pd
import pytest
from pandera.config import ValidationDepth, config_context

from reconcile.errors import FaultError
from reconcile.intake.schemas import checked


def payment(minor: int) -> pd.DataFrame:
    """A row of payments with what the schema needs, and an amount."""
    places = {"file": [0], "row": [2], "age": [0]}
    source = pd.Series(["bank"], dtype="str")
    amount = pd.Series([minor], dtype="Int64")
    return pd.DataFrame({"amount_minor": amount, "source": source, **places})


@pytest.mark.parametrize(
    "said",
    [
        config_context(validation_enabled=True),
        config_context(validation_enabled=False),
        config_context(validation_depth=ValidationDepth.SCHEMA_ONLY),
        config_context(validation_depth=ValidationDepth.DATA_ONLY),
    ],
    ids=["as it is", "disabled", "schema only", "data only"],
)
def test_the_schema_is_asked_whatever_the_library_was_told(
    said: AbstractContextManager[None],
) -> None:
    """Variables of the library's own, as PANDERA_VALIDATION_ENABLED, would let wrong rows pass."""
    with said:
        assert checked("payments", payment(100)).equals(payment(100))
        with pytest.raises(FaultError, match="Rows of payments are not what intake promises"):
            checked("payments", payment(-1))
        with pytest.raises(FaultError, match="Rows of payments are not what intake promises"):
            checked("payments", payment(100).astype({"amount_minor": "float64"}))
