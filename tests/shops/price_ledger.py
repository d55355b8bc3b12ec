"""What the truth says of prices: billed against agreed, in the plainest way."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tests.shops.catalogue import BREAK_QTY, COUNTRIES, ITEMS, Bools, Ints
from tests.shops.columns import InvoiceRows, joined, sums
from tests.shops.facts import Facts
from tests.shops.world import World

if TYPE_CHECKING:
    from tests.shops.ledger import Book

PRICE_RULES = {
    "overcharged": ("stop", "hold"),  # claim and claim where the bill was paid
    "wrong-country-rate": ("stop", "hold"),
    "no-quote": ("info", "check"),
}


def prices(world: World, found: Facts, book: Book) -> None:
    """Write down everything of these rules."""
    lines, rows, heads = world.lines, joined(world.invoice_rows), joined(world.heads)
    seen = (heads.day[rows.invoice] <= world.clock.as_of) & ~rows.duplicate
    signed = np.where(rows.credit, -rows.amount, rows.amount)
    billed = sums(rows.line[seen], signed[seen], len(lines.order))
    unpriced = np.array([item.goods == "unpriced" for item in ITEMS])[lines.sku]
    real = seen & ~rows.credit & ~found.ghost[lines.deal[rows.line]]
    excess = np.where(unpriced, 0, billed - lines.amount)
    row = np.flatnonzero(real & (excess[rows.line] > 0))
    if len(np.unique(rows.line[row])) != len(row):
        raise AssertionError("two invoices for a line that is billed too high")
    elsewhere = _at_another_rate(world, rows)[row]
    _add(world, found, book, ("wrong-country-rate", row[elsewhere], excess))
    verdict = np.where(elsewhere, "follows", "open")
    _add(world, found, book, ("overcharged", row, excess), verdict)
    row = np.flatnonzero(real & unpriced[rows.line])
    line, invoice = rows.line[row], rows.invoice[row]
    book.add(
        "no-quote", "open", lines.deal[line], line=line, amount=rows.amount[row],
        document_id=invoice,
    )  # fmt: skip
    book.pages[-1]["document"] = "invoice"


def _add(
    world: World,
    found: Facts,
    book: Book,
    told: tuple[str, Ints, Ints],
    verdict: np.ndarray | None = None,
) -> None:
    rule, row, excess = told
    rows = joined(world.invoice_rows)
    line = rows.line[row]
    deal = world.lines.deal[line]
    book.add(rule, "open", deal, line=line, amount=excess[line], document_id=rows.invoice[row])
    page = book.pages[-1]
    page["document"] = "invoice"
    paid = (found.paid > 0) & (found.paid >= found.payable)
    for name, word in (("class", "stop"), ("list", "hold")):
        page[name] = np.where(paid[deal], "claim", word).astype(object)
    if verdict is not None:
        page["verdict"] = verdict.astype(object)


def _at_another_rate(world: World, rows: InvoiceRows) -> Bools:
    """Which invoice lines bill exactly what another country's quote asks."""
    lines, orders, table = world.lines, world.orders, world.prices
    sku, order = lines.sku[rows.line], lines.order[rows.line]
    period = (orders.day[order] >= world.clock.new_quotes_day).astype(np.int64)
    step = (table.has_break[sku] & (rows.qty >= BREAK_QTY)).astype(np.int64)
    out = np.zeros(len(sku), dtype=bool)
    for country in range(len(COUNTRIES)):
        unit = table.cost_micro[sku, country, period, step]
        further = table.shipping_next[sku, country] * (rows.qty - 1)
        same = (unit == rows.unit_micro) & (table.shipping[sku, country] + further == rows.shipping)
        out |= same & (orders.country[order] != country)
    return out
