"""What holds for all tests."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator

import pytest
from hypothesis import settings

# Two busy cores make single examples slow without anything being wrong; the number of examples
# bounds the time.
settings.register_profile("busprobe", deadline=None, max_examples=60)
settings.load_profile("busprobe")

# What the program caches for the user is none of the tests' business.
os.environ["XDG_CACHE_HOME"] = tempfile.mkdtemp(prefix="busprobe-tests-")
# Nor are the settings of whoever runs the tests.
os.environ["XDG_CONFIG_HOME"] = tempfile.mkdtemp(prefix="busprobe-tests-")
for variable in [name for name in os.environ if name.startswith("BUSPROBE_")]:
    del os.environ[variable]


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One worker more than there are cores: tests at real ports spend their time waiting."""
    return (os.cpu_count() or 1) + 1


@pytest.fixture
def real_port() -> Iterator[str]:
    """A port of this computer that opens: one end of a pseudo-terminal."""
    if sys.platform == "win32":
        pytest.skip("pseudo-terminals are a POSIX thing")
    ends = os.openpty()
    yield os.ttyname(ends[1])
    for end in ends:
        os.close(end)
