"""What may come of reading a file, and what may not: the judge of the fuzzer.

A reader succeeds, or ends with one of the program's named errors, in time and in bounded memory. Readers catch much of
what libraries raise, so a named error alone proves little: time is told by a clock and a mark that the alarm sets,
memory by the process's peak, and the errors that led to the named one are looked through for want of memory and for
mistakes of our own code.
"""

from __future__ import annotations

import contextlib
import resource
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from handcapture.errors import HandcaptureError

SECONDS = 20
GROWTH_BYTES = 1_500_000_000
"""By how much a process may grow while it reads one file. The largest photo (50 megapixels, WebP) takes 1.1 GB."""
PACKAGE = str(Path(__file__).resolve().parents[1] / "handcapture")
_MISTAKES = (AssertionError, AttributeError, NameError)
"""Where our own code raises these it is wrong, whoever catches them."""
_MISTAKES_BELOW = (ArithmeticError, LookupError, RecursionError, TypeError)
"""These are how a value is tried (float(x), names[x]); wrong where they come from below the function that tries."""
_LONGEST = 20_000
_NO_MEMORY = ("nsufficient memory", "Unable to allocate", "annot allocate memory")


class TooLong(BaseException):
    """The alarm. No reader catches it by mistake, as it would an OSError."""


@dataclass(frozen=True)
class Outcome:
    """What came of a file: whether it was read, and what happened that may not happen (None: nothing)."""

    read: bool
    told: str | None
    growth_bytes: int = 0
    seconds: float = 0.0


def attempt(reader: Callable[[Path], object], path: Path) -> str | None:
    """Read a file; None when it went well or ended with a named error, else what happened."""
    return outcome(reader, path).told


def outcome(reader: Callable[[Path], object], path: Path, most_seconds: float | None = None) -> Outcome:
    """Read a file and judge what came of it. KeyboardInterrupt goes through."""
    most = SECONDS if most_seconds is None else most_seconds
    late = False

    def alarm(*_: Any) -> None:
        nonlocal late
        late = True
        raise TooLong

    told: str | None = None
    read = False
    before_bytes, before_children = _peak_bytes(anew=True), _peak_bytes(resource.RUSAGE_CHILDREN)
    earlier = signal.signal(signal.SIGALRM, alarm)
    start = time.monotonic()
    signal.setitimer(signal.ITIMER_REAL, most)
    try:
        reader(path)
        read = True
    except HandcaptureError as error:
        text = str(error)
        told = behind(error) if text.strip() and len(text) < _LONGEST else "an error without a sentence"
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        told = _plain(error)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, earlier)
    # Code in C is not interrupted: then the alarm rings when it comes back, or is switched off before it does.
    seconds = time.monotonic() - start
    growth = _peak_bytes() - before_bytes
    children = _peak_bytes(resource.RUSAGE_CHILDREN)
    growth = max(growth, children) if children > before_children else growth
    if late or seconds > most:
        return Outcome(False, f"longer than {most:g} s", growth, seconds)
    if told is None and growth > GROWTH_BYTES:
        told = f"more than {GROWTH_BYTES / 1e9:.1f} GB"
    return Outcome(read, told, growth, seconds)


def behind(error: BaseException) -> str | None:
    """Return what stands behind a named error that none may stand for: no memory, a mistake of our own code.

    `raise ... from None` hides what was caught from the user, but keeps it as the context.
    """
    seen: set[int] = set()
    waiting: list[BaseException | None] = [error]
    while waiting:
        current = waiting.pop()
        if current is None or id(current) in seen:
            continue
        seen.add(id(current))
        waiting += [current.__cause__, current.__context__]
        told = _plain(current)
        if isinstance(current, MemoryError) or any(words in told for words in _NO_MEMORY):
            return f"behind a named error, {told}"
        place, deep = _raised_in(current)
        wrong = isinstance(current, _MISTAKES) or (deep and isinstance(current, _MISTAKES_BELOW))
        if wrong and place.startswith(PACKAGE):
            return f"behind a named error, at {place[len(PACKAGE) + 1 :]}, {told}"
    return None


def _plain(error: BaseException) -> str:
    """Return an error in one short line that any terminal and file takes."""
    told = f"{type(error).__name__}: {error}"[:300]
    return told.encode("ascii", "backslashreplace").decode()


def _raised_in(error: BaseException) -> tuple[str, bool]:
    """Return the file and line that an error came from, and whether that is below the function that caught it."""
    trace = error.__traceback__
    deep = trace is not None and trace.tb_next is not None
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    return ("", False) if trace is None else (f"{trace.tb_frame.f_code.co_filename}:{trace.tb_lineno}", deep)


def _peak_bytes(whose: int = resource.RUSAGE_SELF, anew: bool = False) -> int:
    """Return the most memory that this process has had; `anew`: from now on, where the system can do that.

    Of children, what the largest of those had that are gone.
    """
    if anew:
        with contextlib.suppress(OSError):  # Linux alone has it (proc(5), clear_refs)
            Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    peak = resource.getrusage(whose).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024
