"""One guided run of one target, in a process of its own, which it ends.

``python -m tests.fuzz.guided TARGET FOLDER SECONDS`` keeps its inputs, and one that crashes or
hangs, in the folder, and can write nowhere else.
"""

from __future__ import annotations

import os
import sys
import tempfile
from importlib import import_module
from pathlib import Path
from typing import Any

atheris: Any = import_module("atheris")
with atheris.instrument_imports(include=["reconcile"]):
    from tests.fuzz.targets import SECONDS, TARGETS, starts

_MOST_MEGABYTES = 3000
_LONGEST = 1 << 14
_CHANGES = {"os.mkdir", "os.remove", "os.rmdir", "os.truncate", "shutil.rmtree"}
_MOVES = {"os.rename", "os.link", "os.symlink"}


def _keep_to(folder: Path) -> None:
    """Make any change of a file outside the folder an error, for good."""

    def hold(event: str, arguments: tuple[object, ...]) -> None:
        writes = event == "open" and isinstance(arguments[2], int) and arguments[2] & 3 > 0
        paths = arguments[:2] if event in _MOVES else arguments[: writes or event in _CHANGES]
        for path in paths:
            if isinstance(path, str | bytes) and os.fsdecode(path) != os.devnull:
                there = Path(os.path.realpath(os.fsdecode(path)))
                if not there.is_relative_to(folder):
                    raise PermissionError(f"{event} outside of the folder: {there}")

    sys.addaudithook(hold)


def main(target: str, folder: Path, seconds: int) -> None:
    """Run until an input crashes or hangs, or the time is over."""
    corpus = folder / "inputs"
    corpus.mkdir()
    begin = starts(target)
    for number, data in enumerate(begin):
        (corpus / f"start-{number:02}").write_bytes(data)
    tempfile.tempdir = str(folder)
    os.chdir(folder)
    _keep_to(folder.resolve())
    options = [
        f"-max_total_time={seconds}",
        f"-timeout={SECONDS}",
        f"-rss_limit_mb={_MOST_MEGABYTES}",
        f"-max_len={max(_LONGEST, *map(len, begin))}",
        f"-artifact_prefix={folder}/",
        "-verbosity=0",
        "-print_final_stats=1",
        str(corpus),
    ]
    atheris.Setup([sys.argv[0], *options], TARGETS[target])
    atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]))
