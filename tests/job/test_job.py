from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar

import pytest

from busprobe.errors import RefusedError
from busprobe.job import Cabling, Circuit, Conclusion, Job, JobMeta, ReplyTimes, UnitRecord
from busprobe.job.journal import Result, Role, Row, WriteIntent
from busprobe.job.records import Document, EntryKind, PollResult
from busprobe.line.place import Place
from busprobe.modbus.requests import Function, RegisterWrite
from tests.job.conftest import Ticking
from tests.job.readings import reading

pytestmark = pytest.mark.usefixtures("quick_disk")

ONE, TWENTY = Place.parse("1 9600-8N1"), Place.parse("20 9600-8N1")
FULL = UnitRecord(
    place=Place.parse("12 9600-8N1"),
    kind=EntryKind.UNIT,
    tag="TT-12",
    location="Hall 2, panel B",
    position=3,
    profile="aldermoor-at-10",
    match=0.9,
    identity={"vendor": "Aldermoor Instruments", "product": "AT-10"},
    readings=(
        reading(
            "temperature",
            register=1,
            type="int16",
            unit="°C",
            scale=0.1,
            registers=(215,),
            value=21.5,
            text="21.5 °C",
            plausible=True,
        ),
    ),
    latency=ReplyTimes(8.1, 9.4, 15.0),
    previous_address=1,
    factory_address=1,
    how_set="register 257",
    power_cycle_verified=False,
    counters={PollResult.OK: 99, PollResult.SILENT: 1},
    circuits=(Circuit("L1", "7", "200/5", "A", "DB-3", "14", "chiller", True), Circuit("L2")),
    notes=("sits behind the fan",),
    seen="2026-03-02T08:00:00.000Z",
)


def finding(address: int, kind: str = "unit", settings: str = "9600-8N1") -> dict[str, Any]:
    return {
        "address": address,
        "settings": settings,
        "kind": kind,
        "evidence": ["01 03"],
        "notes": [],
    }


def reopened(job: Job) -> Job:
    job.close()
    return Job.open(job.path, now=Ticking())


def test_meta_is_kept_and_changed_one_by_one(job: Job) -> None:
    created = JobMeta(
        site="Mill Lane", segment="Hall 2", tester="R. Vale", created="2026-03-02T08:00:01.000Z"
    )
    assert job.meta == created
    job.set_meta(port="COM7", adapter="USB serial adapter")
    job.set_meta(tester="")
    with reopened(job) as again:
        assert again.meta == replace(created, port="COM7", adapter="USB serial adapter", tester="")


def test_open_or_create_starts_a_job_and_goes_on_with_it(path: Path) -> None:
    with Job.open_or_create(path) as job:
        job.set_state("step", "survey")
    with Job.open_or_create(path) as job:
        assert job.state("step", str) == "survey"


def test_text_with_undecodable_bytes_is_kept_visibly(job: Job) -> None:
    """A command line may hold bytes that are no text; Python carries them as lone surrogates."""
    job.set_meta(tester="Ren\udce9")
    write = job.intend_write(
        WriteIntent(
            role=Role.ADDRESS,
            source=Place.parse("1 9600-8N1"),
            target=Place.parse("2 9600-8N1"),
            write=RegisterWrite(257, (2,), Function.WRITE_SINGLE_REGISTER),
            request=b"\x01",
            words="\udce9",
        )
    )
    job.conclude_write(write, outcome=Result.REFUSED, reply=None, why="\udce9")
    assert job.meta.tester == "Ren\udce9"
    assert job.writes()[0].tester == "Ren\\udce9"
    assert job.writes()[0].conclusions[0].why == "\\udce9"


class TestSurveys:
    ASKED: ClassVar[Document] = {
        "port": "virtual:clean",
        "settings": ["9600-8N1"],
        "addresses": "1-247",
    }

    def test_none_before_the_first(self, job: Job) -> None:
        assert job.latest_survey() is None

    def test_one_that_was_cut_off_is_readable_with_its_findings_and_not_complete(
        self, job: Job
    ) -> None:
        survey = job.begin_survey(self.ASKED)
        job.add_finding(survey, finding(7))
        job.add_finding(survey, finding(3))
        job.progress(survey, {"next": 8})
        with reopened(job) as again:
            found = again.latest_survey()
            assert found is not None
            assert not found.complete
            assert found.ended is None
            assert found.asked == self.ASKED
            assert found.progress == {"next": 8}
            assert found.document == {
                "format": "busprobe.survey/1",
                **self.ASKED,
                "seconds": None,
                "complete": False,
                "findings": [finding(3), finding(7)],
            }

    def test_a_finding_replaces_that_of_the_same_address_and_settings_only(self, job: Job) -> None:
        survey = job.begin_survey(self.ASKED)
        job.add_finding(survey, finding(3, "unsure"))
        job.add_finding(survey, finding(3, "clash"))
        job.add_finding(survey, finding(3, "unit", "19200-8E1"))
        found = job.latest_survey()
        assert found is not None
        assert found.findings == (finding(3, "unit", "19200-8E1"), finding(3, "clash"))

    @pytest.mark.parametrize("complete", [True, False])
    def test_an_ended_survey_is_its_own_document(self, job: Job, complete: bool) -> None:
        survey = job.begin_survey(self.ASKED)
        job.add_finding(survey, finding(3, "unsure"))
        document = {**self.ASKED, "seconds": 1.5, "complete": complete, "findings": [finding(3)]}
        job.end_survey(survey, document)
        found = job.latest_survey()
        assert found is not None
        assert found.document == document
        assert found.findings == (finding(3),)
        assert found.complete is complete
        assert found.ended == "2026-03-02T08:00:03.000Z"

    def test_the_latest_is_the_one_begun_last(self, job: Job) -> None:
        first = job.begin_survey(self.ASKED)
        second = job.begin_survey({**self.ASKED, "addresses": "1-10"})
        job.add_finding(first, finding(3))
        found = job.latest_survey()
        assert found is not None
        assert (found.id, found.findings) == (second, ())

    def test_an_unknown_survey_is_a_lookup_error(self, job: Job) -> None:
        for call in (job.add_finding, job.progress, job.end_survey):
            with pytest.raises(LookupError, match="no survey 5"):
                call(5, finding(1))


class TestUnits:
    def test_every_field_comes_back(self, job: Job) -> None:
        job.put_unit(FULL)
        with reopened(job) as again:
            assert again.units() == (FULL,)
            assert again.unit(Place.parse("12 9600-8N1")) == FULL
            assert again.unit(Place.parse("12 19200-8E1")) is None

    def test_the_key_is_address_and_settings_and_the_order_is_by_address(self, job: Job) -> None:
        job.put_unit(FULL)
        job.put_unit(UnitRecord(Place.parse("2 19200-8E1"), EntryKind.UNSURE))
        job.put_unit(UnitRecord(Place.parse("12 19200-8E1"), EntryKind.CLASH))
        job.put_unit(replace(FULL, tag="TT-99"))
        assert [(str(unit.place), unit.tag) for unit in job.units()] == [
            ("2 19200-8E1", ""),
            ("12 9600-8N1", "TT-99"),
            ("12 19200-8E1", ""),
        ]

    def test_removing_takes_one_entry(self, job: Job) -> None:
        job.put_unit(FULL)
        job.put_unit(UnitRecord(Place.parse("12 19200-8E1")))
        job.remove_unit(Place.parse("12 9600-8N1"))
        assert job.units() == (UnitRecord(Place.parse("12 19200-8E1")),)

    def test_a_lone_unit_takes_its_entry_along(self, job: Job) -> None:
        job.put_unit(FULL)
        moved = job.move_unit(
            Place.parse("12 9600-8N1"),
            Place.parse("20 9600-8N1"),
            how_set="register 257",
            power_cycle_verified=True,
        )
        assert job.units() == (moved,)
        assert moved == replace(
            FULL,
            place=Place.parse("20 9600-8N1"),
            as_found=FULL.place,
            previous_address=12,
            how_set="register 257",
            power_cycle_verified=True,
            seen="2026-03-02T08:00:02.000Z",
            seen_by="R. Vale",
        )

    def test_a_mover_from_a_clash_starts_anew_and_the_clash_stays_with_a_note(
        self, job: Job
    ) -> None:
        """Nobody knows which of the two has moved, so neither identity nor readings go along."""
        clash = replace(FULL, place=Place.parse("1 9600-8N1"), kind=EntryKind.CLASH)
        job.put_unit(clash)
        moved = job.move_unit(ONE, TWENTY, how_set="register 257")
        left = job.unit(Place.parse("1 9600-8N1"))
        assert left is not None
        assert left.kind == "clash"
        assert (
            left.notes[-1]
            == "2026-03-02T08:00:02.000Z: one unit was moved from here to 20; not surveyed since."
        )
        assert moved == UnitRecord(
            Place.parse("20 9600-8N1"),
            as_found=ONE,
            previous_address=1,
            how_set="register 257",
            seen="2026-03-02T08:00:02.000Z",
            seen_by="R. Vale",
        )

    def test_a_mover_nobody_listed_gets_an_entry(self, job: Job) -> None:
        moved = job.move_unit(ONE, TWENTY, how_set="register 257")
        assert job.units() == (moved,)

    def test_a_move_never_hides_another_entry(self, job: Job) -> None:
        job.put_unit(FULL)
        job.put_unit(UnitRecord(Place.parse("1 9600-8N1")))
        with pytest.raises(RefusedError, match="already has an entry at address 12"):
            job.move_unit(ONE, FULL.place, how_set="register 257")
        assert job.units() == (UnitRecord(Place.parse("1 9600-8N1")), FULL)


class TestWrites:
    def intend(self, job: Job, to: int = 12) -> int:
        return job.intend_write(
            WriteIntent(
                role=Role.ADDRESS,
                source=Place.parse("1 9600-8N1"),
                target=Place.parse(f"{to} 9600-8N1"),
                write=RegisterWrite(257, (to,), Function.WRITE_SINGLE_REGISTER),
                request=bytes.fromhex("0106010100 0c"),
                words=f"Tell unit 1 to be unit {to} from now on.",
            )
        )

    def test_an_intent_is_unfinished_until_concluded(self, job: Job) -> None:
        self.intend(job)
        with reopened(job) as again:
            (write,) = again.unfinished_writes()
            assert write.request == bytes.fromhex("01060101000c")
            assert (write.role, write.source.address, write.target.address) == (Role.ADDRESS, 1, 12)
            assert (str(write.source.settings), write.tester) == ("9600-8N1", "R. Vale")
            assert write.words == "Tell unit 1 to be unit 12 from now on."
            assert write.intended == "2026-03-02T08:00:02.000Z"
            assert write.outcome is None
            again.conclude_write(
                write.id, outcome=Result.VERIFIED, reply=b"\x01\x02", why="12 answers, 1 is silent"
            )
            assert again.unfinished_writes() == ()

    def test_conclusions_add_up_and_the_last_counts(self, job: Job) -> None:
        write = self.intend(job)
        job.conclude_write(
            write, outcome=Result.WAITING, row=Row.PENDING, reply=b"\x01", why="1 still answers"
        )
        job.conclude_write(
            write,
            outcome=Result.VERIFIED,
            row=Row.KEPT,
            reply=None,
            why="12 answers after a power cycle",
        )
        (kept,) = job.writes()
        assert kept.outcome == "verified"
        assert kept.conclusions == (
            Conclusion(
                "2026-03-02T08:00:03.000Z", Result.WAITING, Row.PENDING, b"\x01", "1 still answers"
            ),
            Conclusion(
                "2026-03-02T08:00:04.000Z",
                Result.VERIFIED,
                Row.KEPT,
                None,
                "12 answers after a power cycle",
            ),
        )

    def test_all_writes_stay_in_order(self, job: Job) -> None:
        ids = [self.intend(job, to) for to in (12, 11, 13)]
        job.conclude_write(ids[1], outcome=Result.NOT_VERIFIED, reply=None, why="neither answers")
        assert [(write.id, write.target.address, write.outcome) for write in job.writes()] == [
            (ids[0], 12, None),
            (ids[1], 11, "not verified"),
            (ids[2], 13, None),
        ]
        assert [write.id for write in job.unfinished_writes()] == [ids[0], ids[2]]

    def test_an_unknown_write_is_a_lookup_error(self, job: Job) -> None:
        with pytest.raises(LookupError, match="no write 9"):
            job.conclude_write(9, outcome=Result.VERIFIED, reply=None, why="")


def test_step_documents_are_kept_in_order(job: Job) -> None:
    assert job.latest("wiring") is None
    ids = [job.record("wiring", {"idle_volts": volts}) for volts in (0.02, 0.31)]
    job.record("prove", {"polls": 100})
    assert [record.document for record in job.records("wiring")] == [
        {"idle_volts": 0.02},
        {"idle_volts": 0.31},
    ]
    latest = job.latest("wiring")
    assert latest is not None
    assert (latest.id, latest.step, latest.made) == (ids[1], "wiring", "2026-03-02T08:00:03.000Z")


def test_state_is_small_values_by_key(job: Job) -> None:
    assert job.state("step", str) is None
    job.set_state("step", "survey")
    job.set_state("step", "identify")
    job.set_state("notes.wiring", {"far end": ["no shield"]})
    with reopened(job) as again:
        assert again.state("step", str) == "identify"
        assert again.state("notes.wiring", dict[str, list[str]]) == {"far end": ["no shield"]}


def test_threads_can_write_at_once_and_nothing_is_lost(job: Job) -> None:
    """The wizard's workers share one job."""
    survey = job.begin_survey({})
    start = threading.Barrier(4)
    failures: list[Exception] = []

    def work(number: int) -> None:
        try:
            start.wait(timeout=10)
            for n in range(10):
                job.add_finding(survey, finding(number * 10 + n))
                job.record("prove", {"worker": number, "n": n})
                job.units()
        except Exception as error:  # noqa: BLE001 - reported by the main thread
            failures.append(error)

    workers = [threading.Thread(target=work, args=(number,)) for number in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert failures == []
    found = job.latest_survey()
    assert found is not None
    assert [each["address"] for each in found.findings] == list(range(40))
    kept = [record.document for record in job.records("prove")]
    assert all(
        [k["n"] for k in kept if k["worker"] == number] == list(range(10)) for number in range(4)
    )


def test_what_is_noted_of_the_pair_is_kept_and_replaced_as_a_whole(job: Job, path: Path) -> None:
    assert job.cabling == Cabling()
    job.set_cabling(Cabling(cable="2 x 2 x 0.5", length_m=120.5, terminator_at_master=True))
    job.set_cabling(Cabling(cable="2 x 2 x 0.8", length_m=120.5, keep_free="200-210"))
    job.close()
    with Job.open(path) as again:
        assert again.cabling == Cabling(cable="2 x 2 x 0.8", length_m=120.5, keep_free="200-210")
        assert again.meta.site == "Mill Lane"


def test_entries_revised_together_keep_what_another_thread_has_changed(job: Job) -> None:
    """Between reading an entry and writing it back nobody else gets in."""
    for address in (11, 12):
        job.put_unit(UnitRecord(Place.parse(f"{address} 9600-8N1")))

    def count(_: int) -> None:
        job.revise_units(
            lambda unit: replace(
                unit, counters={PollResult.OK: unit.counters.get(PollResult.OK, 0) + 1}
            )
        )

    with ThreadPoolExecutor(4) as pool:
        counted = [pool.submit(count, n) for n in range(20)]
        job.revise_units(lambda unit: replace(unit, tag=f"T-{unit.address}"))
        for one in counted:
            one.result()
    assert [(unit.tag, unit.counters[PollResult.OK]) for unit in job.units()] == [
        ("T-11", 20),
        ("T-12", 20),
    ]


def test_a_record_that_is_amended_stays_one_record_with_a_new_time(job: Job) -> None:
    number = job.record("prove", {"polls": 1})
    (before,) = job.records("prove")
    job.amend(number, {"polls": 2})
    (after,) = job.records("prove")
    assert (after.id, after.document) == (before.id, {"polls": 2})
    assert after.made > before.made
    with pytest.raises(LookupError):
        job.amend(number + 1, {})
