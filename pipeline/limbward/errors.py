"""The two failures a user meets: the work failed, or what was asked is wrong."""


class LimbwardError(Exception):
    """The work cannot be done. The message is a sentence that says what to do about it."""


class ConfigError(LimbwardError):
    """The command line or the configuration is wrong (exit status 2)."""
