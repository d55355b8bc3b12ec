"""TPC-H (see tpch.py): paid on the order's date, due at once, not sent by 17 June 1995.

Of the 30,049 lines of 7,696 orders that the benchmark has not shipped on that day, 1,481 lines of
547 orders were ordered by then. What is due on a day is due at its end: a line ordered and paid on
the 17th itself (35 lines of 8 orders) is waiting that night, and the 1,446 lines of 539 orders
that are older are open. So the known figure is open and waiting together. The 17th was a Saturday;
with no days to dispatch, business days do not come into it.

Delivered after the promise are 37,897 lines of 13,773 orders, most of them later than that night;
query 4 asks for the orders of one quarter with such a line, by priority.
"""

from __future__ import annotations

from collections import Counter
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from tests.outside.second_opinion import findings
from tests.outside.shop_folder import Row, exceptions, nightly
from tests.outside.tpch import (
    delivered_late,
    generate,
    published_answer_of_query_4,
    quarter_by_priority,
    query_4,
    write_tpch_shop,
)

pytestmark = pytest.mark.no_cover

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import duckdb

AS_OF = date(1995, 6, 17)
ALL_OVER = date(1999, 1, 1)  # a week after the last line of the data arrived
SETTINGS = "[rules.unfulfilled]\ndispatch_days = 0\n[rules.delivered-late]\nwithin_days = 0"
Lines = set[tuple[str, str, str, Decimal]]


@pytest.fixture(scope="module")
def tpch() -> Iterator[duckdb.DuckDBPyConnection]:
    with generate() as database:
        yield database


@pytest.fixture(scope="module")
def shop(tpch: duckdb.DuckDBPyConnection, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_tpch_shop(tmp_path_factory.mktemp("tpch") / "shop", tpch, SETTINGS)


@pytest.fixture(scope="module")
def out(shop: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return nightly(shop, AS_OF, tmp_path_factory.mktemp("tpch-out") / "out")


@pytest.fixture(scope="module")
def late(shop: Path, tmp_path_factory: pytest.TempPathFactory) -> list[Row]:
    """What is said to be delivered late once everything has arrived."""
    out = nightly(shop, ALL_OVER, tmp_path_factory.mktemp("tpch-late") / "out")
    return exceptions(out, "delivered-late")


def _not_sent(tpch: duckdb.DuckDBPyConnection, verdict: str) -> Lines:
    """Order, SKU, supplier and price of the lines that the benchmark's own tables give."""
    comparison = {"open": "<", "waiting": "="}[verdict]
    rows = tpch.execute(
        "SELECT o_orderkey::VARCHAR, sku, supplier, l_extendedprice FROM lines"
        f" WHERE l_shipdate > ?::DATE AND o_orderdate {comparison} ?::DATE",
        [AS_OF.isoformat(), AS_OF.isoformat()],
    ).fetchall()
    return {(order, sku, supplier, amount) for order, sku, supplier, amount in rows}


def test_data_is_the_known_one(tpch: duckdb.DuckDBPyConnection) -> None:
    count = "SELECT count(*), count(DISTINCT l_orderkey) FROM lines WHERE "
    day = f"DATE '{AS_OF.isoformat()}'"
    assert tpch.execute(count + "true").fetchone() == (60_175, 15_000)
    assert tpch.execute(count + f"l_shipdate > {day}").fetchone() == (30_049, 7_696)
    assert tpch.execute(count + f"l_shipdate > {day} AND o_orderdate <= {day}").fetchone() == (
        1_481,
        547,
    )
    assert len(_not_sent(tpch, "open")) == 1_446
    assert len(_not_sent(tpch, "waiting")) == 35


def test_promises_in_the_data_give_the_published_answer(tpch: duckdb.DuckDBPyConnection) -> None:
    late = delivered_late(tpch)
    late_orders = {order for order, *_ in late}
    assert (len(late), len(late_orders)) == (37_897, 13_773)
    priorities = quarter_by_priority(tpch)
    counted = Counter(priorities[order] for order in late_orders & priorities.keys())
    assert counted == published_answer_of_query_4(tpch) == query_4(tpch)
    assert [counted[priority] for priority in sorted(counted)] == [93, 103, 109, 102, 128]


def test_unfulfilled_lines_are_those_of_the_benchmark(
    tpch: duckdb.DuckDBPyConnection, out: Path
) -> None:
    rows = exceptions(out, "unfulfilled")
    assert len(rows) == 1_481
    assert len({row["order_ref"] for row in rows}) == 547
    for verdict in ("open", "waiting"):
        found = {
            (row["order_ref"], row["sku"], row["supplier"], Decimal(row["amount"]))
            for row in rows
            if row["verdict"] == verdict
        }
        assert found == _not_sent(tpch, verdict)


def test_lines_delivered_late_are_those_of_the_benchmark(
    tpch: duckdb.DuckDBPyConnection, late: list[Row]
) -> None:
    assert {row["verdict"] for row in late} == {"open"}
    assert len(late) == 37_897
    assert len({row["order_ref"] for row in late}) == 13_773
    assert _arrivals(late) == delivered_late(tpch)


def test_late_orders_of_the_quarter_are_the_published_answer(
    tpch: duckdb.DuckDBPyConnection, late: list[Row]
) -> None:
    priorities = quarter_by_priority(tpch)
    orders = {row["order_ref"] for row in late}
    counted = Counter(priorities[order] for order in orders & priorities.keys())
    assert counted == published_answer_of_query_4(tpch) == query_4(tpch)
    assert [counted[priority] for priority in sorted(counted)] == [93, 103, 109, 102, 128]


def test_a_past_night_knows_of_the_deliveries_until_then(
    tpch: duckdb.DuckDBPyConnection, out: Path
) -> None:
    known = delivered_late(tpch, until=AS_OF.isoformat())
    assert 0 < len(known) < 37_897
    assert _arrivals(exceptions(out, "delivered-late")) == known


def _arrivals(rows: list[Row]) -> set[tuple[str, str, str, str]]:
    """Order, SKU, supplier and day of arrival of what is said to be late."""
    return {(row["order_ref"], row["sku"], row["supplier"], row["event_date"]) for row in rows}


def test_nothing_is_wrong_with_the_money(out: Path) -> None:
    rules = ("unpaid", "part-paid", "double-paid", "overpaid", "short-shipped", "missing-tracking")
    assert exceptions(out, *rules) == []


def test_sql_finds_the_same_lines(tpch: duckdb.DuckDBPyConnection, shop: Path) -> None:
    found = findings(shop, AS_OF)
    for verdict in ("open", "waiting"):
        mine = [each for each in found if (each.rule, each.verdict) == ("unfulfilled", verdict)]
        assert {each[2:6] for each in mine} == _not_sent(tpch, verdict)
    late = {each[2:5] for each in found if each.rule == "delivered-late"}
    assert late == {line[:3] for line in delivered_late(tpch, until=AS_OF.isoformat())}
