"""Tests of the month-end cash check."""
