"""Every look-alike beside the fault that it looks like.

Both halves of a pair are one small shop, and what differs is what tells them apart: mostly a row
or a cell. The fault is open, once and with its amount; of the look-alike nothing is open, and all
that is said of it is named: what is not due yet, or what nobody can tell.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from reconcile.nightly import run_nightly
from tests.matching.shops import AS_OF, Row, bill, order, parcel, payment, quote, written
from tests.outside.shop_folder import read_rows

pytestmark = pytest.mark.no_cover

Records = Mapping[str, Sequence[Row]]
Said = tuple[str, str, str, str]  # rule, verdict, order, amount
NEW_YORK = ('time_zone = "Europe/Dublin"', 'time_zone = "America/New_York"')
UNTIL_LAST_ORDER = (
    'files = ["orders*.csv"]\ncovered_to = "as-of"',
    'files = ["orders*.csv"]\ncovered_to = "last-row"',
)


@dataclass(frozen=True)
class Pair:
    """A look-alike and its fault, what each of them gives, and changes of the settings."""

    name: str
    fault: Records
    opens: tuple[Said, ...]
    alike: Records
    says: tuple[Said, ...] = ()
    settings: tuple[str, str] = ("", "")


def paid_for(ref: str = "1", qty: int = 1, **more: object) -> Row:
    """An order line at 90.00 a unit that the customer paid in full."""
    total = f"{90 * qty}.00"
    return order(ref, qty=qty, order_total=total, customer_paid=total) | more


def sold(ref: str = "1", qty: int = 1, **more: object) -> Row:
    """One whose parcel the storefront shows."""
    return paid_for(ref, qty, tracking_no=f"T{ref}") | more


def sent(ref: str = "1", qty: int = 1, **more: object) -> Row:
    """A parcel of 4 March that arrived."""
    row = parcel(ref, qty=qty, tracking_no=f"T{ref}", delivered_at="2026-03-08")
    return row | more


def shop(**other: Sequence[Row]) -> Records:
    """One order of one unit at 40.00, paid and delivered, but for the records that are given."""
    usual: dict[str, Sequence[Row]] = {
        "orders": [sold()],
        "quotes": [quote(cost="40.00")],
        "payments": [payment("P1", "40.00", "1")],
        "shipments": [sent()],
    }
    return usual | {name.replace("_", "-"): rows for name, rows in other.items()}


def opened(rule: str, ref: str = "1", amount: str = "40.00") -> tuple[Said, ...]:
    """One exception to act on."""
    return ((rule, "open", ref, amount),)


TWO = {"orders": [sold("1"), sold("2")], "shipments": [sent("1"), sent("2")]}
WRONG = bill("I1", "1", "44.00", invoice_date="2026-03-02")
CREDIT = bill("C1", "1", "44.00", invoice_date="2026-03-05", kind="credit")
RIGHT = bill("I2", "1", "40.00", invoice_date="2026-03-06", kind="invoice")
LATELY = payment("P1", "40.00", "1", paid_at="2026-03-18")

PAIRS = (
    Pair(
        "deposit and balance that add up",
        shop(payments=[payment("P1", "40.00", "1"), payment("P2", "40.00", "1")]),
        opened("double-paid"),
        shop(payments=[payment("P1", "10.00", "1"), payment("P2", "30.00", "1")]),
    ),
    Pair(
        "deposit and balance, and the balance is missing",
        shop(payments=[payment("P1", "10.00", "1")]),
        opened("part-paid", amount="30.00"),
        shop(payments=[payment("P1", "10.00", "1"), payment("P2", "30.00", "1")]),
    ),
    Pair(
        "deposit and balance that are too much together",
        shop(payments=[payment("P1", "10.00", "1"), payment("P2", "31.00", "1")]),
        opened("overpaid", amount="1.00"),
        shop(payments=[payment("P1", "10.00", "1"), payment("P2", "30.00", "1")]),
    ),
    Pair(
        "two orders of one amount on one day",
        shop(**TWO, payments=[payment(f"P{n}", "40.00", "1") for n in (1, 2)]),
        (*opened("double-paid"), *opened("unpaid", "2")),
        shop(**TWO, payments=[payment(f"P{n}", "40.00", str(n)) for n in (1, 2)]),
    ),
    Pair(
        "split shipment",
        shop(
            orders=[sold(qty=3)],
            payments=[payment("P1", "120.00", "1")],
            shipments=[sent(qty=1)],
        ),
        opened("short-shipped", amount="80.00"),
        shop(
            orders=[sold(qty=3)],
            payments=[payment("P1", "120.00", "1")],
            shipments=[sent(qty=1), sent(qty=2, shipped_at="2026-03-06")],
        ),
    ),
    Pair(
        "split shipment, and more than was ordered",
        shop(
            orders=[sold(qty=3)],
            payments=[payment("P1", "120.00", "1")],
            shipments=[sent(qty=1), sent(qty=3, shipped_at="2026-03-06")],
        ),
        opened("over-shipped", amount=""),
        shop(
            orders=[sold(qty=3)],
            payments=[payment("P1", "120.00", "1")],
            shipments=[sent(qty=1), sent(qty=2, shipped_at="2026-03-06")],
        ),
    ),
    Pair(
        "replacement by its reference",
        shop(shipments=[sent(), sent("1", shipped_at="2026-03-10", delivered_at="2026-03-14")]),
        opened("over-shipped", amount=""),
        shop(shipments=[sent(), sent("1-R", shipped_at="2026-03-10", delivered_at="2026-03-14")]),
    ),
    Pair(
        "replacement by its column",
        shop(shipments=[sent(), sent(shipped_at="2026-03-10", delivered_at="2026-03-14")]),
        opened("over-shipped", amount=""),
        shop(
            shipments=[
                sent(),
                sent(shipped_at="2026-03-10", delivered_at="2026-03-14", replacement="yes"),
            ]
        ),
    ),
    Pair(
        "overlapping export",
        shop(payments=[payment("P1", "40.00", "1"), payment("P1", "40.00", "1")]),
        opened("double-paid"),
        shop(
            payments=[payment("P1", "40.00", "1")],
            payments_2=[payment("P1", "40.00", "1")],
        ),
    ),
    Pair(
        "corrected invoice with its credit",
        shop(invoices=[RIGHT, bill("I3", "1", "40.00", kind="invoice")]),
        opened("billed-twice"),
        shop(invoices=[WRONG, CREDIT, RIGHT]),
    ),
    Pair(
        "corrected invoice whose credit was never given",
        shop(invoices=[WRONG, RIGHT]),
        (
            *opened("billed-twice"),
            *opened("overcharged", amount="4.00"),
            *opened("part-paid", amount="4.00"),
        ),
        shop(invoices=[WRONG, CREDIT, RIGHT]),
    ),
    Pair(
        "failed payment sent again",
        shop(payments=[payment("P1", "40.00", "1", status="settled"), payment("P2", "40.00", "1")]),
        opened("double-paid"),
        shop(payments=[payment("P1", "40.00", "1", status="failed"), payment("P2", "40.00", "1")]),
    ),
    Pair(
        "failed payment not sent again",
        shop(payments=[payment("P1", "40.00", "1", status="failed")]),
        opened("unpaid"),
        shop(payments=[payment("P1", "40.00", "1", status="failed"), payment("P2", "40.00", "1")]),
    ),
    Pair(
        "partial goodwill refund",
        shop(
            orders=[paid_for("1", refunded_at="2026-03-19", refunded="90.00")],
            payments=[LATELY],
            shipments=[],
        ),
        opened("refunded-but-paid"),
        shop(
            orders=[paid_for("1", refunded_at="2026-03-19", refunded="9.00")],
            payments=[LATELY],
            shipments=[],
        ),
        (("unfulfilled", "waiting", "1", "40.00"),),
    ),
    Pair(
        "invoice for an order newer than the export",
        shop(
            orders=[sold(), sold("3", ordered_at="2026-03-02")],
            payments=[payment("P1", "40.00", "1"), payment("P3", "40.00", "3")],
            shipments=[sent(), sent("3")],
            invoices=[bill("I1", "2", "40.00", invoice_date="2026-03-02")],
        ),
        opened("unknown-order", "2"),
        shop(
            orders=[sold(), sold("3", ordered_at="2026-03-02")],
            payments=[payment("P1", "40.00", "1"), payment("P3", "40.00", "3")],
            shipments=[sent(), sent("3")],
            invoices=[bill("I1", "2", "40.00", invoice_date="2026-03-03")],
        ),
        (("unknown-order", "unknown", "2", "40.00"),),
        UNTIL_LAST_ORDER,
    ),
    Pair(
        "paid at 23:30 local time, tomorrow in UTC",
        shop(payments=[payment("P1", "40.00", "1", paid_at="2026-03-21T04:30:00Z")]),
        opened("unpaid"),
        shop(payments=[payment("P1", "40.00", "1", paid_at="2026-03-21T03:30:00Z")]),
        settings=NEW_YORK,
    ),
    Pair(
        "the customer paid at 23:30 local time: overdue since yesterday, or due today",
        shop(
            orders=[paid_for("1", customer_paid_at="2026-03-18T23:30:00-04:00")],
            payments=[],
            shipments=[],
        ),
        opened("unpaid"),
        shop(
            orders=[paid_for("1", customer_paid_at="2026-03-19T00:30:00-04:00")],
            payments=[],
            shipments=[],
        ),
        (("unpaid", "waiting", "1", "40.00"),),
        NEW_YORK,
    ),
    Pair(
        "sent at 23:30 local time on the day of the cancellation",
        shop(
            orders=[sold(cancelled_at="2026-03-12")],
            shipments=[sent(shipped_at="2026-03-13T04:30:00Z", delivered_at="2026-03-16")],
        ),
        opened("sent-after-cancel"),
        shop(
            orders=[sold(cancelled_at="2026-03-12")],
            shipments=[sent(shipped_at="2026-03-13T03:30:00Z", delivered_at="2026-03-16")],
        ),
        settings=NEW_YORK,
    ),
    Pair(
        "delivered at 23:30 local time on the promised day",
        shop(
            orders=[sold(promised_by="2026-03-12")],
            shipments=[sent(delivered_at="2026-03-13T04:30:00Z")],
        ),
        opened("delivered-late", amount=""),
        shop(
            orders=[sold(promised_by="2026-03-12")],
            shipments=[sent(delivered_at="2026-03-13T03:30:00Z")],
        ),
        settings=NEW_YORK,
    ),
)


def _said(folder: Path, records: Records, settings: tuple[str, str]) -> Counter[Said]:
    """Everything that a run says of a shop; a proof that does not hold fails here."""
    written(folder, records)
    path = folder / "shop.toml"
    text = path.read_text(encoding="utf-8")
    assert settings[0] in text
    path.write_text(text.replace(*settings) if settings[0] else text, encoding="utf-8")
    contents, out = run_nightly(folder, lambda _: AS_OF, folder / "out", lambda _: None)
    assert contents.proofs["holds"].all(), contents.proofs.to_string()
    rows = read_rows(out / "exceptions.csv")
    return Counter(
        (row["rule"], row["verdict"], row["order_ref"], row["amount"])
        for row in rows
        if row["verdict"] != "follows"
    )


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.name)
def test_the_fault_is_open(pair: Pair, tmp_path: Path) -> None:
    assert _said(tmp_path, pair.fault, pair.settings) == Counter(pair.opens)


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.name)
def test_the_look_alike_is_silent(pair: Pair, tmp_path: Path) -> None:
    assert not any(verdict == "open" for _, verdict, _, _ in pair.says)
    assert _said(tmp_path, pair.alike, pair.settings) == Counter(pair.says)
