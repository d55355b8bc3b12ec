"""What a person or another program reads after a run; no decisions, only layout."""

import os

# openpyxl writes with lxml where that is installed, and a full disk is then no OSError.
os.environ.setdefault("OPENPYXL_LXML", "False")
