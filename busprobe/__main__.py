"""``python -m busprobe`` is the command ``busprobe``."""

from busprobe.cli import main

if __name__ == "__main__":
    main()
