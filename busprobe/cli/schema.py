"""``busprobe schema``: what the documents of the commands hold, for whoever reads them by a
program."""

from __future__ import annotations

import difflib
from importlib import import_module
from typing import get_args, get_type_hints

from busprobe.cli import output
from busprobe.errors import ExitCode, UsageError
from busprobe.files.documents import schema

DOCUMENTS = {
    "buslist": "busprobe.handover.formats.json_file:BusListDocument",
    "comparison": "busprobe.cli.compare:ComparisonDocument",
    "config": "busprobe.cli.config:ConfigDocument",
    "error": "busprobe.errors:ErrorDocument",
    "handover": "busprobe.cli.handover:HandoverDocument",
    "hunt": "busprobe.cli.hunt:HuntDocument",
    "identify": "busprobe.cli.identify:IdentifyDocument",
    "identify-all": "busprobe.cli.identify:IdentifyAllDocument",
    "journal": "busprobe.cli.journal:JournalDocument",
    "line-settings": "busprobe.cli.line_settings:LineSettingsDocument",
    "listen": "busprobe.cli.listen:ListenDocument",
    "play-master": "busprobe.cli.play_master:PlayMasterDocument",
    "polling": "busprobe.prove.documents:PollingDocument",
    "ports": "busprobe.cli.ports:PortsDocument",
    "profile": "busprobe.cli.profiles:ProfileDocument",
    "profile-draft": "busprobe.cli.profiles_draft:DraftDocument",
    "profiles": "busprobe.cli.profiles:ProfilesDocument",
    "profiles-check": "busprobe.cli.profiles:ProfilesCheckDocument",
    "proof": "busprobe.cli.prove:ProveDocument",
    "readdress": "busprobe.readdress.outcome:ReaddressDocument",
    "readdress-all": "busprobe.cli.readdress_all:ReaddressAllDocument",
    "recover": "busprobe.cli.recover:RecoverDocument",
    "rescue": "busprobe.cli.job:RescueDocument",
    "survey": "busprobe.survey.findings:SurveyDocument",
    "targets": "busprobe.cli.targets:TargetsDocument",
    "trace": "busprobe.cli.trace:TraceDocument",
    "wiring": "busprobe.wiring.record:WiringDocument",
    "wiring-calculation": "busprobe.cli.wiring_calculations:CalculationDocument",
}
"""Names, each with where its dataclass is."""


def run(name: str | None) -> ExitCode:
    """Do what ``busprobe schema`` is asked for."""
    if name is None:
        rows = []
        for each in DOCUMENTS:
            what = (document_type(each).__doc__ or "").split("\n\n")[0]
            rows.append((each, format_of(each), " ".join(what.replace("``", "").split())))
        output.table(("Name", "Format", "What it is"), rows)
    else:
        output.document(document_schema(name))
    return ExitCode.DONE


def document_type(name: str) -> type:
    """The dataclass of a document; raises `UsageError` where there is none of that name."""
    try:
        module, _, kind = DOCUMENTS[name.removeprefix("busprobe.").partition("/")[0]].partition(":")
    except KeyError:
        near = difflib.get_close_matches(name, DOCUMENTS, 1)
        raise UsageError(
            f"There is no document called '{name}'.",
            todo=f"Did you mean {near[0]}?" if near else "'busprobe schema' lists them.",
        ) from None
    found: type = getattr(import_module(module), kind)
    return found


def format_of(name: str) -> str:
    """The format name that the document begins with, with its number."""
    names: tuple[str, ...] = get_args(get_type_hints(document_type(name))["format"])
    return names[0] if names else "busprobe.wiring-.../1"


def document_schema(name: str) -> dict[str, object]:
    """The JSON schema of a document; raises `UsageError` where there is none of that name."""
    return {**schema(document_type(name)), "title": format_of(name)}
