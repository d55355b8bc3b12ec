"""Write every hostile file, each into a shop of its own, to look at or to run by hand."""

from __future__ import annotations

import sys
from pathlib import Path

from tests.hostile.files import all_files

for number, hostile in enumerate(all_files()):
    shop = hostile.build(Path(sys.argv[1]) / f"{number:02}")
    sys.stdout.write(f"{shop}/{hostile.file}: {hostile.name}\n")
