"""The story of one order or document: its events, its balances, and what the rules say of it."""
