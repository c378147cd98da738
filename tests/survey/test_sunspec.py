"""The walk over SunSpec models: pure on a table of registers, and on the wire against the scenario
that has two."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sunspec2.modbus.client import SunSpecModbusClientDevice

from busprobe.profiles.read_requests import Block
from busprobe.survey import words
from busprobe.survey.sunspec import BASES, MARKER, Model, ModelMap, Read, find_models


def reader(table: Mapping[int, int], asked: list[Block]) -> Read:
    """A unit that gives only what is all in `table`."""

    def read(block: Block) -> tuple[int, ...]:
        asked.append(block)
        wanted = range(block.register, block.register + block.count)
        return tuple(table[r] for r in wanted) if all(r in table for r in wanted) else ()

    return read


def laid_out(
    base: int, *models: tuple[int, int], end: tuple[int, ...] = (0xFFFF, 0)
) -> dict[int, int]:
    """A map of models (id, length) at `base`, filled with zeros."""
    words = list(MARKER)
    for number, length in models:
        words += [number, length, *[0] * length]
    return {base + i: word for i, word in enumerate([*words, *end])}


def test_bases_are_tried_in_the_order_of_pysunspec2() -> None:
    assert list(BASES) == SunSpecModbusClientDevice().base_addr_list
    asked: list[Block] = []
    assert find_models(reader({}, asked)) is None
    assert asked == [Block(3, base, 3) for base in BASES]


@pytest.mark.parametrize("base", BASES)
@pytest.mark.parametrize("length", [65, 66])
def test_models_follow_each_other_by_their_lengths(base: int, length: int) -> None:
    """Both lengths of the common model exist in the field (with and without its pad)."""
    found = find_models(reader(laid_out(base, (1, length), (103, 50)), []))
    assert found == ModelMap(
        base, (Model(1, base + 2, length), Model(103, base + 4 + length, 50)), ended=True
    )


def test_the_end_may_lack_its_length() -> None:
    found = find_models(reader(laid_out(0, (1, 66), end=(0xFFFF,)), []))
    assert found is not None
    assert found.ended


def test_a_map_that_breaks_off_says_so() -> None:
    found = find_models(reader(laid_out(0, (1, 66), end=()), []))
    assert found is not None
    assert not found.ended
    assert (
        words.models(found)
        == "It follows SunSpec from register 0 on: models 1; its end was not seen, so there may be"
        " more."
    )


def test_a_map_that_never_ends_is_cut_off() -> None:
    asked: list[Block] = []
    endless = dict.fromkeys(range(3000), 0) | dict(enumerate(MARKER))
    found = find_models(reader(endless, asked))
    assert found is not None
    assert not found.ended
    assert len(asked) < 80


@given(
    st.dictionaries(
        st.integers(0, 20) | st.integers(65500, 65535), st.sampled_from([0, 1, 5, 65000, 0xFFFF])
    )
)
def test_whatever_follows_the_marker_the_walk_ends_within_the_registers_there_are(
    table: dict[int, int],
) -> None:
    asked: list[Block] = []
    found = find_models(reader(table | dict(enumerate(MARKER)) | {2: table.get(2, 7)}, asked))
    assert found is not None
    assert all(block.register + block.count <= 0x10000 for block in asked)
