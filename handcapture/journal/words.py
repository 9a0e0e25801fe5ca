"""Words that people give the journal: nicknames, titles, tags and notes, composed and checked before they go in."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from typing import Any, Final

from handcapture.errors import InputError

LONGEST_NICKNAME: Final = 80
LONGEST_TITLE: Final = 200
LONGEST_TAG: Final = 40
LONGEST_TEXT: Final = 20_000
_BLANKS: Final = frozenset("\u115f\u1160\u2800\u3164\uffa0")
"""Letters and signs that show nothing: Hangul fillers and the empty Braille pattern."""
_DIRECTION_MARKS: Final = frozenset("\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def clean(text: str) -> str:
    """Return text from a file as the database can hold it: half characters (lone surrogates) become question marks."""
    return text.encode(errors="replace").decode()


def _checked(text: str, what: str, longest: int) -> str:
    """Return text that a person typed, composed (NFC). InputError when it is too long or no text."""
    try:
        text.encode()
    except UnicodeEncodeError:
        raise InputError(f"{what} is not valid UTF-8 text. Type it again, or set the terminal to UTF-8.") from None
    text = unicodedata.normalize("NFC", text).strip()
    if len(text) > longest:
        raise InputError(f"{what} has {len(text)} characters; the limit is {longest}. Shorten it.")
    if "\0" in text:
        raise InputError(f"{what} holds a character that is no text (NUL). Type it again.")
    return text


def _line(text: str, what: str, longest: int) -> str:
    shown = _checked(text, what, longest)
    if any(unicodedata.category(c) in ("Cc", "Zl", "Zp") or c in _DIRECTION_MARKS for c in shown):
        raise InputError(f"{what} holds a line break or another control character. Write it on one line.")
    return shown


def checked_nickname(nickname: str) -> str:
    """Return a nickname as it is kept. InputError when it is empty, too long or no single line."""
    shown = _line(nickname, "The nickname", LONGEST_NICKNAME)
    if not any(unicodedata.category(c)[0] in "LNSP" and c not in _BLANKS for c in shown):
        raise InputError("The nickname is empty. Give one or more letters, figures or signs.")
    return shown


def is_nickname(nickname: Any, key: Any) -> bool:
    """Tell whether a nickname from an archive is one, and the key that stands beside it its own."""
    try:
        return isinstance(nickname, str) and checked_nickname(nickname) == nickname and alike_key(nickname) == key
    except InputError:
        return False


def alike_key(nickname: str) -> str:
    """Return what two nicknames that look alike have in common."""
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", nickname).casefold())
    # Characters that do not show tell nobody apart.
    return "".join(c for c in folded if unicodedata.category(c) != "Cf" and not "\ufe00" <= c <= "\ufe0f")


def checked_title(title: str) -> str:
    """Return a title as it is kept. InputError when it is too long or no single line."""
    return _line(title, "The title", LONGEST_TITLE)


def checked_text(text: str, what: str) -> str:
    """Return free text as it is kept. InputError when it is too long or no text."""
    return _checked(text, what, LONGEST_TEXT)


def checked_tag(tag: str) -> str:
    """Return a tag as it is kept. InputError when it is empty, too long or no single line."""
    shown = _line(tag, "The tag", LONGEST_TAG)
    if not shown:
        raise InputError("A tag is empty. Give a word.")
    return shown


def checked_tags(tags: Iterable[str]) -> tuple[str, ...]:
    """Return tags as they are kept, each once. InputError as for one."""
    return tuple(dict.fromkeys(checked_tag(tag) for tag in tags))
