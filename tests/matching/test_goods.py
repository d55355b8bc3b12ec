"""Goods: which supplier, how many units were sent and billed, with which number, in which state."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.matching.shipping import fill_lines
from reconcile.matching.states import STATES
from tests.matching.said import exceptions
from tests.matching.shops import Result, Row, bill, matched, order, parcel, payment, quote

pytestmark = pytest.mark.no_cover


def _sent(folder: Path, lines: list[Row], parcels: list[Row], **more: list[Row]) -> Result:
    return matched(folder, {"orders": lines, "shipments": parcels, **more})


# Handing units out to lines

LINES = st.lists(
    st.tuples(st.integers(0, 2), st.integers(0, 4), st.integers(0, 4)), min_size=1, max_size=8
)


@given(LINES, st.lists(st.integers(0, 12), min_size=3, max_size=3))
def test_units_go_to_live_lines_first_and_none_is_lost(
    rows: list[tuple[int, int, int]], sent: list[int]
) -> None:
    rows = sorted(rows, key=lambda row: row[0])
    items = sorted({row[0] for row in rows})
    item = np.array([items.index(row[0]) for row in rows])
    capacity = np.array([max(row[1:]) for row in rows])
    live = np.array([min(row[1:]) for row in rows])
    units = np.array(sent[: len(items)])
    found = fill_lines(item, capacity, live, units)
    for at, number in enumerate(units):
        mine = np.flatnonzero(item == at)
        assert found[mine].sum() == number
        assert found[mine].tolist() == _handed_out(capacity[mine], live[mine], int(number))


def _handed_out(capacity: np.ndarray, live: np.ndarray, units: int) -> list[int]:
    """Unit by unit: to the first line with a live unit left, then with any, then to the last."""
    given_out = [0] * len(capacity)
    for room in (live, capacity):
        for at, most in enumerate(room):
            while units and given_out[at] < most:
                given_out[at] += 1
                units -= 1
    given_out[-1] += units
    return given_out


# Shipments


def test_split_shipment_adds_up(tmp_path: Path) -> None:
    parcels = [
        parcel("1", qty=1, tracking_no="T9", shipped_at="2026-03-04"),
        parcel("#LL-001", "a ", qty=2, tracking_no="T2", shipped_at="2026-03-06"),
    ]
    shop = _sent(tmp_path, [order("1", qty=3)], parcels)
    line = shop.lines["1", "A"]
    assert (line["shipped"], line["missing"]) == (3, 0)
    assert (line["first_number"], f"{line['first_number_date']:%m-%d}") == ("T9", "03-04")


def test_number_of_the_first_day_that_sorts_first_counts(tmp_path: Path) -> None:
    parcels = [parcel("1", tracking_no="T9"), parcel("1", tracking_no="T2")]
    for at, rows in enumerate((parcels, parcels[::-1])):
        shop = _sent(tmp_path / str(at), [order("1", qty=2)], rows)
        assert shop.lines["1", "A"]["first_number"] == "T2"


def test_parcel_without_number_has_none(tmp_path: Path) -> None:
    shop = _sent(tmp_path, [order("1")], [parcel("1", tracking_no=" ")])
    line = shop.lines["1", "A"]
    assert (line["shipped"], line["has_number"], line["first_number"]) == (1, False, "")
    assert shop.states["1", "A"] == "no-tracking"


def test_parcel_without_sku_is_every_line_of_its_supplier(tmp_path: Path) -> None:
    lines = [order("1", "A", 2), order("1", "B"), order("1", "C", supplier="alder")]
    shop = _sent(tmp_path, lines, [parcel("1", "", "")])
    assert [shop.lines["1", sku]["shipped"] for sku in "ABC"] == [2, 1, 0]
    assert [shop.lines["1", sku]["has_number"] for sku in "ABC"] == [True, True, False]


@pytest.mark.parametrize(
    ("lines", "shipped"),
    [
        pytest.param([order("1", qty=3)], [2], id="one line"),
        pytest.param([order("1", line_no=1), order("1", qty=2, line_no=2)], [1, 1], id="one SKU"),
        pytest.param([order("1", qty=3), order("1", "B", qty=4)], [3, 4], id="two SKUs"),
        pytest.param(
            [order("1", qty=3), order("1", "B", supplier="alder")], [2, 0], id="another's"
        ),
    ],
)
def test_a_parcel_that_counts_units_without_an_sku_counts_those_of_the_only_one(
    lines: list[Row], shipped: list[int], tmp_path: Path
) -> None:
    """Of several SKUs the count says nothing of each."""
    shop = _sent(tmp_path, lines, [parcel("1", "", 2)])
    assert shop.matched.tables["order_lines"]["shipped"].to_list() == shipped


def test_parcel_without_quantity_is_the_whole_line(tmp_path: Path) -> None:
    shop = _sent(tmp_path, [order("1", "A", 2), order("1", "B")], [parcel("1", "A", "")])
    assert [shop.lines["1", sku]["shipped"] for sku in "AB"] == [2, 0]


@pytest.mark.parametrize("mark", ["suffix", "column"])
def test_replacement_is_neither_sent_nor_billed_again(mark: str, tmp_path: Path) -> None:
    ref = "1-R" if mark == "suffix" else "1"
    flag = "yes" if mark == "column" else ""
    shop = _sent(
        tmp_path,
        [order("1")],
        [parcel("1"), parcel(ref, shipped_at="2026-03-09", tracking_no="T7", replacement=flag)],
        invoices=[bill("K1", "1", "10.00"), bill("K2", ref, "10.00", replacement=flag)],
    )
    assert shop.lines["1", "A"]["shipped"] == 1
    assert shop.lines["1", "A"]["first_number"] == "T1"
    assert shop.money("duplicate_billing", "1") == "0.00"
    assert shop.money("billed", "1") == "20.00"


def test_lone_replacement_ships_nothing_of_the_order(tmp_path: Path) -> None:
    shop = _sent(tmp_path, [order("1")], [parcel("1-R")])
    assert shop.lines["1", "A"]["shipped"] == 0
    assert not shop.lines["1", "A"]["has_number"]


def test_units_of_two_lines_of_one_sku_are_not_counted_twice(tmp_path: Path) -> None:
    lines = [order("1", qty=2, line_no=1), order("1", qty=3, line_no=2)]
    shop = _sent(tmp_path, lines, [parcel("1", qty=4)])
    table = shop.matched.tables["order_lines"].sort_values("line_no")
    assert table["shipped"].tolist() == [2, 2]
    assert table["missing"].tolist() == [0, 1]


def test_cancelled_line_is_sent_last(tmp_path: Path) -> None:
    lines = [
        order("1", qty=2, line_no=1, refunded_qty=2, refunded_at="2026-03-05", refunded="5.00"),
        order("1", qty=2, line_no=2, refunded_qty=""),
    ]
    shop = _sent(tmp_path, lines, [parcel("1", qty=2)])
    table = shop.matched.tables["order_lines"].sort_values("line_no")
    assert table["live"].tolist() == [0, 2]
    assert table["shipped"].tolist() == [0, 2]


def test_kit_is_sent_when_its_scarcest_part_is(tmp_path: Path) -> None:
    kit = [
        {"sku": "KIT", "supplier": "kestrel", "supplier_sku": "LAMP", "units": 1},
        {"sku": "KIT", "supplier": "kestrel", "supplier_sku": "WICK", "units": 3},
    ]
    parcels = [parcel("1", "lamp", 2), parcel("1", "WICK", 5)]
    bills = [bill("K1", "1", "8.00", "LAMP", 2), bill("K1", "1", "0.50", "WICK", 6)]
    shop = _sent(tmp_path, [order("1", "KIT", 2)], parcels, sku_map=kit, invoices=bills)
    line = shop.lines["1", "KIT"]
    assert (line["shipped"], line["missing"]) == (1, 1)
    assert shop.money("billed", "1") == "19.00"
    assert shop.money("duplicate_billing", "1") == "0.00"
    more = _sent(
        tmp_path / "more",
        [order("1", "KIT", 2)],
        [*parcels, parcel("1", "WICK", 1, shipped_at="2026-03-05")],
        sku_map=kit,
        invoices=[*bills, bill("K2", "1", "0.50", "WICK", 2)],
    )
    assert more.lines["1", "KIT"]["shipped"] == 2
    assert more.money("duplicate_billing", "1") == "1.00"


# Billing beyond the order


def test_second_invoice_for_the_same_goods_is_duplicate(tmp_path: Path) -> None:
    bills = [
        bill("K1", "1", "10.00", qty=2, shipping="3.00"),
        bill("K2", "1", "11.00", qty=2, shipping="3.00", invoice_date="2026-03-09"),
    ]
    shop = matched(tmp_path, {"orders": [order("1", qty=2)], "invoices": bills})
    assert shop.money("duplicate_billing", "1") == "25.00"
    assert shop.money("payable", "1") == "23.00"
    [row] = shop.matched.tables["supplier_order_lines"].to_dict("records")
    assert (row["ordered"], row["billed_qty"], row["duplicate_qty"]) == (2, 4, 2)


def test_one_unit_too_many_costs_its_part_of_the_last_line(tmp_path: Path) -> None:
    bills = [
        bill("K1", "1", "10.00", qty=2),
        bill("K2", "1", "3.335", qty=3, invoice_date="2026-03-09"),
    ]
    shop = matched(tmp_path, {"orders": [order("1", qty=4)], "invoices": bills})
    # 3 units at 3.335 are 10.005, so 10.01; a third of it is 3.3366, so 3.34
    assert shop.money("billed", "1") == "30.01"
    assert shop.money("duplicate_billing", "1") == "3.34"


def test_corrected_invoice_with_its_credit_is_billed_once(tmp_path: Path) -> None:
    bills = [
        bill("K1", "1", "12.00", kind="invoice"),
        bill("C1", "1", "12.00", kind="credit", invoice_date="2026-03-05"),
        bill("K2", "1", "10.00", kind="invoice", invoice_date="2026-03-06"),
    ]
    shop = matched(tmp_path, {"orders": [order("1")], "invoices": bills})
    assert shop.money("payable", "1") == "10.00"
    assert shop.money("duplicate_billing", "1") == "0.00"


@pytest.mark.parametrize("total", ["12.00", "-12.00"])
def test_credit_is_taken_off_however_it_is_written(total: str, tmp_path: Path) -> None:
    bills = [
        bill("K1", "1", "20.00", kind="invoice"),
        bill("C1", "1", "12.00", kind="credit", line_total=total, qty=0),
    ]
    shop = matched(tmp_path, {"orders": [order("1")], "invoices": bills})
    assert shop.money("billed", "1") == "8.00"


def test_line_total_goes_before_its_parts(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "10.00", shipping="1.00", line_total="10.50")]
    shop = matched(tmp_path, {"orders": [order("1")], "invoices": bills})
    assert shop.money("billed", "1") == "10.50"


# Who supplies a line


@pytest.mark.parametrize("by", ["quote", "map", "bill", "payment", "parcel"])
def test_supplier_that_is_not_named_is_the_one_that_could_or_did(by: str, tmp_path: Path) -> None:
    mapped = {"sku": "A", "supplier": "alder", "supplier_sku": "X", "units": 1}
    records: dict[str, dict[str, list[Row]]] = {
        "quote": {"quotes": [quote(supplier="alder")]},
        "map": {"sku_map": [mapped]},
        "bill": {"invoices": [bill("K1", "1", "10.00", supplier="alder")]},
        "payment": {"payments": [payment("P1", "10.00", "1", supplier="alder")]},
        "parcel": {"shipments": [parcel("1", supplier="alder")]},
    }
    shop = matched(tmp_path, {"orders": [order("1", supplier="")], **records[by]})
    assert shop.lines["1", "A"]["supplier"] == "alder"


def test_supplier_that_several_could_be_is_the_one_that_acted(tmp_path: Path) -> None:
    quotes = [quote(), quote(supplier="alder")]
    records = {"orders": [order("1", supplier=""), order("2", supplier="")], "quotes": quotes}
    shop = matched(tmp_path, {**records, "shipments": [parcel("1", supplier="alder")]})
    assert shop.lines["1", "A"]["supplier"] == "alder"
    assert shop.lines["2", "A"]["supplier"] == ""


def test_own_column_goes_before_everything(tmp_path: Path) -> None:
    records = {"orders": [order("1")], "quotes": [quote(supplier="alder")]}
    assert matched(tmp_path, records).lines["1", "A"]["supplier"] == "kestrel"


def test_each_line_has_the_supplier_that_sent_its_sku(tmp_path: Path) -> None:
    lines = [order("1", "A", supplier=""), order("1", "B", supplier="")]
    parcels = [parcel("1", "A"), parcel("1", "B", supplier="alder")]
    shop = _sent(tmp_path, lines, parcels)
    assert [shop.lines["1", sku]["supplier"] for sku in "AB"] == ["kestrel", "alder"]


# Orders: stores, collisions, the customer's side


def test_one_number_in_two_stores_is_two_orders(tmp_path: Path) -> None:
    lines = [order("1", store="ie"), order("1", "B", store="de")]
    shop = matched(
        tmp_path,
        {"orders": lines, "quotes": [quote()], "payments": [payment("P1", "10.00", "1")]},
    )
    assert len(shop.matched.orders) == 2
    assert shop.matched.collisions.empty
    assert not any(row["paid"] for row in shop.supplier_orders.values())
    assert list(shop.matched.tables["documents"]["order_undecided"]) == [True]


def test_one_number_written_in_two_ways_in_two_stores_is_told_apart_by_its_text(
    tmp_path: Path,
) -> None:
    lines = [order("1", store="ie"), order("LL-1", "B", store="de")]
    parcels = [parcel("LL-1", "B"), parcel("1", "A")]
    shop = _sent(tmp_path, lines, parcels)
    assert shop.matched.collisions.empty
    assert [shop.lines["1", "A"]["shipped"], shop.lines["LL-1", "B"]["shipped"]] == [1, 1]


@pytest.mark.parametrize(
    ("changes", "funded", "live"),
    [
        ({}, True, 2),
        ({"customer_paid_at": ""}, False, 2),
        ({"customer_paid": "99.99", "order_total": "100.00"}, False, 2),
        ({"customer_paid": "100.00", "order_total": "100.00"}, True, 2),
        ({"customer_paid": "1.00"}, True, 2),
        ({"customer_paid_at": "2026-03-21"}, False, 2),  # after the night
        ({"cancelled_at": "2026-03-05"}, True, 0),
        ({"cancelled_at": "2026-03-21"}, True, 2),
        ({"refunded_at": "2026-03-05"}, True, 0),
        ({"refunded_at": "2026-03-05", "refunded": "1.00"}, True, 2),
        ({"refunded_at": "2026-03-05", "refunded": "180.00"}, True, 0),
        ({"refunded_at": "2026-03-05", "refunded": "99.00", "order_total": "99.00"}, True, 0),
        ({"refunded_at": "2026-03-21", "refunded": "180.00"}, True, 2),
        ({"refunded_at": "2026-03-05", "refunded_qty": 1}, True, 1),
        ({"refunded_at": "2026-03-05", "refunded_qty": 5}, True, 0),
        ({"refunded_at": "2026-03-21", "refunded_qty": 1}, True, 2),
    ],
)
def test_what_the_customer_did_makes_an_order_funded_and_live(
    changes: Row, live: int, *, funded: bool, tmp_path: Path
) -> None:
    shop = matched(tmp_path, {"orders": [order("1", qty=2) | changes]})
    line = shop.lines["1", "A"]
    assert (bool(line["funded"]), line["live"]) == (funded, live)


# States


def _state(event: dict[str, object]) -> str:
    """The first that fits, from the customer's end of the story to its beginning."""
    if event["cancelled"]:
        return "cancelled"
    if event["refunded"]:
        return "refunded"
    if event["sent"]:
        if event["delivered"]:
            return "delivered"
        if not event["number"]:
            return "no-tracking"
        return "in-transit" if event["posted"] else "to-post"
    if not event["paid_by_customer"]:
        return "unfunded"
    return "to-ship" if event["paid"] == "10.00" else "to-pay"


def test_every_line_is_in_the_one_state_that_its_story_gives(tmp_path: Path) -> None:
    events = _combinations()
    records: dict[str, list[Row]] = {"orders": [], "quotes": [quote()]}
    payments: list[Row] = []
    parcels: list[Row] = []
    for at, event in enumerate(events):
        ref = str(1000 + at)
        records["orders"].append(
            order(
                ref,
                customer_paid_at="2026-03-01" if event["paid_by_customer"] else "",
                cancelled_at="2026-03-08" if event["cancelled"] else "",
                refunded_at="2026-03-08" if event["refunded"] else "",
                refunded_qty=event["refunded"],
                tracking_no="T1" if event["posted"] else "",
            )
        )
        if event["paid"]:
            payments.append(payment(f"P{ref}", str(event["paid"]), ref))
        if event["sent"]:
            parcels.append(
                parcel(
                    ref,
                    tracking_no="T1" if event["number"] else "",
                    delivered_at="2026-03-10" if event["delivered"] else "",
                )
            )
    shop = matched(tmp_path, {**records, "payments": payments, "shipments": parcels})
    expected = {(str(1000 + at), "A"): _state(event) for at, event in enumerate(events)}
    assert shop.states == expected
    assert set(Counter(shop.states.values())) == set(STATES) - {"unknown"}


def _combinations() -> list[dict[str, object]]:
    found: list[dict[str, object]] = [{}]
    for name, values in (
        ("paid_by_customer", (True, False)),
        ("cancelled", (True, False)),
        ("refunded", ("", "1")),
        ("paid", ("", "4.00", "10.00")),
        ("sent", (True, False)),
        ("number", (True, False)),
        ("posted", (True, False)),
        ("delivered", (True, False)),
    ):
        found = [{**one, name: value} for one in found for value in values]
    return found


def test_line_whose_payment_is_undecided_is_unknown(tmp_path: Path) -> None:
    lines = [order("1"), order("2")]
    payments = [payment("P1", "19.00", "1;2")]
    shop = matched(tmp_path, {"orders": lines, "quotes": [quote()], "payments": payments})
    assert set(shop.states.values()) == {"unknown"}


def test_orders_that_do_not_say_who_paid_are_unknown(tmp_path: Path) -> None:
    line = {name: cell for name, cell in order("1").items() if name != "customer_paid_at"}
    shop = matched(tmp_path, {"orders": [line]})
    assert shop.states == {("1", "A"): "unknown"}


def test_what_was_sent_under_another_sku_is_told(tmp_path: Path) -> None:
    """A SKU that the map lacks: the line is open, and its sentence says what was sent instead."""
    records = {
        "orders": [order("1", "A"), order("1", "B"), order("2", "A")],
        "invoices": [bill("K1", ref, "10.00", sku) for ref, sku in ("1A", "1B", "2A")],
        "payments": [payment("P1", "20.00", "1"), payment("P2", "10.00", "2")],
        "shipments": [
            parcel("1", "B"),
            parcel("1", "KX-7"),
            parcel("1", "kx-7"),
            parcel("1", "KX-2"),
            parcel("1", "KX-9", supplier="alder"),
            parcel("2", ""),
        ],
    }
    shop = matched(tmp_path, records)
    beside = "; sent for the order under a SKU that is on no line of it: KX-2 and KX-7"
    facts = {key: row["sent_beside"] for key, row in shop.lines.items()}
    assert facts == {("1", "A"): beside, ("1", "B"): beside, ("2", "A"): ""}
    found = exceptions(shop, names=["unfulfilled"])
    assert list(found["sku"]) == ["A"]
    assert found["explanation"].str.endswith(f"none was sent by 2026-03-06{beside}.").all()


def test_a_parcel_of_the_whole_order_under_another_name_brings_its_days(tmp_path: Path) -> None:
    """A supplier that calls itself otherwise on its parcels: sent and arrived, by the same parcel.

    A parcel of a supplier that has lines of its own in the order is for those.
    """
    lines = [order("1", "A"), order("1", "B"), order("2", "A"), order("2", "B", supplier="alder")]
    parcels = [
        parcel("1", "", "", supplier="Kestrel East", delivered_at="2026-03-06"),
        parcel("2", "", "", supplier="alder", delivered_at="2026-03-07"),
    ]
    shop = _sent(tmp_path, lines, parcels)
    told = {
        key: (row["shipped"], str(row["last_shipped_date"])[:10], row["first_number"])
        for key, row in shop.lines.items()
    }
    assert told == {
        ("1", "A"): (1, "2026-03-04", "T1"),
        ("1", "B"): (1, "2026-03-04", "T1"),
        ("2", "A"): (0, "NaT", ""),
        ("2", "B"): (1, "2026-03-04", "T1"),
    }
    assert shop.states["1", "A"] == shop.states["1", "B"] == "delivered"
    assert list(exceptions(shop, names=["lost", "late-delivery"])["order_ref"]) == []
