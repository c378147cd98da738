"""Which profile a unit fits, how well and why."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.line.settings import LineSettings
from busprobe.profiles.matching import (
    CLEAR_LEAD,
    RECOGNISED,
    Facts,
    Match,
    contradicted,
    match,
    recognised,
    second_best,
    standing,
)
from busprobe.profiles.read_requests import Block
from busprobe.profiles.schema import Profile, factories
from busprobe.profiles.store import load_all, shipped_folder
from tests.profiles.making import profile

PROFILES = load_all([shipped_folder()]).profiles
METER = PROFILES["brookvale-bm-330"]


def scores(facts: Facts) -> Mapping[str, float]:
    return {found.profile.id: found.score for found in match(facts, PROFILES.values())}


def single(facts: Facts, candidate: Profile) -> Match:
    (found,) = match(facts, [candidate])
    return found


def test_identification_recognises_and_says_why() -> None:
    facts = Facts(identification={0: "Brookvale Metering", 1: "BM-330", 2: "1.4"})
    found = match(facts, PROFILES.values())
    best = recognised(found)
    assert best is found[0]
    assert best.profile is METER
    assert best.reasons == (
        "ProductCode is 'BM-330', as expected.",
        "VendorName is 'Brookvale Metering', as expected.",
    )
    assert all(other.score < 0.05 for other in found[1:] if other.profile.fingerprint.objects)


def test_server_id_recognises() -> None:
    best = recognised(match(Facts(server_id="EF-5 v3"), PROFILES.values()))
    assert best is not None
    assert best.profile.id == "eskbridge-ef-5"
    assert scores(Facts(server_id="EF-5 v3"))["aldermoor-at-10"] < 0.05


def test_a_sibling_of_the_same_maker_is_not_taken_for_it() -> None:
    (factory,) = factories([METER])
    sibling = Facts(
        identification={0: "Brookvale Metering", 1: "BM-331"}, settings=factory.settings, address=1
    )
    found = single(sibling, METER)
    assert found.score < 0.05
    assert "ProductCode is 'BM-331', where 'BM-330' was expected." in found.reasons


def test_vendor_alone_is_weak_ground() -> None:
    found = match(Facts(identification={0: "Brookvale Metering"}), [METER])
    assert 0.3 < found[0].score < RECOGNISED
    assert recognised(found) is None


def test_another_revision_casts_doubt_and_no_more() -> None:
    made = profile(
        fingerprint={"objects": [{"object": 1, "equals": "G-1"}, {"object": 2, "equals": "1.4"}]}
    )
    same = single(Facts(identification={1: "G-1", 2: "1.4"}), made)
    other = single(Facts(identification={1: "G-1", 2: "1.5"}), made)
    assert same.score > other.score > 0.3
    assert "MajorMinorRevision is '1.5', where '1.4' was expected." in other.reasons


@pytest.mark.parametrize("id_", [id_ for id_, found in PROFILES.items() if found.factory])
def test_address_and_settings_at_delivery_are_weak_ground_for_every_profile(id_: str) -> None:
    (factory,) = factories([PROFILES[id_]])
    found = match(Facts(settings=factory.settings, address=factory.address), PROFILES.values())
    assert 0 < scores(Facts(settings=factory.settings, address=factory.address))[id_] <= 0.3
    assert recognised(found) is None


def test_nothing_known_is_no_match() -> None:
    assert set(scores(Facts()).values()) == {0.0}
    assert recognised(()) is None


def test_what_was_not_asked_or_answered_counts_neither_way() -> None:
    """Many sound units have no device identification; rating them down for it would be wrong."""
    known = Facts(server_id="EF-5 v3", settings=LineSettings.parse("9600-8N1"))
    silent = Facts(
        server_id="EF-5 v3",
        settings=LineSettings.parse("9600-8N1"),
        identification={},
        registers={},
    )
    assert scores(known) == scores(silent)


def test_refused_register_contradicts() -> None:
    io = PROFILES["dunmere-dx-8"]
    identification = {0: "Dunmere Controls", 1: "DX-8"}
    had = single(Facts(identification=identification, registers={(3, 40): 212}), io)
    refused = single(Facts(identification=identification, refused=[Block(3, 40, 1)]), io)
    wrong = single(Facts(identification=identification, registers={(3, 40): 7}), io)
    assert had.score > 0.8
    assert refused.score < 0.1
    assert any("was refused, but this type has it" in reason for reason in refused.reasons)
    assert any("is 7, where 100 to 999 was expected" in reason for reason in wrong.reasons)


def test_plausible_values_alone_are_weak_ground() -> None:
    """A register map full of ordinary numbers is no proof: other units have ordinary numbers
    too."""
    values = {(4, 1): 235, (4, 2): 480}
    found = single(Facts(registers=values), PROFILES["aldermoor-at-10"])
    assert 0 < found.score <= 0.5
    assert any("Temperature 23.5 °C" in reason for reason in found.reasons)
    zeros = single(Facts(registers={(4, 0): 0, (4, 1): 0}), PROFILES["brookvale-bm-330"])
    assert zeros.score == 0


def test_values_that_make_no_sense_pull_down() -> None:
    identification = {0: "Fellside Air", 1: "FQ-3"}
    sensible = single(
        Facts(identification=identification, registers={(4, 0): 612}), PROFILES["fellside-fq-3"]
    )
    absurd = single(
        Facts(identification=identification, registers={(4, 0): 61234}), PROFILES["fellside-fq-3"]
    )
    assert absurd.score < RECOGNISED < sensible.score
    assert "Not plausible: CO2 61234 ppm." in absurd.reasons


def test_a_register_says_more_the_fewer_values_would_have_fitted() -> None:
    def of(test: dict[str, int], value: int) -> float:
        made = profile(fingerprint={"registers": [{"function": 3, "register": 9, **test}]})
        return single(Facts(registers={(3, 9): value}), made).score

    assert (
        of({"equals": 0x4731}, 0x4731)
        > of({"min": 0x4700, "max": 0x47FF}, 0x4731)
        > of({"max": 0x7FFF}, 0x4731)
        > 0
    )
    assert (
        of({"mask": 0xFF00, "equals": 0x4700}, 0x4731)
        > of({"mask": 0x000F, "equals": 1}, 0x4731)
        > 0
    )
    assert of({"equals": 0}, 0) <= 0.1
    assert of({"equals": 0xFFFF}, 0xFFFF) <= 0.1
    assert of({"equals": 0x4731}, 0x4731) < RECOGNISED


def test_two_profiles_that_fit_the_same_recognise_nothing() -> None:
    one = profile(id="one", fingerprint={"server_id": {"contains": "G-1"}})
    two = profile(id="two", fingerprint={"server_id": {"contains": "G-1"}})
    found = match(Facts(server_id="G-1"), [two, one])
    assert [entry.profile.id for entry in found] == ["one", "two"]
    assert found[0].score >= RECOGNISED
    assert recognised(found) is None


def test_a_refusal_speaks_only_against_who_has_all_its_registers() -> None:
    """One register that is not there is enough for a whole request to be refused."""
    io = PROFILES["dunmere-dx-8"]
    identification = {0: "Dunmere Controls", 1: "DX-8"}
    sure = single(Facts(identification=identification), io).score
    wider = Facts(identification=identification, refused=[Block(3, 0, 4)])
    assert single(wider, io).score == sure
    read_alone = Facts(
        identification=identification, registers={(3, 0): 5}, refused=[Block(3, 0, 1)]
    )
    assert single(read_alone, io).score >= sure
    assert (
        single(Facts(identification=identification, refused=[Block(3, 0, 1)]), io).score
        < RECOGNISED
    )


SUNSPEC = {(3, 40000): 0x5375, (3, 40001): 0x6E53, (3, 40002): 1, (3, 40003): 66}


def test_a_generic_profile_is_recognised_by_its_marker_and_gives_way_to_the_very_type() -> None:
    found = match(Facts(registers=SUNSPEC), PROFILES.values())
    best = recognised(found)
    assert best is not None
    assert (best.profile.id, best.score) == ("sunspec-40000", RECOGNISED)
    both = recognised(
        match(
            Facts(identification={0: "Brookvale Metering", 1: "BM-330"}, registers=SUNSPEC),
            PROFILES.values(),
        )
    )
    assert both is not None
    assert both.profile is METER


def test_standing_says_how_far_the_best_goes_and_what_comes_next() -> None:
    clear = match(Facts(identification={0: "Brookvale Metering", 1: "BM-330"}), PROFILES.values())
    assert (
        standing(clear)
        == "Brookvale Metering BM-330 fits with 0.82 of 1; no other profile comes near."
    )
    (factory,) = factories([PROFILES["aldermoor-at-10"]])
    weak = match(
        Facts(settings=factory.settings, address=factory.address),
        [PROFILES["aldermoor-at-10"], METER],
    )
    assert (
        standing(weak)
        == "Aldermoor Instruments AT-10 fits best with 0.23, short of the 0.70 it takes; "
        "the next best, Brookvale Metering BM-330 with 0.10, is 0.13 behind."
    )
    one = profile(id="one", fingerprint={"server_id": {"contains": "G-1"}})
    two = profile(id="two", model="G-1 B", fingerprint={"server_id": {"contains": "G-1"}})
    alike = match(Facts(server_id="G-1"), [one, two])
    assert standing(alike).endswith(
        "and Glenmoss Works G-1 B with 0.75 fit too much alike to tell which it is."
    )
    assert (
        standing(match(Facts(), PROFILES.values()))
        == "Nothing that was seen speaks for any stored profile."
    )


def test_a_short_text_is_weak_ground() -> None:
    """Two letters stand in many makers' texts."""
    short = profile(fingerprint={"server_id": {"contains": "G1"}})
    found = match(Facts(server_id="PLUG1N"), [short])
    assert 0 < found[0].score < RECOGNISED


def test_only_what_a_unit_says_of_itself_rules_a_profile_out() -> None:
    io = PROFILES["dunmere-dx-8"]
    assert contradicted(Facts(identification={1: "DX-9"}), io)
    assert not contradicted(Facts(identification={1: "DX-8"}), io)
    assert not contradicted(Facts(registers={(3, 40): 7}), io)


facts = st.builds(
    Facts,
    identification=st.none()
    | st.dictionaries(
        st.integers(0, 2), st.sampled_from(["Brookvale Metering", "BM-330", "Fellside Air", "x"])
    ),
    server_id=st.none() | st.sampled_from(["AT-10", "EF-5 v3", ""]),
    registers=st.dictionaries(
        st.tuples(st.sampled_from([3, 4]), st.integers(0, 80)), st.integers(0, 0xFFFF), max_size=30
    ),
    refused=st.lists(
        st.builds(Block, st.sampled_from([3, 4]), st.integers(0, 80), st.integers(1, 9)), max_size=5
    ),
    settings=st.none()
    | st.sampled_from([LineSettings.parse("9600-8N1"), LineSettings.parse("19200-8E1")]),
    address=st.none() | st.integers(1, 247),
)


@given(facts)
def test_scores_are_sorted_bounded_and_explained(known: Facts) -> None:
    found = match(known, PROFILES.values())
    assert len(found) == len(PROFILES)
    assert [entry.score for entry in found] == sorted(
        (entry.score for entry in found), reverse=True
    )
    for entry in found:
        assert 0 <= entry.score <= 1
        assert entry.reasons or entry.score == 0
    assert standing(found).isprintable()
    best, second = recognised(found), second_best(found)
    assert best is None or second is None or best.score - second.score >= CLEAR_LEAD
    if best is not None:
        assert known.identification or known.server_id or best.profile.generic
