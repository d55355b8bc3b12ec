"""What was agreed: the quote that was valid for a line on its order date."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.columns import (
    Bools,
    Ints,
    combined,
    days,
    distinct,
    has,
    in_order,
    known,
    masked,
    number,
    starts,
)
from reconcile.money import digits_of, line_amount

_LONG_AGO = np.datetime64("1900-01-01", "s")
_FAR_OFF = np.datetime64("2200-01-01", "s")

_RANKING = ["min_qty", "from"]
_PRICE = ["currency_code", "unit_cost_micro", "shipping_minor", "shipping_next_minor"]


def quoted_lines(lines: pd.DataFrame, quotes: pd.DataFrame, currencies: pd.Series) -> pd.DataFrame:
    """The quote of each line; missing where no quote, or no single one, is valid.

    By position of ``lines``: ``currency_code`` (0: none), ``agreed_minor``, ``dispatch_days``,
    ``delivery_days``, ``quote`` (its position, -1: none).
    ``lines`` has supplier_code, sku_code, country_code, quantity and ordered_date;
    ``currencies`` are the names of the codes. A quote for the country goes before one for any
    country, then the highest quantity break that is reached, then the one that became valid last.
    """
    if quotes.empty or lines.empty:
        none, nothing = np.ones(len(lines), dtype=bool), np.zeros(len(lines), dtype=np.int64)
        names = ("agreed_minor", "dispatch_days", "delivery_days")
        blank = {name: masked(nothing, none) for name in names}
        return pd.DataFrame({"currency_code": nothing, **blank, "quote": nothing - 1})
    asked, question = questions(lines, quotes)
    best = own_offers(best_offers(asked, quotes))
    best = best[~best["torn"].to_numpy(dtype=bool)]
    place = np.full(len(asked), -1, dtype=np.int64)
    place[best["asked"].to_numpy()] = np.arange(len(best))
    at = place[question]
    without = at < 0

    def of(name: str, missing: int = 0) -> Ints:
        return np.append(number(best, name), missing)[at]

    days_to = {
        name: masked(of(name), ~np.append(known(best, name), False)[at])
        for name in ("dispatch_days", "delivery_days")
    }
    currency = of("currency_code")
    quantity = lines["quantity"].to_numpy(dtype=np.int64)
    goods = line_amount(quantity, of("unit_cost_micro"), digits_of(currencies)[currency])
    further = of("shipping_next_minor") * np.maximum(quantity - 1, 0)
    agreed = np.where(quantity > 0, goods + of("shipping_minor") + further, 0)
    amounts = {"agreed_minor": masked(np.where(without, 0, agreed), without)}
    return pd.DataFrame({"currency_code": currency, **amounts, **days_to, "quote": of("quote", -1)})


def questions(rows: pd.DataFrame, quotes: pd.DataFrame) -> tuple[pd.DataFrame, Ints]:
    """The different questions that rows ask of quotes, and the number of each row's.

    Quantities between the same two breaks, and days between the same two changes of prices, ask
    the same: they stand as the break and the day that they have reached.
    """
    begins, ends = _validity(quotes)
    breaks = np.unique(number(quotes, "min_qty"))
    changes = np.unique(np.concatenate([begins, ends + np.timedelta64(1, "s")]))
    day, quantity = days(rows, "ordered_date"), rows["quantity"].to_numpy(np.int64)
    texts = [name for name in rows.columns if name.endswith("_code")]
    parts = [rows[name].to_numpy() for name in texts]
    # A day that is not told comes before all others.
    of_day = np.searchsorted(changes.astype(np.int64), day.astype(np.int64), side="right")
    of_quantity = np.searchsorted(breaks, quantity, side="right")
    question, first = distinct(combined(*parts, of_day, of_quantity))
    out = {name: part[first] for name, part in zip(texts, parts, strict=True)}
    earliest, least = changes[0] - np.timedelta64(1, "s"), breaks[0] - 1
    out["ordered_date"] = np.append(earliest, changes)[of_day[first]]
    out["quantity"] = np.append(least, breaks)[of_quantity[first]]
    return pd.DataFrame({"asked": np.arange(len(first)), **out}), question


def best_offers(asked: pd.DataFrame, quotes: pd.DataFrame) -> pd.DataFrame:
    """The quote that is valid for each question, and for each country that quotes name.

    ``asked`` has ``asked`` (a number for each row), supplier_code, sku_code, country_code,
    quantity and ordered_date; with ``billed_code``, quotes in that currency alone count. One row
    for each question and ``for_country`` (a code, 0: any), with ``quote`` (position), the columns
    of the quote, and ``torn``: several are as good and differ.
    """
    found = asked.merge(_offers(quotes), on=["supplier_code", "sku_code"])
    valid = (
        (found["min_qty"] <= found["quantity"])
        & (found["from"] <= found["ordered_date"])
        & (found["to"] >= found["ordered_date"])
    )
    if "billed_code" in found:
        valid &= found["currency_code"] == found["billed_code"]
    found = found[valid.to_numpy()]
    place = ["asked", "for_country"]
    order = in_order(*(number(found, name) for name in place), -number(found, "min_qty"),
        -days(found, "from").astype(np.int64))  # fmt: skip
    found = found.take(order).reset_index(drop=True)
    # What is as good as the first of its place stands beside it.
    opens = np.any([starts(number(found, name)) for name in place], axis=0)
    nth, first = np.cumsum(opens) - 1, np.flatnonzero(opens)
    differs = np.any([_unlike(found, name, first[nth]) for name in _PRICE], axis=0)
    equal = ~np.any([_unlike(found, name, first[nth]) for name in _RANKING], axis=0)
    top: pd.DataFrame = found.take(first).reset_index(drop=True)
    return top.assign(torn=has(nth[equal & differs], len(top)))


def _unlike(rows: pd.DataFrame, name: str, other: Ints) -> Bools:
    """Where a column of each row is not what it is in the other row."""
    values = rows[name].to_numpy()
    return np.asarray(values != values[other])


def own_offers(offers: pd.DataFrame) -> pd.DataFrame:
    """Of the offers for each question the one for its own country, else for any country."""
    for_country = offers["for_country"].to_numpy()
    mine = for_country == offers["country_code"].to_numpy()
    usable = offers[mine | (for_country == 0)]
    specific = (usable["for_country"] != 0).to_numpy()
    place = np.lexsort((~specific, usable["asked"]))
    own: pd.DataFrame = usable.iloc[place].drop_duplicates("asked")
    return own


def _validity(quotes: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """The first and the last day of each quote."""
    begins, ends = days(quotes, "valid_from_date"), days(quotes, "valid_to_date")
    return np.where(np.isnat(begins), _LONG_AGO, begins), np.where(np.isnat(ends), _FAR_OFF, ends)


def _offers(quotes: pd.DataFrame) -> pd.DataFrame:
    begins, ends = _validity(quotes)
    nothing = masked(np.zeros(len(quotes), int), np.ones(len(quotes), bool))
    return pd.DataFrame(
        {
            "quote": np.arange(len(quotes)),
            "supplier_code": quotes["supplier_code"],
            "sku_code": quotes["sku_code"],
            "currency_code": quotes["currency_code"],
            "for_country": quotes["country_code"],
            "unit_cost_micro": number(quotes, "unit_cost_micro"),
            "shipping_minor": number(quotes, "shipping_minor"),
            "shipping_told": known(quotes, "shipping_minor"),
            "shipping_next_minor": number(quotes, "shipping_next_minor"),
            "min_qty": number(quotes, "min_qty"),
            "from": begins,
            "to": ends,
            "dispatch_days": quotes.get("dispatch_days", nothing),
            "delivery_days": quotes.get("delivery_days", nothing),
        }
    )
