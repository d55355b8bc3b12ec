"""Checks: rules compare facts and give exceptions with verdicts; they never join."""
