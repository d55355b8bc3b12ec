"""A shop that grows night by night, and what each night has to find.

Every story is one order of its own: what its rows say on each day, and what is open because of it
from when until when. A file is a list of rows that is added to and corrected, as a program writes
its export anew every night; so the row of everything is known, and with it the evidence.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

from tests.matching.shops import bill, order, parcel, payment, quote

FIRST = date(2026, 3, 2)
NIGHTS = 20  # a story of the first week is told to its end, and one of the second begins
Row = dict[str, object]
Key = tuple[str, str]  # rule and order
SETTINGS = """
[shop]
name = "Lantern Lane"
home_currency = "EUR"
time_zone = "Europe/Dublin"
[suppliers.kestrel]
dispatch_days = 60
delivery_days = 60
"""
RECORDS = ("orders", "invoices", "payments", "shipments", "quotes")
DECISIONS = '[[source]]\nname = "decisions"\nrecord = "decisions"\nfiles = ["decisions.csv"]\n'
EXTRA = {
    "orders": "tracking_no,tracking_posted_at,sent_at,order_total,customer_paid,refunded_at,"
    "refunded,cancelled_at,line_no",
    "invoices": "kind",
    "payments": "kind,status",
    "shipments": "delivered_at",
    "quotes": "",
}


def day_of(night: int) -> date:
    """The date of a night, the first of which is number 0."""
    return FIRST + timedelta(days=night)


@dataclass
class Export:
    """One file: its rows by their names, in the order in which they came."""

    record: str
    rows: dict[str, Row] = field(default_factory=dict)

    def write(self, path: Path) -> None:
        """Write it as CSV with every column of its record."""
        made = {"orders": order("1"), "invoices": bill("1", "1", "1"), "quotes": quote()}
        made |= {"payments": payment("1", "1"), "shipments": parcel("1")}
        extra = [name for name in EXTRA[self.record].split(",") if name]
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, [*made[self.record], *extra], restval="")
            writer.writeheader()
            writer.writerows(self.rows.values())


@dataclass
class Folder:
    """The exports as they stand on a night, and where each row is."""

    exports: dict[str, Export] = field(default_factory=dict)
    missing: set[str] = field(default_factory=set)

    def add(self, file: str, name: str, row: Row) -> None:
        """Add a row to a file, or correct the one of that name."""
        export = self.exports.setdefault(
            file, Export(file.split("/", maxsplit=1)[0].split(".", maxsplit=1)[0])
        )
        export.rows[name] = row

    def place(self, name: str) -> str:
        """File and row of a named row, as evidence shows it."""
        for file, export in self.exports.items():
            if name in export.rows:
                return f"{file} row {list(export.rows).index(name) + 2}"
        raise KeyError(name)

    def write(self, folder: Path) -> None:
        """Write every file that is not missing, and remove those that are."""
        for file, export in self.exports.items():
            if file in self.missing:
                (folder / file).unlink(missing_ok=True)
            else:
                export.write(folder / file)


Step = Callable[[Folder], None]


@dataclass(frozen=True)
class Open:
    """Something open from night ``begin`` until night ``end``, and the row that cleared it then.

    ``amount`` is "" for none, ``by`` where nothing cleared it.
    """

    key: Key
    begin: int
    end: int
    amount: str
    by: str


@dataclass
class Story:
    """One order: what is done on which night, and what is open from when until when.

    ``gone``: what cannot be told since its rows are missing, from when until when.
    """

    ref: str
    steps: list[tuple[int, Step]] = field(default_factory=list)
    opens: list[Open] = field(default_factory=list)
    gone: list[tuple[str, int, int]] = field(default_factory=list)

    def put(self, night: int, file: str, name: str, row: Row) -> Row:
        """Add or correct a row on a night; the row is given back to be corrected later."""
        named = f"{self.ref} {name}"
        self.steps.append((night, lambda folder: folder.add(file, named, row)))
        return row

    def open(
        self, rule: str, begin: int, end: int, amount: str = "", by: str = "", ref: str = ""
    ) -> None:
        """Something is open from one night on, and no more on another."""
        name = f"{self.ref} {by}" if by else ""
        self.opens.append(Open((rule, ref or self.ref), begin, end, amount, name))


@dataclass(frozen=True)
class Plan:
    """A whole shop: its stories, and files that are missing on some nights."""

    stories: tuple[Story, ...]
    lost: tuple[tuple[str, int, int], ...] = ()

    def nights(self, count: int = NIGHTS) -> Iterator[tuple[int, Folder]]:
        """The folder on each night."""
        empty = ("orders", "invoices", "shipments")
        folder = Folder({f"{record}.csv": Export(record) for record in empty})
        folder.add("quotes.csv", "quote", quote(cost="40.00"))
        steps = sorted(
            ((night, at, step) for at, one in enumerate(self.stories) for night, step in one.steps),
            key=lambda each: each[:2],
        )
        for night in range(count):
            for when, _, step in steps:
                if when == night:
                    step(folder)
            folder.missing = {name for name, begin, end in self.lost if begin <= night < end}
            yield night, folder

    def open_on(self, night: int) -> dict[Key, str]:
        """What is open on a night, with its amount."""
        opens = [each for story in self.stories for each in story.opens]
        return {each.key: each.amount for each in opens if each.begin <= night < each.end}

    def cleared_on(self, night: int) -> dict[Key, str]:
        """What is cleared on a night, with the name of the row that clears it."""
        opens = [each for story in self.stories for each in story.opens]
        return {each.key: each.by for each in opens if each.end == night and each.by}

    def gone_on(self, night: int) -> set[Key]:
        """What cannot be told on a night, since its rows are missing."""
        gone = [(story.ref, *each) for story in self.stories for each in story.gone]
        return {(rule, ref) for ref, rule, begin, end in gone if begin <= night < end}


def settings(records: tuple[str, ...] = RECORDS, extra: str = "") -> str:
    """The shop.toml: everything is complete to the day of the run."""
    parts = [SETTINGS]
    for record in records:
        parts.append(f'[[source]]\nname = "{record}"\nrecord = "{record}"')
        files = "payments/*.csv" if record == "payments" else f"{record}.csv"
        parts.append(f'files = ["{files}"]\ncovered_to = "as-of"')
    return "\n".join([*parts, extra])


def start(folder: Path, extra: str = "") -> Path:
    """A shop folder without any export."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "shop.toml").write_text(settings(extra=extra), encoding="utf-8")
    return folder


# Stories. Night n is the day of the order; what comes later is counted from it.


def _ordered(ref: str, night: int, **more: object) -> tuple[Story, Row]:
    """An order paid by the customer on its day, billed on its day, at 40.00."""
    story, day = Story(ref), str(day_of(night))
    whole = {"order_total": "90.00", "customer_paid": "90.00"} | more
    row = order(ref) | {"ordered_at": day, "customer_paid_at": day} | whole
    story.put(night, "orders.csv", "order", row)
    story.put(night, "invoices.csv", "bill", bill(f"INV-{ref}", ref, "40.00", invoice_date=day))
    return story, row


def _paid(story: Story, night: int, name: str, file: str = "", **more: object) -> Row:
    """A payment of 40.00 for the order, in the file of its days."""
    day = str(day_of(night))
    row = payment(f"P-{story.ref}-{name}", "40.00", story.ref, paid_at=day) | more
    return story.put(night, file or _file_of(night), name, row)


def _file_of(night: int) -> str:
    """The payments of five days at a time."""
    return f"payments/{day_of(night - night % 5)}.csv"


def _sent(story: Story, night: int, row: Row, posted: int = 0) -> None:
    """Sent with a number, posted on that night or some nights later, delivered after four."""
    day = day_of(night)
    parts = parcel(story.ref, shipped_at=str(day), tracking_no=f"T{story.ref}", qty=1)
    story.put(night, "shipments.csv", "parcel", parts)
    shown = str(day_of(night + posted))
    told = {"tracking_no": f"T{story.ref}", "tracking_posted_at": shown, "sent_at": shown}
    row = story.put(night + posted, "orders.csv", "order", row | told)
    delivered = parts | {"delivered_at": str(day + timedelta(days=4))}
    story.put(night + 4, "shipments.csv", "parcel", delivered)


def quiet(ref: str, night: int) -> Story:
    """Everything in its time."""
    story, row = _ordered(ref, night)
    _paid(story, night, "paid")
    _sent(story, night + 1, row)
    return story


def unpaid(ref: str, night: int) -> Story:
    """Paid on the fifth day; it was due on the second."""
    story, _ = _ordered(ref, night)
    _paid(story, night + 5, "paid")
    story.open("unpaid", night + 2, night + 5, "40.00", "paid")
    return story


def unpaid_then_sent_at_once(ref: str, night: int) -> Story:
    """Paid, sent and posted on one day: it is the payment that clears what is unpaid."""
    story, row = _ordered(ref, night)
    _paid(story, night + 4, "paid")
    _sent(story, night + 4, row)
    story.open("unpaid", night + 2, night + 4, "40.00", "paid")
    return story


def paid_twice(ref: str, night: int) -> Story:
    """Paid twice, and once again; all given back; then paid once more."""
    story, _ = _ordered(ref, night)
    _paid(story, night, "paid")
    _paid(story, night + 2, "again")
    _paid(story, night + 4, "thrice")
    _paid(story, night + 6, "back", amount="80.00", kind="refund")
    _paid(story, night + 9, "anew")
    _paid(story, night + 12, "over", kind="refund")
    story.open("double-paid", night + 2, night + 4, "40.00")
    story.open("double-paid", night + 4, night + 6, "80.00", "back")
    story.open("double-paid", night + 9, night + 12, "40.00", "over")
    return story


def billed_twice(ref: str, night: int) -> Story:
    """A second bill, and a credit for it."""
    story, _ = _ordered(ref, night)
    _paid(story, night, "paid")
    for after, name, kind in ((3, "bill again", "invoice"), (7, "credit", "credit")):
        day = str(day_of(night + after))
        row = bill(f"INV-{ref}-{kind}", ref, "40.00", invoice_date=day, kind=kind)
        story.put(night + after, "invoices.csv", name, row)
    story.open("billed-twice", night + 3, night + 7, "40.00", "credit")
    return story


def posted_late(ref: str, night: int) -> Story:
    """Sent on the second day, and posted four days later; it was due the day after."""
    story, row = _ordered(ref, night)
    _paid(story, night, "paid")
    _sent(story, night + 1, row, posted=4)
    story.open("tracking-not-posted", night + 3, night + 5, "", "order")
    return story


def cancelled(ref: str, night: int) -> Story:
    """Called off when it was paid already; the supplier gives the money back."""
    story, row = _ordered(ref, night)
    _paid(story, night, "paid")
    story.put(night + 2, "orders.csv", "order", row | {"cancelled_at": str(day_of(night + 2))})
    _paid(story, night + 9, "back", kind="refund")
    story.open("refunded-but-paid", night + 2, night + 9, "40.00", "back")
    return story


def number_late(ref: str, night: int) -> Story:
    """A parcel without a number, which the supplier's export tells four nights later."""
    story, row = _ordered(ref, night)
    _paid(story, night, "paid")
    sent = parcel(ref, shipped_at=str(day_of(night + 1)), tracking_no="", qty=1)
    story.put(night + 1, "shipments.csv", "parcel", sent)
    story.put(night + 5, "shipments.csv", "parcel", sent | {"tracking_no": f"T{ref}"})
    told = {"tracking_no": f"T{ref}", "tracking_posted_at": str(day_of(night + 5))}
    story.put(night + 5, "orders.csv", "order", row | told)
    story.open("missing-tracking", night + 4, night + 5, "", "parcel")
    return story


def file_late(ref: str, night: int) -> Story:
    """Paid in time, in a file that comes three nights after the last day for it."""
    story, _ = _ordered(ref, night)
    day = str(day_of(night + 1))
    row = payment(f"P-{ref}-paid", "40.00", ref, paid_at=day)
    story.put(night + 5, f"payments/late-{ref}.csv", "paid", row)
    story.open("unpaid", night + 2, night + 5, "40.00", "paid")
    return story


def wrong_reference(ref: str, night: int) -> Story:
    """A payment under the number of no order, put right in the same file."""
    story, _ = _ordered(ref, night)
    paid = _paid(story, night, "paid", order_ref=f"{ref}9")
    story.open("unpaid", night + 2, night + 6, "40.00", "paid")
    story.put(night + 6, _file_of(night), "paid", paid | {"order_ref": ref})
    story.open("unknown-order", night, night + 6, "40.00", "paid", ref=f"{ref}9")
    return story


def customer_paid_too_much(ref: str, night: int) -> Story:
    """The customer pays 10.00 too much and gets it back."""
    story, row = _ordered(ref, night, customer_paid="100.00")
    _paid(story, night, "paid")
    back = {"refunded_at": str(day_of(night + 4)), "refunded": "10.00"}
    story.put(night + 4, "orders.csv", "order", row | back)
    story.open("customer-overpaid", night, night + 4, "10.00", "order")
    return story


def file_vanishes(ref: str, night: int) -> Story:
    """Paid twice; the file of the second payment is missing for three nights."""
    story, _ = _ordered(ref, night)
    _paid(story, night, "paid")
    _paid(story, night + 2, "again", file=f"payments/extra-{ref}.csv")
    _paid(story, night + 10, "back", kind="refund")
    story.open("double-paid", night + 2, night + 5, "40.00")
    story.gone.append(("double-paid", night + 5, night + 8))
    story.open("double-paid", night + 8, night + 10, "40.00", "back")
    return story


KINDS = (
    unpaid, unpaid_then_sent_at_once, paid_twice, billed_twice, posted_late, cancelled,
    number_late, file_late, wrong_reference, customer_paid_too_much,
)  # fmt: skip


def growing() -> Plan:
    """Two quiet orders a night, and every story at two times."""
    stories = [quiet(f"{1000 + night}", night) for night in range(NIGHTS)]
    stories += [quiet(f"{1100 + night}", night) for night in range(NIGHTS)]
    for at, kind in enumerate(KINDS):
        stories += [kind(f"{2000 + 10 * at + n}", (3 * at) % 7 + 9 * n) for n in range(2)]
    stories.append(file_vanishes("3000", 4))
    return Plan(tuple(stories), (("payments/extra-3000.csv", 9, 12),))


def dated() -> Plan:
    """Stories in which every cell has its date: tomorrow's files tell yesterday as it was."""
    kinds = (unpaid, unpaid_then_sent_at_once, paid_twice, billed_twice, cancelled)
    stories = [quiet(f"{1000 + night}", night) for night in range(NIGHTS)]
    for at, kind in enumerate((*kinds, customer_paid_too_much)):
        stories += [kind(f"{2000 + 10 * at + n}", (3 * at) % 7 + 9 * n) for n in range(3)]
    return Plan(tuple(stories))
