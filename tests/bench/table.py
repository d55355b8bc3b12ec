"""``python -m tests.bench.table``: puts the tables of build/bench.json into DEVELOPERS.md."""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import pairwise
from math import log
from typing import Any

from tests.bench.processes import REPOSITORY
from tests.house.rule_list import parts

RESULT = REPOSITORY / "build/bench.json"
DEVELOPERS = REPOSITORY / "DEVELOPERS.md"
BEGIN, END = "<!-- benchmark: begin -->\n", "<!-- benchmark: end -->\n"
NAMES = {
    "nightly": "(a) nightly run",
    "second_night": "the night after it",
    "in_portions": "with `--memory 1GB`",
    "spoiled_night": "1 % malformed values",
    "duckdb_four": "(b) DuckDB, four exceptions",
    "polars_four": "(c) polars, the same four",
    "as_text": "(d) pyarrow, reading only",
}
RATIOS = {
    "nightly/duckdb_four": "a / b",
    "nightly/polars_four": "a / c",
    "nightly/as_text": "a / d",
    "second_night/nightly": "the night after it / a",
    "in_portions/nightly": "with `--memory 1GB` / a",
    "spoiled_night/nightly": "1 % malformed values / a",
}
_MIB = 2**20
Row = list[str]
Size = dict[str, Any]


def growth(sizes: list[Size]) -> list[dict[str, float]]:
    """The power of the order lines that each median grows with, from every size to the next."""
    return [
        {
            name: round(
                log(more["runs"][name]["median"] / less["runs"][name]["median"])
                / log(more["order_lines"] / less["order_lines"]),
                3,
            )
            for name in NAMES
        }
        for less, more in pairwise(sizes)
    ]


def report(result: dict[str, Any]) -> str:
    """Everything as Markdown: what it was measured on, and tables with a column for each size."""
    sizes = result["sizes"]
    tables = (
        _table("input", sizes, _given(sizes)),
        _table("wall seconds, median (least to most)", sizes, _runs(sizes, _wall)),
        _table("ratio of medians, wall (processor)", sizes, _ratios(sizes)),
        _table("growth exponent from the size before", sizes, _growth(result["growth"])),
        _table("processor seconds, median", sizes, _runs(sizes, _processor)),
        _table("peak memory", sizes, _memory(sizes)),
        _table("stages of (a), medians", sizes, _stages(sizes)),
    )
    told = [_measured_on(result), *tables, _start(result["start_up"])]
    return "\n".join(each for each in told if each)


def _measured_on(result: dict[str, Any]) -> str:
    on = result["machine"]
    versions = ", ".join(f"{name} {number}" for name, number in on["packages"].items())
    rounds = sorted({len(size["runs"]["nightly"]["seconds"]) for size in result["sizes"]})
    return (
        f"Measured {on['date']} on {on['processor'] or on['system']}, {on['processors']} "
        f"processors, {on['memory_bytes'] / 2**30:.0f} GiB, {on['system']};\n"
        f"Python {on['python']}, {versions};\n"
        f"whole processes in turn, rounds: {' or '.join(map(str, rounds))}.\n"
    )


def _given(sizes: list[Size]) -> list[Row]:
    return [
        ["rows of all files", *(f"{sum(size['rows'].values()):,}" for size in sizes)],
        ["bytes", *(f"{size['input_bytes'] / 1e6:,.1f} MB" for size in sizes)],
        ["open by the four rules", *(f"{sum(size['open'].values()):,}" for size in sizes)],
    ]


def _runs(sizes: list[Size], said: Callable[[dict[str, float]], str]) -> list[Row]:
    return [[label, *(said(size["runs"][name]) for size in sizes)] for name, label in NAMES.items()]


def _wall(cost: dict[str, float]) -> str:
    return f"{cost['median']:.2f} ({cost['min']:.2f} to {cost['max']:.2f})"


def _processor(cost: dict[str, float]) -> str:
    return f"{cost['cpu_median']:.2f}"


def _peak(cost: dict[str, float]) -> str:
    return f"{cost['peak_bytes'] / _MIB:,.0f} MiB"


def _ratios(sizes: list[Size]) -> list[Row]:
    rows = []
    for pair, label in RATIOS.items():
        both = (size["ratios"][pair] for size in sizes)
        rows.append([label, *(f"{one['seconds']:.2f} ({one['cpu_seconds']:.2f})" for one in both)])
    alone = (size["reading"] for size in sizes)
    reading = (f"{one['ratio_seconds']:.2f} ({one['ratio_cpu_seconds']:.2f})" for one in alone)
    return [*rows, ["orders read and checked / as text, warm", *reading]]


def _growth(grown: list[dict[str, float]]) -> list[Row]:
    return [
        [label, "", *(f"{each[name]:.2f}" for each in grown)]
        for name, label in NAMES.items()
        if grown
    ]


def _memory(sizes: list[Size]) -> list[Row]:
    share = (f"{size['memory']['share']:.2f}" for size in sizes)
    return [*_runs(sizes, _peak), ["a / (250 MiB + 2 times the input)", *share]]


def _stages(sizes: list[Size]) -> list[Row]:
    stages = [size["stages"]["nightly"] for size in sizes]
    names = dict.fromkeys(name for each in stages for name in each)
    return [[name, *(f"{each.get(name, 0):.2f}" for each in stages)] for name in names]


def _table(measure: str, sizes: list[Size], rows: list[Row]) -> str:
    """A Markdown table that reads well as text too; nothing where there are no rows."""
    if not rows:
        return ""
    rows = [[measure, *(f"{size['order_lines']:,} lines" for size in sizes)], *rows]
    widths = [max(3, *(len(cell) for cell in column)) for column in zip(*rows, strict=True)]
    lines = []
    for row in rows:
        (label, width), *rest = zip(row, widths, strict=True)
        cells = [label.ljust(width), *(cell.rjust(wide) for cell, wide in rest)]
        lines.append(f"| {' | '.join(cells)} |")
    rule = ["-" * widths[0], *("-" * (width - 1) + ":" for width in widths[1:])]
    lines.insert(1, f"| {' | '.join(rule)} |")
    return "\n".join(lines) + "\n"


def _start(start_up: dict[str, Any]) -> str:
    shown, idle = start_up["help"]["median"], start_up["pass"]["median"]
    return (
        f"`reconcile --help` takes {shown * 1000:.0f} ms, `python -c pass` {idle * 1000:.0f} ms: "
        f"{start_up['ratio']:.2f} times.\n"
    )


def with_tables(text: str, result: dict[str, Any]) -> str:
    """A text with the tables between its two marks."""
    before, _, after = parts(text, BEGIN, END)
    return f"{before}{BEGIN}{report(result)}{END}{after}"


def main() -> None:
    """Put the last result between the marks."""
    result = json.loads(RESULT.read_text(encoding="utf-8"))
    text = DEVELOPERS.read_text(encoding="utf-8")
    DEVELOPERS.write_text(with_tables(text, result), encoding="utf-8")


if __name__ == "__main__":
    main()
