"""Where profiles live, and which one wins."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from platformdirs import user_data_path

from busprobe.errors import FileError, Mistake
from busprobe.profiles.loading import load_profile
from busprobe.profiles.schema import Profile
from busprobe.text import visible


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


def shipped_folder() -> Path:
    """Where the profiles that come with busprobe are: in the installed package, or in a checkout at its top."""
    packaged = Path(str(resources.files("busprobe.profiles") / "shipped"))
    return packaged if packaged.is_dir() else Path(__file__).parents[2] / "profiles"


def own_folder() -> Path:
    """Where a technician's own profiles live; it may not exist yet."""
    return user_data_path("busprobe", appauthor=False) / "profiles"


def load_all(folders: Iterable[Path] | None = None) -> Store:
    """Load the profiles of `folders`, by default the shipped ones and then the technician's own.

    Of two profiles with the same id the one of the later folder wins.  A broken file is a problem of the store and
    takes nothing else with it; a folder that is not there is empty.
    """
    profiles: dict[str, Profile] = {}
    origins: dict[str, tuple[Path, ...]] = {}
    problems: list[FileError] = []
    for folder in (shipped_folder(), own_folder()) if folders is None else folders:
        try:
            files = sorted(path for path in folder.iterdir() if path.suffix == ".toml")
        except FileNotFoundError:
            continue
        except OSError as error:
            reason = Mistake("", f"it cannot be listed: {(error.strerror or str(error)).lower()}")
            problems.append(FileError(visible(str(folder)), [reason], kind="profile folder"))
            continue
        for path in files:
            try:
                profile = load_profile(path)
            except FileError as error:
                problems.append(error)
                continue
            profiles[profile.id] = profile
            origins[profile.id] = (path, *origins.get(profile.id, ()))
    return Store(dict(sorted(profiles.items())), origins, tuple(problems))
