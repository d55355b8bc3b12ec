"""The cash check in a few lines, short enough to mail."""

from __future__ import annotations

from reconcile.counted import counted
from reconcile.money import major_text
from reconcile.report.cash_contents import CAUTION, CashContents, input_notes

_SHOWN = 20


def cash_text(contents: CashContents) -> str:
    """What agrees, what does not, what cannot be told, and what is not explained."""
    balances = contents.balances
    counts = balances["verdict"].value_counts()
    told = ", ".join(f"{int(counts.get(v, 0))} {v}" for v in ("agrees", "differs", "unknown"))
    lines = [f"{contents.shop}: cash check of {contents.month}", f"Balances: {told}"]
    gap = balances["difference_minor"].fillna(0) != 0
    differing = balances[(gap | (balances["verdict"] == "differs")).to_numpy(dtype=bool)]
    amounts = major_text(differing["difference_minor"], differing["currency"])
    for row, amount in list(zip(differing.to_dict("records"), amounts, strict=True))[:_SHOWN]:
        name = f"{row['check']} {row['account']}".strip()
        told = f"- {name} differs by {amount} {row['currency']}".rstrip()
        why = f", and why cannot be told: {row['cause']}".removesuffix(".")
        lines.append(told + (why if row["verdict"] == "unknown" else ""))
    if len(differing) > _SHOWN:
        lines.append(f"- and {len(differing) - _SHOWN} more")
    errors = int((contents.items["nature"] == "error").sum())
    rest = int((contents.items["what"] == "not-explained").sum())
    lines.append(f"Errors named: {errors - rest}; amounts not explained: {rest}")
    if len(contents.restated):
        lines.append(f"Restated since the first check: {counted(len(contents.restated), 'figure')}")
    lines += [note.removesuffix(".") for note in input_notes(contents)]
    failed = int((~contents.proofs["holds"].astype(bool)).sum())
    lines.append(
        f"PROOF FAILED: {failed}; do not act on this"
        if failed
        else f"Every bank row is accounted for: {len(contents.proofs)} proofs hold"
    )
    return "\n".join([*lines, CAUTION])
