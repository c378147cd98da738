"""Text from outside (units, files of others, the system) made harmless and still visible as what it
was.

Any text may hold terminal escapes, bidirectional overrides or undecodable bytes.  It is made
harmless where it is shown, once for each way out: `busprobe.cli.output` for the command line,
`busprobe.wizard.common.drawn_text` for the screen, `busprobe.handover.table` for the documents.
Nothing needs to be done to it before, and nothing is done twice.
"""

from __future__ import annotations

from functools import cache, partial
from unicodedata import normalize


def harmless(text: str) -> str:
    """Return `text` with every character that is not printable written out as an escape.

    Not printable, by `str.isprintable`, are controls, line ends, format characters (bidirectional
    overrides among them), unusual separators, lone surrogates and unassigned ones.
    """
    return (
        text if text.isprintable() else "".join(c if c.isprintable() else _escape(c) for c in text)
    )


def visible(text: str) -> str:
    """Return `text` made harmless for keeping, with backslashes doubled so that the result tells
    what was there."""
    return harmless(text.replace("\\", "\\\\"))


def from_device(raw: bytes) -> str:
    """Decode bytes that a unit calls text: ASCII as the standard says, NUL padding cut, the rest
    made visible.

    Modbus application protocol V1.1b3 section 6.21 defines the identification objects as ASCII
    strings.
    """
    return visible(raw.rstrip(b"\x00 ").decode("latin-1"))


def number_within(text: str, least: float, most: float) -> float | None:
    """The number that a person typed, with a point or a comma; None for anything else, and for one
    out of bounds."""
    try:
        number = float(text.strip().replace(",", "."))
    except ValueError:
        return None
    return number if least <= number <= most else None


def hex_bytes(data: bytes) -> str:
    """Bytes as they are written everywhere here: upper-case hex pairs parted by spaces."""
    return data.hex(" ").upper()


def plain(text: str, encoding: str = "ascii") -> str:
    """`text` as a terminal of this `encoding` can show it: each character that it lacks becomes one
    other, so that columns stay.

    None becomes a question mark: that is the sign for what is not sure.
    """
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return "".join(map(partial(_plain, encoding), text))
    return text


@cache
def _plain(encoding: str, character: str) -> str:
    for other in (character, _PLAIN.get(character, ""), normalize("NFKD", character)[:1], "_"):
        try:
            other.encode(encoding)
        except UnicodeEncodeError:
            continue
        if other:
            return other
    return "_"


_PLAIN = (
    dict(
        zip(
            "·▸●✓✖…→←↓↑–−×±°ºµμΩ≤≥█▇▆▅▄▃▂▁░▒▓▌▐▀▎",
            ".>o+x~><v^--x~''uuR<>####==__::#||=|",
            strict=True,
        )
    )
    | {chr(code): "+" for code in range(0x2500, 0x2580)}
    | dict.fromkeys("─━═╌╍┄┅┈┉╴╶╸╺╼╾", "-")
    | dict.fromkeys("│┃║┆┇┊┋╎╏╵╷╹╻╽╿", "|")
)
"""Signs, marks of units, lines of frames and blocks of graphs by what is most like them; Ω by R, as
resistors are marked (IEC 60062)."""


def _escape(character: str) -> str:
    code = ord(character)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
