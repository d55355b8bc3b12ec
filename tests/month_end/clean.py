"""A clean month of Lantern Lane, October 2026: every check agrees, to the last cent.

Kestrel is prepaid in EUR, one order at a time, twice from a balance that the shop keeps with it;
Alder bills in USD and is paid by invoice from the EUR account, at the bank's rate. The processor
pays out once a week. Amounts are whole cents here, and text in the files.
"""

from __future__ import annotations

from datetime import date, timedelta

from tests.month_end.shops import Records, Row

MONTH = "2026-10"
FIRST, LAST = date(2026, 10, 1), date(2026, 10, 31)
ORDERS = range(1001, 1021)
BY_WALLET = (1008, 1016)
RATE = 11  # ten EUR are eleven USD
MAIN, WALLET = "main", "Kestrel balance"


def text(cents: int) -> str:
    """Cents as an amount.

    >>> text(-1205), text(5)
    ('-12.05', '0.05')
    """
    return f"{'-' * (cents < 0)}{abs(cents) // 100}.{abs(cents) % 100:02d}"


def cents(amount: object) -> int:
    """An amount as cents.

    >>> cents("-12.05")
    -1205
    """
    whole, _, part = str(amount).lstrip("-").partition(".")
    value = int(whole) * 100 + int(part or 0)
    return -value if str(amount).startswith("-") else value


def in_eur(usd: int) -> int:
    """Cents of USD as cents of EUR at the bank's rate of 1.1, half up."""
    return (2 * usd * 10 + RATE) // (2 * RATE)


def _day(number: int) -> date:
    return FIRST + timedelta(days=number - 1001)


def clean() -> Records:
    """The records of the month, row by row; each call gives new ones."""
    records: Records = {
        "orders": [_order(number) for number in ORDERS],
        "invoices": [_invoice(number) for number in ORDERS],
        "payments": [_payment(number) for number in ORDERS] + [_top_up()],
        "shipments": [_parcel(number) for number in ORDERS],
        "quotes": [_quote(number) for number in ORDERS],
        "rates": [
            {"date": FIRST + timedelta(days=n), "base": "EUR", "quote": "USD", "rate": "1.1"}
            for n in range(31)
        ],
        "payouts": _payouts(),
    }
    records["bank"] = _bank(records)
    records["statements"] = _statements(records)
    for account in (MAIN, WALLET):
        rebalance(records, account)
    records["balances"] = [
        {"account": account, "date": LAST, "currency": "EUR", "balance": closing(records, account)}
        for account in (MAIN, WALLET)
    ]
    return records


def is_kestrel(number: int) -> bool:
    """Whose the order is: the even ones are Kestrel's."""
    return number % 2 == 0


def price(number: int) -> int:
    """What the customer pays, in cents of EUR."""
    return 5000 + 7 * (number - 1000)


def cost(number: int) -> int:
    """What the supplier gets, in cents of its currency."""
    return 2000 + 13 * (number - 1000)


def _order(number: int) -> Row:
    day = _day(number)
    refunded = number == 1004
    return {
        "order_ref": f"LL-{number}", "ordered_at": day, "sku": f"LAMP-{number}", "qty": 1,
        "unit_price": text(price(number)), "currency": "EUR", "order_total": text(price(number)),
        "customer_paid_at": day, "customer_paid": text(price(number)), "ship_to_country": "IE",
        "refunded_at": date(2026, 10, 12) if refunded else "",
        "refunded": "10.00" if refunded else "", "refunded_qty": "0" if refunded else "",
    }  # fmt: skip


def _who(number: int) -> Row:
    kestrel = is_kestrel(number)
    return {"supplier": "kestrel" if kestrel else "alder", "currency": "EUR" if kestrel else "USD"}


def _invoice(number: int) -> Row:
    prefix = "KI" if is_kestrel(number) else "AI"
    return _who(number) | {
        "invoice_no": f"{prefix}-{number}", "invoice_date": _day(number),
        "order_ref": f"LL-{number}", "sku": f"LAMP-{number}", "qty": 1,
        "unit_cost": text(cost(number)), "kind": "invoice",
    }  # fmt: skip


def _payment(number: int) -> Row:
    kestrel = is_kestrel(number)
    return _who(number) | {
        "payment_ref": f"{'KP' if kestrel else 'AP'}-{number}",
        "paid_at": _day(number) + timedelta(days=1 if kestrel else 5),
        "amount": text(cost(number)),
        "order_ref": f"LL-{number}" if kestrel else "",
        "invoice_no": "" if kestrel else f"AI-{number}",
        "status": "settled", "kind": "payment",
        "channel": WALLET if number in BY_WALLET else "transfer",
    }  # fmt: skip


def _top_up() -> Row:
    return {
        "supplier": "kestrel", "currency": "EUR", "payment_ref": "TOP-0001",
        "paid_at": date(2026, 10, 2), "amount": "200.00", "status": "settled", "kind": "top-up",
        "channel": MAIN,
    }  # fmt: skip


def _parcel(number: int) -> Row:
    return {
        "supplier": _who(number)["supplier"], "order_ref": f"LL-{number}",
        "shipped_at": _day(number) + timedelta(days=2), "sku": f"LAMP-{number}", "qty": 1,
        "tracking_no": f"T{number}", "delivered_at": _day(number) + timedelta(days=6),
    }  # fmt: skip


def _quote(number: int) -> Row:
    return _who(number) | {"sku": f"LAMP-{number}", "unit_cost": text(cost(number))}


def _payouts() -> list[Row]:
    """Each week's sales less a fee each, and the refund, paid out on a Thursday."""
    rows: list[Row] = []
    for week, paid_on in enumerate((date(2026, 10, 8), date(2026, 10, 15), date(2026, 10, 22)), 1):
        ref, total = f"WEEK-{week:04d}", 0
        begin = paid_on - timedelta(days=7)

        def add(
            kind: str, amount: int, order: str = "", ref: str = ref, day: date = paid_on
        ) -> int:
            row: Row = {"payout_ref": ref, "paid_on": day, "kind": kind, "currency": "EUR"}
            rows.append(row | {"amount": text(amount), "order_ref": order})
            return amount

        for number in ORDERS:
            if begin <= _day(number) < paid_on:
                total += add("sale", price(number), f"LL-{number}")
                total += add("fee", -150, f"LL-{number}")
        if begin <= date(2026, 10, 12) < paid_on:
            total += add("refund", -1000, "LL-1004")
        add("payout", -total)
    return rows


def booking(account: str, day: date, amount: int, reference: str, **more: object) -> Row:
    """A row of the bank; its balance is reckoned later."""
    row: Row = {"account": account, "booked_on": day, "amount": text(amount), "currency": "EUR"}
    row |= {"reference": reference, "counterparty": "", "original_amount": ""}
    return row | {"original_currency": "", "rate": "", "balance": ""} | more


def _bank(records: Records) -> list[Row]:
    before = date(2026, 9, 30)
    rows = [
        booking(MAIN, before, 500_000, "Earlier business"),
        booking(WALLET, before, 5_000, "Earlier business"),
    ]
    for payment in records["payments"]:
        day, ref = payment["paid_at"], str(payment["payment_ref"])
        assert isinstance(day, date)
        amount, after = cents(payment["amount"]), day + timedelta(days=1)
        if payment["kind"] == "top-up":
            rows.append(booking(MAIN, after, -amount, f"Transfer {ref} Kestrel Goods Co"))
            rows.append(booking(WALLET, after, amount, f"Received {ref}"))
        elif payment["currency"] == "USD":
            foreign = {"original_amount": text(-amount), "original_currency": "USD", "rate": "1.1"}
            rows.append(booking(MAIN, after, -in_eur(amount), f"{ref} Alder Supply", **foreign))
        else:
            account = WALLET if payment["channel"] == WALLET else MAIN
            rows.append(booking(account, after, -amount, f"{ref} KESTREL GOODS CO"))
    for payout in records["payouts"]:
        if payout["kind"] == "payout":
            day = payout["paid_on"]
            assert isinstance(day, date)
            after = day + timedelta(days=1)
            rows.append(
                booking(MAIN, after, -cents(payout["amount"]), f"{payout['payout_ref']} Sales")
            )
    return sorted(rows, key=lambda row: (str(row["account"]), str(row["booked_on"])))


def rebalance(records: Records, account: str) -> None:
    """Reckon the balance after each row of an account anew."""
    total = 0
    for row in records["bank"]:
        if row["account"] == account:
            total += cents(row["amount"])
            row["balance"] = text(total)


def closing(records: Records, account: str) -> str:
    """The last balance of an account."""
    return [str(row["balance"]) for row in records["bank"] if row["account"] == account][-1]


def _statements(records: Records) -> list[Row]:
    rows: list[Row] = []
    for supplier, currency in (("kestrel", "EUR"), ("alder", "USD")):
        base: Row = {"supplier": supplier, "currency": currency}
        lines = [
            base | {"date": row["invoice_date"], "document": row["invoice_no"], "kind": "invoice",
                    "amount": row["unit_cost"]}
            for row in records["invoices"]
            if row["supplier"] == supplier
        ] + [
            base | {"date": row["paid_at"], "document": row["payment_ref"], "kind": "payment",
                    "amount": text(-cents(row["amount"]))}
            for row in records["payments"]
            if row["supplier"] == supplier and row["kind"] == "payment"
        ]  # fmt: skip
        total = sum(cents(row["amount"]) for row in lines)
        opening: Row = {"date": FIRST, "document": "opening", "kind": "opening", "amount": "0.00"}
        end: Row = {"date": LAST, "document": "closing", "kind": "closing", "amount": text(total)}
        rows += [base | opening, *lines, base | end]
    return rows


def row_of(records: Records, record: str, column: str, value: str) -> Row:
    """The one row of a record whose column has a value."""
    [row] = [row for row in records[record] if row.get(column) == value]
    return row
