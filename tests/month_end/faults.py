"""Faults of a month: what each changes, and what has to be said of it by which check."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from datetime import date

from tests.month_end.clean import (
    MAIN,
    WALLET,
    booking,
    cents,
    closing,
    rebalance,
    row_of,
    text,
)
from tests.month_end.shops import Records, Row

Items = set[tuple[str, str, str]]  # what, document, amount


@dataclass(frozen=True)
class Fault:
    """A change of the clean month.

    ``named``: by check the errors, entries and doubts that have to be told, and no others.
    ``differs``: the balances (check, account) that do not agree any more, and no others.
    """

    name: str
    change: Callable[[Records], None]
    named: dict[str, Items]
    differs: frozenset[tuple[str, str]] = frozenset()


FAULTS: list[Fault] = []


def _fault(
    named: dict[str, Items], *differs: tuple[str, str]
) -> Callable[[Callable[[Records], None]], Callable[[Records], None]]:
    def keep(change: Callable[[Records], None]) -> Callable[[Records], None]:
        name = change.__name__.strip("_").replace("_", "-")
        FAULTS.append(Fault(name, change, named, frozenset(differs)))
        return change

    return keep


def _bank_row(records: Records, reference: str, account: str = MAIN) -> Row:
    [row] = [
        row
        for row in records["bank"]
        if reference in str(row["reference"]) and row["account"] == account
    ]
    return row


def _add(records: Records, row: Row, account: str = MAIN) -> None:
    """One more row of the bank, at its day; the balances run on."""
    records["bank"].append(row)
    records["bank"].sort(key=lambda each: (str(each["account"]), str(each["booked_on"])))
    rebalance(records, account)


def _change(records: Records, row: Row, amount: str) -> None:
    row["amount"] = amount
    rebalance(records, str(row["account"]))


@_fault(
    {
        "bank-to-books": {("booked-twice", MAIN, "-20.26")},
        "payments-to-bank": {("booked-twice", MAIN, "-20.26")},
    },
    ("payments-to-bank", ""),
)
def _payment_booked_twice(records: Records) -> None:
    row = deepcopy(_bank_row(records, "KP-1002"))
    _add(records, row | {"booked_on": date(2026, 10, 6)})


@_fault(
    {"payments-to-bank": {("not-in-bank", "KP-1002", "20.26")}},
    ("payments-to-bank", ""),
)
def _payment_not_in_the_bank(records: Records) -> None:
    records["bank"].remove(_bank_row(records, "KP-1002"))
    rebalance(records, MAIN)


@_fault(
    {
        "bank-to-books": {("amount-differs", "KP-1002", "-1.00")},
        "payments-to-bank": {("amount-differs", "KP-1002", "-1.00")},
    },
    ("payments-to-bank", ""),
)
def _payment_booked_at_another_amount(records: Records) -> None:
    _change(records, _bank_row(records, "KP-1002"), "-21.26")


@_fault(
    {
        "bank-to-books": {("payment-not-booked", MAIN, "-33.00")},
        "payments-to-bank": {("not-recorded", MAIN, "-33.00")},
    },
    ("payments-to-bank", ""),
)
def _debit_without_a_record(records: Records) -> None:
    _add(records, booking(MAIN, date(2026, 10, 9), -3300, "LAMP SHADES LTD 77"))


@_fault(
    {
        "bank-to-books": {("payment-not-booked", WALLET, "-12.00")},
        "payments-to-bank": {("not-recorded", WALLET, "-12.00")},
    },
    ("payments-to-bank", ""),
)
def _debit_of_the_prepaid_balance_without_an_order(records: Records) -> None:
    _add(records, booking(WALLET, date(2026, 10, 25), -1200, "Order 9999"), WALLET)


@_fault({"bank-to-books": {("charge-not-booked", MAIN, "-4.50")}})
def _charge_not_in_the_books(records: Records) -> None:
    _add(records, booking(MAIN, date(2026, 10, 30), -450, "Account fee October"))


@_fault({"bank-to-books": {("interest-not-booked", MAIN, "1.25")}})
def _interest_not_in_the_books(records: Records) -> None:
    _add(records, booking(MAIN, date(2026, 10, 30), 125, "Habenzinsen"))


@_fault(
    {
        "bank-to-books": {("receipt-not-booked", MAIN, "88.00")},
        "payouts-to-bank": {("not-recorded", MAIN, "-88.00")},
    },
    ("payouts-to-bank", ""),
)
def _credit_without_a_record(records: Records) -> None:
    _add(records, booking(MAIN, date(2026, 10, 14), 8800, "Something 4711"))


@_fault(
    {
        "bank-to-books": {("return-not-booked", MAIN, "20.26")},
        "payouts-to-bank": {("returned", MAIN, "-20.26")},
    },
    ("payouts-to-bank", ""),
)
def _payment_came_back(records: Records) -> None:
    _add(records, booking(MAIN, date(2026, 10, 7), 2026, "Returned KP-1002"))


def _books_follow(records: Records, more: int = 0) -> None:
    """The merchant's books hold what the bank holds, and so many cents more."""
    book = row_of(records, "balances", "account", MAIN)
    book["balance"] = text(cents(closing(records, MAIN)) + more)


def _part(records: Records, ref: str, kind: str, order: str = "") -> Row:
    [row] = [
        row
        for row in records["payouts"]
        if (row["payout_ref"], row["kind"], row["order_ref"]) == (ref, kind, order)
    ]
    return row


def _more(row: Row, more: int) -> None:
    row["amount"] = text(cents(row["amount"]) + more)


@_fault({"statement-runs": {("does-not-run", MAIN, "-10.00")}}, ("statement-runs", MAIN))
def _wrong_opening_balance(records: Records) -> None:
    next(row for row in records["bank"] if row["account"] == MAIN)["balance"] = "4990.00"


@_fault(
    {
        "statement-runs": {("does-not-run", MAIN, "-334.89")},
        "payouts-to-bank": {("not-in-bank", "WEEK-0002", "334.89")},
        "bank-to-books": {("not-explained", "", "334.89")},
    },
    ("statement-runs", MAIN), ("payouts-to-bank", ""), ("bank-to-books", MAIN),
)  # fmt: skip
def _row_of_the_bank_left_out(records: Records) -> None:
    records["bank"].remove(_bank_row(records, "WEEK-0002"))


@_fault(
    {"payout-adds-up": {("not-explained", "", "5.00")}},
    ("payout-adds-up", "WEEK-0002"),
)
def _payout_short_by_a_fee(records: Records) -> None:
    _more(_part(records, "WEEK-0002", "payout"), 500)
    row = _bank_row(records, "WEEK-0002")
    _change(records, row, text(cents(row["amount"]) - 500))
    _books_follow(records)


@_fault(
    {
        "payouts-to-bank": {("amount-differs", "WEEK-0002", "5.00")},
        "bank-to-books": {("amount-differs", "WEEK-0002", "-5.00")},
    },
    ("payouts-to-bank", ""),
)
def _credit_smaller_than_the_payout(records: Records) -> None:
    row = _bank_row(records, "WEEK-0002")
    _change(records, row, text(cents(row["amount"]) - 500))


@_fault(
    {"payouts-to-bank": {("not-in-bank", "WEEK-0001", "341.46")}},
    ("payouts-to-bank", ""),
)
def _payout_not_in_the_bank(records: Records) -> None:
    records["bank"].remove(_bank_row(records, "WEEK-0001"))
    rebalance(records, MAIN)


@_fault(
    {"customers-to-payouts": {("refund-in-no-payout", "LL-1006", "12.00")}},
    ("customers-to-payouts", "refunds"),
)
def _refund_not_passed_on(records: Records) -> None:
    order = row_of(records, "orders", "order_ref", "LL-1006")
    order |= {"refunded_at": date(2026, 10, 14), "refunded": "12.00", "refunded_qty": "0"}


@_fault(
    {"customers-to-payouts": {("refund-of-no-order", "LL-1004", "-10.00")}},
    ("customers-to-payouts", "refunds"),
)
def _refund_that_no_order_knows(records: Records) -> None:
    order = row_of(records, "orders", "order_ref", "LL-1004")
    order |= {"refunded_at": "", "refunded": "", "refunded_qty": ""}


@_fault(
    {"customers-to-payouts": {("sale-in-no-payout", "LL-1010", "50.70")}},
    ("customers-to-payouts", "sales"),
)
def _sale_in_no_payout(records: Records) -> None:
    for kind in ("sale", "fee"):
        records["payouts"].remove(_part(records, "WEEK-0002", kind, "LL-1010"))
    _more(_part(records, "WEEK-0002", "payout"), 5070 - 150)
    row = _bank_row(records, "WEEK-0002")
    _change(records, row, text(cents(row["amount"]) - 5070 + 150))
    _books_follow(records)


@_fault(
    {"customers-to-payouts": {("amount-differs", "LL-1010", "-1.00")}},
    ("customers-to-payouts", "sales"),
)
def _sale_with_another_amount(records: Records) -> None:
    _more(_part(records, "WEEK-0002", "sale", "LL-1010"), 100)
    _more(_part(records, "WEEK-0002", "fee", "LL-1010"), -100)


@_fault(
    {"customers-to-payouts": {("sale-of-no-order", "LL-9999", "-10.00")}},
    ("customers-to-payouts", "sales"),
)
def _sale_of_no_order(records: Records) -> None:
    part = _part(records, "WEEK-0002", "sale", "LL-1010")
    records["payouts"].append(part | {"order_ref": "LL-9999", "amount": "10.00"})
    _more(_part(records, "WEEK-0002", "fee", "LL-1010"), -1000)


@_fault(
    {"payout-adds-up": {("no-payout", "WEEK-0099", "25.00")}},
    ("payout-adds-up", "WEEK-0099"),
)
def _parts_that_were_never_paid_out(records: Records) -> None:
    part = _part(records, "WEEK-0001", "payout")
    more = {"payout_ref": "WEEK-0099", "kind": "adjustment", "amount": "25.00"}
    records["payouts"].append(part | more)


def _statement(records: Records, document: str, supplier: str = "kestrel") -> Row:
    [row] = [
        row
        for row in records["statements"]
        if (row["document"], row["supplier"]) == (document, supplier)
    ]
    return row


@_fault({"supplier-account": {("not-in-records", "KI-9001", "40.00")}})
def _statement_with_an_invoice_that_is_not_there(records: Records) -> None:
    row = _statement(records, "KI-1002")
    records["statements"].append(row | {"document": "KI-9001", "amount": "40.00"})
    _more(_statement(records, "closing"), 4000)


@_fault({"supplier-account": {("not-stated", "KP-1002", "-20.26")}})
def _statement_without_a_payment(records: Records) -> None:
    records["statements"].remove(_statement(records, "KP-1002"))
    _more(_statement(records, "closing"), 2026)


@_fault({"supplier-account": {("amount-differs", "KI-1002", "9.00")}})
def _statement_with_another_amount(records: Records) -> None:
    _more(_statement(records, "KI-1002"), 900)
    _more(_statement(records, "closing"), 900)


@_fault(
    {
        "statement-runs": {("does-not-run", "closing", "-3.00")},
        "supplier-account": {("not-explained", "", "-3.00")},
    },
    ("statement-runs", "kestrel"), ("supplier-account", "kestrel (statement)"),
)  # fmt: skip
def _statement_that_does_not_add_up(records: Records) -> None:
    _more(_statement(records, "closing"), 300)


@_fault({"exchange": {("wrong-rate", MAIN, "-0.50")}}, ("exchange", "conversions main"))
def _conversion_at_a_wrong_rate(records: Records) -> None:
    row = _bank_row(records, "AP-1003")
    _change(records, row, text(cents(row["amount"]) - 50))
    _books_follow(records)


@_fault({"bank-to-books": {("not-explained", "", "-100.00")}}, ("bank-to-books", MAIN))
def _books_with_another_balance(records: Records) -> None:
    _more_in_books = row_of(records, "balances", "account", MAIN)
    _more_in_books["balance"] = text(cents(_more_in_books["balance"]) + 10_000)


@_fault(
    {
        "payments-to-bank": {
            ("tied-record", "KP-1002", "20.26"), ("tied-row", MAIN, "-20.26"),
        },
        "bank-to-books": {("tied-record", "KP-1002", "-20.26"), ("tied-row", MAIN, "20.26")},
    },
    ("payments-to-bank", ""), ("bank-to-books", MAIN),
)  # fmt: skip
def _two_debits_that_could_be_one_payment(records: Records) -> None:
    row = _bank_row(records, "KP-1002")
    row["reference"] = ""
    _add(records, deepcopy(row))


@_fault(
    {
        "payments-to-bank": {("suggested", MAIN, "0.00")},
    },
    ("payments-to-bank", ""), ("bank-to-books", MAIN),
)  # fmt: skip
def _debit_that_two_payments_add_up_to(records: Records) -> None:
    first, second = (_bank_row(records, ref) for ref in ("KP-1002", "KP-1004"))
    records["bank"].remove(second)
    first |= {"reference": "", "booked_on": date(2026, 10, 6)}
    first["amount"] = text(cents(first["amount"]) + cents(second["amount"]))
    records["bank"].sort(key=lambda row: (str(row["account"]), str(row["booked_on"])))
    rebalance(records, MAIN)


@_fault(
    {
        "payments-to-bank": {("not-in-bank", "KP-7002", "20.26")},
        "supplier-account": {("not-stated", "KP-7002", "-20.26")},
    },
    ("payments-to-bank", ""),
)
def _payment_recorded_twice(records: Records) -> None:
    row = row_of(records, "payments", "payment_ref", "KP-1002")
    records["payments"].append(row | {"payment_ref": "KP-7002"})
    _books_follow(records, -2026)


@_fault(
    {
        "payments-to-bank": {("not-in-bank", "KR-5001", "-5.00")},
        "supplier-account": {("not-stated", "KR-5001", "5.00")},
    },
    ("payments-to-bank", ""),
)
def _supplier_refund_that_never_came(records: Records) -> None:
    row = row_of(records, "payments", "payment_ref", "KP-1002")
    more: Row = {"payment_ref": "KR-5001", "kind": "refund", "amount": "5.00"}
    records["payments"].append(row | more)
    _books_follow(records, 500)


@_fault(
    {
        "payments-to-bank": {("not-recorded", MAIN, "-20.26")},
        "bank-to-books": {("payment-not-booked", MAIN, "-20.26")},
        "supplier-account": {("not-in-records", "KP-1002", "-20.26")},
    },
    ("payments-to-bank", ""),
)
def _payment_that_was_not_recorded(records: Records) -> None:
    records["payments"].remove(row_of(records, "payments", "payment_ref", "KP-1002"))
    book = row_of(records, "balances", "account", MAIN)
    book["balance"] = text(cents(book["balance"]) + 2026)


@_fault(
    {
        "bank-to-books": {("receipt-not-booked", MAIN, "334.89")},
        "payouts-to-bank": {("not-recorded", MAIN, "-334.89")},
        "payout-adds-up": {("no-payout", "WEEK-0002", "334.89")},
    },
    ("payouts-to-bank", ""), ("payout-adds-up", "WEEK-0002"),
)  # fmt: skip
def _payout_that_was_not_recorded(records: Records) -> None:
    records["payouts"].remove(_part(records, "WEEK-0002", "payout"))
    _books_follow(records, -33489)


@_fault({}, ("bank-to-books", MAIN))
def _no_balance_of_the_books(records: Records) -> None:
    records["balances"].remove(row_of(records, "balances", "account", MAIN))


@_fault({}, ("exchange", "realised USD"), ("margin", ""))
def _no_rates(records: Records) -> None:
    del records["rates"]


# Look-alikes: nothing is wrong, and nothing may be said.


@_fault({})
def _transfer_between_own_accounts(records: Records) -> None:
    _add(records, booking(MAIN, date(2026, 10, 28), -1500, "To the balance"))
    _add(records, booking(WALLET, date(2026, 10, 29), 1500, "From the bank"), WALLET)
    _books_follow(records)
    row_of(records, "balances", "account", WALLET)["balance"] = closing(records, WALLET)


@_fault({})
def _returned_payment_and_its_second_try(records: Records) -> None:
    first = row_of(records, "payments", "payment_ref", "KP-1002")
    first["status"] = "reversed"
    again: Row = {"payment_ref": "KP-7002", "paid_at": date(2026, 10, 7), "status": "settled"}
    records["payments"].append(first | again)
    _add(records, booking(MAIN, date(2026, 10, 6), 2026, "Returned KP-1002"))
    _add(records, booking(MAIN, date(2026, 10, 8), -2026, "KP-7002 Kestrel Goods Co"))
    _statement(records, "KP-1002")["document"] = "KP-7002"


@_fault({})
def _pending_row_of_a_booked_movement(records: Records) -> None:
    row = deepcopy(_bank_row(records, "KP-1002"))
    at = records["bank"].index(_bank_row(records, "KP-1002"))
    row |= {"booked_on": date(2026, 10, 3), "balance": "", "status": "pending"}
    records["bank"].insert(at, row)


@_fault({})
def _payment_in_transit(records: Records) -> None:
    row_of(records, "payments", "payment_ref", "KP-1020")["paid_at"] = date(2026, 10, 31)
    records["bank"].remove(_bank_row(records, "KP-1020"))
    _statement(records, "KP-1020")["date"] = date(2026, 10, 31)
    rebalance(records, MAIN)


@_fault({})
def _one_debit_for_two_named_payments(records: Records) -> None:
    first, second = (_bank_row(records, ref) for ref in ("KP-1002", "KP-1004"))
    records["bank"].remove(second)
    first |= {"reference": "KP-1002 KP-1004", "booked_on": date(2026, 10, 6)}
    first["amount"] = text(cents(first["amount"]) + cents(second["amount"]))
    records["bank"].sort(key=lambda row: (str(row["account"]), str(row["booked_on"])))
    rebalance(records, MAIN)


@_fault({})
def _no_reference_in_the_bank_at_all(records: Records) -> None:
    for row in records["bank"]:
        row["reference"] = ""
