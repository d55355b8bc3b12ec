"""Cells that hold several references: a payment for many orders, or for many invoices."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.intake.coded import Coded, bools, holds, one_piece
from reconcile.intake.damage import damaged
from reconcile.references import clean
from reconcile.shop import Refs


def several_references(name: str, coded: Coded, refs: Refs) -> pd.DataFrame:
    """References of cells that hold several: ``at`` (row), ``ref``, ``key``, each once."""
    texts = one_piece(coded.texts)
    several = holds(texts, b"\n", *(mark.encode() for mark in refs.separators))
    owner = np.arange(len(texts))
    if several:
        marks = "".join(f"\\x{{{ord(mark):x}}}" for mark in refs.separators)
        lists = pc.split_pattern_regex(texts, f"[{marks}\\n]")
        texts = pc.utf8_trim_whitespace(pc.list_flatten(lists))
        owner = pc.list_parent_indices(lists).to_numpy()
    unknown = bools(pc.equal(texts, ""))
    for hit in damaged(texts).values():
        unknown |= hit
    if unknown.any():
        texts, owner = texts.filter(pa.array(~unknown)), owner[~unknown]
    mine = refs if name == "order_ref" else Refs()
    key, _ = clean(texts, mine.strip_prefix, mine.replacement_suffix)
    frame = pd.DataFrame({"code": owner, "ref": texts.to_pandas(), "key": key.to_pandas()})
    if several:
        frame = frame.drop_duplicates(["code", "key"])
    if coded.codes is None:
        parts = frame.rename(columns={"code": "at"}).reset_index(drop=True)
    else:
        rows = pd.DataFrame({"at": np.arange(coded.count), "code": coded.codes})
        parts = rows.merge(frame, on="code")
    out: pd.DataFrame = parts[["at", "ref", "key"]]
    return out
