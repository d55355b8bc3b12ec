"""Matching: which money and which goods belong to which order."""
