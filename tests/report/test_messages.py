"""Messages to suppliers, and the columns of post.csv."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from reconcile.errors import RefusedError
from reconcile.report.contents import Contents
from reconcile.report.messages import supplier_messages
from reconcile.report.write import write_outputs
from reconcile.shop_file import load_shop
from tests.report.results import empty_results, results, with_text

HEAD = """
[shop]
name = "Lantern Lane"
home_currency = "EUR"
time_zone = "Europe/Dublin"
[[source]]
name = "orders"
record = "orders"
files = ["orders.csv"]
"""


def _messages(contents: Contents) -> dict[str, str]:
    found = supplier_messages(contents)
    return {name: "".join(f"{line}\n" for line in lines) for name, lines in found}


def test_a_message_says_what_is_asked_order_by_order_with_its_sums() -> None:
    contents = results(addressed={"alder": "Alder Supply"})
    contents.exceptions.loc[1, "supplier"] = "alder"
    found = _messages(contents)
    assert sorted(found) == ["alder-chase.txt", "alder-claim.txt", "kestrel-chase.txt"]
    assert found["alder-claim.txt"].split("\n") == [
        "Subject: Lantern Lane: amounts to be returned, 2026-10-31",
        "",
        "To Alder Supply",
        "",
        "Please return the amounts below, or set them off against your next",
        "invoice.",
        "",
        "Paid more than once (2)",
        "Please send it, or return the money.",
        "",
        "- order LL-1002; 1,234,567.89 EUR; due 2026-10-02",
        "  For LL-1002: 2 payments of 90.00 in all.",
        "- order LL-1003; 3,100 JPY; due 2026-10-05",
        "  For LL-1003: 2 payments of 90.00 in all.",
        "",
        "In all: 2",
        "  1,234,567.89 EUR paid by us",
        "  3,100 JPY paid by us",
        "",
        "Lantern Lane",
        "",
    ]
    assert "1.250 BHD" in found["alder-chase.txt"]
    assert _messages(empty_results()) == {}


@pytest.mark.parametrize("text", ["=1+1", "a\nSubject: other", "../../x", "\x1b[2J", "Zoë & Co"])
def test_no_text_adds_lines_or_leads_to_another_folder(text: str, tmp_path: Path) -> None:
    contents = with_text(results(), text)
    plain = _messages(results())
    for name, message in _messages(contents).items():
        assert "/" not in name
        assert "\\" not in name
        assert message.isprintable() or set(message) - {"\n"} == {
            sign for sign in message if sign.isprintable()
        }
        assert sum(line.startswith("Subject:") for line in message.split("\n")) == 1
    assert len(_messages(contents)) <= len(plain)
    write_outputs(contents, tmp_path / "out")


def test_suppliers_whose_names_make_one_file_name_have_two() -> None:
    contents = results()
    contents.exceptions["list"] = "chase"
    contents.exceptions["verdict"] = "open"
    names = ["a b", "a-b", "A/B"] + [""] * (len(contents.exceptions) - 3)
    contents.exceptions["supplier"] = names
    assert sorted(_messages(contents)) == [
        *("A-B-chase.txt", "a-b-2-chase.txt", "a-b-3-chase.txt"),
    ]


def test_messages_are_the_reports_own_and_others_are_kept(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_outputs(results(), out)
    messages = out / "lists" / "messages"
    assert sorted(path.name for path in messages.iterdir()) == [
        *("alder-chase.txt", "alder-claim.txt", "kestrel-chase.txt", "kestrel-claim.txt")
    ]
    (messages / "answer.txt").write_text("mine")
    (out / "lists" / "mine.csv").write_text("mine")
    write_outputs(empty_results(), out)
    kept = [path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()]
    assert {"lists/messages/answer.txt", "lists/mine.csv"} <= set(kept)
    assert not [name for name in kept if name.endswith(("-chase.txt", "-claim.txt"))]


def test_post_csv_has_the_headings_of_the_storefront(tmp_path: Path) -> None:
    named = {"tracking_no": "Consignment", "order_ref": "Order number"}
    write_outputs(results(post_columns=named), tmp_path / "out")
    with (tmp_path / "out" / "lists" / "post.csv").open(newline="", encoding="utf-8") as file:
        assert list(csv.reader(file)) == [
            ["Consignment", "Order number"],
            ["1111222233334444", "LL-1007"],
        ]


def _settings(folder: Path, text: str) -> list[str]:
    (folder / "shop.toml").write_text(HEAD + text, encoding="utf-8")
    try:
        load_shop(folder)
    except RefusedError as error:
        return [f"{one.place}: {one.what} {one.mend}" for one in error.problems]
    return []


def test_settings_of_report_and_lists(tmp_path: Path) -> None:
    good = '[report]\nrows = 500\n[lists.post.columns]\norder_ref = "Order"\ntracking_no = "No"\n'
    assert _settings(tmp_path, good) == []
    shop = load_shop(tmp_path)
    assert shop.report.rows == 500
    assert dict(shop.report.post_columns) == {"order_ref": "Order", "tracking_no": "No"}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[report]\nrow = 5\n", "'row' is not known. Did you mean 'rows'?"),
        ("[report]\nrows = 0\n", "rows = 0 does not fit a sheet."),
        ("[report]\nrows = 2000000\n", "rows = 2000000 does not fit a sheet."),
        ("[lists.past]\n", "'past' is not known. Did you mean 'post'?"),
        (
            '[lists.post.columns]\norder_ref = "O"\ntraking_no = "T"\n',
            "'traking_no' is not known. Did you mean 'tracking_no'?",
        ),
        ('[lists.post.columns]\norder_ref = "O"\n', "tracking_no is missing."),
        (
            '[lists.post.columns]\norder_ref = "O"\ntracking_no = "O"\n',
            "two columns are called 'O'.",
        ),
        (
            '[lists.post.columns]\norder_ref = "=O"\ntracking_no = "T"\n',
            "order_ref = '=O' is no heading.",
        ),
    ],
)
def test_wrong_settings_are_refused(tmp_path: Path, text: str, said: str) -> None:
    assert any(said in problem for problem in _settings(tmp_path, text))
