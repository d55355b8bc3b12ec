"""The fact table of invoice lines: what each bills, whether it was ordered, and at which quote."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.joined import are_among, in_one_piece
from reconcile.matching.billing import is_credit, is_replacement
from reconcile.matching.bills import Bills, bill_groups, part_of
from reconcile.matching.columns import (
    Bools,
    Ints,
    combined,
    days,
    first_rows,
    has,
    known,
    masked,
    number,
    numbered,
    places,
    text,
    texts_at,
)
from reconcile.matching.documents import sku_of_items
from reconcile.matching.doubts import of_another
from reconcile.matching.moneys import Moneys
from reconcile.matching.overcharges import other_countries, overcharges, parts_amount
from reconcile.matching.prices import group_quotes
from reconcile.matching.tie import Tied
from reconcile.matching.unread import unread_keys
from reconcile.money import MICRO_DIGITS, major_text, minor_digits
from reconcile.references import fold

_NO_DAY = np.datetime64("NaT", "s")
_ELSEWHERE = " that it supplies, but on one of "
_NOT_TOLD = "a country that is not told"


def invoice_lines(
    tied: Tied,
    money: Moneys,
    orders: pd.DataFrame,
    sku_map: pd.DataFrame | None,
    rejected_keys: pd.DataFrame,
) -> pd.DataFrame:
    """Every fact of ``facts.INVOICE_LINES``, and ``quote_row``: the quote that stands against it.

    ``orders``: what is payable and paid of each supplier order, as in its facts.
    """
    invoices = tied.invoices
    bills = bill_groups(tied, money.line_amount)
    out = _named(tied)
    out["order_known"] = (invoices["order"] >= 0).to_numpy()
    out["on_order"] = _on_order(tied, sku_map)
    other = of_another(tied)
    out["of_another"] = other >= 0
    out["elsewhere"] = texts_at(_ELSEWHERE + tied.names.supplier, other)
    unread = unread_keys(rejected_keys, "orders", "order_ref")
    out["order_unread"] = are_among(invoices["order_ref_key"], unread)
    unmapped = unread_keys(rejected_keys, "sku_map", "supplier_sku")
    out["map_unread"] = _may_be(invoices["sku_key"], unmapped)
    out["qty"] = invoices["qty"].to_numpy(np.int64)
    out["counted_qty"] = bills.kept
    quantity = invoices["qty"].to_numpy(np.int64)
    kept = np.where(bills.real, part_of(money.line_amount, bills.kept, quantity), 0)
    out["amount"] = np.maximum(kept, 0)
    out["paid_too"] = _paid_too(orders, money)
    _add_arithmetic(out, invoices)
    _add_prices(out, tied, bills)
    unread = unread_keys(rejected_keys, "quotes", "sku")
    out["quote_unread"] = _quote_unread(out, invoices, unread)
    out["price_unread"] = _quote_unread(out, invoices, unread[(unread != "").to_numpy()])
    out["ordered_date"] = _of_first_line(tied, days(tied.lines, "ordered_date"), _NO_DAY)
    country = _of_first_line(tied, tied.lines["country_code"].to_numpy(), np.int64(0))
    shown = pd.concat([tied.names.country, pd.Series([_NOT_TOLD], dtype="str")], ignore_index=True)
    out["for_country"] = texts_at(shown, np.where(country > 0, country, len(shown) - 1))
    out["dated"] = invoices["invoice_date"]
    return out


def _named(tied: Tied) -> pd.DataFrame:
    invoices = tied.invoices
    out = pd.DataFrame(
        {
            "record": "invoices",
            "row_id": np.arange(len(invoices)),
            "order": np.maximum(invoices["order"], -1),
            "supplier_order": invoices["supplier_order"],
            "supplier": invoices["supplier"],
            "order_ref": invoices["order_ref"],
            "order_ref_key": invoices["order_ref_key"],
            "sku": sku_of_items(tied, invoices),
            "sku_key": invoices["sku_key"],
            "document": invoices["invoice_no"],
            "document_key": invoices["invoice_no_key"],
            "kind": text(invoices, "kind"),
            "currency": invoices["currency"],
        }
    )
    out["billed_sku"] = invoices["sku"]
    texts = ("record", "sku", "kind", "billed_sku")
    named: pd.DataFrame = out.astype(dict.fromkeys(texts, "str"))
    return named


def _on_order(tied: Tied, sku_map: pd.DataFrame | None) -> Bools:
    """Whether the SKU of each line is on its order, as the shop's SKU or as a supplier's for it."""
    lines, invoices = tied.lines, tied.invoices
    # What is an item of its supplier order is on the order; only the others are looked for.
    out = (invoices["item"] >= 0).to_numpy(copy=True)
    asked = np.flatnonzero(~out & (invoices["order"] >= 0).to_numpy())
    billed = invoices[["order", "sku_key"]].take(asked)
    near = has(billed["order"].to_numpy(), len(tied.orders.orders))[lines["order"].to_numpy()]
    pieces = [lines.loc[near, ["order", "sku_key"]]]
    if sku_map is not None and len(sku_map):
        mapped = pieces[0].merge(sku_map[["sku_key", "supplier_sku_key"]])
        pieces.append(mapped[["order", "supplier_sku_key"]].set_axis(["order", "sku_key"], axis=1))
    ordered = pd.concat(pieces, ignore_index=True)
    codes, _ = numbered(ordered["sku_key"], billed["sku_key"])
    order = np.concatenate([ordered["order"].to_numpy(), billed["order"].to_numpy()])
    pair = combined(order, np.concatenate(codes))
    out[asked] = np.isin(pair[len(ordered) :], pair[: len(ordered)])
    return out


def _quote_unread(out: pd.DataFrame, invoices: pd.DataFrame, unread: pd.Series) -> Bools:
    """Whether a quote of the SKU that is billed, or of its order line, could not be read."""
    if unread.empty:  # what is ordered is folded for a few shops only
        return np.zeros(len(out), dtype=bool)
    ordered = pd.Series(fold(pc.cast(in_one_piece(out["sku"]), pa.string())), dtype="str")
    return _may_be(invoices["sku_key"], unread) | _may_be(ordered, unread)


def _may_be(skus: pd.Series, unread: pd.Series) -> Bools:
    """Which SKUs a rejected row bears; it may be any of them where its own could not be read."""
    return np.ones(len(skus), dtype=bool) if (unread == "").any() else are_among(skus, unread)


def _of_first_line(tied: Tied, values: np.ndarray, nothing: object) -> np.ndarray:
    """The value of the first line of each invoice line's order."""
    first = first_rows(tied.lines["order"].to_numpy(), len(tied.orders.orders))
    order = np.maximum(tied.invoices["order"].to_numpy(), -1)
    return np.asarray(np.append(values[first], np.array([nothing], dtype=values.dtype))[order])


def _paid_too(orders: pd.DataFrame, money: Moneys) -> Bools:
    """Whether what is billed in the line's currency for its supplier order is paid in full."""
    payable, paid = number(orders, "payable"), orders["paid"].to_numpy()
    full = known(orders, "payable") & (paid > 0) & (paid >= payable)
    return np.asarray(np.append(full, False)[money.of_invoices])


def _add_arithmetic(out: pd.DataFrame, invoices: pd.DataFrame) -> None:
    """What a line states as its total, what its parts add up to, and the gap; of credits alike."""
    stated, parts = number(invoices, "line_total_minor"), parts_amount(invoices)
    credit, told = is_credit(invoices), known(invoices, "line_total_minor")
    stated = np.where(credit, np.abs(stated), stated)
    parts = np.where(credit, np.abs(parts), parts)
    more = np.where(credit, parts - stated, stated - parts)
    out["line_total"] = masked(stated, ~told)
    out["parts_total"] = parts
    out["total_gap"] = np.where(told, np.abs(more), 0)
    # A total below its parts is a mistake, and nothing to be claimed.
    out["total_excess"] = masked(np.maximum(more, 0), ~told | (more <= 0))


def _add_prices(out: pd.DataFrame, tied: Tied, bills: Bills) -> None:
    invoices = tied.invoices
    size = len(invoices)
    out["no_quote"] = False
    out["overcharge"] = masked(np.zeros(size, np.int64), np.zeros(size, bool))
    out["rate_difference"] = 0
    out["quoted_amount"] = masked(np.zeros(size, np.int64), np.ones(size, bool))
    out["quote_row"] = -1
    out["quoted_in"], out["other_country"] = "", ""
    out["billed_at"], out["quoted_at"], out["for_country"] = "", "", ""
    if tied.quotes.empty or not bills.size:
        return
    quoted = group_quotes(tied, bills)
    groups, at = quoted.groups, bills.group
    excess, unsure, agreed = overcharges(tied, bills, groups)
    real = bills.real & (bills.kept > 0) & ~is_replacement(invoices)
    out["no_quote"] = real & groups["no_quote"].to_numpy(dtype=bool)[at]
    out["overcharge"] = masked(excess, unsure)
    row = np.where(real, groups["quote"].to_numpy()[at], -1)
    out["quoted_amount"] = masked(agreed, row < 0)
    out["quote_row"] = row
    elsewhere = np.where(real, groups["quoted_in"].to_numpy()[at], 0)
    out["quoted_in"] = texts_at(tied.names.currency, elsewhere)
    out["other_country"] = other_countries(tied, bills, quoted, excess)
    elsewhere_rate = (out["other_country"] != "").to_numpy()
    out["rate_difference"] = np.where(elsewhere_rate & ~unsure, excess, 0)
    told = np.flatnonzero((excess > 0) | unsure)
    if not len(told):
        return
    asked = groups.iloc[at[told]].reset_index(drop=True)
    asked["for_country"] = texts_at(tied.names.country, asked["for_country"].to_numpy())
    _add_words(out, invoices, asked, told)


def _add_words(out: pd.DataFrame, invoices: pd.DataFrame, groups: pd.DataFrame, at: Ints) -> None:
    """In words, for the lines that are told: what is billed, and what is quoted."""
    rows = invoices.iloc[at].reset_index(drop=True)
    code = rows["currency"]
    billed = _price(number(rows, "unit_cost_micro"), code) + " a unit"
    charged = number(rows, "shipping_minor"), known(rows, "shipping_minor")
    billed = billed + _shipping(code, *charged)
    per = groups["per"].astype("str")
    unit = pd.Series(np.where(groups["per"] == 1, "a unit", "for " + per + " units"), dtype="str")
    quoted = _price(groups["unit_cost_micro"].to_numpy(np.int64), code) + " " + unit
    told = groups["shipping_told"].to_numpy(dtype=bool)
    first = groups["shipping_minor"].to_numpy(np.int64)
    quoted = quoted + _shipping(code, first, told)
    further = groups["shipping_next_minor"].to_numpy(np.int64)
    more = " and " + major_text(pd.Series(further, dtype="Int64"), code) + " for each further unit"
    quoted = quoted + more.where(told & (further > 0), "")
    country = groups["for_country"]
    quoted = quoted + (" to " + country).where(country != "", " to any country")
    quoted = quoted.where(groups["quote"] >= 0, "several prices, or for a country that is not told")
    for name, words in (("billed_at", billed), ("quoted_at", quoted)):
        out[name] = texts_at(words, places(at, len(out)))


def _shipping(currency: pd.Series, amount: Ints, told: Bools) -> pd.Series:
    words = ", shipping " + major_text(pd.Series(amount, dtype="Int64"), currency) + " " + currency
    return words.where(told, "")


def _price(micro: Ints, currency: pd.Series) -> pd.Series:
    """Unit prices as text, with the currency's decimals or as many as they have."""
    pairs = pd.DataFrame({"micro": micro, "currency": currency})
    distinct = pairs.drop_duplicates()
    words = [_price_text(*pair) for pair in distinct.itertuples(index=False)]
    named = distinct.assign(text=pd.Series(words, index=distinct.index, dtype="str"))
    text_of: pd.Series = pairs.merge(named, on=["micro", "currency"], how="left")["text"]
    return text_of


def _price_text(micro: int, currency: str) -> str:
    amount = Decimal(micro).scaleb(-MICRO_DIGITS).normalize()
    least = minor_digits(currency) or 0
    have = max(-int(amount.as_tuple().exponent), 0)
    return f"{amount:.{max(least, have)}f} {currency}"
