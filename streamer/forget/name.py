"""One station that is to be forgotten: where it is named, and what stands there instead. Pure.

Its call sign goes wherever it stands as a word, in whatever case, since people write as they like;
an identity without a digit only as it is kept, in capitals, or common words would go with it. Names
of the region file that look alike (a gateway may be called after its keeper) stay.
"""

import re
import secrets
import string
from collections.abc import Iterable
from typing import Any, Final

from pydantic_core import from_json, to_json

from streamer.config import RegionView
from streamer.domain.callsign import LONGEST_CALL, normalise

SHORTEST_CALL: Final = 3
_CALL: Final = re.compile(rf"[A-Z0-9]{{{SHORTEST_CALL},{LONGEST_CALL}}}")
_PSEUDONYM: Final = "FORGOTTEN"
_RANDOM: Final = 6
"""Characters of the pseudonym that are drawn: nothing of the name goes into them."""
_IDENTITY: Final = ("station", "call")
_OF_WHOM: Final = (*_IDENTITY, "subject")
"""Fields that say whom what stands beside them is about; an identity may have come with more."""
_PERSONAL: Final = frozenset(
    {
        "suffix", "fix_ms", "lat", "lon", "speed_mps", "course_deg", "position", "position_at",
        "name", "agency", "assignment", "note",
    }
)  # fmt: skip
"""Fields that go where they stand beside the station's name. None of them must be there."""
_AS_IT_CAME: Final = "excerpt"
_UUID: Final = r"[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}"
"""Boots and overs are called so (RFC 9562): a part of one that looks like a call sign is chance."""
_ESCAPED: Final = re.compile(r"\\+u00([0-7][0-9a-fA-F])")


class Nameless(ValueError):
    """What is to be forgotten cannot be; the text says why and what to do."""


def new_pseudonym() -> str:
    """As long as no call sign is, so that it is never taken for one; it can stand where an accepted
    identity stands."""
    letters = string.ascii_uppercase + string.digits
    return _PSEUDONYM + "".join(secrets.choice(letters) for _ in range(_RANDOM))


class Name:
    """`call` as it is kept: in capitals, without a suffix; `pseudonym` is what replaces it where a
    count or an order of events hangs on it. Raises Nameless."""

    def __init__(self, call: str, view: RegionView, pseudonym: str | None = None) -> None:
        self.view = view
        self.call = call.strip().upper()
        self.pseudonym = pseudonym or new_pseudonym()
        _must_be_forgettable(self.call, view)
        flags = re.IGNORECASE if any(c.isdigit() for c in self.call) else re.NOFLAG
        word = rf"{_UUID}|(?<![A-Za-z0-9])(?P<name>{self.call})(?![A-Za-z0-9])"
        self._word = re.compile(word, flags | re.ASCII)
        self._bytes = re.compile(word.encode(), flags)
        ports = (name.partition("/")[2] for name in view.sites)
        self._alike = {view.name, *view.gateways, *ports}
        self._check_outs = {word.upper() for word in view.check_out_words}

    @property
    def also_of_region(self) -> tuple[str, ...]:
        """Names of the region file that are the same but for their case."""
        return tuple(sorted(n for n in self._alike if n.upper() == self.call))

    def also_check_outs(self, words: Iterable[str]) -> None:
        """Words that check out by another version of the region file; they are kept too."""
        self._check_outs |= {word.upper() for word in words}

    # -- where -----------------------------------------------------------------------------------

    def in_text(self, text: str) -> bool:
        """Whether it stands there as a word, written out or as JSON may escape it."""
        return self._in_plain(text) or ("\\u00" in text and self._in_plain(_unescaped(text)))

    def may_be_in(self, content: bytes) -> bool:
        """The same of bytes; may be True without reason, never False without."""
        found = any(found["name"] for found in self._bytes.finditer(content))
        return found or b"\\u00" in content

    def _in_plain(self, text: str) -> bool:
        names = (found["name"] for found in self._word.finditer(text))
        return any(name is not None and name not in self._alike for name in names)

    def is_it(self, value: object) -> bool:
        """Whether a value names the station itself, with or without a suffix."""
        if not isinstance(value, str) or not self._in_plain(value):
            return False
        return normalise(value)[0] == self.call or self.call in value.split(" ")

    # -- instead ---------------------------------------------------------------------------------

    def renamed(self, text: str) -> str:
        """The text with the pseudonym for the name, and nothing else changed."""
        plain = self._word.sub(self._instead, text)
        if "\\u00" in plain and self._in_plain(_unescaped(plain)):
            return ""  # written so that nobody should find it: nothing can be kept of that
        return plain

    def _instead(self, found: re.Match[str]) -> str:
        is_other = found["name"] is None or found["name"] in self._alike
        return found.group() if is_other else self.pseudonym

    def cleared(self, text: str, *, drop: bool) -> str:
        """A text in which JSON may stand, alone, behind a few words, or on several lines.

        With `drop` what is about the station goes altogether; without it stands under the
        pseudonym, so that counts stay true. What is personal goes either way.
        """
        if not self.in_text(text):
            return text
        return "\n".join(self._line(line, drop) for line in text.split("\n"))

    def _line(self, line: str, drop: bool) -> str:
        if not self.in_text(line):
            return line
        begins = min((at for at in (line.find("{"), line.find("[")) if at >= 0), default=-1)
        if begins < 0:
            return self.renamed(line)
        try:
            value = from_json(line[begins:])
        except ValueError:
            return self.renamed(line)
        return self.renamed(line[:begins]) + to_json(self.value(value, drop=drop)).decode()

    def value(self, value: Any, *, drop: bool) -> Any:
        """The same of a value as JSON has it."""
        if isinstance(value, str):
            return self.cleared(value, drop=drop)
        if isinstance(value, list):
            kept = [v for v in value if not (drop and self._is_about_it(v))]
            return [self.value(v, drop=drop) for v in kept]
        if isinstance(value, dict):
            return self._object(value, drop)
        return value

    def _is_about_it(self, value: Any) -> bool:
        if isinstance(value, dict):
            return any(self._says_it(field, value.get(field)) for field in _OF_WHOM)
        return self.is_it(value)

    def _says_it(self, field: str, value: object) -> bool:
        named = field in _IDENTITY and isinstance(value, str) and self._in_plain(value)
        return named or self.is_it(value)

    def _object(self, value: dict[str, Any], drop: bool) -> dict[str, Any]:
        about = self._is_about_it(value)
        made: dict[str, Any] = {}
        for field, inner in value.items():
            if (about and self._is_personal(field, inner, value)) or (drop and self.in_text(field)):
                continue
            if field in _IDENTITY and self._says_it(field, inner):
                made[field] = self.pseudonym  # without what stood beside the call sign
            elif field == _AS_IT_CAME and isinstance(inner, str) and self.in_text(inner):
                made[field] = ""
            else:
                made[self.renamed(field)] = self.value(inner, drop=drop)
        return made

    def _is_personal(self, field: str, inner: Any, beside: dict[str, Any]) -> bool:
        """A text goes where it is one that was sent with an over, unless it checks out: the state
        hangs on that word, and it tells nothing else."""
        if field == "text" and "phase" in beside:
            return str(inner).strip().upper() not in self._check_outs
        return field in _PERSONAL


def _unescaped(text: str) -> str:
    return _ESCAPED.sub(lambda found: chr(int(found[1], 16)), text)


def _must_be_forgettable(call: str, view: RegionView) -> None:
    if not _CALL.fullmatch(call):
        raise Nameless(
            f"{call[:40]!r} is no name of a station: give the call sign without a suffix, "
            f"{SHORTEST_CALL} to {LONGEST_CALL} letters and digits"
        )
    if call in view.groups:
        raise Nameless(f"{call} is a group of the region file, not a station")
    if call in view.check_out_words:
        raise Nameless(f"{call} is a word that checks out; it cannot be told from a name")
