"""How every test runs: how many generated cases, and what a missing browser does."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, settings

from tests.support.browser import NO_CHROMIUM, chromium_path

# No deadlines: a shared machine's clock says nothing about correctness.
settings.register_profile(
    "ci", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile(
    "nightly",
    max_examples=2_000,
    deadline=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("nightly" if os.environ.get("DRUPE_NIGHTLY") == "1" else "ci")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests marked `browser` are skipped, with the reason in the summary, where there is none."""
    if chromium_path() is None:
        for item in items:
            if item.get_closest_marker("browser") is not None:
                item.add_marker(pytest.mark.skip(reason=NO_CHROMIUM))
