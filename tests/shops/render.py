"""The exports of a shop as tables of text, in the columns that the project knows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa

from tests.shops import text
from tests.shops.catalogue import (
    COUNTRIES,
    EUR_FOR_USD,
    KESTREL,
    QUOTE_COLUMNS,
    SKUS,
    SUPPLIERS,
    USD_FOR_EUR,
    Ints,
    quote_rows,
)
from tests.shops.clock import NEVER, as_date
from tests.shops.columns import (
    MOVEMENTS,
    NO_PARCEL,
    REPLACEMENT_FLAG,
    REPLACEMENT_SUFFIX,
    STATUSES,
    joined,
)
from tests.shops.world import World

CURRENCIES = tuple(supplier.currency for supplier in SUPPLIERS)
CARRIERS = ("Northpost", "Parcelway")
CHANNELS = ("card", "transfer")
INVOICE_PREFIXES = ("KG-", "AS", "KGC-", "ASC")  # invoices, then credit notes
_SPELLINGS = tuple(spelling for supplier in SUPPLIERS for spelling in supplier.spellings)
_FIRST_SPELLING = np.cumsum([0, *(len(supplier.spellings) for supplier in SUPPLIERS)])


@dataclass(frozen=True)
class Export:
    """One record type: how many rows there are, and the columns of some of them."""

    record: str
    rows: int
    columns: Callable[[slice], dict[str, pa.Array]]

    def table(self, part: slice = slice(None)) -> pa.Table:
        """Some rows as text."""
        return pa.table(self.columns(part))


class Renderer:
    """Writes one world down; numbers its documents in the order of their days."""

    def __init__(self, world: World, zone: ZoneInfo, seed: int) -> None:
        self.world = world
        self.zone = zone
        self.rng = np.random.Generator(np.random.PCG64([seed, 1]))
        orders = world.orders
        # Orders that would be ambiguous, or are unknown, are always written as the store does.
        self.exact = np.isin(orders.number, orders.number[orders.bare]) | orders.ghost
        self.invoices = joined(world.invoice_rows)
        self.heads = joined(world.heads)
        self.payments = joined(world.payments)
        self.parcels = joined(world.parcel_rows)
        self.invoice_text = self._number_invoices()
        self.payment_order = np.lexsort(
            (np.arange(len(self.payments.day)), self.payments.minute, self.payments.day)
        )
        self.payment_text = self._number_payments()

    def exports(self) -> list[Export]:
        """Every record type of the shop."""
        return [
            self._orders(),
            self._invoices(),
            self._payments(),
            self._shipments(),
            self._quotes(),
            self._rates(),
        ]

    def _number_invoices(self) -> pa.Array:
        """The number of every invoice; those that bill nothing get none."""
        heads, count = self.heads, self.world.invoice_count
        used = np.bincount(self.invoices.invoice, minlength=count) > 0
        credit = np.zeros(count, dtype=np.int64)
        credit[self.invoices.invoice[self.invoices.credit]] = 1
        order = np.flatnonzero(used)
        order = order[np.lexsort((order, heads.day[order]))]
        serial = np.zeros(count, dtype=np.int64)
        serial[order] = 10 ** (len(str(count)) + 1) + 1 + np.arange(len(order))
        prefix = heads.supplier + credit * len(SUPPLIERS)
        return text.invoice_number(INVOICE_PREFIXES, prefix, serial)

    def _number_payments(self) -> pa.Array:
        count = len(self.payments.day)
        serial = np.zeros(count, dtype=np.int64)
        serial[self.payment_order] = 10 ** len(str(count)) + 1 + np.arange(count)
        return text.join("PAY-", text.number(serial))

    def _styles(self, orders: Ints) -> Ints:
        """How each document writes an order's reference; most write it as the store does."""
        draw = self.rng.integers(0, 40, len(orders))
        style = np.where(draw < len(text.REF_STYLES), draw, text.AS_IN_STORE)
        return np.where(self.exact[orders], text.AS_IN_STORE, style)

    def _supplier_texts(self, supplier: Ints) -> pa.Array:
        """Suppliers, mostly by their first spelling."""
        draw = self.rng.integers(0, 20, len(supplier))
        sizes = np.diff(_FIRST_SPELLING)[supplier]
        return text.words(_SPELLINGS, _FIRST_SPELLING[supplier] + np.where(draw < sizes, draw, 0))

    def _sku_texts(self, lines: Ints) -> pa.Array:
        """SKUs, now and then in small letters."""
        sku = self.world.lines.sku[lines]
        small = self.rng.random(len(sku)) < 0.05
        small &= ~self.exact[self.world.lines.order[lines]]
        code = sku + small.astype(np.int64) * len(SKUS)
        return text.words([*SKUS, *(each.lower() for each in SKUS)], code)

    def _orders(self) -> Export:
        world = self.world
        orders, lines = world.orders, world.lines
        rows = np.flatnonzero(~orders.ghost[lines.order])
        named = self.rng.random(len(rows)) < 0.7
        named |= ~world.deals.priced[lines.deal[rows]]

        def columns(part: slice) -> dict[str, pa.Array]:
            line = rows[part]
            order = lines.order[line]
            supplier = world.deals.supplier[lines.deal[line]]
            paid = orders.customer_paid[order] > 0
            money_back = orders.refunded_on[order] != NEVER
            number = np.where(lines.shown[line] >= 0, lines.shown[line], lines.parcel[line])
            shown = np.where(lines.posted[line] != NEVER, number, NO_PARCEL)
            ordered_at = text.moment(orders.day[order], orders.minute[order], self.zone)
            spelling = np.where(named[part], _FIRST_SPELLING[supplier], len(_SPELLINGS))
            total = text.money(orders.total[order])
            return {
                "order_ref": text.store_reference(orders.number[order], orders.bare[order]),
                "ordered_at": ordered_at,
                "line_no": text.number(lines.no[line]),
                "sku": text.words(SKUS, lines.sku[line]),
                "qty": text.number(lines.qty[line]),
                "unit_price": text.money(lines.price[line]),
                "currency": text.words(["EUR"], line * 0),
                "discount": text.where(lines.discount[line] > 0, text.money(lines.discount[line])),
                "ship_to_country": text.words(COUNTRIES, orders.country[order]),
                "recipient_key": text.join("C", text.padded(orders.recipient[order], 7)),
                "supplier": text.words([*_SPELLINGS, ""], spelling),
                "promised_by": text.day(lines.promised[line]),
                "tracking_no": text.tracking_number(supplier, shown),
                "tracking_posted_at": text.day(lines.posted[line]),
                "sent_at": text.day(lines.sent[line]),
                "refunded_qty": text.where(
                    lines.refunded_qty[line] > 0, text.number(lines.refunded_qty[line])
                ),
                "order_discount": text.money(orders.discount[order]),
                "shipping_charged": text.money(orders.shipping_charged[order]),
                "tax": text.words(["0.00"], line * 0),
                "order_total": total,
                "customer_paid_at": text.where(paid, ordered_at),
                "customer_paid": text.where(paid, text.money(orders.customer_paid[order])),
                "refunded_at": text.day(orders.refunded_on[order]),
                "refunded": text.where(money_back, text.money(orders.refunded[order])),
                "cancelled_at": text.day(orders.cancelled[order]),
                **text.people(order),
            }

        return Export("orders", len(rows), columns)

    def _invoices(self) -> Export:
        world, rows = self.world, self.invoices
        lines, orders = world.lines, world.orders
        place = np.lexsort((rows.line, rows.invoice, self.heads.day[rows.invoice]))
        style = self._styles(lines.order[rows.line])
        supplier = self.heads.supplier[rows.invoice]
        supplier_texts = self._supplier_texts(supplier)
        sku_texts = self._sku_texts(rows.line)

        def columns(part: slice) -> dict[str, pa.Array]:
            row = place[part]
            invoice, order = rows.invoice[row], lines.order[rows.line[row]]
            total = text.money(rows.amount[row])
            return {
                "supplier": supplier_texts.take(pa.array(row)),
                "invoice_no": self.invoice_text.take(pa.array(invoice)),
                "invoice_date": text.day(self.heads.day[invoice]),
                "order_ref": text.reference(orders.number[order], orders.bare[order], style[row]),
                "sku": sku_texts.take(pa.array(row)),
                "qty": text.number(rows.qty[row]),
                "unit_cost": text.price(rows.unit_micro[row]),
                "currency": text.words(CURRENCIES, supplier[row]),
                "shipping": text.money(rows.shipping[row]),
                "line_total": text.where(supplier[row] == KESTREL, total),
                "due_date": text.day(self.heads.due[invoice]),
                "kind": text.words(["invoice", "credit"], rows.credit[row].astype(np.int64)),
            }

        return Export("invoices", len(place), columns)

    def _payments(self) -> Export:
        moves, place = self.payments, self.payment_order
        supplier_texts = self._supplier_texts(moves.supplier)
        channel = self.rng.integers(0, len(CHANNELS), len(place))
        refs, invoices = self._payment_references()

        def columns(part: slice) -> dict[str, pa.Array]:
            row = place[part]
            return {
                "supplier": supplier_texts.take(pa.array(row)),
                "payment_ref": self.payment_text.take(pa.array(row)),
                "paid_at": text.moment(moves.day[row], moves.minute[row], self.zone),
                "amount": text.money(moves.amount[row]),
                "currency": text.words(CURRENCIES, moves.supplier[row]),
                "order_ref": refs.take(pa.array(row)),
                "invoice_no": invoices.take(pa.array(row)),
                "status": text.words(STATUSES, moves.status[row]),
                "kind": text.words(MOVEMENTS, moves.movement[row]),
                "channel": text.words(CHANNELS, channel[row]),
            }

        return Export("payments", len(place), columns)

    def _payment_references(self) -> tuple[pa.Array, pa.Array]:
        """The order references and the invoice numbers that each payment gives, as cells."""
        world, count = self.world, len(self.payments.day)
        orders, parts, given = world.orders, joined(world.parts), joined(world.payment_invoices)
        part = np.flatnonzero(parts.named)
        part = part[np.argsort(parts.payment[part], kind="stable")]
        order = world.deals.order[parts.deal[part]]
        texts = text.reference(orders.number[order], orders.bare[order], self._styles(order))
        refs = text.cells(texts, parts.payment[part], count)
        by_payment = np.argsort(given.payment, kind="stable")
        numbers = self.invoice_text.take(pa.array(given.invoice[by_payment]))
        return refs, text.cells(numbers, given.payment[by_payment], count)

    def _shipments(self) -> Export:
        world, rows = self.world, self.parcels
        lines, orders = world.lines, world.orders
        place = np.lexsort((rows.line, rows.day))
        supplier = world.deals.supplier[lines.deal[rows.line]]
        renamed = rows.replacement == REPLACEMENT_SUFFIX
        style = np.where(renamed, text.AS_IN_STORE, self._styles(lines.order[rows.line]))
        supplier_texts = self._supplier_texts(supplier)
        sku_texts = text.where(~rows.whole, self._sku_texts(rows.line))

        def columns(part: slice) -> dict[str, pa.Array]:
            row = place[part]
            order = lines.order[rows.line[row]]
            ref = text.reference(orders.number[order], orders.bare[order], style[row])
            flagged = (rows.replacement[row] == REPLACEMENT_FLAG).astype(np.int64)
            return {
                "supplier": supplier_texts.take(pa.array(row)),
                "order_ref": text.join(ref, text.words(["", "-R"], renamed[row].astype(np.int64))),
                "shipped_at": text.day(rows.day[row]),
                "sku": sku_texts.take(pa.array(row)),
                "qty": text.where(~rows.whole[row], text.number(rows.qty[row])),
                "carrier": text.words(CARRIERS, supplier[row]),
                "tracking_no": text.tracking_number(supplier[row], rows.parcel[row]),
                "delivered_at": text.day(rows.delivered[row]),
                "replacement": text.words(["", "yes"], flagged),
            }

        return Export("shipments", len(place), columns)

    def _quotes(self) -> Export:
        clock = self.world.clock
        turn = clock.new_quotes_day
        begin, last, new = (str(as_date(each)) for each in (clock.first_day - 300, turn - 1, turn))
        rows = quote_rows(begin, last, new)
        return _fixed("quotes", QUOTE_COLUMNS, rows)

    def _rates(self) -> Export:
        clock = self.world.clock
        rows: list[tuple[str, ...]] = []
        for each in range(clock.first_day - 1, clock.as_of + 1):
            rows.append((str(as_date(each)), "EUR", "USD", USD_FOR_EUR))
            rows.append((str(as_date(each)), "USD", "EUR", EUR_FOR_USD))
        return _fixed("rates", ("date", "base", "quote", "rate"), rows)


def _fixed(record: str, names: tuple[str, ...], rows: list[tuple[str, ...]]) -> Export:
    columns = {
        name: pa.array([row[place] for row in rows], pa.string())
        for place, name in enumerate(names)
    }

    def part(rows_wanted: slice) -> dict[str, pa.Array]:
        begin, end, _ = rows_wanted.indices(len(rows))
        return {name: column.slice(begin, end - begin) for name, column in columns.items()}

    return Export(record, len(rows), part)
