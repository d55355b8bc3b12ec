"""The command line: parse, call, print. The clock is read here, and errors end here."""

from __future__ import annotations

import sys
from datetime import date, datetime
from typing import TYPE_CHECKING, NoReturn

import click

from reconcile import __version__
from reconcile.cli_options import AnyPath, as_of_option, day, memory_option, path, user
from reconcile.cli_options import month as month_text
from reconcile.cli_setup import intake, rules
from reconcile.errors import ReconcileError, RefusedError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from reconcile.shop import Shop

_FOUND, _REFUSED, _FAULT, _INTERRUPTED = 1, 2, 3, 130
_SEVERITIES = ("high", "medium", "low")


def _say(stage: str) -> None:
    """Progress for somebody who is watching; a log file gets none."""
    if sys.stderr.isatty():
        click.echo(f"{stage} …", err=True)


def _day_of(as_of: date | None) -> Callable[[Shop], date]:
    """How a shop tells the day to look from: as it was asked, or today in the shop's zone."""
    return lambda settings: as_of or datetime.now(settings.zone).date()


def _shop_of(words: tuple[str, ...]) -> Path:
    """The shop folder before the one word that a command needs; here where it is left out."""
    return path(words[0] if len(words) > 1 else ".")


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="reconcile")
def commands() -> None:
    """Match orders with what suppliers billed, were paid for and shipped.

    Reads the exports of a shop folder, writes a report, moves no money.

    Example: reconcile nightly sample_exports --as-of 2026-10-31

    Every command has examples of its own: reconcile nightly --help
    """


commands.add_command(rules)
commands.add_command(intake)


@commands.command(short_help="Check every order, and write what to do.")
@click.argument("shop", default=".", type=AnyPath())
@as_of_option
@click.option(
    "--out",
    type=AnyPath(),
    help="Where to write; SHOP/out/AS-OF when left out.",
)
@click.option(
    "--fail-on",
    type=click.Choice(_SEVERITIES),
    help="Exit with 1 where an open exception is of this severity or above.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(("text", "json")),
    default="text",
    help="What to print: the summary to read, or summary.json for a program.",
)
@click.option(
    "--keep-nights",
    type=click.IntRange(min=1),
    metavar="N",
    help="Of the reports in SHOP/out keep the newest so many; nothing else is ever removed.",
)
@click.option("--no-history", is_flag=True, help="Compare with no other night, and keep none.")
@click.option(
    "--rebuild-history",
    is_flag=True,
    help="Build the history anew from the exports; the present file is set aside.",
)
@memory_option
def nightly(  # noqa: PLR0913  all that can be said of a night
    shop: Path,
    as_of: date | None,
    out: Path | None,
    fail_on: str | None,
    form: str,
    keep_nights: int | None,
    *,
    no_history: bool,
    rebuild_history: bool,
    memory: int | None,
) -> None:
    """Check every order of the shop folder SHOP, and write what to do.

    The night is kept in SHOP/history.db, so that the next one tells what is new and what was
    cleared.

    Example: reconcile nightly myshop --as-of 2026-10-31

    Example: reconcile nightly myshop --fail-on high --keep-nights 60

    Example: reconcile nightly myshop --format json > night.json
    """
    from reconcile.nightly import keep_newest, run_nightly
    from reconcile.report.summary import summary_json, summary_text

    if no_history and rebuild_history:
        raise click.UsageError("--no-history and --rebuild-history exclude each other.")
    contents, target = run_nightly(
        shop,
        _day_of(as_of),
        out,
        _say,
        history=not no_history,
        rebuild=rebuild_history,
        memory=memory,
    )
    if form == "json":
        click.echo(summary_json(contents), nl=False)
    else:
        click.echo(summary_text(contents))
        click.echo(f"Written to {target}")
    if keep_nights is not None:
        for line in keep_newest(shop, keep_nights, target):
            click.echo(line, err=True)
    if not contents.proofs["holds"].all():
        click.echo("The proof does not hold: rows or money are not accounted for.", err=True)
        raise SystemExit(_FAULT)
    if fail_on is not None:
        found = contents.exceptions
        counted = _SEVERITIES[: _SEVERITIES.index(fail_on) + 1]
        if ((found["verdict"] == "open") & found["severity"].isin(counted)).any():
            raise SystemExit(_FOUND)


@commands.command("month-end", short_help="Prove the cash of one month.")
@click.argument("shop", default=".", type=AnyPath())
@click.option(
    "--month",
    required=True,
    type=month_text,
    metavar="YYYY-MM",
    help="The month to be checked.",
)
@click.option(
    "--out",
    type=AnyPath(),
    help="Where to write; SHOP/out/YYYY-MM when left out.",
)
def month_end(shop: Path, month: date, out: Path | None) -> None:
    """Prove the cash of one month of the shop folder SHOP.

    Example: reconcile month-end myshop --month 2026-10
    """
    from reconcile.month_end.period import Month
    from reconcile.month_end.run import run_month_end
    from reconcile.report.cash_summary import cash_text

    contents, target = run_month_end(shop, Month(month.year, month.month), out, _say)
    click.echo(cash_text(contents))
    click.echo(f"Written to {target}")
    if not contents.proofs["holds"].all():
        click.echo("The proof does not hold: money is not accounted for.", err=True)
        raise SystemExit(_FAULT)


@commands.command(short_help="Accept an exception, with a reason.")
@click.argument("words", nargs=-1, metavar="[SHOP] ID")
@click.option("--reason", required=True, help="Why it is accepted; shown in every report.")
@click.option(
    "--until",
    type=day,
    metavar="YYYY-MM-DD",
    help="The last day on which it is accepted; without it, until it grows.",
)
@click.option("--by", "decided_by", help="Who decides; your user name when left out.")
@click.option(
    "--as-of",
    type=day,
    metavar="YYYY-MM-DD",
    help="The day of the decision; today in the shop's zone when left out.",
)
def decide(
    words: tuple[str, ...],
    reason: str,
    until: date | None,
    decided_by: str | None,
    as_of: date | None,
) -> None:
    """Accept the exception ID of the shop folder SHOP, up to the amount that it has now.

    The decision is added to SHOP/decisions.jsonl and never removed; it counts from the next run
    on, until it expires or the amount grows.

    Example: reconcile decide myshop abc123def456 --reason "credit promised" --until 2026-11-30
    """
    from reconcile.decide import decide_on

    if len(words) not in (1, 2):
        raise click.UsageError("Give the id of one exception, after the shop folder if any.")
    who = decided_by if decided_by is not None else user()
    click.echo(decide_on(_shop_of(words), words[-1], _day_of(as_of), reason, until, who))


@commands.command("pay-check", short_help="Check a payment before it is paid.")
@click.argument("words", nargs=-1, metavar="[SHOP] FILE")
@as_of_option
@click.option("--json", "as_json", is_flag=True, help="The same as JSON, for a program.")
def pay_check(words: tuple[str, ...], as_of: date | None, *, as_json: bool) -> None:
    """Hold the proposed payment FILE against the shop folder SHOP, before it is paid.

    FILE has a row for each payment: supplier, amount, currency, and order_ref or invoice_no. Each
    row is told to be "pay", "do not pay" or "cannot tell", with the reason, the amount that
    should be paid, and what is due and missing. Writes nothing. Exits with 1 unless every row
    is "pay".

    Example: reconcile pay-check myshop friday-payment.csv
    """
    from reconcile.pay_check import check_payment
    from reconcile.pay_words import check_json, check_text

    if len(words) not in (1, 2):
        raise click.UsageError("Give the file of the proposed payment, after the shop folder.")
    found = check_payment(_shop_of(words), path(words[-1]), _day_of(as_of), _say)
    click.echo(check_json(found) if as_json else check_text(found))
    if not found.all_to_pay:
        raise SystemExit(_FOUND)


@commands.command(short_help="Tell everything known of one order.")
@click.argument("words", nargs=-1, metavar="[SHOP] REFERENCE")
@as_of_option
@click.option("--json", "as_json", is_flag=True, help="Print it as JSON, for another program.")
def trace(words: tuple[str, ...], as_of: date | None, *, as_json: bool) -> None:
    """Tell everything known of REFERENCE: an order, invoice, payment or tracking number.

    Looks through the shop folder SHOP, its history and its decisions, and writes nothing.

    Example: reconcile trace myshop LL-10103
    """
    from reconcile.trace import trace as trace_reference
    from reconcile.trace import trace_json, trace_text

    if len(words) not in (1, 2):
        raise click.UsageError("Give one reference, after the shop folder if any.")
    found = trace_reference(_shop_of(words), words[-1], _day_of(as_of), _say)
    click.echo(
        trace_json(found) if as_json else trace_text(found), err=not (found.found or as_json)
    )
    if not found.found:
        raise SystemExit(_REFUSED)


def main() -> NoReturn:
    """Run the command; every error ends here, in a sentence and an exit status."""
    try:
        status = commands.main(standalone_mode=False, prog_name="reconcile")
        sys.exit(status if isinstance(status, int) else 0)
    except RefusedError as error:
        click.echo("Refused; nothing has been written.", err=True)
        for problem in error.problems:
            click.echo(f"- {problem}", err=True)
        sys.exit(_REFUSED)
    except ReconcileError as error:
        click.echo(f"Fault: {error}", err=True)
        sys.exit(error.exit_status)
    except click.UsageError as error:
        error.show()
        sys.exit(_REFUSED)
    except (click.Abort, KeyboardInterrupt):
        click.echo("Interrupted; nothing has been written.", err=True)
        sys.exit(_INTERRUPTED)
    except Exception as error:
        # The text of an unforeseen error may hold cells of a file: only its kind is shown.
        where = error.__traceback__
        while where is not None and where.tb_next is not None:
            where = where.tb_next
        at = "" if where is None else f" ({path(where.tb_frame.f_code.co_filename).name}"
        line = "" if where is None else f":{where.tb_lineno})"
        click.echo(f"Fault of the tool: {type(error).__name__}{at}{line}", err=True)
        sys.exit(_FAULT)
