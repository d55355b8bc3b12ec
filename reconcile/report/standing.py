"""What the first sheet says of the night: whether to trust it, and how it came to this."""

from __future__ import annotations

import pandas as pd

from reconcile.report import columns
from reconcile.report.contents import Contents
from reconcile.report.summary import grouped
from reconcile.report.totals import money_rows

_SHOWN = 3  # sums that one line holds
# The moves of the roll-forward that each column of the first sheet adds up
STEPS = {
    "start": ("start",),
    "new": ("new",),
    "again": ("reopened", "changed"),
    "cleared": ("cleared",),
    "left": ("accepted", "not_open"),
}


def trust(contents: Contents) -> list[str]:
    """Whether the figures can be relied on, in sentences."""
    failed = contents.proofs[~contents.proofs["holds"].astype(bool)]
    rows, rejected = int(contents.files["rows"].sum()), int(contents.files["rejected"].sum())
    unknown = int((contents.exceptions["verdict"] == "unknown").sum())
    lines = [
        f"PROOF FAILED, do not act on this report: {failed['proof'].iloc[0]} (sheet Proof)."
        if len(failed)
        else f"Every row and amount is accounted for: {len(contents.proofs)} of "
        f"{len(contents.proofs)} proofs hold (sheet Proof)."
    ]
    lines.append(
        f"Rows rejected, and in no figure: {rejected:,} of {rows:,} (sheet Rejected rows)."
        if rejected
        else f"Rows rejected: none of {rows:,}."
    )
    covered = contents.files[["record", "covered_to"]].drop_duplicates()
    reach = [
        f"{record} to {day or 'an unknown day'}"
        for record, day in zip(
            covered["record"].astype(str), covered["covered_to"].astype(str), strict=True
        )
    ]
    if reach:
        lines.append(f"The files reach: {', '.join(reach)}.")
    if unknown:
        lines.append(f"Exceptions that these files cannot decide: {unknown:,} (sheet Unknown).")
    return lines


def since(contents: Contents) -> str:
    """What has changed since the night before, in a line."""
    if contents.night_before is None:
        return "Open money by class and currency, never added across; there is no night before"
    found = contents.exceptions
    change = found.loc[found["verdict"] == "open", "change"]
    new, again = int((change == "new").sum()), int((change == "reopened").sum())
    parts = [f"{new:,} new", f"{len(contents.cleared):,} cleared"]
    parts += [f"{again:,} reopened"] if again else []
    return (
        "Open money by class and currency, never added across; exceptions since "
        f"{contents.night_before}: {', '.join(parts)}"
    )


def steps(money: pd.DataFrame, moves: pd.DataFrame) -> pd.DataFrame:
    """Per class and currency what is open now, and how it came to that since the night before."""
    keys = ["class", "currency"]
    moved = moves[moves["currency"] != ""]
    pairs = pd.concat([money[keys], moved[keys]]).drop_duplicates()
    pairs = money_rows(pairs.assign(id="", amount_minor=0), keys)[keys]
    out = pairs.merge(money, how="left", on=keys).rename(columns={"amount_minor": "now"})
    for name, kinds in STEPS.items():
        part = moved[moved["move"].isin(kinds)].groupby(keys, observed=True)["amount_minor"].sum()
        out = out.merge(part.rename(name).reset_index(), how="left", on=keys)
    numbers = ["now", "count", *STEPS]
    return out.fillna(dict.fromkeys(numbers, 0)).astype(dict.fromkeys(numbers, "Int64"))


def ready(contents: Contents) -> list[str]:
    """What can be sent or imported as it is."""
    lines = []
    pay = contents.pay.groupby("currency", observed=True)["amount_minor"].sum()
    codes = [str(code) for code in pay.index]
    if codes:
        shown = columns.amounts(pay.astype("Int64").reset_index(drop=True), pd.Series(codes))
        sums = [
            f"{grouped(one)} {code}" for one, code in zip(shown.to_pylist(), codes, strict=True)
        ]
        listed = "; ".join(sums[:_SHOWN]) + ("; …" if len(sums) > _SHOWN else "")
        lines.append(f"Safe to pay now, lists/pay.csv: {len(contents.pay):,} orders, {listed}")
    if len(contents.post):
        lines.append(f"Numbers ready to post, lists/post.csv: {len(contents.post):,}")
    return lines
