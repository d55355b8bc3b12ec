"""A small shop in October 2026: a few orders, each billed, paid, and booked two days after it."""

from __future__ import annotations

from datetime import date, timedelta

from tests.month_end.clean import LAST, MAIN, booking, rebalance, text
from tests.month_end.shops import Records, Row

COST = 2000  # cents of each order
BEGIN = 100_000  # cents in the bank before the month
EVERY = 4  # days from one order to the next


def day_of(number: int) -> date:
    """The day of an order; the first is of the 4th."""
    return date(2026, 10, EVERY * number)


def payment(ref: str, day: date, amount: int, **more: object) -> Row:
    """A settled payment to Kestrel."""
    row: Row = {"supplier": "kestrel", "currency": "EUR", "payment_ref": ref, "paid_at": day}
    row |= {"amount": text(amount), "order_ref": "", "invoice_no": "", "status": "settled"}
    return row | {"kind": "payment", "channel": ""} | more


def small(orders: int = 4) -> Records:
    """Orders LL-1001 and on, with invoices KI-1001, payments KP-1001 and their debits."""
    records: Records = {"orders": [], "invoices": [], "payments": [], "bank": []}
    records["bank"].append(booking(MAIN, date(2026, 9, 30), BEGIN, "Earlier 1"))
    for number in range(1, orders + 1):
        day, name = day_of(number), 1000 + number
        sku: Row = {"order_ref": f"LL-{name}", "sku": f"LAMP-{name}", "qty": 1, "currency": "EUR"}
        paid: Row = {"ordered_at": day, "unit_price": "50.00", "order_total": "50.00"}
        paid |= {"customer_paid_at": day, "customer_paid": "50.00"}
        records["orders"].append(sku | paid)
        bill: Row = {"supplier": "kestrel", "invoice_no": f"KI-{name}", "invoice_date": day}
        records["invoices"].append(sku | bill | {"unit_cost": text(COST), "kind": "invoice"})
        after = [day + timedelta(days=1), day + timedelta(days=2)]
        records["payments"].append(payment(f"KP-{name}", after[0], COST, order_ref=f"LL-{name}"))
        records["bank"].append(booking(MAIN, after[1], -COST, f"KP-{name}"))
    rebalance(records, MAIN)
    books(records, BEGIN - orders * COST)
    return records


def books(records: Records, amount: int, account: str = MAIN, day: date = LAST) -> None:
    """What the merchant's own books say of an account, and nothing else."""
    others = [row for row in records.get("balances", []) if row["account"] != account]
    mine: Row = {"account": account, "date": day, "currency": "EUR", "balance": text(amount)}
    records["balances"] = [*others, mine]


def book(records: Records, day: date, amount: int, words: str, **more: object) -> None:
    """One more row of the bank, in the order of the days."""
    records["bank"].append(booking(MAIN, day, amount, words, **more))
    records["bank"].sort(key=lambda row: (str(row["account"]), str(row["booked_on"])))
    rebalance(records, MAIN)
