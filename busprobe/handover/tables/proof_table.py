"""What the endurance run proved and what follows for the master, as a table."""

from __future__ import annotations

from collections.abc import Iterator

from busprobe.handover.bus_list import BusList
from busprobe.handover.known_bus import polling_of
from busprobe.handover.table import NOT_TESTED, Cell, Table
from busprobe.modbus.addresses import both_forms
from busprobe.prove.advice import Advised, advise
from busprobe.prove.documents import PROOF_FORMAT, stored_proof
from busprobe.prove.proof import Proof
from busprobe.prove.statistics import milliseconds
from busprobe.prove.words import findings, unit_words

COLUMNS = ("What", "Value", "Unit", "Note")


def proof_table(bus_list: BusList) -> Table:
    """Counts, findings, each unit's result and the advice for the master."""
    return Table("proof", "Proof", COLUMNS, tuple(_rows(bus_list)))


def latest_proof(bus_list: BusList) -> Proof | None:
    """The last endurance run as it was recorded; `None` without one in the format known here."""
    latest = bus_list.proof.latest if bus_list.proof else None
    if latest is None or latest.document.get("format") != PROOF_FORMAT:
        return None
    return stored_proof(latest.document)


def advice(bus_list: BusList) -> tuple[Advised, ...]:
    """What to set at the master, as far as the last endurance run and the points on the list
    allow."""
    proof = latest_proof(bus_list)
    return () if proof is None else advise(proof, polling_of(bus_list).table)


def _rows(bus_list: BusList) -> Iterator[tuple[Cell, ...]]:
    if bus_list.proof is None:
        yield "Endurance run", NOT_TESTED, "", "The units were not polled for any length of time."
        return
    yield (
        "Polls of all units listed",
        bus_list.proof.polls,
        "",
        f"{bus_list.proof.units} units were polled",
    )
    for kind, number in bus_list.proof.results.items():
        yield f"Ended as: {kind}", number, "", ""
    proof = latest_proof(bus_list)
    if proof is None or bus_list.proof.latest is None:
        return
    yield "Last run ended UTC", bus_list.proof.latest.made, "", ""
    yield "Last run complete", "yes" if proof.complete else "no", "", proof.interruption
    yield "Last run took", round(proof.seconds, 1), "s", f"{proof.rounds} rounds"
    yield "Last run: failed polls", proof.failed, "", f"of {proof.polls}"
    for words in findings(proof):
        yield "Finding", "", "", words
    for unit in proof.units:
        name = f"Unit {both_forms(unit.address)} {unit.settings}"
        yield f"{name}: failed polls", unit.failed, "", unit_words(unit)
        yield (
            f"{name}: 99 of 100 replies begin within",
            milliseconds(unit.reply_times.percentile(99)),
            "ms",
            "",
        )
    for item in advice(bus_list):
        yield f"Advice for the master: {item.name}", item.value, item.unit, item.reason
