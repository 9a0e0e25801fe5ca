"""The named errors of the program. Each also is the standard exception it resembles."""

from typing import Final

_LONGEST: Final = 200
_LONGEST_TEXT: Final = 6000


def brief(error: BaseException) -> str:
    """Return what a library's error says, on one line without its full stop, cut where it goes on and on."""
    text = " ".join(str(error).split()).rstrip(".") or type(error).__name__
    return text if len(text) <= _LONGEST else text[:_LONGEST] + " …"


class HandcaptureError(Exception):
    """Base of all errors that a user can mend. Its text says what is wrong, where, and what to do.

    Files may put endless words into it: it is cut before it fills the screen.
    """

    exit_code = 2

    def __init__(self, text: str = "") -> None:
        super().__init__(text if len(text) <= _LONGEST_TEXT else f"{text[:_LONGEST_TEXT]} … (cut)")


class InputError(HandcaptureError, ValueError):
    """A file or a value given by the user cannot be used."""


class DocumentError(InputError):
    """A document (rest, layout, plan, panel) is malformed or of a newer version."""


class PhotoError(HandcaptureError, ValueError):
    """A photo was read, but nothing can be measured in it."""

    exit_code = 3


class InstallationError(HandcaptureError):
    """A part of the program itself is missing or damaged: no file of the user's is at fault."""


def not_imported(error: ImportError) -> InstallationError:
    """Return in words that a package of the program's is missing or broken."""
    return InstallationError(
        f"A package that handcapture needs cannot be used ({brief(error)}). handcapture doctor tells which, and what "
        "to do."
    )


class OutputError(HandcaptureError, OSError):
    """A result could not be written. What stood there before is whole."""
