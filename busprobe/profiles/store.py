"""Where profiles live, and which one wins."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from platformdirs import user_data_path

from busprobe.errors import FileError, Mistake, UsageError
from busprobe.profiles.cache import TableCache
from busprobe.profiles.fields import is_slug
from busprobe.profiles.loading import load_profile
from busprobe.profiles.schema import Profile


@dataclass(frozen=True)
class Store:
    """All profiles that could be loaded, and what stood in the way of the others."""

    profiles: Mapping[str, Profile]
    """Id to profile, sorted by id."""
    origins: Mapping[str, tuple[Path, ...]]
    """Id to the sound files that describe it; the first won, the others it replaced."""
    problems: tuple[FileError, ...]
    """One for each file or folder that cannot be used."""

    def replaced(self, profile_id: str) -> tuple[Path, ...]:
        """Files of the same id that the profile in use took the place of."""
        return self.origins[profile_id][1:]

    def whose(self, profile_id: str) -> str:
        """Where the profile in use comes from: ``shipped``, ``mine`` or ``job``."""
        folder = self.origins[profile_id][0].parent
        return {shipped_folder(): "shipped", own_folder(): "mine"}.get(folder, "job")

    @property
    def remarks(self) -> tuple[str, ...]:
        """In a sentence each: which profile is used in place of which, and what stands in the way
        of others."""
        won = (
            f"Profile {id_} is that of {self.origins[id_][0]}, in place of {path}."
            for id_ in self.profiles
            for path in self.replaced(id_)
        )
        return (*won, *(str(problem) for problem in self.problems))


def shipped_folder() -> Path:
    """Where the profiles that come with busprobe are: in the installed package, or in a checkout at
    its top."""
    packaged = Path(str(resources.files("busprobe.profiles") / "shipped"))
    return packaged if packaged.is_dir() else Path(__file__).parents[2] / "profiles"


def own_folder() -> Path:
    """Where a technician's own profiles live; it may not exist yet."""
    return user_data_path("busprobe", appauthor=False) / "profiles"


def job_folder(job_file: Path) -> Path:
    """Where the profiles of one job live, beside its file; it may not exist."""
    return job_file.parent / "profiles"


def file_for(profile_id: str, job_file: Path | None = None) -> Path:
    """Where a new profile is to be written: among the technician's own, or beside a job.

    Raises `UsageError` where `profile_id` cannot be the id of a profile, or names a device on
    Windows (Microsoft Learn, Naming Files, Paths, and Namespaces).
    """
    if not profile_id:
        raise UsageError(
            "The profile has no short name (id).", todo="Give it one, like rosehill-rh-2."
        )
    if not is_slug(profile_id):
        raise UsageError(
            f"'{profile_id}' cannot be the short name (id) of a profile.",
            todo=(
                "Write it in lower-case letters and digits, words parted by hyphens: rosehill-rh-2."
            ),
        )
    if re.fullmatch(r"con|prn|aux|nul|(com|lpt)[0-9]", profile_id):
        raise UsageError(
            f"'{profile_id}' cannot be the short name (id) of a profile: Windows has no file of"
            " that name.",
            todo="Give it another one, like rosehill-rh-2.",
        )
    return (own_folder() if job_file is None else job_folder(job_file)) / f"{profile_id}.toml"


def folders(job_file: Path | None = None) -> tuple[Path, ...]:
    """Where profiles are looked for, later ones winning: shipped, the technician's own, those of
    the job."""
    own = (shipped_folder(), own_folder())
    return own if job_file is None else (*own, job_folder(job_file))


def load_all(folders: Iterable[Path]) -> Store:
    """Load the profiles of `folders`.

    Of two profiles with the same id the one of the later folder wins.  A broken file is a problem
    of the store and takes nothing else with it; a folder that is not there is empty.
    """
    profiles: dict[str, Profile] = {}
    origins: dict[str, tuple[Path, ...]] = {}
    problems: list[FileError] = []
    cache = TableCache()
    for folder in dict.fromkeys(folders):
        try:
            files = sorted(path for path in folder.iterdir() if path.suffix == ".toml")
        except FileNotFoundError:
            continue
        except OSError as error:
            reason = Mistake("", f"it cannot be listed: {(error.strerror or str(error)).lower()}")
            problems.append(FileError(str(folder), [reason], kind="profile folder"))
            continue
        for path in files:
            try:
                profile = load_profile(path, cache=cache)
            except FileError as error:
                problems.append(error)
                continue
            profiles[profile.id] = profile
            origins[profile.id] = (path, *origins.get(profile.id, ()))
    cache.save()
    return Store(dict(sorted(profiles.items())), origins, tuple(problems))
