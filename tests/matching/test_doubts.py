"""What may be paid already is never called unpaid, and what is no bill never counts as one."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from reconcile.nightly import run_nightly
from tests.matching.said import RULES, exceptions
from tests.matching.shops import AS_OF, Row, bill, matched, order, parcel, payment, quote, written

pytestmark = pytest.mark.no_cover

ORDERS = [order(ref, order_total="90.00", customer_paid="90.00") for ref in "12"]
QUOTES = [quote()]  # 10.00 a unit
NO_PAYMENTS = [payment("P0", "1.00", "2", status="failed")]


def _night(folder: Path, **records: list[Row]) -> tuple[dict[str, list[tuple[str, str]]], set[str]]:
    """Rule and verdict of each exception by order reference, and the orders in pay.csv."""
    written(folder, {"orders": ORDERS, "quotes": QUOTES, "payments": NO_PAYMENTS} | records)
    contents, _ = run_nightly(folder, lambda _: AS_OF, folder / "out", lambda _: None)
    assert contents.proofs["holds"].all(), contents.proofs.to_string()
    assert contents.rejected.empty, contents.rejected.to_string()
    found: dict[str, list[tuple[str, str]]] = {}
    for ref, rule, verdict in contents.exceptions[["order_ref", "rule", "verdict"]].to_numpy():
        found.setdefault(ref, []).append((rule, verdict))
    return found, set(contents.pay["order_ref"])


def test_without_any_payment_both_orders_are_to_be_paid(tmp_path: Path) -> None:
    found, pay = _night(tmp_path)
    assert found == {"1": [("unpaid", "open")], "2": [("unpaid", "open")]}
    assert pay == {"1", "2"}


@pytest.mark.parametrize("status", ["", "pending"])
@pytest.mark.parametrize(
    "change",
    [
        pytest.param({"currency": "USD"}, id="another currency"),
        pytest.param({"supplier": "alder"}, id="another supplier's name"),
    ],
)
def test_an_invoice_number_is_enough_to_doubt(
    tmp_path: Path, change: dict[str, str], status: str
) -> None:
    paid = payment("P1", "10.00", "", "K1", status=status) | change
    found, pay = _night(tmp_path, invoices=[bill("K1", "1", "10.00")], payments=[paid])
    assert dict(found["1"])["unpaid"] == ("waiting" if status else "unknown")
    assert pay == {"2"}


@pytest.mark.parametrize("status", ["", "pending"])
def test_an_invoice_in_two_currencies_is_doubted_in_both(tmp_path: Path, status: str) -> None:
    """40.00 of the payment belong to neither invoice in its own currency."""
    bills = [bill("K1", "1", "25.00"), bill("K2", "1", "35.00", sku="B")]
    bills.append(bill("K1", "2", "40.00", currency="USD"))
    paid = payment("P1", "100.00", "", "K1;K2", status=status)
    found, pay = _night(
        tmp_path, orders=[*ORDERS, order("1", "B")], invoices=bills, payments=[paid]
    )
    assert dict(found["2"])["unpaid"] == ("waiting" if status else "unknown")
    assert pay == set()


def test_a_payment_that_is_used_up_says_nothing_of_another_currency(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "25.00"), bill("K1", "2", "40.00", currency="USD")]
    found, pay = _night(tmp_path, invoices=bills, payments=[payment("P1", "25.00", "", "K1")])
    assert dict(found["2"])["unpaid"] == "open"
    assert pay == {"2"}


def test_a_payment_in_another_currency_leaves_neither_order_to_be_paid(tmp_path: Path) -> None:
    found, pay = _night(tmp_path, payments=[payment("P1", "88.00", "1;2", currency="USD")])
    assert all(("unpaid", "unknown") in found[ref] for ref in ("1", "2"))
    assert pay == set()


def test_a_reference_of_two_stores_may_mean_either_order(tmp_path: Path) -> None:
    orders = [order("1", store="north"), order("1", store="south")]
    found, pay = _night(tmp_path, orders=orders, payments=[payment("P1", "10.00", "1")])
    assert found["1"].count(("unpaid", "unknown")) == 2
    assert ("unknown-order", "unknown") in found["1"]
    assert "payment-unmatched" not in dict(found["1"])
    assert pay == set()


def test_references_that_contradict_each_other_leave_a_doubt(tmp_path: Path) -> None:
    found, pay = _night(
        tmp_path,
        invoices=[bill("K1", "1", "10.00")],
        payments=[payment("P1", "10.00", "2", "K1")],
    )
    assert ("unpaid", "unknown") in found["1"]
    assert pay == set()


def test_money_at_a_supplier_without_a_line_reaches_no_order(tmp_path: Path) -> None:
    stray = payment("P1", "10.00", "1") | {"supplier": "alder"}
    found, pay = _night(tmp_path, payments=[stray])
    assert sorted(found["1"]) == [("payment-unmatched", "open"), ("unpaid", "unknown")]
    assert pay == {"2"}


OF_ALDER = {"supplier": "alder"}


@pytest.mark.parametrize(
    ("paid", "verdict"),
    [
        pytest.param(
            [payment("P1", "10.00", "1"), payment("P2", "9.00", "1") | OF_ALDER], "unknown"
        ),
        pytest.param([payment("P1", "10.00", "1")], "unknown"),
        pytest.param([payment("P2", "9.00", "1") | OF_ALDER], "unknown"),
        pytest.param([payment("P3", "10.00", "2")], "open"),
    ],
    ids=["both", "one", "the other", "neither"],
)
def test_goods_that_two_suppliers_bill_may_be_paid_at_either(
    paid: list[Row], verdict: str, tmp_path: Path
) -> None:
    """The order names no supplier: it is a tie, which is not settled."""
    records = {
        "orders": [order("1", supplier=""), order("2")],
        "invoices": [bill("K1", "1", "10.00"), bill("A1", "1", "9.00") | OF_ALDER],
        "payments": paid,
    }
    shop = matched(tmp_path, records)
    found = exceptions(shop, names=["unpaid"]).set_index("order_ref")
    assert found.loc["1", "verdict"] == verdict
    assert shop.states["1", "A"] == ("unknown" if verdict == "unknown" else "to-pay")


def test_a_line_of_its_own_supplier_is_not_in_doubt_for_a_tie(tmp_path: Path) -> None:
    """What another supplier is paid for its own line says nothing of a line of none."""
    records = {
        "orders": [order("1"), order("1", "B", supplier="alder"), order("1", "C", supplier="")],
        "quotes": [quote("A"), quote("B") | OF_ALDER],
        "payments": [payment("P1", "10.00", "1"), payment("P2", "10.00", "1") | OF_ALDER],
    }
    found = exceptions(matched(tmp_path, records), names=["unpaid"])
    assert list(found["verdict"]) == ["open"]
    assert list(found["supplier"]) == [""]


def test_two_currencies_of_one_order_are_not_both_safe_to_pay(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "10.00"), bill("K2", "1", "11.00") | {"currency": "USD"}]
    _, pay = _night(tmp_path, invoices=bills)
    assert pay == {"2"}


def test_a_credit_alone_is_no_bill(tmp_path: Path) -> None:
    bills = [bill("C1", "1", "4.00", kind="credit"), bill("K9", "2-R", "3.00")]
    shop = matched(tmp_path, {"orders": ORDERS, "quotes": QUOTES, "invoices": bills})
    assert shop.money("payable", "1") == "6.00"
    assert shop.money("payable", "2") == "13.00"


def test_a_bill_credited_whole_still_asks_for_goods_that_were_never_sent(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "10.00"), bill("C1", "1", "10.00", kind="credit")]
    found, pay = _night(tmp_path / "unsent", invoices=bills)
    assert ("unpaid", "open") in found["1"]
    assert "1" not in pay
    sent = [parcel("1", tracking_no="T1")]
    found, _ = _night(tmp_path / "sent", invoices=bills, shipments=sent)
    assert "unpaid" not in dict(found.get("1", []))


def test_a_written_zero_is_no_refund(tmp_path: Path) -> None:
    orders = [order("1", refunded_at="2026-03-05", refunded="0.00")]
    shop = matched(tmp_path, {"orders": orders, "quotes": QUOTES})
    assert shop.fact("live", "1") == 1


def test_what_a_supplier_gave_back_beyond_its_payment_is_not_owed_on_top(tmp_path: Path) -> None:
    moved = [payment("P1", "10.00", "1"), payment("P2", "15.00", "1", kind="refund")]
    shop = matched(tmp_path, {"orders": ORDERS, "quotes": QUOTES, "payments": moved})
    assert shop.money("unpaid_rest", "1") == "10.00"


def test_a_rejected_invoice_row_leaves_what_is_payable_open(tmp_path: Path) -> None:
    records = {"orders": ORDERS, "quotes": QUOTES, "payments": NO_PAYMENTS}
    records["invoices"] = [bill("K1", "1", "10.00")]
    written(tmp_path, records)
    invoices = tmp_path / "invoices.csv"
    invoices.write_text(invoices.read_text("utf-8").replace("10.00", "1o.00"), "utf-8")
    contents, _ = run_nightly(tmp_path, lambda _: AS_OF, tmp_path / "out", lambda _: None)
    unpaid = contents.exceptions[contents.exceptions["rule"] == "unpaid"]
    assert dict(unpaid[["order_ref", "verdict"]].to_numpy().tolist()) == {
        "1": "unknown",
        "2": "open",
    }
    assert list(contents.pay["order_ref"]) == ["2"]


def test_payments_of_equal_parts_reach_every_order_in_any_order_of_rows(tmp_path: Path) -> None:
    orders = [order(str(at)) for at in (1, 2, 3)]
    bills = [bill("K1", str(at), cost) for at, cost in ((1, "7.00"), (2, "7.00"), (3, "10.00"))]
    early = payment("P1", "12.00", "", "K1") | {"paid_at": "2026-03-03"}
    late = payment("P2", "12.00", "", "K1") | {"paid_at": "2026-03-10"}
    seen = []
    for at, rows in enumerate([(orders, [early, late]), (orders[::-1], [late, early])]):
        records = {"orders": rows[0], "invoices": bills, "payments": rows[1]}
        shop = matched(tmp_path / str(at), records)
        seen.append([(shop.money("paid", ref), shop.fact("last_paid_date", ref)) for ref in "123"])
    last = pd.Timestamp(date(2026, 3, 10))
    assert seen[0] == seen[1] == [("7.00", last), ("7.00", last), ("10.00", last)]


@pytest.mark.parametrize(
    ("record", "old", "new"),
    [
        ("orders", ",A,", ",a,"),
        ("payments", ",P1,", ",#P1,"),
        ("shipments", "03-04", "03-04 10:00"),
    ],
)
def test_another_spelling_of_a_key_in_a_newer_export_is_the_same_row(
    tmp_path: Path, record: str, old: str, new: str
) -> None:
    records = {
        "orders": [order("1", qty=2, order_total="90.00", customer_paid="90.00")],
        "quotes": QUOTES,
        "payments": [payment("P1", "20.00", "1")],
        "shipments": [
            parcel("1", qty=1, tracking_no="T1", delivered_at="2026-03-05")
            | {"shipped_at": "2026-03-04"}
        ],
    }
    written(tmp_path, records)
    settings = (tmp_path / "shop.toml").read_text("utf-8")
    (tmp_path / "shop.toml").write_text(
        settings.replace(f"{record}.csv", f"{record}*.csv"), "utf-8"
    )
    text = (tmp_path / f"{record}.csv").read_text("utf-8")
    assert old in text
    (tmp_path / f"{record}-2.csv").write_text(text.replace(old, new), "utf-8")
    contents, _ = run_nightly(tmp_path, lambda _: AS_OF, tmp_path / "out", lambda _: None)
    found = contents.exceptions.set_index("rule")["verdict"].to_dict()
    # The orders have no column for tracking numbers, so nobody can tell whether one is posted.
    changed = {"repeat-changed": "open"} if "10:00" in new else {}
    assert found == changed | {"short-shipped": "open", "tracking-not-posted": "unknown"}


# Rows that could not be read: what they would have said is no money that is too much

_ORDERED = [order("1", "A", unit_price="12.00"), order("1", "B", unit_price="12.00")]
_BILLED = [bill("K1", "1", "10.00"), bill("K1", "1", "10.00", "B")]
_UNREAD: dict[str, tuple[str, dict[str, list[Row]]]] = {
    "double-paid": (
        "invoices",
        {
            "orders": _ORDERED,
            "invoices": [_BILLED[0], _BILLED[1] | {"due_date": "soon"}],
            "payments": [payment("P1", "10.00", "1"), payment("P2", "10.00", "1")],
        },
    ),
    "overpaid": (
        "invoices",
        {
            "orders": _ORDERED,
            "invoices": [_BILLED[0], _BILLED[1] | {"unit_cost": "ten"}],
            "payments": [payment("P1", "20.00", "1")],
        },
    ),
    "refunded-but-paid": (
        "payments",
        {
            "orders": [order("1", cancelled_at="2026-03-04")],
            "invoices": _BILLED[:1],
            "payments": [
                payment("P1", "10.00", "1"),
                payment("P2", "ten", "1", kind="refund"),
            ],
            "shipments": [],
        },
    ),
    "billed-twice": (
        "orders",
        {
            "orders": [order("1", line_no=1), order("1", line_no=2) | {"qty": "one"}],
            "invoices": [bill("K1", "1", "10.00", qty=2)],
        },
    ),
    "not-ordered": (
        "sku_map",
        {
            "orders": _ORDERED[:1],
            "invoices": [bill("K1", "1", "10.00", "KX-7")],
            "sku_map": [
                {"sku": "B", "supplier": "kestrel", "supplier_sku": "KX-8", "units": "1"},
                {"sku": "A", "supplier": "kestrel", "supplier_sku": "kx-7", "units": "one"},
            ],
        },
    ),
    "overcharged": (
        "quotes",
        {
            "orders": _ORDERED[:1],
            "invoices": [bill("K1", "1", "12.00")],
            "quotes": [quote(), quote(cost="twelve", valid_from="2026-02-15")],
        },
    ),
    "wrong-country-rate": (
        "quotes",
        {
            "orders": [order("1", ship_to_country="DE")],
            "invoices": [bill("K1", "1", "12.00")],
            "quotes": [
                quote(ship_to_country="DE"),
                quote(cost="12.00", ship_to_country="FR"),
                quote(cost="twelve", ship_to_country="DE", valid_from="2026-02-15"),
            ],
        },
    ),
    "sold-at-loss": (
        "orders",
        {"orders": [_ORDERED[0], _ORDERED[1] | {"qty": "one"}], "invoices": _BILLED},
    ),
}


@pytest.mark.parametrize("rule", _UNREAD)
def test_what_a_row_that_could_not_be_read_may_explain_is_unknown(
    rule: str, tmp_path: Path
) -> None:
    record, records = _UNREAD[rule]
    found = exceptions(matched(tmp_path / "one", records, rejects=1), names=[rule])
    assert list(found["verdict"]) == ["unknown"]
    assert list(found["cause"]) == [RULES[rule].unknown[-1].cause]
    # Without the row it would be told.
    without = records | {record: records[record][:-1]}
    found = exceptions(matched(tmp_path / "none", without), names=[rule])
    assert list(found["verdict"]) == ["open"]


_PAYMENTS_OF_1 = {
    "by its order": payment("P2", "ten", "1"),
    "by its invoice": payment("P2", "ten", "", "K1"),
    "a refund": payment("P2", "ten", "1", kind="refund"),
}


@pytest.mark.parametrize("unread", _PAYMENTS_OF_1.values(), ids=_PAYMENTS_OF_1)
@pytest.mark.parametrize("paid", ["10.00", "20.00"])
def test_a_payment_that_could_not_be_read_changes_no_bill(
    unread: Row, paid: str, tmp_path: Path
) -> None:
    records = {
        "orders": [order("1") | {"unit_price": "9.00"}],
        "invoices": [bill("K1", "1", "10.00"), bill("K2", "1", "10.00")],
        "payments": [payment("P1", paid, "1")],
    }
    names = ["billed-twice", "sold-at-loss"]
    clean = exceptions(matched(tmp_path / "all", records), names=names).set_index("rule")
    assert list(clean["verdict"]) == ["open", "open"]
    records["payments"].append(unread)
    found = exceptions(matched(tmp_path / "one", records, rejects=1), names=names)
    found = found.set_index("rule")
    same = ["verdict", "class", "list", "amount_minor", "id"]
    pd.testing.assert_frame_equal(found[same], clean[same])
    words = "; a payment row that was rejected names the order, and may have paid it or given it"
    assert words in found["explanation"]["billed-twice"]
    assert words not in clean["explanation"]["billed-twice"]
    assert found["explanation"]["sold-at-loss"] == clean["explanation"]["sold-at-loss"]


@pytest.mark.parametrize("rule", ["billed-twice", "sold-at-loss"])
def test_a_bill_that_could_not_be_read_may_change_bills(rule: str, tmp_path: Path) -> None:
    records = {
        "orders": [order("1") | {"unit_price": "9.00"}],
        "invoices": [
            bill("K1", "1", "10.00"),
            bill("K2", "1", "10.00"),
            bill("C1", "1", "ten", kind="credit"),
        ],
    }
    found = exceptions(matched(tmp_path, records, rejects=1), names=[rule])
    assert list(found["verdict"]) == ["unknown"]
    assert list(found["cause"]) == [RULES[rule].unknown[-1].cause]


@pytest.mark.parametrize("money", [[], [payment("P1", "20.00", "1")]])
def test_a_row_that_could_not_be_read_may_tell_that_the_customer_paid(
    money: list[Row], tmp_path: Path
) -> None:
    """What is of the whole order may stand on its first row alone."""
    second = order("1", "B", customer_paid_at="")
    other = order("2", customer_paid_at="")
    paid = [*money, payment("P2", "10.00", "2")]
    records = {
        "orders": [order("1") | {"qty": "one"}, second, other],
        "quotes": [quote(), quote("B")],
        "payments": paid,
    }
    shop = matched(tmp_path / "one", records, rejects=1)
    found = exceptions(shop, names=["unpaid", "unfunded"])
    told = found.set_index("order_ref")[["rule", "verdict"]].to_dict("index")
    rule = "unfunded" if money else "unpaid"
    assert told == {
        "1": {"rule": rule, "verdict": "unknown"},
        "2": {"rule": "unfunded", "verdict": "open"},
    }
    assert shop.states["1", "B"] == "unknown"
    # Where another row tells it, it is known.
    records["orders"][1] = order("1", "B")
    found = exceptions(matched(tmp_path / "told", records, rejects=1), names=["unfunded"])
    assert list(found["order_ref"]) == ["2"]


def test_a_reference_that_several_orders_bear_is_not_called_missing(tmp_path: Path) -> None:
    records = {
        "orders": [order("1", store=store) for store in ("north", "south")],
        "invoices": [bill("K1", ref, "10.00") for ref in "17"],
        "payments": [payment(f"P{ref}", "10.00", ref) for ref in "18"],
    }
    found = exceptions(matched(tmp_path, records), names=["unknown-order"])
    endings = found["explanation"].str.partition(" bears the order reference ")[2]
    assert sorted(zip(found["verdict"], endings, strict=True)) == [
        ("open", "7, which is in no order export."),
        ("open", "8, which is in no order export."),
        *[("unknown", "1, which several orders bear.")] * 2,
    ]


def test_without_any_payments_nobody_knows_what_is_paid(tmp_path: Path) -> None:
    """0.00 would be a claim that nothing was."""
    shown = order("1") | {"tracking_no": "T9", "tracking_posted_at": "2026-03-04"}
    records: dict[str, list[Row]] = {"orders": [shown], "quotes": QUOTES, "shipments": []}
    read: dict[str, list[Row]] = {"payments": NO_PAYMENTS}
    for more, amount, said in (({}, None, "an unknown amount"), (read, 0, "0.00 EUR")):
        folder = tmp_path / said
        written(folder, records | more)
        contents, _ = run_nightly(folder, lambda _: AS_OF, folder / "out", lambda _: None)
        of_rule = contents.exceptions["rule"] == "posted-not-shipped"
        [found] = contents.exceptions[of_rule].to_dict("records")
        assert found["verdict"] == "open"
        money = found["amount_minor"]
        assert (None if pd.isna(money) else money) == amount
        assert str(found["explanation"]).endswith(f"; {said} is paid for it.")


@pytest.mark.parametrize(
    ("sent", "rejects", "verdicts"),
    [
        pytest.param({}, 0, {"1": "unknown", "2": "unknown", "3": "open"}, id="no file"),
        pytest.param({"shipments": []}, 0, {"1": "open", "2": "open", "3": "open"}, id="no parcel"),
        pytest.param(
            {"shipments": [parcel("1") | {"shipped_at": "soon"}]},
            1,
            {"1": "unknown", "2": "open", "3": "open"},
            id="a parcel that cannot be read",
        ),
    ],
)
def test_what_was_cancelled_may_have_been_sent_where_no_file_tells(
    sent: dict[str, list[Row]], rejects: int, verdicts: dict[str, str], tmp_path: Path
) -> None:
    """Then the supplier keeps the money; what was paid too much for a live order is sure."""
    stopped = [order(ref, cancelled_at="2026-03-04") for ref in "12"]
    paid = [payment(f"P{ref}", "10.00", ref) for ref in "12"] + [payment("P3", "15.00", "3")]
    records = {"orders": [*stopped, order("3")], "quotes": QUOTES, "payments": paid} | sent
    names = ["refunded-but-paid", "overpaid", "double-paid"]
    found = exceptions(matched(tmp_path, records, rejects=rejects), names=names)
    mine = found[found["verdict"] != "follows"]
    assert mine.groupby("order_ref")["verdict"].unique().map(list).to_dict() == {
        ref: [verdict] for ref, verdict in verdicts.items()
    }
