"""Whether a regular expression can take so long for a hostile line that it stops the agent.

`re` tries one way after another (backtracking). It tries few where the next character alone says
which way is right: the alternatives begin with different characters, and what a repetition takes
differs from what may stand behind it (Brueggemann-Klein's "one-unambiguous" expressions, 1993; from
memory). So each place where two ways begin alike is found in the parsed expression, and the ways
are multiplied; within a part that is repeated they are multiplied once for each repetition.
What is not understood counts as alike: some harmless expressions are refused.
"""

import re
from typing import Any, Final

_LATIN: Final = 256  # characters below are told apart, the others by their class only
_DIGITS, _WORDS, _SPACES, _REST = (1 << (_LATIN + n) for n in range(4))
_ALL: Final = (1 << (_LATIN + 4)) - 1
_ASCII: Final = (1 << 128) - 1
_RELATIVES: Final = "kKsS\u00e5\u00c5\u00b5\u00df\u00ff"
"""What has another case beyond Latin-1 (K has the Kelvin sign, s the long s)."""
_MOST_WAYS: Final = 4
"""Times the square of a line's length. Such as `\\d+\\d+x` was measured to need 1.0 s for a hostile
line of 1,024 digits, 7.8 s for one of 2,048 (Python 3.11)."""
_MOST_TIMES: Final = 64  # two ways, so many times, are too many in any case


def _latin(category: str) -> int:
    pattern = re.compile(category)
    return sum(1 << code for code in range(_LATIN) if pattern.match(chr(code)))


class TooSlowError(ValueError):
    """An expression that may take too long; the text says what to write instead."""


class Judge:
    """Adds up the ways of one expression, for lines of at most `longest` characters."""

    def __init__(self, expression: str, longest: int) -> None:
        parser = re._parser  # type: ignore[attr-defined]
        tree = parser.parse(expression)
        self._longest = longest
        self._ascii = bool(tree.state.flags & re.ASCII or re.search(r"\(\?\w*a", expression))
        self._categories = {
            "DIGIT": _latin(r"\d") | _DIGITS,
            "WORD": _latin(r"\w") | _DIGITS | _WORDS,
            "SPACE": _latin(r"\s") | _SPACES,
        }
        anchored = len(tree) and str(tree[0][0]) == "AT" and "BEGINNING" in str(tree[0][1])
        self.ways = 1 if anchored else longest
        self.exponential = False
        self._judge(tree, follow=0, times=1, sure=True)

    def _choice(self, ways: int, times: int, *, sure: bool) -> None:
        if sure and times == 1:
            return  # the first way is the last: nothing behind it can fail
        self.ways *= ways ** min(times, _MOST_TIMES)
        self.exponential |= times > 1

    # -- where two ways begin alike --------------------------------------------------------

    def _judge(self, items: Any, *, follow: int, times: int, sure: bool) -> None:
        """Of a sequence behind which one of `follow` stands, run through up to `times` times;
        `sure` where what stands behind it cannot fail."""
        for item in reversed(list(items)):
            self._judge_one(*item, follow=follow, times=times, sure=sure)
            sure = sure and _cannot_fail([item])
            first, empty = self._begin([item])
            follow = first | (follow if empty else 0)

    def _judge_one(
        self, operation: Any, argument: Any, *, follow: int, times: int, sure: bool
    ) -> None:
        match str(operation):
            case "SUBPATTERN":
                self._judge(argument[-1], follow=follow, times=times, sure=sure)
            case "ATOMIC_GROUP":  # left as it was found: what stands behind changes nothing in it
                self._judge(argument, follow=0, times=times, sure=True)
            case "ASSERT" | "ASSERT_NOT":
                self._judge(argument[1], follow=0, times=times, sure=True)
            case "GROUPREF_EXISTS":
                for part in argument[1:]:
                    self._judge(part or [], follow=follow, times=times, sure=sure)
            case "BRANCH":
                self._branch(argument[1], follow=follow, times=times, sure=sure)
            case "POSSESSIVE_REPEAT":
                times *= min(int(argument[1]), _MOST_TIMES)
                self._judge(argument[2], follow=0, times=times, sure=True)
            case "MAX_REPEAT" | "MIN_REPEAT":
                self._repeat(*argument, follow=follow, times=times, sure=sure)

    def _branch(self, parts: Any, *, follow: int, times: int, sure: bool) -> None:
        seen, empties, alike = 0, 0, False
        for part in parts:
            self._judge(part, follow=follow, times=times, sure=sure)
            first, empty = self._begin(part)
            first |= follow if empty else 0
            empties += empty
            alike = alike or bool(seen & first) or empties > 1
            seen |= first
        if alike:
            self._choice(len(parts), times, sure=sure)

    def _repeat(
        self, least: int, most: int, body: Any, *, follow: int, times: int, sure: bool
    ) -> None:
        first, empty = self._begin(body)
        often = min(int(most), self._longest)
        if empty:
            self._choice(2, times * min(often, _MOST_TIMES), sure=sure)
        if least < int(most) and first & follow:
            self._choice(max(2, often - least + 1), times, sure=sure)
        if often > 1:
            follow |= first
        times *= max(1, min(often, _MOST_TIMES))
        self._judge(body, follow=follow, times=times, sure=sure)

    # -- how things begin ------------------------------------------------------------------

    def _begin(self, items: Any) -> tuple[int, bool]:
        """The characters that may begin a sequence, a bit each, and whether it may be empty."""
        first = 0
        for operation, argument in items:
            one, empty = self._begin_one(str(operation), argument)
            first |= one
            if not empty:
                return first, False
        return first, True

    def _begin_one(self, operation: str, argument: Any) -> tuple[int, bool]:
        match operation:
            case "AT" | "ASSERT" | "ASSERT_NOT":
                begin = 0, True
            case "LITERAL" | "NOT_LITERAL" | "IN" | "ANY":
                begin = self._one_of(operation, argument), False
            case "SUBPATTERN":
                begin = self._begin(argument[-1])
            case "ATOMIC_GROUP":
                begin = self._begin(argument)
            case "BRANCH":
                begin = self._any_of(argument[1])
            case "GROUPREF_EXISTS":
                begin = self._any_of([part or [] for part in argument[1:]])
            case "MAX_REPEAT" | "MIN_REPEAT" | "POSSESSIVE_REPEAT":
                first, empty = self._begin(argument[2])
                begin = first, empty or argument[0] == 0
            case _:  # a group once more, and what a later Python may have
                begin = _ALL, True
        return begin

    def _one_of(self, operation: str, argument: Any) -> int:
        """The characters of an operation that takes one."""
        if operation == "ANY":
            return _ALL
        if operation == "NOT_LITERAL":
            return _ALL & ~self._surely([("LITERAL", argument)])
        if operation == "LITERAL":
            return self._characters([(operation, argument)])
        if str(argument[0][0]) == "NEGATE":
            return _ALL & ~self._surely(argument[1:])
        return self._characters(argument)

    def _any_of(self, parts: Any) -> tuple[int, bool]:
        begins = [self._begin(part) for part in parts]
        first = 0
        for one, _ in begins:
            first |= one
        return first, any(empty for _, empty in begins)

    def _characters(self, items: Any) -> int:
        """All that a set may hold, in either case; rather too many."""
        found = 0
        for operation, argument in items:
            match str(operation):
                case "LITERAL":
                    found |= _either_case(argument, argument)
                case "RANGE":
                    found |= _either_case(*argument)
                case _:
                    found |= self._category(str(argument), widely=True)
        return found

    def _surely(self, items: Any) -> int:
        """What a set holds in any case; rather too few, since it is taken away."""
        found = 0
        for operation, argument in items:
            match str(operation):
                case "LITERAL":
                    found |= 1 << argument if argument < _LATIN else 0
                case "RANGE":
                    found |= _latin_range(*argument)
                case _:
                    found |= self._category(str(argument), widely=False)
        return found

    def _category(self, name: str, *, widely: bool) -> int:
        """Such as CATEGORY_NOT_DIGIT. With the flag ASCII it holds less, and its opposite more."""
        held = self._categories[name.rpartition("_")[2]]
        opposite = "NOT" in name
        if self._ascii and opposite == widely:
            held &= _ASCII
        return _ALL & ~held if opposite else held


def _cannot_fail(items: Any) -> bool:
    """Whether a sequence always matches, if need be nothing at all."""
    for operation, argument in items:
        match str(operation):
            case "MAX_REPEAT" | "MIN_REPEAT" | "POSSESSIVE_REPEAT":
                sure = argument[0] == 0 or _cannot_fail(argument[2])
            case "SUBPATTERN":
                sure = _cannot_fail(argument[-1])
            case "BRANCH":
                sure = any(_cannot_fail(part) for part in argument[1])
            case _:
                sure = False
        if not sure:
            return False
    return True


def _latin_range(low: int, high: int) -> int:
    return sum(1 << code for code in range(low, min(high, _LATIN - 1) + 1))


def _either_case(low: int, high: int) -> int:
    """The characters of a range and those that differ from them by case alone."""
    found = _latin_range(low, high)
    for code in range(low, min(high, _LATIN - 1) + 1):
        for other in chr(code).swapcase():
            found |= 1 << ord(other) if ord(other) < _LATIN else 0
    if high >= _LATIN:
        found |= sum(1 << ord(relative) for relative in _RELATIVES)
        found |= _class_of(chr(high)) if low == high else _DIGITS | _WORDS | _SPACES | _REST
    return found


def _class_of(character: str) -> int:
    if character.isdecimal():
        return _DIGITS
    if character.isspace():
        return _SPACES
    return _WORDS if character.isalnum() else _REST


def require_quick(expression: str, longest: int) -> None:
    """Raises TooSlowError where a line of `longest` characters could be matched in too many ways.

    `expression` must be one that `re.compile` takes.
    """
    try:
        judge = Judge(expression, longest)
    except AttributeError:
        return  # a Python without re._parser: the limit on the line remains
    except RecursionError:
        raise TooSlowError("it is nested too deeply to be judged") from None
    if judge.ways <= _MOST_WAYS * longest**2:
        return
    if judge.exponential:
        raise TooSlowError(
            "a part that is repeated can match the same text in more than one way, which can take "
            "exponential time; let its alternatives begin with different characters and nothing "
            "repeated be empty or stand beside its like, or make it possessive, such as (?:a++)+"
        )
    raise TooSlowError(
        f"its repetitions can share out a line of {longest} characters in too many ways; begin "
        "with ^, and say what cannot hold the character that follows, such as [^ ]* for .*"
    )
