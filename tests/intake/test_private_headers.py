"""Columns about customers are known by their headers, whatever the language and the spelling."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import pyarrow as pa
import pytest

from reconcile.intake.private import LONGEST_HEADER, look, private, shown_words
from reconcile.records import RECORDS

PRIVATE = """
Customer, Customer name, customer_name, CustomerName, CUSTOMER NAME, Name, First name, firstName
Last name, Surname, Buyer, Recipient, Recipient name, Consignee, Ship to, Ship-to name
Billing name, Contact, Company, E-mail, Email, eMail, e_mail, Customer e-mail, Email address
Phone, Phone number, Mobile, Telephone, Tel., Fax, Address, Address 1, Address2, addressLine1
Shipping address, Billing street, Street, House number, Zip, ZIP code, Postcode, Post code, City
Town, Shipping city, Shipping state, County, City and country, Notes, Gift message, Date of birth
IP address, Shipping address (street), Customer's name, Delivery instructions, shipname
CUSTOMERPHONE, shippingaddressline2, Kunde
Kundenname, Käufer, Empfänger, Vorname, Nachname, Name des Kunden, Anrede, Firma, E-Mail-Adresse
Telefon, Telefonnummer, Handynummer, Straße, Strasse, Straße und Hausnummer, Hausnr.
Lieferadresse, Rechnungsadresse, PLZ, Postleitzahl, Ort, Wohnort, Stadt, Bemerkung, Kunden-E-Mail
Lieferanschrift, Ansprechpartner, PLZ/Ort, Nom, Prénom, Nom du client, Client, Destinataire
Acheteur, Courriel, Adresse e-mail, Téléphone, Tél., Adresse, Adresse de livraison, Rue
Code postal, Ville, Société, Civilité, Commentaire, Adresse (rue), Nombre, Apellidos
Nombre del cliente, Cliente, Destinatario, Comprador, Correo electrónico, Teléfono, Móvil
Dirección, Dirección de envío, Calle, Código postal, Ciudad, Provincia, Población, Observaciones
C.P., DNI
"""
OPEN = """
Order, Order number, Order name, Customer number, Customer no., Customer ID, customer_id
Customer code, Customer paid, Customer paid on, Customer order number, Product name, Item name
SKU, SKU name, Supplier name, Vendor name, Carrier name, File name, filename, Store name
Shop name, Country, Country code, Country name, Ship to country, Ships to, Shipping country
Shipping address country, Tracking number, Tracking, Paid to, Quantity, Units, Unit price
Amount (EUR), Status, Credit note, Delivery note number, Date, Total, Payee, Kundennummer
Kunden-Nr., Artikelname, Produktname, Lieferantenname, Dateiname, Land, Lieferland
Lieferadresse Land, Bestellnummer, Menge, Sendungsnummer, Zahlungsempfänger, Name des Lieferanten
Ländername, Shopname, Numéro client, Code client, Nom du produit, Nom du fournisseur
Nom du transporteur, Pays, Pays de livraison, Nombre de pièces, Montant payé par le client
Nom du fichier, Commande client, Número de cliente, Código de cliente, Nombre del producto
Nombre del proveedor, País, País de envío, Pagado por el cliente, Nombre de la tienda
Pedido del cliente, Cantidad
"""


def _headers(text: str) -> list[str]:
    return [header.strip() for line in text.strip().splitlines() for header in line.split(",")]


@pytest.mark.parametrize("header", _headers(PRIVATE))
def test_a_header_about_a_person_is_private(header: str) -> None:
    for spelled in (
        header,
        header.upper(),
        header.lower(),
        f" {header} ",
        header.replace(" ", "_"),
    ):
        assert private(spelled), spelled


@pytest.mark.parametrize("header", _headers(OPEN))
def test_a_header_about_goods_and_documents_is_open(header: str) -> None:
    for spelled in (
        header,
        header.upper(),
        header.lower(),
        f" {header} ",
        header.replace(" ", "_"),
    ):
        assert not private(spelled), spelled


@pytest.mark.parametrize(
    "header", ["Em\u200bail", "\ufeffName", "E\u00admail", "\uff2e\uff41\uff4d\uff45"]
)
def test_unseen_and_wide_characters_do_not_hide_a_header(header: str) -> None:
    assert private(header)


def test_what_is_too_long_for_a_header_is_private() -> None:
    assert private("country " * LONGEST_HEADER)
    assert private("x" * (LONGEST_HEADER + 1))
    assert not private("x" * LONGEST_HEADER)


@pytest.mark.parametrize("header", ["", " ", "()", "#", "42", "(EUR)", "%%", "\n"])
def test_a_header_without_words_is_open(header: str) -> None:
    assert not private(header)


def test_no_phrase_that_names_a_column_is_private() -> None:
    path = files("reconcile.intake") / "words.toml"
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    phrases = [
        (column, phrase)
        for part in (*table["names"].values(), *table["vague"].values())
        for column, languages in part.items()
        for words in languages.values()
        for phrase in words
    ]
    names = [(name, name) for record in RECORDS.values() for name in record.names]
    assert [pair for pair in (*phrases, *names) if private(pair[1])] == []


def test_every_word_of_the_data_file_is_private_as_a_header() -> None:
    path = files("reconcile.intake") / "words.toml"
    table = tomllib.loads(path.read_text(encoding="utf-8"))["private"]
    for part in ("words", "alone"):
        for words in table[part].values():
            assert [word for word in words if not private(word)] == []
    for words in table["except"].values():
        assert [word for word in words if private(word)] == []


@pytest.mark.parametrize(
    ("texts", "shape"),
    [
        (["2026-10-01", "2026-10-02T12:30:00Z"], "date"),
        (["1.10.2026", "01/02/26", "3. März 2026", "Oct 3, 2026", "1 de enero de 2026"], "date"),
        (["1,200.00", "1.200,00", "1 200,00", "1'200.00", "(12.00)", "12.00-", "€ 12", "12,00 EUR"],
         "number"),
        (["EUR", "usd"], "currency"),
        (["IE", "DEU", "UK", "Irland", "España", "États-Unis"], "country"),
        (["ja", "nein", "oui", "X"], "flag"),
        (["RA473124829GB", "9.4E+21", "1Z 999 888 77 1234 5678"], "parcel"),
        (["45231", "45231.5"], "serial"),
        (["ada@lantern.example"], "mail"),
    ],
)  # fmt: skip
def test_a_look_tells_shapes_and_keeps_no_cell(texts: list[str], shape: str) -> None:
    seen = look(pa.array([*texts, "", None, "n/a", "-"], pa.string()))
    assert seen.count == len(texts)
    assert seen.shares[shape] == 1000
    assert not any(text in repr(seen) for text in texts if len(text) > 4)


def test_a_date_is_no_amount_and_an_amount_no_date() -> None:
    assert look(pa.array(["1.10.2026", "01.02.26"])).shares["number"] == 0
    assert look(pa.array(["12.50", "1.200,00", "-3"])).shares["date"] == 0


@pytest.mark.parametrize(
    ("texts", "unit"),
    [
        (["12,00 €", "1 €"], "EUR"),
        (["USD 3.00"], "USD"),
        (["12,00 €", "3.00"], ""),
        (["12,00 €", "USD 3"], ""),
        (["$3.00"], ""),
    ],
)
def test_a_unit_is_what_every_amount_names(texts: list[str], unit: str) -> None:
    assert look(pa.array(texts)).unit == unit


def test_nothing_is_shown_of_a_column_that_is_no_closed_list() -> None:
    many = pa.array([f"Word {'abcdefghij'[i % 10]}{i}" for i in range(100)])
    assert shown_words("payments", "status", many) == ({}, [])
    persons = pa.array(["Bezahlt", "ada@lantern.example", "12 Mill Lane, Galway, near the bridge"])
    assert shown_words("payments", "status", persons) == ({"Bezahlt": "settled"}, [])
