"""Tables on disk: what is put there comes back, whole, in pieces, by column and row by row."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reconcile.errors import FaultError
from reconcile.pieces import InMemory, InOrder, Pile

TABLE = pd.DataFrame(
    {
        "ref": pd.Series(["LL-1", "", "LL-3", "LL-1", "LL-5"], dtype="str"),
        "qty": pd.array([1, None, 3, 4, 5], dtype="Int64"),
        "day": np.array(["2026-01-01", "NaT", "2026-01-03"] + ["2026-01-04"] * 2, "datetime64[s]"),
        "posted": [True, False, True, False, True],
    }
)


@pytest.fixture
def pile(tmp_path: Path) -> Pile:
    """The table, added in two pieces with nothing between them, two rows read together."""
    made = Pile(tmp_path / "table.arrow", together=2)
    for rows in (TABLE[:3], TABLE[:0], TABLE[3:]):
        made.add(rows.reset_index(drop=True))
    return made


def test_what_is_put_on_disk_comes_back(pile: Pile) -> None:
    assert (len(pile), pile.columns) == (5, list(TABLE))
    pd.testing.assert_frame_equal(pile.whole(), TABLE)
    assert [len(piece) for piece in pile.pieces()] == [3, 2]
    pd.testing.assert_frame_equal(pd.concat(pile.pieces(), ignore_index=True), TABLE)
    assert pile.counts("ref") == {"LL-1": 2, "": 1, "LL-3": 1, "LL-5": 1}


def test_some_columns_of_some_rows_in_the_order_asked_for(pile: Pile) -> None:
    rows = np.array([4, 0, 3, 0])
    wanted = TABLE.take(rows).reset_index(drop=True)
    for table in (pile, InMemory(TABLE)):
        pd.testing.assert_frame_equal(table.take(rows), wanted)
        pd.testing.assert_frame_equal(table.take(rows, ["qty"]), wanted[["qty"]])
        assert [list(piece) for piece in table.pieces(["day"])][:1] == [["day"]]
        assert table.take(rows[:0], ["ref"]).empty


def test_rows_in_an_order_of_their_own(pile: Pile) -> None:
    order = np.array([2, 1, 0, 4, 3])
    turned = InOrder(pile, order)
    wanted = TABLE.take(order).reset_index(drop=True)
    pd.testing.assert_frame_equal(turned.whole(), wanted)
    pd.testing.assert_frame_equal(pd.concat(turned.pieces(), ignore_index=True), wanted)
    pd.testing.assert_frame_equal(turned.take(np.array([3])), wanted[3:4].reset_index(drop=True))
    assert len(turned) == 5


def test_a_table_without_a_row_keeps_its_columns(tmp_path: Path) -> None:
    pile = Pile(tmp_path / "none.arrow")
    pile.add(TABLE[:0])
    for frame in (pile.whole(), *pile.pieces(), pile.take(np.empty(0, np.int64))):
        pd.testing.assert_frame_equal(frame, TABLE[:0])


def test_nothing_is_added_once_rows_are_read(pile: Pile) -> None:
    pile.whole()
    with pytest.raises(ValueError, match="before any is read"):
        pile.add(TABLE)


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(FaultError, match="rows cannot be put aside"):
        Pile(tmp_path / "gone" / "table.arrow").add(TABLE)
