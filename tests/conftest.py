"""What holds for all tests."""

from __future__ import annotations

import os
import tempfile

import pytest
from hypothesis import settings

# Two busy cores make single examples slow without anything being wrong; the number of examples
# bounds the time.
settings.register_profile("busprobe", deadline=None, max_examples=60)
settings.load_profile("busprobe")

# What the program caches for the user is none of the tests' business.
os.environ["XDG_CACHE_HOME"] = tempfile.mkdtemp(prefix="busprobe-tests-")


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One worker more than there are cores: tests at real ports spend their time waiting."""
    return (os.cpu_count() or 1) + 1
