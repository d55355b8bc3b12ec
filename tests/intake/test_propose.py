"""What is proposed for exports that nobody has described, in four languages."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import permutations

import numpy as np
import pyarrow as pa
import pytest

from reconcile.intake.looks import like_header, shared_parts
from reconcile.intake.private import private
from reconcile.intake.propose import MOST_COLUMNS, Choice, Proposal, _assign, propose
from reconcile.intake.words import trade_words
from reconcile.records import RECORDS

COUNT = 60
EXPORTED = [record for record in RECORDS.values() if record.exported]
# What cells of an invented shop look like: by a short name, the text of cell i
CELLS: dict[str, Callable[[int], str]] = {
    "ref": lambda i: f"LL-{1000 + i}",
    "number": lambda i: str(4000 + i),
    "sku": lambda i: f"LAMP-{i % 9:02}",
    "word": lambda i: ("Lantern", "Torch", "Mantle")[i % 3],
    "one": lambda _: "Kestrel Goods Co",
    "qty": lambda i: str(1 + i % 4),
    "line": lambda i: str(1 + i % 3),
    "iso": lambda i: f"2026-{1 + i % 12:02}-{1 + i % 28:02}",
    "moment": lambda i: f"2026-{1 + i % 12:02}-{1 + i % 28:02} 12:{i % 60:02}",
    "dot": lambda i: f"{1 + i % 28:02}.{1 + i % 12:02}.2026",
    "slash": lambda i: f"{1 + i % 28:02}/{1 + i % 12:02}/2026",
    "amount": lambda i: f"{10 + 7 * i}.{i % 100:02}",
    "comma": lambda i: f"{10 + 7 * i},{i % 100:02}",
    "euros": lambda i: f"{10 + 7 * i},{i % 100:02} €",
    "rate": lambda i: f"1.{1000 + i}",
    "percent": lambda i: ("23", "13.5")[i % 2],
    "currency": lambda i: ("EUR", "USD")[i % 2],
    "country": lambda i: ("IE", "DE", "FR", "US")[i % 4],
    "land": lambda i: ("Irland", "Deutschland", "Frankreich")[i % 3],
    "parcel": lambda i: f"RR{473124820 + i}IE",
    "carrier": lambda i: ("Post", "Harbour Parcels")[i % 2],
    "days": lambda i: str(2 + i % 9),
    "flag": lambda i: ("no", "yes")[i % 2],
    "blank": lambda _: "",
}


@dataclass(frozen=True)
class Export:
    """An export: its record type, and by header the canonical column ("" none) and its cells."""

    name: str
    record: str
    columns: tuple[tuple[str, str, str], ...]

    @property
    def header(self) -> list[str]:
        """The header row."""
        return [header for header, _, _ in self.columns]

    @property
    def truth(self) -> dict[str, str]:
        """The header of each canonical column that the export has."""
        return {column: header for header, column, _ in self.columns if column}

    def sample(self, position: int) -> pa.Array:
        """Distinct texts of a column; a column about a person must never be asked for."""
        header, _, cells = self.columns[position]
        assert cells != "person", f"{header} was read"
        texts = [CELLS[cells](i) if cells in CELLS else cells for i in range(COUNT)]
        return pa.array(list(dict.fromkeys(texts)), pa.string())


def export(name: str, record: str, text: str) -> Export:
    """An export from lines of "header | canonical column | cells"."""
    rows = [[part.strip() for part in line.split("|")] for line in text.strip().splitlines()]
    return Export(name, record, tuple((row[0], row[1], row[2]) for row in rows))


EXPORTS = (
    export(
        "orders in English",
        "orders",
        """
        Order number | order_ref | ref
        Order date | ordered_at | moment
        Customer name | | person
        Customer e-mail | | person
        Customer number | recipient_key | number
        Shipping address | | person
        City | | person
        Postcode | | person
        Ship to country | ship_to_country | country
        Line | line_no | line
        SKU | sku | sku
        Product name | | word
        Quantity | qty | qty
        Unit price (EUR) | unit_price | amount
        Line discount (EUR) | discount | amount
        Line total (EUR) | | amount
        Shipping charged (EUR) | shipping_charged | amount
        Total tax (EUR) | tax | amount
        Order total (EUR) | order_total | amount
        Currency | currency | currency
        Paid at | customer_paid_at | moment
        Amount paid | customer_paid | amount
        Refund date | refunded_at | iso
        Refunded amount | refunded | amount
        Refunded quantity | refunded_qty | qty
        Cancelled at | cancelled_at | iso
        Tracking number | tracking_no | parcel
        Dispatched on | sent_at | iso
        Order status | | word
        Tax rate | | percent
        Notes | | person
        """,
    ),
    export(
        "orders in German",
        "orders",
        """
        Bestell-Nr. | order_ref | ref
        Bestelldatum | ordered_at | dot
        Kunde | | person
        Kundennummer | recipient_key | number
        Lieferadresse | | person
        PLZ | | person
        Ort | | person
        Lieferland | ship_to_country | land
        Pos. | line_no | line
        Artikelnummer | sku | sku
        Artikelbezeichnung | | word
        Menge | qty | qty
        Einzelpreis | unit_price | comma
        Positionsrabatt | discount | comma
        Positionssumme | | comma
        Versandkosten | shipping_charged | comma
        MwSt.-Satz | | percent
        MwSt. gesamt | tax | comma
        Bestellsumme | order_total | comma
        Währung | currency | currency
        Bezahlt am | customer_paid_at | dot
        Bezahlter Betrag | customer_paid | comma
        Erstattet am | refunded_at | dot
        Erstatteter Betrag | refunded | comma
        Storniert am | cancelled_at | dot
        Sendungsnummer | tracking_no | parcel
        Versanddatum | sent_at | dot
        Lieferant | supplier | one
        Telefon | | person
        """,
    ),
    export(
        "orders in French",
        "orders",
        """
        N° de commande | order_ref | number
        Date de commande | ordered_at | slash
        Nom du client | | person
        Courriel | | person
        Code client | recipient_key | number
        Adresse de livraison | | person
        Code postal | | person
        Ville | | person
        Pays de livraison | ship_to_country | country
        Réf. article | sku | sku
        Désignation article | | word
        Qté | qty | qty
        Prix unitaire | unit_price | euros
        Remise ligne | discount | euros
        Frais de port | shipping_charged | euros
        Montant TVA | tax | euros
        Taux de TVA | | percent
        Total de la commande | order_total | euros
        Payé le | customer_paid_at | slash
        Montant payé | customer_paid | euros
        Remboursé le | refunded_at | slash
        Montant remboursé | refunded | euros
        Annulée le | cancelled_at | slash
        Numéro de suivi | tracking_no | parcel
        Expédié le | sent_at | slash
        """,
    ),
    export(
        "orders in Spanish",
        "orders",
        """
        Nº de pedido | order_ref | ref
        Fecha del pedido | ordered_at | slash
        Cliente | | person
        Correo electrónico | | person
        Dirección | | person
        Código postal | | person
        Ciudad | | person
        País de envío | ship_to_country | country
        Código de cliente | recipient_key | number
        Referencia producto | sku | sku
        Nombre del producto | | word
        Cantidad | qty | qty
        Precio unitario | unit_price | comma
        Descuento de línea | discount | comma
        Gastos de envío | shipping_charged | comma
        Importe IVA | tax | comma
        Total del pedido | order_total | comma
        Moneda | currency | currency
        Fecha de pago | customer_paid_at | slash
        Importe pagado | customer_paid | comma
        Fecha de reembolso | refunded_at | slash
        Importe reembolsado | refunded | comma
        Cancelado el | cancelled_at | slash
        Número de seguimiento | tracking_no | parcel
        Fecha de envío | sent_at | slash
        """,
    ),
    export(
        "orders in humps",
        "orders",
        """
        orderNo | order_ref | ref
        orderedAt | ordered_at | moment
        firstName | | person
        eMail | | person
        customerId | recipient_key | number
        shipToCountry | ship_to_country | country
        itemCode | sku | sku
        qtyOrdered | qty | qty
        itemPrice | unit_price | amount
        currencyCode | currency | currency
        orderTotal | order_total | amount
        paidAt | customer_paid_at | moment
        amountPaid | customer_paid | amount
        trackingNo | tracking_no | parcel
        updatedAt | | moment
        """,
    ),
    export(
        "invoices in English",
        "invoices",
        """
        Invoice no. | invoice_no | number
        Invoice date | invoice_date | slash
        Due date | due_date | slash
        Order date | | slash
        Your order | order_ref | ref
        Item number | sku | sku
        Description | | word
        Pieces | qty | qty
        Unit cost | unit_cost | amount
        Freight | shipping | amount
        VAT amount | tax | amount
        Handling fee | other_charges | amount
        Line total | line_total | amount
        Currency | currency | currency
        Document type | kind | word
        """,
    ),
    export(
        "invoices in German",
        "invoices",
        """
        Rechnungsnummer | invoice_no | number
        Rechnungsdatum | invoice_date | dot
        Lieferdatum | | dot
        Ihre Bestellnummer | order_ref | ref
        Artikel-Nr. | sku | sku
        Bezeichnung | | word
        Stück | qty | qty
        Stückpreis | unit_cost | comma
        Fracht | shipping | comma
        Gesamtpreis | line_total | comma
        Fällig am | due_date | dot
        Belegart | kind | word
        """,
    ),
    export(
        "invoices in Spanish",
        "invoices",
        """
        Proveedor | supplier | one
        Número de factura | invoice_no | number
        Fecha de factura | invoice_date | slash
        Fecha de vencimiento | due_date | slash
        Su pedido | order_ref | ref
        Código de artículo | sku | sku
        Unidades | qty | qty
        Coste unitario (EUR) | unit_cost | comma
        Portes (EUR) | shipping | comma
        Importe línea (EUR) | line_total | comma
        """,
    ),
    export(
        "payments in English",
        "payments",
        """
        Paid to | supplier | one
        Payment | payment_ref | number
        Paid on | paid_at | iso
        Amount | amount | amount
        Currency | currency | currency
        Orders | order_ref | LL-1001; LL-1002
        Invoices | invoice_no | 4711
        Status | status | word
        Kind | kind | word
        Payment method | channel | carrier
        """,
    ),
    export(
        "payments in French",
        "payments",
        """
        Fournisseur | supplier | one
        Référence de paiement | payment_ref | number
        Date de paiement | paid_at | slash
        Montant (EUR) | amount | comma
        N° facture | invoice_no | number
        Commande | order_ref | ref
        Statut | status | word
        Mode de règlement | channel | carrier
        """,
    ),
    export(
        "shipments in English",
        "shipments",
        """
        PO number | order_ref | ref
        Item number | sku | sku
        Qty shipped | qty | qty
        Ship date | shipped_at | slash
        Ship via | carrier | carrier
        Tracking | tracking_no | parcel
        Delivered | delivered_at | slash
        Estimated delivery | | slash
        Recipient | | person
        """,
    ),
    export(
        "shipments in German",
        "shipments",
        """
        Auftragsnummer | order_ref | ref
        Artikelnummer | sku | sku
        Menge | qty | qty
        Versendet am | shipped_at | dot
        Versanddienstleister | carrier | carrier
        Sendungsnummer | tracking_no | parcel
        Zugestellt am | delivered_at | dot
        Empfänger | | person
        Straße | | person
        Ersatzlieferung | replacement | flag
        """,
    ),
    export(
        "shipments in French",
        "shipments",
        """
        Votre commande | order_ref | ref
        Code article | sku | sku
        Quantité | qty | qty
        Date d'expédition | shipped_at | slash
        Transporteur | carrier | carrier
        N° de suivi | tracking_no | parcel
        Livré le | delivered_at | slash
        Destinataire | | person
        """,
    ),
    export(
        "quotes in German",
        "quotes",
        """
        Lieferant | supplier | one
        Artikelnummer | sku | sku
        Land | ship_to_country | country
        ab Stück | min_qty | qty
        Stückpreis (EUR) | unit_cost | comma
        Versand erstes Stück (EUR) | shipping | comma
        Versand jedes weitere Stück (EUR) | shipping_next | comma
        Lieferzeit | delivery_days | days
        Gültig ab | valid_from | dot
        Gültig bis | valid_to | dot
        """,
    ),
    export(
        "quotes in English",
        "quotes",
        """
        Article | sku | sku
        Description | | word
        To | ship_to_country | country
        From pieces | min_qty | qty
        Each | unit_cost | comma
        Carriage, first piece | shipping | comma
        Carriage, each further piece | shipping_next | comma
        Days to deliver | delivery_days | days
        Valid from | valid_from | slash
        Valid to | valid_to | slash
        """,
    ),
    export(
        "goods of two sides in Spanish",
        "sku_map",
        """
        SKU | sku | sku
        Proveedor | supplier | one
        Referencia del proveedor | supplier_sku | number
        Unidades | units | qty
        """,
    ),
    export(
        "rates in French",
        "rates",
        """
        Date | date | iso
        Devise de base | base | currency
        Devise cible | quote | currency
        Taux de change | rate | rate
        """,
    ),
    export(
        "orders in short English",
        "orders",
        """
        OrderId | order_ref | number
        Created | ordered_at | moment
        Client | | person
        Client email | | person
        Client ID | recipient_key | number
        Country (ship) | ship_to_country | country
        Product SKU | sku | sku
        Product | | word
        Qty ordered | qty | qty
        Price per unit EUR | unit_price | amount
        Disc. | discount | amount
        VAT | tax | amount
        Delivery fee | shipping_charged | amount
        Grand total EUR | order_total | amount
        Pay date | customer_paid_at | iso
        Total paid EUR | customer_paid | amount
        Cancellation date | cancelled_at | iso
        Tracking # | tracking_no | parcel
        Date shipped | sent_at | iso
        ETA | promised_by | iso
        """,
    ),
    export(
        "orders in short German",
        "orders",
        """
        Auftrags-Nr. | order_ref | ref
        Auftragsdatum | ordered_at | dot
        Kd.-Nr. | recipient_key | number
        Kundenname | | person
        Lieferland (ISO) | ship_to_country | country
        Art.-Nr. | sku | sku
        Artikel | | word
        Anzahl | qty | qty
        VK-Preis | unit_price | comma
        Rabatt Pos. | discount | comma
        Versandkosten brutto | shipping_charged | comma
        USt. | tax | comma
        Gesamtbetrag | order_total | comma
        Zahlungseingang | customer_paid_at | dot
        Zahlbetrag | customer_paid | comma
        Trackingnr. | tracking_no | parcel
        Versand am | sent_at | dot
        Storno | cancelled_at | dot
        """,
    ),
    export(
        "invoices in short French",
        "invoices",
        """
        Facture n° | invoice_no | number
        Date | invoice_date | slash
        Date d'échéance | due_date | slash
        Réf. commande client | order_ref | ref
        Réf. | sku | sku
        Libellé | | word
        Qté facturée | qty | qty
        P.U. HT | unit_cost | comma
        Montant HT | line_total | comma
        Port HT | shipping | comma
        TVA % | | percent
        Montant TVA | tax | comma
        Devise | currency | currency
        """,
    ),
    export(
        "shipments in short Spanish",
        "shipments",
        """
        Pedido | order_ref | ref
        Nº artículo | sku | sku
        Uds. | qty | qty
        F. envío | shipped_at | slash
        F. entrega | delivered_at | slash
        Transportista | carrier | carrier
        Nº seguimiento | tracking_no | parcel
        Nombre destinatario | | person
        CP | | person
        """,
    ),
    export(
        "payments in short English",
        "payments",
        """
        Transaction ID | payment_ref | number
        Date | paid_at | iso
        Supplier name | supplier | one
        Amount EUR | amount | amount
        Fee | | amount
        Order IDs | order_ref | LL-1001, LL-1002
        Invoice # | invoice_no | number
        Transaction type | kind | payment
        Transaction status | status | Completed
        """,
    ),
    export(
        "quotes in short English",
        "quotes",
        """
        Item | sku | sku
        Ship-to country | ship_to_country | country
        MOQ | min_qty | qty
        Net price | unit_cost | amount
        Shipping 1st unit | shipping | amount
        Shipping add. unit | shipping_next | amount
        Lead time (days) | dispatch_days | days
        Transit (days) | delivery_days | days
        Effective from | valid_from | iso
        Effective until | valid_to | iso
        Currency | currency | currency
        """,
    ),
    export(
        "payments in short German",
        "payments",
        """
        Buchungstag | | dot
        Zahlungsdatum | paid_at | dot
        Empfänger | | person
        Lieferant | supplier | one
        Betrag (EUR) | amount | comma
        Zahlungs-Nr | payment_ref | number
        Zahlungsstatus | status | bezahlt
        Rechnungs-Nrn. | invoice_no | number
        """,
    ),
)
BY_NAME = {one.name: one for one in EXPORTS}
COSTLY = ("money", "price", "rate", "date")  # kinds of columns whose mistakes cost money


def costly(record: str, choice: Choice) -> bool:
    return RECORDS[record].column(choice.column).kind in COSTLY


@cache
def propose_for(one: Export, record: str | None = None) -> Proposal:
    """What is proposed for an export; worked out once."""
    return propose(one.header, one.sample, record)


def of(proposal: Proposal) -> dict[str, Choice]:
    return {choice.column: choice for choice in proposal.choices}


def proposed(text: str, record: str | None = None) -> Proposal:
    """What is proposed for columns given as lines of "header | cells"."""
    rows = [line.replace("|", "| |") for line in text.strip().splitlines()]
    one = export("", "", "\n".join(rows))
    return propose(one.header, one.sample, record)


@pytest.mark.parametrize("name", BY_NAME)
def test_the_record_type_is_found(name: str) -> None:
    proposal = propose_for(BY_NAME[name])
    assert (proposal.record, proposal.record_sure) == (BY_NAME[name].record, True)


def test_nearly_all_columns_are_right() -> None:
    right, every, wrong = 0, 0, []
    for one in EXPORTS:
        found = {c.column: c.header for c in propose_for(one).choices}
        hits = [column for column, header in one.truth.items() if found.get(column) == header]
        right, every = right + len(hits), every + len(one.truth)
        wrong += [(one.name, column) for column in set(one.truth) - set(hits)]
    assert every > 250
    assert 100 * right >= 95 * every, wrong


@pytest.mark.parametrize("name", BY_NAME)
@pytest.mark.parametrize("given", [False, True])
def test_no_wrong_money_or_date_is_sure(name: str, *, given: bool) -> None:
    one = BY_NAME[name]
    # A wrong record type given by a person is the person's; a right one must not make it bolder
    proposal = propose_for(one, one.record if given else None)
    wrong = [
        choice
        for choice in proposal.choices
        if choice.sure
        and costly(proposal.record, choice)
        and one.truth.get(choice.column) != choice.header
    ]
    assert wrong == []
    assert all(choice.sure != bool(choice.doubt) for choice in proposal.choices)


@pytest.mark.parametrize("name", [one.name for one in EXPORTS[:17] if "rates" not in one.name])
def test_without_the_header_that_says_it_nothing_else_is_taken_for_sure(name: str) -> None:
    one = BY_NAME[name]
    for gone, column, _ in one.columns:
        if not column or RECORDS[one.record].column(column).kind not in COSTLY:
            continue
        rest = Export(name, one.record, tuple(c for c in one.columns if c[0] != gone))
        found = of(propose(rest.header, rest.sample, one.record))
        assert column not in found or not found[column].sure, (column, found[column])


@pytest.mark.parametrize("name", [one.name for one in EXPORTS[:17]])
def test_most_money_and_dates_named_in_full_are_sure(name: str) -> None:
    one = BY_NAME[name]
    choices = [c for c in propose_for(one).choices if costly(one.record, c)]
    assert 100 * sum(choice.sure for choice in choices) >= 75 * len(choices)


def test_private_columns_are_told_and_never_sampled() -> None:
    for one in EXPORTS:
        about_persons = [header for header, _, cells in one.columns if cells == "person"]
        proposal = propose_for(one)
        assert list(proposal.private) == about_persons
        assert not set(about_persons) & {choice.header for choice in proposal.choices}
        assert not set(about_persons) & set(proposal.unused)


def test_a_column_with_mail_addresses_is_private_whatever_its_header_says() -> None:
    header = ["Order number", "SKU", "Status"]
    cells = [["LL-1"], ["LAMP-1"], ["new", "ada@lantern.example"]]
    proposal = propose(header, lambda i: pa.array(cells[i], pa.string()))
    assert proposal.private == ("Status",)
    assert "ada" not in repr(proposal)


def test_every_header_is_in_one_place() -> None:
    for one in EXPORTS:
        proposal = propose_for(one)
        used = [choice.header for choice in proposal.choices]
        assert sorted([*used, *proposal.unused, *proposal.private]) == sorted(one.header)
        columns = [choice.column for choice in proposal.choices]
        known = [*columns, *proposal.missing, *proposal.values]
        assert sorted(known) == sorted(RECORDS[proposal.record].names)


def test_the_order_of_columns_does_not_matter() -> None:
    for one in EXPORTS:
        back = Export(one.name, one.record, tuple(reversed(one.columns)))
        straight, turned = propose_for(one), propose_for(back)
        pairs = [{(c.column, c.header, c.sure) for c in p.choices} for p in (straight, turned)]
        assert pairs[0] == pairs[1]


def test_two_columns_called_date_are_not_sure() -> None:
    found = of(proposed("Order|ref\nDate|iso\nDate 2|iso\nSKU|sku\nQty|qty\nUnit price|amount"))
    assert not found["ordered_at"].sure
    assert "'Date 2'" in found["ordered_at"].doubt
    assert not any(found[name].sure for name in found if name.endswith("_at"))


@pytest.mark.parametrize("word", ["Total", "Summe", "Amount", "Betrag", "Montant", "Importe"])
def test_a_bare_total_is_not_sure(word: str) -> None:
    choices = proposed(f"Order|ref\nOrder date|iso\nSKU|sku\nQty|qty\n{word}|amount").choices
    taken = [choice for choice in choices if choice.header == word]
    assert [choice.sure for choice in taken] == [False]
    assert "does not say so in full" in taken[0].doubt


def test_amounts_without_names_are_not_sure() -> None:
    proposal = proposed("A|ref\nB|iso\nC|amount\nD|amount\nE|sku\nF|qty\nG|currency")
    assert not proposal.record_sure
    assert [c for c in proposal.choices if c.sure] == []
    assert any("'C'" in c.doubt and "'D'" in c.doubt for c in proposal.choices)


@pytest.mark.parametrize(
    ("record", "text", "columns"),
    [
        ("orders", "Order|ref\nPaid|amount\nPaid at|iso\nPayment date|iso", ["customer_paid_at"]),
        ("orders", "Order|ref\nUnit price net|amount\nUnit price gross|amount", ["unit_price"]),
        ("orders", "Order|ref\nOrder total|amount\nOrder amount|amount", ["order_total"]),
        ("orders", "Order|ref\nDiscount|amount\nTax|amount", ["discount", "order_discount", "tax"]),
        ("orders", "Order|ref\nShipping|amount\nDelivery|iso", ["shipping_charged", "promised_by"]),
        ("orders", "Order|ref\nRefund|amount\nRefunded|iso", ["refunded", "refunded_at"]),
        ("payments", "Payment|ref\nBooking date|iso\nValue date|iso", ["paid_at"]),
        ("payments", "Payment|ref\nAmount|amount\nAmount paid|amount", ["amount"]),
        ("payments", "Payment|ref\nGross amount|amount\nNet amount|amount", ["amount"]),
        ("invoices", "Invoice|ref\nTax|amount\nShipping|amount\nDate|iso", ["tax", "shipping"]),
        ("shipments", "Order|ref\nDelivery date|iso\nDate|iso", ["shipped_at", "delivered_at"]),
        ("rates", "Date|iso\nBuy rate|rate\nSell rate|rate", ["rate"]),
    ],
)
def test_what_may_be_another_column_is_not_sure(record: str, text: str, columns: list[str]) -> None:
    found = of(proposed(text, record))
    assert set(found) & set(columns)
    assert [name for name in columns if name in found and found[name].sure] == []


@pytest.mark.parametrize(
    ("header", "cells"),
    [
        ("Order total", "iso"),
        ("Order total", "flag"),
        ("Order date", "amount"),
        ("Paid at", "flag"),
        ("Unit price (%)", "percent"),
    ],
)
def test_a_name_is_not_believed_against_its_cells(header: str, cells: str) -> None:
    text = f"Order|ref\nSKU|sku\nQty|qty\nCurrency|currency\n{header}|{cells}"
    choices = proposed(text, "orders").choices
    assert [c for c in choices if c.header == header and (c.sure or c.why == "both")] == []


@pytest.mark.parametrize(
    ("columns", "currency", "asked"),
    [
        ("Unit price (EUR)|amount\nOrder total (EUR)|amount", "EUR", 0),
        ("Unit price in EUR|amount\nOrder total EUR|amount", "EUR", 0),
        ("Unit price|euros\nOrder total|euros", "EUR", 0),
        ("Unit price (EUR)|amount\nOrder total|amount", "EUR", 1),
        ("Unit price (EUR)|amount\nOrder total (USD)|amount", None, 1),
        ("Unit price (USD)|euros\nOrder total|amount", None, 1),
        ("Unit price (EUR)|amount\nOrder total|$ 12.00", None, 1),
        ("Unit price|amount\nOrder total|amount", None, 0),
    ],
)
def test_the_currency_that_amounts_name(columns: str, currency: str | None, asked: int) -> None:
    proposal = proposed(f"Order number|ref\nOrder date|iso\nSKU|sku\nQty|qty\n{columns}")
    assert proposal.values.get("currency") == currency
    assert ("currency" in proposal.missing) == (currency is None)
    questions = [q for q in proposal.unsure if "Is everything in" in q or "Which currency" in q]
    assert len(questions) == asked


def test_words_of_a_status_column_are_translated_and_unknown_ones_asked_for() -> None:
    header = ["Zahlungs-ID", "Zahlungsdatum", "Betrag", "Status", "Art"]
    cells = [["P1"], ["2026-10-01"], ["3,00"], ["Ausgeführt", "settled", "Wolkig"], ["Erstattung"]]
    proposal = propose(header, lambda i: pa.array(cells[i], pa.string()))
    assert proposal.words == {"status": {"Ausgeführt": "settled"}, "kind": {"Erstattung": "refund"}}
    assert [q for q in proposal.unsure if "Wolkig" in q] != []
    assert "settled" not in proposal.words["status"]


@pytest.mark.parametrize(
    ("references", "begins", "ends"),
    [
        ([f"LL-{i}" for i in range(9)], ["LL-"], []),
        ([f"#LL {i}; ll {i + 9}" for i in range(9)], ["ll "], []),
        ([*(f"LL-{i}" for i in range(9)), "LL-3-R", "4711"], ["LL-"], ["-R"]),
        ([f"A-{i}-X" for i in range(9)], ["A-"], []),
        ([*(f"A-{i}" for i in range(9)), *(f"B-{i}" for i in range(9))], ["A-", "B-"], []),
        ([f"#{i}" for i in range(9)], [], []),
        ([f"LL-{i}" for i in range(4)], [], []),
        ([f"{name}-1" for name in ("Ada", "Bea", "Cid", "Dee", "Eve")], [], []),
        ([], [], []),
    ],
)
def test_what_references_share(references: list[str], begins: list[str], ends: list[str]) -> None:
    assert shared_parts(pa.array(references, pa.string())) == (begins, ends)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (["Order", "Order date", "Ada Lovelace"], 2),
        (["Bestellnummer", "Datum", "", "Kunde"], 2),
        (["invoice", "2026-10-03", "Date", "Total"], 0),
        (["invoice", "3 Oct 2026", "Date", "Total"], 0),
        (["invoice", "12.00", "Date", "Total"], 0),
        (["Order", "Order date", "Qty", "SKU", "Price", "2026-10-03"], 5),
        (["1", "2"], 0),
        ([], 0),
    ],
)
def test_a_header_is_told_from_cells(row: list[str], words: int) -> None:
    score, known = like_header(row)
    assert known == words
    assert (score > 0) == (words > 0)


def test_a_header_that_stands_twice_is_asked_for() -> None:
    proposal = proposed("Order number|ref\nOrder date|iso\nOrder date|moment\nSKU|sku", "orders")
    assert "ordered_at" in proposal.missing
    assert any("'Order date'" in question for question in proposal.unsure)


def test_our_own_names_are_sure() -> None:
    for record in EXPORTED:
        header = list(record.names)
        cells = {
            "date": "iso",
            "money": "amount",
            "price": "amount",
            "rate": "rate",
            "count": "qty",
        }
        cells |= {"reference": "ref", "references": "ref", "sku": "sku", "currency": "currency"}
        cells |= {"country": "country", "flag": "flag", "supplier": "one"}
        kinds = [cells.get(column.kind, "blank") for column in record.columns]
        one = Export("", record.name, tuple(zip(header, header, kinds, strict=True)))
        proposal = propose_for(one)
        assert (proposal.record, proposal.record_sure) == (record.name, True)
        assert {c.column: c.header for c in proposal.choices} == dict(
            zip(header, header, strict=True)
        )
        assert [c for c in proposal.choices if costly(record.name, c) and not c.sure] == []


@pytest.mark.parametrize("header", [[], [""], ["", " "], ["x"], ["a"] * 5])
def test_a_file_that_says_nothing_gives_nothing_sure(header: list[str]) -> None:
    proposal = propose(header, lambda _: pa.array([], pa.string()))
    assert proposal.choices == ()
    assert not proposal.record_sure


def test_a_very_wide_file_is_soon_done() -> None:
    asked: list[int] = []

    def sample(position: int) -> pa.Array:
        asked.append(position)
        return pa.array(["12.50"], pa.string())

    propose([f"Amount {i} paid" for i in range(20_000)], sample, "payments")
    assert 0 < len(set(asked)) <= MOST_COLUMNS


def test_the_assignment_is_the_best_of_all() -> None:
    random = np.random.default_rng(7)
    for _ in range(200):
        rows, places = random.integers(1, 5, size=2)
        scores = random.integers(0, 6, size=(rows, places)) * 100
        chosen = _assign(scores)
        taken = chosen[chosen >= 0]
        assert len(set(taken.tolist())) == len(taken)
        assert all(scores[row, at] > 0 for row, at in enumerate(chosen) if at >= 0)
        wide = np.hstack([scores, np.zeros((rows, rows), dtype=np.int64)])
        sums = [
            sum(int(wide[row, at]) for row, at in enumerate(places_taken))
            for places_taken in permutations(range(wide.shape[1]), int(rows))
        ]
        assert sum(int(scores[row, at]) for row, at in enumerate(chosen) if at >= 0) == max(sums)


def test_no_phrase_names_two_columns() -> None:
    known = trade_words()
    for record in RECORDS.values():
        named = [
            (run, name) for name in record.names for run in known.names[record.name][name].runs
        ]
        assert len({run for run, _ in named}) == len(named), record.name
        for run, name in named:
            if record.column(name).kind in COSTLY:
                assert run not in known.others[record.name].runs, run
                vague = [
                    other
                    for other in record.names
                    if other != name
                    and record.column(other).kind in COSTLY
                    and run in known.vague[record.name][other].runs
                ]
                assert vague == [], (run, name)


def test_every_column_has_words_in_every_language() -> None:
    table = tomllib.loads((files("reconcile.intake") / "words.toml").read_text(encoding="utf-8"))
    for record in EXPORTED:
        for name in record.names:
            found = {
                language
                for part in ("all", record.name)
                for language, words in table["names"].get(part, {}).get(name, {}).items()
                if words
            }
            assert found == {"en", "de", "fr", "es"}, (record.name, name)
    for part, columns in (*table["names"].items(), *table["vague"].items()):
        known = {n for r in RECORDS.values() if part in ("all", r.name) for n in r.names}
        assert set(columns) <= known, part
    spelled = {word for row in ("totals", "period") for word in getattr(trade_words(), row)}
    assert {"total", "summe", "suma", "somme", "período", "periodo", "von", "desde"} <= spelled


def test_words_for_cells_lead_to_words_that_are_known() -> None:
    for record, columns in trade_words().cells.items():
        for name, words in columns.items():
            column = RECORDS[record].column(name)
            # What is blank says nothing, and nothing says it
            assert set(words.values()) == set(column.words or ("yes", "no")) - {""}


def test_every_canonical_column_is_open() -> None:
    names = {name for record in RECORDS.values() for name in record.names}
    assert [name for name in sorted(names) if private(name)] == []
