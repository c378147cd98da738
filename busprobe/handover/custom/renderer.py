"""The process that renders one template: ``python -m busprobe.handover.custom.renderer``.

A template is a program of somebody else.  Jinja's sandbox keeps it from everything but the
variables; what it cannot keep it from is running for ever or making endless output, so that it runs
in a process of its own, which ends itself and can be killed.  It reads one JSON document from stdin
and prints one: the text, or the line and the reason.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from contextlib import suppress
from types import FrameType, GeneratorType, TracebackType
from typing import Any, cast

from jinja2 import StrictUndefined, Template, TemplateSyntaxError
from jinja2.exceptions import SecurityError
from jinja2.sandbox import ImmutableSandboxedEnvironment

from busprobe.handover.formats.csv_files import cell_of_csv
from busprobe.handover.formats.markdown_file import escaped
from busprobe.handover.table import cell_text, in_hex

SECONDS = 10.0
"""How long a template may run; our choice."""

MOST_CHARACTERS = 4 << 20
"""Characters that it may make; our choice."""

_MEMORY = 512 << 20
"""Bytes that the process may use, where the system lets that be said (POSIX)."""

_MOST_BITS = 4096
"""Of the result of a power: working out a larger one could not be interrupted."""

_SOURCE = "<template>"
"""What Jinja calls the file of a template made from a text."""


class _Environment(ImmutableSandboxedEnvironment):
    intercepted_binops = frozenset(["**"])

    def call_binop(self, context: Any, operator: str, left: Any, right: Any) -> Any:
        whole = isinstance(left, int) and isinstance(right, int)
        if whole and right > 0 and left.bit_length() * right > _MOST_BITS:
            raise SecurityError(f"the power {right} makes too large a number")
        return super().call_binop(context, operator, left, right)


class _TooMuchError(Exception):
    """More was made than is allowed."""


def main() -> None:
    """Answer the document on stdin."""
    asked = json.load(sys.stdin)
    _limit_memory()
    # Conditions on constants are left to the run, whose errors have a line.
    environment = _Environment(
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        optimized=False,
        autoescape=False,
        newline_sequence="\r\n" if "\r\n" in asked["template"] else "\n",
    )
    environment.filters |= {"hex": in_hex, "cell": cell_of_csv, "markdown": _markdown}
    _answer(_rendered(environment, asked["template"], asked["variables"]))


def _rendered(environment: _Environment, source: str, variables: dict[str, Any]) -> dict[str, Any]:
    try:
        template = environment.from_string(source)
    except TemplateSyntaxError as error:
        return {"line": error.lineno, "why": error.message}
    except (RecursionError, MemoryError) as error:
        return {"line": None, "why": _words(error)}
    watch = threading.Timer(SECONDS, _expire, (template, threading.get_ident()))
    watch.daemon = True
    watch.start()
    made: list[str] = []
    length = 0
    parts = cast(
        "GeneratorType[str, None, None]", template.root_render_func(template.new_context(variables))
    )
    try:
        for part in parts:
            made.append(part)
            length += len(part)
            if length > MOST_CHARACTERS:
                frame = parts.gi_frame
                why = f"makes more than {MOST_CHARACTERS >> 20} MiB of text"
                return {"line": _line(template, frame.f_lineno if frame else None), "why": why}
        text = "".join(made)
        text.encode()
    except Exception as error:  # noqa: BLE001 - whatever a template does, it is told with its line
        return {"line": _line_of_error(template, error.__traceback__), "why": _words(error)}
    finally:
        watch.cancel()
    return {"text": text}


def _expire(template: Template, thread: int) -> None:
    """End the process, with the line at which the template is; runs beside it."""
    frame: FrameType | None = sys._current_frames().get(thread)
    while frame is not None and frame.f_code.co_filename != _SOURCE:
        frame = frame.f_back
    line = _line(template, frame.f_lineno if frame else None)
    _answer({"line": line, "why": f"does not end within {SECONDS:g} s"})
    os._exit(0)


def _line_of_error(template: Template, trace: TracebackType | None) -> int | None:
    found = None
    while trace is not None:
        if trace.tb_frame.f_code.co_filename == _SOURCE:
            found = trace.tb_lineno
        trace = trace.tb_next
    return _line(template, found)


def _line(template: Template, compiled: int | None) -> int | None:
    """The line of the template behind a line of its compiled code."""
    return None if compiled is None else template.get_corresponding_lineno(compiled)


def _words(error: Exception) -> str:
    if isinstance(error, MemoryError):
        return "needs more memory than is allowed"
    if isinstance(error, RecursionError):
        return "is nested too deeply"
    return str(error) or type(error).__name__


def _markdown(value: object) -> str:
    return escaped(cell_text(value if isinstance(value, int | float | bool) else str(value or "")))


def _limit_memory() -> None:
    with suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, _MEMORY))


def _answer(document: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(document))
    sys.stdout.flush()


if __name__ == "__main__":
    main()
