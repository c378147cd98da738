"""The whole job on the virtual segment without a screen: found, told apart, readdressed, proven,
handed over.

The virtual segment only plays what a technician does at the terminals (units taken off, put
back, switched off and on); everything that is said of the bus comes from its wires.  At the end the
list that was handed over is held against what is really on the segment.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path

from busprobe.errors import FileError, Mistake, RefusedError
from busprobe.files.reading import reason
from busprobe.handover.files import EXPORTERS
from busprobe.handover.known_bus import polling_of
from busprobe.job.job import Job
from busprobe.job.journal import Result
from busprobe.job.reading import job_as_it_is
from busprobe.line.place import Place
from busprobe.modbus.addresses import ALL, both_forms
from busprobe.profiles.schema import factories
from busprobe.profiles.store import folders, load_all
from busprobe.prove.bus_polling import cycle_words
from busprobe.prove.endurance import RunFinished as Proven
from busprobe.prove.words import findings
from busprobe.readdress.move import Prepared
from busprobe.readdress.outcome import Outcome
from busprobe.session.bus_kind import VIRTUAL, refuse_other_kind
from busprobe.session.connect import Connector
from busprobe.session.moves import BusMoves
from busprobe.session.session import Session
from busprobe.survey import events
from busprobe.survey.findings import Kind
from busprobe.survey.schedule import common_settings
from busprobe.survey.words import kind_of_unit
from busprobe.text import hex_bytes
from busprobe.virtual.segment import Segment
from busprobe.virtual.unit import Unit

SCENARIO = "site"
"""Two units at the factory address, and four line settings on one bus."""

FIRST_FREE = 11
"""Units at their factory address are counted up from here; the addresses below stay free for new
ones (common practice: the factory address of the finished bus is free)."""

_ROUNDS = 20
"""Rounds of the endurance run."""

Say = Callable[[str], None]


def run_unattended(
    folder: Path, say: Say, *, scenario: str = SCENARIO, overwrite: bool = False
) -> bool:
    """Do the whole job and leave job file, bus list and point list in `folder`; whether the bus is
    as listed.

    Raises `RefusedError` where a file would be overwritten unasked, and what the services raise.
    """
    connector = Connector()
    segment = connector.segment(f"{VIRTUAL}{scenario}")
    job_file = folder / f"{Path(scenario).stem}.busjob"
    if os.path.lexists(job_file) and not overwrite:
        raise RefusedError(
            f"{job_file} is there already.",
            todo="Name another folder, or say --overwrite to do the demo anew.",
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        mistake = Mistake("", f"it cannot be made; {reason(error)}")
        raise FileError(
            str(folder), [mistake], kind="folder", todo="Name another folder."
        ) from error
    if os.path.lexists(job_file):
        with job_as_it_is(job_file) as earlier:
            refuse_other_kind(f"{VIRTUAL}{scenario}", earlier.meta.port)
        try:
            job_file.unlink()
        except OSError as error:  # on Windows one that is open
            mistake = Mistake("", f"it cannot be replaced; {reason(error)}")
            raise FileError(
                str(job_file),
                [mistake],
                kind="job file",
                todo="Close the program that has it open, or name another folder.",
            ) from error
    with Job.create(
        job_file, site=segment.scenario.site, segment=scenario, tester="busprobe demo"
    ) as job:
        session = Session(job, load_all(folders()), connector=connector)
        try:
            return _Demo(session, segment, say).run(folder, overwrite)
        finally:
            session.close()


class _Demo:
    def __init__(self, session: Session, segment: Segment, say: Say) -> None:
        self._session = session
        self._moves = BusMoves(session)
        self._segment = segment
        self._say = say

    def run(self, folder: Path, overwrite: bool) -> bool:
        """All seven steps."""
        self._port()
        self._wiring()
        self._survey()
        moved = self._readdress()
        self._power_cycle(moved)
        self._identify()
        self._prove()
        written = self._hand_over(folder, overwrite)
        mistakes = tuple(compare(written, self._segment))
        for mistake in mistakes:
            self._say(f"NOT AS LISTED: {mistake}")
        if not mistakes:
            self._say("The bus is as listed.")
        return not mistakes

    def _port(self) -> None:
        self._say("Port")
        line = self._session.open(f"{VIRTUAL}{self._session.job.meta.segment}")
        self._say(f"  {line.name} is open.")

    def _wiring(self) -> None:
        self._say("Wiring")
        self._say(f"  {self._session.listen(3.0, common_settings()).words}")
        self._say(
            "  No multimeter can be held to a virtual pair: resistance and voltages are not"
            " measured."
        )

    def _survey(self) -> None:
        self._say("Survey")
        settings = common_settings(
            factory.settings for factory in factories(self._session.profiles)
        )
        told: set[str] = set()
        for event in self._session.survey(settings, ALL):
            match event:
                case events.Started(estimate=estimate):
                    minutes = estimate.seconds / 60
                    self._say(
                        f"  {len(settings)} line settings, addresses 1-247, at least {minutes:.0f}"
                        " min."
                    )
                case events.Found(finding):
                    what = ", ".join(filter(None, (finding.kind, kind_of_unit(finding))))
                    what = f"{_at(finding.place)}: {what}"
                    if what not in told:  # a finding comes again with every note added to it
                        self._say(f"  {what}")
                    told.add(what)
                case events.Fault(words) | events.OtherMasterHeard(words):
                    self._say(f"  {words}")
                case events.Finished(result):
                    state = "Complete" if result.complete else "Not complete"
                    self._say(f"  {state} after {result.seconds / 60:.0f} min on the wire.")

    def _readdress(self) -> list[Outcome]:
        """Resolve every clash, and move who sits at a factory address out of the way of the next
        new unit."""
        self._say("Readdress")
        moved: list[Outcome] = []
        for entry in self._session.job.units():
            if not entry.single:
                moved += self._resolve(entry.place)
            elif self._is_at_its_factory_address(entry.place):
                moved += self._move(entry.place)
        return moved

    def _resolve(self, place: Place) -> Iterator[Outcome]:
        """Take units off until one is left at the clash, move it, and put the others back one at a
        time."""
        taken = []
        for unit in self._segment.units:
            if not unit.connected:
                continue
            self._say(f"  Hands: take {unit.name} off the pair.")
            self._segment.connect(unit.name, connected=False)
            taken.append(unit.name)
            seen = self._session.look_again(place)
            self._say(f"  {_at(place)}: {seen.kind}")
            if seen.kind in (Kind.UNIT, Kind.SILENT):
                break
        while True:
            if self._session.job.unit(place) is not None:
                yield from self._move(place)
            if not taken:
                return
            name = taken.pop()
            self._say(f"  Hands: put {name} back.")
            self._segment.connect(name)
            self._session.look_again(place)

    def _move(self, place: Place) -> list[Outcome]:
        found = self._session.identify(place)
        if found.profile is None:
            self._say(f"  {_at(place)} is not recognised and stays where it is.")
            return []
        taken = {unit.address for unit in self._session.job.units()}
        new = next(free for free in ALL if free >= FIRST_FREE and free not in taken)
        self._say(
            f"  {found.profile.maker} {found.profile.model}: from {both_forms(place.address)} to"
            f" {both_forms(new)}"
        )
        prepared = self._moves.prepare_move(place, new)
        outcome = self._moves.move(prepared, self._confirm)
        self._say(f"  {outcome.word}: {outcome.why}")
        return [outcome] if outcome.result in (Result.VERIFIED, Result.WAITING) else []

    def _confirm(self, prepared: Prepared) -> bool:
        """Nobody is there to be asked: on a virtual segment nothing can come to harm."""
        for step in prepared.steps:
            self._say(f"  {step.request.words}")
            self._say(f"  Bytes: {hex_bytes(step.request.frame)}")
        return True

    def _is_at_its_factory_address(self, place: Place) -> bool:
        found = self._session.identify(place)
        return found.profile is not None and any(
            factory.address == place.address for factory in factories([found.profile])
        )

    def _power_cycle(self, moved: list[Outcome]) -> None:
        if not moved:
            return
        self._say("  Hands: switch all units off and on.")
        self._segment.power_cycle()
        for outcome in moved:
            after = self._moves.verify_again(outcome)
            self._say(f"  {after.word}: {after.why}")

    def _identify(self) -> None:
        self._say("Identify")
        for entry in self._session.job.units():
            if not entry.single:
                continue
            found = self._session.identify(entry.place)
            name = (
                f"{found.profile.maker} {found.profile.model}"
                if found.profile
                else "not recognised"
            )
            self._say(f"  {_at(entry.place)}: {name}")
            for reading in found.readings[:3]:
                self._say(f"    {reading.point.name}: {reading.text}")

    def _prove(self) -> None:
        self._say("Prove")
        for event in self._session.prove(rounds=_ROUNDS):
            if isinstance(event, Proven):
                for words in findings(event.proof):
                    self._say(f"  {words}")
        for _ in self._session.try_polling(_ROUNDS):
            pass  # what it measured is kept in the job
        self._say(f"  Polling table: {cycle_words(polling_of(self._session.bus_list()))}")

    def _hand_over(self, folder: Path, overwrite: bool) -> Path:
        self._say("Hand over")
        written = self._session.hand_over(folder, sorted(EXPORTERS), overwrite=overwrite)
        for path in written:
            self._say(f"  {path}")
        for words in self._session.bus_list().attention:
            self._say(f"  Attention: {words}")
        return next(path for path in written if path.suffix == ".json")


def compare(bus_list: Path, segment: Segment) -> Iterator[str]:
    """In what a bus list, as written to its file, and the units that are really on `segment` do not
    agree, a sentence each."""
    document = json.loads(bus_list.read_text(encoding="utf-8"))
    listed = {
        Place.parse(f"{row['address']} {row['settings']}"): row
        for row in document["units"]
        if row["state"] not in ("reserved", "planned")
    }
    for row in document["units"]:
        if row["state"] == "planned":
            yield f"{both_forms(row['address'])} is listed, and no unit is there."
    there: dict[Place, list[Unit]] = {}
    for unit in segment.units:
        if unit.connected:
            there.setdefault(Place(unit.address, unit.settings), []).append(unit)
    for place in sorted(listed.keys() | there.keys()):
        at = _at(place)
        units = there.get(place, [])
        row = listed.get(place)
        if not units:
            yield f"{at} is listed, and no unit is there."
        elif row is None:
            yield f"{at} is not listed, and {' and '.join(unit.name for unit in units)} is there."
        elif len(units) > 1 or row["state"] != "unit":
            yield f"{at} is listed as {row['state']}, and {len(units)} units are there."
        elif row["model"] not in _names(units[0]):
            yield f"{at} is listed as '{row['model']}', and a {units[0].kind.model} is there."


def _at(place: Place) -> str:
    return f"{both_forms(place.address)} at {place.settings}"


def _names(unit: Unit) -> tuple[str, ...]:
    """What a unit's model may rightly be called: by its maker, and by itself (identification object
    1, server id)."""
    return unit.kind.model, unit.kind.identification.get(1, unit.kind.model), unit.kind.server_id
