"""Tests, one folder per stage, and the shops that they run on."""
