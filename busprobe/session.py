"""One session at one pair: the services at work, with everything they show and do kept in the job.

Wizard, commands and the unattended demo all go through here, so that what is on disk is the same whoever did it.
Methods that use the line block; at most one of them may run at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from threading import Event as StopFlag

from busprobe.connect import Connector, Hands
from busprobe.errors import PortError, RefusedError, UsageError
from busprobe.handover.assemble import assemble
from busprobe.handover.bus_list import BusList
from busprobe.handover.files import write
from busprobe.job.job import Job
from busprobe.job.plan import PlannedUnit, keep_plan, kept_plan
from busprobe.job.records import Latency, UnitRecord, WriteRecord, unit_from_finding
from busprobe.line.line import Line
from busprobe.line.ports import ports
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import FIRST, both_forms, format_addresses
from busprobe.modbus.requests import Request
from busprobe.pair import keep_wiring
from busprobe.profiles.schema import Profile
from busprobe.profiles.siblings import Sibling, differences
from busprobe.profiles.store import Store
from busprobe.prove import endurance
from busprobe.prove.proof import Proof
from busprobe.prove.statistics import milliseconds
from busprobe.prove.tally import Kind as TallyKind
from busprobe.readdress import move as moving
from busprobe.readdress import one_by_one as box
from busprobe.readdress import recovery
from busprobe.readdress.procedure import Procedure
from busprobe.recording import RecordedSurvey
from busprobe.survey.examine import Examination, examine
from busprobe.survey.findings import Kind
from busprobe.survey.identify import Identified, identify
from busprobe.survey.listen import Overheard, listen
from busprobe.survey.run import Survey
from busprobe.wiring.hearing import Hearing, a_few, hear
from busprobe.wiring.hunt import probes
from busprobe.wiring.meter import Judgement


class Session:
    """A job, the profiles, and an open line once there is one."""

    def __init__(
        self, job: Job, store: Store, *, plan: Sequence[PlannedUnit] = (), connector: Connector | None = None
    ) -> None:
        """Go on with `job`; a `plan` of the bus takes the place of the one that is kept in it."""
        self.job = job
        self.store = store
        if plan:
            keep_plan(job, plan)
        self.plan = kept_plan(job)
        self._connector = connector or Connector()
        self._line: Line | None = None

    # -- the port ----------------------------------------------------------------------------------------

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
    def profiles(self) -> tuple[Profile, ...]:
        """All profiles in use."""
        return tuple(self.store.profiles.values())

    def open(self, port: str, settings: LineSettings | None = None) -> Line:
        """Open `port` in place of the one that is open; raises `PortError`."""
        self.close()
        self._line = line = self._connector.open_line(port, settings or LineSettings())
        adapter = next((p.words for p in ports() if line.name in (p.device, p.stable_name)), "")
        self.job.set_meta(port=line.name, adapter=adapter)
        return line

    @property
    def hands(self) -> Hands | None:
        """The hands at the terminals, where the open line is that of a virtual segment."""
        return self._connector.hands(self._line.name) if self._line is not None else None

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

    def hear_pair(
        self,
        seconds: float,
        asking: Sequence[Sequence[Request]] | None = None,
        judgements: Sequence[Judgement] = (),
    ) -> Hearing:
        """Listen to the pair and ask a few known units, or unit 1 where none is known, to say what is wrong with it.

        `asking` takes the place of these units, as in `busprobe.wiring.hearing.hear`; nobody is asked where it is
        empty.  Kept under "listening", and with the `judgements` of a meter under "wiring".
        """
        known = [unit.address for unit in self.job.units() if unit.settings == str(self.line.settings)]
        if asking is None:
            asking = [probes(address) for address in a_few(known) or (FIRST,)]
        heard = hear(self.line, seconds, asking, expected=known)
        self.job.record("listening", heard.document())
        self.keep_wiring(judgements, heard)
        return heard

    def keep_wiring(self, judgements: Sequence[Judgement], heard: Hearing | None = None) -> dict[str, object]:
        """Keep what a meter showed and what was heard, with what failures say, under "wiring"; returns the document.

        What this time was not tried is carried on from the record before.
        """
        return keep_wiring(self.job, judgements, heard)

    # -- survey and identification -----------------------------------------------------------------------

    def survey(
        self,
        settings: Sequence[LineSettings],
        addresses: Collection[int],
        *,
        expect: int | None = None,
        resume: bool = False,
    ) -> RecordedSurvey:
        """A survey whose events are kept as they pass; with `resume` it goes on where the last one was cut off."""
        latest = self.job.latest_survey() if resume else None
        progress = latest.progress if latest and not latest.complete else None
        survey = Survey(self.line, settings, addresses, expect=expect, profiles=self.profiles, resume=progress)
        asked = {
            "port": self.line.name,
            "settings": [str(s) for s in settings],
            "addresses": format_addresses(addresses),
            "expect": expect,
        }
        return RecordedSurvey(self.job, self.line.name, survey, asked)

    def identify(self, address: int, settings: LineSettings) -> Identified:
        """Find out what answers at `address` and read its values; kept with its entry in the as-built list."""
        self.line.apply(settings)
        found = identify(self.line, address, self.profiles)
        found = replace(found, notes=(*found.notes, *self._unlike_siblings(found)))
        known = self.job.unit(address, str(settings)) or UnitRecord(address, str(settings))
        best = found.matches[0] if found.profile and found.matches else None
        factory = found.profile.factory if found.profile else None
        planned = self.planned(address)
        self.job.put_unit(
            replace(
                known,
                tag=known.tag or (planned.tag if planned else ""),
                location=known.location or (planned.location if planned else ""),
                position=known.position or (planned.position if planned else None),
                profile=found.profile.id if found.profile else known.profile,
                match=round(best.score, 3) if best else known.match,
                identity={**known.identity, **_said(found)},
                readings=tuple(reading.document() for reading in found.readings),
                factory_address=factory.address if factory else known.factory_address,
                notes=(*known.notes, *(note for note in found.notes if note not in known.notes)),
                seen=self.job.now(),
            )
        )
        return found

    def _unlike_siblings(self, found: Identified) -> tuple[str, ...]:
        """In what a unit differs from those of its type on the as-built list."""
        if found.profile is None or found.profile.generic:
            return ()
        others = [
            Sibling(unit.address, unit.settings, unit.identity.get("revision"))
            for unit in self.job.units()
            if unit.kind == "unit" and unit.profile == found.profile.id
        ]
        return differences(Sibling(found.address, str(found.settings), found.identity["revision"]), others)

    def planned(self, address: int) -> PlannedUnit | None:
        """What the plan of the bus says of an address."""
        return next((unit for unit in self.plan if unit.address == address), None)

    def look_again(self, address: int, settings: LineSettings) -> Examination:
        """Look closely at one address and bring its entry in the as-built list up to date."""
        self.line.apply(settings)
        seen = examine(self.line, address)
        known = self.job.unit(address, str(settings))
        if seen.kind is not Kind.SILENT:
            # Whoever answers now need not be who answered before: only the place is carried on.
            place = known and UnitRecord(
                address, str(settings), tag=known.tag, location=known.location, position=known.position
            )
            self.job.put_unit(unit_from_finding(seen.finding().document(), seen=self.job.now(), known=place))
        elif known is not None:
            self.job.remove_unit(address, str(settings))
        return seen

    def profile_of(self, address: int, settings: LineSettings) -> Profile | None:
        """The profile of a unit on the as-built list, where it has one."""
        unit = self.job.unit(address, str(settings))
        return self.store.profiles.get(unit.profile) if unit and unit.profile else None

    # -- readdress ---------------------------------------------------------------------------------------

    def prepare_move(
        self,
        settings: LineSettings,
        old: int,
        new: int,
        procedure: Procedure | None = None,
        report: Callable[[str], None] = lambda _: None,
    ) -> moving.Prepared:
        """Guard a move and put its frames together; raises `RefusedError`, or `UsageError` without a procedure.

        Without a `procedure`, the profile of the unit on the as-built list says how it is done.
        """
        if procedure is None:
            profile = self.profile_of(old, settings)
            if profile is None or profile.readdress is None:
                raise UsageError(
                    f"It is not known how the unit at address {old} takes a new address.",
                    todo="Identify it first, name a profile, or give the register from its data sheet by hand.",
                )
            procedure = Procedure.from_profile(profile)
        return self.prepare(moving.Move(settings, old, new, procedure), report)

    def prepare(self, move: moving.Move, report: Callable[[str], None] = lambda _: None) -> moving.Prepared:
        """Guard a move and put its frames together; raises `RefusedError`.

        A place that the list has given to another unit is refused before anything is asked on the wire.
        """
        if self.job.unit(move.new, str(move.target.settings)) is not None:
            raise RefusedError(
                f"The bus list has a unit at address {both_forms(move.new)}, {move.target.settings}.",
                means="It may only be switched off now, and would clash when it comes back.",
                todo="Choose another address, or take that entry off the list if the unit is gone for good.",
            )
        return moving.prepare(self.line, move, report)

    def move(
        self,
        prepared: moving.Prepared,
        confirm: Callable[[moving.Prepared], bool],
        report: Callable[[str], None] = lambda _: None,
    ) -> moving.Outcome:
        """Carry a move out once `confirm` says so; the journal and the as-built list are kept."""
        outcome = moving.execute(self.line, prepared, self.job, confirm, report)
        self.keep_move(outcome)
        return outcome

    def verify_again(self, outcome: moving.Outcome, report: Callable[[str], None] = lambda _: None) -> moving.Outcome:
        """Tell after a power cycle whether a move has taken effect and was kept."""
        move, verified = outcome.move, outcome.result is moving.Result.VERIFIED
        after = moving.verify_again(
            self.line,
            move,
            before=outcome.result,
            old_taken=verified and self.job.unit(move.old, str(move.settings)) is not None,
            journal=self.job,
            write=outcome.write,
            report=report,
        )
        self.keep_move(after)
        return after

    def keep_move(self, outcome: moving.Outcome) -> None:
        """Bring the as-built list up to date with a move, if it is a verified one."""
        if outcome.result is not moving.Result.VERIFIED:
            return
        move, settings, there = outcome.move, str(outcome.move.settings), str(outcome.move.target.settings)
        unit = self.job.unit(move.new, there)
        if unit is None or (there == settings and unit.previous_address != move.old):
            how = f"register {move.procedure.register}, function {move.procedure.function}"
            unit = self.job.move_unit(move.old, move.new, settings=settings, new_settings=there, how_set=how)
        planned = self.planned(move.new)
        if planned is not None:
            unit = replace(unit, tag=planned.tag, location=planned.location, position=planned.position)
        if outcome.power_cycled:
            unit = replace(unit, power_cycle_verified=True)
        self.job.put_unit(unit)

    def one_by_one(
        self,
        settings: LineSettings,
        factory: int,
        first: int,
        *,
        confirm: Callable[[moving.Prepared], bool],
        cancel: StopFlag,
        report: Callable[[str], None] = lambda _: None,
    ) -> Iterator[box.Step]:
        """Take a box of identical units from address `factory` to the planned addresses, or counting from `first`."""
        listed = {unit.address for unit in self.job.units()}
        planned = [
            box.Target(unit.address, unit.tag, unit.location) for unit in self.plan if unit.address not in listed
        ]
        loop = box.OneByOne(
            self.line,
            settings,
            factory,
            planned or box.counting_up(first, keep_free={factory, *listed}),
            identify=lambda _, address: self._one_of_the_box(address, settings),
            journal=self.job,
            confirm=confirm,
            cancel=cancel,
            report=report,
        )
        for step in loop.run():
            if isinstance(step, box.Moved):
                self.keep_move(step.outcome)
            yield step

    def _one_of_the_box(self, address: int, settings: LineSettings) -> box.Known:
        found = self.identify(address, settings)
        if found.profile is None:
            raise RefusedError(
                f"The unit at address {address} is not recognised.",
                means="It is not known how it takes a new address.",
                todo="Readdress it by hand with the register from its data sheet, or put it aside.",
            )
        words = " ".join((found.profile.maker, found.profile.model, found.identity.get("serial") or "")).strip()
        return box.Known(Procedure.from_profile(found.profile), words)

    def unfinished(self) -> tuple[WriteRecord, ...]:
        """Writes under way when the program or the port last failed; they are to be looked into first."""
        return self.job.unfinished_writes()

    def recover(self, report: Callable[[str], None] = lambda _: None) -> tuple[moving.Outcome, ...]:
        """Ask both addresses of every unfinished move and keep what is true; one outcome a move."""
        outcomes = recovery.recover(self.line, self.unfinished(), self.job, report)
        for outcome in outcomes:
            self.keep_move(outcome)
        return outcomes

    # -- prove and hand over -----------------------------------------------------------------------------

    def prove(
        self,
        *,
        minutes: float | None = None,
        rounds: int | None = None,
        stop: StopFlag | None = None,
        before: Proof | None = None,
    ) -> Iterator[endurance.Event]:
        """Poll every single unit of the as-built list; the proof is kept when the run ends.

        With `before` an earlier run of the same units goes on.  Raises `UsageError` where there is nothing to poll.
        """
        targets = [
            endurance.target(unit.address, settings, self.profile_of(unit.address, settings))
            for unit in self.job.units()
            if unit.kind == "unit"
            for settings in [LineSettings.parse(unit.settings)]
        ]
        plan = endurance.Plan(rounds, None if minutes is None else 60 * minutes)
        for event in endurance.endure(self.line, targets, plan, stop=stop, before=before):
            if isinstance(event, endurance.Finished):
                self._proven(event.proof)
            yield event

    def _proven(self, proof: Proof) -> None:
        self.job.record("prove", proof.document())
        for tally in proof.units:
            unit = self.job.unit(tally.address, str(tally.settings))
            if unit is not None and tally.polls:
                times = (tally.reply_times.minimum, tally.reply_times.median, tally.reply_times.maximum)
                counters = {"polls": tally.polls, **{str(kind): tally.count(kind) for kind in TallyKind}}
                latency = Latency(*(milliseconds(time) for time in times))
                self.job.put_unit(replace(unit, latency=latency, counters=counters))

    def bus_list(self) -> BusList:
        """The as-built bus list as the job has it now."""
        return assemble(self.job, self.store.profiles)

    def hand_over(self, folder: Path, formats: Sequence[str], *, overwrite: bool = False) -> list[Path]:
        """Write the papers; raises `RefusedError` rather than overwrite a file unasked."""
        return write(self.bus_list(), folder, formats, overwrite=overwrite)


def _said(found: Identified) -> dict[str, str]:
    """What a unit says of itself; what only its profile says is not put into its mouth."""
    said = {**found.identity, "server id": found.server_id}
    return {name: text for name, text in said.items() if text}
