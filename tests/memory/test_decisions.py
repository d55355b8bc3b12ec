"""What a decision covers: one exception, up to an amount, until a day, in the next runs."""

from __future__ import annotations

import getpass
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from reconcile.cli import commands
from reconcile.decide import decide_on
from reconcile.errors import RefusedError
from reconcile.memory.decision_log import DECISIONS_FILE, Decision
from reconcile.memory.decisions import accepted, as_table
from reconcile.report.contents import Contents
from tests.memory.growing import DECISIONS, day_of
from tests.memory.small import begun, call, files_of, found, run

pytestmark = pytest.mark.no_cover

TWICE, UNPAID, BILLED = ("double-paid", "2"), ("unpaid", "1"), ("billed-twice", "3")


def _decide(
    shop: Path, key: tuple[str, str], contents: Contents, night: int, **more: object
) -> str:
    given: dict[str, object] = {"reason": "agreed", "until": None, "decided_by": "Ann"} | more
    id_ = str(found(contents)[key]["id"])
    return decide_on(shop, id_, lambda _: day_of(night), **given)  # type: ignore[arg-type]


def test_a_decision_counts_from_the_next_run_on_until_the_amount_grows(tmp_path: Path) -> None:
    shop = begun(tmp_path, 2)
    said = _decide(shop, TWICE, run(shop, 3), 3)
    assert said.startswith("Accepted: double-paid of order 2, up to 40.00 EUR, as the night of ")
    contents = run(shop, 3)
    row = found(contents)[TWICE]
    assert row["verdict"] == "accepted"
    assert row["cause"] == "accepted on 2026-03-05 by Ann up to 40.00 EUR: agreed"
    moves = contents.moves.set_index(["class", "currency", "move"])
    assert moves.loc[("claim", "EUR", "accepted"), "amount_minor"] == -4000
    contents = run(files_of(shop, 4), 4)  # paid a third time: 80.00
    row = found(contents)[TWICE]
    assert (row["verdict"], row["amount_minor"], row["change"]) == ("open", 8000, "reopened")
    assert contents.proofs["holds"].all()
    # A later decision on the greater amount counts again.
    _decide(shop, TWICE, contents, 4, reason="agreed   too\n")
    row = found(run(shop, 5))[TWICE]
    assert row["cause"] == "accepted on 2026-03-06 by Ann up to 80.00 EUR: agreed too"
    # A night before the decision does not know of it.
    assert found(run(shop, 2))[TWICE]["verdict"] == "open"


def test_a_decision_ends_with_its_last_day(tmp_path: Path) -> None:
    shop = begun(tmp_path, 3)
    _decide(shop, TWICE, run(shop, 3), 3, until=day_of(5))
    files_of(shop, 3)
    verdicts = [found(run(shop, night))[TWICE]["verdict"] for night in (4, 5, 6)]
    assert verdicts == ["accepted", "accepted", "open"]


def test_a_decision_without_a_history_counts_too(tmp_path: Path) -> None:
    shop = begun(tmp_path, 3)
    _decide(shop, TWICE, run(shop, 3), 3)
    assert found(run(shop, 4, history=False))[TWICE]["verdict"] == "accepted"


def _rows(*rows: tuple[str, str, int | None, str]) -> pd.DataFrame:
    """Exceptions: id, verdict, amount, currency."""
    frame = pd.DataFrame(rows, columns=["id", "verdict", "amount_minor", "currency"])
    frame["amount_minor"] = frame["amount_minor"].astype("Int64")
    frame = frame.assign(cause="", rule="unpaid", order_key="1")
    return frame.astype({"cause": "str", "verdict": "str", "currency": "str"})


def _covered(amount: int | None, currency: str, verdict: str, now: tuple[int | None, str]) -> str:
    decision = Decision("x", "r", "1", amount, currency, date(2026, 3, 2), "Ann", "so", None)
    return str(
        accepted(_rows(("x", verdict, *now)), as_table([decision]), date(2026, 3, 2))["verdict"][0]
    )


@pytest.mark.parametrize(
    ("amount", "currency", "now", "verdict"),
    [
        (4000, "EUR", (4000, "EUR"), "accepted"),
        (4000, "EUR", (3999, "EUR"), "accepted"),
        (4000, "EUR", (4001, "EUR"), "open"),
        (4000, "EUR", (4000, "USD"), "open"),
        (4000, "EUR", (None, ""), "accepted"),
        (None, "", (None, ""), "accepted"),
        (None, "", (1, "EUR"), "open"),
    ],
)
def test_the_amount_that_a_decision_covers(
    amount: int | None, currency: str, now: tuple[int | None, str], verdict: str
) -> None:
    assert _covered(amount, currency, "open", now) == verdict


@pytest.mark.parametrize(
    ("verdict", "then"),
    [
        ("open", "accepted"),
        ("waiting", "accepted"),
        ("unknown", "accepted"),
        ("follows", "follows"),
    ],
)
def test_a_symptom_goes_on_to_follow_its_cause(verdict: str, then: str) -> None:
    assert _covered(4000, "EUR", verdict, (4000, "EUR")) == then


def test_of_several_decisions_the_latest_counts(tmp_path: Path) -> None:
    assert tmp_path.exists()
    decisions = [
        Decision("x", "r", "1", amount, "EUR", date(2026, 3, day), "Ann", str(day), None)
        for day, amount in ((2, 4000), (5, 100), (3, 9000))
    ]
    for day, verdict in ((1, "open"), (2, "accepted"), (3, "accepted"), (5, "open")):
        row = accepted(_rows(("x", "open", 4000, "EUR")), as_table(decisions), date(2026, 3, day))
        assert row["verdict"][0] == verdict


def test_a_decision_on_a_symptom_counts_once_the_cause_is_accepted_or_gone(tmp_path: Path) -> None:
    """An order that is billed and paid twice: the second bill follows from the double payment."""
    shop = begun(tmp_path, 2)
    orders = shop / "invoices.csv"
    text = orders.read_text(encoding="utf-8")
    line = next(line for line in text.splitlines() if line.startswith("kestrel,INV-2,"))
    orders.write_text(f"{text}{line.replace('INV-2', 'INV-2b')}\n", encoding="utf-8")
    contents = run(shop, 2)
    symptom, cause = found(contents)["billed-twice", "2"], found(contents)[TWICE]
    assert (symptom["verdict"], symptom["cause"]) == ("follows", cause["id"])
    said = _decide(shop, ("billed-twice", "2"), contents, 2)
    assert "It followed from another exception then" in said
    assert found(run(shop, 3))["billed-twice", "2"]["verdict"] == "follows"
    _decide(shop, TWICE, contents, 3)
    now = found(run(shop, 3))
    assert now[TWICE]["verdict"] == "accepted"
    assert now["billed-twice", "2"]["verdict"] == "follows"
    # The second payment is given back: the cause is gone, and the symptom stands alone.
    payments = shop / "payments" / f"{day_of(0)}.csv"
    payments.write_text(
        "\n".join(row for row in payments.read_text("utf-8").splitlines() if "again" not in row)
        + "\n",
        encoding="utf-8",
    )
    assert found(run(shop, 4))["billed-twice", "2"]["verdict"] == "accepted"


HEADER = "id,rule,order_ref,decided_on,decided_by,reason,until,amount\n"


def _with_file(shop: Path, *rows: str) -> Path:
    (shop / "decisions.csv").write_text(HEADER + "\n".join(rows) + "\n", encoding="utf-8")
    return shop


def test_decisions_of_a_spreadsheet_by_id_and_by_rule_and_order(tmp_path: Path) -> None:
    shop = begun(tmp_path, extra=DECISIONS)
    first = run(_with_file(files_of(shop, 3)), 3)
    id_ = found(first)[TWICE]["id"]
    day = day_of(3)
    order = f"{day},Bob,by order"
    _with_file(shop, f"{id_},,,{day},Ann,by id,,", f",unpaid,1,{order},{day_of(4)},39.99",
               f",billed-twice,3,{order},,40")  # fmt: skip
    now = found(run(shop, 3))
    assert now[TWICE]["cause"] == "accepted on 2026-03-05 by Ann up to 40.00 EUR: by id"
    assert now[UNPAID]["verdict"] == "open"  # 40.00 is more than 39.99
    assert now[BILLED]["cause"] == "accepted on 2026-03-05 by Bob up to 40.00 EUR: by order"
    _with_file(shop, f",unpaid,#1,{day},Bob,by order,{day_of(4)},40.00")
    assert [found(run(shop, n))[UNPAID]["verdict"] for n in (4, 5)] == ["accepted", "open"]


def test_a_row_without_an_amount_covers_the_one_of_its_day(tmp_path: Path) -> None:
    shop = begun(tmp_path, extra=DECISIONS)
    row = f",double-paid,2,{day_of(3)},Ann,known,,"
    run(_with_file(files_of(shop, 3)), 3)
    # 80.00 by now, and 40.00 when it was decided
    row_now = found(run(_with_file(files_of(shop, 4), row), 4))[TWICE]
    assert (row_now["verdict"], row_now["amount_minor"]) == ("open", 8000)
    # The file is read first on the night of its day: the amount of that night
    assert found(run(files_of(shop, 3), 3))[TWICE]["verdict"] == "accepted"


@pytest.mark.parametrize(
    ("row", "column"),
    [
        (",,,2026-03-05,Ann,why,,", ""),
        (",double-paid,,2026-03-05,Ann,why,,", ""),
        (",,2,2026-03-05,Ann,why,,", ""),
        ("x,,,2026-03-05,,why,,", "decided_by"),
        ("x,,,2026-03-05,Ann,,,", "reason"),
        ("x,,,,Ann,why,,", "decided_on"),
        ("x,,,2026-03-05,Ann,why,soon,", "until"),
        ("x,,,2026-03-05,Ann,why,,much", "amount"),
    ],
)
def test_rows_of_decisions_that_are_rejected(tmp_path: Path, row: str, column: str) -> None:
    shop = _with_file(files_of(begun(tmp_path, extra=DECISIONS), 3), row)
    contents = run(shop, 3, history=False)
    [rejected] = contents.rejected.to_dict("records")
    assert (rejected["file"], rejected["row"]) == ("decisions.csv", 2)
    assert column in ("", rejected["column"])


def _cli(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(commands, ["decide", *words], standalone_mode=True)
    said = str(result.exception) if isinstance(result.exception, RefusedError) else result.output
    return result.exit_code, said


def test_decisions_that_the_command_refuses(tmp_path: Path) -> None:
    shop, day = str(begun(tmp_path / "shop", 3)), str(day_of(3))
    id_ = str(found(run(Path(shop), 3))[TWICE]["id"])
    good = ("--reason", "agreed", "--by", "Ann", "--as-of", day)
    for words, said in (
        ((shop, "abcabcabcabc", *good), "no exception with this id was found up to 2026-03-05"),
        ((shop, id_[:-1] + "-", *good), f"Did you mean {id_}?"),
        ((shop, id_, *good[2:], "--reason", "  "), "--reason: is blank."),
        ((shop, id_, *good, "--by", " "), "--by: is blank."),
        (
            (shop, id_, *good, "--until", "2026-03-04"),
            "2026-03-04 is before the day of the decision",
        ),
        ((shop, id_, *good, "--as-of", "2026-03-04"), "no exception with this id was found up to"),
        ((shop, id_, "another", *good), "Give the id of one exception"),
        (good, "Give the id of one exception"),
        ((shop, id_, "--by", "Ann"), "Missing option '--reason'"),
        ((shop, id_, *good, "--until", "soon"), "Invalid value for '--until'"),
        ((str(tmp_path), id_, *good), "there is no such file"),
    ):
        status, text = _cli(*words)
        assert (status != 0, said in text) == (True, True), text
    assert not (Path(shop) / DECISIONS_FILE).exists()


def test_a_decision_needs_a_history(tmp_path: Path) -> None:
    shop = files_of(begun(tmp_path), 3)
    status, text = _cli(str(shop), "abc", "--reason", "so", "--by", "Ann")
    assert status == 1  # of the runner; the command itself ends with 2
    assert "there is no history yet, so no exception is known. Run nightly first." in text


def test_the_command_writes_a_decision_with_the_name_of_its_user(tmp_path: Path) -> None:
    shop = begun(tmp_path, 3)
    id_ = str(found(run(shop, 3))[TWICE]["id"])
    done = call("decide", id_, "--reason", "agreed", "--as-of", str(day_of(3)), cwd=shop)
    assert (done.returncode, done.stderr) == (0, "")
    assert "Accepted: double-paid of order 2, up to 40.00 EUR" in done.stdout
    assert found(run(shop, 3))[TWICE]["cause"] == (
        f"accepted on {day_of(3)} by {getpass.getuser()} up to 40.00 EUR: agreed"
    )
    refused = call("decide", shop, "nothing", "--reason", "so", "--by", "Ann")
    assert refused.returncode == 2
    assert refused.stderr.startswith("Refused; nothing has been written.\n- nothing: no exception")
