"""Random shops with a known truth: nothing wrong, every check agrees; a fault, the right one tells.

Several faults at random places are put into one shop: the check has to say of each what it says
of it alone, and nothing beyond all of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from tests.month_end import faults as f
from tests.month_end.clean import cents
from tests.month_end.places import Item, Place
from tests.month_end.shops import Found, month_end

# Goods made to order have neither quote nor bill: what these cost cannot be told by anybody.
UNTOLD = {("open-items", ""), ("cut-off", "accruals"), ("margin", "")}


def _said(item: dict[str, str]) -> tuple[str, str, int]:
    return item["what"], item["name"], cents(item["amount"])


def items(found: Found) -> list[Item]:
    """Every item that is no ordinary part of a figure."""
    return sorted(
        (each["check"], each["account"], each["currency"], *_said(item))
        for each in found.value["balances"]
        for item in each["items"]
        if item["nature"] != "listed" and item["what"] != "no-cost"
    )


def apart(found: Found) -> set[tuple[str, str]]:
    """The balances that do not agree."""
    return {key[:2] for key, verdict in found.verdicts.items() if verdict != "agrees"}


@pytest.mark.no_cover
@pytest.mark.parametrize(
    ("seed", "month", "orders", "share"),
    [(1, "2026-10", 300, 1e-9), (2, "2026-09", 500, 1e-9), (3, "2026-08", 3000, 0.002)],
)
def test_nothing_is_wrong(
    tmp_path_factory: pytest.TempPathFactory, seed: int, month: str, orders: int, share: float
) -> None:
    place = Place(seed, month, orders, share)
    found = month_end(place.write(tmp_path_factory.mktemp("clean")), month)
    assert items(found) == place.items()
    assert apart(found) <= UNTOLD
    assert {each["difference"] for each in found.value["balances"]} - {""} == {"0.00"}
    assert len({check for check, _, _ in found.verdicts}) == 11
    for each in found.value["balances"]:
        assert (each["verdict"] == "unknown") == (each["cause"] != "")


BATCHES: list[tuple[int, str, list[f.Fault]]] = [
    (11, "2026-10", [
        f.payment_booked_twice, f.payment_not_in_the_bank, f.payment_booked_at_another_amount,
        f.debit_without_a_record, f.charge_not_in_the_books, f.interest_not_in_the_books,
        f.payout_short_by_a_fee, f.refund_not_passed_on, f.conversion_at_a_wrong_rate,
        f.statement_with_an_invoice_that_is_not_there, f.transfer_between_own_accounts,
    ]),
    (12, "2026-09", [
        f.debit_in_dollars_without_a_record, f.credit_without_a_record, f.payment_came_back,
        f.credit_smaller_than_the_payout, f.refund_that_no_order_knows, f.sale_in_no_payout,
        f.statement_without_a_payment, f.payment_recorded_twice, f.statement_that_does_not_add_up,
        f.pending_row_of_a_booked_movement,
    ]),
    (13, "2026-10", [
        f.row_of_the_bank_left_out, f.payout_not_in_the_bank, f.sale_with_another_amount,
        f.sale_of_no_order, f.parts_that_were_never_paid_out, f.statement_with_another_amount,
        f.supplier_refund_that_never_came, f.payment_that_was_not_recorded,
        f.returned_payment_and_its_second_try,
    ]),
    (14, "2026-09", [
        f.wrong_opening_balance, f.books_with_another_balance, f.payout_that_was_not_recorded,
        f.two_debits_that_could_be_one_payment, f.payment_in_transit,
    ]),
    (15, "2026-10", [
        f.debit_that_two_payments_add_up_to, f.no_balance_of_the_books, f.no_rates,
        f.one_debit_for_two_named_payments, f.failed_payment_sent_again,
    ]),
]  # fmt: skip


@dataclass(frozen=True)
class Batch:
    """A shop with several faults, what each has to give, and what was found."""

    place: Place
    each: dict[str, list[Item]]
    found: Found


@pytest.fixture(scope="module")
def batch_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[[int], Batch]:
    made: dict[int, Batch] = {}

    def batch(seed: int) -> Batch:
        if seed not in made:
            [(_, month, several)] = [each for each in BATCHES if each[0] == seed]
            place = Place(seed, month)
            told: dict[str, list[Item]] = {}
            for fault in several:
                before = len(place.said)
                fault(place)
                told[fault.__name__] = place.said[before:]
            folder = place.write(tmp_path_factory.mktemp("batch"))
            made[seed] = Batch(place, told, month_end(folder, month))
        return made[seed]

    return batch


@pytest.mark.no_cover
@pytest.mark.parametrize(
    ("seed", "name"), [(seed, fault.__name__) for seed, _, several in BATCHES for fault in several]
)
def test_fault_is_named(batch_of: Callable[[int], Batch], seed: int, name: str) -> None:
    batch = batch_of(seed)
    assert [item for item in batch.each[name] if item not in items(batch.found)] == []


@pytest.mark.no_cover
@pytest.mark.parametrize("seed", [seed for seed, _, _ in BATCHES])
def test_nothing_else_is_named(batch_of: Callable[[int], Batch], seed: int) -> None:
    batch = batch_of(seed)
    assert items(batch.found) == batch.place.items()
    assert apart(batch.found) - UNTOLD == batch.place.apart - UNTOLD
    assert batch.place.apart <= apart(batch.found)


def test_every_fault_is_in_a_batch() -> None:
    there = {
        value
        for value in vars(f).values()
        if getattr(value, "__module__", "") == f.__name__ and not value.__name__.startswith("_")
    }
    tried = [fault for _, _, several in BATCHES for fault in several]
    assert set(tried) == there
    assert len(tried) == len(there) == 40
