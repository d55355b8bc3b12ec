"""Bank rows to movements: every row and every movement ends in exactly one place.

By a reference inside the free text; then by amount and date where it is the only possibility both
ways; then transfers between the shop's own accounts; then, as a suggestion, the only set of
movements that adds up to a row. What could be read in two ways is tied, and settles nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching.columns import Bools, Ints
from reconcile.matching.subsets import only_subset
from reconcile.money import MICRO_DIGITS, digits_of
from reconcile.month_end.resolve import Resolved, resolve

# Days in which the bank may show a movement: by its own reference, by the documents that it
# names, and by its amount alone. Common practice, no source: most take one to three bank days.
BY_REFERENCE, BY_DOCUMENT, BY_AMOUNT, TRANSFER = (10, 120), (5, 45), (3, 10), 5
_MOST_ALIKE = 10_000  # pairs of one amount; of more nobody could tell which belong together
_MOST_SEARCHED = 24  # movements among which a sum is looked for
OPEN = ""


@dataclass
class Pairing:
    """Rows and movements with their places while they are settled.

    ``rows`` and ``movements`` are as ``bank_rows`` and ``movements`` give them, rows booked only.
    ``row_place``: matched, booked-twice, transfer, suggested, tied, or open. ``movement_place``:
    matched, suggested, tied, or open. ``row_group`` and ``movement_group`` number what belongs
    together, -1 for none. ``how`` says by what, by group.
    """

    rows: pd.DataFrame
    movements: pd.DataFrame

    def __post_init__(self) -> None:
        """Nothing is settled at first."""
        self.row_place = np.full(len(self.rows), OPEN, dtype=object)
        self.movement_place = np.full(len(self.movements), OPEN, dtype=object)
        self.row_group = np.full(len(self.rows), -1, dtype=np.int64)
        self.movement_group = np.full(len(self.movements), -1, dtype=np.int64)
        self.how: list[str] = []

    def join(self, rows: Ints, movements: Ints, how: str, place: str = "matched") -> None:
        """Put rows and movements together as one group."""
        self.row_place[rows], self.movement_place[movements] = place, place
        self.row_group[rows], self.movement_group[movements] = len(self.how), len(self.how)
        self.how.append(how)

    def join_pairs(self, rows: Ints, movements: Ints, how: str) -> None:
        """Put pairs together, one group each."""
        numbers = np.arange(len(rows)) + len(self.how)
        self.row_place[rows], self.movement_place[movements] = "matched", "matched"
        self.row_group[rows], self.movement_group[movements] = numbers, numbers
        self.how += [how] * len(rows)

    def still_open(self, edges: pd.DataFrame) -> pd.DataFrame:
        """The pairs of which both sides are open."""
        free = self.row_place[edges["row"]] == OPEN
        free &= self.movement_place[edges["movement"]] == OPEN
        return pd.DataFrame(edges[free])

    def values(self, edges: pd.DataFrame) -> tuple[Ints, Bools]:
        """What each row moves in the currency of the movement, and where that is told."""
        rows = self.rows.iloc[edges["row"]].reset_index(drop=True)
        wanted = self.movements["currency"].iloc[edges["movement"]].reset_index(drop=True)
        same = (rows["currency"] == wanted).to_numpy()
        told = ~same & (rows["original_currency"] == wanted).to_numpy()
        return np.where(same, rows["amount_minor"], original_minor(rows)), same | told


def original_minor(rows: pd.DataFrame) -> Ints:
    """The original amount of rows in minor units of its currency, with the sign of the row."""
    scale = 10 ** (MICRO_DIGITS - digits_of(rows["original_currency"]))
    whole = np.abs(rows["original_micro"].to_numpy(np.int64)) // scale
    return np.asarray(whole * np.sign(rows["amount_minor"].to_numpy(np.int64)), dtype=np.int64)


def pair(rows: pd.DataFrame, movements: pd.DataFrame, named: pd.DataFrame) -> Pairing:
    """Settle every row and movement; ``named`` are the pairs of which the row names the movement.

    Charges and interest are of no movement unless they name it with its very amount.
    """
    work = Pairing(rows, movements)
    for level, days, how in ((1, BY_REFERENCE, "reference"), (2, BY_DOCUMENT, "document")):
        edges = _possible(work, named[named["level"] == level], days)
        _settle_named(work, work.still_open(edges), how)
    transfers = _transfers(work)
    _settle_alike(work, _alike(work), transfers)
    _settle_transfers(work, _transfers(work))
    _suggest(work)
    return work


def _of_the_bank(rows: pd.DataFrame) -> Bools:
    """Rows that are the bank's own: charges and interest."""
    return np.asarray(rows["reference"].str.contains(r"\b(?:charge|interest)\b").to_numpy(bool))


def _possible(work: Pairing, edges: pd.DataFrame, days: tuple[int, int]) -> pd.DataFrame:
    """Pairs of one direction, account and time; a charge only with the very amount."""
    rows = work.rows.iloc[edges["row"]]
    moves = work.movements.iloc[edges["movement"]]
    value, told = work.values(edges)
    amount = moves["amount_minor"].to_numpy(np.int64)
    after = _days(moves["date"], rows["date"])
    fits = np.sign(rows["amount_minor"].to_numpy()) == np.sign(amount)
    fits &= (after >= -days[0]) & (after <= days[1])
    account = moves["account"].to_numpy()
    fits &= (account == "") | (account == rows["account"].to_numpy())
    fits &= ~_of_the_bank(rows) | (told & (value == amount))
    return pd.DataFrame(edges[fits].assign(value=np.where(told, value, amount)[fits]))


def _settle_named(work: Pairing, edges: pd.DataFrame, how: str) -> None:
    """Pairs alone at once, knots one by one."""
    alone = _alone(edges)
    work.join_pairs(*_ends(edges[alone]), how)
    for knot in _knots(edges[~alone]):
        rows = _by_date(work.rows, knot["row"])
        value = dict(zip(knot["row"].tolist(), knot["value"].tolist(), strict=True))
        moves, found = _resolved(work, knot, [value[row] for row in rows.tolist()])
        for of_rows, of_moves in found.groups:
            work.join(rows[list(of_rows)], moves[list(of_moves)], how)
        for row, move in found.twice:
            work.row_place[rows[row]] = "booked-twice"
            work.row_group[rows[row]] = work.movement_group[moves[move]]
        if found.tied[0]:
            tied = rows[list(found.tied[0])], moves[list(found.tied[1])]
            work.join(*tied, how, "tied")


def _resolved(work: Pairing, knot: pd.DataFrame, amounts: list[int]) -> tuple[Ints, Resolved]:
    """A knot settled, and the movements it is settled with.

    Those that have to be in the bank are enough where they settle every row: a payment that
    failed, and was sent again under the same order, is not what a single debit paid.
    """
    owed = work.movements["amount_minor"].to_numpy(np.int64)
    expected = work.movements["expected"].to_numpy(dtype=bool)
    moves = _by_date(work.movements, knot["movement"])
    firm = moves[expected[moves]]
    if 0 < len(firm) < len(moves):
        found = resolve(amounts, owed[firm].tolist())
        if sum(len(of_rows) for of_rows, _ in found.groups) == len(amounts):
            return firm, found
    return moves, resolve(amounts, owed[moves].tolist())


def _alone(edges: pd.DataFrame) -> Bools:
    """The pairs of which neither side is in another pair."""
    again = edges["row"].duplicated(keep=False) | edges["movement"].duplicated(keep=False)
    return np.asarray(~again.to_numpy(dtype=bool))


def _ends(edges: pd.DataFrame) -> tuple[Ints, Ints]:
    return edges["row"].to_numpy(np.int64), edges["movement"].to_numpy(np.int64)


def _by_date(frame: pd.DataFrame, positions: pd.Series) -> Ints:
    at = np.unique(positions.to_numpy(np.int64))
    return at[np.argsort(frame["date"].to_numpy()[at], kind="stable")]


def _knots(edges: pd.DataFrame) -> list[pd.DataFrame]:
    """The pairs that hang together, each knot as one table."""
    if edges.empty:
        return []
    row, row_names = pd.factorize(edges["row"])
    move, _ = pd.factorize(edges["movement"])
    label = np.arange(len(row_names))
    while True:
        of_move = np.full(int(move.max()) + 1, len(row_names))
        np.minimum.at(of_move, move, label[row])
        lower = label.copy()
        np.minimum.at(lower, row, of_move[move])
        if (lower == label).all():
            break
        label = lower
    return [knot for _, knot in edges.groupby(label[row], sort=True)]


def _alike(work: Pairing) -> pd.DataFrame:
    """Pairs of open rows and movements of one amount within days of each other."""
    rows = work.rows.assign(row=np.arange(len(work.rows)))[work.row_place == OPEN]
    rows = rows[~_of_the_bank(rows)]
    foreign = rows[(rows["original_currency"] != "").to_numpy()]
    foreign = foreign.assign(
        amount_minor=original_minor(foreign), currency=foreign["original_currency"]
    )
    sides = pd.concat([rows, foreign])[["row", "currency", "amount_minor"]].drop_duplicates()
    moves = work.movements.assign(movement=np.arange(len(work.movements)))
    moves = moves.loc[work.movement_place == OPEN, ["movement", "currency", "amount_minor"]]
    keys = ["currency", "amount_minor"]
    sizes = sides.groupby(keys).size().to_frame("a").join(moves.groupby(keys).size().to_frame("b"))
    few = sizes[(sizes["a"] * sizes["b"]) <= _MOST_ALIKE].reset_index()[keys]
    pairs = sides.merge(few, on=keys).merge(moves, on=keys)[["row", "movement"]]
    edges = _possible(work, pairs.drop_duplicates().astype("int64"), BY_AMOUNT)
    supplier = work.rows["supplier"].to_numpy()[edges["row"]]
    payee = work.movements["supplier"].to_numpy()[edges["movement"]]
    # Who was paid speaks against a pair where both sides tell it.
    return pd.DataFrame(edges[(supplier == "") | (payee == "") | (supplier == payee)])


def _settle_alike(work: Pairing, edges: pd.DataFrame, transfers: pd.DataFrame) -> None:
    """The only possibility both ways; as many rows as movements that all fit each other; ties."""
    pays = set(edges["row"])
    rival = transfers[~transfers["row"].isin(pays) | ~transfers["other"].isin(pays)]
    doubtful = set(rival["row"]) | set(rival["other"])
    alone = _alone(edges) & ~edges["row"].isin(doubtful).to_numpy()
    work.join_pairs(*_ends(edges[alone]), "amount and date")
    expected = work.movements["expected"].to_numpy(dtype=bool)
    for knot in _knots(edges[~alone]):
        rows = _by_date(work.rows, knot["row"])
        moves = _by_date(work.movements, knot["movement"])
        firm = knot[expected[knot["movement"]]]
        if firm["movement"].nunique() == len(rows) < len(moves):
            knot, moves = firm, _by_date(work.movements, firm["movement"])  # noqa: PLW2901
        whole = len(rows) == len(moves) and len(knot) == len(rows) * len(moves)
        if whole and not doubtful.intersection(rows.tolist()):
            work.join_pairs(rows, moves, "alike")
        else:
            work.join(rows, moves, "amount and date", "tied")


def _transfers(work: Pairing) -> pd.DataFrame:
    """Pairs of open rows that could be the two ends of one transfer: ``row`` out, ``other`` in."""
    rows = work.rows.assign(at=np.arange(len(work.rows)))[work.row_place == OPEN]
    rows = rows[~_of_the_bank(rows)]
    mine = pd.DataFrame(
        {"at": rows["at"], "account": rows["account"], "date": rows["date"]}
        | {"currency": rows["currency"], "amount": rows["amount_minor"]}
    )
    changed = rows[(rows["original_currency"] != "").to_numpy()]
    as_foreign = pd.DataFrame(
        {"at": changed["at"], "account": changed["account"], "date": changed["date"]}
        | {"currency": changed["original_currency"], "amount": original_minor(changed)}
    )
    ends = pd.concat([mine, as_foreign[as_foreign["amount"] != 0]])
    out, into = ends[ends["amount"] < 0], ends[ends["amount"] > 0]
    pairs = out.assign(amount=-out["amount"]).merge(into, on=["currency", "amount"])
    days = np.abs(_days(pairs["date_x"], pairs["date_y"]))
    pairs = pairs[(pairs["account_x"] != pairs["account_y"]).to_numpy() & (days <= TRANSFER)]
    pairs = pairs.rename(columns={"at_x": "row", "at_y": "other"})[["row", "other"]]
    return pd.DataFrame(pairs.drop_duplicates().astype("int64").reset_index(drop=True))


def _days(before: pd.Series, after: pd.Series) -> Ints:
    """Whole days from one date to the other."""
    seconds = after.to_numpy().astype("datetime64[s]") - before.to_numpy().astype("datetime64[s]")
    return np.asarray(seconds.astype(np.int64) // 86_400)


def _settle_transfers(work: Pairing, pairs: pd.DataFrame) -> None:
    alone = ~pairs["row"].duplicated(keep=False) & ~pairs["other"].duplicated(keep=False)
    for row, other in pairs[alone].itertuples(index=False):
        work.join(np.array([row, other]), np.zeros(0, np.int64), "transfer", "transfer")
    rest = pairs[~alone]
    for row in sorted(set(rest["row"]) | set(rest["other"])):
        work.join(np.array([row]), np.zeros(0, np.int64), "transfer", "tied")


def _suggest(work: Pairing) -> None:
    """Rows that only one set of movements adds up to; several sets of a named supplier tie."""
    rows = np.flatnonzero((work.row_place == OPEN) & ~_of_the_bank(work.rows)).tolist()
    moves = work.movements[work.movement_place == OPEN]
    place = np.flatnonzero(work.movement_place == OPEN)
    found: list[tuple[int, Ints, str]] = []
    for row in rows:
        one = work.rows.iloc[row]
        after = _days(moves["date"], pd.Series([one["date"]] * len(moves)))
        fits = (moves["currency"] == one["currency"]).to_numpy(copy=True)
        fits &= np.sign(moves["amount_minor"].to_numpy()) == np.sign(one["amount_minor"])
        fits &= (after >= -BY_AMOUNT[0]) & (after <= BY_AMOUNT[1])
        fits &= moves["account"].isin(["", one["account"]]).to_numpy()
        if one["supplier"]:
            fits &= moves["supplier"].isin(["", one["supplier"]]).to_numpy()
        at = np.flatnonzero(fits)
        owed = np.abs(moves["amount_minor"].to_numpy(np.int64)[at])
        wanted = abs(int(one["amount_minor"]))
        if len(at) > 1 and owed.sum() == wanted:  # all, and no other set, however many they are
            found.append((row, place[at], "suggested"))
        elif 1 < len(at) <= _MOST_SEARCHED:
            subset = only_subset(owed, wanted)
            if subset.outcome == "only":
                found.append((row, place[at[list(subset.chosen)]], "suggested"))
            elif subset.outcome == "several" and one["supplier"]:
                found.append((row, place[at], "tied"))
    used = pd.Series([move for _, of_row, _ in found for move in of_row], dtype="int64")
    twice = set(used[used.duplicated(keep=False)])
    for row, of_row, kind in found:
        shared = twice.intersection(of_row.tolist())
        work.join(np.array([row]), of_row, "sum", "tied" if shared else kind)
