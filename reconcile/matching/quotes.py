"""What was agreed: the quote that was valid for a line on its order date."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.columns import Ints, days, known, masked, number, text
from reconcile.money import digits_of, line_amount

_LONG_AGO = np.datetime64("1900-01-01", "s")
_FAR_OFF = np.datetime64("2200-01-01", "s")


_ASKED = ["supplier", "sku_key", "country", "quantity", "ordered_date"]
_RANKING = ["min_qty", "from"]
_PRICE = ["currency", "unit_cost_micro", "shipping_minor", "shipping_next_minor"]


def quoted_lines(lines: pd.DataFrame, quotes: pd.DataFrame | None) -> pd.DataFrame:
    """The quote of each line; missing where no quote, or no single one, is valid.

    Aligned with ``lines``: ``currency``, ``agreed_minor``, ``dispatch_days``, ``delivery_days``,
    ``quote`` (its position).
    ``lines`` has supplier, sku_key, country, quantity and ordered_date. A quote for the
    country goes before one for any country, then the highest quantity break that is reached,
    then the one that became valid last.
    """
    blank = pd.DataFrame(
        {
            "currency": pd.Series("", index=lines.index, dtype="str"),
            "agreed_minor": masked(np.zeros(len(lines), int), np.ones(len(lines), bool)),
            "dispatch_days": masked(np.zeros(len(lines), int), np.ones(len(lines), bool)),
            "delivery_days": masked(np.zeros(len(lines), int), np.ones(len(lines), bool)),
            "quote": masked(np.zeros(len(lines), int), np.ones(len(lines), bool)),
        }
    )
    if quotes is None or quotes.empty or lines.empty:
        return blank
    asked = lines[_ASKED].drop_duplicates().reset_index(drop=True)
    asked["asked"] = np.arange(len(asked))
    best = own_offers(best_offers(asked, quotes))
    best = best[~best["torn"]].copy()
    best["agreed_minor"] = _agreed(best)
    joined = lines[_ASKED].merge(asked, on=_ASKED, how="left")["asked"]
    out = best.set_index("asked").reindex(joined.to_numpy()).set_axis(lines.index)
    out["currency"] = out["currency"].fillna("").astype("str")
    for name in ("agreed_minor", "dispatch_days", "delivery_days", "quote"):
        out[name] = out[name].astype("Int64")
    return out[list(blank.columns)]


def best_offers(asked: pd.DataFrame, quotes: pd.DataFrame) -> pd.DataFrame:
    """The quote that is valid for each question, and for each country that quotes name.

    ``asked`` has ``asked`` (a number for each row), supplier, sku_key, country, quantity and
    ordered_date; with ``billed_currency``, quotes in that currency alone count. One row for each
    question and ``for_country`` (blank: any), with ``quote`` (position), the columns of the quote,
    and ``torn``: several are as good and differ.
    """
    found = asked.merge(_offers(quotes), on=["supplier", "sku_key"])
    valid = (
        (found["min_qty"] <= found["quantity"])
        & (found["from"] <= found["ordered_date"])
        & (found["to"] >= found["ordered_date"])
    )
    if "billed_currency" in found:
        valid &= found["currency"] == found["billed_currency"]
    found = found[valid]
    place = ["asked", "for_country"]
    found = found.sort_values([*place, *_RANKING], ascending=[True, True, False, False])
    top = found.drop_duplicates(place)
    equal = found.merge(top[[*place, *_RANKING]], on=[*place, *_RANKING])
    several = equal.drop_duplicates([*place, *_PRICE])[place]
    torn = several[several.duplicated()].drop_duplicates().assign(torn=True)
    out = top.merge(torn, on=place, how="left")
    out["torn"] = out["torn"].notna()
    return out


def own_offers(offers: pd.DataFrame) -> pd.DataFrame:
    """Of the offers for each question the one for its own country, else for any country."""
    mine = offers["for_country"] == offers["country"]
    usable = offers[(mine | (offers["for_country"] == "")).to_numpy()]
    specific = (usable["for_country"] != "").to_numpy()
    place = np.lexsort((~specific, usable["asked"]))
    return usable.iloc[place].drop_duplicates("asked")


def _offers(quotes: pd.DataFrame) -> pd.DataFrame:
    begins, ends = days(quotes, "valid_from_date"), days(quotes, "valid_to_date")
    nothing = masked(np.zeros(len(quotes), int), np.ones(len(quotes), bool))
    return pd.DataFrame(
        {
            "quote": np.arange(len(quotes)),
            "supplier": quotes["supplier"],
            "sku_key": quotes["sku_key"],
            "currency": quotes["currency"],
            "for_country": text(quotes, "ship_to_country"),
            "unit_cost_micro": number(quotes, "unit_cost_micro"),
            "shipping_minor": number(quotes, "shipping_minor"),
            "shipping_told": known(quotes, "shipping_minor"),
            "shipping_next_minor": number(quotes, "shipping_next_minor"),
            "min_qty": number(quotes, "min_qty"),
            "from": np.where(np.isnat(begins), _LONG_AGO, begins),
            "to": np.where(np.isnat(ends), _FAR_OFF, ends),
            "dispatch_days": quotes.get("dispatch_days", nothing),
            "delivery_days": quotes.get("delivery_days", nothing),
        }
    )


def _agreed(best: pd.DataFrame) -> Ints:
    quantity = best["quantity"].to_numpy(dtype=np.int64)
    digits = digits_of(best["currency"])
    goods = line_amount(quantity, best["unit_cost_micro"].to_numpy(np.int64), digits)
    first = best["shipping_minor"].to_numpy(np.int64)
    further = best["shipping_next_minor"].to_numpy(np.int64) * np.maximum(quantity - 1, 0)
    return np.where(quantity > 0, goods + first + further, 0)
