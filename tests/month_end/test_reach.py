"""What the bank's rows do not reach is not known: neither proved, nor an error, nor on its way."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from tests.month_end.clean import LAST, MAIN, MONTH, WALLET, booking, cents, clean, text
from tests.month_end.shops import SOURCE, Found, month_end, write_shop
from tests.month_end.small import BEGIN, COST, book, books, payment, small

pytestmark = pytest.mark.no_cover

TO_BANK = "payments-to-bank"
WALLETS = SOURCE.format(record="bank").replace('"bank"', '"wallets"', 1).replace("bank.c", "w.c")


def _ends(found: Found, check: str, account: str = "") -> tuple[str, bool]:
    one = found.balance(check, account)
    return one["verdict"], "end on 2026-10-10" in one["cause"]


def test_after_the_last_row_of_a_bank_nothing_is_known(tmp_path: Path) -> None:
    records = small(6)
    del records["bank"][3:]  # the rest of the month was not exported
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.items(TO_BANK) == [
        ("after-the-bank", "KP-1003", "20.00"),
        ("after-the-bank", "KP-1004", "20.00"),
        ("after-the-bank", "KP-1005", "20.00"),
        ("in-transit", "KP-1006", "20.00"),  # of the 25th: it could be on its way anyhow
    ]
    assert found.figures(TO_BANK) == ("120.00", "60.00", "60.00", "unknown")
    assert _ends(found, TO_BANK) == ("unknown", True)
    # What there is runs, and the books agree with it.
    for check in ("statement-runs", "bank-to-books"):
        assert _ends(found, check) == ("agrees", False)


def test_books_that_differ_from_a_bank_which_ends_early_may_have_what_it_booked_later(
    tmp_path: Path,
) -> None:
    records = small(6)
    del records["bank"][3:]
    books(records, BEGIN - 6 * COST - 4200)
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.balance("bank-to-books")["difference"] == "42.00"
    assert _ends(found, "bank-to-books") == ("unknown", True)


def test_what_an_ended_statement_has_already_missed_is_an_error(tmp_path: Path) -> None:
    records = small(6)
    records["payments"].append(payment("KP-9001", date(2026, 10, 1), 3300))
    del records["bank"][3:]
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert ("not-in-bank", "KP-9001", "33.00") in found.items(TO_BANK, "error")


def test_a_bank_that_goes_on_has_not_booked_what_it_does_not_show(tmp_path: Path) -> None:
    """Its last row of the month is of the 10th, and the next one of November."""
    records = small(6)
    del records["bank"][3:]
    book(records, date(2026, 11, 3), -500, "Fee")
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.items(TO_BANK, "error") == [
        ("not-in-bank", "KP-1003", "20.00"),
        ("not-in-bank", "KP-1004", "20.00"),
        ("not-in-bank", "KP-1005", "20.00"),
    ]
    assert found.figures(TO_BANK)[3] == "differs"
    assert found.figures("statement-runs")[3] == "agrees"


def test_a_bank_that_is_said_to_be_complete_is(tmp_path: Path) -> None:
    records = small(6)
    del records["bank"][3:]
    folder = write_shop(tmp_path, records)
    settings = folder / "shop.toml"
    told = settings.read_text(encoding="utf-8")
    whole = 'files = ["bank.csv"]\ncovered_to = "as-of"'
    settings.write_text(told.replace('files = ["bank.csv"]', whole), encoding="utf-8")
    found = month_end(folder, MONTH)
    assert [what for what, *_ in found.items(TO_BANK, "error")] == ["not-in-bank"] * 3
    assert found.figures("statement-runs")[3] == "agrees"


def test_an_account_that_is_silent_hides_no_other(tmp_path: Path) -> None:
    """A second source of the bank whose last row is of September."""
    records = small(6)
    wallet = booking(WALLET, date(2026, 9, 12), 5000, "Top-up 1", balance="50.00")
    books(records, 5000, WALLET)
    folder = write_shop(tmp_path, records, WALLETS)
    lines = [",".join(wallet), ",".join(map(str, wallet.values()))]
    (folder / "w.csv").write_text("\n".join(lines), encoding="utf-8")
    found = month_end(folder, MONTH)
    assert found.figures(TO_BANK) == ("120.00", "120.00", "0.00", "agrees")
    for check in ("statement-runs", "bank-to-books"):
        assert found.figures(check, MAIN)[3] == "agrees"
        assert found.figures(check, WALLET)[3] == "agrees"


def test_what_waits_too_long_says_so_in_both_checks(tmp_path: Path) -> None:
    """It brings the bank to the books, and is an error where it is held against the bank."""
    records = small(6)
    del records["bank"][2]
    book(records, LAST, -1, "x 1")
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.items(TO_BANK, "error")[0] == ("not-in-bank", "KP-1002", "20.00")
    [item] = [
        each for each in found.balance("bank-to-books")["items"] if each["what"] == "outstanding"
    ]
    assert (item["name"], item["amount"], item["nature"]) == ("KP-1002", "-20.00", "timing")
    assert "more than 7 days, which payments-to-bank of its month calls an error" in item["text"]


def test_booked_again_after_the_months_end_is_twice(tmp_path: Path) -> None:
    """Of October's payment, booked in October: November's row is no part of October's."""
    records = small(4)
    book(records, date(2026, 11, 2), -COST, "KP-1004")
    book(records, date(2026, 11, 28), 100, "Habenzinsen")
    last = date(2026, 11, 30)
    books(records, BEGIN - 4 * COST + 100, day=last)
    found = month_end(write_shop(tmp_path, records), "2026-11")
    assert found.items(TO_BANK) == [("booked-twice", MAIN, "-20.00")]
    assert found.figures(TO_BANK) == ("0.00", "20.00", "-20.00", "differs")


def test_booked_in_two_parts_before_and_after_the_months_end(tmp_path: Path) -> None:
    """At the end of the first month a part is missing; at the end of the second nothing is."""
    records = small(4)
    records["payments"].append(payment("KP-2001", date(2026, 10, 30), 10_000))
    book(records, LAST, -6000, "KP-2001")
    book(records, date(2026, 11, 3), -4000, "KP-2001")
    book(records, date(2026, 11, 28), -100, "Fee")
    last, paid = date(2026, 11, 30), 4 * COST + 10_000
    books(records, BEGIN - paid)
    found = month_end(write_shop(tmp_path / "first", records), MONTH)
    assert found.wrong[TO_BANK] == [("amount-differs", "KP-2001", "40.00")]
    books(records, BEGIN - paid, day=last)
    found = month_end(write_shop(tmp_path / "second", records), "2026-11")
    assert found.wrong == {"bank-to-books": [("charge-not-booked", MAIN, "-1.00")]}
    assert found.items(TO_BANK) == [
        ("booked-before", MAIN, "60.00"),
        ("of-earlier-month", "KP-2001", "-100.00"),
    ]
    assert found.figures(TO_BANK) == ("0.00", "0.00", "0.00", "agrees")


@pytest.mark.parametrize(("ends", "verdict"), [(14, "unknown"), (25, "agrees")])
def test_what_is_dated_after_a_suppliers_statement_cannot_be_on_it(
    ends: int, verdict: str, tmp_path: Path
) -> None:
    records = clean()
    stop = date(2026, 10, ends)
    lines = [row for row in records["statements"] if row["supplier"] == "kestrel"]
    stated = [row for row in lines if str(row["date"]) <= str(stop)]
    total = text(sum(cents(row["amount"]) for row in stated))
    closing = lines[-1] | {"date": stop, "amount": total}
    records["statements"] = [*stated, closing]
    found = month_end(write_shop(tmp_path, records), MONTH)
    account = found.balance("supplier-account", "kestrel (statement)")
    assert (account["difference"], account["verdict"]) == ("0.00", verdict)
    assert [item["what"] for item in account["items"] if item["nature"] == "error"] == []
    later = [item["what"] for item in account["items"]]
    assert later == ["not-stated-yet"] * (len(lines) - 1 - len(stated))


def test_a_sale_of_an_order_newer_than_the_export_is_unknown(tmp_path: Path) -> None:
    """The orders end on the 12th: what the payouts show later may be of orders made since."""
    records = clean()
    records["orders"] = records["orders"][:12]
    del records["payouts"][4]  # of the first week, whose orders are all there
    found = month_end(write_shop(tmp_path, records), MONTH)
    sales = found.balance("customers-to-payouts", "sales")
    assert sales["verdict"] == "unknown"
    assert sales["cause"] == "The orders end on 2026-10-12."
    missing = [item[:2] for item in found.items("customers-to-payouts", "unknown")]
    assert missing == [("sale-of-no-order", f"LL-{number}") for number in range(1013, 1021)]
    [error] = found.items("customers-to-payouts", "error")
    assert error[:2] == ("sale-in-no-payout", "LL-1003")


def _in_two_files(folder: Path, last: date, first: date) -> Path:
    """The bank's rows up to a day in one file, and from another day on in the next."""
    whole, settings = folder / "bank.csv", folder / "shop.toml"
    head, *lines = whole.read_text(encoding="utf-8").splitlines()
    day = head.split(",").index("booked_on")
    for name, chosen in (
        ("bank-1.csv", [line for line in lines if line.split(",")[day] <= str(last)]),
        ("bank-2.csv", [line for line in lines if line.split(",")[day] >= str(first)]),
    ):
        (folder / name).write_text("\n".join([head, *chosen]), encoding="utf-8")
    whole.unlink()
    told = settings.read_text(encoding="utf-8")
    settings.write_text(told.replace('"bank.csv"', '"bank-*.csv"'), encoding="utf-8")
    return folder


def test_days_that_are_in_no_file_of_the_bank_prove_nothing(tmp_path: Path) -> None:
    """An export too few: what was booked in its days is neither missing nor on its way."""
    records = small(6)
    busy = (1, 2, 3, 5, 7, 8, 22, 23, 24, 27, 28, 29, 30)
    for day in busy:
        book(records, date(2026, 10, day), -100, "Fee")
    records["payments"].append(payment("KP-9001", date(2026, 10, 22), 3300))
    books(records, BEGIN - 6 * COST - len(busy) * 100 - 3300)
    folder = write_shop(tmp_path, records)
    found = month_end(_in_two_files(folder, date(2026, 10, 9), date(2026, 10, 20)), MONTH)
    cause = "Days of the bank are in no file: 2026-10-09 to 2026-10-21."
    hidden = [("on-missing-days", f"KP-{number}", "20.00") for number in (1002, 1003, 1004)]
    assert found.items(TO_BANK, "unknown") == hidden
    assert found.items(TO_BANK, "error") == [("not-in-bank", "KP-9001", "33.00")]
    assert found.items("statement-runs") == [("does-not-run", MAIN, "60.00")]
    assert found.items("statement-runs", "error") == []
    for check in (TO_BANK, "statement-runs", "bank-to-books"):
        assert (found.figures(check)[3], found.balance(check)["cause"]) == ("unknown", cause)
