"""No decision is read back out of a sentence: all are reworded at random, and everything is decided
as before."""

from __future__ import annotations

import json
import random
import re
import subprocess
import sys
from typing import Any

TIME = re.compile(r"\d{4}-\d\d-\d\dT")
WORDS = re.compile(r"[A-Za-z]{2,}")


def decisions(seed: int) -> tuple[Any, int]:
    """What a program decides whose sentences are reworded by `seed`, and how many these were."""
    ran = subprocess.run(
        [sys.executable, "-m", "tests.rewording", str(seed)], capture_output=True, text=True
    )
    assert ran.returncode == 0, ran.stderr
    return without_texts(json.loads(ran.stdout)), int(ran.stderr.split()[0])


def without_texts(document: Any) -> Any:
    """The document with a mark in place of each text of several words, and of each time."""
    if isinstance(document, dict):
        return {key: without_texts(each) for key, each in document.items()}
    if isinstance(document, list):
        return [without_texts(each) for each in document]
    if isinstance(document, str) and TIME.match(document):
        return "a time"
    if isinstance(document, str) and len(WORDS.findall(document)) > 1:
        return "a text"
    return document


def test_no_decision_changes_when_every_sentence_says_something_else() -> None:
    as_written, untouched = decisions(0)
    seed = random.randint(1, 10**9)  # noqa: S311 - no secret
    reworded, count = decisions(seed)
    assert (untouched, count > 1000) == (0, True)
    assert reworded == as_written, f"seed {seed}"
