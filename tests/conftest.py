"""Settings that all tests share."""

from __future__ import annotations

import encodings.utf_8_sig  # noqa: F401  before a test gives up the rights to read Python
import os

from hypothesis import settings

# "fixed" tries the same examples on every run, so that a failure is about the change at hand;
# "local" looks for new ones. Neither has a deadline: the first call of a library is slow.
settings.register_profile("fixed", derandomize=True, deadline=None, database=None)
settings.register_profile("local", deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "local"))
