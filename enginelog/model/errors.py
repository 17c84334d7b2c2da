"""The error family: whatever is meant for the user is one of these."""


class EnginelogError(Exception):
    """Base of every error meant for the user: one line, saying what was given, what was expected, what to do."""


class UsageError(EnginelogError):
    """The call itself is wrong (exit status 2)."""


class UnreadableError(EnginelogError):
    """The file cannot be read as a recording (exit status 4)."""
