"""``python -m tests.shops.sample``: writes sample_exports/ anew, and what it has to give.

The sample is a shop like all others that are built here, in the layouts of other programs, with
a few rows that cannot be read, one that changed between two exports, and two orders whose numbers
differ in the prefix only.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pandas as pd

from tests.shops.build import Plan, Scenario, Truth, imagine, supplier_toml
from tests.shops.cash_tables import written
from tests.shops.catalogue import ITEMS, SUPPLIERS
from tests.shops.faults import FAULTS
from tests.shops.layout import Layout
from tests.shops.sample_layout import (
    DAY_COLUMNS,
    LAYOUTS,
    MOMENT_COLUMNS,
    MONEY_COLUMNS,
    UNKNOWN_COLUMNS,
    WHOLE_ORDER,
)
from tests.shops.sample_money import sample_money
from tests.shops.sample_readme import readme
from tests.shops.text import ORDER_PREFIX

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "sample_exports"
TRUTH_FILE = Path(__file__).with_name("sample_truth.csv")
INPUT_FILE = Path(__file__).with_name("sample_inputs.csv")
MONEY_FILE = Path(__file__).with_name("sample_money.csv")
SCENARIO = Scenario(
    as_of=date(2026, 10, 31),
    zone="Europe/Dublin",
    holidays=((date(2026, 10, 26),), (date(2026, 10, 28),)),
)
ORDERS, SEED = 400, 12
AT_NIGHT = "missing-tracking-until-today"
_MONTHS = ("2026-08", "2026-09", "2026-10")
_DAY, _MARK = "_day", "_mark"
_OLDER = "older"


@dataclass(frozen=True)
class Sample:
    """The files of the sample by path, and the truth about them."""

    files: dict[str, bytes]
    truth: Truth
    inputs: pd.DataFrame  # rule, verdict, order_ref, file, row, column, text
    told: pd.DataFrame  # what the cash check of each month says; see sample_money


def sample() -> Sample:
    """Everything about the sample shop; nothing is written."""
    rates = {kind.name: 1e-9 for kind in FAULTS if not kind.once}
    exports, truth = imagine(Plan(ORDERS, SEED, rates, scenario=SCENARIO, sample=True))
    tables = {export.record: export.table().to_pandas() for export in exports}
    rows_by_record = {record: len(table) for record, table in tables.items()}
    money, told = sample_money(tables, _unreadable(truth), _lost_bill(tables, truth))
    tables |= written(money, SCENARIO.as_of)
    files: dict[str, bytes] = {}
    inputs: list[dict[str, str]] = []
    for layout in LAYOUTS:
        rows = _with_faults(layout, _formatted(layout, tables[layout.record], truth), truth, tables)
        for path, part in _by_file(layout, rows):
            inputs += _marked(layout, path, part)
            files[path] = _csv(layout, part)
    pair = truth.cases[truth.cases["kind"] == "one-number-twice"]["order_ref"]
    inputs += [_input("key-collision", order_ref=ref) for ref in pair]
    listed = pd.DataFrame(inputs).sort_values(["rule", "file", "row", "order_ref"])
    files["shop.toml"] = _shop_toml().encode()
    truth = replace(truth, rows=rows_by_record)
    files["README.md"] = readme(truth, listed, told, sorted(files)).encode()
    return Sample(files, truth, listed, told)


def write(folder: Path = FOLDER) -> None:
    """Write the sample shop into a folder; what is no longer part of it is removed."""
    made = sample()
    for path in sorted(folder.rglob("*.csv")):
        name = path.relative_to(folder).as_posix()
        if name not in made.files and not name.startswith("out/"):
            path.unlink()
    for name, content in made.files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


def truth_files() -> dict[Path, str]:
    """The truth about the sample as CSV text, by the file that holds it."""
    made = sample()
    return {
        TRUTH_FILE: made.truth.exceptions.to_csv(index=False, lineterminator="\n"),
        INPUT_FILE: made.inputs.to_csv(index=False, lineterminator="\n"),
        MONEY_FILE: made.told.to_csv(index=False, lineterminator="\n"),
    }


def _formatted(layout: Layout, table: pd.DataFrame, truth: Truth) -> pd.DataFrame:
    """The rows of one layout, cells written its way, columns still under our names."""
    rows = table.copy()
    if layout.supplier:
        (supplier,) = (each for each in SUPPLIERS if each.name == layout.supplier)
        rows = rows[rows["supplier"].isin(supplier.spellings)].copy()
    rows[_DAY] = rows[layout.date].str.slice(0, 10) if layout.date else ""
    rows[_MARK] = ""
    if layout.record == "orders":
        rows.loc[rows["line_no"] != "1", list(WHOLE_ORDER)] = ""
        rows["address"] += ", Little Hoping"
    if "description" in layout.headers:
        names = {item.sku: item.name for item in ITEMS}
        rows["description"] = rows["sku"].str.upper().map(names)
    night = truth.exceptions.query("kind == @AT_NIGHT")["order_ref"]
    late = (
        rows["order_ref"].isin(night)
        if "order_ref" in rows
        else pd.Series(data=False, index=rows.index)
    )
    for name in rows.columns.intersection(list(layout.headers)):
        if name in DAY_COLUMNS:
            rows[name] = [
                _day_text(layout, text, late=is_late)
                for text, is_late in zip(rows[name], late, strict=True)
            ]
        if name in MOMENT_COLUMNS:
            rows[name] = [
                f"{datetime.fromisoformat(text):{layout.moment_pattern}}" if text else ""
                for text in rows[name]
            ]
        if name in MONEY_COLUMNS:
            rows[name] = rows[name].str.replace(".", layout.decimal, regex=False)
    return rows


def _day_text(layout: Layout, text: str, *, late: bool) -> str:
    """A date in the layout's pattern; where it wants a time, that of its own zone."""
    if not text:
        return ""
    day = datetime.fromisoformat(text)
    if layout.time_zone:
        # Working hours there; or late in the evening, when it is tomorrow here already
        minutes = 9 * 60 + sum(text.encode()) * 7 % 480
        day += timedelta(minutes=-30) if late else timedelta(minutes=minutes)
    return f"{day:{layout.day_pattern}}"


def _with_faults(
    layout: Layout, rows: pd.DataFrame, truth: Truth, tables: dict[str, pd.DataFrame]
) -> pd.DataFrame:
    """Rows that cannot be read, and one that changes between two files."""
    if layout.name == "store-orders":
        mine = rows["order_ref"] == _unreadable(truth)
        rows.loc[mine, ["qty", _MARK]] = ["one", "qty"]
        plain = _plain_orders(rows, truth)
        posted = (rows["tracking_no"] != "") & rows["order_ref"].isin(plain)
        old = rows[posted & rows[_DAY].between("2026-08-28", "2026-08-31")].index[0]
        rows.loc[old, _MARK] = _OLDER
    if layout.name == "payments":
        extra = rows[rows[_DAY] == "2026-09-15"].iloc[[0]].copy()
        extra[["payment_ref", "status", "paid_at"]] = ["PAY-9001", "failed", "2026-09-31 10:15"]
        extra[_MARK] = "paid_at"
        rows = pd.concat([rows, extra])
    if layout.name == "kestrel-invoices":
        rows = pd.concat([rows, _unreadable_invoice(tables, truth)])
    return rows


def _plain_orders(orders: pd.DataFrame, truth: Truth) -> set[str]:
    """Orders of one line that are no case."""
    lines = orders["order_ref"].value_counts()
    return set(lines[lines == 1].index) - set(truth.cases["order_ref"])


def _unreadable(truth: Truth) -> str:
    """The order whose row cannot be read."""
    (order,) = truth.cases.query("kind == 'unreadable'")["order_ref"]
    return str(order)


def _lost_bill(tables: dict[str, pd.DataFrame], truth: Truth) -> tuple[str, str, int]:
    """Number, date and cents of the bill that cannot be read, as its supplier has them."""
    (bill,) = _unreadable_invoice(tables, truth).to_dict("records")
    return bill["invoice_no"], bill[_DAY], int(bill["qty"]) * 840 + 420


def _unreadable_invoice(tables: dict[str, pd.DataFrame], truth: Truth) -> pd.DataFrame:
    """A bill whose carriage has three decimals, for an order that is billed nowhere else."""
    orders, parcels = tables["orders"], tables["shipments"]
    billed = tables["invoices"]["order_ref"].str.replace(r"^\D*0*", "", regex=True)
    numbers = orders["order_ref"].str.removeprefix(ORDER_PREFIX)
    fits = orders["order_ref"].isin(_plain_orders(orders, truth)) & ~numbers.isin(billed)
    fits &= orders["order_ref"].isin(parcels["order_ref"]) & orders["sku"].str.startswith("LAN")
    order = orders[fits & orders["ordered_at"].str.startswith("2026-09")].iloc[0]
    return pd.DataFrame(
        {
            "invoice_no": ["KG-900017"],
            "invoice_date": ["21/09/2026"],
            "order_ref": [order["order_ref"]],
            "sku": [order["sku"]],
            "description": [next(item.name for item in ITEMS if item.sku == order["sku"])],
            "qty": [order["qty"]],
            "unit_cost": ["8,40"],
            "shipping": ["4,205"],
            "line_total": [""],
            "kind": ["invoice"],
            _DAY: ["2026-09-21"],
            _MARK: ["shipping"],
        }
    )


def _by_file(layout: Layout, rows: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """The rows of each file, in order of their days."""
    if "{month}" not in layout.path:
        return [(layout.path, rows)]
    rows = rows.sort_values(_DAY, kind="stable")
    parts = []
    for month in _MONTHS:
        begin = date.fromisoformat(f"{month}-01") - timedelta(days=layout.overlap_days)
        # What is dated after the day of the run is in the last file.
        end = f"{month}-31" if month != _MONTHS[-1] else "9999"
        part = rows[rows[_DAY].between(str(begin), end)].copy()
        old = part[_MARK] == _OLDER
        if (old & part[_DAY].str.startswith(month)).any():
            part.loc[old, ["tracking_no", "tracking_posted_at", "sent_at"]] = ""
        parts.append((layout.path.replace("{month}", month), part))
    return parts


def _marked(layout: Layout, path: str, part: pd.DataFrame) -> list[dict[str, str]]:
    """What is wrong with the rows of one file, with rows as a spreadsheet counts them."""
    found = []
    for place, row in enumerate(part.to_dict("records")):
        mark, ref, number = row[_MARK], row.get("order_ref", ""), str(place + 2)
        if mark == _OLDER:
            found.append(_input("repeat-changed", ref, path, number))
        elif mark:
            header = layout.headers[mark]
            found.append(_input("rows-rejected", ref, path, number, header, row[mark]))
    return found


def _input(rule: str, order_ref: str, file: str = "", row: str = "", *cell: str) -> dict[str, str]:
    column, text = cell or ("", "")
    return {
        "rule": rule,
        "verdict": "open",
        "order_ref": order_ref,
        "file": file,
        "row": row,
        "column": column,
        "text": text,
    }


def _csv(layout: Layout, part: pd.DataFrame) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=layout.delimiter, lineterminator=layout.line_end)
    writer.writerow(layout.headers.values())
    writer.writerows(part[list(layout.headers)].itertuples(index=False))
    return out.getvalue().encode(layout.encoding)


def _shop_toml() -> str:
    parts = [
        "# The sample shop. README.md beside this file says what is in it.",
        "",
        "[shop]",
        'name = "Lantern Lane"',
        'home_currency = "EUR"',
        f'time_zone = "{SCENARIO.zone}"',
    ]
    for supplier, days in zip(SUPPLIERS, SCENARIO.holidays, strict=True):
        parts += supplier_toml(supplier.name, days)
    for layout in LAYOUTS:
        parts += ["", *([f"# {layout.comment}"] if layout.comment else []), "[[source]]"]
        parts += [f'name = "{layout.name}"', f'record = "{layout.record}"']
        parts += [f'files = ["{layout.files}"]']
        named = {
            ours: header
            for ours, header in layout.headers.items()
            if ours != header and ours not in UNKNOWN_COLUMNS
        }
        if named:
            parts += ["[source.columns]", *(f'{ours} = "{head}"' for ours, head in named.items())]
        values = dict(layout.values)
        if layout.supplier:
            values["supplier"] = layout.supplier_text
        if values:
            parts += ["[source.values]", *(f'{ours} = "{word}"' for ours, word in values.items())]
        parts += ["[source.format]", f'encoding = "{layout.encoding}"']
        parts += [f'delimiter = "{layout.delimiter}"', f'decimal = "{layout.decimal}"']
        parts += [f'dates = "{layout.dates}"']
        if layout.time_zone:
            parts += [f'time_zone = "{layout.time_zone}"']
        if "order_ref" in layout.headers:
            parts += ["[source.refs]", f'strip_prefix = ["{ORDER_PREFIX}"]']
            parts += ['replacement_suffix = ["-R"]', 'separators = ";"']
    return "\n".join(parts) + "\n"


def main() -> None:
    """Write the sample shop and its truth."""
    write()
    for path, content in truth_files().items():
        path.write_text(content, encoding="utf-8")


if __name__ == "__main__":
    main()
