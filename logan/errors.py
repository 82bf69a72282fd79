"""Errors that a user can cause and put right.

Every error says what is wrong, where, and what to do about it::

    LoganError
    ├── LogReadError            a log cannot be read
    │   └── UnknownLogFormatError   no format, or more than one, recognises the file
    ├── DbcError                a DBC cannot be used
    ├── ConfigurationError      a settings file is wrong (carries every problem)
    ├── ConflictError           what is to be saved was changed elsewhere meanwhile (carries both texts)
    ├── ChannelError            the channel map does not fit the log
    ├── NotEnoughDataError      a figure is refused because the data cannot carry it
    ├── DriveLibraryError       the drive library is damaged, locked or full
    ├── MissingExtraError       an optional package is not installed
    └── UsageError              an argument makes no sense

Anything that is not a ``LoganError`` is a fault of ours and keeps its traceback.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def plain_words(error: BaseException) -> str:
    """What went wrong, in words for users where a library's own were meant for programmers."""
    cause = getattr(error, "original_exception", error)
    if line := getattr(cause, "lineno", None):
        return f"its form is broken in line {line}"
    if isinstance(cause, UnicodeDecodeError):
        return f"byte {cause.start} belongs to no UTF-8 text"
    if isinstance(cause, OSError):
        return cause.strerror or "the system refused it"
    if isinstance(cause, KeyError):
        return f"{cause} is missing"
    if isinstance(cause, RecursionError):
        return "its parts lie too deep in each other"
    return str(cause) if type(cause) is ValueError else "its parts do not fit together"


class LoganError(Exception):
    """Base of every error that a user can cause and put right.

    Parameters
    ----------
    problem : str
        What is wrong, without a full stop.
    remedy : str
        What to do about it, without a full stop.
    path : Path, optional
        The file concerned.
    line : int, optional
        Line number in that file, from 1.
    byte_offset : int, optional
        Offset in a binary file, from 0.
    """

    def __init__(
        self,
        problem: str,
        remedy: str,
        path: Path | None = None,
        line: int | None = None,
        byte_offset: int | None = None,
    ) -> None:
        # Everything goes into args, so that the error survives pickling to a worker and back.
        super().__init__(problem, remedy, path, line, byte_offset)
        self.problem = problem
        self.remedy = remedy
        self.path = path
        self.line = line
        self.byte_offset = byte_offset

    @property
    def place(self) -> str:
        """File, and line or byte where known."""
        if self.path is None:
            return ""
        if self.line is not None:
            return f"{self.path}:{self.line}"
        if self.byte_offset is not None:
            return f"{self.path} at byte {self.byte_offset}"
        return str(self.path)

    def __str__(self) -> str:
        text = f"{self.problem}. {self.remedy}" if self.remedy else self.problem
        return f"{self.place}: {text}" if self.place else text


@contextmanager
def in_our_words(kind: type[LoganError], problem: str, remedy: str, path: Path | None = None) -> Iterator[None]:
    """Raise what the system refuses within the block as an error of ours; ``{}`` in ``problem`` is its reason."""
    try:
        yield
    except LoganError:
        raise
    except OSError as error:
        raise kind(problem.replace("{}", error.strerror or str(error)), remedy, path) from error


class LogReadError(LoganError, ValueError):
    """A log cannot be read."""


class UnknownLogFormatError(LogReadError):
    """No known log format, or more than one, recognises a file."""


class DbcError(LoganError, ValueError):
    """A DBC cannot be used."""


class ConfigurationError(LoganError, ValueError):
    """A settings file is wrong; ``problems`` lists every fault found in it."""

    def __init__(
        self,
        problem: str,
        remedy: str,
        path: Path | None = None,
        line: int | None = None,
        byte_offset: int | None = None,
        problems: tuple[str, ...] = (),
    ) -> None:
        super().__init__(problem, remedy, path, line, byte_offset)
        self.args = (problem, remedy, path, line, byte_offset, problems)
        self.problems = problems

    def __str__(self) -> str:
        return "\n".join([super().__str__(), *(f"  {problem}" for problem in self.problems)])


class ConflictError(LoganError):
    """What is to be saved was changed elsewhere since it was read; ``texts`` holds (key, yours, theirs)."""

    def __init__(self, what: str, texts: tuple[tuple[str, str, str], ...]) -> None:
        super().__init__(
            f"{what} changed elsewhere since you opened them, so nothing was saved", "Compare both and save again"
        )
        self.args = (what, texts)
        self.texts = texts


class ChannelError(LoganError, ValueError):
    """The channel map does not fit the log."""


class NotEnoughDataError(LoganError, ValueError):
    """A figure is refused, because the data cannot carry it."""


class DriveLibraryError(LoganError, OSError):
    """The drive library is damaged, locked or full."""


class DriveLibraryBusyError(DriveLibraryError):
    """Another process has held the drive library for long."""


class MissingExtraError(LoganError):
    """An optional package is not installed."""

    def __init__(self, extra: str, purpose: str) -> None:
        super().__init__(
            f"{purpose} needs the optional packages of '{extra}'",
            f"Install them with: pip install 'logan[{extra}]'",
        )
        self.args = (extra, purpose)


class UsageError(LoganError, ValueError):
    """An argument makes no sense."""
