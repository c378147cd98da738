"""Options that several commands share, and the types of their values."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import click

from busprobe.errors import UsageError
from busprobe.files.reading import given_path
from busprobe.line.place import HIGHEST_ADDRESS
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import FIRST, parse_addresses

Function = TypeVar("Function", bound=Callable[..., Any])


class _Parsed(click.ParamType[Any]):
    """A value read by one of our own parsers, whose errors become click's."""

    def __init__(self, name: str, parse: Callable[[str], Any]) -> None:
        self.name = name
        self._parse = parse

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not isinstance(value, str):
            return value
        try:
            return self._parse(value)
        except UsageError as error:
            self.fail(str(error), param, ctx)


def parse_word(text: str) -> int:
    """What a register holds, such as 350 or 0x015E; raises `UsageError`."""
    try:
        value = int(text, 0)
    except ValueError:
        value = -1
    if not 0 <= value <= 0xFFFF:
        raise UsageError(
            f"'{text}' is not what a register can hold.", todo="Give 0 to 65535, or 0x0 to 0xFFFF."
        )
    return value


def _parse_probe(text: str) -> Any:
    # Profiles and PDUs load with it: only where the option is given.
    from busprobe.survey.probes import Probe

    return Probe.read_as(text)


class OneOf(click.ParamType[str]):
    """One of some names that only a heavy module knows: asked for when they are needed."""

    name = "choice"

    def __init__(self, names: Callable[[], Sequence[str]]) -> None:
        self._names = names

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The value, where it is one of the names."""
        return click.Choice(self._names()).convert(value, param, ctx)

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str | None:
        """All names, as help shows them."""
        return click.Choice(self._names()).get_metavar(param, ctx)


SETTINGS = _Parsed("BAUD-8PS", LineSettings.parse)
"""Line settings such as 9600-8N1."""
ADDRESSES = _Parsed("SET", parse_addresses)
"""A set of unit addresses such as 1-247."""
ADDRESS = click.IntRange(FIRST, HIGHEST_ADDRESS)
"""One unit address."""
WORD = _Parsed("VALUE", parse_word)
"""What a register holds, decimal or hexadecimal."""
PROBE = _Parsed("FUNCTION:REGISTER", _parse_probe)
"""A read that a unit may answer, such as 3:40001."""
FILE = _Parsed("FILE", given_path)
"""A file that may or may not be there; whoever opens it says what is wrong with it."""
FOLDER = _Parsed("FOLDER", given_path)
"""A folder that may or may not be there."""


def _configured(name: str, given: Any) -> Any:
    """What an option was given, else what the technician's settings say of `name`."""
    if given:
        return given
    from busprobe.cli.configuration import value_of

    return value_of(name)


def _port(context: click.Context, option: click.Parameter, given: str | None) -> str:
    port: str = _configured("port", given)
    if not port:
        raise click.MissingParameter(ctx=context, param=option)
    return port


_PORTS = "device path, COM7, socket://HOST:PORT, rfc2217://HOST:PORT, virtual:NAME"

port = click.option(
    "--port",
    callback=_port,
    metavar="PORT",
    help=f"{_PORTS[0].upper()}{_PORTS[1:]}; that of your settings if left out.",
)
first_port = click.option(
    "--port",
    callback=lambda _context, _option, given: _configured("port", given),
    metavar="PORT",
    help=f"Port to open first: {_PORTS}; that of your settings if left out.",
)
"""Of what can begin without one."""
plain = click.option(
    "--plain",
    is_flag=True,
    callback=lambda _context, _option, given: _configured("plain", given),
    help="Draw with ASCII signs only: . - > o X ? and so on.",
)
as_json = click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")


address = click.option("--address", type=ADDRESS, required=True, help="Unit address.")
yes = click.option("--yes", is_flag=True, help="Do not ask; every frame is shown all the same.")
no_check = click.option(
    "--no-check", is_flag=True, help="Do not ask for the power cycle that proves what is stored."
)

despite_master = click.option(
    "--despite-master", is_flag=True, help="Go on although another master is talking on the pair."
)


def settings(text: str, **how: Any) -> Callable[[Function], Function]:
    """Line settings; `how` as click takes it."""
    return click.option("--settings", type=SETTINGS, help=text, **how)


unit_settings = settings("Line settings, such as 9600-8N1.", required=True)
"""Those of a command that talks to a known unit."""


def profile(text: str) -> Callable[[Function], Function]:
    """The id of a profile."""
    return click.option("--profile", "profile_id", metavar="ID", help=text)


def plan(text: str) -> Callable[[Function], Function]:
    """A file with the plan of the bus."""
    return click.option("--plan", "plan_file", type=FILE, help=text)


def overwrite(text: str) -> Callable[[Function], Function]:
    """Whether files that are there may be replaced."""
    return click.option("--overwrite", is_flag=True, help=text)


def job(*, required: bool, text: str) -> Callable[[Function], Function]:
    """The job file."""
    return click.option("--job", "job_file", type=FILE, required=required, help=text)
