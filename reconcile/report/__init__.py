"""What a person or another program reads after a run; no decisions, only layout."""
