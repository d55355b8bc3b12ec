"""What the shop's own records say has to be in the bank: supplier payments and payouts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from reconcile.matching.columns import text
from reconcile.month_end.evidence import places

# record: payments or payouts. leg: "out" or "in", as the bank sees it. amount_minor: signed as
# the bank sees it. expected: it has to be in the bank; else it may be.
COLUMNS = (
    "record", "row_id", "kind", "name", "key", "account", "channel", "supplier", "amount_minor",
    "currency", "date", "expected", "settled", "evidence",
)  # fmt: skip
_OUT, _IN = -1, 1


def movements(
    records: Mapping[str, pd.DataFrame], accounts: Sequence[str], files: Sequence[str]
) -> pd.DataFrame:
    """One row for each movement that may be in the bank, with COLUMNS.

    A payment is expected where it is settled; one that is pending, failed or reversed may be there
    all the same, and so may the return of one that came back. A top-up is expected to go out, and
    may come in on another account. What moves nothing, as a payout of which nothing was left, is
    in no bank. ``accounts`` are those of the bank: a payment whose channel is called like one
    belongs to it.
    """
    pieces = [_payments(records["payments"], accounts, files)] if "payments" in records else []
    pieces += [_payouts(records["payouts"], files)] if "payouts" in records else []
    out = pd.concat([pd.DataFrame(columns=list(COLUMNS)), *pieces], ignore_index=True)
    texts = ("record", "kind", "name", "key", "account", "channel", "supplier", "currency",
             "evidence")  # fmt: skip
    out = out[(out["amount_minor"] != 0).to_numpy(dtype=bool)].reset_index(drop=True)
    return out.astype(
        dict.fromkeys(texts, "str")
        | {"row_id": "int64", "amount_minor": "int64", "date": "datetime64[s]"}
        | {"expected": "bool", "settled": "bool"}
    )


def folded_account(name: str) -> str:
    """An account's name as it is compared: no spaces, any case."""
    return "".join(name.split()).casefold()


def _payments(
    payments: pd.DataFrame, accounts: Sequence[str], files: Sequence[str]
) -> pd.DataFrame:
    known = {folded_account(name): name for name in accounts}
    status, kind = text(payments, "status"), text(payments, "kind")
    amount = payments["amount_minor"].to_numpy(np.int64)
    settled = status.isin(["settled", ""]).to_numpy()
    refund = (kind == "refund").to_numpy()
    whole = pd.DataFrame(
        {
            "record": "payments",
            "row_id": np.arange(len(payments)),
            "kind": kind.replace("", "payment"),
            "name": payments["payment_ref"],
            "key": payments["payment_ref_key"],
            "account": text(payments, "channel").map(lambda name: known.get(folded_account(name))),
            "channel": text(payments, "channel").map(folded_account),
            "supplier": payments["supplier"],
            "amount_minor": amount * np.where(refund, _IN, _OUT),
            "currency": payments["currency"],
            "date": payments["paid_date"],
            "expected": settled,
            "settled": settled,
            "evidence": places(payments, files),
        }
    )
    whole["account"] = whole["account"].astype("str").fillna("")
    back = whole[status.isin(["failed", "reversed"]).to_numpy()]
    back = back.assign(amount_minor=-back["amount_minor"], kind="returned", expected=False)
    topped = whole[(kind == "top-up").to_numpy() & settled]
    topped = topped.assign(
        amount_minor=-topped["amount_minor"], kind="top-up received", expected=False, account=""
    )
    return pd.concat([whole, back, topped], ignore_index=True)


def _payouts(payouts: pd.DataFrame, files: Sequence[str]) -> pd.DataFrame:
    sent = payouts[(payouts["kind"] == "payout").to_numpy()]
    return pd.DataFrame(
        {
            "record": "payouts",
            "row_id": np.flatnonzero((payouts["kind"] == "payout").to_numpy()),
            "kind": "payout",
            "name": sent["payout_ref"],
            "key": sent["payout_ref_key"],
            "account": "",
            "channel": "",
            "supplier": "",
            "amount_minor": -sent["amount_minor"].to_numpy(np.int64),
            "currency": sent["currency"],
            "date": sent["paid_date"],
            "expected": True,
            "settled": True,
            "evidence": places(sent, files),
        }
    )
