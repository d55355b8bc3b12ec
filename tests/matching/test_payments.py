"""Payments to supplier orders: by order, by several, by invoice; what is torn stays whole."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from tests.matching.shops import Result, Row, bill, matched, order, parcel, payment, quote

pytestmark = pytest.mark.no_cover


def _shop(folder: Path, payments: list[Row], bills: list[Row] | None = None, n: int = 3) -> Result:
    """Orders 1 to n of one unit of A each, quoted at 10.00."""
    records = {
        "orders": [order(str(number)) for number in range(1, n + 1)],
        "quotes": [quote()],
        "payments": payments,
    }
    if bills:
        records["invoices"] = bills
    return matched(folder, records)


def _paid(shop: Result, n: int = 3) -> list[str]:
    return [shop.money("paid", str(number)) for number in range(1, n + 1)]


def _three(*costs: str) -> list[Row]:
    """One invoice K1 with an order for each cost."""
    return [bill("K1", str(at), cost) for at, cost in enumerate(costs, start=1)]


# By one order reference


def test_lone_reference_takes_the_whole_payment_whatever_is_payable(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "7.00", "1"), payment("P2", "12.00", "#LL-002")])
    assert _paid(shop) == ["7.00", "12.00", "0.00"]
    assert shop.money("unpaid_rest", "1") == "3.00"
    assert shop.money("excess_paid", "2") == "2.00"
    assert not shop.fact("covered_without_one_payment", "2")


def test_deposit_and_balance_add_up(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "3.00", "1"), payment("P2", "7.00", "1")])
    assert _paid(shop)[0] == "10.00"
    assert shop.fact("payments", "1") == 2
    assert shop.money("excess_paid", "1") == "0.00"
    assert not shop.fact("covered_without_one_payment", "1")


def test_order_reference_goes_before_the_invoice_number(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "10.00", "3", "K1")], _three("10", "10", "10"))
    assert _paid(shop) == ["0.00", "0.00", "10.00"]


@pytest.mark.parametrize(
    ("amounts", "twice"),
    [
        (["10.00", "10.00"], True),
        (["10.00", "10.01"], True),
        (["10.00", "9.99"], True),
        (["9.99", "9.99"], False),
        (["10.00", "0.01"], True),
        (["20.00"], False),
        (["4.00", "3.00", "3.01"], False),
        (["4.00", "6.00", "4.00"], True),
    ],
)
def test_paid_twice_is_paid_in_full_without_one_payment(
    amounts: list[str], *, twice: bool, tmp_path: Path
) -> None:
    payments = [payment(f"P{at}", amount, "1") for at, amount in enumerate(amounts)]
    shop = _shop(tmp_path, payments)
    assert bool(shop.fact("covered_without_one_payment", "1")) is twice


# By several order references


def test_several_references_that_add_up_get_what_is_payable(tmp_path: Path) -> None:
    bills = [bill("K2", "2", "12.34")]
    shop = _shop(tmp_path, [payment("P1", "32.34", "1;LL-2; 3")], bills)
    assert _paid(shop) == ["10.00", "12.34", "10.00"]
    assert shop.payments["P1"]["unallocated"] == 0
    assert not shop.payments["P1"]["undecided"]


@pytest.mark.parametrize("amount", ["29.99", "30.01", "20.00", "60.00"])
def test_several_references_that_do_not_add_up_stay_whole(amount: str, tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", amount, "1;2;3")])
    assert _paid(shop) == ["0.00", "0.00", "0.00"]
    assert shop.payments["P1"]["undecided"]
    assert str(shop.payments["P1"]["unallocated"]) == amount.replace(".", "")
    assert [shop.fact("undecided", number) for number in "123"] == [1, 1, 1]


def test_one_reference_named_twice_is_one(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "15.00", "1;LL-1")])
    assert _paid(shop) == ["15.00", "0.00", "0.00"]


def test_one_reference_without_a_price_leaves_all_undecided(tmp_path: Path) -> None:
    shop = matched(
        tmp_path,
        {
            "orders": [order("1"), order("2", sku="NEW")],
            "quotes": [quote()],
            "payments": [payment("P1", "10.00", "1;2")],
        },
    )
    assert [shop.money("paid", ref) for ref in "12"] == ["0.00", "0.00"]
    assert [shop.fact("undecided", ref) for ref in "12"] == [1, 1]


def test_one_unknown_reference_leaves_all_undecided(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "20.00", "1;2;99")])
    assert _paid(shop) == ["0.00", "0.00", "0.00"]
    assert shop.strays == [("payments", "99")]
    assert shop.payments["P1"]["names_unknown_order"]


# By invoice


@pytest.mark.parametrize("number", ["K1", "k1", " K1 "])
def test_payment_of_the_whole_invoice_pays_every_order_on_it(number: str, tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "24.00", "", number)], _three("7", "8", "9"))
    assert _paid(shop) == ["7.00", "8.00", "9.00"]


def test_smaller_payment_pays_the_only_subset(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "16.00", "", "K1")], _three("7", "8", "9"))
    assert _paid(shop) == ["7.00", "0.00", "9.00"]


@pytest.mark.parametrize(
    ("costs", "amount"),
    [(["7", "7", "9"], "7.00"), (["7", "2", "9"], "9.00"), (["10", "7", "3"], "10.00")],
)
def test_payment_that_could_be_two_subsets_stays_on_the_invoice(
    costs: list[str], amount: str, tmp_path: Path
) -> None:
    shop = _shop(tmp_path, [payment("P1", amount, "", "K1")], _three(*costs))
    assert _paid(shop) == ["0.00", "0.00", "0.00"]
    assert shop.payments["P1"]["undecided"]
    assert [shop.fact("undecided", number) for number in "123"] == [1, 1, 1]


def test_payment_that_is_no_subset_stays_on_the_invoice(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "5.00", "", "K1")], _three("7", "8", "9"))
    assert _paid(shop) == ["0.00", "0.00", "0.00"]
    assert shop.payments["P1"]["undecided"]


def test_deposit_and_balance_of_an_invoice_of_several_orders(tmp_path: Path) -> None:
    payments = [payment("P1", "5.00", "", "K1"), payment("P2", "19.00", "", "K1")]
    shop = _shop(tmp_path, payments, _three("7", "8", "9"))
    assert _paid(shop) == ["7.00", "8.00", "9.00"]
    assert not any(row["undecided"] for row in shop.payments.values())


def test_subset_and_the_rest_by_another_payment(tmp_path: Path) -> None:
    payments = [payment("P1", "8.00", "", "K1"), payment("P2", "16.00", "", "K1")]
    shop = _shop(tmp_path, payments, _three("7", "8", "9"))
    assert _paid(shop) == ["7.00", "8.00", "9.00"]


def test_order_of_an_invoice_paid_twice_is_paid_twice(tmp_path: Path) -> None:
    payments = [payment("P1", "24.00", "", "K1"), payment("P2", "8.00", "", "K1")]
    shop = _shop(tmp_path, payments, _three("7", "8", "9"))
    assert _paid(shop) == ["7.00", "16.00", "9.00"]
    assert shop.fact("covered_without_one_payment", "2")


@pytest.mark.parametrize("amounts", [["7.00"], ["4.00", "3.00"], ["4.00"], ["9.00"]])
def test_invoice_of_one_order_takes_what_is_paid(amounts: list[str], tmp_path: Path) -> None:
    payments = [payment(f"P{at}", amount, "", "K1") for at, amount in enumerate(amounts)]
    shop = _shop(tmp_path, payments, _three("7"))
    assert Decimal(_paid(shop)[0]) == sum(Decimal(amount) for amount in amounts)


def test_more_than_the_invoice_pays_it_and_leaves_the_rest(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "30.00", "", "K1")], _three("7", "8", "9"))
    assert _paid(shop) == ["7.00", "8.00", "9.00"]
    assert shop.payments["P1"]["unallocated"] == 600
    assert shop.payments["P1"]["undecided"]


def test_several_invoices_are_paid_where_they_add_up(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "7.00"), bill("K2", "2", "8.00"), bill("K2", "3", "9.00")]
    shop = _shop(tmp_path, [payment("P1", "24.00", "", "K1;K2")], bills)
    assert _paid(shop) == ["7.00", "8.00", "9.00"]


def test_several_invoices_that_do_not_add_up_stay_whole(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "7.00"), bill("K2", "2", "8.00"), bill("K2", "3", "9.00")]
    shop = _shop(tmp_path, [payment("P1", "15.00", "", "K1;K2")], bills)
    assert _paid(shop) == ["0.00", "0.00", "0.00"]
    assert [shop.fact("undecided", number) for number in "123"] == [1, 1, 1]


def test_unknown_invoice_pays_nothing(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "7.00", "", "K9")], _three("7", "8", "9"))
    assert _paid(shop) == ["0.00", "0.00", "0.00"]
    assert shop.payments["P1"]["undecided"]
    assert [shop.fact("undecided", number) for number in "123"] == [0, 0, 0]


def test_number_of_another_supplier_s_invoice_is_another_invoice(tmp_path: Path) -> None:
    bills = [*_three("7"), bill("K1", "2", "8.00", supplier="alder")]
    shop = _shop(tmp_path, [payment("P1", "8.00", "", "K1", supplier="alder")], bills)
    assert shop.money("paid", "1") == "0.00"
    assert shop.money("paid", "2", "alder") == "8.00"


def test_part_of_an_invoice_for_an_unknown_order_is_not_paid_to_another(tmp_path: Path) -> None:
    bills = [*_three("7", "8"), bill("K1", "99", "9.00")]
    shop = _shop(tmp_path, [payment("P1", "24.00", "", "K1")], bills)
    assert _paid(shop)[:2] == ["7.00", "8.00"]
    assert shop.payments["P1"]["unallocated"] == 900


# Credits that are set off, and credit notes that are given back


def _credit(ref: str, amount: str, number: str = "C1") -> Row:
    return bill(number, ref, amount, kind="credit")


def _invoice(ref: str, amount: str, number: str = "K1") -> Row:
    return bill(number, ref, amount, kind="invoice")


def test_invoice_less_its_credit_note_is_paid_by_both_numbers(tmp_path: Path) -> None:
    bills = [_invoice("1", "20.00"), _credit("1", "8.00")]
    shop = _shop(tmp_path, [payment("P1", "12.00", "", "K1;C1")], bills)
    assert (shop.money("paid", "1"), shop.money("payable", "1")) == ("12.00", "12.00")
    assert shop.fact("payments", "1") == 1


def test_credit_note_of_another_order_is_set_off(tmp_path: Path) -> None:
    bills = [_invoice("1", "20.00"), _invoice("2", "8.00", "K2"), _credit("2", "8.00")]
    payments = [payment("P1", "8.00", "2"), payment("P2", "12.00", "", "K1;C1")]
    shop = _shop(tmp_path, payments, bills)
    assert _paid(shop) == ["20.00", "0.00", "0.00"]
    assert [row["unallocated"] for row in shop.payments.values()] == [0, 0]


def test_credit_line_on_an_invoice_is_set_off(tmp_path: Path) -> None:
    bills = [_invoice("1", "20.00"), _invoice("2", "8.00", "K2"), _credit("2", "8.00", "K1")]
    payments = [payment("P1", "8.00", "2"), payment("P2", "12.00", "", "K1")]
    shop = _shop(tmp_path, payments, bills)
    assert _paid(shop) == ["20.00", "0.00", "0.00"]


def test_part_of_an_invoice_with_a_credit_line_is_not_guessed(tmp_path: Path) -> None:
    bills = [_invoice("1", "20.00"), _invoice("2", "12.00"), _credit("3", "8.00", "K1")]
    shop = _shop(tmp_path, [payment("P1", "12.00", "", "K1")], bills)
    assert _paid(shop) == ["0.00", "0.00", "0.00"]
    assert shop.payments["P1"]["undecided"]


@pytest.mark.parametrize(
    ("amount", "paid"), [("12.00", ["12.00", "6.00"]), ("8.00", ["12.00", "10.00"])]
)
def test_refund_by_credit_note_goes_to_the_orders_on_it(
    amount: str, paid: list[str], tmp_path: Path
) -> None:
    bills = [_invoice("1", "20.00"), _invoice("2", "10.00")]
    bills += [_credit("1", "8.00"), _credit("2", "4.00")]
    payments = [payment("P1", "30.00", "", "K1"), payment("R1", amount, "", "C1", kind="refund")]
    shop = _shop(tmp_path, payments, bills)
    assert _paid(shop)[:2] == paid
    assert shop.payments["R1"]["unallocated"] == 0


def test_payment_that_names_a_credit_note_alone_pays_nothing(tmp_path: Path) -> None:
    bills = [_invoice("1", "20.00"), _credit("1", "8.00"), _credit("2", "8.00")]
    shop = _shop(tmp_path, [payment("P1", "12.00", "", "C1")], bills)
    assert _paid(shop) == ["0.00", "0.00", "0.00"]
    assert shop.payments["P1"]["undecided"]


# No reference, no settlement, other directions


def test_payment_without_reference_pays_nothing(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "10.00")])
    assert _paid(shop) == ["0.00", "0.00", "0.00"]
    assert shop.payments["P1"]["unallocated"] == 1000
    assert not shop.payments["P1"]["undecided"]


@pytest.mark.parametrize("status", ["pending", "failed", "reversed"])
def test_what_is_not_settled_pays_nothing(status: str, tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "10.00", "1", status=status)])
    assert _paid(shop)[0] == "0.00"
    assert shop.fact("pending", "1") == (status == "pending")
    assert not shop.payments["P1"]["settled"]


def test_pending_payment_of_an_invoice_is_under_way_for_its_orders(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "15.00", "", "K1", status="pending")], _three("7", "8"))
    assert [shop.fact("pending", number) for number in "123"] == [1, 1, 0]


def test_pending_payment_is_under_way_for_those_orders_that_its_amount_is_for(
    tmp_path: Path,
) -> None:
    one = [payment("P1", "8.00", "", "K1", status="pending")]
    assert [_shop(tmp_path / "8", one, _three("7", "8")).fact("pending", at) for at in "12"] == [
        0,
        1,
    ]
    neither = [payment("P1", "9.00", "", "K1", status="pending")]
    shop = _shop(tmp_path / "9", neither, _three("7", "8"))
    assert [shop.fact("pending", at) for at in "12"] == [1, 1]


def test_failed_payment_sent_again_is_paid_once(tmp_path: Path) -> None:
    payments = [payment("P1", "10.00", "1", status="failed"), payment("P2", "10.00", "1")]
    shop = _shop(tmp_path, payments)
    assert (_paid(shop)[0], shop.fact("payments", "1")) == ("10.00", 1)


def test_refund_is_taken_off(tmp_path: Path) -> None:
    payments = [
        payment("P1", "10.00", "1"),
        payment("P2", "10.00", "1"),
        payment("R1", "10.00", "1", kind="refund"),
    ]
    shop = _shop(tmp_path, payments)
    assert _paid(shop)[0] == "10.00"
    assert shop.fact("payments", "1") == 2
    assert shop.money("excess_paid", "1") == "0.00"
    assert not shop.fact("covered_without_one_payment", "1")


def test_refund_of_an_invoice_is_taken_off_its_orders(tmp_path: Path) -> None:
    payments = [payment("P1", "15.00", "", "K1"), payment("R1", "8.00", "", "K1", kind="refund")]
    shop = _shop(tmp_path, payments, _three("7", "8"))
    assert _paid(shop)[:2] == ["7.00", "0.00"]


def test_pending_refund_is_neither_taken_off_nor_waited_for(tmp_path: Path) -> None:
    payments = [
        payment("P1", "10.00", "1"),
        payment("R1", "10.00", "1", kind="refund", status="pending"),
    ]
    shop = _shop(tmp_path, payments)
    assert (_paid(shop)[0], shop.fact("pending", "1")) == ("10.00", 0)


def test_top_up_of_a_balance_pays_no_order(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "10.00", "1", kind="top-up")])
    assert _paid(shop)[0] == "0.00"
    assert not shop.payments["P1"]["for_orders"]


# Currencies, prices, collisions


def test_another_currency_is_never_added(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "10.00", "1", currency="USD")])
    assert _paid(shop)[0] == "0.00"
    assert shop.money("paid", "1", code="USD") == "10.00"
    assert shop.fact("paid_in_other_currency", "1")
    assert not shop.fact("paid_in_other_currency", "1", code="USD")
    assert shop.money("payable", "1", code="USD") == ""


def test_invoice_number_in_another_currency_is_another_invoice(tmp_path: Path) -> None:
    shop = _shop(tmp_path, [payment("P1", "7.00", "", "K1", currency="USD")], _three("7"))
    assert _paid(shop)[0] == "0.00"
    assert shop.payments["P1"]["unallocated"] == 700


@pytest.mark.parametrize(
    ("amounts", "excess"),
    [
        (["8.00"], "0.00"),
        (["8.00", "8.00"], "8.00"),
        (["8.00", "8.00", "8.00"], "16.00"),
        (["8.00", "5.00"], "0.00"),
        (["8.00", "5.00", "8.00", "5.00"], "13.00"),
    ],
)
def test_without_a_price_equal_payments_are_repeats(
    amounts: list[str], excess: str, tmp_path: Path
) -> None:
    payments = [payment(f"P{at}", amount, "1") for at, amount in enumerate(amounts)]
    shop = matched(tmp_path, {"orders": [order("1")], "payments": payments})
    assert shop.money("payable", "1") == ""
    assert shop.money("excess_paid", "1") == excess
    assert bool(shop.fact("repeated_payment", "1")) is (excess != "0.00")
    assert not shop.fact("covered_without_one_payment", "1")


def test_payment_that_could_mean_either_of_two_orders_pays_neither(tmp_path: Path) -> None:
    shop = matched(
        tmp_path,
        {
            "orders": [order("1001"), order("LL-1001"), order("7")],
            "quotes": [quote()],
            "payments": [
                payment("P1", "10.00", "#1001"),
                payment("P2", "10.00", "LL-1001"),
                payment("P3", "20.00", "7;01001"),
            ],
            "shipments": [parcel("1001")],
        },
    )
    assert shop.money("paid", "1001") == "0.00"
    assert shop.money("paid", "LL-1001") == "10.00"
    assert shop.money("paid", "7") == "0.00"
    assert shop.fact("undecided", "7") == 1
    strays = shop.matched.tables["documents"]
    assert list(strays["order_undecided"]) == [True, True]
    assert sorted(strays["order_ref"]) == ["#1001", "01001"]
    assert shop.lines["1001", "A"]["shipped"] == 1
    assert sorted(shop.matched.collisions["order_ref"]) == ["1001", "LL-1001"]
