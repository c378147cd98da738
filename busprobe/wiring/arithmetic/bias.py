"""Fail-safe bias: what an idle pair settles at, and which resistors give a wanted voltage.

Two models of a unit load of 12 kΩ are in print and differ by a factor of two in its effect between
the wires: across the pair (B&B Electronics RS-422/485 Application Note, pages 17-19), or from each
wire to common (as the unit load is defined by its input current, SP485 datasheet).  `LoadModel`
says which one is meant.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from busprobe.errors import UsageError
from busprobe.wiring.arithmetic.plausibility import require

UNIT_LOAD = 12_000.0
"""Ω of one unit load (TI SN75ALS174 datasheet SLLSFU5A, 'Bus Loading'; National AN-1057)."""

THRESHOLD = 0.2
"""V between the wires that every receiver must recognise; between -0.2 and +0.2 V the output is
undefined (TIA/EIA-485-A as given in TI 'RS-485 basics: two ways to fail-safe bias your network',
2016)."""

LEAST_DRIVER_LOAD = 54.0
"""Ω into which a driver must still make 1.5 V (TIA/EIA-485-A as given in TI SLLA628, 2023)."""


class LoadModel(StrEnum):
    """Where a unit load sits in the sum."""

    TO_COMMON = "each wire to common"
    ACROSS_PAIR = "across the pair"


@dataclass(frozen=True)
class Network:
    """What is connected to an idle pair."""

    supply: float
    """V of the bias supply against common."""
    pull_up: float
    """Ω from the supply to D1 (idle positive)."""
    pull_down: float
    """Ω from D0 to common."""
    terminators: tuple[float, ...] = (120.0, 120.0)
    """Ω of each terminator that passes direct current; one in series with a capacitor does not
    count."""
    unit_loads: float = 0.0
    """How many unit loads of receivers."""
    model: LoadModel = LoadModel.TO_COMMON


@dataclass(frozen=True)
class Idle:
    """What an idle pair settles at."""

    d1: float
    """V of D1 against common."""
    d0: float
    """V of D0 against common."""
    current: float
    """A drawn from the bias supply."""

    @property
    def difference(self) -> float:
        """V of D1 over D0; a receiver needs `THRESHOLD`."""
        return self.d1 - self.d0


def parallel(*ohms: float) -> float:
    """Ω of resistors in parallel; infinite for none.  Kirchhoff's current law."""
    conductance = sum(1 / require(r, "A resistor", "Ω") for r in ohms if r != float("inf"))
    return 1 / conductance if conductance else float("inf")


def idle(network: Network) -> Idle:
    """Voltages and current of an idle `network`, by Kirchhoff's current law at both wires; raises
    `UsageError`."""
    supply = require(network.supply, "The supply", "V")
    up = 1 / require(network.pull_up, "The pull-up", "Ω")
    down = 1 / require(network.pull_down, "The pull-down", "Ω")
    to_common, across = _conductances(network.unit_loads, network.terminators, network.model)
    # (supply - d1) up = d1 to_common + (d1 - d0) across  and  (d1 - d0) across = d0 (down +
    # to_common)
    at_d1 = up + to_common + across
    at_d0 = down + to_common + across
    determinant = at_d1 * at_d0 - across * across
    d1 = supply * up * at_d0 / determinant
    d0 = supply * up * across / determinant
    return Idle(d1, d0, (supply - d1) * up)


def driver_load(
    terminators: Sequence[float], unit_loads: float, bias: float = float("inf")
) -> float:
    """Ω a driver works into: terminators, receivers and bias pair (pull-up plus pull-down, Ω) in
    parallel.

    Unit loads count across the pair, as in the published 32 unit loads = 375 Ω (B&B RS-422/485
    Application Note, page 19).  Below `LEAST_DRIVER_LOAD` no driver is bound to reach 1.5 V.
    """
    return parallel(*terminators, bias, _units(unit_loads))


def bias_resistors(
    supply: float,
    wanted: float,
    terminators: Sequence[float],
    unit_loads: float,
    model: LoadModel = LoadModel.TO_COMMON,
) -> float:
    """Largest Ω of two equal bias resistors that hold an idle pair at `wanted` V; raises
    `UsageError`.

    `idle` solved for equal resistors: R = (supply / wanted - 1) / (loads + 2 / terminators), where
    the loads count once to common and twice across the pair.  In the latter model it is half the
    sum that the B&B RS-422/485 Application Note, page 19, arrives at.
    """
    load = _wanted_load(supply, wanted, terminators, unit_loads, model)
    if load == 0:
        raise UsageError(
            "With no terminator and no unit load any bias resistor holds the pair.",
            todo="Give the terminators or the unit loads that are connected.",
        )
    return (supply / wanted - 1) / load


@dataclass(frozen=True)
class MatchedBias:
    """Bias resistors with a terminator beside them that together match the cable."""

    resistor: float
    """Ω of the pull-up and of the pull-down."""
    near_terminator: float
    """Ω of the terminator beside them; the far end keeps the cable's own impedance."""


def matched_bias(
    supply: float,
    wanted: float,
    impedance: float,
    unit_loads: float,
    model: LoadModel = LoadModel.TO_COMMON,
) -> MatchedBias:
    """Bias for `wanted` V with the near terminator enlarged so that the end still matches
    `impedance` Ω.

    R = (supply / wanted) / (loads + 4 / impedance): the form of TI SLLA272 and SLYT324 (from
    memory), rederived here.
    """
    load = _wanted_load(supply, wanted, (impedance, impedance), unit_loads, model)
    resistor = supply / wanted / load
    return MatchedBias(resistor, near_terminator(resistor, impedance))


def near_terminator(resistor: float, impedance: float) -> float:
    """Ω beside a bias pair of two times `resistor` Ω so that both together are `impedance` Ω;
    raises `UsageError`.

    RT = 2 R Z / (2 R - Z): 'Serial Port Complete' (Axelson), chapter 7.
    """
    pair = 2 * require(resistor, "A bias resistor", "Ω")
    if pair <= require(impedance, "The impedance", "Ω"):
        raise UsageError(
            f"A bias pair of {pair:g} Ω is already below the cable's {impedance:g} Ω.",
            todo="Take larger bias resistors.",
        )
    return pair * impedance / (pair - impedance)


def _units(unit_loads: float) -> float:
    """Ω of `unit_loads` receivers in parallel."""
    require(unit_loads, "The receivers' load", "unit loads", zero=True)
    return UNIT_LOAD / unit_loads if unit_loads else float("inf")


def _conductances(
    unit_loads: float, terminators: Sequence[float], model: LoadModel
) -> tuple[float, float]:
    """Siemens from each wire to common, and between the wires."""
    loads = 1 / _units(unit_loads)
    ends = 1 / parallel(*terminators)
    return (loads, ends) if model is LoadModel.TO_COMMON else (0.0, ends + loads)


def _wanted_load(
    supply: float, wanted: float, terminators: Sequence[float], unit_loads: float, model: LoadModel
) -> float:
    """Siemens that one bias resistor of an equal pair has to hold at `wanted` V."""
    require(supply, "The supply", "V")
    if require(wanted, "The idle voltage", "V") >= supply:
        raise UsageError(
            f"No resistor makes {wanted:g} V from a supply of {supply:g} V.",
            todo="Ask for less than the supply.",
        )
    to_common, across = _conductances(unit_loads, terminators, model)
    return to_common + 2 * across
