"""Shop folders of a few rows, written as a merchant's exports would be."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from reconcile.errors import Problem, RefusedError
from reconcile.intake.load import Intake, load
from reconcile.nightly import run_nightly
from reconcile.shop_file import load_shop

AS_OF = date(2026, 10, 31)
HEAD = '[shop]\nname = "Lantern Lane"\nhome_currency = "EUR"\ntime_zone = "Europe/Dublin"\n'
ORDERS = "order_ref,ordered_at,sku,qty,unit_price,currency"
PAYMENTS = "supplier,payment_ref,paid_at,amount,currency,order_ref"
SHIPMENTS = "supplier,order_ref,shipped_at"
FATES = ["header", "blank", "totals", "repeats", "rejected", "later", "accepted"]


def source(record: str, extra: str = "", files: str = "") -> str:
    """A source named like its record, whose files begin with the record's name."""
    named = f'[[source]]\nname = "{record}"\nrecord = "{record}"\n'
    return f'{named}files = ["{files or record}*"]\n{extra}\n'


def write(folder: Path, files: Mapping[str, str | bytes], settings: str = "") -> Path:
    """Write shop.toml (with a plain source of orders where none is given) and the files."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "shop.toml").write_text(HEAD + (settings or source("orders")), encoding="utf-8")
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return folder


def csv_of(header: str, *rows: str) -> str:
    """The text of a file with these lines."""
    return "\n".join([header, *rows]) + "\n"


def read(folder: Path, as_of: date = AS_OF) -> Intake:
    """Read the folder, and hold every file to the proof that all its rows are accounted for."""
    intake = load(load_shop(folder), as_of)
    assert list(intake.files["rows"]) == list(intake.files[FATES].sum(axis=1))
    for record, frame in intake.records.items():
        mine = intake.files["record"] == record
        assert intake.files.loc[mine, "accepted"].sum() == len(frame)
    assert intake.files["rejected"].sum() == len(intake.rejected)
    return intake


def orders(folder: Path, *rows: str, header: str = ORDERS, settings: str = "") -> Intake:
    """Read a shop with one file of orders."""
    return read(write(folder, {"orders.csv": csv_of(header, *rows)}, settings))


def fates(intake: Intake) -> list[dict[str, int]]:
    """The fates that rows of each file have, the header left out."""
    return [
        {name: row[name] for name in FATES[1:] if row[name]}
        for row in intake.files.to_dict("records")
    ]


def rejects(intake: Intake) -> list[tuple[str, int, str, str]]:
    """File, row, column and text of each rejected row."""
    columns = ["file", "row", "column", "text"]
    return list(intake.rejected[columns].itertuples(index=False, name=None))


def column(frame: pd.DataFrame, name: str) -> list[object]:
    """A column as plain values, None where there is none."""
    return [None if pd.isna(value) else value for value in frame[name].tolist()]


def refused(folder: Path) -> list[Problem]:
    """The problems that a night is refused for; the folder is left as it was."""
    before = everything(folder)
    with pytest.raises(RefusedError) as caught:
        run_nightly(folder, lambda _: AS_OF, None, lambda _: None)
    assert everything(folder) == before
    return list(caught.value.problems)


def only_problem(folder: Path) -> Problem:
    """The one problem that a night is refused for."""
    [problem] = refused(folder)
    return problem


def everything(folder: Path) -> list[str]:
    """Every path below a folder, hidden ones too."""
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


@contextmanager
def somebody() -> Iterator[Path]:
    """A folder of somebody without the rights of an administrator, who may read every file."""
    user = os.geteuid()
    if user == 0:
        os.seteuid(65534)
    try:
        with tempfile.TemporaryDirectory() as name:
            yield Path(name)
    finally:
        os.seteuid(user)
