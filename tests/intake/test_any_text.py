"""Whatever stands in a cell: it parses or rejects its row, and no row is lost."""

from __future__ import annotations

import csv
import io
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.errors import RefusedError
from reconcile.intake.load import Intake
from reconcile.records import RECORDS, Column
from tests.intake.folders import AS_OF, column, fates, read, source, write

pytestmark = pytest.mark.no_cover

_GOOD = {
    "reference": "LL-1", "references": "LL-1; LL-2", "sku": "LAN-1", "supplier": "kestrel",
    "currency": "EUR", "country": "IE", "count": "2", "money": "12.50", "price": "6.25",
    "date": "2026-01-02", "flag": "yes", "rate": "1.1", "text": "KX00000001P",
    "narrative": "PAY-1 LL-1", "payee": "kestrel",
}  # fmt: skip
_TEXT = st.text(st.characters(codec="utf-8"), max_size=12)
_ODD = st.sampled_from(
    ["\0", '"', '""', "\n", "\r", ",", "'", "=1+1", "\u00a0", "½", "²", "\u202e", "İ", "ß", "ﬁ",
     "1e5", "-0", "0.00", "1,000", "1.000", "9" * 10, "9" * 40, "0" * 20, ".", "+", "nan", "NULL",
     "2026-02-30", "2026-03-29 01:30", "9999-12-31", "1900-01-01 00:00+14:00", "now", "\x1c",
     "\x1f"]
)  # fmt: skip
_NEAR = st.from_regex(r"[-+]?[0-9]{0,11}[.,]?[0-9]{0,7}", fullmatch=True) | st.from_regex(
    r"20[0-9]{2}-[0-9]{2}-[0-9]{2}", fullmatch=True
)
_CELL = _TEXT | _ODD | _NEAR | st.builds(str.__add__, _TEXT, _ODD)
_ENDINGS = st.sampled_from(["\n", "\r\n", "\r"])


def _good(field: Column) -> str:
    return field.words[0] if field.words else _GOOD[field.kind]


def _csv(rows: list[list[str]], ending: str) -> bytes:
    text = io.StringIO(newline="")
    # Python leaves a lone CR unquoted, which readers take for a new row
    csv.writer(text, lineterminator=ending, quoting=csv.QUOTE_ALL).writerows(rows)
    return text.getvalue().encode()


def _in_folder(check: Callable[[Path], None]) -> None:
    with tempfile.TemporaryDirectory() as name:
        check(Path(name))


def _shop(folder: Path, record: str, files: list[bytes], extra: str = "") -> Path:
    names = [field.name for field in RECORDS["orders"].columns if field.required]
    orders = _csv([names], "\n")
    named = {f"{record}-{number}.csv": data for number, data in enumerate(files)}
    both = source("orders") + source(record, extra) if record != "orders" else source(record, extra)
    return write(folder, {"orders.csv": orders} | named if record != "orders" else named, both)


_PLAIN = '[source.format]\ndecimal = "."\ndates = "year-first"'


@pytest.mark.parametrize("record", RECORDS)
@given(data=st.data())
@settings(max_examples=12)
def test_any_text_in_any_cell_parses_or_rejects_its_row(record: str, data: st.DataObject) -> None:
    fields = RECORDS[record].columns
    good = [_good(field) for field in fields]
    at = data.draw(st.integers(0, len(fields) - 1))
    texts = data.draw(st.lists(_CELL, min_size=1, max_size=6))
    rows = [[*good[:at], text, *good[at + 1 :]] for text in texts]
    names = [field.name for field in fields]
    content = _csv([names, good, *rows, good], data.draw(_ENDINGS))

    def check(folder: Path) -> None:
        # Found by itself, the decimal mark would be that of most cells, and not of the good ones
        shop = _shop(folder, record, [content], _PLAIN)
        if b"\0" in content:
            with pytest.raises(RefusedError) as caught:
                read(shop)
            assert "zero byte" in caught.value.problems[0].what
            return
        found = read(shop)
        [mine] = [fate for fate in found.files.to_dict("records") if fate["record"] == record]
        assert mine["rows"] == len(rows) + 3
        assert mine["accepted"] >= 2  # the good rows stand, whatever is between them
        # One row is one cell away from good: what is rejected is that cell, or one below a limit
        assert set(found.rejected["column"]) <= set(names)
        assert set(found.rejected["row"]) <= set(range(3, len(rows) + 3))

    _in_folder(check)


@pytest.mark.parametrize("form", ["day-first", "month-first", "%d.%m.%Y", "%d %b %Y %H:%M %z"])
@given(texts=st.lists(_CELL | st.from_regex(r"[0-9]{1,2}[./][0-9]{1,2}[./][0-9]{4}"), max_size=8))
@settings(max_examples=12)
def test_any_text_for_a_date_of_any_form(form: str, texts: list[str]) -> None:
    names = [field.name for field in RECORDS["orders"].columns if field.required]
    kinds = {field.name: _good(field) for field in RECORDS["orders"].columns}
    rows = [[kinds[name] if name != "ordered_at" else text for name in names] for text in texts]
    zone = f'[source.format]\ndates = "{form}"\ntime_zone = "Asia/Tokyo"'
    content = _csv([names, *rows], "\n").replace(b"\0", b"?")

    def check(folder: Path) -> None:
        days = read(_shop(folder, "orders", [content], zone)).records["orders"]["ordered_date"]
        assert days.between("1899-12-31", str(AS_OF)).all()

    _in_folder(check)


_ROW = st.lists(_TEXT.map(lambda text: text.replace("\0", "")), max_size=8)
_LIKELY = st.tuples(
    st.sampled_from(["1", "2", ""]),
    st.sampled_from(["2026-01-02", "2026-01-03", "2027-01-01", "x"]),
    st.sampled_from(["LAN-1", "LAN-2", " "]),
    st.sampled_from(["1", "2", "-1"]),
    st.sampled_from(["1.00", "2,5"]),
    st.sampled_from(["EUR", "JPY", ""]),
).map(list)
_FILE = st.lists(_LIKELY | _ROW | st.just([]), max_size=12)


def _longer(row: list[str]) -> bool:
    return any(cell.strip() for cell in row[6:])


def _unless_too_long(shop: Path) -> Intake | None:
    try:
        return read(shop)
    except RefusedError as refused:
        if "more cells than the header" in str(refused):
            return None
        raise


@given(files=st.lists(_FILE, min_size=1, max_size=3), ending=_ENDINGS)
@settings(max_examples=20)
def test_every_row_has_one_fate(files: list[list[list[str]]], ending: str) -> None:
    names = [field.name for field in RECORDS["orders"].columns if field.required]
    contents = [_csv([names, *rows], ending) for rows in files]

    def check(folder: Path) -> None:
        shop = _shop(folder, "orders", contents)
        if any(2 * sum(map(_longer, rows)) > len(rows) for rows in files):
            with pytest.raises(RefusedError, match="more cells than the header"):
                read(shop)
            return
        found = _unless_too_long(shop)
        if found is None:  # few rows are left beside blank ones
            assert any(_longer(row) for rows in files for row in rows)
            return
        assert list(found.files["rows"]) == [len(rows) + 1 for rows in files]
        places = [*zip(found.rejected["file"], found.rejected["row"], strict=True)]
        assert len(set(places)) == len(places)

    _in_folder(check)


_DOZEN = st.lists(_LIKELY, max_size=12)


@given(rows=_DOZEN, cuts=st.tuples(st.integers(0, 12), st.integers(0, 12)))
@settings(max_examples=12)
def test_overlapping_files_give_the_rows_of_the_one_they_were_cut_from(
    rows: list[list[str]], cuts: tuple[int, int]
) -> None:
    names = [field.name for field in RECORDS["orders"].columns if field.required]
    # Rows that differ, and every key once: nothing here is a change of something else
    rows = [[f"{number}", *row[1:]] for number, row in enumerate(rows)]
    end, begin = max(cuts), min(cuts)
    parts = [[names, *rows[:end]], [names, *rows[begin:]]]

    def shown(name: str, files: list[bytes]) -> tuple[list[list[object]], dict[str, int]]:
        with tempfile.TemporaryDirectory(name) as folder:
            found = read(_shop(Path(folder), "orders", files, _PLAIN))
        frame = found.records["orders"].sort_values("order_ref")
        total: dict[str, int] = {}
        for fate in fates(found):
            for name_, count in fate.items():
                total[name_] = total.get(name_, 0) + count
        total.pop("repeats", None)
        columns = ("order_ref", "ordered_date", "qty", "unit_price_micro")
        return [column(frame, name_) for name_ in columns], total

    whole = shown("whole", [_csv([names, *rows], "\n")])
    assert shown("parts", [_csv(part, "\n") for part in parts]) == whole
