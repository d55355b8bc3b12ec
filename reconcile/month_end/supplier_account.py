"""supplier-account: what is owed to each supplier, by the shop's records and by its statement."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reconcile.empty import without_rows
from reconcile.matching.columns import text
from reconcile.matching.match import Matched
from reconcile.month_end.balance import Balance, balanced, items
from reconcile.month_end.evidence import of_groups, places
from reconcile.month_end.period import Month

CHECK = "supplier-account"
# Days by which the supplier may date a document otherwise than the shop does. Common practice, no
# source; also how long a payment may be under way before it has to be on the statement.
_NEAR = 10
_SWAP = 9  # a difference that nine divides may be two digits swapped (common practice, no source)


def ledger_of(
    matched: Matched, invoices: pd.DataFrame | None, payments: pd.DataFrame | None,
    files: Sequence[str],
) -> pd.DataFrame:  # fmt: skip
    """The supplier ledger: one row per document, ``supplier, currency, kind, name, key, date``.

    ``amount_minor`` is signed as it changes what is owed. ``kind`` is invoice, credit (whatever
    comes to less than nothing), payment, or refund (money that came back). A top-up of a balance
    with the supplier is none of them: what is paid from that balance is.
    """
    pieces = []
    if invoices is not None and len(invoices):
        rows = pd.DataFrame(
            {"supplier": invoices["supplier"], "currency": invoices["currency"]}
            | {"kind": text(invoices, "kind").replace("", "invoice")}
            | {"name": invoices["invoice_no"], "key": invoices["invoice_no_key"]}
            | {"date": invoices["invoice_date"], "amount_minor": matched.line_amounts}
            | {"evidence": places(invoices, files)}
        )
        keys = ["supplier", "currency", "kind", "key"]
        owner = rows.groupby(keys, sort=False).ngroup().to_numpy()
        rows = rows.assign(owner=owner)
        first = rows.drop_duplicates("owner").set_index("owner")
        first["amount_minor"] = rows.groupby("owner")["amount_minor"].sum()
        first.loc[first["amount_minor"] < 0, "kind"] = "credit"
        first["evidence"] = of_groups(owner, rows["evidence"]).reindex(first.index)
        pieces.append(first)
    if payments is not None and len(payments):
        kinds = text(payments, "kind")
        settled = text(payments, "status").isin(["settled", ""]).to_numpy()
        settled = settled & (kinds != "top-up").to_numpy()
        refund = (kinds == "refund").to_numpy()
        amount = payments["amount_minor"].to_numpy(np.int64)
        rows = pd.DataFrame(
            {"supplier": payments["supplier"], "currency": payments["currency"]}
            | {"kind": np.where(refund, "refund", "payment")}
            | {"name": payments["payment_ref"], "key": payments["payment_ref_key"]}
            | {"date": payments["paid_date"], "amount_minor": np.where(refund, amount, -amount)}
            | {"evidence": places(payments, files)}
        )
        pieces.append(rows[settled])
    names = ["supplier", "currency", "kind", "name", "key", "date", "amount_minor", "evidence"]
    typed = dict.fromkeys(names, "str") | {"date": "datetime64[s]", "amount_minor": "int64"}
    none = without_rows(typed)
    return pd.concat([none, *pieces], ignore_index=True)[names]


def supplier_accounts(
    ledger: pd.DataFrame, open_items: pd.DataFrame, month: Month
) -> list[Balance]:
    """Opening payable, documents of the month, and the open items one by one, per supplier.

    ``open_items`` has ``supplier, currency, name, date, evidence, amount_minor``: what is left of
    each supplier order, and what belongs to none.
    """
    out = []
    for (supplier, currency), rows in ledger.groupby(["supplier", "currency"], sort=True):
        before = month.before(rows["date"])
        opening = int(rows.loc[before, "amount_minor"].sum())
        mine = rows[~before]
        bare = pd.DataFrame({"name": ["opening payable"], "evidence": [""]})
        bare["date"] = np.datetime64("NaT", "s")
        text_of = "What was owed before the month, by the records that are there."
        pieces = [items(bare, np.array([opening]), "opening", "left", "listed", text_of)]
        for kind in ("invoice", "credit", "payment", "refund"):
            of_kind = mine[(mine["kind"] == kind).to_numpy()]
            what = "Of the month."
            pieces.append(items(of_kind, of_kind["amount_minor"], kind, "left", "listed", what))
        here = open_items[
            ((open_items["supplier"] == supplier) & (open_items["currency"] == currency)).to_numpy()
        ]
        owed = here["amount_minor"].to_numpy(np.int64)
        for chosen, what, told in (
            (owed > 0, "open", "Billed, and not paid."),
            (owed < 0, "paid-ahead", "Paid, and not billed."),
        ):
            found = items(here[chosen], owed[chosen], what, "right", "listed", told)
            pieces.append(found)
        sides = opening + int(mine["amount_minor"].sum()), int(owed.sum())
        out.append(balanced(CHECK, str(supplier), str(currency), sides, pieces))
    return out


def against_statements(
    ledger: pd.DataFrame, statements: pd.DataFrame, month: Month, files: Sequence[str]
) -> list[Balance]:
    """The closing payable and the supplier's statement, each with the items that it lacks."""
    out = []
    pairs = statements[["supplier", "currency"]].drop_duplicates()
    for supplier, currency in pairs.sort_values(["supplier", "currency"]).itertuples(index=False):
        theirs = statements[
            ((statements["supplier"] == supplier) & (statements["currency"] == currency)).to_numpy()
        ]
        ours = ledger[
            ((ledger["supplier"] == supplier) & (ledger["currency"] == currency)).to_numpy()
        ]
        theirs = theirs.assign(
            evidence=places(theirs, files), name=theirs["document"], key=theirs["document_key"]
        )
        out.append(_statement(str(supplier), str(currency), ours, theirs, month))
    return out


def _statement(
    supplier: str, currency: str, ours: pd.DataFrame, theirs: pd.DataFrame, month: Month
) -> Balance:
    closing = theirs[(theirs["kind"] == "closing").to_numpy()].sort_values("date", kind="stable")
    opening = theirs[(theirs["kind"] == "opening").to_numpy()].sort_values("date", kind="stable")
    lines = theirs[~theirs["kind"].isin(["opening", "closing"]).to_numpy()]
    stated = int(lines["amount_minor"].sum())
    stated += int(opening["amount_minor"].iloc[0]) if len(opening) else 0
    right = int(closing["amount_minor"].iloc[-1]) if len(closing) else stated
    left = int(ours["amount_minor"].sum())
    begin = opening["date"].iloc[0] if len(opening) else lines["date"].min()
    known = ours if pd.isna(begin) else ours[(ours["date"] >= begin).to_numpy()]
    if len(opening) == 0:
        known = ours
    both, only_ours, only_theirs = _lines(known, lines)
    pieces = []
    gap = (both["stated"] - both["amount_minor"]).to_numpy(np.int64)
    differs = both[gap != 0]
    told = pd.Series(np.where(gap[gap != 0] % _SWAP == 0, _SWAPPED, _OTHER), dtype="str")
    pieces.append(items(differs, gap[gap != 0], "amount-differs", "left", "error", told))
    amount = only_theirs["amount_minor"].to_numpy(np.int64)
    told_of = "On the supplier's statement, and not in the records."
    pieces.append(items(only_theirs, amount, "not-in-records", "left", "error", told_of))
    end = min(closing["date"].iloc[-1] if len(closing) else _last(month), _last(month))
    pieces += _not_stated(only_ours, end)
    sides = left + _sum(pieces, "left"), right + _sum(pieces, "right")
    before = ours.drop(known.index)
    carried = int(before["amount_minor"].sum())
    if len(opening) and carried != int(opening["amount_minor"].iloc[0]):
        text_of = "The statement opens with another balance than the records."
        named = opening.iloc[:1]
        more = np.array([int(opening["amount_minor"].iloc[0]) - carried])
        pieces.append(items(named, more, "opening-differs", "left", "error", text_of))
        sides = left + _sum(pieces, "left"), sides[1]
    beyond = (only_ours["date"] > end).any()
    short = beyond and end < _last(month) - pd.Timedelta(days=_NEAR)
    cause = f"The supplier's statement ends on {end.date()}." if short else ""
    return balanced(CHECK, f"{supplier} (statement)", currency, sides, pieces, cause)


def _last(month: Month) -> pd.Timestamp:
    return pd.Timestamp(month.last)


_SWAPPED = "The statement has another amount; two digits may be swapped."
_OTHER = "The statement has another amount."


def _sum(pieces: list[pd.DataFrame], side: str) -> int:
    return sum(int(piece.loc[piece["side"] == side, "amount_minor"].sum()) for piece in pieces)


def _not_stated(rows: pd.DataFrame, end: pd.Timestamp) -> list[pd.DataFrame]:
    """Documents of the records that the statement lacks: young ones are on their way.

    So is what is dated after the ``end`` of the statement: it could not be on it.
    """
    amount = rows["amount_minor"].to_numpy(np.int64)
    young = ((end - rows["date"]).dt.days <= _NEAR).to_numpy()
    late = "In the records, and not on the supplier's statement."
    soon = "In the records, and not on the supplier's statement yet."
    return [
        items(rows[young], amount[young], "not-stated-yet", "right", "timing", soon),
        items(rows[~young], amount[~young], "not-stated", "right", "error", late),
    ]


def _lines(
    ours: pd.DataFrame, theirs: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Documents on both sides, and those on one alone.

    By number; then, of what is left, by kind and amount where it is the only one both ways within
    days. Amounts that are merely alike are no pair.
    """
    left = ours.assign(side=_side(ours["amount_minor"]), n=_nth(ours))
    right = theirs.assign(side=_side(theirs["amount_minor"]), n=_nth(theirs))
    left, right = left.reset_index(drop=True), right.reset_index(drop=True)
    keys = ["key", "side", "n"]
    found = left.reset_index().merge(right.reset_index(), on=keys, suffixes=("", "_theirs"))
    rest = left.drop(found["index"]).reset_index(), right.drop(found["index_theirs"]).reset_index()
    alike = rest[0].merge(rest[1], on=["side", "amount_minor"], suffixes=("", "_theirs"))
    near = (alike["date"] - alike["date_theirs"]).abs() <= pd.Timedelta(days=_NEAR)
    alike = alike[near.to_numpy()]
    once = ~alike["index"].duplicated(keep=False) & ~alike["index_theirs"].duplicated(keep=False)
    alike = alike[once.to_numpy()].assign(amount_minor_theirs=lambda frame: frame["amount_minor"])
    both = pd.concat([found, alike], ignore_index=True)
    both["stated"] = both["amount_minor_theirs"].astype("int64")
    both["evidence"] = both["evidence"] + "; " + both["evidence_theirs"]
    return both, left.drop(both["index"]), right.drop(both["index_theirs"])


def _side(amount: pd.Series) -> np.ndarray:
    return np.asarray(np.sign(amount.to_numpy(np.int64)))


def _nth(frame: pd.DataFrame) -> pd.Series:
    """Which of several rows of one number it is."""
    return frame.groupby(["key", _side(frame["amount_minor"])]).cumcount()
