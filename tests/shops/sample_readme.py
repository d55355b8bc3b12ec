"""The README of the sample shop, made from the truth about it."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from tests.shops.build import Truth
from tests.shops.catalogue import decimal_text
from tests.shops.faults import FAULTS
from tests.shops.kind import Kind
from tests.shops.lookalikes import LOOK_ALIKES

STORIES = {
    "missing-tracking-until-today": "sent without a number at 23:30 on 28 October in New York, "
    "which is the 29th in Dublin",
}
INPUT_STORIES = {
    "rows-rejected": "a row that cannot be read",
    "repeat-changed": "one row in two exports, with a tracking number in the newer one only",
    "key-collision": "two orders whose references differ in the prefix only",
}

HEAD = """\
# Lantern Lane, a sample shop

An invented shop that sells lanterns and camping lamps and stocks none of them. Two suppliers send
the goods: Kestrel Goods Co, paid in euros before it sends, and Alder Supply, paid in dollars when
its invoices fall due. The exports cover three months, in the layouts of the programs that wrote
them. Nobody in them exists.

Run it from the folder above:

```sh
reconcile nightly sample_exports --as-of {as_of}
```

The report is then in `sample_exports/out/{as_of}/`. The cash of a month is checked by

```sh
reconcile month-end sample_exports --month {month}
```

This page lists every fault that was put into the exports, every order that only looks like one, and
what the run says about each; then, for the cash check of each month, everything that is no ordinary
part of a figure. It is written by `python -m tests.shops.sample`, together with the exports; change
them there.

The report is no legal or tax advice. A person decides before money moves.

"""


def readme(truth: Truth, inputs: pd.DataFrame, told: pd.DataFrame, files: Sequence[str]) -> str:
    """The whole page."""
    cases = _cases(truth)
    faults = [_row(kind, cases, truth) for kind in FAULTS if kind.name in cases]
    likes = [_row(kind, cases, truth) for kind in LOOK_ALIKES if not kind.sample_only]
    likes.append(("25 to 31 August, 24 to 30 September", "orders in two exports", "nothing"))
    plain = truth.exceptions.query("kind == ''")["rule"].value_counts().sort_index()
    waiting = ", ".join(f"{count} `{rule}`" for rule, count in plain.items())
    parts = [
        HEAD.format(as_of=truth.as_of, month=f"{truth.as_of:%Y-%m}"),
        "## What is in it\n\n",
        f"{truth.rows['orders']} order lines, {truth.rows['invoices']} invoice lines, "
        f"{truth.rows['payments']} payments and\n"
        f"{truth.rows['shipments']} parcel lines, beside the faults of the input. Rows that stand "
        "in two overlapping\nfiles are counted once.\n\n"
        "Documents write one reference in several ways: LL-10007, ll-10007, #10007, 10007 and\n"
        "0010007 are one order. SKUs stand in small letters now and then. The store's export\n"
        "names customers, all of them invented, and none of that may be in any output.\n\n",
        "".join(f"- `{name}`\n" for name in files if name.endswith(".csv")),
        "\n## What is open\n\n",
        _table(("rule", "exceptions", "amount"), _totals(truth)),
        "\n## Faults\n\n",
        "Each order has one fault and no other. An order named behind *with* shares a payment or\n"
        "an invoice and is right.\n\n",
        _table(("order", "what happened", "what the run says"), faults),
        "\n## Faults of the input\n\n",
        _table(("where", "what is wrong", "what the run says"), _input_rows(inputs)),
        "\nNothing else is open because of them: the order that cannot be read has no other\n"
        "trace, the payment is one that failed, and without the invoice its order is payable as\n"
        "agreed.\n",
        "\n## Look-alikes\n\n",
        "Orders that seem wrong. About these nothing is open: they are right, or not due before\n"
        "the end of the day, or cannot be told yet.\n\n",
        _table(("order", "what happened", "what the run says"), likes),
        "\n## All other orders\n\n",
        "They took their ordinary course. The orders of the last days are not done yet, and these\n"
        f"exceptions wait: {waiting}.\n",
        *_cash(told),
    ]
    return "".join(parts)


def _cases(truth: Truth) -> dict[str, list[list[str]]]:
    """By kind, the order references of each case, the order in question first."""
    found: dict[str, list[list[str]]] = {}
    for number in truth.cases["case"].unique():
        case = truth.cases[truth.cases["case"] == number]
        found.setdefault(str(case["kind"].iloc[0]), []).append(list(case["order_ref"]))
    return found


def _row(kind: Kind, cases: dict[str, list[list[str]]], truth: Truth) -> tuple[str, str, str]:
    names, answers = [], []
    for first, *others in cases[kind.name]:
        together = f"{first} with {', '.join(others)}" if others else first
        names.append(together)
        mine = truth.exceptions[truth.exceptions["order_ref"] == first].astype(str)
        answers += [_answer(row) for _, row in mine.iterrows()]
    story = STORIES.get(kind.name, kind.story)
    return "<br>".join(names), story, "<br>".join(answers) or "nothing"


def _answer(row: pd.Series[str]) -> str:
    about = " ".join(part for part in (row["sku"], row["document"]) if part)
    until = f", due {row['due_by']}" if row["verdict"] == "waiting" else ""
    amount = f": {row['currency']} {row['amount']}" if row["amount"] else ""
    return f"`{row['rule']}` {row['verdict']}{' ' + about if about else ''}{amount}{until}"


def _totals(truth: Truth) -> list[tuple[str, str, str]]:
    rows = []
    for rule, mine in truth.exceptions.query("verdict == 'open'").groupby("rule"):
        sums = []
        for currency, some in mine[mine["amount"] != ""].groupby("currency"):
            cents = sum(int(amount.replace(".", "")) for amount in some["amount"])
            sums.append(f"{currency} {cents // 100}.{cents % 100:02d}")
        rows.append((f"`{rule}`", str(len(mine)), ", ".join(sums)))
    return rows


def _input_rows(inputs: pd.DataFrame) -> list[tuple[str, str, str]]:
    rows = []
    for row in inputs.to_dict("records"):
        place = f"`{row['file']}` row {row['row']}" if row["file"] else row["order_ref"]
        story = INPUT_STORIES[row["rule"]]
        if row["file"]:
            story = f"{story} (order {row['order_ref']})"
        if row["column"]:
            story = f"{story}: {row['column']} is “{row['text']}”"
        rows.append((place, story, f"`{row['rule']}` open"))
    return rows


def _cash(told: pd.DataFrame) -> list[str]:
    """A table for each month of the cash check, one row for each thing that happened."""
    parts = [
        "\n## The cash check\n\n",
        "Customers pay through LampPay, which shows a sale a day later and pays out every Monday.\n"
        "The bank has an account in euros and one in dollars, from which Alder Supply is paid.\n"
        "Both suppliers state their accounts. Everything else that the check shows is one of the\n"
        "parts of a figure. *Differs* are the balances that do not come out even by it.\n",
    ]
    for month, mine in told.groupby("month"):
        parts += [f"\n### {month}\n\n"]
        rows = [
            (str(story), "<br>".join(_said(some)), _apart(some))
            for story, some in mine.groupby("story", sort=False)
        ]
        parts.append(_table(("what happened", "what the check says", "differs"), rows))
    return parts


def _said(rows: pd.DataFrame) -> list[str]:
    keys = ["check", "account", "currency", "what"]
    said = []
    for (check, account, currency, what), some in rows.groupby(keys, sort=False):
        place = f"`{check}`" + (f" {account}" if account else "")
        if what == "":
            said.append(f"{place}: unknown")
            continue
        name = some["name"].iloc[0] if len(some) == 1 else ""
        count = f"{len(some)} " if len(some) > 1 else ""
        money = f"{currency} {decimal_text(int(some['amount'].sum()), 2)}"
        shown = "" if name in ("", account) else f" {name}"
        said.append(f"{place}: {count}{what}{shown} {money}")
    return said


def _apart(rows: pd.DataFrame) -> str:
    apart = rows[rows["differs"].astype(bool)].drop_duplicates(["check", "account"])
    return "<br>".join(
        f"`{check}`" + (f" {account}" if account else "")
        for check, account in zip(apart["check"], apart["account"], strict=True)
    )


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    lines = [" | ".join(head), " | ".join("---" for _ in head), *(" | ".join(row) for row in rows)]
    return "".join(f"| {line} |\n" for line in lines)
