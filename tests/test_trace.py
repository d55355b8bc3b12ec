"""Everything known of one reference, as a merchant asks for it.

The texts in tests/traces/ are what the shop of ``kept_shop`` tells, each about the reference that
it is named after.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from reconcile.checks.catalogue import load_catalogue
from reconcile.decide import decide_on
from reconcile.errors import RefusedError
from reconcile.night import Clock, Night, check
from reconcile.nightly import run_nightly
from reconcile.shop_file import load_shop
from reconcile.story.balance import opened
from reconcile.story.event import in_time
from reconcile.story.named import all_named
from reconcile.story.scope import scope_of
from reconcile.story.suppliers import agreed_events, bill_events, payment_events
from reconcile.trace import trace, trace_json, trace_text
from tests.matching.shops import AS_OF, Row, bill, order, parcel, payment, quote, written
from tests.proposals.command import reconcile
from tests.shops import PRIVATE_MARKS
from tests.shops.sample import FOLDER, SCENARIO, TRUTH_FILE

TRACES = Path(__file__).parent / "traces"
TOLD = sorted(path.stem for path in TRACES.glob("*.txt"))


def told(folder: Path, reference: str, day: date = AS_OF) -> dict[str, Any]:
    """The trace of a reference, read back from its JSON; its text fits on every line."""
    found = trace(folder, reference, lambda _: day, lambda _: None)
    assert max(map(len, trace_text(found).split("\n"))) <= 80
    data: dict[str, Any] = json.loads(trace_json(found))
    return data


def shop(folder: Path, extra: str = "", **records: Sequence[Row]) -> Path:
    """A small shop with a file for each record."""
    return written(folder, {"invoices": [], "payments": [], "shipments": [], **records}, extra)


def events(story: dict[str, Any]) -> list[str]:
    """Each event in a line: day, what, amount, and balance where it moves money."""
    out = []
    for one in story["events"]:
        words = [one["date"] or "no date", one["event"], one["supplier"]]
        words += [f"{one['amount']} {one['currency']}"] if one["amount"] is not None else []
        words += [f"-> {one['balance'] or 'not known'}"] if one["moves_balance"] else []
        out.append(" ".join(word for word in words if word))
    return out


def money(story: dict[str, Any]) -> list[str]:
    """What is payable, paid and left, by supplier and currency."""
    return [
        f"{one['supplier']} {one['currency']} {one['payable']} - {one['paid']} = {one['balance']}"
        for one in story["suppliers"]
    ]


def only(data: dict[str, Any]) -> dict[str, Any]:
    [story] = data["stories"]
    found: dict[str, Any] = story
    return found


def fire(story: dict[str, Any]) -> list[tuple[str, str, str | None]]:
    return [(one["rule"], one["verdict"], one["amount"]) for one in story["rules"]["fire"]]


# Stories that are kept


def kept_shop(folder: Path) -> Path:
    """An order at two suppliers, one paid alone and again in bulk, one cancelled and credited."""
    told = {"order_total": "95.00", "customer_paid": "95.00"}
    posted = {"tracking_no": "KX 71", "tracking_posted_at": "2026-03-06", "sent_at": "2026-03-06"}
    return shop(
        folder,
        orders=[
            order("LL-1001", "LAN-101", 2, **told, **posted),
            order("LL-1001", "CMP-202", supplier="alder"),
            order("LL-1002", "LAN-101", customer_paid="90.00", order_total="90.00"),
            order("LL-1003", "LAN-111", cancelled_at="2026-03-06", refunded_at="2026-03-06"),
        ],
        quotes=[quote("LAN-101", "12.50", shipping="4.20"), quote("LAN-111", "8.00")],
        invoices=[
            bill("KG-1", "LL-1001", "12.50", "LAN-101", 2, shipping="4.20"),
            bill("KG-2", "LL-1002", "12.50", "LAN-101", shipping="4.20"),
            bill("KG-2", "LL-1003", "8.00", "LAN-111"),
            bill("KG-3", "LL-1003", "8.00", "LAN-111", invoice_date="2026-03-07", kind="credit"),
            bill("AS-9", "#1001", "24.40", "CMP-202", supplier="alder", currency="USD",
                 due_date="2026-03-16"),
        ],
        payments=[
            payment("PAY-18", "29.20", "LL-1001"),
            payment("PAY-19", "16.70", "1002"),
            payment("PAY-20", "24.70", "", "KG-2", paid_at="2026-03-05"),
        ],
        shipments=[
            parcel("1001", "LAN-101", 2, tracking_no="KX71", delivered_at="2026-03-12"),
            parcel("1002", "LAN-101", tracking_no="KX72"),
        ],
    )  # fmt: skip


@pytest.mark.parametrize("reference", TOLD)
def test_the_story_reads_as_it_is_kept(reference: str, tmp_path: Path) -> None:
    found = trace(kept_shop(tmp_path), reference, lambda _: AS_OF, lambda _: None)
    kept = (TRACES / f"{reference}.txt").read_text(encoding="utf-8")
    assert trace_text(found) + "\n" == kept
    assert max(map(len, kept.split("\n"))) <= 80


def test_three_stories_are_kept() -> None:
    assert TOLD == ["LL-1001", "LL-1002", "PAY-20"]


# The sample shop


@pytest.fixture(scope="module")
def night() -> Night:
    """The night of the sample shop, with its ledger."""
    clock = Clock(lambda _: None)
    return check(load_shop(FOLDER), load_catalogue(), SCENARIO.as_of, clock, ledger=True)


def _paid_twice() -> str:
    """An order of the sample that is known to be paid twice."""
    with TRUTH_FILE.open(encoding="utf-8", newline="") as file:
        truth = list(csv.DictReader(file))
    twice = [row["order_ref"] for row in truth if row["rule"] == "double-paid"]
    return twice[0]


@pytest.mark.no_cover
def test_the_last_balance_of_every_order_is_payable_less_paid(night: Night) -> None:
    assert night.ledger is not None
    facts = night.tables["supplier_orders"]
    refs = night.matched.orders["order_ref"]
    for number, ref in enumerate(refs):
        [named] = [one for one in all_named(night, night.ledger, ref) if one.orders == (number,)]
        scope = scope_of(night, night.ledger, named)
        balances = opened(night.ledger, scope.supplier_orders)
        makers = (agreed_events, bill_events, payment_events)
        for event in in_time([one for make in makers for one in make(night, night.ledger, scope)]):
            balances.after(event)
        for row in facts[facts["order"] == number].to_dict("records"):
            balance = balances.balance(row["supplier"], row["currency"])
            known = not pd.isna(row["payable"])
            assert balance == (row["payable"] - row["paid"] if known else None), ref
    assert len(refs) > 350


def test_no_customer_is_named(night: Night) -> None:
    records = night.intake.records
    keys = set(records["orders"]["recipient_key"]) - {""}
    bulk = records["payments"]["payment_ref"].iloc[0]
    parcel_no = records["shipments"]["tracking_no"].iloc[0]
    for reference in (_paid_twice(), str(bulk), str(parcel_no)):
        found = trace(FOLDER, reference, lambda _: SCENARIO.as_of, lambda _: None)
        shown = trace_text(found) + trace_json(found)
        assert found.stories
        assert max(map(len, trace_text(found).split("\n"))) <= 80
        assert not [mark for mark in PRIVATE_MARKS if mark in shown]
        assert not [key for key in keys if key in shown]


def test_the_command_prints_text_or_json_and_ends_with_2_where_nothing_is_called_so() -> None:
    asked, ref = ("--as-of", "2026-10-31"), _paid_twice()
    done = reconcile("trace", str(FOLDER), ref.lower(), "--json", *asked)
    assert (done.returncode, done.stderr) == (0, "")
    story = only(json.loads(done.stdout))
    assert story["orders"][0]["order_ref"] == ref
    assert "double-paid" in [one[0] for one in fire(story)]
    unknown = f"{ref[:-1]}O"
    done = reconcile("trace", str(FOLDER), unknown, *asked)
    assert (done.returncode, done.stdout) == (2, "")
    assert f"Nothing is called '{unknown}'" in done.stderr
    assert re.search(r"\d+ orders, up to 2026-10-\d\d, in store/orders-2026-08.csv", done.stderr)
    near = done.stderr.replace("\n ", "").partition("Nearest: ")[2].split(", ")
    assert len(near) == 5
    assert all(one.strip().startswith(f"order {ref[:-1]}") for one in near)
    done = reconcile("trace")
    assert done.returncode == 2
    assert "Give one reference" in done.stderr


# Balances


def test_an_order_that_is_not_paid_yet(tmp_path: Path) -> None:
    data = told(shop(tmp_path, orders=[order("LL-1")], invoices=[bill("I1", "1", "40.00")]), "1")
    story = only(data)
    assert (story["kind"], story["reference"]) == ("order", "LL-1")
    assert events(story) == [
        "2026-03-01 ordered",
        "2026-03-01 customer-paid",
        "2026-03-02 billed kestrel 40.00 EUR -> 40.00",
    ]
    assert money(story) == ["kestrel EUR 40.00 - 0.00 = 40.00"]
    assert ("unpaid", "open", "40.00") in fire(story)
    assert story["events"][2]["evidence"] == [{"file": "invoices.csv", "sheet": "", "row": 2}]


def test_paid_alone_and_again_in_bulk_and_given_back(tmp_path: Path) -> None:
    folder = shop(
        tmp_path,
        orders=[order("1"), order("2")],
        quotes=[quote(cost="40.00")],
        payments=[
            payment("P1", "40.00", "1"),
            payment("P2", "80.00", "1; 2", paid_at="2026-03-05"),
            payment("P3", "40.00", "1", paid_at="2026-03-09", kind="refund"),
        ],
    )
    story = only(told(folder, "1"))
    assert events(story) == [
        "2026-03-01 ordered",
        "2026-03-01 customer-paid",
        "2026-03-01 agreed kestrel 40.00 EUR -> 40.00",
        "2026-03-03 paid kestrel 40.00 EUR -> 0.00",
        "2026-03-05 paid kestrel 40.00 EUR -> -40.00",
        "2026-03-09 refund-received kestrel 40.00 EUR -> 0.00",
    ]
    assert "40.00 EUR of 80.00 EUR for this" in story["events"][4]["about"]
    before = only(told(folder, "1", date(2026, 3, 8)))
    assert money(before) == ["kestrel EUR 40.00 - 80.00 = -40.00"]
    assert ("double-paid", "open", "40.00") in fire(before)
    assert not [one for one in fire(story) if one[0] == "double-paid"]


def test_billed_twice_is_not_payable_until_credited(tmp_path: Path) -> None:
    bills = [bill("I1", "1", "40.00"), bill("I2", "1", "40.00", invoice_date="2026-03-04")]
    credit = bill("C1", "1", "40.00", invoice_date="2026-03-06", kind="credit")
    paid = [payment("P1", "80.00", "1", paid_at="2026-03-05")]
    twice = shop(tmp_path / "a", orders=[order("1")], invoices=bills, payments=paid)
    assert events(only(told(twice, "1")))[2:] == [
        "2026-03-02 billed kestrel 40.00 EUR -> 40.00",
        "2026-03-04 billed kestrel 40.00 EUR -> 40.00",
        "2026-03-05 paid kestrel 80.00 EUR -> -40.00",
    ]
    assert (
        "40.00 EUR of it beyond the ordered quantity"
        in only(told(twice, "1"))["events"][3]["about"]
    )
    mended = shop(tmp_path / "b", orders=[order("1")], invoices=[*bills, credit], payments=paid)
    story = only(told(mended, "1"))
    assert events(story)[2:] == [
        "2026-03-02 billed kestrel 40.00 EUR -> 40.00",
        "2026-03-04 billed kestrel 40.00 EUR -> 80.00",
        "2026-03-05 paid kestrel 80.00 EUR -> 0.00",
        "2026-03-06 credited kestrel 40.00 EUR -> -40.00",
    ]
    assert money(story) == ["kestrel EUR 40.00 - 80.00 = -40.00"]


def test_currencies_and_suppliers_are_never_added(tmp_path: Path) -> None:
    folder = shop(
        tmp_path,
        orders=[order("1"), order("1", "B", supplier="alder")],
        invoices=[
            bill("I1", "1", "40.00"),
            bill("I2", "1", "7.00", "B", supplier="alder", currency="USD"),
            bill("I3", "1", "500", "A", qty=0, shipping="500", currency="JPY"),
        ],
        payments=[payment("P1", "7.00", "1", supplier="alder", currency="USD")],
    )
    story = only(told(folder, "1"))
    assert money(story) == [
        "alder USD 7.00 - 7.00 = 0.00",
        "kestrel EUR 40.00 - 0.00 = 40.00",
        "kestrel JPY 500 - 0 = 500",
    ]
    assert [line for line in events(story) if "->" in line] == [
        "2026-03-02 billed alder 7.00 USD -> 7.00",
        "2026-03-02 billed kestrel 40.00 EUR -> 40.00",
        "2026-03-02 billed kestrel 500 JPY -> 500",
        "2026-03-03 paid alder 7.00 USD -> 0.00",
    ]


def test_a_balance_is_not_known_where_nothing_says_what_is_payable(tmp_path: Path) -> None:
    folder = shop(tmp_path, orders=[order("1")], payments=[payment("P1", "40.00", "1")])
    story = only(told(folder, "1"))
    assert events(story)[-1] == "2026-03-03 paid kestrel 40.00 EUR -> not known"
    assert money(story) == ["kestrel EUR None - 40.00 = None"]


def test_what_moved_no_money_is_told_without_a_balance_of_its_own(tmp_path: Path) -> None:
    paid = [
        payment("P1", "40.00", "1", status="failed"),
        payment("P2", "40.00", "", "I1", paid_at="2026-03-04", status="pending"),
        payment("P3", "9.00", "1; 2", paid_at="2026-03-05"),
    ]
    folder = shop(
        tmp_path,
        orders=[order("1"), order("2")],
        payments=paid,
        invoices=[bill("I1", "1", "40.00")],
    )
    story = only(told(folder, "1"))
    assert events(story)[2:] == [
        "2026-03-02 billed kestrel 40.00 EUR -> 40.00",
        "2026-03-03 payment-failed kestrel 40.00 EUR",
        "2026-03-04 payment-pending kestrel 40.00 EUR",
        "2026-03-05 paid kestrel 9.00 EUR",
    ]
    assert "not allocated to this" in story["events"][5]["about"]


def test_the_customer_and_the_goods(tmp_path: Path) -> None:
    first = order(
        "1", qty=2, order_total="200.00", customer_paid="200.00", refunded_at="2026-03-10",
        refunded="90.00", refunded_qty=1, tracking_no="T1", tracking_posted_at="2026-03-05",
        sent_at="2026-03-05",
    )  # fmt: skip
    sent = [
        parcel("1", delivered_at="2026-03-08"),
        parcel("1", shipped_at="2026-03-06", tracking_no=""),
    ]
    story = only(told(shop(tmp_path, orders=[first], shipments=sent), "1"))
    assert story["customer"] == {
        "currency": "EUR", "order_total": "200.00", "paid": "200.00", "refunded": "90.00"
    }  # fmt: skip
    assert events(story) == [
        "2026-03-01 ordered 200.00 EUR",
        "2026-03-01 customer-paid 200.00 EUR",
        "2026-03-04 shipped kestrel",
        "2026-03-05 marked-sent",
        "2026-03-05 posted",
        "2026-03-06 shipped kestrel",
        "2026-03-08 delivered kestrel",
        "2026-03-10 customer-refunded 90.00 EUR",
    ]
    assert "without a tracking number" in story["events"][5]["about"]
    gone = order("1", cancelled_at="2026-03-09")
    assert (
        events(only(told(shop(tmp_path / "b", orders=[gone]), "1")))[-1] == "2026-03-09 cancelled"
    )


def test_what_happened_after_the_day_is_not_told(tmp_path: Path) -> None:
    folder = shop(
        tmp_path, orders=[order("1", qty=1, refunded_at="2026-03-10", refunded="5.00")],
        payments=[payment("P1", "40.00", "1")], shipments=[parcel("1", delivered_at="2026-03-08")],
    )  # fmt: skip
    days = [one["date"] for one in only(told(folder, "1", date(2026, 3, 2)))["events"]]
    assert days == ["2026-03-01", "2026-03-01"]


# What a reference names


def test_a_reference_is_compared_cleaned(tmp_path: Path) -> None:
    folder = shop(
        tmp_path, orders=[order("LL-0012")], shipments=[parcel("12", tracking_no="RX 1-2")]
    )
    for reference in ("#LL-0012", "ll-12", "12", " 12.0 ", "LL-12-R"):
        assert only(told(folder, reference))["reference"] == "LL-0012"
    story = only(told(folder, "rx12"))
    assert (story["kind"], story["orders"][0]["order_ref"]) == ("parcel", "LL-0012")


def test_each_thing_of_one_name_is_told(tmp_path: Path) -> None:
    folder = shop(
        tmp_path,
        orders=[order("7", store="north"), order("7", store="south"), order("8", store="north")],
        invoices=[bill("7", "8", "40.00"), bill("7", "8", "9.00", supplier="alder")],
    )
    stories = told(folder, "7")["stories"]
    assert [(one["kind"], one["store"], one["supplier"]) for one in stories] == [
        ("order", "north", ""), ("order", "south", ""),
        ("invoice", "", "alder"), ("invoice", "", "kestrel"),
    ]  # fmt: skip
    found = trace(folder, "7", lambda _: AS_OF, lambda _: None)
    assert "7 names 4 things; each is told." in trace_text(found)


def test_references_that_differ_in_their_spelling_only_are_both_told(tmp_path: Path) -> None:
    folder = shop(tmp_path, orders=[order("LL-5"), order("5")])
    stories = told(folder, "5")["stories"]
    assert [one["reference"] for one in stories] == ["5", "LL-5"]
    assert all(("key-collision", "open", None) in fire(one) for one in stories)


def test_a_bulk_payment_tells_its_orders_and_their_money(tmp_path: Path) -> None:
    folder = shop(
        tmp_path,
        orders=[order("1"), order("2")],
        invoices=[bill("I1", "1", "40.00"), bill("I1", "2", "30.00")],
        payments=[payment("P1", "70.00", "", "I1")],
    )
    for reference in ("P1", "I1"):
        story = only(told(folder, reference))
        assert events(story) == [
            "2026-03-02 billed kestrel 70.00 EUR -> 70.00",
            "2026-03-03 paid kestrel 70.00 EUR -> 0.00",
        ]
        assert [(one["order_ref"], money(one)) for one in story["orders"]] == [
            ("1", ["kestrel EUR 40.00 - 40.00 = 0.00"]),
            ("2", ["kestrel EUR 30.00 - 30.00 = 0.00"]),
        ]


def test_a_payment_that_reaches_nothing(tmp_path: Path) -> None:
    folder = shop(tmp_path, orders=[order("1")], payments=[payment("P9", "12.00")])
    story = only(told(folder, "p9"))
    assert events(story) == ["2026-03-03 paid kestrel 12.00 EUR"]
    assert ("payment-unmatched", "open", "12.00") in fire(story)


def test_documents_of_an_order_that_is_in_no_export(tmp_path: Path) -> None:
    folder = shop(
        tmp_path, orders=[order("1")], invoices=[bill("I1", "LL-77", "40.00")],
        payments=[payment("P1", "40.00", "77")], shipments=[parcel("77")],
    )  # fmt: skip
    story = only(told(folder, "77"))
    assert story["kind"] == "documents"
    assert [line.split(" ")[1] for line in events(story)] == ["billed", "paid", "shipped"]
    assert [one[0] for one in fire(story)].count("unknown-order") == 3


def test_what_is_not_found_says_what_was_looked_at_and_what_is_near(tmp_path: Path) -> None:
    bills = [bill("K-1003", "1001", "1")]
    folder = shop(
        tmp_path, orders=[order("LL-1001"), order("LL-1002")], invoices=bills,
        payments=[payment("P1", "1.00", "1001")], shipments=[parcel("1001", tracking_no="T1000")],
    )  # fmt: skip
    data = told(folder, "LL-1O01")
    assert (data["found"], data["stories"]) == (False, [])
    assert data["looked_at"] == [
        {"what": what, "count": count, "files": [file], "covered_to": "2026-03-20"}
        for what, count, file in (
            ("orders", 2, "orders.csv"), ("invoices", 1, "invoices.csv"),
            ("payments", 1, "payments.csv"), ("parcels", 1, "shipments.csv"),
        )
    ]  # fmt: skip
    assert data["nearest"][0] == {"kind": "order", "reference": "LL-1001"}
    assert told(folder, "zzzzzzzz")["nearest"] == []
    with pytest.raises(RefusedError):
        told(folder, " \u200b ")


def test_a_rejected_row_that_names_it_is_shown(tmp_path: Path) -> None:
    folder = shop(tmp_path, orders=[order("1")], payments=[payment("P1", "1.00", "1")])
    with (folder / "payments.csv").open("a", encoding="utf-8", newline="") as file:
        file.write("kestrel,P2,2026-03-04,x,EUR,LL-1; 9,\r\nkestrel,P3,2026-03-04\r\n")
    data = told(folder, "1")
    row = {
        "file": "payments.csv", "sheet": "", "row": 3, "column": "amount", "text": "x",
        "expected": "an amount such as 1234.50",
    }  # fmt: skip
    assert data["rejected_rows"] == [row]
    assert ("rows-rejected", "open", None) not in fire(only(data))
    for reference in ("9", "P2"):
        alone = told(folder, reference)
        assert (alone["found"], alone["stories"], alone["rejected_rows"]) == (True, [], [row])
    missing = told(folder, "P3")
    assert (missing["found"], missing["rows_not_searched"]) == (False, 1)


# Rules


def test_rules_that_just_missed_say_what_was_lacking(tmp_path: Path) -> None:
    folder = shop(
        tmp_path, orders=[order("1"), order("1", "B")], payments=[payment("P1", "40.00", "1")],
        invoices=[bill("I1", "1", "20.00"), bill("I1", "1", "20.00", "B")],
    )  # fmt: skip
    missed = {one["rule"]: one for one in only(told(folder, "1"))["rules"]["just_missed"]}
    over = missed["overpaid"]
    assert [one["said"] for one in over["lacking"]] == [
        "paid beyond payable: 0.00 EUR, not above 0.00 EUR"
    ]
    assert over["numbers"] == ["paid 40.00 EUR", "payable 40.00 EUR"]
    assert [one["fact"] for one in over["held"]] == [
        "payable", "covered_without_one_payment", "duplicate_billing_paid"
    ]  # fmt: skip
    assert missed["not-ordered"]["about"] == ["I1 A", "I1 B"]
    assert "unfulfilled" not in missed
    assert "double-paid" not in missed


# History and decisions


def _nights(folder: Path, *days: int) -> None:
    for day in days:
        run_nightly(folder, lambda _, on=day: date(2026, 3, on), None, lambda _: None)  # type: ignore[misc]


def _past(folder: Path, reference: str, day: int) -> list[str]:
    found = only(told(folder, reference, date(2026, 3, day)))["events"]
    return [
        f"{one['date'][-2:]} {one['event']} {one['about'].split(' (')[0]}"
        for one in found
        if one["event"].startswith(("exception", "decided"))
    ]


@pytest.mark.no_cover
def test_what_was_found_cleared_and_reopened_is_told(tmp_path: Path) -> None:
    paid = payment("P1", "40.00", "1", paid_at="2026-03-04")
    bills = [bill("I1", "1", "40.00")]
    folder = shop(tmp_path, orders=[order("1")], invoices=bills, payments=[])
    _nights(folder, 2, 3)
    shop(folder, orders=[order("1")], invoices=bills, payments=[paid])
    _nights(folder, 4)
    shop(folder, orders=[order("1")], invoices=bills, payments=[paid | {"status": "reversed"}])
    _nights(folder, 5)
    about = [line for line in _past(folder, "1", 5) if " unpaid" in line]
    assert about == [
        "02 exception-found unpaid, waiting",
        "03 exception-changed unpaid, open",
        "04 exception-cleared unpaid; new or changed rows in the payments: payments.csv row 2",
        "05 exception-reopened unpaid, open",
    ]
    assert [line for line in _past(folder, "1", 3) if " unpaid" in line] == about[:2]
    [unpaid] = [
        one for one in only(told(folder, "1", date(2026, 3, 5)))["rules"]["fire"]
        if one["rule"] == "unpaid"
    ]  # fmt: skip
    assert (unpaid["first_seen"], unpaid["change"]) == ("2026-03-02", "reopened")


def test_decisions_are_told_and_their_verdict_too(tmp_path: Path) -> None:
    folder = shop(tmp_path, orders=[order("LL-1")], invoices=[bill("I1", "1", "40.00")])
    _nights(folder, 4)
    data = only(told(folder, "1", date(2026, 3, 4)))
    [id_] = [one["id"] for one in data["rules"]["fire"] if one["rule"] == "unpaid"]
    decide_on(folder, id_, lambda _: date(2026, 3, 5), "paid in cash", date(2026, 3, 9), "Ann")
    story = only(told(folder, "1", date(2026, 3, 6)))
    [decided] = [one for one in story["events"] if one["event"] == "decided"]
    assert (decided["date"], decided["amount"]) == ("2026-03-05", "40.00")
    assert decided["about"] == "unpaid accepted by Ann, until 2026-03-09: paid in cash"
    assert decided["evidence"] == [{"file": "decisions.jsonl", "sheet": "", "row": 1}]
    assert ("unpaid", "accepted", "40.00") in fire(story)
    assert ("unpaid", "open", "40.00") in fire(only(told(folder, "1", date(2026, 3, 10))))
    assert not [one for one in _past(folder, "1", 4) if "decided" in one]


def test_decisions_of_a_file_are_told(tmp_path: Path) -> None:
    decisions: list[Row] = [
        {"rule": "unpaid", "order_ref": "LL-1", "decided_on": "2026-03-05", "decided_by": "Ben",
         "reason": "agreed by phone"},
        {"rule": "unpaid", "order_ref": "LL-2", "decided_on": "2026-03-05", "decided_by": "Ben",
         "reason": "another"},
    ]  # fmt: skip
    bills = [bill("I1", "1", "40.00"), bill("I1", "2", "40.00")]
    orders = [order("LL-1"), order("LL-2")]
    folder = shop(tmp_path, orders=orders, invoices=bills, decisions=decisions)
    story = only(told(folder, "1"))
    [decided] = [one for one in story["events"] if one["event"] == "decided"]
    assert decided["about"] == "unpaid accepted by Ben: agreed by phone"
    assert decided["evidence"] == [{"file": "decisions.csv", "sheet": "", "row": 2}]
    assert ("unpaid", "accepted", "40.00") in fire(story)


def test_what_only_the_history_knows_is_told(tmp_path: Path) -> None:
    both = [order("LL-1"), order("LL-2")]
    folder = shop(tmp_path, orders=both, invoices=[bill("I1", "1", "40.00")])
    _nights(folder, 4)
    shop(folder, orders=both[1:])
    story = only(told(folder, "LL-1", date(2026, 3, 5)))
    assert story["kind"] == "past"
    assert "04 exception-found unpaid, open" in _past(folder, "1", 5)
    assert ("unpaid", "unknown", "40.00") in fire(story)
    assert not told(folder, "LL-3", date(2026, 3, 5))["found"]


def test_nothing_is_written(tmp_path: Path) -> None:
    folder = shop(tmp_path, orders=[order("1")])
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    told(folder, "1")
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
