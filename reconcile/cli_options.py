"""Dates, paths and amounts as options take them, and the options that several commands share.

What one option alone needs of the standard library is loaded when that is given: help should not
wait for it. (click itself loads what tells dates.)
"""

from __future__ import annotations

import os
import re
from datetime import date
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from pathlib import Path

_LEAST_MEMORY = 100 * 10**6  # what Python and the libraries take by themselves


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


def user() -> str:
    """The name of whoever runs the command; a usage error where there is none."""
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # as the versions of Python say it
        raise click.UsageError("Your user has no name here; say who decides with --by.") from None


_UNITS = {"MB": 10**6, "MIB": 2**20, "GB": 10**9, "GIB": 2**30}


def memory(text: str) -> int:
    """An amount of memory in bytes; one written in another way is a usage error that shows how."""
    from decimal import Decimal

    found = re.fullmatch(r"([0-9]+(?:[.][0-9]+)?) ?([MG]i?B)", text.strip(), re.IGNORECASE)
    if not found:
        raise click.BadParameter(f"{text!r} is not an amount written like 2GB or 500MB.")
    whole = int(Decimal(found[1]) * _UNITS[found[2].upper()])
    if whole < _LEAST_MEMORY:
        least = f"{_LEAST_MEMORY // 10**6}MB"
        raise click.BadParameter(
            f"{text!r} is too little; give {least} or more, such as 2GB or 500MB."
        )
    return whole


class AnyPath(click.Path):
    """A file or folder, which need not be there."""

    def convert(
        self,
        value: str | os.PathLike[str],
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> Path:
        """The text as a path."""
        return path(os.fsdecode(super().convert(value, param, ctx)))


def path(text: str) -> Path:
    """A text as a path; what tells paths takes a tenth of the time that help has."""
    from pathlib import Path

    return Path(text)


as_of_option = click.option(
    "--as-of",
    type=day,
    metavar="YYYY-MM-DD",
    help="The date to look from; today in the shop's zone when left out.",
)

memory_option = click.option(
    "--memory",
    type=memory,
    metavar="AMOUNT",
    help="Match in portions that fit into so much memory, such as 2GB; the same is written.",
)
