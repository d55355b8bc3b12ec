"""The sheets of the cash check: one page to sign, then a sheet for each check."""

from __future__ import annotations

import pandas as pd

from reconcile.report.cash_contents import CAUTION, CashContents, input_notes
from reconcile.report.cash_layout import CAP, Block, Sheet
from reconcile.report.cells import Column
from reconcile.report.chart import Chart

# Each check: the name of its sheet, and what has to be equal.
CHECKS = {
    "statement-runs": ("Statement runs", "Opening balance + rows = closing balance"),
    "bank-to-books": ("Bank to books", "Bank + in transit - outstanding = books + not booked"),
    "payments-to-bank": ("Payments to bank", "Supplier payments = debits + in transit"),
    "payout-adds-up": ("Payouts add up", "Parts of a payout = what was paid out"),
    "payouts-to-bank": ("Payouts to bank", "Payouts sent = credits booked + in transit"),
    "customers-to-payouts": ("Customers to payouts", "What orders say = what the processor shows"),
    "supplier-account": ("Supplier accounts", "Opening + billed - paid = open items; = statement"),
    "open-items": ("Open items", "Open at the start + new - cleared - accepted = open at the end"),
    "cut-off": ("Cut-off", "All = settled + what is on one side of the month's end only"),
    "exchange": ("Exchange", "At one rate = at the other + the difference of each item"),
    "margin": ("Margin", "Order by order = the month's totals"),
}
_FEW = 6  # balances of one check that the first page shows one by one
_NATURES = ("error", "entry", "unknown")


def cash_sheets(contents: CashContents) -> list[Sheet]:
    """All sheets, in their order."""
    return [
        _first(contents),
        *(sheet for check in CHECKS for sheet in _check(contents, check)),
        _ageing(contents),
        _scorecard(contents),
        _restated(contents),
        _inputs(contents),
    ]


def _first(contents: CashContents) -> Sheet:
    """The page that a merchant signs."""
    balances = contents.balances
    failed = contents.proofs[~contents.proofs["holds"].astype(bool)]
    counts = balances["verdict"].value_counts()
    told = ", ".join(f"{int(counts.get(v, 0))} {v}" for v in ("agrees", "differs", "unknown"))
    proof = (
        f"PROOF FAILED, do not sign: {failed['proof'].iloc[0]}."
        if len(failed)
        else f"Every unit of every bank row is in one place: {len(contents.proofs)} proofs hold."
    )
    period = (
        f"Period {contents.first} to {contents.last}, calendar days in {contents.zone}. "
        f"Home currency {contents.home_currency}."
    )
    return Sheet(
        "Cash check",
        f"{contents.shop}: cash check of {contents.month}",
        [period, f"Balances: {told}.", *input_notes(contents), proof, CAUTION],
        [_verdicts(balances), _bridge(contents), _to_do(contents), _not_explained(contents),
         _not_checked(balances), _signed()],
        one_page=True,
    )  # fmt: skip


def _verdicts(balances: pd.DataFrame) -> Block:
    """Each balance; many agreeing ones of a check are one line."""
    rows = balances.copy()
    size = rows.groupby("check")["check"].transform("size")
    fold = (size > _FEW) & (rows["verdict"] == "agrees")
    kept = rows[~fold]
    folded = rows[fold].groupby(["check", "currency"], as_index=False, sort=False).agg(
        account=("account", "size"), left_minor=("left_minor", "sum"),
        right_minor=("right_minor", "sum"), difference_minor=("difference_minor", "sum"),
        verdict=("verdict", "first"), errors=("errors", "sum"),
    )  # fmt: skip
    folded["account"] = folded["account"].astype("str") + " together"
    both = pd.concat([kept, folded], ignore_index=True)
    rank = {name: place for place, name in enumerate(CHECKS)}
    both = both.iloc[both["check"].map(rank).to_numpy().argsort(kind="stable")]
    shown = [
        Column("Check", "check", width=22),
        Column("Account", "account", width=28),
        Column("Left", "left_minor", "amount", "currency"),
        Column("Right", "right_minor", "amount", "currency"),
        Column("Difference", "difference_minor", "amount", "currency"),
        Column("Errors", "errors", "number"),
        Column("Currency", "currency"),
        Column("Verdict", "verdict"),
    ]
    money = ("left_minor", "right_minor", "difference_minor")
    both = both.astype(dict.fromkeys(money, "Int64") | {"errors": "Int64"})
    return Block("Each balance: left has to equal right", shown, both)


def _bridge(contents: CashContents) -> Block:
    shown = [
        Column("Cash", "what", width=22),
        Column("Account", "account", width=28),
        Column("Opening", "opening", "amount", "currency"),
        Column("Received", "received", "amount", "currency"),
        Column("Paid", "paid", "amount", "currency"),
        Column("Not explained", "not_explained", "amount", "currency"),
        Column("Closing", "closing", "amount", "currency"),
        Column("Currency", "currency"),
    ]
    note = "Cash, from opening to closing"
    note = note if len(contents.bridge) else "The bank tells nothing of this month."
    return Block(note, shown, contents.bridge.assign(what="opening to closing"))


def _to_do(contents: CashContents) -> Block:
    items = contents.items
    mine = items["nature"].isin(_NATURES) & (items["what"] != "not-explained")
    sums = items[mine].groupby(["check", "what", "nature", "currency"], as_index=False).agg(
        count=("what", "size"), amount_minor=("amount_minor", "sum")
    )  # fmt: skip
    rank = {name: place for place, name in enumerate(CHECKS)}
    sums = sums.iloc[sums["check"].map(rank).to_numpy().argsort(kind="stable")]
    shown = [
        Column("Check", "check", width=22),
        Column("What was found", "what", width=28),
        Column("Items", "count", "number"),
        Column("Amount", "amount_minor", "amount", "currency"),
        Column("Currency", "currency"),
        Column("Nature", "nature"),
    ]
    note = "To be acted on: error = look into it; entry = enter it in your own books; "
    note += "unknown = cannot be told"
    return Block(note if len(sums) else "Nothing has to be acted on.", shown, sums)


def _not_explained(contents: CashContents) -> Block:
    rows = contents.items[(contents.items["what"] == "not-explained").to_numpy()]
    shown = [
        Column("Check", "check", width=22),
        Column("Account", "account", width=28),
        Column("Amount", "amount_minor", "amount", "currency"),
        Column("Currency", "currency"),
    ]
    return Block("Not explained" if len(rows) else "Nothing is left unexplained.", shown, rows)


def _not_checked(balances: pd.DataFrame) -> Block:
    rows = balances[(balances["verdict"] == "unknown").to_numpy()]
    rows = rows.assign(check=(rows["check"] + " " + rows["account"]).str.strip())
    shown = [
        Column("Check", "check", width=22),
        Column("Why", "cause", "prose", width=28),
    ]
    return Block("Not checked, and why" if len(rows) else "Every check was made.", shown, rows)


def _signed() -> Block:
    rows = pd.DataFrame(
        {"who": ["Prepared by", "Reviewed by"], "name": ["", ""], "date": ["", ""]}, dtype="str"
    ).assign(name="_" * 28, date="_" * 12)
    shown = [
        Column("Signed", "who", width=22),
        Column("Name and signature", "name", width=28),
        Column("Date", "date", width=14),
    ]
    return Block("A person has looked at this and decides", shown, rows)


def _check(contents: CashContents, check: str) -> list[Sheet]:
    name, equal = CHECKS[check]
    balances = contents.balances[(contents.balances["check"] == check).to_numpy()]
    items = contents.items[(contents.items["check"] == check).to_numpy()]
    figures = [
        Column("Account", "account", width=28),
        Column("Verdict", "verdict"),
        Column("Currency", "currency"),
        Column("Left", "left_minor", "amount", "currency"),
        Column("Right", "right_minor", "amount", "currency"),
        Column("Difference", "difference_minor", "amount", "currency"),
        Column("Items", "items", "number"),
        Column("Cause", "cause", "prose", width=44),
    ]
    shown = [
        Column("Account", "account", width=28),
        Column("What", "what", width=22),
        Column("Currency", "currency"),
        Column("Amount", "amount_minor", "amount", "currency"),
        Column("Side", "side"),
        Column("Nature", "nature"),
        Column("Date", "date", "date"),
        Column("What it is", "text", "prose", width=52),
        Column("Document", "name", width=28),
        Column("Evidence", "evidence", "prose", width=60),
    ]
    many = f" The first {CAP:,} of {len(items):,} are here; all are in cash_check.json."
    note = f"Items: {len(items):,}." + (many if len(items) > CAP else "")
    told = Block("Balances" if len(balances) else "Nothing to check.", figures, balances)
    listed = Block(note if len(items) else "No items.", shown, items.head(CAP))
    lines = [f"{equal}."]
    if check != "margin":
        return [Sheet(name, name, lines, [told, listed])]
    orders = f"{name} by order"
    return [
        Sheet(name, name, lines, [told, *_margins(contents)]),
        Sheet(orders, orders, lines, [listed]),
    ]


def _margins(contents: CashContents) -> list[Block]:
    out = []
    home = contents.home_currency
    for name, table in contents.margins.items():
        shown = [
            Column(name[:1].upper() + name[1:], "name", width=28),
            Column("Customers paid", "customer_paid", "amount"),
            Column("Refunds", "refunds", "amount"),
            Column("Supplier cost", "supplier_cost", "amount"),
            Column("Processor fees", "processor_fees", "amount"),
            Column("Margin", "margin", "amount"),
        ]
        least = int(table["margin"].min()) if len(table) else 0
        chart = Chart(f"Margin by {name}, {home}", 1, 6, "H", from_zero=least >= 0)
        drawn = chart if name == "SKU" and len(table) else None
        out.append(Block(f"By {name}, in {home}", shown, table, drawn))
    return out


def _ageing(contents: CashContents) -> Sheet:
    table = contents.ageing
    buckets = [str(name) for name in table.columns if name not in ("supplier", "currency")]
    shown = [Column("Supplier", "supplier", width=28), Column("Currency", "currency")]
    shown += [Column(_days(name), name, "amount", "currency") for name in buckets]
    basis = "the due date" if contents.ageing_from == "due" else "the date of the document"
    lines = [f"Open payables as of {contents.last}, aged in days from {basis}."]
    note = "By supplier" if len(table) else "Nothing is owed."
    return Sheet("Ageing", "Ageing", lines, [Block(note, shown, table)])


def _days(bucket: str) -> str:
    return bucket.capitalize() if bucket in ("total", "not due") else f"{bucket} days"


def _scorecard(contents: CashContents) -> Sheet:
    shown = [
        Column("Supplier", "supplier", width=28),
        Column("Lines sent", "lines", "number"),
        Column("Late", "late", "number"),
        Column("Parcels", "parcels", "number"),
        Column("Without number", "no_number", "number"),
        Column("Currency", "currency"),
        Column("Overcharged", "overcharged_minor", "amount", "currency"),
        Column("Given back", "recovered_minor", "amount", "currency"),
    ]
    note = "By supplier" if len(contents.scorecard) else "No supplier did anything."
    block = Block(note, shown, contents.scorecard)
    return Sheet("Suppliers", f"What suppliers did in {contents.month}", [], [block])


def _restated(contents: CashContents) -> Sheet:
    rows = contents.restated
    shown = [
        Column("Check", "check", width=22),
        Column("Account", "account", width=28),
        Column("Currency", "currency"),
        Column("Figure", "figure"),
        Column("First check", "before", width=22),
        Column("Now", "now", width=22),
    ]
    note = "By late or changed files" if len(rows) else "Nothing has changed."
    title = "Changed since this month was first checked"
    return Sheet("Restated", title, [], [Block(note, shown, rows)])


def _inputs(contents: CashContents) -> Sheet:
    places = [
        Column("Account", "account", width=28),
        Column("Where the rows ended", "place", width=28),
        Column("Rows", "rows", "number"),
        Column("Amount", "amount_minor", "amount", "currency"),
        Column("Currency", "currency"),
    ]
    proofs = [
        Column("Unit", "unit", width=28),
        Column("What has to be equal", "proof", "prose", width=64),
        *(Column(name, name.lower(), "amount", "unit") for name in ("Left", "Right")),
        Column("Holds", "holds", "yes-no"),
    ]
    files = [
        Column("Source", "source", width=28),
        Column("File", "file", width=44),
        Column("Rows", "rows", "number"),
        *(Column(name, name.lower(), "number") for name in ("Accepted", "Rejected")),
        Column("Covers up to", "covered_to"),
    ]
    blocks = [
        Block("Each unit of each bank row of the month", places, contents.places),
        Block("Proofs", proofs, contents.proofs),
        Block("Files", files, contents.files),
    ]
    return Sheet("Inputs", "What was read, and the proofs", [], blocks)
