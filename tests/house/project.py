"""Where the project lies, and which files belong to it."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

# What tools and runs leave in a copy without version control, as .gitignore has it.
_LEFT_BEHIND = {
    ".git",
    ".hypothesis",
    ".import_linter_cache",
    ".mypy_cache",
    ".pytest_cache",
    ".ruff_cache",
    ".venv",
    "__pycache__",
    "build",
    "dist",
    "out",
}


def project_files() -> list[Path]:
    """Every file of the project, relative to its root, sorted.

    In a checkout: what git tracks, and what it would track if it were added. In an unpacked
    sdist: every file but PKG-INFO, which the build adds, and what tools leave behind.
    """
    git = shutil.which("git")
    if git and (ROOT / ".git").exists():
        command = [git, "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
        listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
        found = {Path(name) for name in listed.stdout.split("\0") if name}
        return sorted(path for path in found if (ROOT / path).is_file())
    return sorted(
        path.relative_to(ROOT)
        for path in ROOT.rglob("*")
        if path.is_file() and not _left_behind(path.relative_to(ROOT))
    )


def _left_behind(path: Path) -> bool:
    return (
        not _LEFT_BEHIND.isdisjoint(path.parts)
        or path.name.startswith(".coverage")
        or path == Path("PKG-INFO")
    )
