"""Rules: every rule file against its own cases, and what a rule file may not hold."""
