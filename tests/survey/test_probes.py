from __future__ import annotations

import pytest

from busprobe.survey.probes import LADDER, Probe, ladder


@pytest.mark.parametrize("address", [2, 3, 246, 247])
def test_the_same_probe_to_neighbours_asks_for_another_quantity(address: int) -> None:
    """So that a stale answer cannot pass for a fresh one."""
    neighbour = ladder(address - 1)
    for mine, other in zip(ladder(address), neighbour, strict=True):
        assert mine.quantity != other.quantity or mine.quantity == 0


def test_probes_have_names_and_are_told_from_their_requests() -> None:
    assert [str(p) for p in LADDER[:2]] == ["function 3, register 0", "function 4, register 0"]
    assert len({str(p) for p in LADDER}) == len(LADDER)
    assert [Probe.parse(str(p)) for p in LADDER] == list(LADDER)
    assert [Probe.of(p.request(9)) for p in LADDER] == list(LADDER)
