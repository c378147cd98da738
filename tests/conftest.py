"""What holds for all tests."""

from __future__ import annotations

from hypothesis import settings

# Two busy cores make single examples slow without anything being wrong; the number of examples bounds the time.
settings.register_profile("busprobe", deadline=None, max_examples=60)
settings.load_profile("busprobe")
