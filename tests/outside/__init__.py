"""Checks against something outside the project: other data, other tools, other arithmetic."""
