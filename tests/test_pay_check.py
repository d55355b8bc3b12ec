"""A proposed payment: what is safe to pay, what is not, and what is forgotten."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from reconcile.errors import RefusedError
from reconcile.nightly import run_nightly
from reconcile.pay_check import PayCheck, check_payment
from reconcile.report.write import write_outputs
from tests.matching.shops import AS_OF, Row, bill, order, payment, quote, written
from tests.shops import build_shop

pytestmark = pytest.mark.no_cover

PROPOSED = ("order_ref", "invoice_no", "supplier", "amount", "currency")
FUNDED: dict[str, Any] = {"order_total": "90.00", "customer_paid": "90.00"}
OF_PAYING = {
    *("part-paid", "double-paid", "overpaid", "refunded-but-paid", "unfunded", "payment-unmatched"),
    *("possible-double-payment", "unknown-order", "billed-twice", "currency-differs", "unpaid"),
}
Line = tuple[str, str, str]


def _shop(folder: Path, **records: list[Row]) -> Path:
    """Orders 1 to 3 at Kestrel, 10.00 each; nothing is paid."""
    found: dict[str, list[Row]] = {
        "orders": [order(ref, **FUNDED) for ref in "123"],
        "quotes": [quote()],
        "payments": [payment("P0", "1.00", "3", status="failed")],
    }
    return written(folder, found | records)


def _proposal(path: Path, lines: list[Line], supplier: str = "kestrel", code: str = "EUR") -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(PROPOSED)
        for ref, invoice, amount in lines:
            writer.writerow([ref, invoice, supplier, amount, code])
    return path


def _check(shop: Path, lines: list[Line], supplier: str = "kestrel", code: str = "EUR") -> PayCheck:
    file = _proposal(shop / "proposed.txt", lines, supplier, code)
    return check_payment(shop, file, lambda _: AS_OF, lambda _: None)


def _said(found: PayCheck) -> list[tuple[str, str, object]]:
    lines = found.lines
    due = [None if value != value or value is None else int(value)  # noqa: PLR0124
           for value in lines["due_minor"].astype("float64")]  # fmt: skip
    return list(zip(lines["verdict"], lines["reason"], due, strict=True))


def test_what_is_due_is_paid_and_what_is_forgotten_is_named(tmp_path: Path) -> None:
    found = _check(_shop(tmp_path), [("1", "", "10.00")])
    assert _said(found) == [("pay", "due for 1", 1000)]
    assert found.all_to_pay
    assert list(found.missing["order_ref"]) == ["2", "3"]
    assert found.lines["evidence"][0] == "orders.csv row 2"


def test_one_order_twice_in_one_proposal(tmp_path: Path) -> None:
    found = _check(_shop(tmp_path), [("1", "", "10.00"), ("2", "", "10.00"), ("1", "", "10.00")])
    assert [one[0] for one in _said(found)] == ["pay", "pay", "do not pay"]
    assert _said(found)[2][1:] == ("order 1 is already paid by row 2 of this proposal", 0)


@pytest.mark.parametrize(
    ("records", "amount", "said"),
    [
        pytest.param(
            {"payments": [payment("P1", "10.00", "1")]},
            "10.00",
            ("do not pay", "order 1 is already paid: 10.00 EUR of 10.00 EUR", 0),
            id="already paid",
        ),
        pytest.param(
            {"payments": [payment("P1", "10.00", "1", status="pending")]},
            "10.00",
            ("do not pay", "order 1 is in another payment that is under way", 0),
            id="in another pending payment",
        ),
        pytest.param(
            {"orders": [order("1", **FUNDED, refunded_at="2026-03-05", refunded="90.00")]},
            "10.00",
            ("do not pay", "order 1 is refunded in full, and nothing was sent", 0),
            id="refunded",
        ),
        pytest.param(
            {"orders": [order("1", **FUNDED, cancelled_at="2026-03-05")]},
            "10.00",
            ("do not pay", "order 1 is cancelled, and nothing was sent", 0),
            id="cancelled",
        ),
        pytest.param(
            {"orders": [order("1", customer_paid_at=""), order("2")]},
            "10.00",
            ("do not pay", "the customer has not paid for order 1", 0),
            id="not funded",
        ),
        pytest.param(
            {}, "10.01", ("do not pay", "above the quote, by 0.01 EUR", 1000), id="above the quote"
        ),
        pytest.param(
            {"invoices": [bill("I1", "1", "10.00"), bill("I2", "1", "10.00")]},
            "20.00",
            ("do not pay", "billed twice: 10.00 EUR is for more units than were ordered", 1000),
            id="billed twice",
        ),
        pytest.param(
            {"invoices": [bill("I1", "1", "10.00")]},
            "11.00",
            ("do not pay", "above what is billed, by 1.00 EUR", 1000),
            id="above the bill",
        ),
        pytest.param(
            {},
            "4.00",
            ("cannot tell", "a part only: 6.00 EUR would stay unpaid", 1000),
            id="a part",
        ),
        pytest.param(
            {"payments": [payment("P1", "4.00", "1")]},
            "6.00",
            ("pay", "due for 1", 600),
            id="the rest of a deposit",
        ),
        pytest.param(
            {"quotes": [quote("B")]},
            "10.00",
            ("cannot tell", "neither an invoice nor a quote says what order 1 costs", None),
            id="no price",
        ),
        pytest.param(
            {"payments": [payment("P1", "15.00", "1;2")]},
            "10.00",
            ("cannot tell", "order 1: a payment that may be for it could not be allocated", None),
            id="a payment that does not add up",
        ),
    ],
)
def test_each_reason(
    tmp_path: Path, records: dict[str, list[Row]], amount: str, said: tuple[str, str, object]
) -> None:
    found = _check(_shop(tmp_path, **records), [("1", "", amount)])
    assert _said(found) == [said]
    assert found.all_to_pay == (said[0] == "pay")


def test_what_is_billed_above_the_quote_is_held(tmp_path: Path) -> None:
    shop = _shop(tmp_path, invoices=[bill("I1", "1", "12.00")])
    [(verdict, reason, due)] = _said(_check(shop, [("1", "", "12.00")]))
    assert (verdict, due) == ("do not pay", 0)
    assert reason.startswith("order 1: billed above the quote. ")


def test_what_is_sold_at_a_loss_is_held_until_it_is_decided(tmp_path: Path) -> None:
    shop = _shop(tmp_path, quotes=[quote(cost="95.00")])
    [(verdict, reason, _)] = _said(_check(shop, [("1", "", "95.00")]))
    assert verdict == "do not pay"
    assert reason.startswith("order 1: sold for less than it costs. ")


def test_references_that_lead_nowhere(tmp_path: Path) -> None:
    shop = _shop(tmp_path, invoices=[bill("I1", "1", "10.00"), bill("I2", "2", "10.00")])
    lines = [("9", "", "1.00"), ("", "I9", "1.00"), ("1", "I2", "10.00"), ("1;9", "", "10.00")]
    found = _said(_check(shop, lines))
    assert [one[0] for one in found] == ["cannot tell"] * 4
    assert [one[1] for one in found] == [
        "no order of this supplier bears the reference 9",
        "no invoice of this supplier has the number I9",
        "the invoice I2 is for other orders, or in other money",
        "no order of this supplier bears the reference 9",
    ]
    assert _said(_check(shop, [("1", "", "10.00")], supplier="alder"))[0][0] == "cannot tell"
    dollars = _said(_check(shop, [("1", "", "10.00")], code="USD"))
    assert dollars[0][1] == "it is payable in EUR, and the line is in USD"


def test_an_invoice_pays_all_of_its_orders(tmp_path: Path) -> None:
    shop = _shop(tmp_path, invoices=[bill("I1", "1", "10.00"), bill("I1", "2", "10.00")])
    assert _said(_check(shop, [("", "I1", "20.00")])) == [("pay", "due for 1, 2", 2000)]
    twice = _said(_check(shop, [("", "I1", "20.00"), ("2", "", "10.00")]))
    assert twice[1] == ("do not pay", "order 2 is already paid by row 2 of this proposal", 0)


def test_an_invoice_that_is_paid_is_not_paid_again(tmp_path: Path) -> None:
    """The order has another invoice, which is open: only that one is left to pay."""
    goods = [order("1", **FUNDED), order("1", "B")]
    bills = [bill("K1", "1", "10.00"), bill("K2", "1", "20.00", "B"), bill("K3", "2", "10.00")]
    shop = _shop(
        tmp_path,
        orders=[*goods, order("2", **FUNDED)],
        quotes=[quote(), quote("B", "20.00")],
        invoices=bills,
        payments=[payment("P1", "10.00", "", "K1"), payment("P2", "4.00", "", "K3")],
    )
    lines = [("", "K1", "10.00"), ("", "K2", "20.00"), ("", "K3", "10.00"), ("", "K3", "6.00")]
    assert _said(_check(shop, lines)) == [
        ("do not pay", "the invoice is already paid: 10.00 EUR for order 1", 0),
        ("pay", "due for 1", 2000),
        ("do not pay", "above what is billed, by 4.00 EUR", 600),
        ("do not pay", "order 2 is already paid by row 4 of this proposal", 0),
    ]


def test_of_an_invoice_with_a_cancelled_order_the_others_are_due(tmp_path: Path) -> None:
    bills = [bill("K1", ref, "10.00") for ref in "123"]
    orders = [order("1", **FUNDED, cancelled_at="2026-03-02"), *(order(r, **FUNDED) for r in "23")]
    shop = _shop(tmp_path, orders=orders, invoices=bills)
    reason = "order 1 is cancelled, and nothing was sent"
    others = f"{reason}; for the others 20.00 EUR is due: name their orders"
    lines = [("", "K1", "30.00"), ("", "K1", "20.00"), ("1", "", "10.00"), ("2;3", "", "20.00")]
    assert _said(_check(shop, lines)) == [
        ("do not pay", others, 2000),
        ("do not pay", others, 2000),
        ("do not pay", reason, 0),
        ("pay", "due for 2, 3", 2000),
    ]


def test_a_row_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    found = _check(_shop(tmp_path), [("1", "", "10.00"), ("2", "", "ten")])
    assert [one[0] for one in _said(found)] == ["pay", "cannot tell"]
    assert list(found.lines["row"]) == [2, 3]
    assert found.lines["reason"][1].startswith("the row cannot be read: amount is not ")


def test_headers_of_the_payments_source_and_workbooks_are_read(tmp_path: Path) -> None:
    shop = _shop(tmp_path / "shop")
    path = shop / "shop.toml"
    text = path.read_text(encoding="utf-8")
    named = '[source.columns]\namount = "Sum"\norder_ref = "For"\n[source.values]\n'
    text = text.replace('record = "payments"\n', 'record = "payments"\n', 1)
    place = text.index('files = ["payments*.csv"]')
    end = text.find("[source.refs]", place)
    end = len(text) if end < 0 else end
    text = text[:end] + named + 'supplier = "kestrel"\ncurrency = "EUR"\n' + text[end:]
    path.write_text(text, encoding="utf-8")
    rows = "payment_ref,paid_at,Sum,For,status\nP0,2026-03-03,1.00,3,failed\n"
    (shop / "payments.csv").write_text(rows, encoding="utf-8")
    book = openpyxl.Workbook()
    page = book.worksheets[0]
    page.append(["For", "Sum"])
    page.append(["1", "10.00"])
    book.save(tmp_path / "friday.xlsx")
    found = check_payment(shop, tmp_path / "friday.xlsx", lambda _: AS_OF, lambda _: None)
    assert _said(found) == [("pay", "due for 1", 1000)]


def test_a_file_that_is_no_proposal_is_refused(tmp_path: Path) -> None:
    shop = _shop(tmp_path)
    (tmp_path / "odd.csv").write_text("name,colour\na,b\n", encoding="utf-8")
    for file in ("odd.csv", "missing.csv"):
        with pytest.raises(RefusedError):
            check_payment(shop, tmp_path / file, lambda _: AS_OF, lambda _: None)
    (tmp_path / "bare.csv").write_text("supplier,amount,currency\nkestrel,1.00,EUR\n")
    with pytest.raises(RefusedError, match="does not say what is to be paid"):
        check_payment(shop, tmp_path / "bare.csv", lambda _: AS_OF, lambda _: None)


def test_the_command_exits_with_one_unless_all_is_to_be_paid(tmp_path: Path) -> None:
    shop = _shop(tmp_path)
    file = _proposal(tmp_path / "p.txt", [("1", "", "10.00"), ("1", "", "10.00")])
    command = [sys.executable, "-m", "reconcile", "pay-check", str(shop), str(file)]
    command += ["--as-of", str(AS_OF)]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert run.returncode == 1, run.stderr
    assert "do not pay: 1, 10.00 EUR" in run.stdout
    assert "Due, and not in this payment: 2, 20.00 EUR" in run.stdout
    run = subprocess.run([*command, "--json"], capture_output=True, text=True, check=False)
    told = json.loads(run.stdout)
    assert [(one["verdict"], one["amount"], one["due"]) for one in told["lines"]] == [
        ("pay", "10.00", "10.00"),
        ("do not pay", "10.00", "0.00"),
    ]
    assert [one["order_ref"] for one in told["missing"]] == ["2", "3"]


@pytest.mark.parametrize("seed", [1, 2])
def test_what_pay_csv_proposes_raises_nothing_the_next_night(tmp_path: Path, seed: int) -> None:
    shop = tmp_path / "shop"
    truth = build_shop(shop, orders=150, seed=seed)
    day: date = truth.as_of
    night, _ = run_nightly(shop, lambda _: day, tmp_path / "out", lambda _: None, history=False)
    assert len(night.pay) > 2
    write_outputs(night, tmp_path / "out")
    file = tmp_path / "out" / "lists" / "pay.csv"
    found = check_payment(shop, file, lambda _: day, lambda _: None)
    assert set(found.lines["verdict"]) == {"pay"}
    assert found.missing.empty
    _pay(shop, file, day, with_invoice=seed % 2 == 0)
    later = day + timedelta(days=1)
    after, _ = run_nightly(shop, lambda _: later, tmp_path / "next", lambda _: None, history=False)
    known = set(night.exceptions["id"])
    paid = set(night.pay["order_ref"])
    fresh = after.exceptions[
        after.exceptions["rule"].isin(OF_PAYING) & (after.exceptions["verdict"] == "open")
    ]
    about = fresh["order_ref"].isin(paid) | (~fresh["id"].isin(known) & (fresh["rule"] != "unpaid"))
    assert fresh[about][["rule", "order_ref", "supplier", "explanation"]].to_dict("records") == []
    again = check_payment(shop, file, lambda _: later, lambda _: None)
    assert set(again.lines["verdict"]) == {"do not pay"}
    assert again.lines["reason"].str.contains("already paid").all()


def _pay(shop: Path, file: Path, day: date, *, with_invoice: bool) -> None:
    """Add the proposal to the payments, as the bank would show it the next day."""
    with file.open(newline="", encoding="utf-8") as proposed:
        rows = list(csv.DictReader(proposed))
    path = shop / "payments.csv"
    with path.open(newline="", encoding="utf-8") as old:
        headers = next(csv.reader(old))
    with path.open("a", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(
            out, headers, restval="", extrasaction="ignore", lineterminator="\n"
        )
        for number, row in enumerate(rows):
            more = {"payment_ref": f"BULK-{number}", "paid_at": str(day), "status": "settled"}
            shown = row if with_invoice else row | {"invoice_no": ""}
            writer.writerow(shown | more)
