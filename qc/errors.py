"""The one exception that means: the user can mend this. Its text says what to do next."""


class RimqcError(Exception):
    """Shown as one line; `exit_code` is 1 (does not hold) or 2 (wrong usage)."""

    def __init__(self, message: str, exit_code: int = 1) -> None:
        super().__init__(message)
        self.exit_code = exit_code
