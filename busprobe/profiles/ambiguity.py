"""Fingerprints that do not tell one device type from another."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from busprobe.files.toml_file import Found
from busprobe.profiles.fingerprint import Fingerprint, RegisterTest, TextTest
from busprobe.profiles.schema import Profile
from busprobe.text import visible


def ambiguity_mistakes(profile: Profile, others: Iterable[Profile]) -> Iterator[Found]:
    """Each of `others` that has units which the fingerprint of `profile` takes for its own.

    A generic profile is meant to fit many types and has no rivals; the same id is the same profile
    in another folder.
    """
    for other in others:
        if profile.generic or other.generic or other.id == profile.id:
            continue
        if covers(profile.fingerprint, other.fingerprint):
            yield (
                ("fingerprint",),
                (
                    f"fits every unit of '{other.id}' ({other}) too, so none could be called"
                    " recognised; add what only this type has"
                ),
            )


def covers(wide: Fingerprint, narrow: Fingerprint) -> bool:
    """Whether every unit that passes all tests of `narrow` must pass those of `wide`; an empty one
    covers nothing."""
    texts = [(wide.server_id, narrow.server_id)] if wide.server_id else []
    given = {test.object: test for test in narrow.objects}
    texts += [(test, given.get(test.object)) for test in wide.objects]
    if not texts and not wide.registers:
        return False
    return all(
        inner is not None and _text_covers(outer, inner) for outer, inner in texts if outer
    ) and all(
        any(_register_covers(outer, inner) for inner in narrow.registers)
        for outer in wide.registers
    )


def _text_covers(outer: TextTest, inner: TextTest) -> bool:
    """Whether every text that passes `inner` passes `outer`."""
    if inner.equals is not None:
        return outer.passes(visible(inner.equals))
    if outer.equals is not None:
        return False
    if inner.starts_with is not None:
        return outer.passes(visible(inner.starts_with))
    # Nothing is known of a text but that this stands somewhere in it.
    return outer.contains is not None and outer.contains in (inner.contains or "")


def _register_covers(outer: RegisterTest, inner: RegisterTest) -> bool:
    """Whether every value that passes `inner` passes `outer`."""
    if (outer.function, outer.at.wire) != (inner.function, inner.at.wire):
        return False
    if (outer.lowest, outer.highest) == (0, outer.mask):
        return True  # any value will do
    if inner.lowest == inner.highest and outer.mask & ~inner.mask == 0:
        return outer.passes(inner.lowest)
    return (
        outer.mask == inner.mask and outer.lowest <= inner.lowest and inner.highest <= outer.highest
    )
