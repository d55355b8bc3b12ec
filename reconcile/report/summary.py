"""A run in one JSON object, and in a few short lines for a mail or a phone."""

from __future__ import annotations

import json
import textwrap
from collections import defaultdict
from collections.abc import Mapping

import pandas as pd

from reconcile.report import columns
from reconcile.report.contents import (
    FATES,
    LINE_STATES,
    LISTS,
    MONEY_CLASSES,
    SEVERITIES,
    VERDICTS,
    Contents,
)

CAUTION = (
    "This report is no legal or tax advice. Deadlines follow local law and your contracts. "
    "A person decides before money moves."
)
_WIDTH = 60
_QUIET = 7  # days without a row after which it is asked for; common practice, no source
_MONEY_LINES = 10
_FILE_TEXTS = ("file", "sheet", "sha256", "covered_to", "format")
_NOTE_TEXTS = ("source", "file", "sheet", "column", "text", "why")
_GROUPS = ["rule", "verdict", "class", "currency"]


def money_by(exceptions: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Exceptions counted and their amounts added up, by keys among which is ``currency``.

    One row per combination found, sorted: the keys, ``count``, ``amount_minor`` (Int64, none
    where no exception of the group has an amount), ``due_by`` (the earliest).
    """
    grouped = exceptions.groupby(keys, sort=True, observed=True, dropna=False)
    out = pd.DataFrame(
        {
            "count": grouped.size(),
            "amount_minor": grouped["amount_minor"].sum(min_count=1),
            "due_by": grouped["due_by"].min(),
        }
    )
    return out.reset_index()


def summary(contents: Contents) -> dict[str, object]:
    """The run as plain values: counts are numbers, amounts texts in major units, no times."""
    return {**_without_notes(contents), "notes": _notes(contents)}


def _notes(contents: Contents) -> list[dict[str, object]]:
    return [
        {**{name: str(row[name]) for name in _NOTE_TEXTS}, "row": int(row["row"])}
        for row in contents.notes.to_dict("records")
    ]


def _without_notes(contents: Contents) -> dict[str, object]:
    exceptions = contents.exceptions
    groups = money_by(exceptions, _GROUPS)
    proofs = contents.proofs
    return {
        "as_of": contents.as_of.isoformat(),
        "shop": contents.shop,
        "version": contents.version,
        "home_currency": contents.home_currency,
        "sources": _sources(contents),
        "exceptions": {
            "total": len(exceptions),
            "by_verdict": _counts(exceptions["verdict"], VERDICTS),
            "groups": [
                {**dict(zip(_GROUPS, keys, strict=True)), "count": int(count), "sum": total}
                for *keys, count, total in zip(
                    *(groups[key].astype(str) for key in _GROUPS),
                    groups["count"],
                    columns.amounts(groups["amount_minor"], groups["currency"]).to_pylist(),
                    strict=True,
                )
            ],
        },
        "night_before": str(contents.night_before) if contents.night_before else None,
        "cleared": len(contents.cleared),
        "changes": _counts(
            exceptions.loc[exceptions["verdict"] == "open", "change"],
            ("new", "same", "amount", "reopened"),
        ),
        "lists": list_counts(contents),
        "order_lines": {
            "total": len(contents.order_lines),
            "by_state": _with_zeros(contents.order_lines.counts("state"), LINE_STATES),
        },
        "proofs": [
            {
                "proof": proof,
                "unit": unit,
                "left": int(left) if unit == "rows" else left,
                "right": int(right) if unit == "rows" else right,
                "holds": bool(holds),
            }
            for proof, unit, left, right, holds in zip(
                proofs["proof"],
                proofs["unit"],
                columns.amounts(proofs["left"], proofs["unit"]).to_pylist(),
                columns.amounts(proofs["right"], proofs["unit"]).to_pylist(),
                proofs["holds"],
                strict=True,
            )
        ],
        "proofs_hold": bool(proofs["holds"].all()),
    }


def summary_json(contents: Contents) -> str:
    """``summary`` as the text of summary.json."""
    found = {**_without_notes(contents), "notes": []}
    whole = json.dumps(found, indent=2, sort_keys=True, ensure_ascii=False) + "\n"
    # There may be very many notes, and Python indents far slower than it writes in one line.
    line = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",\n      ", ": "))
    notes = [f"    {{\n      {line.encode(one)[1:-1]}\n    }}" for one in _notes(contents)]
    if not notes:
        return whole
    return whole.replace('\n  "notes": []', '\n  "notes": [\n' + ",\n".join(notes) + "\n  ]", 1)


def _counts(column: pd.Series, known: tuple[str, ...]) -> dict[str, int]:
    """How often each value occurs; the known ones always, so that a reader finds their zeros."""
    found = column.astype(str).value_counts()
    counts = {str(name): int(count) for name, count in zip(found.index, found, strict=True)}
    return _with_zeros(counts, known)


def _with_zeros(found: Mapping[str, int], known: tuple[str, ...]) -> dict[str, int]:
    return {**dict.fromkeys(known, 0), **found}


def _sources(contents: Contents) -> dict[str, object]:
    files = contents.files.sort_values(["source", "file", "sheet"], kind="stable")
    sums = _sums(contents.sums, ["column", "currency"])
    by_file = _sums(contents.sums, ["file", "column", "currency"])
    out: dict[str, object] = {}
    for source, part in files.groupby("source", sort=True):
        out[str(source)] = {
            "record": str(part["record"].iloc[0]),
            "rows": {name: int(part[name].sum()) for name in ("rows", *FATES)},
            "sums": sums[str(source)],
            "sums_by_file": by_file[str(source)],
            "files": [
                {
                    **{name: str(row[name]) for name in _FILE_TEXTS},
                    "rows": {name: int(row[name]) for name in ("rows", *FATES)},
                }
                for row in part.to_dict("records")
            ],
        }
    return out


def _sums(sums: pd.DataFrame, keys: list[str]) -> defaultdict[str, list[dict[str, object]]]:
    """The sums of each source, by keys among which is ``currency``."""
    grouped = sums.groupby(["source", *keys], as_index=False, observed=True)
    total = grouped[["rows", "sum_minor"]].sum()
    shown = columns.amounts(total["sum_minor"], total["currency"]).to_pylist()
    out = defaultdict[str, list[dict[str, object]]](list)
    for row, text in zip(total.to_dict("records"), shown, strict=True):
        out[str(row["source"])].append(
            {**{key: str(row[key]) for key in keys}, "rows": int(row["rows"]), "sum": text}
        )
    return out


def summary_text(contents: Contents) -> str:
    """The run in at most 25 lines of at most 60 characters, without a final newline."""
    lines = [
        f"{contents.shop}, as of {contents.as_of.isoformat()}",
        *_open_lines(contents.exceptions),
        *_since(contents),
        *_list_lines(contents),
        *_input_lines(contents),
        *textwrap.wrap(CAUTION, _WIDTH),
    ]
    return "\n".join(_one_line(line) for line in lines)


def _open_lines(exceptions: pd.DataFrame) -> list[str]:
    names = ["severity", "class", "currency", "amount_minor", "due_by"]
    to_act = exceptions.loc[exceptions["verdict"] == "open", names]
    by_severity = _counts(to_act["severity"], SEVERITIES)
    named = ", ".join(f"{count:,} {name}" for name, count in by_severity.items() if count)
    lines = [f"Open: {len(to_act):,} ({named})" if named else "Open: none"]
    money = money_in_order(to_act[to_act["amount_minor"].notna()])
    shown = columns.amounts(money["amount_minor"], money["currency"]).to_pylist()
    for name, currency, count, amount in zip(
        money["class"], money["currency"], money["count"], shown, strict=True
    ):
        lines.append(f"  {name:<8} {grouped(amount):>18} {currency:<3} in {count:,}")
    if len(lines) > _MONEY_LINES + 1:
        left = len(lines) - _MONEY_LINES
        lines[_MONEY_LINES:] = [f"  and {left} more sums in report.xlsx"]
    other = _counts(exceptions["verdict"], VERDICTS)
    rest = ", ".join(f"{name} {other[name]:,}" for name in VERDICTS if name != "open")
    return [*lines, *textwrap.wrap(f"Not open: {rest}", _WIDTH, subsequent_indent="  ")]


def _since(contents: Contents) -> list[str]:
    """New and cleared, where there is a night before."""
    if contents.night_before is None:
        return []
    found = contents.exceptions
    change = found.loc[found["verdict"] == "open", "change"]
    new, again = int((change == "new").sum()), int((change == "reopened").sum())
    said = f"Since {contents.night_before}: {new:,} new, {len(contents.cleared):,} cleared"
    return [f"{said}, {again:,} reopened" if again else said]


def money_in_order(exceptions: pd.DataFrame) -> pd.DataFrame:
    """``money_by`` class and currency, the classes in their order."""
    money = money_by(exceptions, ["class", "currency"])
    rank = {name: place for place, name in enumerate(MONEY_CLASSES)}
    order = money["class"].astype(str).map(lambda name: rank.get(name, len(rank)))
    return money.iloc[order.argsort(kind="stable")].reset_index(drop=True)


def list_counts(contents: Contents) -> dict[str, int]:
    """Rows of each list's file, in the order of the lists; lists without rows are left out."""
    found = contents.exceptions
    counts = _counts(found.loc[found["verdict"] == "open", "list"], LISTS)
    counts |= {"pay": len(contents.pay), "post": len(contents.post)}
    return {name: counts[name] for name in LISTS if counts[name]}


def _list_lines(contents: Contents) -> list[str]:
    lists = ", ".join(f"{name} {count:,}" for name, count in list_counts(contents).items())
    return textwrap.wrap(f"Lists: {lists or 'none'}", _WIDTH, subsequent_indent="  ")


def _input_lines(contents: Contents) -> list[str]:
    rows, rejected = int(contents.files["rows"].sum()), int(contents.files["rejected"].sum())
    failed = int((~contents.proofs["holds"].astype(bool)).sum())
    proof = (
        f"PROOF FAILED: {failed} of {len(contents.proofs)}; do not act on this report"
        if failed
        else f"Every row is accounted for: {len(contents.proofs)} proofs hold"
    )
    return [f"Rows: {rows:,} read, {rejected:,} rejected", *_ended(contents), proof]


def _ended(contents: Contents) -> list[str]:
    """Records whose files have ended for a while: an export that has stopped looks like peace."""
    ends = contents.files.groupby("record", sort=True)["covered_to"].first()
    days = (pd.Timestamp(contents.as_of) - pd.to_datetime(ends.where(ends != ""))).dt.days
    told = ", ".join(f"{name} {day}" for name, day in ends[days > _QUIET].items())
    said = f"No rows since: {told}"
    return textwrap.wrap(said, _WIDTH, subsequent_indent="  ") if told else []


def grouped(amount: str) -> str:
    """Decimal text with its thousands set apart.

    >>> grouped("-1234567.50")
    '-1,234,567.50'
    """
    whole, point, part = amount.partition(".")
    return f"{int(whole):,}{point}{part}" if whole != "-0" else amount


def _one_line(line: str) -> str:
    """A line that fits, whatever the shop is called."""
    plain = "".join(sign if sign.isprintable() else " " for sign in line)
    return plain if len(plain) <= _WIDTH else f"{plain[: _WIDTH - 1]}…"
