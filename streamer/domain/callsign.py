"""Call signs: who may be a station, and why an identity is not one.

Formation follows the ITU Radio Regulations (RR), Article 19, Section III: Nos. 19.45 (characters),
19.50 and 19.50.1 (the first characters), 19.68 and 19.68.1 (amateur stations), 19.69 (they may use
the digits 0 and 1). The series are those of RR Appendix 42, see `data/itu_series.csv`.

What Nos. 19.47 and 19.48 forbid (distress signals, Q codes) needs no list of its own: such groups
are letters only, or lie in a series that is allotted to nobody. No. 19.68A (longer call signs for
special occasions) cannot be judged from the characters: list such a call sign as accepted.
"""

import csv
import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from importlib import resources
from typing import NamedTuple

LONGEST_RAW = 64
"""Characters of an identity that are looked at; a longer one is refused unread."""

LONGEST_CALL = 16
"""Characters of a call sign in the lists of accepted and denied ones."""

CACHED_VERDICTS = 16_384
"""Verdicts kept by one `CallSignRules`; at the limit all are dropped and gathered anew."""

# RR 19.68 names these; the series of the digit 2 (19.50.1) shows nationality by one character too,
# but gives no call sign with a prefix of one character.
_ONE_CHARACTER_PREFIXES = "BFGIKMNRW"

_BLANKS = " \t"
_UPPER = {lower: lower - 32 for lower in range(ord("a"), ord("z") + 1)}
_SEPARATOR = re.compile(r"[ \t]*([/-])[ \t]*|[ \t]+")
_CHARACTERS = re.compile(r"[A-Z0-9]+")
_NOT_A_CHARACTER = re.compile(r"[^A-Z0-9]")
_SUFFIX = re.compile(r"[A-Z0-9]{1,8}")
_MOST_PARTS = 3
# 19.68 and 19.68.1 with the series left open; the first two are never both digits (19.50).
_FORMATION = re.compile(
    r"(?![0-9]{2})(?:(?:[A-Z]|[A-Z0-9]{2})[0-9][A-Z0-9]{0,3}|[A-Z0-9]{3}[0-9][A-Z0-9]{0,2})[A-Z]"
)
_VISITOR_PREFIX_LONGEST = 4
_LONE_SURROGATE = re.compile("[\ud800-\udfff]")


class Reason(StrEnum):
    """Why an identity is not taken for a station."""

    WRONG_CHARACTERS = "wrong_characters"
    """Something other than A to Z and 0 to 9 (RR 19.45)."""
    WRONG_SUFFIX = "wrong_suffix"
    """Good characters, but what stands beside the call sign is not a suffix."""
    WORD = "word"
    """Letters only: a name or a word; every call sign has a digit (RR 19.68)."""
    WRONG_FORMATION = "wrong_formation"
    """Letters and digits, but not in the order or number of RR 19.50, 19.68, 19.68.1."""
    UNALLOTTED_SERIES = "unallotted_series"
    """RR Appendix 42 allots the series to nobody, and no configured prefix admits it."""
    DENIED = "denied"
    """On the configured deny list."""


@dataclass(frozen=True, slots=True)
class Accepted:
    """A station: `call` and `suffix` as `normalise` parts them.

    `holder` is the member state or organisation that holds the series (RR Appendix 42), None
    where configuration alone admitted the call sign.
    """

    call: str
    suffix: str
    holder: str | None


@dataclass(frozen=True, slots=True)
class Rejected:
    """No station. `raw` and `detail` can always be encoded as UTF-8.

    `raw` is the identity as given, cut to `LONGEST_RAW` characters, lone surrogates replaced;
    `detail` says in plain words what is wrong and where.
    """

    raw: str
    reason: Reason
    detail: str


Verdict = Accepted | Rejected


class Series(NamedTuple):
    """One line of RR Appendix 42: three characters to three characters, both included."""

    first: str
    last: str
    holder: str


@cache
def itu_series() -> tuple[Series, ...]:
    """The 952 series of RR Appendix 42 in the order of the ITU's export; read once."""
    file = resources.files("streamer.domain").joinpath("data", "itu_series.csv")
    lines = file.read_text(encoding="utf-8").splitlines()
    rows = csv.reader(line for line in lines if not line.startswith("#"))
    next(rows)  # the heading
    return tuple(Series(*row) for row in rows)


class _Prefixes(NamedTuple):
    """What the table says of prefixes: of one, two or (half series) three characters."""

    holders: dict[str, str]
    half_series: frozenset[str]


@cache
def _prefixes() -> _Prefixes:
    """Holders by prefix.

    A block of two characters is a half series when it is allotted to more than one *member state*
    (RR 19.50.1). The table also names territories, "State - Territory"; territories that share a
    block do not make it a half series, and the state stands as its holder.
    """
    blocks: defaultdict[str, list[Series]] = defaultdict(list)
    for series in itu_series():
        blocks[series.first[:2]].append(series)
    holders: dict[str, str] = {}
    half_series = set()
    for block, parts in blocks.items():
        names = {part.holder for part in parts}
        states = {name.partition(" - ")[0] for name in names}
        if len(states) == 1:
            holders[block] = names.pop() if len(names) == 1 else states.pop()
            continue
        half_series.add(block)
        for part in parts:
            for third in range(ord(part.first[2]), ord(part.last[2]) + 1):
                holders[block + chr(third)] = part.holder
    for letter in _ONE_CHARACTER_PREFIXES:
        owners = {holder for prefix, holder in holders.items() if prefix[0] == letter}
        if len(owners) == 1:
            holders[letter] = owners.pop()
    return _Prefixes(holders, frozenset(half_series))


def normalise(raw: str) -> tuple[str, str]:
    """Part an identity into (call, suffix), both upper case; the suffix may be empty.

    Blanks around it are dropped and ASCII letters become upper case; no other character changes,
    so that none can turn into a letter on the way (upper-casing a sharp s would give two).
    The call sign is the first part; '/', '-' or blanks end it, and the next part of 1 to 8
    letters and digits is the suffix: 'qa1abc/p' and 'QA1ABC  P' both give ('QA1ABC', 'P').

    A visitor's prefix before '/' (common practice, no source) is seen by this: at most four
    characters, and after the '/' something formed as a call sign which the prefix is not, or is
    but shorter. Then the call is the part after, and the prefix becomes the suffix unless another
    part follows: 'QD/QA1ABC' gives ('QA1ABC', 'QD'), 'QD/QA1ABC/P' gives ('QA1ABC', 'P').
    Of two equally long parts formed as call signs the first is the call.

    What cannot be parted so (more than three parts, an empty or overlong one, other characters)
    comes back whole as the call, with no suffix; `CallSignRules.judge` says what is wrong with it.
    Never raises, and normalising `f"{call} {suffix}"` again gives the same pair.
    """
    text = raw.strip(_BLANKS + "\r\n").translate(_UPPER)
    if _CHARACTERS.fullmatch(text):
        return text, ""
    pieces = _SEPARATOR.split(text, maxsplit=_MOST_PARTS)
    first, *others = pieces[0::2]
    if (
        not 1 <= len(others) < _MOST_PARTS
        or not _CHARACTERS.fullmatch(first)
        or not all(_SUFFIX.fullmatch(part) for part in others)
    ):
        return text, ""
    if pieces[1] == "/" and _is_visitor(first, others[0]):
        return others[0], others[1] if len(others) > 1 else first
    return first, others[0]


def _is_visitor(prefix: str, call: str) -> bool:
    """Whether 'prefix/call' is a visitor's; 'call/suffix' otherwise."""
    if len(prefix) > _VISITOR_PREFIX_LONGEST or not _FORMATION.fullmatch(call):
        return False
    return len(prefix) < len(call) or not _FORMATION.fullmatch(prefix)


@dataclass(frozen=True, init=False)
class CallSignRules:
    """Judges identities by the Radio Regulations and a region's own lists.

    `extra_prefixes` admit series that Appendix 42 does not allot: a call sign that starts with one
    is accepted if one, two or three characters, a digit and up to four characters (three after a
    prefix of three), the last a letter, make it up. `accepted_calls` are exact call signs accepted
    in any formation; `denied_calls` are refused whatever else holds. All are given without
    suffixes; case does not matter.

    Raises ValueError, naming the list and the entry, for an entry that could never match and for
    a call sign both accepted and denied. Equal lists make equal rules. Safe to share by threads.
    """

    extra_prefixes: tuple[str, ...]
    accepted_calls: frozenset[str]
    denied_calls: frozenset[str]
    _seen: dict[str, Verdict] = field(compare=False, repr=False)

    def __init__(
        self,
        extra_prefixes: Iterable[str] = (),
        accepted_calls: Iterable[str] = (),
        denied_calls: Iterable[str] = (),
    ) -> None:
        prefixes = _entries("extra_prefixes", extra_prefixes, longest=3)
        for prefix in prefixes:
            if len(prefix) > 1 and prefix[:2].isdigit():
                raise ValueError(
                    f"extra_prefixes: {prefix!r} starts with two digits; "
                    "no call sign does (RR 19.50)"
                )
        accepted = _entries("accepted_calls", accepted_calls, longest=LONGEST_CALL)
        denied = _entries("denied_calls", denied_calls, longest=LONGEST_CALL)
        if both := sorted(accepted & denied):
            raise ValueError(f"{both[0]!r} is both accepted and denied; strike it from one list")
        # The dataclass is frozen to everyone else.
        object.__setattr__(self, "extra_prefixes", tuple(sorted(prefixes)))
        object.__setattr__(self, "accepted_calls", accepted)
        object.__setattr__(self, "denied_calls", denied)
        object.__setattr__(self, "_seen", {})

    def judge(self, raw: str) -> Verdict:
        """Verdict on an identity as it was heard: normalised first, suffix kept apart.

        Never raises. Verdicts are remembered, at most `CACHED_VERDICTS` of them.
        """
        verdict = self._seen.get(raw)
        if verdict is None:
            if len(raw) > LONGEST_RAW:
                # Not remembered: long rubbish would make the bounded number of verdicts large.
                detail = f"{len(raw)} characters; an identity has at most {LONGEST_RAW}"
                return Rejected(_shown(raw), Reason.WRONG_FORMATION, detail)
            verdict = self._judge_heard(raw)
            # A plain dictionary, emptied when full, is bounded without a lock: threads that meet
            # here can only exceed the limit by their own number.
            if len(self._seen) >= CACHED_VERDICTS:
                self._seen.clear()
            self._seen[raw] = verdict
        return verdict

    def judge_exact(self, call: str) -> Verdict:
        """Verdict on a call sign exactly as given: nothing is normalised, no suffix is parted off.

        So lower case and '/' are wrong characters, as in RR 19.45. Never raises.
        """
        return self._judge(call, call, "")

    def _judge_heard(self, raw: str) -> Verdict:
        call, suffix = normalise(raw)
        if _SEPARATOR.search(call) and not _NOT_A_CHARACTER.search(_SEPARATOR.sub("", call)):
            # It came back whole, though nothing in it but the parting is wrong.
            detail = (
                "beside the call sign at most two parts of 1 to 8 letters and digits, "
                "each after one '/', one '-' or blanks"
            )
            return Rejected(_shown(raw), Reason.WRONG_SUFFIX, detail)
        return self._judge(raw, call, suffix)

    def _judge(self, raw: str, call: str, suffix: str) -> Verdict:
        if call in self.denied_calls:
            return Rejected(_shown(raw), Reason.DENIED, f"{call} is on the deny list")
        found = _by_the_regulations(call)
        if isinstance(found, str):
            return Accepted(call, suffix, found)
        has_extra_prefix = call.startswith(self.extra_prefixes)
        if call in self.accepted_calls or (has_extra_prefix and _FORMATION.fullmatch(call)):
            return Accepted(call, suffix, None)
        if found.reason is Reason.UNALLOTTED_SERIES and has_extra_prefix:
            found = _Fault(
                Reason.WRONG_FORMATION,
                "the prefix is admitted by configuration, but then come a digit and 1 to 4 "
                "characters, the last a letter (RR 19.68)",
            )
        return Rejected(_shown(raw), found.reason, found.detail)


class _Fault(NamedTuple):
    reason: Reason
    detail: str


def _by_the_regulations(call: str) -> str | _Fault:
    """The holder of the call sign's series, or what the Radio Regulations have against it."""
    fault = _fault_of_any_prefix(call)
    if fault:
        return fault
    holders, half_series = _prefixes()
    longest_group, article = 4, "RR 19.68"
    if call[0] in _ONE_CHARACTER_PREFIXES and call[1].isdigit():
        prefix = call[0]
    elif call[:2] in half_series:
        prefix = call[:3]
        longest_group, article = 3, "RR 19.68.1"
        if prefix[2].isdigit():
            detail = f"{call[:2]} is a half series: a third letter comes before the digit"
            return _Fault(Reason.WRONG_FORMATION, f"{detail} ({article})")
    else:
        prefix = call[:2]
    if prefix not in holders:
        detail = f"the series {prefix} is allotted to nobody (RR Appendix 42)"
        return _Fault(Reason.UNALLOTTED_SERIES, detail)
    detail = _fault_after(prefix, call, longest_group)
    return _Fault(Reason.WRONG_FORMATION, f"{detail} ({article})") if detail else holders[prefix]


def _fault_of_any_prefix(call: str) -> _Fault | None:
    """What is wrong whatever the series: characters, no digit, length, two digits in front."""
    wrong = _NOT_A_CHARACTER.search(call)
    if wrong:
        detail = f"{wrong.group()!a} at position {wrong.start() + 1}"
        return _Fault(Reason.WRONG_CHARACTERS, f"{detail}; A to Z and 0 to 9 only (RR 19.45)")
    if call.isalpha():
        return _Fault(Reason.WORD, "letters only; a call sign has a digit (RR 19.68)")
    if not 3 <= len(call) <= 7:
        detail = f"{len(call)} characters; a call sign has 3 to 7 (RR 19.68)"
        return _Fault(Reason.WRONG_FORMATION, detail)
    if call[:2].isdigit():
        return _Fault(Reason.WRONG_FORMATION, "starts with two digits (RR 19.50)")
    return None


def _fault_after(prefix: str, call: str, longest_group: int) -> str:
    """What is wrong behind the prefix, or the empty string."""
    digit, group = call[len(prefix) : len(prefix) + 1], call[len(prefix) + 1 :]
    if not digit.isdigit():
        return f"no digit after the prefix {prefix}"
    if not 1 <= len(group) <= longest_group:
        return f"{len(group)} characters after {prefix}{digit}; 1 to {longest_group} are allowed"
    if not group[-1].isalpha():
        return f"the last character is {group[-1]}, not a letter"
    return ""


def _shown(raw: str) -> str:
    """`raw` in a length and in characters that every store and wire format takes."""
    short = raw if len(raw) <= LONGEST_RAW else raw[: LONGEST_RAW - 1] + "…"
    return _LONE_SURROGATE.sub("\N{REPLACEMENT CHARACTER}", short)


def _entries(name: str, entries: Iterable[str], longest: int) -> frozenset[str]:
    """The entries of a configured list in upper case, checked."""
    if isinstance(entries, str):
        raise ValueError(f"{name}: a list is wanted, not the single string {entries!r}")
    upper = {entry.strip(_BLANKS).translate(_UPPER) for entry in entries}
    for entry in sorted(upper):
        if not _CHARACTERS.fullmatch(entry) or len(entry) > longest:
            raise ValueError(
                f"{name}: {entry!a} must be 1 to {longest} characters, "
                "A to Z and 0 to 9, without a suffix"
            )
    return frozenset(upper)
