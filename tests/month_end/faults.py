"""Faults of a month at random places: what each changes, and what has to be said of it.

A check with a star does not agree because of it; nothing else may be said, and no other check may
be disturbed.
"""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from tests.month_end.places import Place, Tables
from tests.shops.cash import DOLLARS, EUROS, bank_day
from tests.shops.cash_tables import amount_texts

Fault = Callable[[Place], None]
STATEMENT = "kestrel (statement)"
_DAY = pd.Timedelta(days=1)


def _copy(at: Place, record: str, chosen: pd.Series, **values: object) -> None:
    """One more row of a record of the money like the chosen one."""
    [row] = getattr(at.money, record)[chosen].to_dict("records")
    at.add(record, **{str(name): value for name, value in row.items()} | values)


# Between the bank and payments


def payment_booked_twice(at: Place) -> None:
    paid = at.payment()
    ref, amount = paid["payment_ref"], int(paid["amount"])
    _copy(at, "bank", at.row(f"SEPA {ref}"), booked_on=bank_day(pd.Series([paid["booked"]]), 2)[0])
    at.tell(
        ("bank-to-books", EUROS, "booked-twice", EUROS, amount),
        ("payments-to-bank*", "", "booked-twice", EUROS, amount),
    )


def payment_not_in_the_bank(at: Place) -> None:
    paid = at.payment()
    ref, amount = paid["payment_ref"], int(paid["amount"])
    at.drop("bank", at.row(f"SEPA {ref}"))
    at.tell(
        ("bank-to-books", EUROS, "outstanding", ref, amount),
        ("payments-to-bank*", "", "not-in-bank", ref, -amount),
    )


def payment_booked_at_another_amount(at: Place) -> None:
    paid = at.payment()
    ref, amount = paid["payment_ref"], int(paid["amount"])
    at.change("bank", at.row(f"SEPA {ref}"), amount=amount - 100)
    at.tell(
        ("bank-to-books", EUROS, "amount-differs", ref, -100),
        ("payments-to-bank*", "", "amount-differs", ref, -100),
    )


def debit_without_a_record(at: Place) -> None:
    at.book(at.day(9), -3301, "LAMP SHADES LTD 77")
    at.tell(
        ("bank-to-books", EUROS, "payment-not-booked", EUROS, -3301),
        ("payments-to-bank*", "", "not-recorded", EUROS, -3301),
    )


def debit_in_dollars_without_a_record(at: Place) -> None:
    at.book(at.day(16), -1203, "ORDER 99999", DOLLARS)
    at.tell(
        ("bank-to-books", DOLLARS, "payment-not-booked", DOLLARS, -1203),
        ("payments-to-bank*", "", "not-recorded", DOLLARS, -1203),
        currency="USD",
    )


def charge_not_in_the_books(at: Place) -> None:
    at.book(at.last, -450, "Account fee")
    at.tell(("bank-to-books", EUROS, "charge-not-booked", EUROS, -450))


def interest_not_in_the_books(at: Place) -> None:
    at.book(at.last, 125, "Habenzinsen")
    at.tell(("bank-to-books", EUROS, "interest-not-booked", EUROS, 125))


def payment_came_back(at: Place) -> None:
    paid = at.payment()
    amount = -int(paid["amount"])
    back = bank_day(pd.Series([paid["booked"]]), 3)[0]
    at.book(back, amount, f"RETURNED {paid['payment_ref']}")
    at.tell(
        ("bank-to-books", EUROS, "return-not-booked", EUROS, amount),
        ("payouts-to-bank*", "", "returned", EUROS, -amount),
    )


def payment_recorded_twice(at: Place) -> None:
    paid = at.payment()
    amount = int(paid["amount"])
    payments = at.tables["payments"]
    again = payments[payments["payment_ref"] == paid["payment_ref"]].assign(payment_ref="PAY-70021")
    at.tables["payments"] = pd.concat([payments, again])
    at.enter(paid["day"], amount)
    at.tell(
        ("bank-to-books", EUROS, "outstanding", "PAY-70021", amount),
        ("payments-to-bank*", "", "not-in-bank", "PAY-70021", -amount),
        ("supplier-account", STATEMENT, "not-stated", "PAY-70021", amount),
    )


def supplier_refund_that_never_came(at: Place) -> None:
    paid = at.payment()
    payments = at.tables["payments"]
    more = payments[payments["payment_ref"] == paid["payment_ref"]].assign(
        payment_ref="PAY-50013", kind="refund", amount="5.07"
    )
    at.tables["payments"] = pd.concat([payments, more])
    at.enter(paid["day"], 507)
    at.tell(
        ("bank-to-books", EUROS, "receipt-in-transit", "PAY-50013", 507),
        ("payments-to-bank*", "", "not-in-bank", "PAY-50013", -507),
        ("supplier-account", STATEMENT, "not-stated", "PAY-50013", 507),
    )


def payment_that_was_not_recorded(at: Place) -> None:
    paid = at.payment()
    ref, amount = paid["payment_ref"], int(paid["amount"])
    payments = at.tables["payments"]
    at.tables["payments"] = payments[payments["payment_ref"] != ref]
    at.enter(paid["day"], -amount)
    at.tell(
        ("bank-to-books", EUROS, "payment-not-booked", EUROS, amount),
        ("payments-to-bank*", "", "not-recorded", EUROS, amount),
        ("supplier-account", STATEMENT, "not-in-records", ref, amount),
    )


def two_debits_that_could_be_one_payment(at: Place) -> None:
    paid = at.payment()
    ref, amount = paid["payment_ref"], int(paid["amount"])
    at.change("bank", at.row(f"SEPA {ref}"), reference="", counterparty="")
    blank = (at.money.bank["amount"] == amount) & (at.money.bank["reference"] == "")
    _copy(at, "bank", blank)
    for _ in range(2):
        at.tell(
            ("bank-to-books*", EUROS, "tied-row", EUROS, -amount),
            ("payments-to-bank*", "", "tied-row", EUROS, amount),
        )
    at.tell(
        ("bank-to-books*", EUROS, "tied-record", ref, amount),
        ("payments-to-bank*", "", "tied-record", ref, -amount),
    )


def debit_that_two_payments_add_up_to(at: Place) -> None:
    one, other = _neighbours(at)
    amount = int(one["amount"] + other["amount"])
    at.drop("bank", at.row(f"SEPA {other['payment_ref']}"))
    text = {"reference": "", "counterparty": ""}
    day = max(one["booked"], other["booked"])
    at.change("bank", at.row(f"SEPA {one['payment_ref']}"), amount=amount, booked_on=day, **text)
    at.tell(("payments-to-bank*", "", "suggested", EUROS, 0))
    at.apart.add(("bank-to-books", EUROS))


def _neighbours(at: Place) -> tuple[pd.Series, pd.Series]:
    """Two payments within a day of each other."""
    one = at.payment()
    while True:
        other = at.payment()
        if abs(other["booked"] - one["booked"]) <= _DAY:
            return one, other
        one = other


# Statements and books


def wrong_opening_balance(at: Place) -> None:
    def change(tables: Tables) -> None:
        bank = tables["bank"]
        before = (bank["booked_on"] < str(at.first.date())) & (bank["account"] == EUROS)
        place = bank.index[before][-1]
        _more(bank, place, "balance", -1000)

    at.later.append(change)
    at.tell(("statement-runs*", EUROS, "does-not-run", EUROS, -1000))


def _more(table: pd.DataFrame, place: int, name: str, more: int) -> None:
    """Add cents to a cell."""
    old = int(str(table[name][place]).replace(".", ""))
    table.loc[place, name] = amount_texts(pd.Series([old + more]))[0]


def row_of_the_bank_left_out(at: Place) -> None:
    sent = at.payout()
    ref, amount = sent["payout_ref"], int(sent["amount"])

    def change(tables: Tables) -> None:
        bank = tables["bank"]
        tables["bank"] = bank[bank["reference"] != f"SALES {ref}"]

    at.later.append(change)
    at.tell(
        ("statement-runs*", EUROS, "does-not-run", EUROS, -amount),
        ("payouts-to-bank*", "", "not-in-bank", ref, amount),
        ("bank-to-books", EUROS, "receipt-in-transit", ref, amount),
        ("bank-to-books*", EUROS, "not-explained", "", amount),
    )


def books_with_another_balance(at: Place) -> None:
    at.enter(at.day(20), 10_000)
    at.tell(("bank-to-books*", EUROS, "not-explained", "", -10_000))


def no_balance_of_the_books(at: Place) -> None:
    def change(tables: Tables) -> None:
        books = tables["balances"]
        mine = (books["account"] == DOLLARS) & (books["date"] == str(at.last.date()))
        tables["balances"] = books[~mine]

    at.later.append(change)
    at.apart.add(("bank-to-books", DOLLARS))
    at.silent.add(("bank-to-books", DOLLARS))


# Payouts and customers


def payout_short_by_a_fee(at: Place) -> None:
    ref = at.payout()["payout_ref"]
    at.pay_out(ref, -500)
    at.tell(("payout-adds-up*", ref, "not-explained", "", 500))


def credit_smaller_than_the_payout(at: Place) -> None:
    sent = at.payout()
    ref, amount = sent["payout_ref"], int(sent["amount"])
    at.change("bank", at.row(f"SALES {ref}"), amount=amount - 700)
    at.tell(
        ("payouts-to-bank*", "", "amount-differs", ref, 700),
        ("bank-to-books", EUROS, "amount-differs", ref, -700),
    )


def payout_not_in_the_bank(at: Place) -> None:
    sent = at.payout()
    ref, amount = sent["payout_ref"], int(sent["amount"])
    at.drop("bank", at.row(f"SALES {ref}"))
    at.tell(
        ("payouts-to-bank*", "", "not-in-bank", ref, amount),
        ("bank-to-books", EUROS, "receipt-in-transit", ref, amount),
    )


def payout_that_was_not_recorded(at: Place) -> None:
    sent = at.payout()
    ref, amount = sent["payout_ref"], int(sent["amount"])
    payouts = at.money.payouts
    at.drop("payouts", (payouts["payout_ref"] == ref) & (payouts["kind"] == "payout"))
    at.enter(sent["paid_on"], -amount)
    at.tell(
        ("bank-to-books", EUROS, "receipt-not-booked", EUROS, amount),
        ("payouts-to-bank*", "", "not-recorded", EUROS, -amount),
        ("payout-adds-up*", ref, "no-payout", ref, amount),
    )


def credit_without_a_record(at: Place) -> None:
    at.book(at.day(14), 8803, "Something 4711")
    at.tell(
        ("bank-to-books", EUROS, "receipt-not-booked", EUROS, 8803),
        ("payouts-to-bank*", "", "not-recorded", EUROS, -8803),
    )


def refund_not_passed_on(at: Place) -> None:
    order = at.sale()
    orders = at.tables["orders"].copy()
    mine = orders["order_ref"] == order["order_ref"]
    orders.loc[mine, ["refunded_at", "refunded"]] = [str(at.day(14).date()), "1.23"]
    at.tables["orders"] = orders
    name = order["order_ref"]
    at.tell(("customers-to-payouts*", "refunds", "refund-in-no-payout", name, 123))


def _parts(at: Place, order_ref: str, kind: str) -> pd.Series:
    payouts = at.money.payouts
    return (payouts["order_ref"] == order_ref) & (payouts["kind"] == kind)


def refund_that_no_order_knows(at: Place) -> None:
    name = at.sale()["order_ref"]
    _copy(at, "payouts", _parts(at, name, "sale"), kind="refund", amount=-1001)
    sale = _parts(at, name, "sale")
    _copy(at, "payouts", sale, kind="adjustment", amount=1001, order_ref="")
    at.tell(("customers-to-payouts*", "refunds", "refund-of-no-order", name, -1001))


def sale_in_no_payout(at: Place) -> None:
    name = at.sale()["order_ref"]
    both = _parts(at, name, "sale") | _parts(at, name, "fee")
    parts = at.money.payouts[both]
    at.drop("payouts", both)
    at.pay_out(parts["payout_ref"].iloc[0], -int(parts["amount"].sum()))
    amount = int(parts["amount"].max())
    at.tell(("customers-to-payouts*", "sales", "sale-in-no-payout", name, amount))


def sale_with_another_amount(at: Place) -> None:
    name = at.sale()["order_ref"]
    for kind, more in (("sale", 103), ("fee", -103)):
        mine = _parts(at, name, kind)
        at.change("payouts", mine, amount=at.money.payouts.loc[mine, "amount"] + more)
    at.tell(("customers-to-payouts*", "sales", "amount-differs", name, -103))


def sale_of_no_order(at: Place) -> None:
    name = at.sale()["order_ref"]
    _copy(at, "payouts", _parts(at, name, "sale"), amount=1009, order_ref="LL-99999")
    sale = _parts(at, name, "sale")
    _copy(at, "payouts", sale, kind="reserve", amount=-1009, order_ref="")
    at.tell(("customers-to-payouts*", "sales", "sale-of-no-order", "LL-99999", -1009))


def parts_that_were_never_paid_out(at: Place) -> None:
    at.add("payouts", payout_ref="LP-90099", paid_on=at.day(5), kind="adjustment", amount=2507,
           currency="EUR")  # fmt: skip
    at.tell(("payout-adds-up*", "LP-90099", "no-payout", "LP-90099", 2507))


# Suppliers


def statement_with_an_invoice_that_is_not_there(at: Place) -> None:
    at.add("statements", supplier="kestrel", date=at.day(12), document="KG-9001777", amount=4011,
           kind="invoice", currency="EUR")  # fmt: skip
    at.tell(("supplier-account", STATEMENT, "not-in-records", "KG-9001777", 4011))


def statement_without_a_payment(at: Place) -> None:
    paid = at.payment()
    at.drop("statements", at.money.statements["document"] == paid["payment_ref"])
    what = ("not-stated", paid["payment_ref"], int(paid["amount"]))
    at.tell(("supplier-account", STATEMENT, *what))


def statement_with_another_amount(at: Place) -> None:
    lines = at.money.statements
    mine = (lines["kind"] == "invoice") & (lines["supplier"] == "kestrel")
    mine &= lines["date"].between(at.first, at.last) & ~lines["document"].duplicated(keep=False)
    line = lines[mine].iloc[int(at.chance.integers(int(mine.sum())))]
    chosen = lines["document"] == line["document"]
    at.change("statements", chosen, amount=int(line["amount"]) + 905)
    at.tell(("supplier-account", STATEMENT, "amount-differs", line["document"], 905))


def statement_that_does_not_add_up(at: Place) -> None:
    name = f"closing {at.month}"

    def change(tables: Tables) -> None:
        lines = tables["statements"]
        mine = (lines["document"] == name) & (lines["supplier"] == "kestrel")
        _more(lines, lines.index[mine][0], "amount", 300)

    at.later.append(change)
    at.tell(
        ("statement-runs*", "kestrel", "does-not-run", name, -300),
        ("supplier-account*", STATEMENT, "not-explained", "", -300),
    )


# Foreign currency


def conversion_at_a_wrong_rate(at: Place) -> None:
    bank = at.money.bank
    mine = (bank["original_currency"] != "") & bank["booked_on"].between(at.first, at.last)
    row = bank[mine].iloc[0]
    chosen = at.row(row["reference"]) & mine
    at.change("bank", chosen, amount=int(row["amount"]) - 50)
    at.enter(row["booked_on"], -50)
    at.tell(("exchange*", f"conversions {EUROS}", "wrong-rate", EUROS, -50))


def no_rates(at: Place) -> None:
    del at.tables["rates"]
    at.apart |= {("exchange", "realised USD"), ("exchange", "payables USD"), ("margin", "")}


# Look-alikes: nothing is wrong, and nothing may be said but what is on its way


def transfer_between_own_accounts(at: Place) -> None:
    at.book(at.day(21), 1100, "To dollars", DOLLARS)
    at.book(at.day(20), -1005, "From euros")
    mine = (at.money.bank["amount"] == -1005) & at.row("From euros")
    at.change("bank", mine, original_amount="-11.00", original_currency="USD", rate="1.0942")
    at.enter(at.day(20), -1005)
    at.enter(at.day(20), 1100, DOLLARS)


def returned_payment_and_its_second_try(at: Place) -> None:
    paid = at.payment()
    ref, amount = paid["payment_ref"], int(paid["amount"])
    payments = at.tables["payments"].copy()
    first = payments["payment_ref"] == ref
    later = [bank_day(pd.Series([paid["booked"]]), days)[0] for days in (1, 2, 3)]
    again = payments[first].assign(payment_ref="PAY-70031", paid_at=str(later[1].date()))
    payments.loc[first, "status"] = "reversed"
    at.tables["payments"] = pd.concat([payments, again])
    at.book(later[0], -amount, f"RETURNED {ref}")
    at.book(later[2], amount, "SEPA PAY-70031")
    at.change("statements", at.money.statements["document"] == ref, document="PAY-70031")


def failed_payment_sent_again(at: Place) -> None:
    paid = at.payment()
    payments = at.tables["payments"]
    first = payments[payments["payment_ref"] == paid["payment_ref"]]
    at.tables["payments"] = pd.concat(
        [payments, first.assign(payment_ref="PAY-60013", status="failed")]
    )
    # The bank's text names the order of both.
    chosen = at.row(f"SEPA {paid['payment_ref']}")
    at.change("bank", chosen, reference=f"SEPA ORDER {paid['order_ref']}")


def pending_row_of_a_booked_movement(at: Place) -> None:
    paid = at.payment()
    _copy(
        at, "bank", at.row(f"SEPA {paid['payment_ref']}"), status="pending", booked_on=paid["day"]
    )


def payment_in_transit(at: Place) -> None:
    paid = at.payment()
    ref = paid["payment_ref"]
    payments = at.tables["payments"].copy()
    payments.loc[payments["payment_ref"] == ref, "paid_at"] = str(at.last.date())
    at.tables["payments"] = payments
    after = bank_day(pd.Series([at.last]), 1)[0]
    at.change("paid", at.money.paid["payment_ref"] == ref, day=at.last, booked=after)
    at.change("bank", at.row(f"SEPA {ref}"), booked_on=after)
    at.change("statements", at.money.statements["document"] == ref, date=after)


def one_debit_for_two_named_payments(at: Place) -> None:
    one, other = _neighbours(at)
    amount = int(one["amount"] + other["amount"])
    text = f"{one['payment_ref']} {other['payment_ref']}"
    at.drop("bank", at.row(f"SEPA {other['payment_ref']}"))
    at.change("bank", at.row(f"SEPA {one['payment_ref']}"), amount=amount, reference=text,
              booked_on=max(one["booked"], other["booked"]))  # fmt: skip
