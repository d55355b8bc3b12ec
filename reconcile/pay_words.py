"""A checked payment as text for a person and as JSON for a program."""

from __future__ import annotations

import json
import textwrap
from typing import Any

import pandas as pd

from reconcile.money import major_text
from reconcile.pay_check import CANNOT, DO_NOT, PAY, PayCheck
from reconcile.report.summary import CAUTION, grouped

_WIDTH = 76
_OF_MISSING = ("order_ref", "supplier", "invoice_no", "currency")
_TEXTS = ("order_ref", "invoice_no", "supplier", "currency", "verdict", "reason", "evidence")


def check_text(found: PayCheck) -> str:
    """Line by line, those that should not be paid first; then what is missing, and the sums."""
    out = [f"{found.shop}, as of {found.as_of.isoformat()}: a proposed payment"]
    for verdict in (DO_NOT, CANNOT, PAY):
        rows = found.lines[found.lines["verdict"] == verdict]
        out += ["", f"{verdict}: {len(rows):,}{_sums(rows)}"] if len(rows) else []
        for row, amount, due in _shown(rows):
            refs = " ".join(str(row[name]) for name in ("order_ref", "invoice_no") if row[name])
            said = f"  row {row['row']}  {refs}  {row['supplier']}  {amount}"
            out.append(_plain(said).rstrip())
            if verdict != PAY:
                out += _wrapped(str(row["reason"]))
                out += _wrapped(f"should be paid: {due}") if due else []
                out += _wrapped(f"see {row['evidence']}") if row["evidence"] else []
    if len(found.missing):
        out += ["", f"Due, and not in this payment: {len(found.missing):,}{_sums(found.missing)}"]
        for row, amount, _ in _shown(found.missing):
            due_by = "" if pd.isna(row["due_by"]) else f"  since {row['due_by'].date()}"
            out.append(_plain(f"  {row['order_ref']}  {row['supplier']}  {amount}{due_by}"))
    return "\n".join([*out, "", *textwrap.wrap(CAUTION, _WIDTH)])


def check_json(found: PayCheck) -> str:
    """The same as one JSON object: amounts are texts in major units, null where not known."""
    lines = [
        {"row": int(row["row"]), **{name: str(row[name]) for name in _TEXTS}}
        | {"amount": amount.rpartition(" ")[0] or None, "due": due.rpartition(" ")[0] or None}
        for row, amount, due in _shown(found.lines)
    ]
    missing: list[dict[str, str | None]] = [
        {
            **{name: str(row[name]) for name in _OF_MISSING},
            "amount": amount.rpartition(" ")[0],
            "due_by": None if pd.isna(row["due_by"]) else str(row["due_by"].date()),
        }
        for row, amount, _ in _shown(found.missing)
    ]
    whole = {
        "as_of": found.as_of.isoformat(),
        "shop": found.shop,
        "all_to_pay": found.all_to_pay,
        "lines": lines,
        "missing": missing,
    }
    return json.dumps(whole, indent=2, sort_keys=True, ensure_ascii=False)


def _shown(rows: pd.DataFrame) -> list[tuple[dict[str, Any], str, str]]:
    """Each row with its amount and what should be paid, with the currency; blank: not known."""
    amount = _money(rows, "amount_minor")
    due = _money(rows, "due_minor") if "due_minor" in rows else [""] * len(rows)
    records = [{str(k): v for k, v in row.items()} for row in rows.to_dict("records")]
    return list(zip(records, amount, due, strict=True))


def _money(rows: pd.DataFrame, name: str) -> list[str]:
    currency = rows["currency"].astype("str")
    text = major_text(rows[name].astype("Int64"), currency)
    return [
        f"{grouped(one)} {code}" if one else "" for one, code in zip(text, currency, strict=True)
    ]


def _sums(rows: pd.DataFrame) -> str:
    """The amounts by currency, never added across."""
    known = rows[rows["amount_minor"].notna()]
    total = known.groupby("currency")["amount_minor"].sum().reset_index()
    return "".join(f", {one}" for one in _money(total, "amount_minor"))


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(_plain(text), _WIDTH, initial_indent="    ", subsequent_indent="    ")


def _plain(text: str) -> str:
    return "".join(sign if sign.isprintable() else " " for sign in text)
