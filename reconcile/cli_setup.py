"""The commands that help to set up a shop: what the rules say, and how an export is read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from reconcile.cli_options import AnyPath

if TYPE_CHECKING:
    from pathlib import Path


@click.command(short_help="List the rules, or explain one.")
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


@click.command(short_help="Propose how an export is to be read.")
@click.argument("file", type=AnyPath())
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
