"""Numbers that cannot be right: which of a cell's, what is said of them, and what follows."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from reconcile.matching.number_faults import number_faults
from tests.matching.said import exceptions
from tests.matching.said import said as said_with_document
from tests.matching.shops import Result, Row, matched, order, parcel
from tests.matching.test_deliveries import said

RIGHT, WRONG, OTHER = "RA473124829GB", "RA473124828GB", "RB123456786US"
SSCC, WRONG_SSCC = "00123456789012345675", "00123456789012345670"
SAID = f"{WRONG} has the shape of UPU S10, but its check digit is 8 instead of 9"
SAID_OTHER = f"{OTHER} has the shape of UPU S10, but its check digit is 6 instead of 5"
OWN = (r"KX\d{8}P", r"AS-\d{8}")
PATTERNS = "[rules.tracking-invalid]\npatterns = ['KX\\d{8}P']\n"
OF_NO_SHAPE = " has none of the shapes that the shop allows"


def faults(cell: str, *patterns: str) -> str:
    [found] = number_faults(pd.Series([cell], dtype="str"), patterns)
    return str(found)


def shop(folder: Path, *parcels: Row, shown: str = "", extra: str = "") -> Result:
    line = order("1", tracking_no=shown, tracking_posted_at="2026-03-05" if shown else "")
    return matched(folder, {"orders": [line], "shipments": list(parcels)}, extra)


# Cells


@pytest.mark.parametrize(
    "cell", ["", RIGHT, SSCC, "KX1", "see e-mail", f"{RIGHT}, {SSCC}; KX1", f"Post {RIGHT} {RIGHT}"]
)
def test_nothing_is_wrong(cell: str) -> None:
    assert faults(cell) == ""


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        (WRONG, SAID),
        (f" {WRONG} ", SAID),
        (f"{WRONG}, {RIGHT}", SAID),
        (f"{RIGHT};{WRONG}", SAID),
        (f"{RIGHT}|KX1\n{WRONG}", SAID),
        (f"{WRONG}; {WRONG}", SAID),
        (f"{OTHER}, {WRONG}", f"{SAID_OTHER}; {SAID}"),
        (f"{RIGHT} {WRONG}", SAID),
        (f"{OTHER} {WRONG}", f"{SAID_OTHER}; {SAID}"),
        (f"Post {WRONG} 2", SAID),
        (f"KX1, Post {OTHER} 2, {WRONG}", f"{SAID_OTHER}; {SAID}"),
        ("RA 473 124 828 GB", SAID.replace(WRONG, "RA 473 124 828 GB")),
        ("ra473124828gb", SAID.replace(WRONG, "ra473124828gb")),
        (
            WRONG_SSCC,
            f"{WRONG_SSCC} has the shape of GS1 SSCC, but its check digit is 0 instead of 5",
        ),
    ],
)
def test_wrong_number_is_named_as_it_is_written(cell: str, expected: str) -> None:
    assert faults(cell) == expected


def test_full_width_marks_part_numbers_too() -> None:
    assert faults(f"{RIGHT}\uff0c{WRONG}") == SAID


@pytest.mark.parametrize(
    "cell",
    [
        "KX12345678P",
        "kx 1234 5678 p",
        "AS-12345678",
        "KX12345678P AS-12345678",
        "Kestrel KX12345678P",
        f"KX12345678P, {RIGHT}, {SSCC}",
        "see e-mail",
        "",
    ],
)
def test_numbers_that_the_shop_allows(cell: str) -> None:
    assert faults(cell, *OWN) == ""


@pytest.mark.parametrize(
    ("cell", "wrong"),
    [
        ("KX1234567P", "KX1234567P"),
        ("KX12345678P, KX1", "KX1"),
        ("KX12345678P KX1", "KX1"),
        ("KX 1 2", "KX 1 2"),
        (f"{RIGHT} KX1", "KX1"),
    ],
)
def test_number_that_the_shop_does_not_allow(cell: str, wrong: str) -> None:
    assert faults(cell, *OWN) == wrong + OF_NO_SHAPE
    assert faults(cell) == ""


def test_number_that_fits_as_a_whole_is_not_torn() -> None:
    assert faults("KX1 2", r"KX\d+") == ""
    assert faults("KX1 2", r"KX\d") == "2" + OF_NO_SHAPE


def test_each_cell_has_its_own_faults() -> None:
    cells = pd.Series([RIGHT, WRONG, "", f"{RIGHT} {WRONG}", WRONG], index=[5, 4, 3, 2, 1])
    found = number_faults(cells.astype("str"), ())
    assert found.to_dict() == {5: "", 4: SAID, 3: "", 2: SAID, 1: SAID}
    assert number_faults(pd.Series([], dtype="str"), OWN).empty


# The rule


def test_sentence_stands_alone(tmp_path: Path) -> None:
    found = exceptions(shop(tmp_path, parcel("1", tracking_no=f"{RIGHT}, {WRONG}")))
    [row] = found[found["rule"] == "tracking-invalid"].to_dict("records")
    assert row["explanation"] == (
        "The parcel of 2026-03-04 from kestrel for order 1 bears a tracking number that cannot be "
        f"right: {SAID}."
    )
    assert (row["verdict"], row["class"], row["list"]) == ("open", "timing", "chase")
    assert row["document"] == f"{RIGHT}, {WRONG}"
    assert row["evidence"] == "shipments.csv row 2"


def test_right_numbers_and_none_say_nothing(tmp_path: Path) -> None:
    sent = [parcel("1", tracking_no=number) for number in (RIGHT, SSCC, "KX1", "123", "")]
    assert said(shop(tmp_path, *sent), "tracking-invalid") == []


def test_shipments_without_numbers_say_nothing(tmp_path: Path) -> None:
    bare = parcel("1")
    del bare["tracking_no"]
    found = shop(tmp_path, bare)
    assert said(found, "tracking-invalid") == []
    assert said(found, "missing-tracking") == ["unknown"]


def test_number_that_a_spreadsheet_changed_is_not_held_against_patterns(tmp_path: Path) -> None:
    found = exceptions(shop(tmp_path, parcel("1", tracking_no="9.4E+21"), extra=PATTERNS))
    [sentence] = found.loc[found["rule"] == "tracking-invalid", "explanation"]
    assert "9.4E+21 is what a spreadsheet has made of the number" in sentence
    assert OF_NO_SHAPE not in sentence


def test_patterns_of_the_shop(tmp_path: Path) -> None:
    sent = [parcel("1", tracking_no=number) for number in ("KX12345678P", RIGHT, "KX1", WRONG)]
    found = shop(tmp_path / "own", *sent, extra=PATTERNS)
    documents = said_with_document(found, "tracking-invalid")
    assert [one.split()[0] for one in documents] == ["KX1", WRONG]
    assert said(shop(tmp_path / "any", *sent), "tracking-invalid") == ["open"]


@pytest.mark.parametrize(("shown", "verdicts"), [(RIGHT, ["follows"]), (WRONG, []), ("", [])])
def test_mismatch_follows_the_wrong_number(tmp_path: Path, shown: str, verdicts: list[str]) -> None:
    found = exceptions(shop(tmp_path, parcel("1", tracking_no=WRONG), shown=shown))
    by_rule = {rule: list(rows["verdict"]) for rule, rows in found.groupby("rule")}
    assert by_rule["tracking-invalid"] == ["open"]
    assert by_rule.get("tracking-mismatch", []) == verdicts


def test_mismatch_beside_a_right_number_stands_alone(tmp_path: Path) -> None:
    found = shop(tmp_path, parcel("1", tracking_no=RIGHT), shown=WRONG)
    assert said(found, "tracking-invalid") == []
    assert said(found, "tracking-mismatch") == ["open"]
