"""Takes secrets out of text that is about to be logged: the last of several nets, not the first.

Passwords come from files and the environment and are not put into messages; but a library's error
may quote an address. What is taken out is what looks like one: a password in an address (RFC 3986,
3.2.1), and what stands behind `password`, `token`, `secret`, `key` in a query or a header. Standard
library only: the agent uses it too.
"""

import re
from typing import Any, Final

HIDDEN: Final = "***"
_IN_AN_ADDRESS: Final = re.compile(r"(?<=://)([^\s/?#@:\"']*):[^\s/?#\"']*(?=@)")
_WORD: Final = r"(?:[\w-]*(?:passw(?:or)?d|passwd|pwd|token|secret|api[_-]?key)[\w-]*)"
_NAMED: Final = re.compile(rf"(?i)\b({_WORD}[\"']?\s*[=:]\s*[\"']?)([^\s\"',;&#)}}\]]+)")
_BEARER: Final = re.compile(
    r"(?i)\b(authorization[\"']?\s*[:=]\s*[\"']?(?:basic|bearer)\s+|bearer\s+)[^\s\"',;]+"
)
_LEFT: Final = re.compile(r"(?i)_(?:file|variable)\b")


def scrub(text: str) -> str:
    """The text without what looks like a secret. Paths of files (`password_file`) stay."""
    if "@" in text:
        text = _IN_AN_ADDRESS.sub(rf"\1:{HIDDEN}", text)
    if "=" in text or ":" in text or "earer" in text:
        text = _BEARER.sub(rf"\1{HIDDEN}", text)
        text = _NAMED.sub(_without, text)
    return text


def _without(found: "re.Match[str]") -> str:
    return found[0] if _LEFT.search(found[1]) else f"{found[1]}{HIDDEN}"


def scrubbed(value: Any) -> Any:
    """The same of every text in a field's value, however deep; what is neither text, number nor
    collection is written as text."""
    if isinstance(value, str):
        return scrub(value)
    if value is None or isinstance(value, bool | int | float):
        return value
    if isinstance(value, dict):
        return {key: scrubbed(content) for key, content in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [scrubbed(content) for content in value]
    return scrub(str(value))
