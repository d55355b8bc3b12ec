"""What a rule says of a small shop that was matched: one text for each exception."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from decimal import Decimal

import pandas as pd

from reconcile.checks.catalogue import load_catalogue
from reconcile.checks.evidence import Places
from reconcile.checks.exceptions import find_exceptions
from reconcile.checks.verdicts import Setting
from reconcile.shop import Tolerance
from tests.matching.shops import AS_OF, Result

RULES = load_catalogue()


def exceptions(
    shop: Result, tolerance: tuple[str, str] = ("0", "0"), names: Collection[str] = RULES
) -> pd.DataFrame:
    """Every exception of the shop's facts, as the report has them; the inputs' rules left out.

    ``names``: of these rules, and not of all.
    """
    rules = {
        name: replace(rule, over=tuple(one for one in rule.over if one in names))
        for name, rule in RULES.items()
        if name in names and rule.table.name != "inputs"
    }
    run = Setting(
        as_of=AS_OF,
        covered=shop.intake.covered,
        holidays={},
        tolerance=Tolerance(*(Decimal(limit) for limit in tolerance)),
    )
    matched = shop.matched
    files = tuple(shop.intake.files["file"])
    places = Places(files, matched.places, matched.links)
    return find_exceptions(rules, matched.tables, matched.orders, places, run)


def _with_causes(rule: str) -> set[str]:
    """A rule, and all whose symptom it can be: whether it follows from another is theirs to say."""
    names = {rule}
    for _ in RULES:
        names |= {name for name, other in RULES.items() if names & set(other.over)}
    return names


def said(shop: Result, rule: str, tolerance: tuple[str, str] = ("0", "0")) -> list[str]:
    """Of each exception of one rule: document, SKU, verdict, class, and amount with currency."""
    found = exceptions(shop, tolerance, _with_causes(rule))
    out = []
    for row in found[found["rule"] == rule].to_dict("records"):
        minor = row["amount_minor"]
        amount = "" if pd.isna(minor) else f"{Decimal(int(minor)).scaleb(-2)} {row['currency']}"
        words = (row["document"], row["sku"], row["verdict"], row["class"], amount)
        out.append(" ".join(str(word) for word in words if word))
    return sorted(out)
