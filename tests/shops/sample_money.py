"""The sample shop's money, with a handful of differences of real life, and what is said of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pandas as pd

from tests.shops.cash import EUROS, Money, bank_day, money_of
from tests.shops.cash_truth import COLUMNS, month_ends, on_its_way

MONTHS = ("2026-08", "2026-09", "2026-10")
# story: what happened. differs: the two sides of the balance are apart by it. Where ``what`` is
# blank, the balance itself cannot be told.
TOLD = ["month", "story", *COLUMNS, "differs"]
KESTREL_STATEMENT = "kestrel (statement)"
_TIMING = "dated in one month, and booked, shown or stated in the next: nothing is wrong"


class Story:
    """Changes the money, and keeps what each month's check has to say of it."""

    def __init__(self, money: Money, lost_order: str) -> None:
        self.money = money
        known = money.customers[money.customers["order_ref"] != lost_order]
        pieces = [
            on_its_way(replace(money, customers=known), month).assign(month=month)
            for month in MONTHS
        ]
        timing = pd.concat(pieces, ignore_index=True)
        self.rows: list[dict[str, object]] = timing.assign(story=_TIMING, differs=False)[
            TOLD
        ].to_dict("records")  # type: ignore[assignment]

    def tell(self, month: str, story: str, *said: tuple[str, str, str, str, int]) -> None:
        """In a month: check, account, what, name and cents of each item; all are of euros.

        A check with a star behind its name does not come out even because of it.
        """
        for check, account, what, name, amount in said:
            currency = "" if check == "open-items" else "EUR"
            values = (month, story, check.rstrip("*"), account, currency, what, name, amount)
            self.rows.append(dict(zip(TOLD, (*values, check.endswith("*")), strict=True)))

    def book(self, day: str, amount: int, text: str) -> None:
        """One more row of the bank; the books have it on the first of the next month."""
        row: dict[str, object] = {"account": EUROS, "booked_on": day, "amount": amount}
        row |= {"currency": "EUR", "status": "booked", "reference": text}
        self.money = self.money.with_more("bank", [row])
        self.enter(day, amount)

    def enter(self, day: str, amount: int) -> None:
        """An entry in the books on the first of the month after a day."""
        after = month_ends(day[:7])[1] + pd.Timedelta(days=1)
        entry: dict[str, object] = {"account": EUROS, "date": after, "amount": amount}
        self.money = self.money.with_more("books", [entry])


def sample_money(
    tables: Mapping[str, pd.DataFrame], lost_order: str, lost_bill: tuple[str, str, int]
) -> tuple[Money, pd.DataFrame]:
    """The money, and one row with TOLD for each item that is no ordinary part of a figure.

    ``lost_order`` cannot be read from the store's export; ``lost_bill`` is number, date and
    cents of an invoice that cannot be read.
    """
    held = _refund(tables["orders"], "2026-09")
    story = Story(money_of(tables, kept_back=[held]), lost_order)
    _charges(story)
    _typed_wrong(story)
    _without_a_record(story)
    _booked_again(story)
    _held_back(story, tables["orders"], held)
    _short_payout(story)
    _bills(story, lost_bill)
    _lost_sale(story, lost_order)
    _cannot_be_told(story, tables)
    told = pd.DataFrame(story.rows)[TOLD]
    order = ["month", "story", "check", "account", "currency", "what", "name"]
    return story.money, told.sort_values(order, kind="stable", ignore_index=True)


def _charges(story: Story) -> None:
    for month in MONTHS:
        last = bank_day(pd.Series([month_ends(month)[1]]), 0)[0]
        story.book(str(last.date()), -950, f"ACCOUNT FEE {month}")
        charge = ("bank-to-books", EUROS, "charge-not-booked", EUROS, -950)
        story.tell(month, "the bank's fee of the month, which the books do not have yet", charge)
    story.book("2026-09-30", 125, "INTEREST 2026")
    interest = ("bank-to-books", EUROS, "interest-not-booked", EUROS, 125)
    story.tell("2026-09", "interest, which the books do not have yet", interest)


def _single(story: Story, month: str) -> pd.Series:
    """The first payment to Kestrel of a month's second week that the bank's text names."""
    first, _ = month_ends(month)
    paid = story.money.paid
    named = "SEPA " + paid["payment_ref"]
    fits = paid["settled"] & (paid["currency"] == "EUR") & (paid["amount"] < 0)
    fits &= named.isin(story.money.bank["reference"]) & (paid["amount"] % 100 % 11 != 0)
    fits &= paid["day"].between(first + pd.Timedelta(days=7), first + pd.Timedelta(days=14))
    return paid[fits].iloc[0]


def _typed_wrong(story: Story) -> None:
    """The last two digits are swapped in the shop's record: bank and supplier have another sum."""
    paid = _single(story, "2026-08")
    ref, amount = str(paid["payment_ref"]), int(paid["amount"])
    tens, ones = divmod(-amount % 100, 10)
    more = 9 * (tens - ones)  # what the bank moved beyond the record, as it moves the account
    bank, statements = story.money.bank.copy(), story.money.statements.copy()
    bank.loc[bank["reference"] == f"SEPA {ref}", "amount"] += more
    statements.loc[statements["document"] == ref, "amount"] += more
    story.money = replace(story.money, bank=bank, statements=statements)
    story.enter("2026-08-31", more)
    told = "recorded with two digits swapped: the bank has the amount that was really paid"
    story.tell(
        "2026-08", told,
        ("payments-to-bank*", "", "amount-differs", ref, more),
        ("bank-to-books", EUROS, "amount-differs", ref, more),
    )  # fmt: skip
    for month in MONTHS:
        stated = ("supplier-account", KESTREL_STATEMENT, "amount-differs", ref, more)
        story.tell(month, "the payment with the swapped digits, as its supplier states it", stated)


def _without_a_record(story: Story) -> None:
    story.book("2026-09-16", -3300, "CARD 0077 SHADE AND WICK")
    story.tell(
        "2026-09", "a debit that no payment explains",
        ("payments-to-bank*", "", "not-recorded", EUROS, -3300),
        ("bank-to-books", EUROS, "payment-not-booked", EUROS, -3300),
    )  # fmt: skip


def _booked_again(story: Story) -> None:
    paid = _single(story, "2026-10")
    ref, amount = str(paid["payment_ref"]), int(paid["amount"])
    later = bank_day(pd.Series([paid["booked"]]), 2)[0]
    story.book(str(later.date()), amount, f"SEPA {ref}")
    story.tell(
        "2026-10", "the bank booked one payment twice",
        ("payments-to-bank*", "", "booked-twice", EUROS, amount),
        ("bank-to-books", EUROS, "booked-twice", EUROS, amount),
    )  # fmt: skip


def _refund(orders: pd.DataFrame, month: str) -> str:
    """The first order with a part of its money given back in the first half of a month."""
    whole = orders.drop_duplicates("order_ref")
    fits = whole["refunded_at"].str.slice(0, 10).between(f"{month}-01", f"{month}-15")
    fits &= (whole["refunded"] != "") & (whole["customer_paid"] != "")
    return str(whole.loc[fits, "order_ref"].iloc[0])


def _held_back(story: Story, orders: pd.DataFrame, held: str) -> None:
    whole = orders.drop_duplicates("order_ref").set_index("order_ref")
    amount = int(str(whole.loc[held, "refunded"]).replace(".", ""))
    told = "refunded by the shop, and the processor has not passed it on"
    story.tell(
        "2026-09", told,
        ("customers-to-payouts*", "refunds", "refund-in-no-payout", held, amount),
    )  # fmt: skip


def _short_payout(story: Story) -> None:
    """A fee of 3.20 is kept back, and no row says so."""
    ref = "LP-20261012"
    payouts, bank, books = story.money.payouts, story.money.bank, story.money.books
    sent = (payouts["payout_ref"] == ref) & (payouts["kind"] == "payout")
    entered = (books["amount"] == -payouts.loc[sent, "amount"].iloc[0]) & (
        books["date"] == "2026-10-12"
    )
    if sent.sum() != 1 or entered.sum() != 1:
        raise AssertionError("not one payout")
    booked = bank["reference"] == f"SALES {ref}"
    story.money = replace(
        story.money,
        payouts=payouts.assign(amount=payouts["amount"].where(~sent, payouts["amount"] + 320)),
        bank=bank.assign(amount=bank["amount"].where(~booked, bank["amount"] - 320)),
        books=books.assign(amount=books["amount"].where(~entered, books["amount"] - 320)),
    )
    told = "paid out 3.20 short of its parts"
    story.tell("2026-10", told, ("payout-adds-up*", ref, "not-explained", "", 320))


def _bills(story: Story, lost: tuple[str, str, int]) -> None:
    """One that cannot be read, and one that never came."""
    for (number, day, amount), told in (
        (lost, "an invoice whose row cannot be read is on the supplier's statement"),
        (("KG-900044", "2026-10-14", 4860), "an invoice on the statement that never came"),
    ):
        line: dict[str, object] = {"supplier": "kestrel", "date": day, "document": number}
        line |= {"kind": "invoice", "amount": amount, "currency": "EUR"}
        story.money = story.money.with_more("statements", [line])
        for month in MONTHS:
            if month >= day[:7]:
                stated = ("supplier-account", KESTREL_STATEMENT, "not-in-records", number, amount)
                story.tell(month, told, stated)


def _lost_sale(story: Story, order_ref: str) -> None:
    customers = story.money.customers
    mine = customers[customers["order_ref"] == order_ref]
    told = "what the processor shows of the order that cannot be read"
    for kind, shown, amount in mine[["kind", "shown", "amount"]].itertuples(index=False):
        gap = ("customers-to-payouts*", f"{kind}s", f"{kind}-of-no-order", order_ref, -int(amount))
        story.tell(f"{shown:%Y-%m}", told, gap)


def _cannot_be_told(story: Story, tables: Mapping[str, pd.DataFrame]) -> None:
    """Goods made to order have no quote: until they are billed nobody knows what they cost."""
    orders, numbers = tables["orders"], {}
    for record, day in (("shipments", "shipped_at"), ("invoices", "invoice_date")):
        rows = tables[record].assign(day=tables[record][day].str.slice(0, 10))
        numbers[record] = rows["day"], rows["order_ref"].str.extract(r"(\d+)")[0].str.lstrip("0")
    made = orders[orders["sku"] == "LAN-190"]
    number = made["order_ref"].str.extract(r"(\d+)")[0]
    for month in MONTHS:
        last = str(month_ends(month)[1].date())
        sent, billed = (number.isin(at[day <= last]) for day, at in numbers.values())
        for ref in made.loc[sent & ~billed, "order_ref"]:
            lost = ("cut-off", "accruals", "no-cost", f"{ref} LAN-190", 0)
            story.tell(month, "made to order, sent, and neither quoted nor billed", lost)
        paid = made["customer_paid_at"].str.startswith(month)
        for _ in made.loc[paid & ~billed, "order_ref"]:
            lost = ("margin", "", "", "", 0)
            story.tell(month, "what an order of goods made to order will cost", lost)
        nights = "the roll-forward of what is open, until two nights have been run"
        story.tell(month, nights, ("open-items", "", "", "", 0))
