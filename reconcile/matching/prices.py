"""The quote that stands against each group of invoice lines, and those for other countries."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching.bills import Bills
from reconcile.matching.columns import Ints, has, text, total
from reconcile.matching.quotes import best_offers, own_offers
from reconcile.matching.tie import Tied

_QUESTION = ["supplier", "sku_key", "country", "quantity", "ordered_date", "billed_currency"]
_NUMBERS = ("unit_cost_micro", "shipping_minor", "shipping_next_minor")
_LIKE_NOTHING = {"quote": -1, "per": 1, "lines": 1, "asked": -1}


@dataclass(frozen=True)
class Quoted:
    """``groups``: what is quoted for each group of invoice lines; ``offers``: for all countries.

    ``quote`` is the quote's position (-1: none in the billed currency), ``per`` how many of the
    group's units are one unit of the quote, ``lines`` the order lines of the group, each with a
    first unit to ship. ``unsure``: several quotes are as good and differ, or the country is not
    known; then ``least_cost`` and ``least_shipping`` pass in any case. ``quoted_in``: the currency
    of a quote where none is in the billed one. ``asked`` leads to the offers.
    """

    groups: pd.DataFrame
    offers: pd.DataFrame


def group_quotes(tied: Tied, bills: Bills) -> Quoted:
    """Find the quote of each group; a quote for the billed SKU goes before one for the shop's."""
    asked = _asked(tied, bills)
    offers, answers = _answers(asked, tied.quotes)
    found = pd.concat([asked.drop(columns="country"), answers], axis=1)
    size = bills.size
    group = found["group"].to_numpy(np.int64)
    doubt = found["blank"].to_numpy(dtype=bool)
    unsure = has(group[doubt], size)
    priced = found[(found["quote"] >= 0) | doubt]
    priced = priced[priced["rank"] == priced.groupby("group")["rank"].transform("min")]
    unsure |= has(priced.loc[priced["torn"], "group"].to_numpy(np.int64), size)
    lines = priced.groupby("group")["line"].nunique()
    # Of several order lines of one SKU the dearest quote counts, to be on the safe side.
    priced = priced.assign(unit=priced["unit_cost_micro"] * 1_000 // priced["per"])
    priced = priced.sort_values(["group", "unit", "line"], ascending=[True, False, True])
    out = priced.drop_duplicates("group").assign(
        lines=lines.reindex(priced["group"].unique()).to_numpy()
    )
    out = out.set_index("group").reindex(np.arange(size))
    whole = (
        "quote",
        "per",
        "lines",
        "asked",
        "quantity",
        "least_cost",
        "least_shipping",
        *_NUMBERS,
    )
    for name in whole:
        out[name] = out[name].fillna(_LIKE_NOTHING.get(name, 0)).astype("int64")
    out["shipping_told"] = out["shipping_told"].astype("boolean").fillna(value=False).astype(bool)
    for name in ("country", "for_country"):
        out[name] = out[name].fillna("").astype("str")
    out["unsure"] = unsure
    _without_quote(tied, bills, out, asked)
    return Quoted(out, offers)


def _answers(asked: pd.DataFrame, quotes: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The offers for each distinct question, and the own one of each row; adds ``asked``."""
    distinct = asked[_QUESTION].drop_duplicates(ignore_index=True)
    distinct["asked"] = np.arange(len(distinct))
    asked["asked"] = asked[_QUESTION].merge(distinct, on=_QUESTION, how="left")["asked"].to_numpy()
    offers = best_offers(distinct, quotes)
    own = own_offers(offers).set_index("asked").reindex(distinct.index)
    answers = pd.DataFrame({"country": distinct["country"]})
    for name in ("quote", *_NUMBERS):
        answers[name] = own[name].fillna(_LIKE_NOTHING.get(name, 0)).astype("int64")
    for name in ("torn", "shipping_told"):
        answers[name] = own[name].astype("boolean").fillna(value=False).astype(bool)
    answers["for_country"] = own["for_country"].fillna("").astype("str")
    for name, column in (("least_cost", "unit_cost_micro"), ("least_shipping", "shipping_minor")):
        least = offers.groupby("asked")[column].min().reindex(distinct.index)
        answers[name] = least.fillna(0).astype("int64")
    blank = ((offers["country"] == "") & (offers["for_country"] != "")).to_numpy()
    answers["blank"] = has(offers["asked"].to_numpy(np.int64)[blank], len(distinct))
    rows = answers.take(asked["asked"].to_numpy()).reset_index(drop=True)
    rows["least_cost"] = rows["least_cost"] // asked["per"].to_numpy()
    return offers, rows


def _asked(tied: Tied, bills: Bills) -> pd.DataFrame:
    """What quotes are asked for: the SKU of the group, and the shop's where that is all of it."""
    parts, invoices, lines = bills.parts, tied.invoices, tied.lines
    group, line = parts["group"].to_numpy(np.int64), parts["line"].to_numpy(np.int64)
    units = parts["units"].to_numpy(np.int64)
    first = pd.DataFrame({"group": bills.group, "row": np.arange(len(invoices))})
    first = first[bills.group >= 0].drop_duplicates("group").sort_values("group")
    row = first["row"].to_numpy()[group]
    once = total(bills.group[bills.real], bills.once[bills.real], bills.size)[group]
    ordered = lines["ordered"].to_numpy(np.int64)[line]
    # The price of the units asked of the supplier; of those billed where that is more.
    quantity = np.maximum(
        lines["due_qty"].to_numpy(np.int64)[line], np.minimum(-(-once // units), ordered)
    )
    sku = invoices["sku_key"].to_numpy()[row]
    own = lines["sku_key"].to_numpy()[line]
    frame = pd.DataFrame(
        {
            "group": group,
            "line": line,
            "supplier": lines["supplier"].to_numpy()[line],
            "country": text(lines, "ship_to_country").to_numpy()[line],
            "ordered_date": lines["ordered_date"].to_numpy()[line],
            "billed_currency": invoices["currency"].to_numpy()[row],
        }
    )
    direct = frame.assign(rank=0, sku_key=sku, quantity=quantity * units, per=1)
    shops = frame.assign(rank=1, sku_key=own, quantity=quantity, per=units)
    shops = shops[parts["sole"].to_numpy(dtype=bool) & (own != sku)]
    out = pd.concat([direct, shops], ignore_index=True)
    texts = ("supplier", "country", "billed_currency", "sku_key")
    typed: pd.DataFrame = out.astype(dict.fromkeys(texts, "str"))
    return typed


def _without_quote(tied: Tied, bills: Bills, out: pd.DataFrame, asked: pd.DataFrame) -> None:
    """Where no quote is in the billed currency: in which one there is, or that there is none."""
    priced = (out["quote"] >= 0).to_numpy() | out["unsure"].to_numpy(dtype=bool)
    rest = asked[~priced[asked["group"].to_numpy()]].drop(columns="billed_currency")
    rest["asked"] = np.arange(len(rest))
    offers = best_offers(rest, tied.quotes)
    found = own_offers(offers).sort_values(["group", "currency"]).drop_duplicates("group")
    currency = found.set_index("group")["currency"].reindex(out.index)
    out["quoted_in"] = currency.fillna("").astype("str")
    blank = offers[((offers["country"] == "") & (offers["for_country"] != "")).to_numpy()]
    elsewhere = has(blank["group"].to_numpy(np.int64), bills.size)
    group, line = (bills.parts[name].to_numpy(np.int64) for name in ("group", "line"))
    # A kit that is quoted whole, or in its parts: its lines have no quote of their own.
    in_kit = has(group[tied.lines["agreed_minor"].notna().to_numpy()[line]], bills.size)
    named = tied.supplier_orders["supplier"].iloc[np.maximum(bills.owner, 0)]
    quotes = named.isin(tied.quotes["supplier"]).to_numpy()
    none = ~priced & ~in_kit & ~elsewhere & (out["quoted_in"] == "").to_numpy()
    out["no_quote"] = none & quotes & has(group, bills.size)


def shipping_of(quoted: pd.DataFrame, units: Ints) -> Ints:
    """What the quote asks for shipping so many units; each order line has a first unit."""
    count = -(-units // quoted["per"].to_numpy(np.int64))
    first = np.minimum(quoted["lines"].to_numpy(np.int64), count)
    shipping = quoted["shipping_minor"].to_numpy(np.int64) * first
    return np.asarray(shipping + quoted["shipping_next_minor"].to_numpy(np.int64) * (count - first))
