"""Bank statements in XML, ISO 20022 camt.053, written by hand from memory of the open standard."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.intake.camt import is_statement
from tests.intake.folders import column, csv_of, only_problem, read, rejects, source, write

ORDERS = {"orders.csv": csv_of("order_ref,ordered_at,sku,qty,unit_price,currency")}
SETTINGS = '[suppliers.kestrel]\nnames = ["Kestrel Goods Co"]\n' + source("orders") + source("bank")
NAMESPACE = "urn:iso:std:iso:20022:tech:xsd:camt.053.001.{version}"
OPENING = """<Bal><Tp><CdOrPrtry><Cd>OPBD</Cd></CdOrPrtry></Tp><Amt Ccy="EUR">1000.00</Amt>
<CdtDbtInd>CRDT</CdtDbtInd><Dt><Dt>2026-10-01</Dt></Dt></Bal>"""
CLOSING = """<Bal><Tp><CdOrPrtry><Cd>CLBD</Cd></CdOrPrtry></Tp><Amt Ccy="EUR">{amount}</Amt>
<CdtDbtInd>{side}</CdtDbtInd><Dt><Dt>2026-10-31</Dt></Dt></Bal>"""


def statement(*parts: str, version: str = "08", before: str = "") -> str:
    """A message of one statement of the account of Lantern Lane."""
    return f"""<?xml version="1.0" encoding="UTF-8"?>{before}
<Document xmlns="{NAMESPACE.format(version=version)}"><BkToCstmrStmt>
<GrpHdr><MsgId>M1</MsgId><CreDtTm>2026-11-01T06:00:00+01:00</CreDtTm></GrpHdr>
<Stmt><Id>S1</Id><Acct><Id><IBAN>IE29AIBK93115212345678</IBAN></Id></Acct>
{"".join(parts)}</Stmt></BkToCstmrStmt></Document>"""


def entry(amount: str, side: str = "DBIT", inside: str = "", status: str = "BOOK") -> str:
    """An entry of 15 October; ``inside`` is what stands behind its dates."""
    return f"""<Ntry><Amt Ccy="EUR">{amount}</Amt><CdtDbtInd>{side}</CdtDbtInd>
<Sts><Cd>{status}</Cd></Sts><BookgDt><Dt>2026-10-15</Dt></BookgDt>{inside}</Ntry>"""


def details(end_to_end: str, text: str = "", inside: str = "") -> str:
    """One transaction of an entry."""
    return f"""<TxDtls><Refs><EndToEndId>{end_to_end}</EndToEndId></Refs>{inside}
<RmtInf><Ustrd>{text}</Ustrd></RmtInf></TxDtls>"""


def bank(folder: Path, xml: str, name: str = "bank.xml") -> list[tuple[object, ...]]:
    """Day, amount in cents, reference and status of each row of the statement."""
    frame = read(write(folder, ORDERS | {name: xml}, SETTINGS)).records["bank"]
    names = ("booked_date", "amount_minor", "reference", "status")
    days, *others = (column(frame, each) for each in names)
    return list(zip([str(day)[:10] for day in days], *others, strict=True))


def test_balances_entries_and_what_is_not_booked(tmp_path: Path) -> None:
    xml = statement(
        OPENING,
        CLOSING.format(amount="899.50", side="CRDT"),
        entry("100.50", "DBIT", f"<NtryDtls>{details('PAY-7', 'LL-1001')}</NtryDtls>"),
        entry("30.00", "CRDT", status="PDNG"),
    )
    assert bank(tmp_path, xml) == [
        ("2026-10-01", 0, "", "balance"),
        ("2026-10-15", -10050, "PAY-7 LL-1001", "booked"),
        ("2026-10-15", 3000, "", "pending"),
        ("2026-10-31", 0, "", "balance"),
    ]
    frame = read(tmp_path).records["bank"]
    assert column(frame, "balance_minor") == [100000, None, None, 89950]
    assert set(frame["account"]) == {"IE29AIBK93115212345678"}
    assert frame["row"].tolist() == [2, 3, 4, 5]


def test_an_overdraft_is_below_zero_and_old_versions_write_the_status_plainly(
    tmp_path: Path,
) -> None:
    old = entry("5").replace("<Sts><Cd>BOOK</Cd></Sts>", "<Sts>BOOK</Sts>")
    xml = statement(CLOSING.format(amount="5.00", side="DBIT"), old, version="02")
    assert bank(tmp_path, xml)[0] == ("2026-10-15", -500, "", "booked")
    assert column(read(tmp_path).records["bank"], "balance_minor") == [None, -500]


def test_a_reversal_says_so(tmp_path: Path) -> None:
    xml = statement(entry("40", "CRDT", "<RvslInd>true</RvslInd>"))
    assert bank(tmp_path, xml) == [("2026-10-15", 4000, "returned", "booked")]


def test_a_batch_is_its_transactions_where_they_add_up(tmp_path: Path) -> None:
    parts = [
        details("PAY-1", inside='<Amt Ccy="EUR">10.00</Amt><CdtDbtInd>DBIT</CdtDbtInd>'),
        details("PAY-2", inside='<Amt Ccy="EUR">20.00</Amt><CdtDbtInd>DBIT</CdtDbtInd>'),
    ]
    whole = f"<NtryDtls><Btch><NbOfTxs>2</NbOfTxs></Btch>{''.join(parts)}</NtryDtls>"
    assert bank(tmp_path / "a", statement(entry("30.00", inside=whole))) == [
        ("2026-10-15", -1000, "PAY-1", "booked"),
        ("2026-10-15", -2000, "PAY-2", "booked"),
    ]
    assert bank(tmp_path / "b", statement(entry("30.01", inside=whole))) == [
        ("2026-10-15", -3001, "PAY-1 PAY-2", "booked")
    ]


def test_a_charge_that_is_included_is_a_row_of_its_own(tmp_path: Path) -> None:
    charge = """<Chrgs><Rcrd><Amt Ccy="EUR">1.50</Amt><CdtDbtInd>DBIT</CdtDbtInd>
<ChrgInclInd>true</ChrgInclInd></Rcrd></Chrgs>"""
    inside = f"{charge}<NtryDtls>{details('PAY-1')}</NtryDtls>"
    assert bank(tmp_path, statement(entry("101.50", inside=inside))) == [
        ("2026-10-15", -10000, "PAY-1", "booked"),
        ("2026-10-15", -150, "PAY-1 charge", "booked"),
    ]


def test_a_conversion_tells_the_amount_and_the_rate_of_the_bank(tmp_path: Path) -> None:
    foreign = """<AmtDtls><InstdAmt><Amt Ccy="USD">108.50</Amt></InstdAmt><TxAmt>
<Amt Ccy="EUR">100.00</Amt><CcyXchg><SrcCcy>EUR</SrcCcy><TrgtCcy>USD</TrgtCcy>
<XchgRate>1.085</XchgRate></CcyXchg></TxAmt></AmtDtls>"""
    inside = f"<NtryDtls>{details('PAY-1', inside=foreign)}</NtryDtls>"
    bank(tmp_path, statement(entry("100.00", inside=inside)))
    [row] = read(tmp_path).records["bank"].to_dict("records")
    told = row["original_amount_micro"], row["original_currency"], row["rate"]
    assert told == (-108_500_000, "USD", "1.085")


def test_names_of_persons_go_no_further_than_the_file(tmp_path: Path) -> None:
    def party(name: str) -> str:
        return f"<RltdPties><Cdtr><Pty><Nm>{name}</Nm></Pty></Cdtr></RltdPties>"

    text = "Refund Mary Ann Quill 12 mary9@example.org +353871234567"
    persons = details("PAY-1", text, party("Mary Ann Quill"))
    known = details("PAY-2", "KESTREL goods Invoice 77 Entgelt", party("kestrel GOODS co"))
    xml = statement(
        entry("1", inside=f"<NtryDtls>{persons}</NtryDtls>"),
        entry("2", inside=f"<NtryDtls>{known}</NtryDtls>"),
        entry("x", inside=f"<NtryDtls>{persons}</NtryDtls>"),
    )
    found = read(write(tmp_path, ORDERS | {"bank.xml": xml}, SETTINGS))
    frame = found.records["bank"]
    assert frame["reference"].tolist() == ["PAY-1 12", "PAY-2 KESTREL goods invoice 77 charge"]
    assert frame["counterparty"].tolist() == ["", "kestrel"]
    assert rejects(found) == [("bank.xml", 4, "amount", "-x")]
    texts = "".join(found.originals[0].rows.to_numpy().ravel())
    assert "mary" not in texts.casefold()
    assert "quill" not in texts.casefold()


@pytest.mark.parametrize(
    "before",
    [
        '<!DOCTYPE Document [<!ENTITY a "b">]>',
        '<!DOCTYPE Document SYSTEM "file:///etc/passwd">',
        '<!DOCTYPE Document [<!ENTITY % a SYSTEM "http://127.0.0.1:9/x"> %a;]>',
        '<!DOCTYPE d [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>',
    ],
)
def test_document_types_and_entities_are_refused(tmp_path: Path, before: str) -> None:
    xml = statement(entry("1"), before=before)
    problem = only_problem(write(tmp_path, ORDERS | {"bank.xml": xml}, SETTINGS))
    assert problem.place == "bank.xml"
    assert "document type or entities" in problem.what


@pytest.mark.parametrize("cut", [200, 570])
def test_a_statement_that_breaks_off_is_refused(tmp_path: Path, cut: int) -> None:
    xml = statement(OPENING, entry("1"))[:cut]
    problem = only_problem(write(tmp_path, ORDERS | {"bank.xml": xml}, SETTINGS))
    assert "damaged or breaks off" in problem.what


def test_other_messages_are_no_statements(tmp_path: Path) -> None:
    xml = statement(entry("1")).replace("camt.053", "camt.054")
    assert not is_statement(xml.encode())
    problem = only_problem(write(tmp_path, ORDERS | {"bank.xml": xml}, SETTINGS))
    assert "neither a table nor a statement" in problem.what


def test_a_statement_under_the_name_of_a_table_is_refused(tmp_path: Path) -> None:
    files = ORDERS | {"bank.csv": statement(entry("1"))}
    assert "bank statement in XML" in only_problem(write(tmp_path, files, SETTINGS)).what


def test_a_bank_export_as_csv_and_a_night_beside_it(tmp_path: Path) -> None:
    rows = [
        "main,2026-10-01,-12.50,EUR,LL-1001 John Doe,John Doe,87.50,",
        "main,2026-10-02,5.00,EUR,,Kestrel Goods Co,,pending",
        "main,2026-10-03,0,EUR,,,92.50,balance",
    ]
    head = "account,booked_on,amount,currency,reference,counterparty,balance,status"
    found = read(write(tmp_path, ORDERS | {"bank.csv": csv_of(head, *rows)}, SETTINGS))
    frame = found.records["bank"]
    assert frame["reference"].tolist() == ["LL-1001", "", ""]
    assert frame["counterparty"].tolist() == ["", "kestrel", ""]
    assert str(found.covered["bank"]) == "2026-10-03"
