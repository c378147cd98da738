"""The units of the step Readdress: where they are, where they are to be, what became of their
moves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rich.text import Text

from busprobe.job.journal import WriteRecord
from busprobe.job.plan import PlannedUnit
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from busprobe.modbus.addresses import both_forms
from busprobe.profiles.schema import Profile
from busprobe.readdress.journal import latest_move
from busprobe.readdress.unfinished_steps import UnfinishedSteps
from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.row_table import RowTable
from busprobe.wizard.common.signs import OF_KIND, signed
from busprobe.wizard.common.unit_words import short_type, tag_words
from busprobe.wizard.readdress.words import move_sign

_COLUMNS = (
    Column("Address", right=True, first_word=True, brief="Addr"),
    Column("Settings"),
    Column("Finding", first_word=True, brief="F."),
    Column("What it is", least=12),
    Column("Tag", least=7),
    Column("Wanted", right=True, first_word=True, brief="To"),
    Column("Move", first_word=True, brief="M."),
)


class MoveTable(RowTable[Place]):
    """A row for each unit, its key its place."""

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(_COLUMNS, id=id)

    def show(
        self,
        units: Sequence[UnitRecord],
        profiles: Mapping[str, Profile],
        wanted: Mapping[Place, int],
        offered: Mapping[Place, int],
        writes: Sequence[WriteRecord],
        left: Sequence[UnfinishedSteps],
        plan: Sequence[PlannedUnit],
    ) -> None:
        """Show `units` with their tags, noted or by the `plan`, the addresses that are wanted, or
        only `offered`, for them, and what the journal says of their moves."""

        def row(unit: UnitRecord) -> list[Text | str]:
            want, offer = wanted.get(unit.place), offered.get(unit.place)
            fitting = "-" if offer is None else both_forms(offer).replace(" ", "? ", 1)
            moved = move_sign(unit, latest_move(unit, writes), left)
            return [
                both_forms(unit.address),
                str(unit.settings),
                signed(self, OF_KIND[unit.kind]),
                short_type(unit, profiles) or "-",
                tag_words(unit, plan),
                fitting if want is None else both_forms(want),
                signed(self, moved) if moved else "-",
            ]

        self.fill((unit.place, row(unit)) for unit in units)
