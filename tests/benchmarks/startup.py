"""How long a person waits for the program: ``python -m tests.benchmarks.startup``.

Whole processes, the median of several runs, beside the start of Python itself and of the library
that reads the command line; the wizard on a pseudo-terminal, until its frame stands and until the
job is shown; and 1,000 profiles, parsed and from the cache.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

RUNS = 5
PROFILES = 1000
LONG_AGO = 1_700_000_000


def main() -> None:
    """Print all figures."""
    with TemporaryDirectory() as folder:
        os.environ |= {"XDG_DATA_HOME": folder, "XDG_CACHE_HOME": folder}
        # A program that is installed has its bytecode; this one may stand where none is kept.
        os.environ |= {"PYTHONPYCACHEPREFIX": folder, "PYTHONDONTWRITEBYTECODE": ""}
        bare = middle(lambda: process("-c", "pass"))
        print(f"python -c pass: {bare:.2f} s")
        show("python -c 'import click'", middle(lambda: process("-c", "import click")), bare)
        for arguments in (["--version"], ["--help"], ["survey", "--help"]):
            took = middle(lambda given=arguments: process("-m", "busprobe", *given))  # type: ignore[misc]
            show(f"busprobe {' '.join(arguments)}", took, bare)
        if sys.platform != "win32":
            shown = [first_screens() for _ in range(RUNS + 1)][1:]
            show("wizard, frame drawn", median(frame for frame, _ in shown), bare)
            show("wizard, job shown", median(job for _, job in shown), bare)
        profiles(Path(folder) / "many")


def middle(run: Callable[[], float]) -> float:
    """The median of several runs, after one that is not counted."""
    run()
    return median(run() for _ in range(RUNS))


def process(*arguments: str) -> float:
    """Seconds of a whole Python process."""
    begun = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def show(what: str, seconds: float, bare: float) -> None:
    """One line: the time, and how many starts of Python it is."""
    print(f"{what}: {seconds:.2f} s, {seconds / bare:.1f} of Python alone")


def first_screens() -> tuple[float, float]:
    """Seconds until the names of the steps are on the terminal, and until the step Port is."""
    import pty

    master, slave = pty.openpty()
    environment = {**os.environ, "TERM": "xterm-256color", "LINES": "24", "COLUMNS": "80"}
    begun = time.perf_counter()
    wizard = subprocess.Popen(
        [sys.executable, "-m", "busprobe"],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env=environment,
        close_fds=True,
    )
    os.close(slave)
    try:
        return until(master, [b"Readdress", b"to do"], begun), until(master, [b"Adapter"], begun)
    finally:
        wizard.kill()
        wizard.wait()
        os.close(master)


def until(terminal: int, words: Sequence[bytes], begun: float) -> float:
    """Seconds from `begun` until all `words` have been written to the terminal."""
    seen = b""
    while not all(word in seen for word in words):
        seen += os.read(terminal, 65536)
    return time.perf_counter() - begun


def profiles(folder: Path) -> None:
    """Print what loading many profiles takes."""
    from busprobe.profiles.store import load_all, shipped_folder

    folder.mkdir()
    shipped = sorted(shipped_folder().glob("*.toml"))
    for number in range(PROFILES):
        original = shipped[number % len(shipped)]
        name = f"{original.stem}-{number}"
        copy = folder / f"{name}.toml"
        text = original.read_text(encoding="utf-8")
        copy.write_text(text.replace(f'id = "{original.stem}"', f'id = "{name}"'), encoding="utf-8")
        os.utime(copy, (LONG_AGO, LONG_AGO))
    for what in ("parsed", "from the cache"):
        begun = time.perf_counter()
        found = len(load_all([folder]).profiles)
        print(f"{found} profiles {what}: {time.perf_counter() - begun:.2f} s")


if __name__ == "__main__":
    main()
