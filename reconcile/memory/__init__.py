"""The history of a shop: what each night found, and what was decided."""
