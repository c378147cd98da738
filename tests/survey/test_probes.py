from __future__ import annotations

import pytest

from busprobe.modbus.requests import Function
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.survey.probes import BITS, LADDER, MOST_OF_PROFILES, Probe, ladder, probes_of


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


def test_a_probe_of_a_profile_has_a_name_of_its_own_and_asks_for_a_value_whole() -> None:
    probe = Probe(Function.READ_HOLDING_REGISTERS, 1000, 4)
    assert str(probe) == "function 3, register 1000, count 4"
    assert Probe.parse(str(probe)) == probe
    assert all(Probe.of(probe.request(address)) == probe for address in (5, 6))
    assert [probe.request(address).quantity for address in (5, 6)] == [4, 4]


def test_coils_and_inputs_are_probes_too() -> None:
    """Frames by the examples' layout in MODBUS Application Protocol V1.1b3, sections 6.1, 6.2."""
    assert [probe.request(6).frame[:6].hex(" ") for probe in BITS] == [
        "06 01 00 00 00 01",
        "06 02 00 00 00 02",
    ]
    assert [Probe.parse(str(p)) for p in BITS] == list(BITS)


def test_profiles_give_the_first_register_of_each_before_the_second_of_any() -> None:
    shipped = load_all([shipped_folder()]).profiles
    at_10, bm_330 = shipped["aldermoor-at-10"], shipped["brookvale-bm-330"]
    assert list(map(str, probes_of([at_10, bm_330, at_10], 5))) == [
        "function 4, register 1, count 1",
        "function 4, register 0, count 2",
        "function 4, register 2, count 1",
        "function 4, register 2, count 2",
        "function 3, register 258, count 1",
    ]
    assert probes_of([]) == ()
    assert len(probes_of(shipped.values())) == MOST_OF_PROFILES
    everything = probes_of([at_10, bm_330], 100)
    assert Probe(Function.READ_HOLDING_REGISTERS, 0x0101, 1) in everything, "its address register"
