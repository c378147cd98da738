"""What has to be written so that every unit is where it should be: from the as-built list to moves
in their order.

Where units should be comes from the plan of the bus, from good practice along the cable, or from
the technician; which way round the moves go is worked out by `busprobe.readdress.move_order`.
Nothing here touches the line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

from busprobe.errors import RefusedError, UsageError
from busprobe.job.journal import Role
from busprobe.job.plan import PlannedUnit
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import FIRST, LAST, both_forms
from busprobe.profiles.schema import Profile
from busprobe.readdress.claims import Claim
from busprobe.readdress.line_settings import change_of_settings, plan_settings
from busprobe.readdress.move_order import order_moves, propose_addresses, remarks
from busprobe.readdress.procedure import Move, Procedure


@dataclass(frozen=True)
class ListedUnit:
    """One unit of the as-built list and where it is now."""

    place: Place
    tag: str
    profile: str
    """Id of its device type; empty where that is not known."""
    serial: str = ""
    """Its serial number; empty where that is not known."""

    @property
    def name(self) -> str:
        """Tag and device type, as far as they are known."""
        return " ".join(part for part in (self.tag, self.profile) if part) or "unknown unit"

    def __str__(self) -> str:
        return f"{self.name} ({self.place.settings})"


@dataclass(frozen=True)
class MoveList:
    """Moves in the order in which they can be made."""

    moves: tuple[Move, ...]
    words: tuple[str, ...]
    """Each move in a sentence."""
    remarks: tuple[str, ...]
    """What cannot be done by a write, and what good practice has to say."""
    complete: bool = True
    """Whether these moves bring every unit to where it should be; good practice says nothing of
    that."""


@dataclass(frozen=True)
class Goal:
    """Where units should be; those it does not name stay."""

    addresses: Mapping[ListedUnit, int]
    remarks: tuple[str, ...] = ()
    offered: Mapping[ListedUnit, int] = field(default_factory=dict)
    """Addresses that fit a unit by its type alone: a person has to say whether it is that one."""


@dataclass(frozen=True)
class Practice:
    """Good practice where no plan says otherwise (common practice); each rule can be changed."""

    first: int = 10
    """Where counting starts."""
    spares: int = 0
    """Addresses left free between two units."""
    along_cable: bool = True
    """Whether units are counted in their order along the cable, as far as that is known, or by
    present address."""
    factory_free: bool = True
    """Whether the addresses of units out of the box stay free: 1, 247, and what the profiles say.
    """
    only_needed: bool = False
    """Whether only units at such an address, or at one that two units share, get another."""


class ListedBus:
    """The as-built list with what the profiles know of its units."""

    def __init__(
        self,
        units: Iterable[UnitRecord],
        profiles: Mapping[str, Profile],
        claimed: Iterable[Claim] = (),
    ) -> None:
        """Plan for `units`; `profiles` by their ids.  What is `claimed` is not free for others."""
        listed = sorted(
            units, key=lambda unit: (unit.position is None, unit.position or 0, unit.address)
        )
        self.units = tuple(
            ListedUnit(u.place, u.tag, u.profile or "", u.serial) for u in listed if u.single
        )
        """Single units, in order along the cable as far as that is known."""
        self._not_single = {u.address: u.kind for u in listed if not u.single}
        self._profiles = profiles
        self._claimed = {claim.place.address: claim for claim in claimed}

    def from_plan(
        self, plan: Sequence[PlannedUnit], chosen: Mapping[Place, int] | None = None
    ) -> Goal:
        """Where the plan of the bus wants the units; `chosen` is what a person said of some.

        A unit takes the entry that was chosen for it, then that of its tag, of its serial number,
        of its address; but for the chosen one, always one that its type fits.  By its type alone
        identical units cannot be told apart: what is left is only offered.
        """
        free = list(plan)
        wanted: dict[ListedUnit, int] = {}
        offered: dict[ListedUnit, int] = {}
        said = chosen or {}

        def assign(
            units: Iterable[ListedUnit],
            is_the_one: Callable[[ListedUnit, PlannedUnit], bool],
            to: dict[ListedUnit, int],
        ) -> None:
            for unit in units:
                entry = next((entry for entry in free if is_the_one(unit, entry)), None)
                if entry is not None:
                    to[unit] = entry.address
                    free.remove(entry)

        assign(self.units, lambda unit, entry: said.get(unit.place) == entry.address, wanted)
        by: tuple[Callable[[ListedUnit, PlannedUnit], bool], ...] = (
            lambda unit, entry: entry.tag == unit.tag,
            lambda unit, entry: entry.serial == unit.serial != "",
            lambda unit, entry: entry.address == unit.place.address,
        )
        for same in by:
            left = [unit for unit in self.units if unit not in wanted and unit.place not in said]
            assign(left, partial(_fits, same), wanted)
        left = [unit for unit in self.units if unit not in wanted and unit.place not in said]
        assign(left, partial(_fits, lambda *_: True), offered)
        guesses = [
            f"{unit} at {both_forms(unit.place.address)} is offered {both_forms(address)} by its"
            f" type alone: accept that with Enter in step 5, or with --set {unit.place.address}="
            f"{address}."
            for unit, address in offered.items()
        ]
        missing = [
            f"No unit was found for {entry.tag} at {both_forms(entry.address)}." for entry in free
        ]
        extra = [
            f"{unit} at {both_forms(unit.place.address)} is not planned."
            for unit in self.units
            if unit not in wanted and unit not in offered and unit.place not in said
        ]
        return Goal(wanted, (*guesses, *missing, *extra), offered)

    def counted_up(self, practice: Practice) -> Goal:
        """Addresses by good practice; a unit that has to be set by hand keeps its own, unless it
        cannot stay there.

        Raises `UsageError` if there are not enough addresses.
        """
        counted = [
            unit
            for unit in self.units
            if self._needs_another(unit)
            or not (practice.only_needed or self._procedure(unit) is None)
        ]
        if not practice.along_cable:
            counted.sort(key=lambda unit: (unit.place.address, unit.place.settings))
        staying = {unit.place.address for unit in self.units if unit not in counted}
        keep_free = {*self._not_single, *self._claimed, *staying}
        if practice.factory_free:
            keep_free |= {FIRST, LAST, *self._factories()}
        proposal = propose_addresses(
            counted, first=practice.first, spares=practice.spares, keep_free=keep_free
        )
        return Goal(proposal)

    def changed(self, goal: Goal, wishes: Mapping[int, int]) -> Goal:
        """The same goal with the technician's own: present address to wanted one; raises
        `UsageError`."""
        addresses = {**goal.addresses, **self._wished(wishes)}
        return Goal(addresses, goal.remarks, goal.offered)

    def chosen(self, wishes: Mapping[int, int]) -> Mapping[Place, int]:
        """What the technician wishes, by the places of units; raises `UsageError`."""
        return {unit.place: new for unit, new in self._wished(wishes).items()}

    def _wished(self, wishes: Mapping[int, int]) -> Mapping[ListedUnit, int]:
        addresses: dict[ListedUnit, int] = {}
        for old, new in wishes.items():
            here = [unit for unit in self.units if unit.place.address == old]
            if len(here) != 1:
                raise UsageError(
                    f"The bus list has {len(here) or 'no'} single units at address"
                    f" {both_forms(old)}.",
                    todo=(
                        "Survey the pair again, or move that unit alone with 'busprobe readdress'."
                    ),
                )
            addresses[here[0]] = new
        return addresses

    def addresses(self, goal: Goal) -> MoveList:
        """The fewest moves to `goal`; raises `RefusedError` or `UsageError` where there is no safe
        way."""
        said = list(goal.remarks)
        wanted: dict[ListedUnit, int] = {}
        for unit in self.units:
            target = goal.addresses.get(unit, unit.place.address)
            if target != unit.place.address and self._procedure(unit) is None:
                here = f"{unit.name} at {both_forms(unit.place.address)}, {unit.place.settings}"
                said.append(f"{here}, should go to {both_forms(target)}.  {self._why_not(unit)}")
            else:
                wanted[unit] = target
            self._check_single(unit, target)
        procedures = {
            unit: procedure
            for unit in self.units
            if (procedure := self._procedure(unit)) is not None
        }
        factories = self._factories()
        ordered = order_moves(
            {unit: unit.place.address for unit in self.units},
            wanted,
            settings={unit: unit.place.settings for unit in self.units},
            allowed={unit: procedure.addresses for unit, procedure in procedures.items()},
            avoid={*self._not_single, *self._claimed, *factories, *goal.addresses.values()},
        )
        moves = tuple(
            Move(
                Place(each.old, each.unit.place.settings),
                Place(each.new, each.unit.place.settings),
                procedures[each.unit],
                Role.ASIDE if each.aside else None,
            )
            for each in ordered
        )
        return MoveList(
            moves,
            tuple(each.words for each in ordered),
            (*said, *remarks(wanted, factory=factories)),
            complete=not said,
        )

    def line_settings(self, goal: LineSettings) -> MoveList:
        """The changes that bring every single unit to `goal`, one unit after the other.

        Raises `RefusedError` while two units share an address.
        """
        for address, kind in self._not_single.items():
            raise RefusedError(
                f"Unit address {both_forms(address)} is not a single unit's ({kind}).",
                means=(
                    "The other unit would move along or stay behind, and it could not be told"
                    " which."
                ),
                todo="Take these units apart first; line settings come last.",
            )
        moves: dict[ListedUnit, list[tuple[Move, str]]] = {}
        said: dict[ListedUnit, str] = {}
        for change in plan_settings({unit: unit.place for unit in self.units}, goal):
            try:
                move = self._change(change.unit, change.place, change.settings)
            except UsageError as error:
                said[change.unit] = (
                    f"{change.unit} at {both_forms(change.place.address)} is left as it is. "
                    f" {error}"
                )
            else:
                words = (
                    f"{change.unit.name} at {move.name(move.source).removeprefix('unit ')} to"
                    f" {change.settings}."
                )
                moves.setdefault(change.unit, []).append((move, words))
        # A unit that could only go half the way is left where it is.
        listed = [each for unit, steps in moves.items() if unit not in said for each in steps]
        return MoveList(
            tuple(move for move, _ in listed),
            tuple(words for _, words in listed),
            tuple(said.values()),
            complete=not said,
        )

    def _change(self, unit: ListedUnit, place: Place, wanted: LineSettings) -> Move:
        profile = self._profiles.get(unit.profile)
        if profile is None:
            raise UsageError(
                "Its type is not known.", todo="Identify it first, or set it on the unit itself."
            )
        return change_of_settings(profile, place, wanted)

    def _procedure(self, unit: ListedUnit) -> Procedure | None:
        profile = self._profiles.get(unit.profile)
        return (
            None
            if profile is None or profile.readdress is None
            else Procedure.from_profile(profile)
        )

    def _why_not(self, unit: ListedUnit) -> str:
        if unit.profile not in self._profiles:
            return (
                "Its type is not known: identify it first, or move it alone with the register from"
                " its data sheet."
            )
        return (
            f"The profile {unit.profile} does not say how it is given another address: set it on"
            " the unit itself, or move it alone with the register from its data sheet."
        )

    def _check_single(self, unit: ListedUnit, target: int) -> None:
        if target in self._not_single and target != unit.place.address:
            raise RefusedError(
                f"{unit} is to go to {both_forms(target)}, which is not a single unit's"
                f" ({self._not_single[target]}).",
                means="It would share that address with whoever is there.",
                todo="Take the units there apart first, or choose another address.",
            )
        claim = self._claimed.get(target)
        if claim is not None and unit.place not in (claim.write.source, claim.place):
            raise RefusedError(
                f"{unit} is to go to {both_forms(target)}, which is not free.",
                means=claim.words,
                todo="Check that unit after a power cycle first, or choose another address.",
            )

    def _needs_another(self, unit: ListedUnit) -> bool:
        """Whether a unit is where new ones would be, or shares its address with one at other line
        settings."""
        address = unit.place.address
        sharing = sum(other.place.address == address for other in self.units)
        return sharing > 1 or address in {FIRST, LAST, *self._factories()}

    def _factories(self) -> set[int]:
        """Addresses that spare parts of the types on this pair come with."""
        types = (self._profiles.get(unit.profile) for unit in self.units)
        return {
            profile.factory.address
            for profile in types
            if profile is not None and profile.factory is not None
        }


def _fits(
    same: Callable[[ListedUnit, PlannedUnit], bool], unit: ListedUnit, entry: PlannedUnit
) -> bool:
    """Whether it is the unit of this entry by what is the `same`, and of its type as far as that
    is known."""
    return same(unit, entry) and (entry.profile in ("", unit.profile) or not unit.profile)
