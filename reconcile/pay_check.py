"""A proposed payment held against everything known, before money moves.

Each line is ``pay``, ``do not pay`` or ``cannot tell``. What is safe is what ``pay.csv`` of the
same day holds: the same files, the same facts, the same rules.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from reconcile.checks.catalogue import configured, load_catalogue
from reconcile.checks.evidence import Places, rows_behind_orders
from reconcile.empty import without_rows
from reconcile.errors import RefusedError
from reconcile.intake.load import file_problems
from reconcile.lists import find_orders, safe_to_pay, speaks_against
from reconcile.matching.orders import AMBIGUOUS, NOT_FOUND
from reconcile.night import Clock, Night, Say, check
from reconcile.pay_reasons import CANNOT, DO_NOT, PAY, Judged, Target, judge_line
from reconcile.proposal import Proposal, read_proposal
from reconcile.remembered import remember
from reconcile.report.columns import before_safe
from reconcile.shop import Shop
from reconcile.shop_file import read_shop

_TEXTS = ("order_ref", "invoice_no", "supplier", "currency", "evidence")


@dataclass(frozen=True)
class PayCheck:
    """What was found of a proposed payment.

    ``lines``: ``row, order_ref, invoice_no, supplier, amount_minor, currency, verdict, reason,
    due_minor`` (what should be paid; NA where it is not known), ``evidence``; in the order of
    the file. ``missing``: what is due at the suppliers of the proposal and not in it, as pay.csv
    has it.
    """

    shop: str
    as_of: date
    lines: pd.DataFrame
    missing: pd.DataFrame

    @property
    def all_to_pay(self) -> bool:
        """Whether nothing speaks against the payment as it is proposed."""
        return bool((self.lines["verdict"] == PAY).all())


def check_payment(folder: Path, file: Path, as_of: Callable[[Shop], date], say: Say) -> PayCheck:
    """Hold a proposed payment against the shop's files. Writes nothing.

    Raises RefusedError with every problem of the settings and files.
    """
    clock = Clock(say)
    with clock.stage("settings"):
        shop, problems = read_shop(folder)
        day = as_of(shop)
        rules, unset = configured(load_catalogue(), shop.rules)
        problems = [*problems, *unset]
        if problems:
            raise RefusedError([*problems, *file_problems(shop)])
        proposal = read_proposal(shop, file, day)
    night = check(shop, rules, day, clock)
    with clock.stage("comparing"):
        found = remember(night, rules, None).compared.found
    return _checked(night, found, proposal)


def _checked(night: Night, found: pd.DataFrame, proposal: Proposal) -> PayCheck:
    safe = safe_to_pay(found, night.matched)
    proposal = _as_in_the_files(night, proposal)
    targets = _targets(night, found, safe, proposal)
    evidence = rows_behind_orders(
        np.unique(targets["supplier_order"].to_numpy(np.int64)),
        Places(tuple(night.intake.files["file"]), night.matched.places, night.matched.links),
    )
    judged = _judge_all(proposal, targets, _lost(night, proposal, targets))
    lines = proposal.lines.assign(
        verdict=[one.verdict for one in judged],
        reason=[one.reason for one in judged],
        due_minor=pd.array([one.due for one in judged], dtype="Int64"),
        evidence=_evidence(targets, evidence, len(judged)),
    )
    bad = proposal.rejected
    if len(bad):
        said = "the row cannot be read: " + bad["column"] + " is not " + bad["expected"]
        unread = pd.DataFrame({"row": bad["row"].to_numpy(), "reason": said.to_numpy()})
        unread = unread.assign(**dict.fromkeys(_TEXTS, ""), verdict=CANNOT)
        unread["amount_minor"] = unread["due_minor"] = pd.array([pd.NA] * len(bad), "Int64")
        lines = pd.concat([lines, unread]).sort_values("row", kind="stable", ignore_index=True)
    mine = safe["supplier"].isin(proposal.lines["supplier"]) & ~safe["owner"].isin(
        targets["supplier_order"]
    )
    opened = found.loc[found["verdict"] == "open", "id"]
    missing = safe[mine & safe["id"].isin(opened)].reset_index(drop=True)
    return PayCheck(night.shop.name, night.as_of, lines, missing)


def _as_in_the_files(night: Night, proposal: Proposal) -> Proposal:
    """Texts that name nothing, without the apostrophes that pay.csv puts before a sign."""
    lines, orders, invoices = proposal.lines, proposal.orders, proposal.invoices
    known = set(night.matched.tables["supplier_orders"]["supplier"])
    strange = ~lines["supplier"].isin(known)
    lines = lines.assign(supplier=lines["supplier"].mask(strange, before_safe(lines["supplier"])))
    nowhere = find_orders(night.matched, orders)["order"] == NOT_FOUND
    unbilled = ~invoices["key"].isin(_billed(night)["key"])
    return replace(
        proposal,
        lines=lines,
        orders=_bare(orders, nowhere),
        invoices=_bare(invoices, unbilled),
    )


def _bare(parts: pd.DataFrame, where: pd.Series) -> pd.DataFrame:
    named = ("ref", "key")
    return parts.assign(
        **{name: parts[name].mask(where, before_safe(parts[name])) for name in named}
    )


def _targets(
    night: Night, found: pd.DataFrame, safe: pd.DataFrame, proposal: Proposal
) -> pd.DataFrame:
    """What each line would pay: ``line``, the facts of a supplier order, and what bears on it."""
    facts = night.matched.tables["supplier_orders"].reset_index(names="at")
    facts["order_ref"] = night.matched.orders["order_ref"].to_numpy()[facts["order"].to_numpy()]
    named = find_orders(night.matched, proposal.orders)
    by_order = named[["line", "order"]].merge(facts, on="order")
    by_order["most"] = pd.array([pd.NA] * len(by_order), dtype="Int64")
    by_order["settled"] = 0
    with_order = named["line"]
    by_invoice = _by_invoice(night, proposal, facts)
    by_invoice = by_invoice[~by_invoice["line"].isin(with_order)]
    both = pd.concat([by_order, by_invoice], ignore_index=True)
    wanted = proposal.lines.loc[both["line"].to_numpy(np.int64), "supplier"].to_numpy()
    both = both[(both["supplier"] == wanted).to_numpy(dtype=bool)]
    both = both.assign(
        safe=both["at"].isin(safe["at"]),
        against=both["supplier_order"].map(speaks_against(found)).astype("str").fillna(""),
        said=_said(found, both),
    )
    return pd.DataFrame(both.sort_values(["line", "at"], kind="stable", ignore_index=True))


def _said(found: pd.DataFrame, targets: pd.DataFrame) -> pd.Series:
    """What the rules on unpaid orders say of each: a verdict and its cause."""
    mine = found[found["rule"].isin(["unpaid", "part-paid"]) & (found["at"] >= 0)]
    text = (mine["verdict"] + ": " + mine["cause"]).set_axis(mine["at"])
    text = text[~text.index.duplicated()]
    return targets["at"].map(text).astype("str").fillna("")


def _by_invoice(night: Night, proposal: Proposal, facts: pd.DataFrame) -> pd.DataFrame:
    """The supplier orders on each invoice that a line names, and at ``most`` what is left of it.

    ``settled``: what payments have paid that name no other invoice.
    """
    invoices = night.intake.records.get("invoices")
    if invoices is None or proposal.invoices.empty:
        return facts.head(0).assign(line=0, most=pd.array([], dtype="Int64"), settled=0)
    link = night.matched.links["invoices"]
    lines = night.matched.tables["invoice_lines"]
    amount = lines.set_index("row_id")["amount"]
    rows = invoices.iloc[link["row_id"].to_numpy()]
    billed = pd.DataFrame(
        {
            "supplier": rows["supplier"].to_numpy(),
            "key": rows["invoice_no_key"].to_numpy(),
            "currency": rows["currency"].to_numpy(),
            "supplier_order": link["supplier_order"].to_numpy(),
            "most": link["row_id"].map(amount).to_numpy(),
        }
    )
    keys = ["supplier", "key", "currency", "supplier_order"]
    billed = billed.groupby(keys, as_index=False, observed=True).agg(most=("most", "sum"))
    billed = billed.merge(_settled(night), how="left", on=["key", "currency", "supplier_order"])
    billed["settled"] = billed["settled"].fillna(0).astype("int64")
    billed["most"] = (billed["most"] - billed["settled"]).clip(lower=0).astype("Int64")
    asked = proposal.invoices.merge(proposal.lines[["supplier", "currency"]], left_on="line",
                                    right_index=True)  # fmt: skip
    found = asked.merge(billed, on=["supplier", "key", "currency"])
    found = found[["line", "supplier_order", "currency", "most", "settled"]]
    found = found.groupby(["line", "supplier_order", "currency"], as_index=False).sum()
    return pd.DataFrame(found.merge(facts, on=["supplier_order", "currency"]))


def _settled(night: Night) -> pd.DataFrame:
    """Per key, currency and supplier order what payments that name one invoice paid of it."""
    named = night.intake.parts.get(("payments", "invoice_no"))
    keys = ["key", "currency", "supplier_order"]
    if named is None:
        return without_rows(
            {"key": "str", "currency": "str", "supplier_order": "int64", "settled": "int64"}
        )
    alone = named[~named["row_id"].duplicated(keep=False)]
    paid = night.matched.shares.merge(alone[["row_id", "key"]], on="row_id")
    return paid.groupby(keys, as_index=False).agg(settled=("amount", "sum"))


def _lost(night: Night, proposal: Proposal, targets: pd.DataFrame) -> dict[int, str]:
    """Per line what of its references leads to nothing of its supplier, or elsewhere."""
    named = find_orders(night.matched, proposal.orders)
    reached = set(zip(targets["line"], targets["order"], strict=True))
    out: dict[int, str] = {}
    for line, ref, order in named[["line", "ref", "order"]].itertuples(index=False):
        if order == AMBIGUOUS:
            out.setdefault(int(line), f"several orders could be meant by {ref}")
        elif (line, order) not in reached:
            out.setdefault(int(line), f"no order of this supplier bears the reference {ref}")
    known = _billed(night)
    pairs = proposal.invoices.merge(proposal.lines[["supplier"]], left_on="line", right_index=True)
    billed = pairs.merge(known, how="left", on=["supplier", "key"])
    own = set(zip(targets["line"], targets["supplier_order"], strict=True))
    for at, of_line in billed.groupby("line", sort=True):
        out |= _lost_invoices(of_line, own) if at not in out else {}
    return out


def _lost_invoices(billed: pd.DataFrame, own: set[tuple[int, int]]) -> dict[int, str]:
    """The first invoice number of a line that no order of the line is billed by."""
    out: dict[int, str] = {}
    line = int(billed["line"].iloc[0])
    for ref, part in billed.groupby("ref", sort=True):
        owners = part["supplier_order"].dropna()
        if owners.empty:
            out.setdefault(line, f"no invoice of this supplier has the number {ref}")
        elif not any((line, owner) in own for owner in owners):
            out.setdefault(line, f"the invoice {ref} is for other orders, or in other money")
    return out


def _billed(night: Night) -> pd.DataFrame:
    """Which supplier orders each invoice bills: ``supplier, key, supplier_order``."""
    invoices = night.intake.records.get("invoices")
    names = ["supplier", "key", "supplier_order"]
    if invoices is None:
        return pd.DataFrame({name: [] for name in names}).astype({"supplier": "str", "key": "str"})
    link = night.matched.links["invoices"]
    rows = invoices.iloc[link["row_id"].to_numpy()]
    found = rows[["supplier", "invoice_no_key"]].set_axis(names[:2], axis=1)
    found["supplier_order"] = link["supplier_order"].to_numpy()
    return pd.DataFrame(found.drop_duplicates())


def _judge_all(proposal: Proposal, targets: pd.DataFrame, lost: dict[int, str]) -> list[Judged]:
    """Line after line, since what one line pays is no longer due on the next."""
    of: dict[int, list[dict[str, Any]]] = {}
    for record in targets.to_dict("records"):
        of.setdefault(int(record["line"]), []).append({str(k): v for k, v in record.items()})
    rest: dict[int, int] = {}
    before: dict[int, int] = {}
    out = []
    lines = proposal.lines
    numbers = lines[["row", "amount_minor"]].to_numpy(np.int64).tolist()
    for at, ((row, amount), currency) in enumerate(zip(numbers, lines["currency"], strict=True)):
        mine = [Target.of(record) for record in of.get(at, [])]
        judged = judge_line(
            amount=amount,
            currency=str(currency),
            targets=mine,
            lost=lost.get(at, ""),
            rest=rest,
            before=before,
        )
        out.append(judged)
        for one in mine:
            if one.currency == currency:
                before.setdefault(one.at, row)
    return out


def _evidence(targets: pd.DataFrame, evidence: pd.Series, lines: int) -> list[str]:
    """Files and rows behind what each line would pay."""
    text = targets["supplier_order"].map(evidence).astype("str").fillna("")
    pairs = pd.DataFrame({"line": targets["line"], "text": text}).drop_duplicates()
    pairs = pairs[pairs["text"] != ""]
    joined = pairs.groupby("line")["text"].agg("; ".join)
    return [str(one) for one in joined.astype("str").reindex(range(lines)).fillna("")]


__all__ = ["CANNOT", "DO_NOT", "PAY", "PayCheck", "check_payment"]
