"""Intake: files become typed records, and every row of every file has a fate."""
