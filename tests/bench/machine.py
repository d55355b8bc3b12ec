"""What the seconds were measured on, and when."""

from __future__ import annotations

import os
import platform
import re
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

PACKAGES = ("numpy", "pandas", "pandera", "pyarrow", "openpyxl", "duckdb", "polars")


def machine() -> dict[str, Any]:
    """The day, the system, its processors and memory, and the versions of what was run."""
    return {
        "date": f"{datetime.now(UTC):%Y-%m-%d}",
        "system": f"{platform.system()} {platform.machine()}",
        "processor": _processor(),
        "processors": os.cpu_count(),
        "memory_bytes": os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES"),
        "python": platform.python_version(),
        "packages": {name: version(name) for name in PACKAGES},
    }


def _processor() -> str:
    """The processor's name as Linux tells it; elsewhere as Python does, which may be nothing."""
    told = Path("/proc/cpuinfo")
    names = re.findall(r"^model name\s*: (.+)$", told.read_text(), re.M) if told.exists() else []
    return names[0] if names else platform.processor()
