"""Files that people write - profiles, plans, circuits, scenarios - damaged in every way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from random import Random

from busprobe.errors import BusprobeError
from busprobe.handover.circuits import load_circuits
from busprobe.job.plan import load_plan
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from busprobe.profiles.loading import load_profile
from busprobe.profiles.store import shipped_folder
from busprobe.virtual.loading import load_scenario
from tests.fuzz.jobs import AT, profiles

_PLAN = """tag,location,profile,address,settings,position,distance,terminator
TT-101,Hall 2,aldermoor-at-10,11,9600-8N1,1,12.5,no
TT-102,Hall 2,,12,,2,20,
EM-101,Room 4,brookvale-bm-330,21,19200-8E1,3,85.25,yes
"""
_CIRCUITS = """address,settings,channel,ct,ratio,phase,panel,circuit,load,direction
21,9600-8N1,L1,7,200/5,L1,P1,F3,Pump,yes
21,,L2,8,200/5,L2,P1,F4,Fan,no
14,,L3,9,100 A,,,,,
"""
_UNITS = (
    UnitRecord(Place(21, AT), profile="brookvale-bm-330"),
    UnitRecord(Place(14, AT), tag="EM-14"),
)
_WORDS = (
    *(b"[[", b"]]", b"[points]", b"=", b'"', b"'''", b"\n", b",", b";", b"\t", b"#", b"{", b"}"),
    *(b"\x00", b"\xff", b"\xef\xbb\xbf", "\u202e".encode(), b"\x1b]0;x\x07", b"true", b"nan"),
    *(b"-1", b"0", b"1e400", b"99999999999999999999", b"0x10", b"2020-01-01", b"247", b"248"),
    *(b"9600-8N1", b"9600-9N1", b"10 ** 3", b"a.b.c", b"[" * 300, b"{a=" * 60, b'"""'),
)


@dataclass(frozen=True)
class Kind:
    """A kind of file: sound ones, and what reads it."""

    name: str
    suffix: str
    sound: tuple[tuple[str, bytes], ...]
    """By the name that each has to have."""
    read: Callable[[Path], object]


@cache
def kinds() -> tuple[Kind, ...]:
    """All kinds."""
    scenarios = resources.files("busprobe.virtual") / "scenarios"
    return (
        Kind(
            "plan",
            ".csv",
            (("plan", _PLAN.encode()), ("plan", _PLAN.replace(",", ";").encode())),
            load_plan,
        ),
        Kind(
            "circuits",
            ".csv",
            (("circuits", _CIRCUITS.encode()),),
            lambda path: load_circuits(path, _UNITS, profiles().profiles),
        ),
        Kind(
            "profile",
            ".toml",
            tuple((p.stem, p.read_bytes()) for p in sorted(shipped_folder().glob("*.toml"))),
            load_profile,
        ),
        Kind(
            "scenario",
            ".toml",
            tuple(("s", p.read_bytes()) for p in scenarios.iterdir() if p.name.endswith(".toml")),
            load_scenario,
        ),
    )


def damaged(kind: Kind, random: Random) -> tuple[str, bytes]:
    """Name and content of a file of that kind, damaged."""
    name, sound = random.choice(kind.sound)
    data = bytearray(sound)
    for _ in range(random.choice((1, 1, 2, 4, 20))):
        at = random.randrange(len(data) + 1)
        match random.randrange(7):
            case 0:
                data[at:at] = random.choice(_WORDS)
            case 1 if data:
                data[at % len(data)] = random.randrange(256)
            case 2:
                del data[at : at + random.choice((1, 5, 80, 5000))]
            case 3:  # a value in the place of another
                lines = bytes(data).split(b"\n")
                n = random.randrange(len(lines))
                head, sign, _ = lines[n].partition(b"=")
                lines[n] = head + sign + b" " + random.choice(_WORDS)
                data = bytearray(b"\n".join(lines))
            case 4:  # a line once more, or at another place
                lines = bytes(data).split(b"\n")
                lines.insert(random.randrange(len(lines) + 1), random.choice(lines))
                data = bytearray(b"\n".join(lines))
            case 5:
                _, other = random.choice(kind.sound)
                data[at:] = other[random.randrange(len(other)) :]
            case 6:  # a cell in the place of another
                cells = bytes(data).split(b",")
                cells[random.randrange(len(cells))] = random.choice(_WORDS)
                data = bytearray(b",".join(cells))
    return name, bytes(data)


def one(seed: int, folder: Path) -> str:
    """Read one damaged file; what became of it.  Raises whatever is no typed error."""
    random = Random(seed)  # noqa: S311 - the same damage again is what is wanted
    kind = random.choice(kinds())
    name, data = damaged(kind, random)
    path = folder / f"{name}{kind.suffix}"
    path.write_bytes(data)
    try:
        kind.read(path)
    except BusprobeError as error:
        assert str(path) in error.what
        assert len(str(error)) < 100_000
        return f"{kind.name} refused"
    return f"{kind.name} read"
