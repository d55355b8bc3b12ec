"""How cells are written: found from whole columns, and asked about where they do not tell."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.intake.folders import (
    column,
    csv_of,
    fates,
    only_problem,
    read,
    refused,
    rejects,
    source,
    write,
)

EURO = "EUR"


def _file(*cells: dict[str, str], **usual: str) -> str:
    """Orders, one a row; cells that are not given are plain and decide nothing."""
    rows = []
    names = ["order_ref", "ordered_at", "sku", "qty", "unit_price", "currency", "order_total"]
    names += sorted({name for row in (*cells, usual) for name in row} - set(names))
    for number, given in enumerate(cells, start=1):
        plain = {"order_ref": f"A{number}", "ordered_at": "2026-01-02", "sku": "LAN-1"}
        plain |= {"qty": "1", "unit_price": "5", "currency": EURO} | usual | given
        rows.append(";".join(f'"{plain.get(name, "")}"' for name in names))
    return csv_of(";".join(names), *rows)


def _prices(folder: Path, *texts: str, **usual: str) -> list[object]:
    found = read(write(folder, {"orders.csv": _file(*({"unit_price": t} for t in texts), **usual)}))
    return column(found.records["orders"], "unit_price_micro")


@pytest.mark.parametrize(
    ("texts", "micro"),
    [
        (("1.234,56", "2"), [1_234_560_000, 2_000_000]),
        (("1,234.56", "2"), [1_234_560_000, 2_000_000]),
        (("1 234,56", "1 234"), [1_234_560_000, 1_234_000_000]),
        (("1\u00a0234,56", "7,5"), [1_234_560_000, 7_500_000]),
        (("1'234.56", "1\u2019234"), [1_234_560_000, 1_234_000_000]),
        (("1.234", "12,5"), [1_234_000_000, 12_500_000]),
        (("1,234", "12.5"), [1_234_000_000, 12_500_000]),
        (("€ 12", "12,00 EUR", "EUR 3,50"), [12_000_000, 12_000_000, 3_500_000]),
        (("1.275",), [1_275_000]),
        (("0,125", "1,275"), [125_000, 1_275_000]),
        (("1.234.567",), [1_234_567_000_000]),
    ],
)
def test_the_decimal_mark_is_found_from_the_column(
    tmp_path: Path, texts: tuple[str, ...], micro: list[int]
) -> None:
    assert _prices(tmp_path, *texts) == micro


@pytest.mark.parametrize("texts", [("1,234",), ("1,234", "5"), ("1,234", "99,999")])
def test_a_lone_comma_is_a_question(tmp_path: Path, texts: tuple[str, ...]) -> None:
    files = {"orders.csv": _file(*({"unit_price": text} for text in texts))}
    problem = only_problem(write(tmp_path, files))
    assert (problem.place, problem.row) == ("orders.csv", 2)
    assert "unit_price can be read in two ways" in problem.what
    assert 'decimal = "."' in problem.mend


def test_a_lone_comma_is_not_decided_by_another_column(tmp_path: Path) -> None:
    files = {"orders.csv": _file({"unit_price": "1,234", "order_total": "9.50"})}
    assert "unit_price" in only_problem(write(tmp_path, files)).what


@pytest.mark.parametrize(("mark", "micro"), [(".", 1_234_000_000), (",", 1_234_000)])
def test_the_answer_in_the_settings_is_taken(tmp_path: Path, mark: str, micro: int) -> None:
    settings = source("orders", f'[source.format]\ndecimal = "{mark}"')
    folder = write(tmp_path, {"orders.csv": _file({"unit_price": "1,234"})}, settings)
    assert column(read(folder).records["orders"], "unit_price_micro") == [micro]


def test_another_file_of_the_source_decides_the_same_column(tmp_path: Path) -> None:
    files = {
        "orders-1.csv": _file({"unit_price": "1,234"}),
        "orders-2.csv": _file({"unit_price": "12,50", "order_ref": "B"}),
    }
    found = read(write(tmp_path, files)).records["orders"]
    assert sorted(map(str, column(found, "unit_price_micro"))) == ["1234000", "12500000"]


def test_what_the_file_shows_counts_more_than_other_files(tmp_path: Path) -> None:
    files = {
        "orders-1.csv": _file({"unit_price": "12.50"}),
        "orders-2.csv": _file({"unit_price": "1.234", "order_total": "12,50"}),
    }
    problem = only_problem(write(tmp_path, files))
    assert problem.place == "orders-2.csv"
    assert "1.234" in problem.what


def test_the_mark_of_most_rows_counts_and_not_that_of_most_texts(tmp_path: Path) -> None:
    found = _prices(tmp_path, *["12.50"] * 40, "3,50", "4,50", "1,234")
    assert found == [12_500_000] * 40 + [1_234_000_000]


def test_a_lone_point_in_an_amount_or_a_count_is_a_question(tmp_path: Path) -> None:
    for cells in ({"order_total": "1.234"}, {"qty": "1.000"}):
        problem = only_problem(write(tmp_path, {"orders.csv": _file(cells)}))
        assert next(iter(cells)) in problem.what


def test_a_lone_point_is_decided_by_the_file(tmp_path: Path) -> None:
    files = {"orders.csv": _file({"order_total": "1.234", "unit_price": "12,50"})}
    assert "order_total" in only_problem(write(tmp_path, files)).what
    files = {"orders.csv": _file({"qty": "1.000", "unit_price": "12.50"})}
    assert column(read(write(tmp_path, files)).records["orders"], "qty") == [1]


def test_a_lone_point_in_a_currency_with_three_decimals(tmp_path: Path) -> None:
    files = {"orders.csv": _file({"order_total": "1.234"}, currency="KWD")}
    assert column(read(write(tmp_path, files)).records["orders"], "order_total_minor") == [1234]


def test_both_marks_and_a_cell_that_fits_either_are_a_question(tmp_path: Path) -> None:
    texts = ("12,50", "12.50", "1,234")
    files = {"orders.csv": _file(*({"unit_price": text} for text in texts))}
    assert "decimal points and decimal commas" in only_problem(write(tmp_path, files)).what


def test_one_cell_among_many_is_rejected_and_never_bent(tmp_path: Path) -> None:
    many = [{"unit_price": f"{n},50"} for n in range(20)]
    found = read(write(tmp_path, {"orders.csv": _file(*many, {"unit_price": "12.50"})}))
    assert rejects(found) == [("orders.csv", 22, "unit_price", "12.50")]


@pytest.mark.parametrize("text", ["$ 12.50", "12.50 USD", "£12.50"])
def test_an_amount_in_another_currency_than_its_row_is_rejected(tmp_path: Path, text: str) -> None:
    found = read(write(tmp_path, {"orders.csv": _file({"unit_price": text})}))
    assert rejects(found) == [("orders.csv", 2, "unit_price", text)]


def _days(folder: Path, *texts: str, **usual: str) -> list[str]:
    files = {"orders.csv": _file(*({"ordered_at": text} for text in texts), **usual)}
    found = read(write(folder, files)).records["orders"]["ordered_date"]
    return [f"{day:%m-%d}" for day in found]


@pytest.mark.parametrize(
    ("texts", "days"),
    [
        (("2026-01-02", "2026-01-03 23:59"), ["01-02", "01-03"]),
        (("20260102",), ["01-02"]),
        (("02.01.2026", "31.01.2026"), ["01-02", "01-31"]),
        (("02/01/2026", "31/01/26"), ["01-02", "01-31"]),
        (("01/02/2026 3:45 PM", "01/31/2026 11:15 AM"), ["01-02", "01-31"]),
        (("2 Jan 2026", "31. Januar 2026", "Jan 5, 2026"), ["01-02", "01-31", "01-05"]),
        (("46024", "46025.99"), ["01-02", "01-03"]),
        (("05/05/2026",), ["05-05"]),
    ],
)
def test_the_form_of_dates_is_found_from_the_column(
    tmp_path: Path, texts: tuple[str, ...], days: list[str]
) -> None:
    assert _days(tmp_path, *texts) == days


@pytest.mark.parametrize("text", ["02/01/2026", "2.1.26", "02-01-2026"])
def test_day_or_month_first_is_a_question(tmp_path: Path, text: str) -> None:
    files = {"orders.csv": _file({"ordered_at": text}, {"ordered_at": "05/05/2026"})}
    problem = only_problem(write(tmp_path, files))
    assert "begin with the day or with the month" in problem.what
    assert '"day-first"' in problem.mend


@pytest.mark.parametrize(("order", "days"), [("day-first", ["01-02"]), ("month-first", ["02-01"])])
def test_the_answer_about_days_is_taken(tmp_path: Path, order: str, days: list[str]) -> None:
    settings = source("orders", f'[source.format]\ndates = "{order}"')
    folder = write(tmp_path, {"orders.csv": _file({"ordered_at": "02/01/2026"})}, settings)
    found = read(folder).records["orders"]["ordered_date"]
    assert [f"{day:%m-%d}" for day in found] == days


def test_another_column_of_the_file_tells_day_and_month_apart(tmp_path: Path) -> None:
    assert _days(tmp_path, "02/01/2026", customer_paid_at="31/01/2026") == ["01-02"]
    assert _days(tmp_path, "02/01/2026", customer_paid_at="01/31/2026") == ["02-01"]


def test_a_date_that_does_not_fit_is_rejected_and_never_swapped(tmp_path: Path) -> None:
    many = [{"ordered_at": f"{day}/01/2026"} for day in range(13, 31)]
    found = read(write(tmp_path, {"orders.csv": _file(*many, {"ordered_at": "01/31/2026"})}))
    assert rejects(found) == [("orders.csv", 20, "ordered_at", "01/31/2026")]


def test_days_first_and_months_first_in_one_column_are_a_question(tmp_path: Path) -> None:
    for texts in (("31/01/2026", "01/31/2026"), ("31/01/2026", "01/31/2026", "02/01/2026")):
        files = {"orders.csv": _file(*({"ordered_at": text} for text in texts))}
        assert "with the day and some" in only_problem(write(tmp_path, files)).what


@pytest.mark.parametrize("count", [4, 12, 100])
def test_a_stray_date_does_not_swap_a_column_that_can_be_read_both_ways(
    tmp_path: Path, count: int
) -> None:
    # The first days of October with the day first; one date has been typed in the other order
    texts = [f"{1 + number % 9:02d}/10/2026" for number in range(count)]
    folder = write(tmp_path, {"orders.csv": _file(*({"ordered_at": t} for t in texts))})
    stray = [*texts, "10/31/2026"]
    write(tmp_path, {"orders.csv": _file(*({"ordered_at": t} for t in stray))})
    assert "begin with the day or with the month" in only_problem(folder).what
    plain = {"customer_paid_at": "30/10/2026"}
    write(tmp_path, {"orders.csv": _file(*({"ordered_at": t} for t in stray), **plain)})
    assert rejects(read(folder)) == [("orders.csv", count + 2, "ordered_at", "10/31/2026")]


def test_the_first_days_of_a_month_are_read_by_those_that_tell(tmp_path: Path) -> None:
    texts = [f"{day:02d}/10/2026" for day in range(1, 15)]
    assert _days(tmp_path, *texts) == [f"10-{day:02d}" for day in range(1, 15)]


def test_of_two_forms_the_one_of_most_dates_counts(tmp_path: Path) -> None:
    texts = ("31/01/2026", "30/01/2026", "2026-01-31")
    found = read(write(tmp_path, {"orders.csv": _file(*({"ordered_at": t} for t in texts))}))
    assert rejects(found) == [("orders.csv", 4, "ordered_at", "2026-01-31")]
    assert [f"{day:%m-%d}" for day in found.records["orders"]["ordered_date"]] == ["01-31", "01-30"]


def test_what_was_found_is_said(tmp_path: Path) -> None:
    files = {"orders.csv": _file({"unit_price": "12,50", "ordered_at": "31.01.2026"})}
    found = read(write(tmp_path, files)).files["format"][0]
    assert "decimal ',' in unit_price" in found
    assert "dates 'day-first'" in found
    assert "encoding 'utf-8'" in found


def test_words_of_the_file_for_the_words_that_are_known(tmp_path: Path) -> None:
    header = "supplier,payment_ref,paid_at,amount,currency,status,kind"
    rows = [f"K,P{n},2026-01-02,5.00,EUR,{word}," for n, word in enumerate(("Done", "OPEN", "x"))]
    for words in ('Done = "settled"\nopen = "pending"', 'settled = ["done"]\npending = "Open"'):
        settings = source("orders") + source("payments", f"[source.words.status]\n{words}")
        files = {"orders.csv": _file({}), "payments.csv": csv_of(header, *rows)}
        found = read(write(tmp_path, files, settings))
        assert column(found.records["payments"], "status") == ["settled", "pending"]
        assert [text for *_, text in rejects(found)] == ["x"]


def test_words_that_name_nothing_known_are_refused(tmp_path: Path) -> None:
    settings = source("orders") + source("payments", '[source.words.status]\nDone = "finished"')
    files = {"orders.csv": _file({}), "payments.csv": "supplier\n"}
    assert any(
        "names no word that is known" in p.what for p in refused(write(tmp_path, files, settings))
    )


def test_nothing_is_written_in_many_ways(tmp_path: Path) -> None:
    texts = ["-", "—", "n/a", "N/A", "", "null"]
    files = {
        "orders.csv": _file(*({"order_total": t, "tracking_no": t, "sent_at": t} for t in texts))
    }
    found = read(write(tmp_path, files))
    assert fates(found) == [{"accepted": 6}]
    frame = found.records["orders"]
    assert column(frame, "tracking_no") == [""] * 6
    assert column(frame, "order_total_minor") == [None] * 6
    assert column(frame, "sent_date") == [None] * 6
