"""The fate of every row of a source: repeat, rejected, later or accepted, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.intake.cells import tidy
from reconcile.intake.repeats import codes_of, repeated, superseded
from reconcile.intake.table import RawFile, TextTable
from reconcile.intake.typed import Typed
from reconcile.records import RECORDS, Record
from reconcile.references import clean, fold
from reconcile.shop import Source

Read = tuple[RawFile, TextTable, Mapping[str, pa.Array], Typed]


@dataclass(frozen=True)
class SourceRows:
    """The rows of one source, settled; ``counts`` holds the rows by fate of each file."""

    accepted: pd.DataFrame
    parts: dict[str, pd.DataFrame]
    counts: list[dict[str, int]]
    rejected: pd.DataFrame
    rejected_keys: pd.DataFrame
    changes: pd.DataFrame
    brought: frozenset[str]


def settle(source: Source, read: Sequence[Read], first: int, as_of: np.datetime64) -> SourceRows:
    """Settle every row of a source's files; ``first`` numbers the first of them."""
    record = RECORDS[source.record]
    frame, rejects = _together(read)
    file = np.repeat(np.arange(len(read)), [len(table.rows) for _, table, _, _ in read])
    row = np.concatenate([table.rows for _, table, _, _ in read])
    age = _ages(record, frame, file, [raw.path for raw, *_ in read], as_of)
    row_code, key_code = _codes(record, read, frame)
    repeat = repeated(row_code, file, age)
    bad = np.zeros(len(frame), dtype=bool)
    bad[rejects["at"]] = True
    rejected = bad & ~repeat
    later = _after(record, frame, as_of) & ~repeat & ~rejected
    changed = superseded(key_code, row_code, file, age, ~repeat & ~rejected & ~later)
    old = np.zeros(len(frame), dtype=bool)
    old[changed["at"]] = True
    accepted = ~(repeat | old | rejected | later)
    fates = {"repeats": repeat | old, "rejected": rejected, "later": later, "accepted": accepted}
    frame = _not_yet_known(record, frame, as_of)
    frame["source"] = source.name
    frame["source"] = frame["source"].astype("str")
    frame["file"], frame["row"], frame["age"] = file + first, row, age[file]
    rejected_rows = rejects[rejected[rejects["at"]]].copy()
    return SourceRows(
        accepted=frame[accepted].reset_index(drop=True),
        parts=_accepted_parts(read, accepted),
        counts=[_counts(number, one, file, fates) for number, one in enumerate(read)],
        rejected=_rejected(source, read, rejected_rows, file, row),
        rejected_keys=_rejected_keys(source, frame, rejected, _all_parts(read)),
        changes=_changes(source, frame, changed, [raw.path for raw, *_ in read], file, row),
        brought=frozenset.intersection(*(frozenset(texts) for _, _, texts, _ in read)),
    )


def _together(read: Sequence[Read]) -> tuple[pd.DataFrame, pd.DataFrame]:
    frame = pd.concat([typed.frame for *_, typed in read], ignore_index=True)
    start, pieces = 0, []
    for _, table, _, typed in read:
        pieces.append(typed.rejects.assign(at=typed.rejects["at"] + start))
        start += len(table.rows)
    return frame, pd.concat(pieces, ignore_index=True)


def _ages(
    record: Record,
    frame: pd.DataFrame,
    file: NDArray[np.int64],
    paths: list[str],
    as_of: np.datetime64,
) -> NDArray[np.int64]:
    """Each file's rank, 0 the newest: by the newest date inside that is known, then by name."""
    newest = np.full(len(paths), np.datetime64("1900-01-01", "D"))
    for column in record.columns:
        if column.kind == "date" and not column.ahead and column.typed in frame:
            days = frame[column.typed].to_numpy().astype("datetime64[D]")
            known = ~np.isnat(days) & (days <= as_of)
            np.maximum.at(newest, file[known], days[known])
    ranked = sorted(range(len(paths)), key=lambda at: (newest[at], paths[at]), reverse=True)
    age = np.empty(len(paths), dtype=np.int64)
    age[ranked] = np.arange(len(paths))
    return age


def _codes(
    record: Record, read: Sequence[Read], frame: pd.DataFrame
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Whole numbers for rows with the same texts, and for rows with the same key.

    In a key SKUs and document numbers are compared cleaned and dates by the day; order
    references by their text, since two that only look alike may be two orders.
    """
    total = sum(len(table.rows) for _, table, _, _ in read)
    if len(read) == 1:
        return np.arange(total), np.arange(total)
    names = sorted({name for _, _, texts, _ in read for name in texts})

    def column(name: str) -> pa.Array:
        pieces = []
        for _, table, texts, _ in read:
            part = texts.get(name, pa.array([""]))
            if len(part) == 1 and len(table.rows) != 1:
                part = pa.repeat(part[0], len(table.rows))
            pieces.append(tidy(part))
        return pa.concat_arrays(pieces)

    texts = {name: column(name) for name in names}
    blank = pa.repeat("", total)
    keys = []
    for part in record.key:
        chosen = blank
        for name in reversed(part.split("|")):
            here = _comparable(record, name, texts.get(name, blank), frame)
            marked = pc.binary_join_element_wise(here, pa.scalar(name), "\x1e")
            chosen = pc.if_else(pc.equal(here, ""), chosen, marked)
        keys.append(chosen)
    return codes_of([texts[name] for name in names]), codes_of(keys)


def _comparable(record: Record, name: str, texts: pa.Array, frame: pd.DataFrame) -> pa.Array:
    column = record.column(name)
    if column.kind == "sku":
        return fold(texts)
    if column.kind == "reference" and name != "order_ref":
        return clean(texts)[0]
    if column.kind == "date" and column.typed in frame:
        days = pa.array(frame[column.typed].to_numpy().astype("datetime64[D]"))
        return pc.coalesce(pc.cast(days, pa.string()), texts)
    return texts


def _after(record: Record, frame: pd.DataFrame, as_of: np.datetime64) -> NDArray[np.bool_]:
    if not record.date:
        return np.zeros(len(frame), dtype=bool)
    days = frame[record.column(record.date).typed].to_numpy().astype("datetime64[D]")
    return np.asarray(days > as_of)


def _not_yet_known(record: Record, frame: pd.DataFrame, as_of: np.datetime64) -> pd.DataFrame:
    """Blank the cells of dates after the run's date, and the cells that go with them."""
    for column in record.columns:
        passed_over = column.ahead or column.name == record.date or column.typed not in frame
        if column.kind != "date" or passed_over:
            continue
        later = frame[column.typed].to_numpy().astype("datetime64[D]") > as_of
        if not later.any():
            continue
        frame.loc[later, column.typed] = pd.NaT
        if column.whole_order:  # given on one row, it holds for all rows of the order
            keys = ["order_ref"] + ["store"] * ("store" in frame)
            order = frame.groupby(keys, sort=False).ngroup().to_numpy()
            later = np.isin(order, order[later])
        for other in record.columns:
            if other.goes_with == column.name and other.typed in frame:
                frame.loc[later, other.typed] = "" if other.kind == "text" else pd.NA
    return frame


def _accepted_parts(read: Sequence[Read], accepted: NDArray[np.bool_]) -> dict[str, pd.DataFrame]:
    position = np.cumsum(accepted) - 1
    kept = {}
    for name, part in _all_parts(read).items():
        stands = part[accepted[part["at"]]]
        kept[name] = pd.DataFrame(
            {"row_id": position[stands["at"]], "ref": stands["ref"], "key": stands["key"]}
        )
    return kept


def _all_parts(read: Sequence[Read]) -> dict[str, pd.DataFrame]:
    start, pieces = 0, dict[str, list[pd.DataFrame]]()
    for _, table, _, typed in read:
        for name, part in typed.parts.items():
            pieces.setdefault(name, []).append(part.assign(at=part["at"] + start))
        start += len(table.rows)
    return {name: pd.concat(several, ignore_index=True) for name, several in pieces.items()}


def _counts(
    number: int, one: Read, file: NDArray[np.int64], fates: dict[str, NDArray[np.bool_]]
) -> dict[str, int]:
    raw, table, _, _ = one
    counts = {fate: int(mask[file == number].sum()) for fate, mask in fates.items()}
    counts["rejected"] += len(table.ragged)
    return {
        "rows": raw.header_row + table.total,
        "header": raw.header_row,
        "blank": table.blank,
        "totals": 0,
    } | counts


def _rejected(
    source: Source,
    read: Sequence[Read],
    rejects: pd.DataFrame,
    file: NDArray[np.int64],
    row: NDArray[np.int64],
) -> pd.DataFrame:
    """One row per rejected row: source, file, sheet, row, column, text, expected."""
    paths = np.array([raw.path for raw, *_ in read], dtype=object)
    rejects = rejects.assign(
        source=source.name, sheet="", file=paths[file[rejects["at"]]], row=row[rejects["at"]]
    )
    # The texts of a ragged row are not shown: nobody can say which of them are private.
    ragged = [
        pd.DataFrame(
            {
                "source": source.name,
                "file": raw.path,
                "sheet": "",
                "row": table.ragged,
                "column": "",
                "text": "",
                "expected": f"{len(raw.header)} cells, as many as the header has",
            }
        )
        for raw, table, _, _ in read
    ]
    names = ["source", "file", "sheet", "row", "column", "text", "expected"]
    several = pd.concat([rejects[names], *ragged], ignore_index=True)
    return several.sort_values(["file", "row"], ignore_index=True)


def _rejected_keys(
    source: Source,
    frame: pd.DataFrame,
    rejected: NDArray[np.bool_],
    parts: dict[str, pd.DataFrame],
) -> pd.DataFrame:
    """References that rejected rows name, so that nothing is called missing for their sake."""
    pieces = [pd.DataFrame({"column": [], "key": []}, dtype="str")]
    for name in ("order_ref", "invoice_no"):
        if f"{name}_key" in frame:
            pieces.append(pd.DataFrame({"column": name, "key": frame[f"{name}_key"][rejected]}))
        elif name in parts:
            part = parts[name]
            pieces.append(pd.DataFrame({"column": name, "key": part["key"][rejected[part["at"]]]}))
    keys = pd.concat(pieces, ignore_index=True).drop_duplicates()
    return keys[keys["key"] != ""].assign(record=source.record)


def _changes(
    source: Source,
    frame: pd.DataFrame,
    changed: pd.DataFrame,
    paths: list[str],
    file: NDArray[np.int64],
    row: NDArray[np.int64],
) -> pd.DataFrame:
    """One row per replaced row: where the old and the new one stand, and whose they are."""
    at, by = changed["at"].to_numpy(dtype=np.int64), changed["by"].to_numpy(dtype=np.int64)
    named = np.array(paths, dtype=object)
    out = pd.DataFrame(
        {
            "record": source.record,
            "source": source.name,
            "file": named[file[at]],
            "row": row[at],
            "by_file": named[file[by]],
            "by_row": row[by],
        }
    )
    for name in ("order_ref", "sku", "supplier", "invoice_no", "payment_ref"):
        out[name] = frame[name].iloc[by].to_numpy() if name in frame else ""
    dated = RECORDS[source.record].date
    typed = RECORDS[source.record].column(dated).typed if dated else ""
    out["date"] = frame[typed].iloc[by].to_numpy() if dated else np.datetime64("NaT", "s")
    return out
