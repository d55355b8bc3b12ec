"""Which days the files of the bank tell of, account by account: of others nothing is known."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd

from reconcile.intake.load import Intake
from reconcile.matching.columns import Bools
from reconcile.month_end.period import Month


def reach_of(intake: Intake, month: Month) -> pd.Series:
    """The last day, by account, that the files of the bank cover; no later than the month's last.

    What a source declares or a file states counts; else an account's rows are complete to the
    last row of the files in which it stands, be it of another account, or to the month's end
    where such a file goes on after it.
    """
    bank, files = intake.records["bank"], intake.files
    rows = pd.DataFrame(
        {"account": bank["account"], "source": bank["source"].astype("str")}
        | {"file": bank["file"].to_numpy(np.int64), "day": bank["booked_date"]}
    )
    goes_on = files["later"].to_numpy()[rows["file"]] > 0
    end = pd.Timestamp(month.last)
    by_file = rows["day"].groupby(rows["file"]).transform("max").where(~goes_on, end)
    last = rows["day"].groupby(rows["source"]).transform("max")
    covered = {name: pd.Timestamp(day) for name, day in intake.ends.items() if day is not None}
    told = rows["source"].map(covered).astype("datetime64[s]")
    reach = by_file.where(told.isna() | (told == last), told)
    return reach.where(reach < end, end).astype("datetime64[s]").groupby(rows["account"]).max()


def record_reach(intake: Intake, record: str, month: Month) -> pd.Timestamp:
    """The last day to which all sources of a record are complete; no later than the month's last.

    A source that goes on after the month is complete to its end.
    """
    files, end = intake.files, pd.Timestamp(month.last)
    later = files[(files["record"] == record).to_numpy()].groupby("source")["later"].sum()
    days = [intake.ends[str(name)] for name, rows in later.items() if rows == 0]
    return min([end, *(pd.Timestamp(day) for day in days if day is not None)])


def missing_days(intake: Intake, month: Month) -> pd.DataFrame:
    """Days of the month between two files of the bank that are in neither.

    ``account``, ``after`` (the last day that there is before them), ``before`` (the next one).
    """
    bank = intake.records["bank"]
    accounts = pd.DataFrame({"account": bank["account"], "source": bank["source"].astype("str")})
    gaps = intake.gaps[["source", "after", "before"]].merge(accounts.drop_duplicates(), on="source")
    here = (gaps["after"] < str(month.last)) & (gaps["before"] > str(month.first))
    return pd.DataFrame(gaps.loc[here.to_numpy(dtype=bool), ["account", "after", "before"]])


def told_missing(gaps: pd.DataFrame) -> str:
    """The days that are missing, in words; blank where there are none."""
    day = np.timedelta64(1, "D")
    first = (gaps["after"] + day).dt.strftime("%Y-%m-%d")
    last = (gaps["before"] - day).dt.strftime("%Y-%m-%d")
    days = sorted(set(first + " to " + last))
    return f"Days of the bank are in no file: {', '.join(days)}." if days else ""


def ends_early(reach: pd.Series, month: Month, transit_days: int) -> Bools:
    """Which accounts' rows end so early that a movement of the month could be booked unseen.

    Banks book nothing on some last days of a month: the days that a movement may be on its way do
    not count.
    """
    near = pd.Timestamp(month.last - timedelta(days=transit_days))
    return np.asarray((reach < near).to_numpy(dtype=bool))
