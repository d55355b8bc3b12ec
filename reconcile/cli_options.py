"""Dates as options take them, and the day to look from, which several commands share."""

from __future__ import annotations

from datetime import date

import click


def day(text: str) -> date:
    """A day; one written in another way is a usage error that shows how."""
    return _written(text, text, "2026-10-31")


def month(text: str) -> date:
    """The first day of a month, likewise."""
    return _written(text, f"{text}-01", "2026-10")


def _written(text: str, whole: str, example: str) -> date:
    try:
        found = date.fromisoformat(whole)
    except ValueError:
        found = None
    if found is None or str(found) != whole:
        raise click.BadParameter(f"{text!r} is not a date written like {example}.")
    return found


as_of_option = click.option(
    "--as-of",
    type=day,
    metavar="YYYY-MM-DD",
    help="The date to look from; today in the shop's zone when left out.",
)
