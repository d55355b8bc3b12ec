"""Settings that all tests share."""

from __future__ import annotations

import encodings.utf_8_sig  # noqa: F401  before a test gives up the rights to read Python
import gc
import os
from collections.abc import Generator

import pytest
from hypothesis import settings

# "fixed" tries the same examples on every run, so that a failure is about the change at hand;
# "local" looks for new ones. Neither has a deadline: the first call of a library is slow.
settings.register_profile("fixed", derandomize=True, deadline=None, database=None)
settings.register_profile("local", deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "local"))
gc.set_threshold(100_000)  # as the command does


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with long tests come first, so that at the end no worker waits for another."""
    long = {item.path for item in items if item.get_closest_marker("no_cover")}
    items.sort(key=lambda item: item.path not in long)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup(item: pytest.Item) -> Generator[None]:
    """What is set up for a test that is marked ``no_cover`` is not measured either.

    Measuring makes a run take nearly twice as long. The long tests reach little that others miss.
    """
    plugin = item.config.pluginmanager.getplugin("_cov")
    controller = getattr(plugin, "cov_controller", None)
    if controller is None or item.get_closest_marker("no_cover") is None:
        return (yield)
    controller.pause()
    try:
        return (yield)
    finally:
        controller.resume()
