"""The quote that stands against each group of invoice lines, and those for other countries."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching.bills import Bills
from reconcile.matching.columns import (
    Bools,
    Ints,
    combined,
    count,
    distinct,
    first_rows,
    has,
    in_order,
    known,
    starts,
    total,
)
from reconcile.matching.quotes import best_offers, own_offers, questions
from reconcile.matching.tie import Tied

_NUMBERS = ("unit_cost_micro", "shipping_minor", "shipping_next_minor")
_LAST = np.iinfo(np.int64).max


@dataclass(frozen=True)
class Quoted:
    """``groups``: what is quoted for each group of invoice lines; ``offers``: for all countries.

    ``quote`` is the quote's position (-1: none in the billed currency), ``per`` how many of the
    group's units are one unit of the quote, ``lines`` the order lines of the group, each with a
    first unit to ship. ``unsure``: several quotes are as good and differ, or the country is not
    known; then ``least_cost`` and ``least_shipping`` pass in any case. ``quoted_in``: the currency
    (its code) of a quote where none is in the billed one. ``asked`` leads to the offers;
    ``for_country`` is a code too.
    """

    groups: pd.DataFrame
    offers: pd.DataFrame


def group_quotes(tied: Tied, bills: Bills) -> Quoted:
    """Find the quote of each group; a quote for the billed SKU goes before one for the shop's."""
    asked = _asked(tied, bills)
    different, question = questions(asked, tied.quotes)
    offers = best_offers(different, tied.quotes)
    answers = _answers(different, offers)
    size = bills.size
    group, line = asked["group"].to_numpy(), asked["line"].to_numpy()
    per = asked["per"].to_numpy()
    doubt = answers["blank"].to_numpy(dtype=bool)[question]
    quote = answers["quote"].to_numpy()[question]
    unsure = has(group[doubt], size)
    best = np.full(size, _LAST)
    priced = (quote >= 0) | doubt
    np.minimum.at(best, group[priced], asked["rank"].to_numpy()[priced])
    at = np.flatnonzero(priced & (asked["rank"].to_numpy() == best[group]))
    torn = answers["torn"].to_numpy(dtype=bool)[question[at]]
    unsure |= has(group[at][torn], size)
    lines = np.ones(size, dtype=np.int64)
    # Most groups are for one order line alone.
    alone = count(group[at], size)[group[at]] == 1
    several, at = at[~alone], at[alone]
    lines[group[several]] = 0
    lines += total(group[several], _first_of_pairs(group[several], line[several]), size)
    # Of several order lines of one SKU the dearest quote counts, to be on the safe side.
    unit = answers["unit_cost_micro"].to_numpy()[question[several]] * 1_000 // per[several]
    several = several[in_order(group[several], -unit, line[several])]
    at = np.append(at, several[starts(group[several])])
    place = np.full(size, -1, dtype=np.int64)
    place[group[at]] = at
    out = _of_groups(answers, np.append(question, -1)[place])
    out["per"] = np.append(per, 1)[place]
    out["lines"] = np.where(place >= 0, lines, 1)
    out["asked"] = np.append(question, -1)[place]
    out["least_cost"] = out["least_cost"] // out["per"]
    out["unsure"] = unsure
    _without_quote(tied, bills, out, asked)
    return Quoted(out, offers)


def _of_groups(answers: pd.DataFrame, question: Ints) -> pd.DataFrame:
    """The answer of each group, and what stands for none (-1)."""
    out = {}
    for name in answers.columns:
        values = answers[name].to_numpy()
        nothing = np.full(1, -1 if name == "quote" else 0).astype(values.dtype)
        out[name] = np.append(values, nothing)[question]
    return pd.DataFrame(out)


def _answers(different: pd.DataFrame, offers: pd.DataFrame) -> pd.DataFrame:
    """The own offer of each distinct question, and what passes whichever offer is meant."""
    own = own_offers(offers).set_index("asked").reindex(different.index)
    answers = pd.DataFrame({"country_code": different["country_code"]})
    for name in ("quote", *_NUMBERS):
        missing = -1 if name == "quote" else 0
        answers[name] = own[name].fillna(missing).astype("int64")
    for name in ("torn", "shipping_told"):
        answers[name] = own[name].astype("boolean").fillna(value=False).astype(bool)
    answers["for_country"] = own["for_country"].fillna(0).astype("int64")
    for name, column in (("least_cost", "unit_cost_micro"), ("least_shipping", "shipping_minor")):
        least = offers.groupby("asked")[column].min().reindex(different.index)
        answers[name] = least.fillna(0).astype("int64")
    answers["blank"] = has(offers["asked"].to_numpy(np.int64)[_for_unknown(offers)], len(different))
    return answers


def _first_of_pairs(group: Ints, line: Ints) -> Ints:
    """1 for the first row of each pair of a group and a line, else 0."""
    out = np.zeros(len(group), dtype=np.int64)
    out[distinct(combined(group, line))[1]] = 1
    return out


def _for_unknown(offers: pd.DataFrame) -> Bools:
    """Offers for one country, where the country of the goods is not told."""
    blank = (offers["country_code"] == 0) & (offers["for_country"] != 0)
    return np.asarray(blank.to_numpy(dtype=bool))


def _asked(tied: Tied, bills: Bills) -> pd.DataFrame:
    """What quotes are asked for: the SKU of the group, and the shop's where that is all of it."""
    parts, invoices, lines = bills.parts, tied.invoices, tied.lines
    group, line = parts["group"].to_numpy(np.int64), parts["line"].to_numpy(np.int64)
    units = parts["units"].to_numpy(np.int64)
    grouped = np.flatnonzero(bills.group >= 0)
    row = grouped[first_rows(bills.group[grouped], bills.size)][group]
    once = total(bills.group[bills.real], bills.once[bills.real], bills.size)[group]
    ordered = lines["ordered"].to_numpy(np.int64)[line]
    # The price of the units asked of the supplier; of those billed where that is more.
    quantity = np.maximum(
        lines["due_qty"].to_numpy(np.int64)[line], np.minimum(-(-once // units), ordered)
    )
    sku = invoices["sku_code"].to_numpy()[row]
    own = lines["sku_code"].to_numpy()[line]
    shops = np.flatnonzero(parts["sole"].to_numpy(dtype=bool) & (own != sku))
    both = np.append(np.arange(len(group)), shops)
    rank = np.zeros(len(both), dtype=np.int64)
    rank[len(group) :] = 1
    of_line = line[both]
    return pd.DataFrame(
        {
            "group": group[both],
            "line": of_line,
            "supplier_code": lines["supplier_code"].to_numpy()[of_line],
            "country_code": lines["country_code"].to_numpy()[of_line],
            "ordered_date": lines["ordered_date"].to_numpy()[of_line],
            "billed_code": invoices["currency_code"].to_numpy()[row[both]],
            "rank": rank,
            "sku_code": np.append(sku, own[shops]),
            "quantity": np.append(quantity * units, quantity[shops]),
            "per": np.append(np.ones(len(group), dtype=np.int64), units[shops]),
        }
    )


def _without_quote(tied: Tied, bills: Bills, out: pd.DataFrame, asked: pd.DataFrame) -> None:
    """Where no quote is in the billed currency: in which one there is, or that there is none."""
    priced = (out["quote"] >= 0).to_numpy() | out["unsure"].to_numpy(dtype=bool)
    rest = asked[~priced[asked["group"].to_numpy()]].drop(columns="billed_code")
    different, question = questions(rest, tied.quotes)
    offers = best_offers(different, tied.quotes)
    own = own_offers(offers)
    currency = np.full(len(different), _LAST)
    currency[own["asked"]] = own["currency_code"]
    first = np.full(bills.size, _LAST)
    np.minimum.at(first, rest["group"].to_numpy(), currency[question])
    out["quoted_in"] = np.where(first == _LAST, 0, first)
    blank = has(offers["asked"].to_numpy(np.int64)[_for_unknown(offers)], len(different))
    elsewhere = has(rest["group"].to_numpy()[blank[question]], bills.size)
    group, line = (bills.parts[name].to_numpy(np.int64) for name in ("group", "line"))
    # A kit that is quoted whole, or in its parts: its lines have no quote of their own.
    in_kit = has(group[known(tied.lines, "agreed_minor")[line]], bills.size)
    with_quotes = has(tied.quotes["supplier_code"].to_numpy(), len(tied.names.supplier))
    supplier = tied.supplier_orders["supplier_code"].to_numpy()[np.maximum(bills.owner, 0)]
    none = ~priced & ~in_kit & ~elsewhere & (out["quoted_in"] == 0).to_numpy()
    out["no_quote"] = none & with_quotes[supplier] & has(group, bills.size)


def shipping_of(quoted: pd.DataFrame, units: Ints) -> Ints:
    """What the quote asks for shipping so many units; each order line has a first unit."""
    count = -(-units // quoted["per"].to_numpy(np.int64))
    first = np.minimum(quoted["lines"].to_numpy(np.int64), count)
    shipping = quoted["shipping_minor"].to_numpy(np.int64) * first
    return np.asarray(shipping + quoted["shipping_next_minor"].to_numpy(np.int64) * (count - first))
