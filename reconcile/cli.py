"""The command line: parse, call, print. The clock is read here, and errors end here."""

from __future__ import annotations

import sys
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from reconcile import __version__
from reconcile.errors import ReconcileError, RefusedError

if TYPE_CHECKING:
    from reconcile.shop import Shop

_FOUND, _REFUSED, _FAULT, _INTERRUPTED = 1, 2, 3, 130
_SEVERITIES = ("high", "medium", "low")


def _say(stage: str) -> None:
    """Progress for somebody who is watching; a log file gets none."""
    if sys.stderr.isatty():
        click.echo(f"{stage} …", err=True)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="reconcile")
def commands() -> None:
    """Match orders with what suppliers billed, were paid for and shipped.

    Reads the exports of a shop folder, writes a report, moves no money.
    """


@commands.command()
@click.argument("shop", default=".", type=click.Path(path_type=Path))
@click.option(
    "--as-of",
    type=click.DateTime(["%Y-%m-%d"]),
    help="The date of the run, YYYY-MM-DD; today in the shop's zone when left out.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Where to write; SHOP/out/AS-OF when left out.",
)
@click.option(
    "--fail-on",
    type=click.Choice(_SEVERITIES),
    help="Exit with 1 where an open exception is of this severity or above.",
)
def nightly(shop: Path, as_of: datetime | None, out: Path | None, fail_on: str | None) -> None:
    """Check every order of the shop folder SHOP, and write what to do.

    Example: reconcile nightly myshop --as-of 2026-10-31
    """
    from reconcile.nightly import run_nightly
    from reconcile.report.summary import summary_text

    def today(settings: Shop) -> date:
        return as_of.date() if as_of else datetime.now(settings.zone).date()

    contents, target = run_nightly(shop, today, out, _say)
    click.echo(summary_text(contents))
    click.echo(f"Written to {target}")
    if not contents.proofs["holds"].all():
        click.echo("The proof does not hold: rows or money are not accounted for.", err=True)
        raise SystemExit(_FAULT)
    if fail_on is not None:
        found = contents.exceptions
        counted = _SEVERITIES[: _SEVERITIES.index(fail_on) + 1]
        if ((found["verdict"] == "open") & found["severity"].isin(counted)).any():
            raise SystemExit(_FOUND)


@commands.command()
@click.argument("name", required=False)
def rules(name: str | None) -> None:
    """List the rules, or explain the one called NAME with its cases.

    Example: reconcile rules double-paid
    """
    from reconcile.checks.catalogue import load_catalogue
    from reconcile.checks.describe import describe_all, describe_one
    from reconcile.shop import nearest

    catalogue = load_catalogue()
    if name is None:
        click.echo(describe_all(catalogue))
    elif name in catalogue:
        click.echo(describe_one(catalogue[name]))
    else:
        raise click.UsageError(f"There is no rule {name!r}. {nearest(name, catalogue)}")


@commands.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--record", help="The record type, where the file does not tell it.")
@click.option("--write", is_flag=True, help="Add the entry to the shop's shop.toml.")
def intake(file: Path, record: str | None, write: bool) -> None:  # noqa: FBT001
    """Propose the [[source]] entry of shop.toml for the export FILE.

    Prints it, ready to be pasted; comments say why, and what is not sure.

    Example: reconcile intake myshop/store/orders-2026-10.csv
    """
    from reconcile.new_source import propose_source
    from reconcile.records import RECORDS
    from reconcile.shop import nearest

    if record is not None and record not in RECORDS:
        raise click.UsageError(f"There is no record type {record!r}. {nearest(record, RECORDS)}")
    found = propose_source(file, record, write=write)
    click.echo(found.text, nl=False)
    if found.written:
        click.echo(f"Written to shop.toml as the source {found.name!r}.", err=True)


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
        at = "" if where is None else f" ({Path(where.tb_frame.f_code.co_filename).name}"
        line = "" if where is None else f":{where.tb_lineno})"
        click.echo(f"Fault of the tool: {type(error).__name__}{at}{line}", err=True)
        sys.exit(_FAULT)
