"""Bank statements in XML, ISO 20022 camt.053, as a table of the record ``bank``.

The open standard of iso20022.org (message definition BankToCustomerStatement, versions 001.02 to
001.13); which elements stand where is from memory of it. Row 1 is a header that this module makes;
each further row is a stated balance, an entry, a charge that an entry includes, or one transaction
of a batch whose amounts add up to the entry, in the order of the file.

The file comes from outside: a document type, and with it every entity, is refused.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator
from decimal import Decimal
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import iterparse

from reconcile.errors import Problem, RefusedError

_NAMES = (
    "account", "booked_on", "amount", "currency", "reference", "counterparty", "balance",
    "status", "original_amount", "original_currency", "rate",
)  # fmt: skip
_KIND = re.compile(rb"camt\.053\.\d{3}\.\d{2}")
_PROBE = 4096
_MARKUP = (b"<", b"\xef\xbb\xbf<")
_AMOUNT = re.compile(r"-?\d{1,18}(?:\.\d{1,17})?")
_ZONED_DAY = re.compile(r"(\d{4}-\d\d-\d\d)(?:Z|[+-]\d\d:\d\d)")
# BalanceType codes (external code set of ISO 20022): booked balances; others are left out.
_OPENING, _CLOSING, _BETWEEN = ("OPBD", "PRCD"), ("CLBD",), ("ITBD",)
# EntryStatus codes: what is not booked yet, or is told for information alone, moves nothing.
_BOOKED = "BOOK"
# Sub-families of bank transactions that are charges and interest (external code set, from memory).
_WORDS = {"CHRG": "charge", "FEES": "charge", "COMM": "charge", "INTR": "interest"}
_NO_REFERENCE = "NOTPROVIDED"
Cells = dict[str, str]


def is_statement(data: bytes) -> bool:
    """Whether a file is a statement of this kind, by the namespace in its first bytes."""
    head = data[:_PROBE]
    return head.lstrip().startswith(_MARKUP) and _KIND.search(head) is not None


def statement_rows(path: str, data: bytes) -> bytes:
    """The rows of a statement as CSV in UTF-8, headed with the names of the record ``bank``.

    Raises RefusedError where the file is no well-formed XML or defines a document type.
    """
    out = io.StringIO()
    writer = csv.DictWriter(out, _NAMES, restval="", lineterminator="\n")
    writer.writeheader()
    try:
        for statement in _statements(data):
            writer.writerows(_rows(statement))
    except DefusedXmlException:
        what = "it defines a document type or entities, which no bank statement needs."
        mend = "Look where it comes from; get it from the bank again."
        raise RefusedError([Problem(path, what, mend)]) from None
    except (ParseError, ValueError, LookupError):
        what = "the XML is damaged or breaks off."
        raise RefusedError([Problem(path, what, "Get it from the bank again.")]) from None
    return out.getvalue().encode()


def _statements(data: bytes) -> Iterator[Element]:
    """Each statement of the message, without the namespace in its names."""
    for _, element in iterparse(io.BytesIO(data), forbid_dtd=True):
        element.tag = element.tag.rpartition("}")[2]
        if element.tag == "Stmt":
            yield element
            element.clear()


def _rows(statement: Element) -> Iterator[Cells]:
    account = _text(statement, "Acct/Id/IBAN") or _text(statement, "Acct/Id/Othr/Id")
    balances = [(_text(each, "Tp/CdOrPrtry/Cd"), each) for each in statement.findall("Bal")]
    opening, closing = _of(balances, _OPENING), _of(balances, _CLOSING)
    between = _of(balances, _BETWEEN)
    first = opening[:1] or between[:1]
    last = closing[-1:] or [each for each in between[-1:] if each not in first]
    for balance in first:
        yield _balance(account, balance)
    for entry in statement.findall("Ntry"):
        yield from _entry(account, entry)
    for balance in last:
        yield _balance(account, balance)


def _of(balances: Iterable[tuple[str, Element]], codes: tuple[str, ...]) -> list[Element]:
    return [each for code, each in balances if code in codes]


def _balance(account: str, balance: Element) -> Cells:
    amount, currency = _money(balance)
    return {
        "account": account,
        "booked_on": _day(balance, "Dt"),
        "amount": "0",
        "currency": currency,
        "balance": amount,
        "status": "balance",
    }


def _entry(account: str, entry: Element) -> Iterator[Cells]:
    """An entry as one row, or as the rows that it is made of."""
    amount, currency = _money(entry)
    status = _text(entry, "Sts/Cd") or _text(entry, "Sts")
    whole = {
        "account": account,
        "booked_on": _day(entry, "BookgDt") or _day(entry, "ValDt"),
        "amount": amount,
        "currency": currency,
        "status": "booked" if status == _BOOKED else "pending",
    }
    details = entry.findall("NtryDtls/TxDtls")
    texts = [_text(entry, "NtryRef"), _text(entry, "AddtlNtryInf")]
    texts += [_WORDS.get(_text(entry, "BkTxCd/Domn/Fmly/SubFmlyCd"), "")]
    texts += ["returned"] if _text(entry, "RvslInd") in ("true", "1") else []
    parts = [_transaction(each, entry, currency) for each in details]
    if len(parts) > 1 and _adds_up(parts, amount):
        for part, each in zip(parts, details, strict=True):
            yield whole | part | {"reference": _joined([*texts, *_references(each)])}
        return
    charges = _charges(entry, currency)
    for each in details:
        texts += _references(each)
    told = whole | {"reference": _joined(texts)}
    if len(parts) == 1:
        told |= {name: text for name, text in parts[0].items() if name != "amount"}
    if charges is not None:
        told["amount"] = str(_number(amount) - charges)
        yield told
        yield whole | {"amount": str(charges), "reference": _joined([*texts, "charge"])}
        return
    yield told


def _transaction(details: Element, entry: Element, currency: str) -> Cells:
    """What one transaction of an entry says of its amount and its other side."""
    side = "Cdtr" if _text(entry, "CdtDbtInd") == "DBIT" else "Dbtr"
    name = _text(details, f"RltdPties/{side}/Nm") or _text(details, f"RltdPties/{side}/Pty/Nm")
    booked = details.find("AmtDtls/TxAmt/Amt") if details.find("Amt") is None else None
    amount = details.find("Amt") if booked is None else booked
    out = {"amount": "", "counterparty": name}
    debit = (_text(details, "CdtDbtInd") or _text(entry, "CdtDbtInd")) == "DBIT"
    if amount is not None and amount.get("Ccy") == currency:
        out["amount"] = ("-" if debit else "") + (amount.text or "").strip()
    for place in ("AmtDtls/InstdAmt", "AmtDtls/TxAmt"):
        other = details.find(f"{place}/Amt")
        if other is not None and other.get("Ccy") != currency:
            out["original_amount"] = ("-" if debit else "") + (other.text or "").strip()
            out["original_currency"] = other.get("Ccy", "")
            break
    rates = [_text(each, "XchgRate") for each in details.iter("CcyXchg")]
    rates += [_text(each, "XchgRate") for each in entry.findall("AmtDtls/TxAmt/CcyXchg")]
    out["rate"] = next((rate for rate in rates if rate), "")
    return out


def _references(details: Element) -> list[str]:
    """Everything of a transaction that may name a document."""
    refs = details.find("Refs")
    found = [] if refs is None else [(each.text or "").strip() for each in refs]
    remittance = details.find("RmtInf")
    if remittance is not None:
        found += [(each.text or "").strip() for each in remittance.findall("Ustrd")]
        for name in ("CdtrRefInf/Ref", "RfrdDocInf/Nb"):
            found += [(each.text or "").strip() for each in remittance.findall(f"Strd/{name}")]
    found.append(_text(details, "AddtlTxInf"))
    found.append("returned" if details.find("RtrInf") is not None else "")
    return found


def _charges(entry: Element, currency: str) -> Decimal | None:
    """What an entry includes as charges, with its sign; None where it says of none."""
    total = Decimal(0)
    places = [*entry.findall("Chrgs/Rcrd"), *entry.findall("NtryDtls/TxDtls/Chrgs/Rcrd")]
    for record in places:
        amount, of = _money(record)
        # A charge that does not say so is one against the account.
        sign = 1 if _text(record, "CdtDbtInd") else -1
        if _text(record, "ChrgInclInd") in ("true", "1") and of == currency:
            total += sign * _number(amount)
    return total if total else None


def _adds_up(parts: list[Cells], amount: str) -> bool:
    numbers = [_number(part["amount"]) for part in parts]
    return all(number.is_finite() for number in numbers) and sum(numbers) == _number(amount)


def _number(text: str) -> Decimal:
    """The amount that a text is; not a number where it is none, so that its row is rejected."""
    return Decimal(text) if _AMOUNT.fullmatch(text) else Decimal("NaN")


def _money(place: Element) -> tuple[str, str]:
    """An amount with its sign, as it is written, and its currency."""
    amount = place.find("Amt")
    if amount is None:
        return "", ""
    sign = "-" if _text(place, "CdtDbtInd") == "DBIT" else ""
    return sign + (amount.text or "").strip(), amount.get("Ccy", "")


def _day(place: Element, name: str) -> str:
    found = _text(place, f"{name}/Dt") or _text(place, f"{name}/DtTm") or _text(place, name)
    zoned = _ZONED_DAY.fullmatch(found)
    return zoned[1] if zoned else found


def _joined(texts: Iterable[str]) -> str:
    """Each text once; what stands for none is left out."""
    seen = dict.fromkeys(" ".join(text.split()) for text in texts)
    return " ".join(text for text in seen if text and text != _NO_REFERENCE)


def _text(place: Element, path: str) -> str:
    return (place.findtext(path) or "").strip()
