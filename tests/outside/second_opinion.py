"""Runs opinion_sql/*.sql over the CSV files of a shop folder, and gives what it finds.

Written from the description of the files and rules alone: it imports nothing of the project.
It knows CSV files, and of a shop's settings those that the rules in the SQL depend on.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import duckdb

if TYPE_CHECKING:
    from datetime import date

SQL = sorted(Path(__file__).parent.glob("opinion_sql/*.sql"))

COLUMNS = {
    "orders": """order_ref ordered_at sku qty unit_price currency store line_no discount
        ship_to_country recipient_key supplier promised_by tracking_no tracking_posted_at sent_at
        refunded_qty order_discount shipping_charged tax order_total customer_paid_at
        customer_paid refunded_at refunded cancelled_at""",
    "invoices": """supplier invoice_no invoice_date order_ref sku qty unit_cost currency shipping
        tax other_charges line_total due_date kind replacement""",
    "payments": """supplier payment_ref paid_at amount currency order_ref invoice_no status kind
        channel""",
    "shipments": """supplier order_ref shipped_at sku qty carrier tracking_no delivered_at
        replacement""",
    "quotes": """supplier sku unit_cost currency ship_to_country shipping shipping_next min_qty
        valid_from valid_to dispatch_days delivery_days""",
    "sku_map": "sku supplier supplier_sku units",
    "rates": "date base quote rate",
}


class Finding(NamedTuple):
    """One exception; texts are empty and amount is None where there is none."""

    rule: str
    verdict: str
    order_ref: str
    sku: str
    supplier: str
    amount: Decimal | None
    currency: str
    document: str


def fold(text: str) -> str:
    """Text as references are compared: NFKC, trimmed, case-folded."""
    return unicodedata.normalize("NFKC", text).strip().casefold()


def findings(shop: Path, as_of: date) -> list[Finding]:
    """Every exception of the rules in the SQL, all verdicts, sorted."""
    settings = tomllib.loads((shop / "shop.toml").read_text(encoding="utf-8"))
    with duckdb.connect() as database:
        database.create_function("fold", fold, ["VARCHAR"], "VARCHAR")
        _set_variables(database, settings, as_of)
        _load_settings(database, settings)
        _load_sources(database, shop, settings)
        for part in SQL:
            database.execute(part.read_text(encoding="utf-8"))
        rows = database.execute("FROM findings").fetchall()
    return [Finding(*row) for row in rows]


def open_findings(shop: Path, as_of: date) -> list[Finding]:
    """The exceptions to act on."""
    return [finding for finding in findings(shop, as_of) if finding.verdict == "open"]


def _set_variables(
    database: duckdb.DuckDBPyConnection, settings: dict[str, Any], as_of: date
) -> None:
    tolerance = settings.get("tolerance", {})
    zone = settings["shop"].get("time_zone", "UTC")
    database.execute("SET TimeZone = 'UTC'")
    database.execute("SET VARIABLE as_of = ?::DATE", [as_of.isoformat()])
    database.execute("SET VARIABLE zone = ?::VARCHAR", [zone])
    database.execute("SET VARIABLE home = ?::VARCHAR", [settings["shop"]["home_currency"]])
    for name in ("absolute", "percent"):
        database.execute(
            f"SET VARIABLE tolerance_{name} = ?::DECIMAL(18, 6)", [str(tolerance.get(name, "0"))]
        )


def _load_settings(database: duckdb.DuckDBPyConnection, settings: dict[str, Any]) -> None:
    names: list[list[Any]] = []
    suppliers: list[list[Any]] = []
    holidays: list[list[Any]] = []
    for supplier, keys in settings.get("suppliers", {}).items():
        names += [[fold(name), supplier] for name in [supplier, *keys.get("names", [])]]
        days = [keys.get("dispatch_days"), keys.get("delivery_days")]
        suppliers.append([supplier, keys.get("terms"), *days])
        holidays += [[supplier, str(day)] for day in keys.get("holidays", [])]
    rules = [
        [rule, name, str(value)]
        for rule, values in settings.get("rules", {}).items()
        for name, value in values.items()
    ]
    _fill(database, "supplier_name (name_key VARCHAR, supplier VARCHAR)", names)
    _fill(
        database,
        "supplier_setting (supplier VARCHAR, terms VARCHAR, dispatch_days BIGINT,"
        " delivery_days BIGINT)",
        suppliers,
    )
    _fill(database, "holiday (supplier VARCHAR, day DATE)", holidays)
    _fill(database, "setting (rule VARCHAR, name VARCHAR, value VARCHAR)", rules)


def _load_sources(
    database: duckdb.DuckDBPyConnection, shop: Path, settings: dict[str, Any]
) -> None:
    for record, columns in COLUMNS.items():
        cells = ", ".join(f"{column} VARCHAR" for column in columns.split())
        _fill(
            database,
            f"raw_{record} (src VARCHAR, file VARCHAR, row_no BIGINT, content VARCHAR, {cells})",
            [],
        )
    zone = settings["shop"].get("time_zone", "UTC")
    _fill(database, "lacks (record VARCHAR, name VARCHAR)", [])
    sources = []
    for source in settings["source"]:
        record = source["record"]
        if record not in COLUMNS:
            continue
        usual = "last-row" if record == "orders" else "as-of"
        refs = source.get("refs", {})
        sources.append(
            [
                source["name"],
                record,
                str(source.get("covered_to", usual)),
                source.get("format", {}).get("time_zone", zone),
                [fold(text) for text in refs.get("strip_prefix", [])],
                [fold(text) for text in refs.get("replacement_suffix", [])],
                f"[{re.escape(refs['separators'])}]" if refs.get("separators") else None,
            ]
        )
        for path in sorted({path for glob in source["files"] for path in shop.glob(glob)}):
            _load_file(database, source, path)
    _fill(
        database,
        "source (src VARCHAR, record VARCHAR, covered_to VARCHAR, zone VARCHAR,"
        " prefixes VARCHAR[], suffixes VARCHAR[], separators VARCHAR)",
        sources,
    )


def _load_file(database: duckdb.DuckDBPyConnection, source: dict[str, Any], path: Path) -> None:
    """Appends one CSV file to its record's table, every cell as text, blank cells null."""
    names = source.get("columns", {})
    values = source.get("values", {})
    layout = source.get("format", {})
    reader = (
        "read_csv(?, all_varchar = true, header = true, quote = '\"', escape = '\"',"
        f" delim = '{layout.get('delimiter', ',')}', skip = {layout.get('header_row', 1) - 1})"
    )
    described = database.execute(f"DESCRIBE FROM {reader}", [str(path)]).fetchall()
    headers = {row[0] for row in described}
    cells = []
    for column in COLUMNS[source["record"]].split():
        header = names.get(column, column)
        if header in headers:
            cells.append(f"nullif(trim(\"{header}\"), '')")
        else:
            constant = str(values[column]).replace("'", "''") if column in values else None
            cells.append("NULL" if constant is None else f"'{constant}'")
            if constant is None:
                database.execute("INSERT INTO lacks VALUES (?, ?)", [source["record"], column])
    content = "concat_ws(chr(31), " + ", ".join(f"coalesce({cell}, '')" for cell in cells) + ")"
    database.execute(
        f"INSERT INTO raw_{source['record']} SELECT ?, ?, row_number() OVER (), {content},"
        f" {', '.join(cells)}"
        f" FROM {reader}",
        [source["name"], path.name, str(path)],
    )


def _fill(database: duckdb.DuckDBPyConnection, table: str, rows: list[list[Any]]) -> None:
    """Creates a table from its name and columns, and puts the rows into it."""
    database.execute(f"CREATE TABLE {table}")
    if rows:
        name = table.split(" ", 1)[0]
        database.executemany(f"INSERT INTO {name} VALUES ({', '.join('?' * len(rows[0]))})", rows)
