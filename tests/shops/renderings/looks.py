"""What the files of each way show, if they are what the way says: file, encoding, expression.

An expression that begins with ``^`` is about the beginning of the file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

LOOKS: Mapping[str, Sequence[tuple[str, str, str]]] = {
    "german": [
        ("orders.csv", "cp1252", r"^Bestellnummer;.*;Währung;.*\r\n"),
        ("orders.csv", "cp1252", r";1\.\d{3},\d\d;"),
        ("orders.csv", "cp1252", r";\d\d\.\d\d\.2026 \d\d:\d\d;"),
        ("invoices.csv", "cp1252", r";\d,\d\d5;EUR;"),
    ],
    "french": [
        ("orders.csv", "cp1252", r";1\xa0\d{3},\d\d\xa0(€|EUR);"),
        ("orders.csv", "cp1252", r";\d+,\d\d\xa0€;"),
        ("orders.csv", "cp1252", r";\d+,\d\d\xa0EUR;"),
        ("invoices.csv", "cp1252", r";\d+,\d\d5\xa0USD;USD;"),
        ("payments.csv", "cp1252", r";\d\d/\d\d/2026 \d\d:\d\d;\d+,\d\d\xa0(€|EUR);EUR;"),
    ],
    "spanish": [
        ("orders.txt", "utf-16", r"^N\.º de pedido\tFecha del pedido\t.*\r\n"),
        ("orders.txt", "utf-16", r"\t1\.\d{3},\d\d\t"),
        ("orders.txt", "utf-16", r"\t\d\d-\d\d-2026 \d\d:\d\d\t"),
        ("invoices.txt", "utf-16", r"\t-\d+,\d\d\t.*\tcredit\r\n"),
    ],
    "american": [
        ("orders.csv", "utf-8-sig", r'"EUR 1,\d{3}\.\d\d"'),
        ("orders.csv", "utf-8-sig", r",\d\d/\d\d/2026 \d{1,2}:\d\d [AP]M,"),
        ("invoices.csv", "utf-8-sig", r",\$\d+\.\d\d,USD,"),
        ("invoices.csv", "utf-8-sig", r",\(EUR \d+\.\d\d\),EUR,.*,credit\r\n"),
        ("invoices.csv", "utf-8-sig", r",\(\$\d+\.\d\d\),USD,.*,credit\r\n"),
    ],
    "preamble": [
        ("orders-eur.csv", "utf-8", r"^Lantern Lane\nAll orders\nPeriod: 2026-0\d-\d\d to "),
        ("orders-eur.csv", "utf-8", r"\nPeriod: .* to 2026-09-30\n\nOrder no\.,"),
        ("invoices-usd.csv", "utf-8", r"^.*\n.*\nPeriod: 2026-07-01 to 2026-10-31\n\nVendor,"),
        ("orders-eur.csv", "utf-8", r"\nOrder no\.,(.*\n)+Order no\.,"),
        ("orders-eur.csv", "utf-8", r"\n\n(.*\n)+,+\n"),
        ("payments-eur.csv", "utf-8", r'\nTotal,,,"\d+,\d{3}\.\d\d",,,,,,\n$'),
    ],
    "first-row-only": [
        ("orders-1.csv", "utf-8", r"\n(LL-\d+);.*;1;.*\n\1;.*;2;.*;EUR;[^,]*;{10}[^;]*Quill"),
        ("orders-2.csv", "utf-8", r"\n(LL-\d+);.*;1;.*\n\1;.*;2;.*;EUR;.*;0,00;.*;[^;]*Quill"),
    ],
    "prefixes": [
        ("orders.csv", "utf-8", r'\n"=""#LL-\d+""",'),
        ("orders.csv", "utf-8", r"\n'#LL-\d+,"),
        ("orders.csv", "utf-8", r",[\uff11-\uff19],"),
        ("invoices.csv", "utf-8", r"WEB-LL-\d+"),
        ("invoices.csv", "utf-8", r",(LAN|CMP)\u200b-\d{3},"),
        ("payments.csv", "utf-8", r"WEB-\S+; WEB-"),
        ("payments.csv", "utf-8", r"\xa0"),
    ],
    "text-months": [
        ("orders.csv", "utf-8", r'^"Order no\."\|.*\n"LL-\d+"\|"Jul \d, 2026 \d\d:\d\d"\|"1"\|'),
        ("invoices.csv", "utf-8", r'\|"\d{1,2} (Jul|Aug|Sep) 2026"\|'),
    ],
    "renamed": [
        ("orders-2026-07.csv", "utf-8", r"^Order,Description,Ordered on,.*,\n(.*,\n)+$"),
        ("orders-2026-08.csv", "utf-8", r"^Order no\.,Item,Order date,.*,\n(.*,\n)+$"),
        ("shipments-2026-07.csv", "utf-8", r"^,,Order,.*\nSupplier,Description,no\.,"),
        ("invoices-2026-07.csv", "utf-8", r"^.*,Item no\.,,Unit cost,"),
    ],
    "overlap": [
        ("invoices-2026-08.csv", "utf-8", r",\d+\.\d\d-,.*,credit\n"),
        ("orders-2026-08.csv", "utf-8", r",n/a,.*,-,"),
        ("orders-2026-08.csv", "utf-8", r",\u2013,"),
        ("orders-2026-08.csv", "utf-8", r",2026-07-2\dT\d\d:\d\d:00Z,"),
    ],
    "serials": [
        ("orders.csv", "utf-8", r"\nLL-\d+;46\d{3}\.\d+;1;"),
        ("shipments.csv", "utf-8", r";46\d{3};"),
    ],
}
