"""Everything that a nightly report shows, as finished tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

import pandas as pd

from reconcile.lean import Texts
from reconcile.pieces import Pieces

# Kinds of work, in the order in which they are shown: what to hold back comes before paying.
LISTS = ("hold", "pay", "chase", "claim", "post", "refund", "collect", "check")
MESSAGE_LISTS = ("chase", "claim")  # those of which suppliers are written to
MONEY_CLASSES = ("stop", "claim", "owed", "at-risk", "timing", "info")
SEVERITIES = ("high", "medium", "low")
VERDICTS = ("open", "waiting", "unknown", "follows", "accepted")
# What still needs somebody comes first.
LINE_STATES = (
    "to-pay",
    "to-ship",
    "no-tracking",
    "to-post",
    "unfunded",
    "unknown",
    "in-transit",
    "delivered",
    "refunded",
    "cancelled",
)
FATES = ("header", "blank", "totals", "repeats", "rejected", "later", "accepted")


@dataclass(frozen=True)
class RejectedFile:
    """The rejected rows of one file with their original texts, to be mended and read again.

    ``rows`` has the file's own headers. ``above`` blank lines, ``delimiter`` and ``encoding``
    are those that its source declares.
    """

    name: str
    rows: pd.DataFrame
    delimiter: str
    encoding: str
    above: int


@dataclass(frozen=True)
class Contents:
    """One run's results, each table in the order in which it is to be shown.

    Amounts are Int64 minor units of the ``currency`` in their row, or of the home currency where
    the name says ``home``; dates are datetime64 days with NaT for none; texts are str with ""
    for none.

    exceptions: one row per exception, every verdict. id, rule, title, verdict, severity, class,
        amount_minor, currency, amount_home_minor, order_ref, sku, supplier, document, event_date,
        due_by, age_days, list, cause, explanation, action, request (what is asked of the
        supplier), evidence, first_seen, change; some of it may be held by ``texts`` or be a
        category, and ``texts.rows`` gives rows as they are shown.
    night_before: the night that this one is compared with; None without one. cleared: what was
        open then and is no more. id, rule, title, class, list, amount_minor, currency, order_ref,
        sku, supplier, document, reason (by what), evidence_of (the rows that cleared it).
    moves: the roll-forward of open exceptions. class, currency, move (start, new, reopened,
        cleared, accepted, not_open, changed, end), count, amount_minor.
    nights: the last 30 nights with this one, oldest first. night, class, currency, count,
        amount_minor of what was open.
    order_lines: one row per order line. order_ref, store, line_no, sku, supplier, ordered_date,
        state, ordered, live, billed, shipped, posted (tracking number the storefront shows),
        delivered_date, currency, agreed_minor, billed_minor, paid_minor.
    pay: one row per supplier order that is safe to pay now. order_ref, supplier, invoice_no,
        amount_minor, currency, due_by, id (of its exception).
    post: one row per tracking number to be posted. order_ref, sku, carrier, tracking_no, id.
    rejected: one row per rejected row. source, file, sheet, row, column, text, expected.
    rejected_files: the same rows with all their texts, by file.
    notes: what else was found. source, file, sheet, row (0 = of the whole file), column, text, why.
    files: one row per file and sheet of a source. source, record, file, sheet, sha256, rows,
        header, blank, totals, repeats, rejected, later, accepted, covered_to, format (how
        it was read, in words).
    sums: money of the accepted rows, per file, column and currency. source, record, file, column,
        currency, rows, sum_minor.
    proofs: one row per equality that has to hold. proof (a sentence), unit ("rows" or a currency
        code), left, right (minor units where the unit is a currency), holds.
    rules: one row per rule. rule, title, severity, class, list, settings, changed (by the shop).
    seconds: how long each stage took.
    report_rows: the most rows of one sheet. post_columns: the headings of lists/post.csv by our
        names, in their order. addressed: how suppliers are addressed, by their name here.
    """

    shop: str
    as_of: date
    home_currency: str
    version: str
    exceptions: pd.DataFrame
    texts: Texts
    night_before: date | None
    cleared: pd.DataFrame
    moves: pd.DataFrame
    nights: pd.DataFrame
    order_lines: Pieces
    pay: pd.DataFrame
    post: pd.DataFrame
    rejected: pd.DataFrame
    rejected_files: list[RejectedFile]
    notes: pd.DataFrame
    files: pd.DataFrame
    sums: pd.DataFrame
    proofs: pd.DataFrame
    rules: pd.DataFrame
    seconds: dict[str, float]
    report_rows: int = 20_000
    post_columns: Mapping[str, str] = field(default_factory=dict)
    addressed: Mapping[str, str] = field(default_factory=dict)
