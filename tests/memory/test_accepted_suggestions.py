"""A payment without a reference whose orders a decision accepts pays them, as long as it stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from reconcile.decide import decide_on
from reconcile.month_end.period import Month
from reconcile.month_end.run import run_month_end
from reconcile.nightly import run_nightly
from reconcile.pay_check import check_payment
from reconcile.report.contents import Contents
from tests.matching.shops import Row, bill, order, payment, written
from tests.memory.small import bytes_of
from tests.test_portions import at_once, in_portions, same

pytestmark = pytest.mark.no_cover

DAY, LATER = date(2026, 3, 20), date(2026, 3, 25)
FUNDED: Row = {"order_total": "90.00", "customer_paid": "90.00"}
PAID = payment("P1", "33.00")
SOURCE = '[[source]]\nname = "decided"\nrecord = "decisions"\nfiles = ["decided.csv"]\n'
SOURCE += '[source.refs]\nstrip_prefix = ["LL-"]\n'
HEADER = "id,rule,order_ref,decided_on,decided_by,reason,until,amount\n"


@dataclass(frozen=True)
class Told:
    """What a night says of one payment and of the orders."""

    contents: Contents

    @property
    def payment(self) -> dict[str, Any]:
        """The exception of P1."""
        [row] = [row for row in self.of("payment-unmatched") if row["document"] == "P1"]
        return row

    def of(self, rule: str) -> list[dict[str, Any]]:
        """The exceptions of a rule by order."""
        found = self.contents.exceptions
        rows = found[(found["rule"] == rule).to_numpy()].sort_values(["order_ref", "document"])
        return [{str(key): cell for key, cell in row.items()} for row in rows.to_dict("records")]

    def open(self, rule: str) -> set[str]:
        """The orders for which a rule is open."""
        return {row["order_ref"] for row in self.of(rule) if row["verdict"] == "open"}

    @property
    def paid(self) -> dict[str, int]:
        """What is paid of each order, in minor units, where it is anything."""
        lines = pd.concat(self.contents.order_lines.pieces())
        rows = zip(lines["order_ref"], lines["paid_minor"], strict=True)
        return {str(ref): int(paid) for ref, paid in rows if paid}

    @property
    def states(self) -> dict[str, str]:
        """The state of each order."""
        lines = pd.concat(self.contents.order_lines.pieces())
        return dict(zip(lines["order_ref"], lines["state"], strict=True))


def _records(costs: Sequence[str], *payments: Row) -> dict[str, list[Row]]:
    """Orders 1, 2, ... of these costs that the customers paid and the supplier billed."""
    return {
        "orders": [order(str(at)) | FUNDED for at, _ in enumerate(costs, 1)],
        "invoices": [bill(f"K{at}", str(at), cost) for at, cost in enumerate(costs, 1)],
        "payments": list(payments or [PAID]),
        "shipments": [],
    }


def _shop(folder: Path, costs: Sequence[str], *payments: Row, extra: str = "") -> Path:
    return written(folder, _records(costs, *payments), extra)


def _night(shop: Path, day: date = DAY, **options: Any) -> Told:
    contents, _ = run_nightly(shop, lambda _: day, None, lambda _: None, **options)
    assert contents.proofs["holds"].all(), contents.proofs.to_string()
    assert contents.rejected.empty
    return Told(contents)


def _decide(shop: Path, day: date = DAY, until: date | None = None, document: str = "P1") -> str:
    """Accept the suggestion of a payment as the night of the day sees it; what was said."""
    rows = _night(shop, day).of("payment-unmatched")
    [id_] = [row["id"] for row in rows if row["document"] == document]
    return decide_on(shop, id_, lambda _: day, "asked them", until, "Ann")


def test_before_a_decision_nothing_is_paid(tmp_path: Path) -> None:
    told = _night(_shop(tmp_path, ["10", "17", "23", "41"]))
    assert (told.payment["verdict"], told.paid) == ("open", {})
    assert told.states == {"1": "unknown", "2": "to-pay", "3": "unknown", "4": "to-pay"}


def test_an_accepted_payment_pays_its_order(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["33", "17"])
    said = _decide(shop)
    assert "the payment counts for order 1, as long as nothing else adds up to it." in said
    told = _night(shop)
    assert told.paid == {"1": 3300}
    assert told.states == {"1": "to-ship", "2": "to-pay"}
    assert told.open("unfulfilled") == {"1"}  # paid on 3 March, and never sent
    assert set(told.contents.pay["order_ref"]) == {"2"}
    assert "payments.csv row 2" in told.of("unfulfilled")[0]["evidence"]


def test_an_accepted_payment_pays_all_orders_of_the_set(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["10", "17", "23", "41"])
    assert "counts for orders 1 and 3, as long as" in _decide(shop)
    for told in (_night(shop), _night(shop, LATER)):
        assert told.paid == {"1": 1000, "3": 2300}
        assert told.states == {"1": "to-ship", "2": "to-pay", "3": "to-ship", "4": "to-pay"}
        assert told.open("unfulfilled") == {"1", "3"}
        assert told.open("unpaid") == {"2", "4"}
        proofs = told.contents.proofs
        ends = proofs.loc[proofs["proof"] == "allocated payments = paid on orders", "left"]
        assert ends.tolist() == [3300]


def test_the_exception_stays_and_says_what_it_pays(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["10", "17", "23", "41"])
    _decide(shop)
    told = _night(shop, LATER)
    row = told.payment
    assert (row["verdict"], row["amount_minor"], row["order_ref"]) == ("accepted", 3300, "")
    assert row["cause"] == "accepted on 2026-03-20 by Ann up to 33.00 EUR: asked them"
    assert row["explanation"].endswith(
        "33.00 EUR reaches no order by itself; by a decision it pays orders 1 and 3."
    )
    assert "orders.csv row 4" in row["evidence"]
    moves = told.contents.moves.set_index(["class", "currency", "move"])
    assert moves.loc[("at-risk", "EUR", "accepted"), "amount_minor"] == -3300


def test_it_pays_until_the_last_day_of_the_decision(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["33", "17"])
    _decide(shop, until=date(2026, 3, 24))
    assert _night(shop, date(2026, 3, 24)).paid == {"1": 3300}
    told = _night(shop, LATER)
    assert (told.paid, told.payment["verdict"]) == ({}, "open")
    assert told.states["1"] == "unknown"


def test_a_night_before_the_decision_does_not_know_of_it(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["33", "17"])
    _night(shop)
    _decide(shop, LATER)
    assert _night(shop).paid == {}
    assert _night(shop, LATER).paid == {"1": 3300}


def test_it_pays_nothing_once_another_set_adds_up_too(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["33", "17"])
    _decide(shop)
    assert _night(shop).paid == {"1": 3300}
    _shop(shop, ["33", "17", "16"])  # an order of that time, exported late
    told = _night(shop, LATER)
    assert (told.paid, told.payment["verdict"]) == ({}, "unknown")
    assert set(told.states.values()) == {"unknown"}


def test_it_pays_no_other_orders_than_those_accepted(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["33", "17"])
    _decide(shop)
    _shop(shop, ["33", "33"], PAID, payment("P2", "33.00", "1"))
    told = _night(shop, LATER)
    assert (told.paid, told.payment["verdict"]) == ({"1": 3300}, "open")
    assert "exactly what is left to pay for order 2" in told.payment["explanation"]
    assert told.states["2"] == "unknown"
    # Decided anew, on the order that it is for now.
    assert "counts for order 2" in _decide(shop, LATER)
    assert _night(shop, LATER).paid == {"1": 3300, "2": 3300}


def test_it_pays_nothing_where_another_payment_may_be_for_the_same(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["33", "17"])
    _decide(shop)
    _shop(shop, ["33", "17"], PAID, payment("P2", "50.00"))
    told = _night(shop, LATER)
    assert told.paid == {}
    assert {row["verdict"] for row in told.of("payment-unmatched")} == {"unknown"}


def test_what_is_left_is_searched_for_the_other_payments(tmp_path: Path) -> None:
    """P2 is for 5 alone, or for 1 and 2; that P1 is for 1 and 3 leaves 5."""
    shop = _shop(tmp_path, ["10", "17", "23", "41", "27"], PAID, payment("P2", "27.00"))
    _decide(shop)
    told = _night(shop)
    assert told.paid == {"1": 1000, "3": 2300}
    assert "counts for order 5" in _decide(shop, document="P2")
    assert _night(shop, history=False).paid == {"1": 1000, "3": 2300, "5": 2700}


def test_a_payment_that_no_set_adds_up_to_is_accepted_alone(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["10", "17"])
    assert "counts for" not in _decide(shop)
    told = _night(shop)
    assert (told.payment["verdict"], told.paid) == ("accepted", {})
    # What comes to add up to it later was not decided on.
    _shop(shop, ["10", "17", "33"])
    told = _night(shop, LATER)
    assert (told.payment["verdict"], told.paid) == ("accepted", {})
    assert told.payment["cause"].endswith("; it names no order, so that the payment pays none")


def test_twins_are_told_apart(tmp_path: Path) -> None:
    """Two payments under one reference on one day: the decision is on one of them."""
    shop = _shop(tmp_path, ["33", "17"], PAID, payment("P1", "17.00"), payment("P1", "5.00"))
    rows = _night(shop).of("payment-unmatched")
    [id_] = [row["id"] for row in rows if row["amount_minor"] == 3300]
    decide_on(shop, id_, lambda _: DAY, "asked them", None, "Ann")
    assert _night(shop).paid == {"1": 3300}


def test_in_portions_it_is_the_same(tmp_path: Path) -> None:
    costs, payments = ["10", "17", "23", "41", "27"], (PAID, payment("P2", "27.00"))
    shop = _shop(tmp_path / "shop", costs, *payments)
    _decide(shop)
    _night(shop)
    _decide(shop, document="P2")
    whole = at_once(shop, DAY)
    assert whole.matched.shares["amount"].sum() == 6000
    (tmp_path / "portions").mkdir()
    same(whole, *in_portions(whole, 3, tmp_path / "portions"))
    out = [shop / "at-once", shop / "portions"]
    for folder, memory in zip(out, (None, 20_000), strict=True):
        options: dict[str, Any] = {"history": False, "memory": memory}
        run_nightly(shop, lambda _: DAY, folder, lambda _: None, **options)
    first, second = (
        {name: data for name, data in bytes_of(folder).items() if name != "run.log"}
        for folder in out
    )
    assert first == second


def test_the_order_of_rows_does_not_matter(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["10", "17", "23", "41", "27"], PAID, payment("P2", "27.00"))
    _decide(shop)
    _night(shop)
    _decide(shop, document="P2")
    told = _night(shop)
    turned = _records(["10", "17", "23", "41", "27"], PAID, payment("P2", "27.00"))
    written(shop, {name: rows[::-1] for name, rows in turned.items()})
    again = _night(shop)
    assert again.paid == told.paid == {"1": 1000, "3": 2300, "5": 2700}
    ids = [set(one.contents.exceptions["id"]) for one in (told, again)]
    assert ids[0] == ids[1]


@pytest.mark.parametrize(
    ("row", "paid"),
    [
        ("{id},,1; 3,2026-03-20,Ann,asked,,", {"1": 1000, "3": 2300}),
        ("{id},,LL-3; LL-1,2026-03-20,Ann,asked,,33.00", {"1": 1000, "3": 2300}),
        (",payment-unmatched,#1;#3,2026-03-20,Ann,asked,,", {"1": 1000, "3": 2300}),
        ("{id},,1; 3,2026-03-20,Ann,asked,,32.99", {}),
        ("{id},,1; 3,2026-03-20,Ann,asked,2026-03-24,", {}),
        ("{id},,1; 3,2026-03-26,Ann,asked,,", {}),
        ("{id},,1,2026-03-20,Ann,asked,,", {}),
        (",payment-unmatched,1,2026-03-20,Ann,asked,,", {}),
        (",unpaid,1; 3,2026-03-20,Ann,asked,,", {}),
    ],
)
def test_a_file_of_decisions_names_the_orders(
    row: str, paid: dict[str, int], tmp_path: Path
) -> None:
    shop = _shop(tmp_path, ["10", "17", "23", "41"], extra=SOURCE)
    (shop / "decided.csv").write_text(HEADER, encoding="utf-8")
    id_ = _night(shop).payment["id"]
    (shop / "decided.csv").write_text(HEADER + row.format(id=id_) + "\n", encoding="utf-8")
    told = _night(shop, LATER)
    assert told.paid == paid
    assert told.payment["verdict"] == ("accepted" if paid else "open")


def test_a_row_that_names_no_order_pays_none_and_it_is_said(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["10", "17", "23", "41"], extra=SOURCE)
    (shop / "decided.csv").write_text(HEADER, encoding="utf-8")
    row = f"{_night(shop).payment['id']},,,2026-03-20,Ann,asked,,\n"
    (shop / "decided.csv").write_text(HEADER + row, encoding="utf-8")
    told = _night(shop, LATER)
    assert (told.payment["verdict"], told.paid) == ("accepted", {})
    assert told.payment["cause"].endswith("asked; it names no order, so that the payment pays none")


def test_of_two_decisions_the_latest_says_which_orders(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["33", "17"], extra=SOURCE)
    (shop / "decided.csv").write_text(HEADER, encoding="utf-8")
    _decide(shop)
    id_ = _night(shop).payment["id"]
    row = f"{id_},,2,2026-03-21,Ann,asked again,,\n"
    (shop / "decided.csv").write_text(HEADER + row, encoding="utf-8")
    assert _night(shop).paid == {"1": 3300}
    told = _night(shop, LATER)
    assert (told.payment["verdict"], told.paid) == ("open", {})


def test_a_reference_that_two_stores_bear_cannot_be_accepted(tmp_path: Path) -> None:
    records = _records(["33", "17"])
    records["orders"] = [row | {"store": "one"} for row in records["orders"]]
    records["orders"].append(order("1", store="two") | FUNDED)
    shop = written(tmp_path, records)
    assert "counts for" not in _decide(shop)
    assert _night(shop).paid == {}


def test_what_it_paid_is_not_proposed_again(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["33", "17"])
    file = tmp_path / "friday.csv"
    lines = "supplier,order_ref,amount,currency\nkestrel,1,33.00,EUR\nkestrel,2,17.00,EUR\n"
    file.write_text(lines, encoding="utf-8")

    def verdicts() -> list[str]:
        found = check_payment(shop, file, lambda _: DAY, lambda _: None)
        return found.lines["verdict"].tolist()

    assert verdicts() == ["cannot tell", "pay"]
    _decide(shop)
    assert verdicts() == ["do not pay", "pay"]


def test_a_payment_that_names_the_order_opens_it_again(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["33", "17"])
    _decide(shop)
    told = _night(_shop(shop, ["33", "17"], PAID, payment("P2", "33.00", "1")), LATER)
    assert (told.paid, told.payment["verdict"]) == ({"1": 3300}, "open")
    assert "no set of open orders adds up to it" in told.payment["explanation"]


def test_month_end_counts_it_as_paid(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["33", "17"])
    _decide(shop)
    contents, _ = run_month_end(shop, Month(2026, 3), None, lambda _: None)
    cut = contents.items[(contents.items["check"] == "cut-off").to_numpy()]
    assert 3300 in cut["amount_minor"].tolist()  # paid in advance and not sent
