"""The rooms of the house: who may import whom, and what no room may import at all."""

from __future__ import annotations

import subprocess
import sys

OURS_ONLY = """
import builtins
real = builtins.__import__
def guarded(name, globals=None, *rest):
    ours = (globals or {}).get("__name__", "").startswith("busprobe")
    if ours and name.split(".")[0] in {"termios", "fcntl", "pty", "tty", "grp", "pwd", "resource"}:
        raise ModuleNotFoundError(f"hidden, as on Windows: {name}", name=name)
    return real(name, globals, *rest)
builtins.__import__ = guarded
import importlib, pkgutil, busprobe
for module in pkgutil.walk_packages(busprobe.__path__, "busprobe."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
print("imported all")
"""
HEADLESS = """
import importlib, sys
ROOMS = "line modbus virtual profiles survey readdress wiring prove handover job"
for room in ROOMS.split():
    package = importlib.import_module(f"busprobe.{room}")
    import pkgutil
    for module in pkgutil.walk_packages(package.__path__, f"busprobe.{room}."):
        importlib.import_module(module.name)
loaded = sorted({name.split(".")[0] for name in sys.modules} & {"textual", "rich", "click"})
print(loaded)
"""


def run(program: str) -> str:
    result = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False
    )
    assert result.returncode == 0, result.stderr
    return result.stdout.strip()


def test_every_module_imports_where_posix_modules_are_missing() -> None:
    """Works on Windows by construction: no module of ours needs a POSIX module to be imported."""
    assert run(OURS_ONLY) == "imported all"


def test_services_load_neither_screen_nor_command_line() -> None:
    """In a fresh interpreter no service pulls in Textual, Rich or click."""
    assert run(HEADLESS) == "[]"
