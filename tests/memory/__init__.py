"""The history and the decisions."""
