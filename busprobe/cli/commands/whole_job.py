"""The whole job, step by step."""

from __future__ import annotations

import click

from busprobe.cli import options
from busprobe.cli.groups import Sections, does

SPEED = 20.0
"""How much faster than life a virtual segment runs in the wizard: a survey worth watching and not
worth waiting for."""


@click.command()
@options.job(required=False, text="Job file to begin or to go on with; today's job if left out.")
@options.plan("Plan of the bus, a CSV file.")
@options.first_port
@options.settings("Line settings of the port; 9600-8N1 if left out.")
@options.plain
@does("busprobe.cli.wizard")
def wizard() -> None:
    """Start the wizard.

    \b
    Example:
      busprobe wizard --port /dev/ttyUSB0 --job plant.busjob --plan plan.csv
    """


@click.command()
@click.option(
    "--unattended", is_flag=True, help="Do the whole job without the wizard; needs --out."
)
@click.option("--out", "folder", type=options.FOLDER, help="Folder for job file and bus list.")
@options.overwrite("Replace the files of an earlier demo in that folder.")
@click.option(
    "--scenario", default="site", show_default=True, help="Scenario to play, by name or file."
)
@click.option(
    "--speed",
    type=click.FloatRange(1, 1000),
    default=SPEED,
    show_default=True,
    help="Times faster than life.",
)
@options.plain
@does("busprobe.cli.demo")
def demo() -> None:
    """Play the whole job on a virtual segment; no port is needed and nothing can be harmed.

    \b
    Example:
      busprobe demo --unattended --out demo-job
    """


@click.command()
@options.as_json
@does("busprobe.cli.config")
def config() -> None:
    """Show the settings in force and where each comes from: a variable, the settings file, or none.

    The settings file is TOML.  Each setting may be a variable, too: BUSPROBE_PORT and so on.

    \b
    A settings file:
      port = "/dev/ttyUSB0"
      job_folder = "~/jobs"
      tester = "A. Marsh"
      company = "Marsh Controls"
      colours = true
      plain = false

    \b
    Example:
      busprobe config
    """


@click.group(cls=Sections, sections={"Commands": "busprobe.cli.job"})
def job() -> None:
    """Look after job files.

    \b
    Example:
      busprobe job rescue plant.busjob
    """


COMMANDS = (
    wizard,
    demo,
    job,
    config,
)
