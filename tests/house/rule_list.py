"""``python -m tests.house.rule_list``: writes the list of rules in the README anew."""

from __future__ import annotations

from reconcile.checks.catalogue import load_catalogue
from tests.house.project import ROOT

README = ROOT / "README.md"
BEGIN, END = "<!-- rules: begin -->\n", "<!-- rules: end -->\n"


def rule_list() -> str:
    """A table of every rule: what it finds, its settings, severity, class and list."""
    rows = ["| rule | finds | severity | class | list | settings |", "|---|---|---|---|---|---|"]
    for rule in load_catalogue().values():
        settings = ", ".join(f"`{s.name}` ({s.default})" for s in rule.settings.values())
        rows.append(
            f"| `{rule.name}` | {rule.title} | {rule.severity} | {rule.money_class} | {rule.list} "
            f"| {settings} |"
        )
    return "\n".join(rows) + "\n"


def parts(text: str, begin: str = BEGIN, end: str = END) -> tuple[str, str, str]:
    """What stands before the two marks, between them and after them."""
    before, _, rest = text.partition(begin)
    inside, _, after = rest.partition(end)
    return before, inside, after


def main() -> None:
    """Put the list of today between the marks."""
    before, _, after = parts(README.read_text(encoding="utf-8"))
    README.write_text(f"{before}{BEGIN}{rule_list()}{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
