"""The failures a user meets: the work failed, or what was asked is wrong, or a file is."""


class LimbwardError(Exception):
    """The work cannot be done. The message is a sentence that says what to do about it."""


class ConfigError(LimbwardError):
    """The command line or the configuration is wrong (exit status 2)."""


class UnreadableFile(LimbwardError):
    """One file cannot be read as what it should be, which says nothing about the others."""
