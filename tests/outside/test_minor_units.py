"""Decimals of currencies: ISO 4217, Currency, fund and precious metal codes (list one).

Sources: PyPI ``iso4217``, which carries the official list; PyPI ``babel``, which carries the
Unicode CLDR's own figures and is known to differ from ISO on 13 codes, where CLDR gives what is
used in shops and ISO what is official.
"""

from __future__ import annotations

from collections import Counter
from datetime import date
from typing import TYPE_CHECKING

import iso4217
from babel.numbers import get_currency_precision

from tests.outside.shop_folder import exceptions, nightly, write_shop

if TYPE_CHECKING:
    from pathlib import Path

    from tests.outside.shop_folder import Records

AS_OF = date(2026, 9, 30)
WITHOUT_DECIMALS = [
    *("BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "UYI"),
    *("VND", "VUV", "XAF", "XOF", "XPF"),
]
WITH_THREE = ["BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"]
WITH_FOUR = ["CLF", "UYW"]
# ISO 4217 against CLDR: all of them have no decimals in CLDR.
DIFFERENT_IN_CLDR = {
    "IQD": 3,
    **dict.fromkeys(("AFN", "ALL", "IRR", "KPW", "LAK", "LBP", "MGA", "MMK", "RSD"), 2),
    **dict.fromkeys(("SOS", "SYP", "YER"), 2),
}


def _exponents() -> dict[str, int]:
    return {each.code: each.exponent for each in iso4217.Currency if each.exponent is not None}


def test_list_in_use_is_the_official_one() -> None:
    exponents = _exponents()
    assert sorted(code for code, decimals in exponents.items() if decimals == 0) == WITHOUT_DECIMALS
    assert sorted(code for code, decimals in exponents.items() if decimals == 3) == WITH_THREE
    assert sorted(code for code, decimals in exponents.items() if decimals == 4) == WITH_FOUR
    assert set(Counter(exponents.values())) == {0, 2, 3, 4}


def test_second_list_differs_where_it_is_known_to() -> None:
    different = {
        code: decimals
        for code, decimals in _exponents().items()
        if get_currency_precision(code) != decimals
    }
    assert different == DIFFERENT_IN_CLDR


def _shop(folder: Path, amounts: list[tuple[str, str]]) -> Path:
    """One unpaid order and one invoice line for each currency and line total, in file order."""
    orders = [
        {
            "order_ref": f"MU-{place}",
            "ordered_at": "2026-09-01",
            "sku": "lantern",
            "qty": 1,
            "unit_price": 1,
            "currency": "EUR",
            "supplier": "alder",
            "customer_paid_at": "2026-09-01",
        }
        for place in range(len(amounts))
    ]
    invoices = [
        {
            "supplier": "alder",
            "invoice_no": f"A-{place}",
            "invoice_date": "2026-09-02",
            "order_ref": f"MU-{place}",
            "sku": "lantern",
            "qty": 1,
            "unit_cost": amount,
            "currency": currency,
            "line_total": amount,
        }
        for place, (currency, amount) in enumerate(amounts)
    ]
    # A top-up pays no order: it is there so that the payments file has a row.
    payments: list[dict[str, object]] = [
        {
            "supplier": "alder",
            "payment_ref": "T-1",
            "paid_at": "2026-09-02",
            "amount": "5.00",
            "currency": "EUR",
            "kind": "top-up",
        }
    ]
    records: Records = {"orders": orders, "invoices": invoices, "payments": payments}
    return write_shop(folder, records)


def test_amounts_are_printed_with_the_decimals_of_their_currency(tmp_path: Path) -> None:
    amounts = [("JPY", "1235"), ("EUR", "12.35"), ("BHD", "1.235"), ("CLF", "1.2345")]
    shop = _shop(tmp_path / "shop", amounts)
    out = nightly(shop, AS_OF, tmp_path / "out")
    assert exceptions(out, "rows-rejected") == []
    unpaid = exceptions(out, "unpaid")
    assert sorted((row["currency"], row["amount"]) for row in unpaid) == sorted(amounts)


def test_more_decimals_than_the_currency_has_reject_the_row(tmp_path: Path) -> None:
    good = [("JPY", "1235"), ("BHD", "1.235"), ("EUR", "12.35")]
    wrong = [
        ("JPY", "12.35"),
        ("EUR", "12.345"),
        ("BHD", "1.2345"),
        ("KRW", "0.5"),
        ("USD", "1.001"),
    ]
    shop = _shop(tmp_path / "shop", good + wrong)
    out = nightly(shop, AS_OF, tmp_path / "out")
    # A rejected invoice line leaves its order without a payable, so without an amount.
    amounts = {row["order_ref"]: row["amount"] for row in exceptions(out, "unpaid")}
    assert amounts == {
        "MU-0": "1235",
        "MU-1": "1.235",
        "MU-2": "12.35",
        **{f"MU-{place}": "" for place in range(3, 8)},
    }
    rejected = exceptions(out, "rows-rejected")
    assert rejected
    evidence = " ".join(row["evidence"] + row["explanation"] for row in rejected)
    assert "invoices.csv" in evidence
