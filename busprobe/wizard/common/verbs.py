"""What each key means, in the whole wizard."""

from __future__ import annotations

from enum import Enum


class Verb(Enum):
    """What a key means: its name for Textual, how it is written, and its word in the footer."""

    ALL = ("a", "a", "All")
    BOX = ("b", "b", "Box")
    CALCULATE = ("c", "c", "Calculate")
    DESCRIBE = ("d", "d", "Describe")
    EVIDENCE = ("e", "e", "Evidence")
    FILES = ("f", "f", "Files")
    GRAPH = ("g", "g", "Graph")
    HUNT = ("h", "h", "Hunt")
    ISOLATE = ("i", "i", "Isolate")
    JOURNAL = ("j", "j", "Journal")
    SKIP = ("k", "k", "Skip")
    LISTEN = ("l", "l", "Listen")
    MOVE = ("m", "m", "Move")
    NEW = ("n", "n", "New")
    OPEN_POINTS = ("o", "o", "Open")
    PROPOSE = ("p", "p", "Propose")
    QUIT = ("q", "q", "Quit")
    READ = ("r", "r", "Read")
    START = ("s", "s", "Start")
    NOTE = ("t", "t", "Note")
    UNDO = ("u", "u", "Undo")
    CHECK = ("v", "v", "Check")
    WRITE = ("w", "w", "Write")
    STOP = ("x", "x", "Stop")
    TYPE = ("y", "y", "Type")
    CLOSE_PORT = ("z", "z", "Close port")
    PAUSE = ("space", "Space", "Pause")
    SETTINGS = ("equals_sign", "=", "Settings")
    POLARITY = ("plus", "+", "A/B, +/-")
    CAUTIONS = ("exclamation_mark", "!", "Cautions")
    COMPARE = ("minus", "-", "Compare")
    ADVICE = ("f6", "F6", "Advice")
    FILTER = ("slash", "/", "Filter")

    def __init__(self, key: str, written: str, label: str) -> None:
        self.key = key
        self.written = written
        self.label = label
