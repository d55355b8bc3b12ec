"""An exception whose rows have vanished is not cleared: nobody can tell."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.memory.compare import GONE
from reconcile.report.contents import Contents
from tests.matching.shops import bill, order, payment, quote
from tests.memory.growing import Export, day_of, start
from tests.memory.small import by_key, found, run

pytestmark = pytest.mark.no_cover

DAY = str(day_of(0))


class _Shop:
    """A shop whose files are written one by one."""

    def __init__(self, folder: Path) -> None:
        """One order paid twice, by payments in two files."""
        self.folder = start(folder)
        self.orders = {"1": order("1", order_total="90.00", customer_paid="90.00")}
        self.payments = {
            "payments/a.csv": [payment("P1", "40.00", "1"), payment("P9", "7.00", "8")],
            "payments/b.csv": [payment("P2", "40.00", "1")],
        }
        self.invoices = [bill("INV1", "1", "40.00")]
        self.text: dict[str, str] = {}

    def run(self, night: int) -> Contents:
        """Write the files and run a night."""
        files = {"orders.csv": list(self.orders.values()), "invoices.csv": self.invoices}
        files |= {"quotes.csv": [quote(cost="40.00")], "shipments.csv": []} | self.payments
        for path in self.folder.rglob("*.csv"):
            if "out" not in path.parts:
                path.unlink()
        for file, rows in files.items():
            record = file.split("/", maxsplit=1)[0].removesuffix(".csv")
            numbered = {str(at): dict(row) for at, row in enumerate(rows)}
            Export(record, numbered).write(self.folder / file)
        for file, text in self.text.items():
            (self.folder / file).write_text(text, encoding="utf-8")
        contents = run(self.folder, night)
        assert contents.proofs["holds"].all()
        return contents


TWICE, STRAY = ("double-paid", "1"), ("unknown-order", "8")


def test_a_file_that_is_gone_leaves_its_exceptions_unknown_until_it_is_back(
    tmp_path: Path,
) -> None:
    shop = _Shop(tmp_path)
    first = found(shop.run(5))[TWICE]
    assert (first["verdict"], first["amount_minor"]) == ("open", 4000)
    second = shop.payments.pop("payments/b.csv")
    for night in (6, 7):  # also on the second night without it
        contents = shop.run(night)
        assert contents.cleared.empty
        row = found(contents)[TWICE]
        assert (row["verdict"], row["change"]) == ("unknown", "same")
        assert row["cause"] == f"{GONE}; missing: payments/b.csv"
        said = str(row["explanation"])
        assert said.startswith("Not found any more, but rows behind it are no longer in the files")
        assert said.endswith(str(first["explanation"]))
        assert said.count("Not found any more") == 1
        same = ("amount_minor", "class", "list", "currency", "evidence", "first_seen", "due_by")
        assert {name: row[name] for name in same} == {name: first[name] for name in same}
        assert row["age_days"] == int(first["age_days"]) + night - 5  # type: ignore[call-overload]
    shop.payments["payments/b.csv"] = second
    contents = shop.run(8)
    row = found(contents)[TWICE]
    kept = ("id", "verdict", "amount_minor", "explanation", "evidence", "cause", "first_seen")
    assert {name: row[name] for name in kept} == {name: first[name] for name in kept}
    assert row["change"] == "reopened"
    assert contents.cleared.empty


def test_a_night_without_the_file_run_again_says_the_same(tmp_path: Path) -> None:
    shop = _Shop(tmp_path)
    shop.run(5)
    del shop.payments["payments/b.csv"]
    assert shop.run(6).exceptions.equals(shop.run(6).exceptions)


def test_what_was_cleared_while_its_file_was_gone_is_cleared_when_it_is_back(
    tmp_path: Path,
) -> None:
    shop = _Shop(tmp_path)
    shop.run(5)
    second = shop.payments.pop("payments/b.csv")
    shop.run(6)
    shop.payments["payments/b.csv"] = second
    shop.payments["payments/c.csv"] = [payment("P3", "40.00", "1", kind="refund")]
    contents = shop.run(7)
    [row] = contents.cleared.to_dict("records")
    assert (row["rule"], row["evidence_of"]) == ("double-paid", "payments/c.csv row 2")
    assert TWICE not in found(contents)


def test_an_order_that_left_the_export_takes_its_exceptions_along(tmp_path: Path) -> None:
    shop = _Shop(tmp_path)
    shop.run(5)
    shop.orders = {"2": order("2", order_total="90.00", customer_paid="90.00")}
    row = found(shop.run(6))[TWICE]
    assert row["verdict"] == "unknown"
    # The file is there, and the row in it is not.
    assert row["cause"] == GONE


def test_a_file_under_another_name_is_no_other(tmp_path: Path) -> None:
    shop = _Shop(tmp_path)
    shop.run(5)
    shop.payments["payments/renamed.csv"] = shop.payments.pop("payments/b.csv")
    row = found(shop.run(6))[TWICE]
    assert (row["verdict"], row["change"]) == ("open", "same")


def test_a_corrected_row_is_not_gone(tmp_path: Path) -> None:
    shop = _Shop(tmp_path)
    shop.run(5)
    shop.payments["payments/b.csv"] = [payment("P2", "40.00", "1", status="failed")]
    contents = shop.run(6)
    cleared = by_key(contents.cleared)[TWICE]
    assert cleared["evidence_of"] == "payments/b.csv row 2"
    assert cleared["reason"] == "new or changed rows in the payments"
    assert TWICE not in found(contents)


def test_a_row_corrected_in_its_key_is_not_gone_either(tmp_path: Path) -> None:
    """The payment was under the number of another order: neither that nor its order is missing."""
    shop = _Shop(tmp_path)
    shop.run(5)
    shop.orders["8"] = order("8", order_total="90.00", customer_paid="90.00")
    shop.payments["payments/b.csv"] = [payment("P2", "40.00", "8")]
    contents = shop.run(6)
    cleared = by_key(contents.cleared)
    assert cleared[TWICE]["evidence_of"] == "payments/b.csv row 2"
    # A payment whose order came with the next export: the order is what cleared it.
    assert cleared[STRAY]["evidence_of"] == "orders.csv row 3"
    assert cleared[STRAY]["reason"] == "new or changed rows in the orders"


def test_one_of_two_equal_rows_that_is_missing_is_missing(tmp_path: Path) -> None:
    shop = _Shop(tmp_path)
    shop.payments["payments/b.csv"] = [payment("P2", "40.00", "1")] * 2
    before = found(shop.run(5))[TWICE]
    assert before["amount_minor"] == 8000
    shop.payments = {"payments/a.csv": [payment("P1", "40.00", "1")],
                     "payments/b.csv": [payment("P2", "20.00", "5")]}  # fmt: skip
    assert found(shop.run(6))[TWICE]["verdict"] == "unknown"


def test_a_column_that_is_new_in_an_export_changes_no_row(tmp_path: Path) -> None:
    shop = _Shop(tmp_path)
    shop.run(5)
    shop.orders["1"] = shop.orders["1"] | {"line_no": "1"}
    shop.payments["payments/b.csv"] = [payment("P2", "40.00", "1", status="failed", kind="payment")]
    contents = shop.run(6)
    assert TWICE in by_key(contents.cleared)


def test_rows_that_could_not_be_read_and_whose_file_is_gone_are_still_not_read(
    tmp_path: Path,
) -> None:
    shop = _Shop(tmp_path)
    text = "supplier,payment_ref,paid_at,amount,currency\nkestrel,P5,2026-03-99,1.00,EUR\n"
    shop.text["payments/c.csv"] = text
    key = ("rows-rejected", "")
    assert found(shop.run(5))[key]["verdict"] == "open"
    del shop.text["payments/c.csv"]
    row = found(shop.run(6))[key]
    assert row["verdict"] == "unknown"
    assert row["cause"] == f"{GONE}; missing: payments/c.csv"
    shop.text["payments/c.csv"] = text.replace("03-99", "03-09")
    contents = shop.run(7)
    assert key not in found(contents)
    assert by_key(contents.cleared)[key]["evidence_of"] == "payments/c.csv"


def test_what_clears_without_a_row_of_its_own_says_what_else_has_changed(tmp_path: Path) -> None:
    shop = _Shop(tmp_path)
    shop.invoices = [bill("INV1", "1", "41.00"), bill("INV2", "2", "50.00")]
    shop.orders["2"] = order("2", order_total="90.00", customer_paid="90.00")
    shop.run(5)
    settings = shop.folder / "shop.toml"
    with settings.open("a", encoding="utf-8") as file:
        file.write('[tolerance]\nabsolute = "1.00"\npercent = "10"\n')
    row = by_key(shop.run(6).cleared)[("overcharged", "1")]
    assert row["reason"] == (
        "no row behind it is new: the settings, the rules or the tool have changed"
    )
    quotes = shop.folder / "quotes.csv"
    shop.text["quotes.csv"] = quotes.read_text(encoding="utf-8").replace("40.00", "50.00")
    row = by_key(shop.run(7).cleared)[("overcharged", "2")]
    said = "no row behind it is new: there are new or changed rows in the quotes"
    assert (row["reason"], row["evidence_of"]) == (said, "quotes.csv row 2")
