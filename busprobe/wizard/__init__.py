"""The wizard: seven steps on one screen, for the keyboard, over the same services as the
commands."""
