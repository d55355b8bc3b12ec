"""What an export that nobody has described yet seems to hold: its record type and its columns.

Names come first and content second: a column is taken for what its header says where its cells
do not speak against it. Scores are whole numbers, up to 1,200 for a header and a canonical
column, and the assignment with the greatest sum of them is proposed. A column of money or dates
is sure only where its header says in full which one it is, and nothing else comes near.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from reconcile.intake.entry import Choice, Proposal, Why, doubt, question
from reconcile.intake.private import Look, fits, look, private, shown_words
from reconcile.intake.words import (
    IN_FULL,
    IN_OTHER_WORDS,
    Header,
    likeness,
    read_header,
    trade_words,
)
from reconcile.records import RECORDS, Record

__all__ = ["Choice", "Proposal", "Sample", "propose"]

Sample = Callable[[int], pa.Array]
Ints = NDArray[np.int64]

MOST_COLUMNS = 200  # of a wider file only the first are looked at
NEAR = 200  # a candidate this near the chosen one makes it doubtful
CLEAR = 80  # in a hundred: what the next best record type may score at most
FAINT = 450  # half of a phrase that names the column
GUESSED = 350  # a column known by its content alone
# A constant often stands for these: a supplier's own export does not name the supplier
_OFTEN_CONSTANT = ("supplier", "currency")
_MONEY = ("money", "price", "rate")


@dataclass(frozen=True)
class _Seen:
    """A column of the file that may be looked at."""

    header: str
    position: int
    read: Header
    look: Look


@dataclass(frozen=True)
class _Match:
    """A record type against the columns of the file, one row a canonical column.

    ``names`` holds how far a header is like it, ``scores`` what is left of that when the cells
    are looked at; ``chosen`` the place of the column taken, -1 where none is. ``own`` is whether
    it brings our own names.
    """

    record: Record
    names: Ints
    scores: Ints
    chosen: Ints
    own: bool

    @property
    def worth(self) -> int:
        """How well the file fits the record type; content alone counts little."""
        rows = np.flatnonzero(self.chosen >= 0)
        gaps = [c for c, at in zip(self.record.columns, self.chosen, strict=True) if at < 0]
        lost = [100 if c.name in _OFTEN_CONSTANT else 600 for c in gaps if c.required]
        return int(self.names[rows, self.chosen[rows]].sum()) - sum(lost)


def propose(header: Sequence[str], sample: Sample, record: str | None = None) -> Proposal:
    """The record type and the columns that a header and samples of its columns suggest.

    ``sample`` gives distinct texts of the column at a position; it is never called for a
    private column. ``record`` is the record type where a person has said it; KeyError where
    there is none of that name.
    """
    hidden = {i for i, name in enumerate(header) if private(name)}
    seen: list[_Seen] = []
    twice = sorted(h for h, count in Counter(header).items() if count > 1 and not private(h))
    for position, name in enumerate(header):
        if position in hidden or not name.strip() or name in twice or len(seen) == MOST_COLUMNS:
            continue
        found = look(sample(position))
        if found.shares["mail"]:
            hidden.add(position)
        else:
            seen.append(_Seen(name, position, read_header(name), found))
    names = [record] if record else [name for name, one in RECORDS.items() if one.exported]
    matches = [_match(RECORDS[name], seen) for name in names]
    best = max(matches, key=lambda match: match.worth)
    why, sure = ("as given.", True) if record else _why(best, matches)
    choices = _choices(best, seen, sure_type=sure)
    values, questions = _currency(best.record, choices, seen)
    words, unknown = _words(best.record, choices, sample)
    taken = {choice.column for choice in choices} | set(values)
    missing = [c for c in best.record.columns if c.name not in taken]
    used = {choice.position for choice in choices} | hidden
    return Proposal(
        record=best.record.name,
        record_why=why,
        record_sure=sure,
        choices=choices,
        missing=tuple(c.name for c in sorted(missing, key=lambda c: not c.required)),
        unused=tuple(h for i, h in enumerate(header) if i not in used and h.strip()),
        private=tuple(header[i] for i in sorted(hidden)),
        values=values,
        words=words,
        unsure=(
            *([] if sure else [f"Is this file of the record type {best.record.name}? {why}"]),
            *(f"Which column is {h!r}? The file has it twice." for h in twice if h.strip()),
            *(question(c.name) for c in missing if c.required),
            *questions,
            *unknown,
        ),
    )


def _match(record: Record, seen: Sequence[_Seen]) -> _Match:
    known = trade_words()
    headers = {s.header for s in seen}
    # A file with our own names says in full what it holds, even "tax"
    must = {c.name for c in record.columns if c.required}.difference(_OFTEN_CONSTANT)
    others = known.others[record.name]
    alien = np.array(["percent" in s.read.words or others.hold(s.read) for s in seen], dtype=bool)
    names, looks = np.zeros((2, len(record.columns), len(seen)), dtype=np.int64)
    for row, column in enumerate(record.columns):
        phrases = known.names[record.name][column.name], known.vague[record.name][column.name]
        for place, s in enumerate(seen):
            own = must <= headers and s.header == column.name
            names[row, place] = IN_FULL if own else likeness(s.read, *phrases) * (not alien[place])
            looks[row, place] = fits(column, s.look)
    scores = _scores(record, names, looks, alien)
    # There are more orders than goods: the column of fewer texts is the sku
    counts = np.array([s.look.count for s in seen], dtype=np.int64)
    share = 40 * counts // max(int(counts.max(initial=0)), 1)
    for row, column in enumerate(record.columns):
        more = {"reference": share, "sku": 40 - share}.get(column.kind, 0 * share)
        scores[row] += np.where(scores[row] > 0, more, 0)
    return _Match(record, names, scores, _assign(scores), must <= headers)


def _scores(record: Record, names: Ints, looks: Ints, alien: NDArray[np.bool_]) -> Ints:
    """How much each column of the file is worth as each canonical column; 0 is not at all."""
    required = np.array([[column.required] for column in record.columns])
    coded = [[column.kind in ("currency", "country")] for column in record.columns]
    nameless = (names.max(axis=0, initial=0) == 0) & ~alien
    guessed = (required | np.array(coded)) & nameless & (looks == 1)
    scores = np.where(
        guessed, GUESSED, np.where((names > 0) & (looks >= 0), names + 100 * looks, 0)
    )
    # What is required gets the better of two; what is not is not taken for a faint likeness, nor
    # for a vague one where the header is the best that a required column can have
    scores = np.where(required, scores + scores // 20, scores)
    best = required & (scores == scores.max(axis=1, initial=1, keepdims=True))
    above = scores > np.where(best, scores, 0).max(axis=0, initial=0)
    clear = guessed | (names == IN_FULL) | ((names >= FAINT) & above)
    return np.where(required | clear, scores, 0)


def _assign(scores: Ints) -> Ints:
    """For each row the place that makes the sum of the scores greatest, -1 where none does.

    The Hungarian method with potentials (Kuhn 1955, from memory): exact, each place once. Of
    equal sums, the one whose places come first is taken.
    """
    rows, places = scores.shape
    worth = scores * 2**20 + np.where(scores > 0, places - np.arange(places), 0)
    # One more place for each row, worth nothing: not at all. Row and place 0 only begin a path.
    costs = np.zeros((rows + 1, places + rows + 1), dtype=np.int64)
    costs[1:, 1 : places + 1] = -worth
    of_row, of_place = np.zeros(rows + 1, dtype=np.int64), np.zeros(len(costs[0]), dtype=np.int64)
    owner, way = np.zeros_like(of_place), np.zeros_like(of_place)
    for row in range(1, rows + 1):
        owner[0], at = row, 0
        least, done = np.full_like(of_place, 2**60), np.zeros(len(of_place), dtype=bool)
        while at == 0 or owner[at]:
            done[at] = True
            here = costs[owner[at]] - of_row[owner[at]] - of_place
            closer = ~done & (here < least)
            least[closer], way[closer] = here[closer], at
            at = int(np.where(done, 2**61, least).argmin())
            step = least[at]
            of_row[owner[done]] += step
            of_place[done] -= step
            least[~done] -= step
        while at:
            owner[at], at = owner[way[at]], int(way[at])
    chosen = np.full(rows, -1, dtype=np.int64)
    for place in np.flatnonzero(owner[1 : places + 1]):
        if scores[owner[place + 1] - 1, place] > 0:
            chosen[owner[place + 1] - 1] = place
    return chosen


def _why(best: _Match, matches: Sequence[_Match]) -> tuple[str, bool]:
    """Why a record type, and whether it is sure."""
    named = [
        column.name
        for row, (column, at) in enumerate(zip(best.record.columns, best.chosen, strict=True))
        if at >= 0 and best.names[row, at] == IN_FULL
    ]
    second = max((m for m in matches if m is not best), key=lambda match: match.worth)
    why = (
        f"Its headers name {', '.join(named[:6])}" if named else "No header names a column in full"
    )
    clear = (best.own and not second.own) or second.worth * 100 <= CLEAR * best.worth
    if best.worth >= 2 * IN_FULL and clear:
        return f"{why}.", True
    return f"{why}; it could also be {second.record.name}.", False


def _choices(match: _Match, seen: Sequence[_Seen], *, sure_type: bool) -> tuple[Choice, ...]:
    found = []
    for row, column in enumerate(match.record.columns):
        at = int(match.chosen[row])
        if at < 0:
            continue
        name, content = int(match.names[row, at]), fits(column, seen[at].look)
        near = _candidates(match, row, seen)
        sure = sure_type and (name == IN_FULL or (name >= IN_OTHER_WORDS and content == 1))
        if column.kind in (*_MONEY, "date"):
            sure = sure and name == IN_FULL and (content == 1 or not seen[at].look.count)
        elif column.kind == "currency":
            sure = sure or (content == 1 and sure_type)
        sure = sure and not any(near)
        why: Why = "content" if not name else "both" if content == 1 else "name"
        told = "" if sure else doubt(column.name, seen[at].header, name, near, sure_type=sure_type)
        found.append(Choice(column.name, seen[at].header, seen[at].position, why, sure, told))
    return tuple(found)


def _candidates(match: _Match, row: int, seen: Sequence[_Seen]) -> tuple[list[str], list[str]]:
    """The headers that this column could have too, and the columns that its header could be."""
    at, column = match.chosen[row], match.record.columns[row]
    score = match.scores[row, at]
    vague = column.kind in (*_MONEY, "date") and match.names[row, at] < IN_FULL
    others = trade_words().others[match.record.name]
    headers = []
    for place, other in enumerate(seen):
        owner = np.flatnonzero(match.chosen == place)
        theirs = int(match.scores[owner, place].max(initial=1))
        near = match.scores[row, place] >= max(score - NEAR, theirs)
        # Where nothing is sure, everything that is left and looks like it is a candidate
        alike = vague and not owner.size and fits(column, other.look) == 1
        alike = alike and not others.hold(other.read)
        headers += [other.header] if place != at and (near or alike) else []
    columns = [
        other.name
        for r, other in enumerate(match.record.columns)
        if r != row
        and match.scores[r, at] >= max(score - NEAR, 1)
        and (match.chosen[r] < 0 or match.scores[r, match.chosen[r]] < IN_FULL)
    ]
    return headers, columns


def _currency(
    record: Record, choices: Sequence[Choice], seen: Sequence[_Seen]
) -> tuple[dict[str, str], list[str]]:
    """The currency that the headers or cells of the amounts name, where no column does."""
    kinds = {column.name: column.kind for column in record.columns}
    if "currency" not in kinds or "currency" in {choice.column for choice in choices}:
        return {}, []
    money = {choice.position for choice in choices if kinds[choice.column] in _MONEY}
    amounts = [s for s in seen if s.position in money]
    told = sorted({(u, s.header) for s in amounts for u in (s.read.unit, s.look.unit) if u})
    silent = [s for s in amounts if not (s.read.unit or s.look.unit)]
    codes = {code for code, _ in told}
    if len(codes) > 1 or any(s.look.shares["marked"] for s in silent):
        said = "".join(f" {header!r} says {code}." for code, header in told)
        return {}, [f"Which currency? The amounts name several, or a sign that several have.{said}"]
    said = ", ".join(repr(s.header) for s in silent)
    if not codes:
        return {}, []
    asked = [f"Is everything in {min(codes)}? Not said by {said}."] if silent else []
    return {"currency": min(codes)}, asked


def _words(
    record: Record, choices: Sequence[Choice], sample: Sample
) -> tuple[dict[str, dict[str, str]], list[str]]:
    """What the words of status and kind columns mean, and questions about the others."""
    found, questions = {}, []
    for choice in choices:
        column = record.column(choice.column)
        if column.kind in ("word", "flag"):
            known, unknown = shown_words(record.name, column.name, sample(choice.position))
            found[column.name] = known
            questions += [f"What does {word!r} in {choice.header!r} mean?" for word in unknown]
    return {name: known for name, known in found.items() if known}, questions
