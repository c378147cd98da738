"""Points by function codes 1 and 2, from the profile to what is handed over.

The truth is the scenario; frames are compared with those of pymodbus' own request classes.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest

from busprobe.handover.formats import thing_files
from busprobe.handover.known_bus import polling_of
from busprobe.job.job import Job
from busprobe.job.records import UnitRecord
from busprobe.line.clock import VirtualClock
from busprobe.line.place import Place
from busprobe.profiles.store import Store
from busprobe.prove.endurance import RunFinished
from busprobe.session.connect import Connector
from busprobe.session.session import Session
from tests.profiles.making import profile

SCENARIO = """
title = "One remote input and output unit"

[types.own]
maker = "Glenmoss Works"
model = "G-1"
settings = "9600-8N1"
functions = [1, 2, 3, 43]
coils = [true, false, true]
discrete_inputs = [false, false, false, true, true, false, false, false, false, true]
identification = { "0x00" = "Glenmoss Works", "0x01" = "G-1" }

[[units]]
name = "io"
type = "own"
address = 7
"""
PROFILE = profile(
    fingerprint={"objects": [{"object": 1, "equals": "G-1"}]},
    points=[
        {
            "name": "Pump",
            "function": 1,
            "register": 0,
            "type": "bool",
            "names": {0: "off", 1: "on"},
            "writable": True,
        },
        {"name": "Valve", "function": 1, "register": 1, "type": "bool"},
        {"name": "Door", "function": 2, "register": 3, "type": "bool"},
        {"name": "Far input", "function": 2, "register": 9, "type": "bool"},
    ],
)
PLACE = Place.parse("7 9600-8N1")


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    scenario = tmp_path / "io.toml"
    scenario.write_text(SCENARIO)
    with Job.create(tmp_path / "a.busjob") as job:
        made = Session(
            job,
            Store({PROFILE.id: PROFILE}, {}, ()),
            connector=Connector(virtual_clock=VirtualClock()),
        )
        made.open(f"virtual:{scenario}", PLACE.settings)
        job.put_unit(UnitRecord(PLACE))
        made.identify(PLACE)
        yield made
        made.close()


def test_their_values_are_read_and_named(session: Session) -> None:
    read = {point.name: (point.value, point.text) for point in session.bus_list().points}
    assert read == {
        "Pump": (1, "on"),
        "Valve": (0, "off"),
        "Door": (1, "on"),
        "Far input": (1, "on"),
    }


def test_the_polling_table_asks_for_them_by_their_functions(session: Session) -> None:
    made = polling_of(session.bus_list())
    frames = [row.request.frame for row in made.table.rows]
    framer = FramerRTU(DecodePDU(is_server=False))
    # Seven bits in between cost nothing, they fit into the same byte as the wanted ones or one
    # more: one request for each table.
    assert frames == [
        framer.buildFrame(ReadCoilsRequest(address=0, count=2, dev_id=7)),
        framer.buildFrame(ReadDiscreteInputsRequest(address=3, count=7, dev_id=7)),
    ]
    # 9600-8N1: 10 bits a character; request 8, reply 5 + 1 bytes, silence of 3.5 characters.
    latency = made.table.rows[0].latency_s
    assert made.table.rows[0].seconds == pytest.approx((3.5 + 8 + 6) * 10 / 9600 + latency)


def test_an_endurance_run_polls_them_and_a_trial_tries_the_table(session: Session) -> None:
    *_, last = session.prove(rounds=3)
    assert isinstance(last, RunFinished)
    assert (last.proof.failed, last.proof.polls) == (0, 9)  # coils and two groups of inputs
    *_, tried = session.try_polling(2)
    assert isinstance(tried, RunFinished)
    assert (tried.proof.failed, tried.proof.polls) == (0, 4)


def test_a_thing_description_names_the_coil_and_the_discrete_input(session: Session) -> None:
    """Entities of the Modbus binding's draft, section "Modbus Vocabulary"."""
    [content] = thing_files.files(session.bus_list()).values()
    properties = json.loads(content)["properties"]
    said = {
        name: (one["type"], one["readOnly"], one["forms"][0]["modv:entity"])
        for name, one in properties.items()
    }
    assert said == {
        "pump": ("boolean", False, "Coil"),
        "valve": ("boolean", True, "Coil"),
        "door": ("boolean", True, "DiscreteInput"),
        "far-input": ("boolean", True, "DiscreteInput"),
    }
    assert properties["far-input"]["forms"][0]["href"] == "9?quantity=1"
