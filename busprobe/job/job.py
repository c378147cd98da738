"""The job: one file that every step reads from and writes to, and a crashed laptop goes on from."""

from __future__ import annotations

import json
import logging
import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from busprobe.errors import RefusedError, UsageError
from busprobe.files.documents import from_document, to_document
from busprobe.job.database import Database, damaged, storable
from busprobe.job.journal import (
    Conclusion,
    ProcedureStep,
    Result,
    Role,
    Row,
    WriteIntent,
    WriteRecord,
)
from busprobe.job.records import (
    Cabling,
    Document,
    EntryKind,
    JobMeta,
    StepRecord,
    SurveyRecord,
    UnitRecord,
)
from busprobe.line.place import Place
from busprobe.modbus.requests import Function, RegisterWrite

T = TypeVar("T")

_LOG = logging.getLogger(__name__)

SURVEY_FORMAT = "busprobe.survey/1"
"""Format name of the survey documents kept here."""


def utc_now() -> datetime:
    """The computer's time, in UTC."""
    return datetime.now(UTC)


class Job:
    """An open job file.

    Usable from several threads.  Every method may raise `FileError` (disk full, file busy, damaged
    or closed); what it says it stores is on the disk when it returns.  Ids that the job does not
    have raise LookupError.
    """

    def __init__(self, database: Database, now: Callable[[], datetime] = utc_now) -> None:
        self._database = database
        self._now = now
        _LOG.info("the job in %s is open", self.path)

    # -- the file
    # ----------------------------------------------------------------------------------------

    @classmethod
    def create(
        cls,
        path: Path,
        *,
        site: str = "",
        segment: str = "",
        tester: str = "",
        now: Callable[[], datetime] = utc_now,
    ) -> Self:
        """Start a new job; raises `FileError` where there is a file already or none can be made."""
        meta = {"site": site, "segment": segment, "tester": tester, "created": _stamp(now())}
        return cls(Database.create(path, lambda connection: _put_about(connection, meta)), now)

    @classmethod
    def open(cls, path: Path, *, now: Callable[[], datetime] = utc_now) -> Self:
        """Open an existing job; raises `FileError` where that is no usable job file."""
        return cls(Database.open(path), now)

    @classmethod
    def open_or_create(cls, path: Path, *, now: Callable[[], datetime] = utc_now) -> Self:
        """Open the job, or start it where there is no such file."""
        return cls.open(path, now=now) if os.path.lexists(path) else cls.create(path, now=now)

    @property
    def path(self) -> Path:
        """The job file."""
        return self._database.path

    def close(self) -> None:
        """Close the file; nothing is lost by not calling this."""
        self._database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @contextmanager
    def together(self) -> Iterator[None]:
        """All that is done to the job inside is on the disk together at the end, or not at all."""
        with self._database.writing():
            yield

    def now(self) -> str:
        """The moment as this job writes it: UTC, ISO 8601."""
        return _stamp(self._now())

    # -- about the job
    # -----------------------------------------------------------------------------------

    @property
    def meta(self) -> JobMeta:
        """Where the job is done, by whom and through what."""
        known = {field.name for field in fields(JobMeta)}
        with self._database.reading() as connection:
            rows = connection.execute("SELECT key, value FROM about").fetchall()
        values = {row["key"]: self._load(row["value"]) for row in rows if row["key"] in known}
        return self._read(JobMeta, values, "what is said about the job")

    def set_meta(self, **given: str) -> None:
        """Change the given fields of `JobMeta`, keep the rest; raises TypeError for what is
        none."""
        replace(self.meta, **given)
        with self._database.writing() as connection:
            _put_about(connection, given)

    @property
    def cabling(self) -> Cabling:
        """What was noted of the pair of wires."""
        with self._database.reading() as connection:
            row = connection.execute("SELECT value FROM about WHERE key = 'cabling'").fetchone()
        if row is None:
            return Cabling()
        return self._read(Cabling, self._load(row["value"]), "what is said of the cable")

    def set_cabling(self, cabling: Cabling) -> None:
        """Note this of the pair of wires, in place of what was noted before."""
        with self._database.writing() as connection:
            _put_about(connection, {"cabling": to_document(cabling)})

    # -- surveys
    # -----------------------------------------------------------------------------------------

    def begin_survey(self, asked: Document) -> int:
        """Note that a survey starts and what is asked of it (port, settings, addresses); return its
        id."""
        return self._insert(
            "INSERT INTO survey (begun, asked) VALUES (?, ?)", self.now(), json.dumps(asked)
        )

    def add_finding(self, survey: int, finding: Document) -> None:
        """Keep a finding while the survey runs; replaces an earlier one for the same address and
        settings."""
        row = (survey, finding["address"], finding["settings"], json.dumps(finding))
        with self._database.writing() as connection:
            _require(connection, "survey", survey)
            connection.execute("INSERT OR REPLACE INTO finding VALUES (?, ?, ?, ?)", row)

    def progress(self, survey: int, document: Document) -> None:
        """Keep the state a survey can be resumed from; what is in it is the survey's business."""
        self._update_survey(survey, "progress = ?", json.dumps(document))

    def end_survey(self, survey: int, document: Document) -> None:
        """Keep the whole survey document, complete or not; it takes the place of the single
        findings."""
        self._update_survey(survey, "ended = ?, document = ?", self.now(), json.dumps(document))

    def latest_survey(self) -> SurveyRecord | None:
        """The survey begun last, with what it had found if it was cut off; `None` before the
        first."""
        with self._database.reading() as connection:
            row = connection.execute("SELECT * FROM survey ORDER BY id DESC LIMIT 1").fetchone()
            if row is None:
                return None
            findings = connection.execute(
                "SELECT document FROM finding WHERE survey = ? ORDER BY address, settings",
                (row["id"],),
            ).fetchall()
        asked = self._load_document(row["asked"])
        return SurveyRecord(
            id=row["id"],
            begun=row["begun"],
            ended=row["ended"],
            asked=asked,
            progress=None if row["progress"] is None else self._load_document(row["progress"]),
            document=(
                {
                    "format": SURVEY_FORMAT,
                    **asked,
                    "seconds": None,
                    "complete": False,
                    "findings": [self._load_document(found["document"]) for found in findings],
                }
                if row["document"] is None
                else self._load_document(row["document"])
            ),
        )

    def _update_survey(self, survey: int, change: str, *values: str) -> None:
        with self._database.writing() as connection:
            _require(connection, "survey", survey)
            connection.execute(f"UPDATE survey SET {change} WHERE id = ?", (*values, survey))  # noqa: S608 - ours

    # -- the as-built list
    # -------------------------------------------------------------------------------

    def put_unit(self, unit: UnitRecord) -> None:
        """Put a unit on the list, in place of what was there at its address and settings."""
        with self._database.writing() as connection:
            _put_unit(connection, unit)

    def revise_units(self, change: Callable[[UnitRecord], UnitRecord]) -> None:
        """Let `change` look at each entry and give it back, the same or another; all at once.

        What another thread changes meanwhile is not lost, as it would be between `unit` and
        `put_unit`.  `change` must not use the job.
        """
        with self._database.writing() as connection:
            rows = connection.execute("SELECT place, document FROM unit").fetchall()
            for row in rows:
                before = self._load_unit(row["document"])
                after = change(before)
                if after != before:
                    connection.execute("DELETE FROM unit WHERE place = ?", (row["place"],))
                    _put_unit(connection, after)

    def unit(self, place: Place) -> UnitRecord | None:
        """The entry for this place, if there is one."""
        with self._database.reading() as connection:
            return self._unit(connection, place)

    def units(self) -> tuple[UnitRecord, ...]:
        """The as-built list, in the order of places."""
        with self._database.reading() as connection:
            rows = connection.execute("SELECT document FROM unit").fetchall()
        units = (self._load_unit(row["document"]) for row in rows)
        return tuple(sorted(units, key=lambda unit: unit.place))

    def remove_unit(self, place: Place) -> None:
        """Take an entry off the list, because what it said is not so any more."""
        with self._database.writing() as connection:
            _remove_unit(connection, place)

    def move_unit(
        self,
        old: Place,
        new: Place,
        *,
        how_set: str,
        power_cycle_verified: bool | None = None,
        kind: EntryKind = EntryKind.UNIT,
        was_aside: bool = False,
    ) -> UnitRecord:
        """After a verified change of address, or of line settings, put the unit where it is now;
        return its entry.

        A lone unit takes its entry along.  From a clash or an unsure finding nobody knows which of
        the devices moved: the mover starts a new entry, and the old one stays, with a note, until
        somebody looks again.  A unit that `was_aside` waited at the old address for its own: that
        one is not kept as its previous address.  Raises `RefusedError` where the list has an entry
        at the new place; look with `unit()` before writing.
        """
        tester = self.meta.tester
        with self._database.writing() as connection:
            if self._unit(connection, new) is not None:
                raise RefusedError(
                    f"The list already has an entry at address {new.address}, {new.settings}.",
                    means="Moving another unit there would make one of them disappear from the"
                    " list.",
                    todo="Survey that address again, or take the entry off the list if the unit is"
                    " gone.",
                )
            now = self.now()
            source = self._unit(connection, old)
            if source is not None and source.single:
                _remove_unit(connection, old)
                moved = replace(source, place=new, as_found=source.found_at, sample=())
            else:
                moved = UnitRecord(new, kind=kind, as_found=old)
                if source is not None:
                    note = (
                        f"{now}: one unit was moved from here to {new.address}; not surveyed since."
                    )
                    _put_unit(connection, replace(source, notes=(*source.notes, note)))
            moved = replace(
                moved, power_cycle_verified=power_cycle_verified, seen=now, seen_by=tester
            )
            if new.settings == old.settings:
                before = moved.previous_address if was_aside else old.address
                moved = replace(moved, previous_address=before, how_set=how_set)
            else:
                note = f"{now}: line settings changed from {old.settings}; {how_set}."
                moved = replace(moved, notes=(*moved.notes, note))
            _put_unit(connection, moved)
        return moved

    def _unit(self, connection: sqlite3.Connection, place: Place) -> UnitRecord | None:
        row = connection.execute(
            "SELECT document FROM unit WHERE place = ?", (str(place),)
        ).fetchone()
        return None if row is None else self._load_unit(row["document"])

    def _load_unit(self, text: str) -> UnitRecord:
        return self._read(UnitRecord, self._load(text), "the entry of a unit")

    # -- the journal of writes
    # ---------------------------------------------------------------------------

    def intend_write(self, intent: WriteIntent) -> int:
        """Note a write that is about to be sent; return its id once that is on the disk."""
        with self._database.writing() as connection:
            cursor = connection.execute(
                "INSERT INTO write (move, intended, tester, role, source, target, register,"
                " function, value_list, about, request, words, held)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    intent.move,
                    self.now(),
                    storable(self.meta.tester),
                    intent.role,
                    str(intent.source),
                    str(intent.target),
                    *_columns(intent.write),
                    intent.request,
                    storable(intent.words),
                    intent.held,
                ),
            )
            number = int(cursor.lastrowid or 0)
            connection.executemany(
                "INSERT INTO planned_step (move, position, role, place, register, function,"
                " value_list, about, lasts_s) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (
                        number,
                        position,
                        step.role,
                        str(step.place),
                        *_columns(step.write),
                        step.lasts_s,
                    )
                    for position, step in enumerate(intent.planned)
                ],
            )
        _LOG.info("write %d to %s is intended: %s", number, intent.source, intent.words)
        return number

    def conclude_write(
        self,
        write: int,
        outcome: Result,
        *,
        row: Row | None = None,
        reply: bytes | None,
        why: str,
        holds: int | None = None,
    ) -> None:
        """Note what became of a write; a later conclusion (after a power cycle) is added to the
        earlier."""
        with self._database.writing() as connection:
            _require(connection, "write", write)
            connection.execute(
                "INSERT INTO conclusion (write, made, outcome, row, reply, why, holds)"
                " VALUES (?, ?, ?, ?, ?, ?, ?)",
                (write, self.now(), outcome, row, reply, storable(why), holds),
            )
        _LOG.info("write %d is concluded: %s; %s", write, outcome, why)

    def unfinished_writes(self) -> tuple[WriteRecord, ...]:
        """Writes of which nobody noted what became: the program ended between intent and
        conclusion."""
        return tuple(write for write in self.writes() if not write.conclusions)

    def writes(self) -> tuple[WriteRecord, ...]:
        """Every write that was ever about to be sent, in order."""
        with self._database.reading() as connection:
            rows = connection.execute("SELECT * FROM write ORDER BY id").fetchall()
            made = connection.execute("SELECT * FROM conclusion ORDER BY id").fetchall()
            steps = connection.execute(
                "SELECT * FROM planned_step ORDER BY move, position"
            ).fetchall()
        with self.as_stored("an entry of the journal"):
            return _write_records(rows, steps, made)

    # -- what the steps leave
    # ----------------------------------------------------------------------------

    def record(self, step: str, document: Document) -> int:
        """Keep a document under a step's name (a meter reading, a proof, a caution
        acknowledged)."""
        return self._insert(
            "INSERT INTO record (step, made, document) VALUES (?, ?, ?)",
            step,
            self.now(),
            json.dumps(document),
        )

    def amend(self, record: int, document: Document) -> None:
        """Put `document` in the place of one kept earlier: what goes on is one record and not
        several."""
        with self._database.writing() as connection:
            _require(connection, "record", record)
            connection.execute(
                "UPDATE record SET made = ?, document = ? WHERE id = ?",
                (self.now(), json.dumps(document), record),
            )

    def records(self, step: str) -> tuple[StepRecord, ...]:
        """All documents a step left, oldest first."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT id, step, made, document FROM record WHERE step = ? ORDER BY id", (step,)
            ).fetchall()
        return tuple(
            StepRecord(row["id"], row["step"], row["made"], self._load_document(row["document"]))
            for row in rows
        )

    def latest(self, step: str) -> StepRecord | None:
        """The document a step left last, if any."""
        records = self.records(step)
        return records[-1] if records else None

    def state(self, key: str, kind: type[T]) -> T | None:
        """What `set_state` was last given for the key, a value of this kind; `None` when nothing
        was."""
        with self._database.reading() as connection:
            row = connection.execute("SELECT value FROM state WHERE key = ?", (key,)).fetchone()
        value = None if row is None else self._load(row["value"])
        return None if value is None else self._read(kind, value, f"what is kept under {key}")

    def set_state(self, key: str, value: Any) -> None:
        """Keep a small value of the wizard (the last step, a step's notes); anything JSON can
        say."""
        with self._database.writing() as connection:
            connection.execute(
                "INSERT OR REPLACE INTO state VALUES (?, ?)", (key, json.dumps(value))
            )

    @contextmanager
    def as_stored(self, what: str = "a stored document") -> Iterator[None]:
        """What is read out of stored documents inside is damage of the file where it is not as it
        was stored: raises `FileError` then."""
        try:
            yield
        except (
            AttributeError,
            LookupError,
            RecursionError,
            TypeError,
            ValueError,
            UsageError,
        ) as error:
            raise damaged(self.path, f"{what} is damaged ({error})") from error

    # -- helpers
    # -----------------------------------------------------------------------------------------

    def _insert(self, statement: str, *values: str) -> int:
        with self._database.writing() as connection:
            cursor = connection.execute(statement, [storable(value) for value in values])
        return int(cursor.lastrowid or 0)

    def _load(self, text: str) -> Any:
        try:
            return json.loads(text)
        except (ValueError, RecursionError) as error:
            raise damaged(self.path, f"a stored document is damaged ({error})") from error

    def _load_document(self, text: str) -> Document:
        loaded = self._load(text)
        if not isinstance(loaded, dict):
            raise damaged(self.path, "a stored document is damaged (it has no fields)")
        return loaded

    def _read(self, kind: type[T], document: Any, what: str) -> T:
        try:
            return from_document(kind, document)
        except ValueError as error:
            raise damaged(self.path, f"{what} is damaged ({error})") from error


def _stamp(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _put_about(connection: sqlite3.Connection, values: Mapping[str, Any]) -> None:
    connection.executemany(
        "INSERT OR REPLACE INTO about VALUES (?, ?)",
        [(key, json.dumps(value)) for key, value in values.items()],
    )


def _put_unit(connection: sqlite3.Connection, unit: UnitRecord) -> None:
    row = (str(unit.place), json.dumps(to_document(unit)))
    connection.execute("INSERT OR REPLACE INTO unit VALUES (?, ?)", row)


def _remove_unit(connection: sqlite3.Connection, place: Place) -> None:
    connection.execute("DELETE FROM unit WHERE place = ?", (str(place),))


def _write_records(
    rows: Sequence[sqlite3.Row], steps: Sequence[sqlite3.Row], made: Sequence[sqlite3.Row]
) -> tuple[WriteRecord, ...]:
    """The journal from the rows of its three tables; raises ValueError or `UsageError` on what
    none is."""
    conclusions: dict[int, list[Conclusion]] = {row["id"]: [] for row in rows}
    for row in made:
        conclusions[row["write"]].append(
            Conclusion(
                row["made"],
                Result(row["outcome"]),
                None if row["row"] is None else Row(row["row"]),
                row["reply"],
                row["why"],
                row["holds"],
            )
        )
    planned: dict[int, list[ProcedureStep]] = {row["id"]: [] for row in rows}
    for row in steps:
        planned[row["move"]].append(
            ProcedureStep(
                Role(row["role"]), Place.parse(row["place"]), _register_write(row), row["lasts_s"]
            )
        )
    return tuple(
        WriteRecord(
            id=row["id"],
            move=row["move"] or row["id"],
            intended=row["intended"],
            tester=row["tester"],
            role=Role(row["role"]),
            source=Place.parse(row["source"]),
            target=Place.parse(row["target"]),
            write=_register_write(row),
            request=row["request"],
            words=row["words"],
            planned=tuple(planned[row["id"]]),
            held=row["held"],
            conclusions=tuple(conclusions[row["id"]]),
        )
        for row in rows
    )


def _columns(write: RegisterWrite) -> tuple[int, int, str, int]:
    return write.register, write.function, json.dumps(write.values), write.about


def _register_write(row: sqlite3.Row) -> RegisterWrite:
    values = tuple(json.loads(row["value_list"]))
    if not values or not all(type(value) is int and 0 <= value <= 0xFFFF for value in values):
        raise ValueError(f"{row['value_list']} are no register values")
    return RegisterWrite(row["register"], values, Function(row["function"]), row["about"])


def _require(connection: sqlite3.Connection, table: str, key: int) -> None:
    if connection.execute(f"SELECT 1 FROM {table} WHERE id = ?", (key,)).fetchone() is None:  # noqa: S608 - ours
        raise LookupError(f"this job has no {table} {key}")
