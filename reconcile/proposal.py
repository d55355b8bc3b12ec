"""A proposed payment, read like any other export: its lines, and the rows that cannot be read."""

from __future__ import annotations

import glob
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import pandas as pd

from reconcile.empty import without_rows
from reconcile.errors import Problem, RefusedError
from reconcile.intake.load import file_problems, load
from reconcile.shop import Shop, Source

COLUMNS = ("order_ref", "invoice_no", "supplier", "amount", "currency")
_PARTS = ("order_ref", "invoice_no")


@dataclass(frozen=True)
class Proposal:
    """The lines of a proposed payment.

    ``lines``: ``row`` (as a spreadsheet counts), ``order_ref``, ``invoice_no``, ``supplier``,
    ``amount_minor``, ``currency``, in the order of the file. ``orders`` and ``invoices``: the
    references of each line (``line``, ``ref``, ``key``). ``rejected``: rows that cannot be read
    (``row``, ``column``, ``expected``).
    """

    lines: pd.DataFrame
    orders: pd.DataFrame
    invoices: pd.DataFrame
    rejected: pd.DataFrame


def read_proposal(shop: Shop, file: Path, as_of: date) -> Proposal:
    """Read a proposed payment under our headings or those that a payments source declares.

    Raises RefusedError where the file is none: it needs amount and supplier, and order_ref or
    invoice_no; supplier and currency may be constants of the payments source.
    """
    path = file.resolve()
    if not path.is_file():
        mend = "Give the file of the proposed payment, CSV, .xlsx or .ods."
        raise RefusedError([Problem(str(file), "there is no such file.", mend)])
    problems: list[Problem] = []
    for source in _readings(shop, path.name, as_of):
        alone = replace(shop, folder=path.parent, sources=(source,))
        wrong = file_problems(alone)
        if not wrong:
            return _proposal(alone, as_of, file)
        problems = problems or wrong
    raise RefusedError(problems)


def _readings(shop: Shop, name: str, as_of: date) -> Iterator[Source]:
    """Every way in which the file may be headed, the plainest first."""
    declared = [source for source in shop.sources if source.record == "payments"]
    plain = Source("proposed payment", "payments", (glob.escape(name),), "as-of")
    always = {"payment_ref": "proposed", "paid_at": as_of.isoformat()}
    for constants in (False, True):
        for source in declared or [plain]:
            more = {key: source.constants[key] for key in COLUMNS if key in source.constants}
            if constants and not more:
                continue
            given = always | (more if constants else {})
            named = {key: source.columns[key] for key in COLUMNS if key in source.columns}
            ours = replace(plain, refs=source.refs, constants=given)
            dates = replace(source.format, dates="year-first", sheet="", header_row=None)
            yield ours
            yield replace(ours, columns=named, format=replace(dates, delimiter="", encoding=""))


def _proposal(alone: Shop, as_of: date, file: Path) -> Proposal:
    intake = load(alone, as_of)
    rows = intake.records["payments"]
    if not any(name in intake.brought["payments"] for name in _PARTS):
        mend = "Add a column order_ref or invoice_no."
        raise RefusedError([Problem(str(file), "it does not say what is to be paid.", mend)])
    lines = pd.DataFrame({"row": rows["row"].to_numpy()})
    for name in ("order_ref", "invoice_no", "supplier", "currency"):
        lines[name] = rows[name].to_numpy() if name in rows else ""
        lines[name] = lines[name].astype("str")
    lines["amount_minor"] = rows["amount_minor"].astype("Int64").to_numpy()
    place = lines.sort_values("row", kind="stable").index
    line_of = pd.Series(range(len(place)), index=place)
    return Proposal(
        lines.loc[place].reset_index(drop=True),
        _parts(intake.parts, "order_ref", line_of),
        _parts(intake.parts, "invoice_no", line_of),
        intake.rejected[["row", "column", "expected"]],
    )


def _parts(
    parts: Mapping[tuple[str, str], pd.DataFrame], name: str, line_of: pd.Series
) -> pd.DataFrame:
    none = without_rows({"row_id": "int64", "ref": "str", "key": "str"})
    found = parts.get(("payments", name), none)
    line = found["row_id"].map(line_of).astype("int64")
    out = pd.DataFrame({"line": line, "ref": found["ref"], "key": found["key"]})
    return out.astype({"ref": "str", "key": "str"}).sort_values("line", kind="stable")
