"""What a person or another program reads after a run; no decisions, only layout."""

import os

# openpyxl writes with lxml where that is installed: other bytes, and a full disk is no OSError.
os.environ["OPENPYXL_LXML"] = "False"
