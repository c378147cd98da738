"""What a unit says of itself by an open standard, without any data sheet.

Sources: MODBUS Application Protocol V1.1b3, sections 6.21 (device identification) and 6.13 (server
id).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass

from busprobe.profiles.schema import Tells, ToldObject
from busprobe.profiles.values import Reading

_VENDOR, _PRODUCT_CODE, _REVISION, _PRODUCT_NAME, _MODEL_NAME = 0, 1, 2, 4, 5


@dataclass(frozen=True)
class SelfDescription:
    """A unit's own words, made harmless; None for what it does not say."""

    source: str
    """Where they were read: ``device identification (43/14)``."""
    maker: str | None = None
    model: str | None = None
    version: str | None = None
    serial: str | None = None

    @property
    def words(self) -> str:
        """In one phrase: ``by server id (17) it is 'EF-5 v3'``."""
        name = " ".join(f"'{part}'" for part in (self.maker, self.model) if part) or "nameless"
        version = f", version '{self.version}'" if self.version else ""
        serial = f", serial number '{self.serial}'" if self.serial else ""
        return f"by {self.source} it is {name}{version}{serial}"


def identity(said: Collection[SelfDescription]) -> dict[str, str | None]:
    """Vendor, product, revision and, where one of `said` gives it, serial number, in the unit's own
    words; None where it says nothing."""
    found: dict[str, str | None] = {
        "vendor": next((d.maker for d in said if d.maker), None),
        "product": next((d.model for d in said if d.model), None),
        "revision": next((d.version for d in said if d.version), None),
    }
    serial = next((d.serial for d in said if d.serial), None)
    return found if serial is None else {**found, "serial": serial}


def descriptions(
    objects: Mapping[int, str] | None,
    server_id: str | None,
    readings: Iterable[Reading] = (),
    told: Iterable[ToldObject] = (),
) -> tuple[SelfDescription, ...]:
    """What a unit says of itself, the best defined way first: identification objects, server id,
    points of a profile that tell something of the unit itself.

    `told` is what a profile knows of the maker's own identification objects.
    """
    return tuple(_said(objects or {}, server_id, tuple(readings), tuple(told)))


def _said(
    objects: Mapping[int, str],
    server_id: str | None,
    readings: tuple[Reading, ...],
    told: tuple[ToldObject, ...],
) -> Iterator[SelfDescription]:
    if any(objects.values()):
        own = {one.tells: objects.get(one.object) or None for one in told}
        yield SelfDescription(
            "device identification (43/14)",
            objects.get(_VENDOR) or own.get(Tells.MAKER),
            objects.get(_PRODUCT_CODE)
            or objects.get(_MODEL_NAME)
            or objects.get(_PRODUCT_NAME)
            or own.get(Tells.MODEL),
            objects.get(_REVISION) or own.get(Tells.VERSION),
            own.get(Tells.SERIAL),
        )
    if server_id:
        yield SelfDescription("server id (17)", model=server_id)
    held = {r.point.tells: r.text for r in readings if r.point.tells and r.value not in (None, "")}
    if held:
        yield SelfDescription("its registers", *(held.get(what) for what in Tells))
