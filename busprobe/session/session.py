"""One session at one bus: the services at work, with everything they show and do kept in the job.

Wizard, commands and the unattended demo all go through here, so that what is on disk is the same
whoever did it. Methods that use the line block; at most one of them may run at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import reduce
from pathlib import Path
from threading import Event as StopFlag

from busprobe.errors import FileError, PortError, UsageError
from busprobe.files.documents import to_document
from busprobe.files.reading import obstacle
from busprobe.handover.assemble import assemble
from busprobe.handover.bus_list import BusList
from busprobe.handover.caveats import stale
from busprobe.handover.circuits import load_circuits, with_circuit
from busprobe.handover.files import write
from busprobe.handover.revisions import keep_revisions, revised
from busprobe.handover.targets import Targets, load_targets, with_targets
from busprobe.handover.visits import with_earlier
from busprobe.job.job import Job
from busprobe.job.plan import PlannedUnit, confirmed, keep_plan, kept_plan, planned_at
from busprobe.job.reading import job_as_it_is
from busprobe.job.records import UnitRecord, unit_from_finding
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.ports import ports
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import FIRST, format_addresses
from busprobe.modbus.requests import Request
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import Store
from busprobe.prove import endurance
from busprobe.session import endurance_runs as runs
from busprobe.session.bus_kind import is_virtual, refuse_other_kind
from busprobe.session.connect import Connector, SegmentTerminals
from busprobe.session.identification import keep_identified
from busprobe.session.last_seen import Heard
from busprobe.session.recorded_survey import RecordedSurvey
from busprobe.session.wiring_record import keep_wiring
from busprobe.survey.close_look import Examination, examine
from busprobe.survey.findings import Kind
from busprobe.survey.identify import Identified, identify, identify_seen
from busprobe.survey.listen import Overheard, listen
from busprobe.survey.probes import Probe
from busprobe.survey.survey import Survey
from busprobe.text import harmless
from busprobe.wiring.calculations import Calculated
from busprobe.wiring.hunt import (
    WAITS,
    HuntEvent,
    HuntRound,
    PortBack,
    PortEvent,
    PortLost,
    hunt,
    probes,
)
from busprobe.wiring.listening import ListeningResult, a_few, listen_and_ask
from busprobe.wiring.meter import Judgement

_TRY_AGAIN = 0.5
"""Seconds of real time from one attempt to open a port that failed to the next."""
_EARLIER = "compare.with"
"""Where the job keeps which earlier job it is compared with."""


class Session:
    """A job, the profiles, and an open line once there is one."""

    def __init__(
        self,
        job: Job,
        store: Store,
        *,
        plan: Sequence[PlannedUnit] = (),
        connector: Connector | None = None,
    ) -> None:
        """Go on with `job`; a `plan` of the bus takes the place of the one that is kept in it."""
        self.job = job
        self.store = store
        if plan:
            keep_plan(job, plan)
        self.plan = kept_plan(job)
        self._connector = connector or Connector()
        self._line: Line | None = None
        self.identified: dict[Place, Identified] = {}
        """What each unit was last found to be, and why, since the program was started."""

    # -- the port
    # ----------------------------------------------------------------------------------------

    @property
    def line(self) -> Line:
        """The open line; raises `PortError` before there is one."""
        if self._line is None:
            raise PortError("No port is open.", todo="Open one in the step Port.")
        return self._line

    @property
    def is_open(self) -> bool:
        """Whether a port is open."""
        return self._line is not None

    @property
    def practice(self) -> bool | None:
        """Whether the open port, or the one that the job had last, is a virtual segment; None
        before there was any."""
        port = self._line.name if self._line is not None else self.job.meta.port
        return is_virtual(port) if port else None

    @property
    def profiles(self) -> tuple[Profile, ...]:
        """All profiles in use."""
        return tuple(self.store.profiles.values())

    @property
    def likely_profiles(self) -> tuple[Profile, ...]:
        """All profiles in use, those of the units listed and planned first."""
        store = self.store.profiles
        named = (*(u.profile for u in self.job.units()), *(p.profile for p in self.plan))
        return tuple(store[i] for i in dict.fromkeys((*named, *store)) if i and i in store)

    def open(self, port: str, settings: LineSettings | None = None) -> Line:
        """Open `port` in place of the one that is open; raises `PortError`, and `RefusedError` for
        a real port in a practice job and a virtual one in the job of a real bus."""
        refuse_other_kind(port, self.job.meta.port)
        self.close()
        self._line = line = self._connector.open_line(port, settings or LineSettings())
        adapter = next((p.words for p in ports() if line.name in (p.device, p.stable_name)), "")
        self.job.set_meta(port=line.name, adapter=adapter)
        return line

    def reopen(self) -> Line:
        """Open the port that was open once more, for an adapter that was unplugged; raises
        `PortError`."""
        before = self.line
        try:
            return self.open(before.name, before.settings)
        except PortError:
            self._line = before  # its name is what is tried again
            raise

    @property
    def terminals(self) -> SegmentTerminals | None:
        """The terminals of the units, where the open line is that of a virtual segment."""
        return self._connector.terminals(self._line.name) if self._line is not None else None

    def close(self) -> None:
        """Close the port, if one is open."""
        if self._line is not None:
            self._line.close()
            self._line = None

    def listen(self, seconds: float, settings: Collection[LineSettings] = ()) -> Overheard:
        """Listen before asking; kept under "listening"."""
        heard = listen(self.line, seconds, settings)
        self.job.record(
            "listening",
            {
                "seconds": heard.seconds,
                "settings": str(heard.settings),
                "other_master": heard.other_master,
                "noise_bytes": heard.noise_bytes,
                "stuck": heard.stuck,
                "words": heard.words,
            },
        )
        return heard

    def listen_and_ask(
        self,
        seconds: float,
        asking: Sequence[Sequence[Request]] | None = None,
        *,
        cancel: StopFlag | None = None,
    ) -> ListeningResult:
        """Listen to the bus and ask a few known units, or unit 1 where none is known, to say what
        is wrong with it.

        `asking` takes the place of these units, and `cancel` ends it, as in
        `busprobe.wiring.listening.listen_and_ask`; nobody is asked where it is empty.  Kept under
        "listening" and, beside what a meter showed, under "wiring".
        """
        known = [unit.address for unit in self.job.units() if unit.settings == self.line.settings]
        if asking is None:
            asking = [probes(address) for address in a_few(known) or (FIRST,)]
        heard = listen_and_ask(self.line, seconds, asking, expected=known, cancel=cancel)
        self.job.record("listening", heard.document())
        seen = Heard(self.job)
        seen.replied(heard.evidence.replies)
        seen.keep()
        self.keep_wiring(heard=heard)
        return heard

    def hunt(
        self,
        addresses: Sequence[int],
        cancel: StopFlag,
        waits: Waits = WAITS,
        *,
        wait_for_port: bool = True,
    ) -> Iterator[HuntEvent | PortEvent]:
        """Ask `addresses` again and again until `cancel` is set; when each last answered is kept
        when that ends.

        A port that fails is waited for, and the hunt begins anew when it is back; raises
        `PortError` where `wait_for_port` says otherwise.
        """
        seen = Heard(self.job)
        try:
            while not cancel.is_set():
                try:
                    for event in hunt(self.line, addresses, cancel, waits=waits):
                        if isinstance(event, HuntRound):
                            answering = set(event.present) - set(event.lost)
                            seen.at(Place(each, self.line.settings) for each in answering)
                        yield event
                except PortError as error:
                    if not wait_for_port:
                        raise
                    yield PortLost(error)
                    if self._reopened(cancel):
                        yield PortBack()
        finally:
            seen.keep()

    def _reopened(self, cancel: StopFlag) -> bool:
        """Wait until the port that failed can be opened again; False if `cancel` was set before."""
        while not cancel.wait(_TRY_AGAIN):
            with suppress(PortError):
                self.reopen()
                return True
        return False

    def keep_wiring(
        self,
        judgements: Sequence[Judgement] = (),
        heard: ListeningResult | None = None,
        calculations: Sequence[Calculated] = (),
    ) -> dict[str, object]:
        """Keep what a meter showed, was heard and was calculated, with what failures say, under
        "wiring".

        What this time was not tried is carried on from the record before.  Returns the document.
        """
        return keep_wiring(self.job, judgements, heard, calculations)

    # -- survey and identification
    # -----------------------------------------------------------------------

    def survey(
        self,
        settings: Sequence[LineSettings],
        addresses: Collection[int],
        *,
        expect: int | None = None,
        also: Sequence[Probe] = (),
        quick_look: bool = True,
        further: bool = True,
        resume: bool = False,
    ) -> RecordedSurvey:
        """A survey whose events are kept as they pass; with `resume` it goes on where the last one
        was cut off.

        `also` is asked where all else was silent; several line settings are searched after a
        `quick_look` at each; `further` are coils, inputs and registers of profiles.
        """
        latest = self.job.latest_survey() if resume else None
        progress = latest.progress if latest and not latest.complete else None
        survey = Survey(
            self.line,
            settings,
            addresses,
            expect=expect,
            profiles=self.likely_profiles,
            also=also,
            identify=self._identify,
            quick_look=quick_look,
            further=further,
            resume=progress,
        )
        asked = {
            "port": self.line.name,
            "settings": [str(s) for s in settings],
            "addresses": format_addresses(addresses),
            "expect": expect,
            "also": [str(probe) for probe in also],
        }
        return RecordedSurvey(self.job, self.line.name, survey, asked)

    def identify(self, place: Place) -> Identified:
        """Find out what answers at `place` and read its values; kept with its entry in the as-built
        list, and until the program ends in `identified`."""
        self.line.apply(place.settings)
        return self._identify(place)

    def _identify(self, place: Place, seen: Examination | None = None) -> Identified:
        """`identify` at the line's present settings, where a survey may have `seen` the unit."""
        known = self.job.unit(place)
        by_hand = self.profile_of(place) if known and known.match is None else None
        if seen is None:
            found = identify(self.line, place.address, self.profiles, by_hand=by_hand)
        else:
            found = identify_seen(self.line, seen, self.profiles, by_hand=by_hand)
        self.identified[place] = keep_identified(self.job, found)
        return self.identified[place]

    def look_again(self, place: Place) -> Examination:
        """Look closely at one place and bring its entry in the as-built list up to date."""
        self.line.apply(place.settings)
        seen = examine(self.line, place.address)
        known = self.job.unit(place)
        if seen.kind is not Kind.SILENT:
            # Whoever answers now need not be who answered before: only the place is carried on.
            kept = known and known.at_its_place()
            found, by = to_document(seen.finding()), self.job.meta.tester
            self.job.put_unit(unit_from_finding(found, seen=self.job.now(), by=by, known=kept))
        elif known is not None:
            self.job.remove_unit(place)
        return seen

    def profile_of(self, place: Place) -> Profile | None:
        """The profile of a unit on the as-built list, where it has one."""
        unit = self.job.unit(place)
        return self.store.profiles.get(unit.profile) if unit and unit.profile else None

    # -- prove and hand over
    # -----------------------------------------------------------------------------

    def prove(
        self,
        *,
        minutes: float | None = None,
        rounds: int | None = None,
        pause: float = 0.0,
        stop: StopFlag | None = None,
        resume: bool = False,
    ) -> Iterator[endurance.RunEvent]:
        """Poll every single unit of the as-built list; the proof is kept while the run goes on, and
        when it ends.

        `pause` are seconds of silence before each request; 0 is full wire speed. With `resume` the
        last run goes on, if it was stopped or cut off.  Raises `UsageError` where there is nothing
        to poll, or the run to go on with polled other units.
        """
        asked = runs.targets(self.job.units(), self.store.profiles)
        plan = endurance.RunPlan(rounds, None if minutes is None else 60 * minutes, pause)
        return runs.keep_running(self.line, self.job, asked, plan, stop=stop, resume=resume)

    def try_polling(
        self, rounds: int, stop: StopFlag | None = None
    ) -> Iterator[runs.Tried | endurance.RunEvent]:
        """Try the polling table on the bus and measure its cycle; raises `RefusedError` where it
        has no request."""
        return runs.try_polling(self.line, self.job, self.bus_list(), rounds=rounds, stop=stop)

    def bus_list(self) -> BusList:
        """The as-built bus list as the job has it now."""
        return assemble(self.job, self.store.profiles)

    def confirm(self, places: Collection[Place]) -> None:
        """Note that a person has seen the units at these places on site, tag and place as they are
        noted or planned."""
        moment, by = self.job.now(), self.job.meta.tester

        def seen(unit: UnitRecord) -> UnitRecord:
            if unit.place not in places or not unit.single:
                return unit
            return confirmed(unit, planned_at(self.plan, unit.address), moment=moment, by=by)

        self.job.revise_units(seen)

    def note_unit(self, place: Place, change: Callable[[UnitRecord], UnitRecord]) -> None:
        """Change what a person notes of the unit at this place; when and by whom goes with it."""
        moment, by = self.job.now(), self.job.meta.tester

        def noted(unit: UnitRecord) -> UnitRecord:
            after = change(unit)
            return unit if after == unit else replace(after, confirmed=moment, confirmed_by=by)

        self.revise_unit(place, noted)

    def read_before_last_move(self) -> tuple[Place, ...]:
        """Where values were last read before the last move, or nobody knows when."""
        listed = self.bus_list()
        return tuple(sorted(stale(listed.points, listed.journal)))

    def revise_unit(self, place: Place, change: Callable[[UnitRecord], UnitRecord]) -> None:
        """Change the entry at this place as it is in the job now, and no other.

        A run may have counted on since the entry was read.
        """
        self.job.revise_units(lambda known: change(known) if known.place == place else known)

    def note_circuits(self, path: Path) -> int:
        """Note what a list says of the circuits of meters; the number of channels in it.  Raises
        `FileError`."""
        found = load_circuits(path, self.job.units(), self.store.profiles)
        self.job.revise_units(lambda unit: reduce(with_circuit, found.get(unit.place, ()), unit))
        return sum(map(len, found.values()))

    def note_targets(self, path: Path) -> int:
        """Note what a list says of where the master keeps points; the number of points in it.
        Raises `FileError`."""
        found = load_targets(path, self.bus_list().points)
        self.keep_targets(found)
        return len(found)

    def keep_targets(self, targets: Targets) -> None:
        """Keep where the master has these points."""
        self.job.revise_units(lambda unit: with_targets(unit, targets))

    @property
    def earlier(self) -> Path | None:
        """The earlier job that the papers compare this one with."""
        kept = self.job.state(_EARLIER, str)
        return Path(kept) if kept else None

    def compare_with(self, earlier: Path | None) -> BusList:
        """The list with what is not as it was in an earlier job, from now on in the papers too;
        `None` ends that.

        Raises `FileError` where the earlier job cannot be read, and `UsageError` where it is this
        very one.
        """
        compared = self.bus_list() if earlier is None else self._compared(earlier)
        self.job.set_state(_EARLIER, None if earlier is None else str(earlier.absolute()))
        return compared

    def papers(self) -> BusList:
        """The bus list as it is handed over, with the comparison where one is wanted; raises
        `FileError`."""
        earlier = self.earlier
        if earlier is None:
            return revised(self.bus_list(), self.job)
        try:
            return revised(self._compared(earlier), self.job)
        except FileError as error:
            todo = (
                "Put it back, name another, or compare with none: key -, or the option"
                " --no-compare."
            )
            raise FileError(error.path, error.mistakes, kind="earlier job", todo=todo) from error

    def _compared(self, earlier: Path) -> BusList:
        if not obstacle(earlier) and earlier.samefile(self.job.path):
            raise UsageError(
                "That is this very job.", todo="Name the job file of an earlier visit."
            )
        with job_as_it_is(earlier) as job:
            return with_earlier(
                self.bus_list(), assemble(job, self.store.profiles), harmless(earlier.name)
            )

    def hand_over(
        self, folder: Path, formats: Sequence[str], *, overwrite: bool = False
    ) -> list[Path]:
        """Write the papers and keep their revision; raises `RefusedError` rather than overwrite a
        file unasked."""
        listed = self.papers()
        written = write(listed, folder, formats, overwrite=overwrite, job_file=self.job.path)
        keep_revisions(listed, self.job)
        return written
