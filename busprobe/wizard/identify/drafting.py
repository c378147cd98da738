"""Describing one unit: what was typed, the unit watched beside it, and the profile that comes of
it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event

from busprobe.errors import StoppedError, UsageError
from busprobe.files.documents import to_document
from busprobe.job import UnitRecord
from busprobe.profiles.ambiguity import ambiguity_mistakes
from busprobe.profiles.drafting.draft import Draft, draft
from busprobe.profiles.drafting.writing import write_profile
from busprobe.profiles.fingerprint import Fingerprint
from busprobe.profiles.loading import load_profile
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import Store, file_for, folders, load_all
from busprobe.session.session import Session
from busprobe.survey.register_reader import Observed, Watch
from busprobe.wizard.identify.draft_form import FOLDERS, WITH_JOB
from busprobe.wizard.identify.draft_sheet import Sheet

_PAUSE = 1.0
"""Seconds between two looks.  They are the person's at the screen and not those of the line's
clock."""


@dataclass(frozen=True)
class Look:
    """What the unit showed, held beside what had been typed by then."""

    sheet: Sheet
    observed: Observed
    draft: Draft


class Drafting:
    """What screen and worker share while one unit is described; what was typed is in the job at
    once."""

    def __init__(self, session: Session, unit: UnitRecord) -> None:
        """Go on with what was typed for `unit` before."""
        self.unit = unit
        self._session = session
        self._key = f"draft {unit.place}"
        self._sheet = session.job.state(self._key, Sheet) or Sheet()
        self._changed = Event()
        self._stop = Event()

    @property
    def sheet(self) -> Sheet:
        """What was typed."""
        return self._sheet

    @sheet.setter
    def sheet(self, sheet: Sheet) -> None:
        self._sheet = sheet
        self._session.job.set_state(self._key, to_document(sheet))
        self._changed.set()

    def watch(self, tell: Callable[[Look], object]) -> None:
        """In a worker: look at the unit again and again, at once where something was typed, until
        `stop`.

        Registers are only read.  Raises `RefusedError` where not just one unit answers, `PortError`
        if the port fails.
        """
        self._stop.clear()
        line = self._session.line
        line.apply(self.unit.settings)
        with suppress(StoppedError), line.stopped_by(self._stop):
            watch = Watch(line, self.unit.address, self._session.profiles)
            while not self._stop.is_set():
                self._changed.clear()
                sheet = self._sheet
                observed = watch.look(sheet.notes)
                tell(Look(sheet, observed, draft(sheet.notes, observed.seen, sheet.chosen)))
                self._changed.wait(_PAUSE)

    def stop(self) -> None:
        """End the watch soon."""
        self._stop.set()
        self._changed.set()

    def target(self, profile_id: str, folder: str) -> Path:
        """The file of a profile, in a `folder` of `FOLDERS`; raises `UsageError`."""
        if folder not in FOLDERS:
            raise UsageError(
                f"'{folder}' is no place to keep it.", todo=f"Write {' or '.join(FOLDERS)}."
            )
        return file_for(profile_id, self._session.job.path if folder == WITH_JOB else None)

    def save(self, made: Draft, path: Path, *, overwrite: bool) -> tuple[str, ...]:
        """Write the profile and use it from now on; remarks on it, in a sentence each.

        The unit is noted to be of this type by hand, as it was described here.  Raises `UsageError`
        where no valid profile comes of what was typed, `RefusedError` where the file is there
        already, and `FileError`.
        """
        write_profile(path, made.toml(path.stem), overwrite=overwrite)
        profile = load_profile(path)
        self._session.store = store = load_all(folders(self._session.job.path))
        self._note_type(profile.id)
        return tuple(_remarks(profile, path, store))

    def _note_type(self, profile_id: str) -> None:
        job = self._session.job
        known = job.unit(self.unit.place)
        if known is not None:
            job.put_unit(replace(known, profile=profile_id, match=None))


def _remarks(profile: Profile, path: Path, store: Store) -> Iterator[str]:
    used = store.origins[profile.id][0]
    if used != path:
        yield f"It is not in use: {used} has the same id and comes later."
    for _, what in ambiguity_mistakes(profile, store.profiles.values()):
        yield f"Its fingerprint {what}."
    if profile.fingerprint == Fingerprint():
        yield (
            "The unit says nothing of itself, so this profile cannot recognise others of the type;"
            " it is noted for this one by hand. A register that is the same in every unit would"
            " tell: mark its line 'fixed'."
        )
