"""The balance with each supplier, in each currency apart, after every event that moves money."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from reconcile.matching.ledger import Ledger
from reconcile.story.event import Event


@dataclass
class _Account:
    """The money of one supplier order in one currency, so far."""

    agreed: int | None = None
    billed: int = 0
    duplicate: int = 0
    paid: int = 0
    is_billed: bool = False

    def balance(self, *, billed_elsewhere: bool) -> int | None:
        """Payable less paid, by the rules of matching; None where payable is not known."""
        if self.is_billed:
            return self.billed - self.duplicate - self.paid
        if self.agreed is not None and not billed_elsewhere:
            return self.agreed + self.billed - self.paid
        return None if self.billed or self.paid else 0


@dataclass
class Balances:
    """The accounts of some supplier orders; ``after`` takes one event after the other."""

    suppliers: dict[int, str]
    accounts: dict[tuple[int, str], _Account] = field(default_factory=dict)

    def after(self, event: Event) -> Event:
        """The event with the balance that it leaves with its supplier in its currency."""
        for step in event.steps:
            account = self._account(step.supplier_order, event.currency)
            account.billed += step.billed
            account.duplicate += step.duplicate
            account.paid += step.paid
            account.is_billed |= step.is_bill
        if not event.moves_money:
            return event
        return replace(event, balance=self.balance(event.supplier, event.currency))

    def balance(self, supplier: str, currency: str) -> int | None:
        """Payable less paid of all these supplier orders; None where it is not known."""
        out = 0
        for (owner, code), account in self.accounts.items():
            if self.suppliers[owner] != supplier or code != currency:
                continue
            one = account.balance(billed_elsewhere=self._billed(owner))
            if one is None:
                return None
            out += one
        return out

    def _account(self, owner: int, currency: str) -> _Account:
        return self.accounts.setdefault((owner, currency), _Account())

    def _billed(self, owner: int) -> bool:
        return any(one.is_billed for (number, _), one in self.accounts.items() if number == owner)


def opened(ledger: Ledger, supplier_orders: Iterable[int]) -> Balances:
    """Accounts before anything was billed or paid: what the quotes say is payable."""
    owners = list(supplier_orders)
    names = ledger.owners["supplier"]
    out = Balances({owner: str(names.iloc[owner]) for owner in owners})
    agreed = ledger.agreed[ledger.agreed["supplier_order"].isin(owners)]
    for owner, currency, amount in agreed.itertuples(index=False):
        out.accounts[int(owner), str(currency)] = _Account(agreed=int(amount))
    return out
