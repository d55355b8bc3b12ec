"""The shops that other tests run on are what they say they are."""

from __future__ import annotations

import re
import time
from collections import Counter
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.shops import (
    PRIVATE_MARKS,
    Truth,
    build_shop,
    rename_files,
    shuffle_rows,
    split_overlapping,
)
from tests.shops.build import Scenario
from tests.shops.catalogue import ALDER, KESTREL
from tests.shops.clock import Clock, as_date, day_number
from tests.shops.delivery_kinds import DELIVERY_LOOK_ALIKES
from tests.shops.faults import FAULTS
from tests.shops.lookalikes import LOOK_ALIKES
from tests.shops.sample import FOLDER, sample, truth_files

pytestmark = pytest.mark.no_cover

KINDS = [kind for kind in (*FAULTS, *LOOK_ALIKES) if not kind.sample_only]
KEYS = {
    "orders": ["order_ref", "line_no"],
    "invoices": ["supplier", "kind", "invoice_no", "order_ref", "sku"],
    "payments": ["supplier", "payment_ref", "order_ref", "invoice_no"],
    "shipments": ["supplier", "order_ref", "sku", "shipped_at"],
    "quotes": ["supplier", "sku", "ship_to_country", "min_qty", "valid_from"],
    "rates": ["date", "base", "quote"],
}
CENT = Decimal("0.01")


class Shop:
    """A built shop, its exports read back as text, and its truth."""

    def __init__(self, folder: Path, truth: Truth) -> None:
        self.folder = folder
        self.truth = truth
        self.tables = {
            record: pd.read_csv(folder / f"{record}.csv", dtype=str, keep_default_na=False)
            for record in KEYS
        }
        for table in (self.tables["invoices"], self.tables["shipments"]):
            table["number"] = table["order_ref"].str.extract(r"(\d+)")[0].str.lstrip("0")
            table["sku"] = table["sku"].str.upper()
        self.tables["orders"]["number"] = self.tables["orders"]["order_ref"].str.slice(3)

    def order_of(self, kind: str) -> str:
        """The order that the first case of a kind is about."""
        cases = self.truth.cases
        return str(cases[(cases["kind"] == kind) & (cases["role"] == "0")]["order_ref"].iloc[0])

    def amounts(self, kind: str, rule: str) -> list[Decimal]:
        """The amounts that the truth gives for that order."""
        found = self.truth.exceptions
        mine = found[(found["order_ref"] == self.order_of(kind)) & (found["rule"] == rule)]
        return [Decimal(amount) for amount in mine["amount"]]

    def paid(self, order_ref: str) -> Decimal:
        """What the payments that name this order alone add up to."""
        payments = self.tables["payments"]
        number = payments["order_ref"].str.extract(r"(\d+)$")[0].str.lstrip("0")
        mine = payments[(number == order_ref[3:]) & ~payments["order_ref"].str.contains(";")]
        settled = mine[mine["status"].isin(["", "settled"]) & (mine["kind"] != "refund")]
        return sum((Decimal(amount) for amount in settled["amount"]), Decimal(0))

    def agreed(self, order_ref: str, *, line_no: str = "") -> Decimal:
        """What the quotes say that this order costs, looked up one by one."""
        orders = self.tables["orders"]
        total = Decimal(0)
        for _, line in orders[orders["order_ref"] == order_ref].iterrows():
            if line_no in ("", line["line_no"]):
                total += self._quoted(line)
        return total

    def _quoted(self, line: pd.Series[str]) -> Decimal:
        units = int(line["qty"])
        quotes = self.tables["quotes"]
        fits = [
            quote
            for _, quote in quotes[quotes["sku"] == line["sku"]].iterrows()
            if quote["ship_to_country"] in ("", line["ship_to_country"])
            and int(quote["min_qty"] or 1) <= units
            and quote["valid_from"] <= line["ordered_at"][:10]
            and line["ordered_at"][:10] <= (quote["valid_to"] or "9999")
        ]
        quote = max(fits, key=lambda each: int(each["min_qty"] or 1))
        goods = (units * Decimal(quote["unit_cost"])).quantize(CENT, ROUND_HALF_UP)
        further = (units - 1) * Decimal(quote["shipping_next"])
        return goods + Decimal(quote["shipping"]) + further


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """A shop of 300 orders with one case of each kind."""
    folder = tmp_path_factory.mktemp("small")
    return Shop(folder, build_shop(folder, orders=300, seed=7))


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """A shop of 3,000 orders without a fault, with look-alikes."""
    folder = tmp_path_factory.mktemp("clean")
    return Shop(folder, build_shop(folder, orders=3000, seed=8, fault_rate=0))


def _contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def _rows(folder: Path, pattern: str) -> list[tuple[str, Counter[bytes]]]:
    """Header and rows of the files of one export."""
    found = []
    for path in sorted(folder.glob(pattern)):
        head, *rows = path.read_bytes().splitlines()
        found.append((head.decode(), Counter(rows)))
    return found


def test_same_seed_gives_the_same_bytes_and_truth(small: Shop, tmp_path: Path) -> None:
    again = build_shop(tmp_path, orders=300, seed=7)
    assert _contents(tmp_path) == _contents(small.folder)
    pd.testing.assert_frame_equal(again.exceptions, small.truth.exceptions)
    other = tmp_path / "other"
    build_shop(other, orders=300, seed=9)
    assert (other / "orders.csv").read_bytes() != (tmp_path / "orders.csv").read_bytes()


def test_every_fault_and_look_alike_occurs_in_a_small_shop(small: Shop) -> None:
    assert set(small.truth.cases["kind"]) == {kind.name for kind in KINDS}
    assert small.tables["orders"]["order_ref"].nunique() == 300


def test_every_open_exception_belongs_to_a_fault_that_says_so(small: Shop) -> None:
    found = small.truth.exceptions
    said = {(kind.name, rule, verdict) for kind in KINDS for rule, verdict in kind.gives}
    sudden = found[(found["kind"] == "") & (found["verdict"] != "waiting")]
    assert sudden.empty
    told = found[found["kind"] != ""]
    every = {tuple(row) for row in told[["kind", "rule", "verdict"]].to_numpy()}
    assert every >= said
    # What is on its way waits for its arrival, whatever else is the matter with its order.
    beyond = {(rule, verdict) for _, rule, verdict in every - said}
    assert beyond <= {("late-delivery", "waiting"), ("lost", "waiting")}


def test_proportions_hold(tmp_path: Path) -> None:
    truth = build_shop(tmp_path, orders=3000, seed=1, fault_rate=0.01)
    cases = truth.cases[truth.cases["role"] == "0"]["kind"].value_counts()
    for kind in KINDS:
        rate = 0.01 if kind.is_fault else 0.002
        count = 1 if kind.once else round(3000 * rate * kind.weight)
        assert cases[kind.name] == count, kind.name
    orders = pd.read_csv(tmp_path / "orders.csv", dtype=str)["order_ref"]
    assert orders.nunique() == 3000
    assert 1.3 < len(orders) / 3000 < 1.6


def test_rates_by_kind_leave_the_others_out(tmp_path: Path) -> None:
    rates = {"unpaid": 0.01, "double-paid": 0.02}
    truth = build_shop(tmp_path, orders=1000, seed=1, fault_rate=rates, lookalike_rate=0)
    assert dict(truth.cases["kind"].value_counts()) == {"double-paid": 20, "unpaid": 10}
    assert len(truth.of(["unpaid"])) == 10
    assert set(truth.of(["double-paid", "unpaid"])["order_ref"]) == set(truth.cases["order_ref"])


def test_too_many_cases_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="too many for a shop of 50"):
        build_shop(tmp_path, orders=50, seed=1)


def test_thirty_thousand_orders_take_seconds(tmp_path: Path) -> None:
    begin = time.perf_counter()
    truth = build_shop(tmp_path, orders=30_000, seed=1)
    assert time.perf_counter() - begin < 30
    assert len(truth.of(["unfulfilled"])) > 400


def test_shop_without_faults_has_nothing_open(clean: Shop) -> None:
    verdicts = clean.truth.exceptions["verdict"].value_counts()
    assert "open" not in verdicts
    assert verdicts["waiting"] > 100
    assert verdicts["unknown"] == 3 * 6


def test_keys_tell_rows_apart(small: Shop, clean: Shop) -> None:
    for shop in (small, clean):
        for record, key in KEYS.items():
            assert not shop.tables[record].duplicated(key).any(), record


# Money, worked out by hand or looked up one by one


def test_amounts_of_unpaid_orders_are_what_the_quotes_say(small: Shop) -> None:
    for kind in ("unpaid", "unpaid-failed", "unpaid-reversed", "unpaid-since-yesterday"):
        order = small.order_of(kind)
        assert small.amounts(kind, "unpaid") == [small.agreed(order)], kind
        assert small.paid(order) == 0
    assert small.amounts("pending", "unpaid") == [small.agreed(small.order_of("pending"))]


def test_amounts_of_payments_beyond_what_was_agreed(small: Shop) -> None:
    rules = {
        "double-paid": "double-paid",
        "double-paid-thrice": "double-paid",
        "overpaid": "overpaid",
        "overpaid-balance": "overpaid",
    }
    for kind, rule in rules.items():
        order = small.order_of(kind)
        assert small.amounts(kind, rule) == [small.paid(order) - small.agreed(order)], kind
    order = small.order_of("part-paid-deposit")
    missing = small.agreed(order) - small.paid(order)
    assert small.amounts("part-paid-deposit", "part-paid") == [missing]
    assert missing > 0


def test_order_in_a_bulk_payment_costs_what_is_left_of_it(small: Shop) -> None:
    cases = small.truth.cases
    first, *others = cases[cases["kind"] == "double-paid-in-bulk"]["order_ref"]
    payments = small.tables["payments"]
    bulk = payments[payments["order_ref"].str.contains(f"{first[3:]};", regex=False)]
    left = Decimal(bulk["amount"].iloc[0]) - sum(small.agreed(each) for each in others)
    assert small.amounts("double-paid-in-bulk", "double-paid") == [left]
    assert small.paid(first) == left


def test_goods_that_were_not_sent_cost_what_was_paid_for_them(small: Shop) -> None:
    order = small.order_of("unfulfilled")
    assert sum(small.amounts("unfulfilled", "unfulfilled")) == small.paid(order)
    order = small.order_of("unfulfilled-line")
    amount = small.agreed(order, line_no="2")
    assert small.amounts("unfulfilled-line", "unfulfilled") == [amount]
    order = small.order_of("short-shipped")
    assert [2 * part for part in small.amounts("short-shipped", "short-shipped")] == [
        small.paid(order)
    ]
    order = small.order_of("unfunded-paid")
    assert small.amounts("unfunded-paid", "unfunded") == [small.paid(order)]
    assert sum(small.amounts("unfunded-paid", "unfulfilled")) == small.paid(order)


def test_second_bill_is_what_its_lines_add_up_to(small: Shop) -> None:
    order = small.order_of("billed-twice")
    invoices = small.tables["invoices"]
    mine = invoices[invoices["number"] == order[3:]]
    last = mine[mine["invoice_no"] == mine["invoice_no"].iloc[-1]]
    total = sum(Decimal(amount) for amount in last["line_total"])
    assert len(mine) == 2 * len(last)
    assert sum(small.amounts("billed-twice", "billed-twice")) == total == small.agreed(order)
    order = small.order_of("billed-twice-one-unit")
    cost = Decimal(invoices[invoices["number"] == order[3:]]["unit_cost"].iloc[0])
    assert small.amounts("billed-twice-one-unit", "billed-twice") == [cost]


def test_half_a_cent_is_rounded_up(small: Shop) -> None:
    # 1 paper lantern to Ireland: 3.125 + 4.20 = 7.325, the goods rounded first: 3.13 + 4.20
    line = pd.Series(
        {"qty": "1", "sku": "LAN-121", "ship_to_country": "IE", "ordered_at": "2026-09-01"}
    )
    assert small._quoted(line) == Decimal("7.33")
    # Everywhere the builder's own figures agree with quotes that are looked up
    invoices = small.tables["invoices"]
    fine = invoices[invoices["sku"].isin(["LAN-121", "LAN-122"]) & (invoices["kind"] == "invoice")]
    assert len(fine) > 0
    for _, row in fine.iterrows():
        goods = (int(row["qty"]) * Decimal(row["unit_cost"])).quantize(CENT, ROUND_HALF_UP)
        assert goods + Decimal(row["shipping"]) == Decimal(row["line_total"])


# Days, worked out by hand: 1 October 2026 is a Thursday, Alder does not work on 28 September


def _clock(scenario: Scenario) -> Clock:
    return Clock(day_number(scenario.as_of), scenario.holidays)


@pytest.mark.parametrize(
    ("supplier", "paid", "due"),
    [
        (KESTREL, "2026-09-25", "2026-09-30"),  # Friday: Monday, Tuesday, Wednesday
        (KESTREL, "2026-09-26", "2026-09-30"),  # Saturday counts as Friday
        (KESTREL, "2026-09-27", "2026-09-30"),
        (KESTREL, "2026-09-28", "2026-10-01"),
        (KESTREL, "2026-07-31", "2026-08-06"),  # 3 August is a holiday
        (ALDER, "2026-09-22", "2026-09-30"),
        (ALDER, "2026-09-23", "2026-10-01"),  # would be 30 September
        (ALDER, "2026-09-28", "2026-10-05"),  # a holiday counts as the Friday before
    ],
)
def test_dispatch_is_due_business_days_after_payment(supplier: int, paid: str, due: str) -> None:
    days = np.array([day_number(date.fromisoformat(paid))], dtype=np.int64)
    assert str(as_date(_clock(Scenario()).dispatch_due(supplier, days)[0])) == due


def test_turning_days_are_those_on_which_the_verdict_turns() -> None:
    clock = _clock(Scenario())
    assert str(as_date(clock.paid_just_overdue(KESTREL))) == "2026-09-27"
    assert str(as_date(clock.paid_on_weekend(KESTREL))) == "2026-09-27"
    assert str(as_date(clock.paid_not_due(KESTREL))) == "2026-09-28"
    assert str(as_date(clock.paid_before_holiday(ALDER))) == "2026-09-23"


def test_due_today_waits_and_due_yesterday_is_open(small: Shop) -> None:
    found = small.truth.exceptions[small.truth.exceptions["due_by"] != ""]
    overdue = found["due_by"] < str(small.truth.as_of)
    pending = found["kind"] == "pending"
    perhaps_paid = found["kind"] == "paid-without-reference"
    assert set(found[overdue & ~pending & ~perhaps_paid]["verdict"]) == {"open", "follows"}
    assert set(found[~overdue]["verdict"]) == {"waiting"}
    turning = {
        (row.rule, row.verdict, row.due_by)
        for row in found.itertuples()
        if row.due_by in ("2026-09-30", "2026-10-01")
    }
    for rule in ("unpaid", "unfulfilled", "missing-tracking", "tracking-not-posted"):
        assert (rule, "open", "2026-09-30") in turning
        assert (rule, "waiting", "2026-10-01") in turning


def test_late_evening_is_another_day_in_utc(small: Shop) -> None:
    payments = small.tables["payments"]
    tonight = payments[payments["paid_at"] == "2026-10-01T23:30:00-04:00"]
    assert len(tonight) == 1
    number = small.order_of("paid-at-night")[3:]
    assert tonight["order_ref"].iloc[0].endswith(number)


# What no order may show unless somebody made it so


def _ordinary(clean: Shop, record: str) -> pd.DataFrame:
    """The rows of a record without the look-alikes of deliveries and of customers' payments."""
    names = [kind.name for kind in DELIVERY_LOOK_ALIKES]
    mine = clean.truth.cases[clean.truth.cases["kind"].isin(names)]["order_ref"]
    table = clean.tables[record]
    return table[~table["number"].isin(mine.str.slice(3))]


def test_ordinary_invoices_are_as_quoted(clean: Shop) -> None:
    """Neither overcharged, nor at another country's rate, nor without quote, nor miscounted."""
    invoices, orders = clean.tables["invoices"], clean.tables["orders"]
    odd = clean.truth.cases[clean.truth.cases["kind"].isin(["corrected-invoice"])]["order_ref"]
    mine = invoices[~invoices["number"].isin(odd.str.slice(3))]
    newer = clean.truth.exceptions[clean.truth.exceptions["rule"] == "unknown-order"]
    mine = mine[~mine["order_ref"].isin(newer["order_ref"])]
    lines = orders[["number", "sku", "qty", "ship_to_country", "ordered_at"]]
    both = mine.merge(lines, on=["number", "sku"], how="left", suffixes=("", "_ordered"))
    assert both["qty_ordered"].notna().all()  # each line was ordered
    for _, row in both.iloc[:: max(1, len(both) // 400)].iterrows():
        goods = (int(row["qty"]) * Decimal(row["unit_cost"])).quantize(CENT, ROUND_HALF_UP)
        amount = goods + Decimal(row["shipping"])
        assert row["line_total"] in ("", str(amount))
        if row["qty"] == row["qty_ordered"]:
            assert amount == clean._quoted(row)


def test_ordinary_parcels_and_numbers_fit(clean: Shop) -> None:
    """No number twice or invented, nothing sent too much, posted early or delivered late."""
    parcels, orders = _ordinary(clean, "shipments"), _ordinary(clean, "orders")
    parcels = parcels[parcels["number"].isin(orders["number"])]
    assert (
        parcels[parcels["tracking_no"] != ""].groupby("tracking_no")["number"].nunique().max() == 1
    )
    shown = orders[orders["tracking_no"] != ""]
    given = set(zip(parcels["number"], parcels["tracking_no"], strict=True))
    assert set(zip(shown["number"], shown["tracking_no"], strict=True)) <= given
    assert set(orders[orders["sent_at"] != ""]["number"]) <= set(parcels["number"])
    again = parcels["order_ref"].str.endswith("-R") | (parcels["replacement"] != "")
    counted = parcels[~again & (parcels["qty"] != "")]
    sent = counted.assign(qty=counted["qty"].astype(int)).groupby(["number", "sku"])["qty"].sum()
    ordered = orders.assign(qty=orders["qty"].astype(int)).set_index(["number", "sku"])["qty"]
    assert (sent <= ordered.reindex(sent.index)).all()
    limit = parcels["supplier"].str.startswith(("K", "k")).map({True: 12, False: 18})
    shipped = pd.to_datetime(parcels["shipped_at"])
    arrived = pd.to_datetime(parcels["delivered_at"].replace("", str(clean.truth.as_of)))
    assert ((arrived - shipped).dt.days <= limit).all()
    promised = orders[orders["promised_by"] != ""]
    last = pd.to_datetime(promised["ordered_at"].str.slice(0, 10)) + timedelta(days=40)
    assert (pd.to_datetime(promised["promised_by"]) == last).all()


def test_postal_numbers_carry_their_check_digit(clean: Shop) -> None:
    numbers = clean.tables["shipments"]["tracking_no"]
    postal = numbers[numbers.str.fullmatch(r"[A-Z]{2}\d{9}[A-Z]{2}")]
    assert len(postal) > 100
    for number in postal:
        total = sum(int(d) * w for d, w in zip(number[2:10], (8, 6, 4, 2, 3, 5, 9, 7), strict=True))
        check = 11 - total % 11
        assert int(number[10]) == {10: 0, 11: 5}.get(check, check)
    # UPU S10: serial 47312482 has check digit 9
    assert 11 - sum(map(int.__mul__, (4, 7, 3, 1, 2, 4, 8, 2), (8, 6, 4, 2, 3, 5, 9, 7))) % 11 == 9


def test_ordinary_customers_and_sales_are_in_order(clean: Shop) -> None:
    """Nobody paid too little or got too much back, and no line sells below its cost."""
    orders = _ordinary(clean, "orders")
    paid = orders[orders["customer_paid"] != ""]
    assert (paid["customer_paid"] == paid["order_total"]).all()
    back = paid[paid["refunded"] != ""]
    assert (back["refunded"].astype(float) <= back["order_total"].astype(float)).all()
    priced = orders[orders["sku"] != "LAN-190"]
    for _, row in priced.iloc[:: max(1, len(priced) // 300)].iterrows():
        revenue = int(row["qty"]) * Decimal(row["unit_price"]) - Decimal(row["discount"] or 0)
        assert revenue - Decimal(row["order_discount"]) > clean._quoted(row)


def test_every_payment_but_one_gives_a_reference(small: Shop, clean: Shop) -> None:
    for shop, without in ((small, 1), (clean, 0)):
        payments = shop.tables["payments"]
        assert ((payments["order_ref"] == "") & (payments["invoice_no"] == "")).sum() == without


def test_nobody_is_named_but_in_the_orders(small: Shop) -> None:
    marks = [mark.encode() for mark in PRIVATE_MARKS.values()]
    for name, content in _contents(small.folder).items():
        there = [mark for mark in marks if mark in content]
        assert there == (marks if name == "orders.csv" else []), name
    assert not any(mark in small.truth.exceptions.to_csv() for mark in PRIVATE_MARKS.values())


# Changes that may not change what a shop gives


def test_shuffled_rows_are_the_same_rows(tmp_path: Path) -> None:
    build_shop(tmp_path, orders=300, seed=7)
    before = {name: _rows(tmp_path, f"{name}.csv") for name in KEYS}
    orders = (tmp_path / "orders.csv").read_bytes()
    shuffle_rows(tmp_path, seed=1)
    assert {name: _rows(tmp_path, f"{name}.csv") for name in KEYS} == before
    assert (tmp_path / "orders.csv").read_bytes() != orders


def test_renamed_files_are_the_same_files(tmp_path: Path) -> None:
    build_shop(tmp_path, orders=300, seed=7)
    before = Counter(_contents(tmp_path).values())
    rename_files(tmp_path)
    after = _contents(tmp_path)
    settings = after["shop.toml"].decode()
    assert sum((Counter(after.values()) & before).values()) == len(KEYS)
    assert not any(f"{name}.csv" in after for name in KEYS)
    assert all(f'files = ["{name}"]' in settings for name in after if name != "shop.toml")


def test_split_files_overlap_and_add_nothing(tmp_path: Path) -> None:
    build_shop(tmp_path, orders=300, seed=7)
    before = {name: _rows(tmp_path, f"{name}.csv")[0] for name in KEYS}
    split_overlapping(tmp_path, parts=3)
    assert not (tmp_path / "orders.csv").exists()
    for name, (head, rows) in before.items():
        parts = _rows(tmp_path, f"{name}-part*.csv")
        assert [each for each, _ in parts] == [head] * 3
        union: Counter[bytes] = Counter()
        for _, some in parts:
            union |= some
        assert union == rows
        assert sum(sum(some.values()) for _, some in parts) > sum(rows.values())
        assert f'files = ["{name}-part*.csv"]' in (tmp_path / "shop.toml").read_text()


# The sample shop


def test_sample_is_what_the_builder_makes() -> None:
    made = sample()
    there = {
        path.relative_to(FOLDER).as_posix(): path.read_bytes()
        for path in FOLDER.rglob("*")
        if path.is_file() and path.relative_to(FOLDER).parts[0] not in ("out", "history.db")
    }
    assert there == made.files
    for path, content in truth_files().items():
        assert path.read_text(encoding="utf-8") == content


def test_sample_readme_names_every_case() -> None:
    made = sample()
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"\b(?:LL-)?\d{5}\b", page))
    assert set(made.truth.cases["order_ref"]) <= named
    for _, row in made.truth.of(["double-paid", "unfulfilled", "unpaid"]).iterrows():
        assert f"`{row['rule']}` open" in page
        assert f"{row['currency']} {row['amount']}" in page


def test_sample_input_faults_are_where_it_says() -> None:
    made = sample()
    rejected = made.inputs[made.inputs["rule"] == "rows-rejected"]
    assert len(rejected) == 3
    for _, row in rejected.iterrows():
        text = made.files[row["file"]].decode("cp1252" if "kestrel" in row["file"] else "utf-8")
        assert row["text"] in text.splitlines()[int(row["row"]) - 1]
        assert row["column"] in text.splitlines()[0]
    changed = made.inputs[made.inputs["rule"] == "repeat-changed"]
    lines = [
        made.files[row["file"]].decode().splitlines()[int(row["row"]) - 1]
        for _, row in changed.iterrows()
    ]
    assert len(set(lines)) == 2
    assert {line.split(",")[0] for line in lines} == set(changed["order_ref"])


@pytest.mark.parametrize(
    ("stem", "key", "changed"),
    [("store/orders-", (0, 2), 1), ("payments/payments-", (1,), 0)],
)
def test_sample_months_overlap_in_equal_rows(stem: str, key: tuple[int, ...], changed: int) -> None:
    made = sample()
    months: list[dict[tuple[str, ...], str]] = []
    for name in sorted(name for name in made.files if name.startswith(stem)):
        lines = made.files[name].decode().splitlines()[1:]
        months.append({tuple(line.split(",")[place] for place in key): line for line in lines})
    first, second, third = months
    assert len(first.keys() & second.keys()) > 5
    assert len(second.keys() & third.keys()) > 5
    assert not first.keys() & third.keys()
    pairs = ((first, second), (second, third))
    other = [each for a, b in pairs for each in a.keys() & b.keys() if a[each] != b[each]]
    assert len(other) == changed
