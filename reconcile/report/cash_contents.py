"""Everything that the month-end cash check shows, as finished tables, and as JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from reconcile.counted import counted
from reconcile.money import major_text

CAUTION = (
    "This is no legal, tax or accounting advice. It proposes; a person decides before anything is "
    "booked or paid."
)
KEYS = ["check", "account", "currency"]
_AS_JSON = json.JSONEncoder(sort_keys=True, ensure_ascii=False).encode
_NESTED = {dict, list}
_FIGURES = ("left", "right", "difference")
_BRIDGE = ("opening", "received", "paid", "not_explained", "closing")


@dataclass(frozen=True)
class CashContents:
    """A checked month; amounts are Int64 minor units of the ``currency`` in their row.

    balances: check, account, currency, left_minor, right_minor, difference_minor, verdict, cause,
        items (how many), errors (of them), unexplained_minor. A blank currency is a count.
    items: KEYS of the balance, then amount_minor, what, side, nature, name, text, date, evidence.
    bridge: account, currency, opening, received, paid, not_explained, closing.
    places: account, currency, place, rows, amount_minor. proofs: proof, unit, left, right, holds.
    ageing: supplier, currency, one column a bucket, total. margins: tables by what they are by.
    scorecard: supplier, lines, late, parcels, no_number, currency, overcharged_minor,
        recovered_minor.
    files: source, record, file, sha256, rows, rejected, accepted, later (than the month),
        covered_to.
    restated: KEYS, figure, before, now (text): what differs from the first check of this month.
    closed: the figures and files of that first check, as JSON keeps them.
    """

    shop: str
    month: str
    first: date
    last: date
    zone: str
    home_currency: str
    version: str
    ageing_from: str
    balances: pd.DataFrame
    items: pd.DataFrame
    bridge: pd.DataFrame
    places: pd.DataFrame
    proofs: pd.DataFrame
    ageing: pd.DataFrame
    margins: Mapping[str, pd.DataFrame]
    scorecard: pd.DataFrame
    files: pd.DataFrame
    restated: pd.DataFrame
    closed: Mapping[str, Any]


def input_notes(contents: CashContents) -> list[str]:
    """What the figures could not see: rows that were not read, and files that end too early."""
    by_record = contents.files.groupby("record", sort=True)
    rejected = by_record["rejected"].sum()
    rejected = rejected[rejected > 0]
    ends = by_record["covered_to"].first()
    ends = ends[(ends != "") & (ends < str(contents.last)) & (by_record["later"].sum() == 0)]
    notes = []
    if len(rejected):
        told = ", ".join(
            f"{counted(int(rows), 'row')} of {name}" for name, rows in rejected.items()
        )
        notes.append(f"Could not be read, so that nothing here knows of them: {told}.")
    if len(ends):
        told = ", ".join(f"{name} on {day}" for name, day in ends.items())
        notes.append(f"Files that end before the month does: {told}.")
    return notes


def figures(balances: pd.DataFrame) -> dict[str, dict[str, str]]:
    """The figures of each balance as text, by "check | account | currency"."""
    shown = _major(balances, ("left_minor", "right_minor", "difference_minor"))
    keys = balances[KEYS].agg(" | ".join, axis=1) if len(balances) else pd.Series(dtype="str")
    rows = shown[["left", "right", "difference", "verdict"]].to_dict("records")
    return dict(zip(keys, [{str(k): str(v) for k, v in row.items()} for row in rows], strict=True))


def restated(
    earlier: Mapping[str, Any] | None, balances: pd.DataFrame, files: pd.DataFrame
) -> tuple[pd.DataFrame, dict[str, Any]]:
    """What differs from the first check of the month, and what that was.

    ``earlier`` is the JSON of an earlier check of the same month, None where there is none.
    """
    now = figures(balances)
    told = dict(zip(files["file"], files["sha256"], strict=True))
    closed = (earlier or {}).get("closed") or {"figures": now, "files": told}
    then: Mapping[str, Mapping[str, str]] = closed["figures"]
    rows = []
    for key in [*then, *(key for key in now if key not in then)]:
        before, after = then.get(key, {}), now.get(key, {})
        for figure in (*_FIGURES, "verdict"):
            was, is_ = before.get(figure, "none"), after.get(figure, "none")
            if was != is_:
                rows.append([*key.split(" | "), figure, was, is_])
    out = pd.DataFrame(rows, columns=[*KEYS, "figure", "before", "now"], dtype="str")
    return out, {"figures": dict(then), "files": dict(closed["files"])}


def cash_json(contents: CashContents) -> bytes:
    """cash_check.json, the same bytes for the same contents."""
    value = {
        "shop": contents.shop,
        "month": contents.month,
        "as_of": contents.last.isoformat(),
        "time_zone": contents.zone,
        "home_currency": contents.home_currency,
        "version": contents.version,
        "caution": CAUTION,
        "notes": input_notes(contents),
        "balances": _balances(contents),
        "bridge": _records(_major(contents.bridge, _BRIDGE)),
        "places": _records(_major(contents.places, ("amount_minor",))),
        "proofs": _records(_proof_texts(contents.proofs)),
        "ageing": {"from": contents.ageing_from, "rows": _records(_ageing(contents.ageing))},
        "margin": {
            name: _records(_home(table, contents)) for name, table in contents.margins.items()
        },
        "scorecard": _records(_major(contents.scorecard, ("overcharged_minor", "recovered_minor"))),
        "files": _records(contents.files),
        "restated": _records(contents.restated),
        "closed": contents.closed,
    }
    return (_laid_out(value, "\n") + "\n").encode()


def _laid_out(value: Any, line: str) -> str:
    """JSON with a line for each innermost list or object; ``line`` begins a line of its depth."""
    parts = value.values() if isinstance(value, dict) else value
    if not isinstance(value, dict | list) or _NESTED.isdisjoint(map(type, parts)):
        return _AS_JSON(value)
    inner = line + "  "
    if isinstance(value, list):
        return "[" + ",".join(inner + _laid_out(each, inner) for each in value) + line + "]"
    named = (f"{_AS_JSON(key)}: {_laid_out(value[key], inner)}" for key in sorted(value))
    return "{" + ",".join(inner + each for each in named) + line + "}"


def _balances(contents: CashContents) -> list[dict[str, Any]]:
    shown = _major(contents.balances, ("left_minor", "right_minor", "difference_minor"))
    items = _major(contents.items, ("amount_minor",)).assign(
        date=contents.items["date"].dt.strftime("%Y-%m-%d").astype("str").fillna("")
    )
    names = ["amount", "what", "side", "nature", "name", "text", "date", "evidence"]
    of = {key: _records(rows[names]) for key, rows in items.groupby(KEYS, sort=False)}
    out = []
    for row in _records(shown[[*KEYS, *_FIGURES, "verdict", "cause"]]):
        key = tuple(row[name] for name in KEYS)
        out.append(row | {"items": of.get(key, [])})
    return out


def _major(frame: pd.DataFrame, names: tuple[str, ...]) -> pd.DataFrame:
    """Amounts as decimal text, named without their unit."""
    out = frame.copy()
    for name in names:
        out[name] = major_text(frame[name].astype("Int64"), frame["currency"].astype("str"))
    return out.rename(columns={name: name.removesuffix("_minor") for name in names})


def _home(table: pd.DataFrame, contents: CashContents) -> pd.DataFrame:
    names = tuple(str(name) for name in table.columns if name != "name")
    return _major(table.assign(currency=contents.home_currency), names)


def _ageing(table: pd.DataFrame) -> pd.DataFrame:
    names = tuple(str(name) for name in table.columns if name not in ("supplier", "currency"))
    return _major(table, names)


def _proof_texts(proofs: pd.DataFrame) -> pd.DataFrame:
    code = proofs["unit"].where(proofs["unit"] != "rows", "").replace("count", "").astype("str")
    shown = _major(proofs.assign(currency=code), ("left", "right"))
    return shown[["proof", "unit", "left", "right", "holds"]]


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    names = [str(name) for name in frame.columns]
    columns = [frame[name].tolist() for name in frame.columns]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
