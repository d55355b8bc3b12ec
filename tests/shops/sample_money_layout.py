"""How the bank, the processor, suppliers and the books of the sample shop lay out their exports."""

from __future__ import annotations

from tests.shops.layout import Layout

MONEY_LAYOUTS = (
    Layout(
        name="bank",
        record="bank",
        path="bank/statement-{month}.csv",
        date="booked_on",
        overlap_days=3,
        delimiter=";",
        decimal=",",
        dates="day-first",
        day_pattern="%d.%m.%Y",
        line_end="\r\n",
        comment="Both accounts; of what was changed into dollars the bank states amount and rate.",
        headers={
            "account": "Account",
            "booked_on": "Booked",
            "amount": "Amount",
            "currency": "Currency",
            "reference": "Text",
            "counterparty": "Payee or payer",
            "original_amount": "Foreign amount",
            "original_currency": "Foreign currency",
            "rate": "Rate",
            "balance": "Balance",
            "status": "State",
        },
    ),
    Layout(
        name="payouts",
        record="payouts",
        path="payouts/lamppay-{month}.csv",
        date="paid_on",
        headers={
            "payout_ref": "Payout",
            "paid_on": "Day",
            "kind": "Type",
            "amount": "Amount",
            "currency": "Currency",
            "order_ref": "Order",
        },
    ),
    *(
        Layout(
            name=f"{supplier}-statement",
            record="statements",
            path=f"statements/{supplier}.csv",
            supplier=supplier,
            supplier_text=text,
            values={"currency": currency},
            headers={"date": "Date", "document": "Document", "kind": "Type", "amount": "Amount"},
        )
        for supplier, text, currency in (
            ("kestrel", "Kestrel Goods Co", "EUR"),
            ("alder", "Alder Supply", "USD"),
        )
    ),
    Layout(
        name="books",
        record="balances",
        path="books/balances.csv",
        comment="What the merchant's own books hold at the end of each month.",
        headers={
            "account": "Account",
            "date": "Date",
            "balance": "Balance",
            "currency": "Currency",
        },
    ),
)
