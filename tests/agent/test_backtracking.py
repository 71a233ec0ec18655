"""Expressions that could stop an agent are refused; what is taken ends.

Examples marked OWASP are of its page "Regular expression Denial of Service", those marked docs of
the documentation of Python's `re` (possessive and atomic groups, 3.11); both from memory. The
others are common practice, no source.
"""

import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.agent.backtracking import TooSlowError, require_quick
from streamer.agent.patterns import MAX_LINE, PatternError, PatternSettings, compile_map

EXPONENTIAL = (
    r"(a+)+", r"([a-zA-Z]+)*", r"(a|aa)+", r"(a|a?)+", r"(.*a){11}",  # OWASP
    r"^(([a-z])+.)+[A-Z]([a-z])+$",  # OWASP, of a validator of class names
    r"(?:a|aa)+$", r"(a|a)*b", r"(?:x?y?)*", r"(?:\w|x*)*$", r"(x+x+)+y", r"(?:a{1,3})+$",
    r"(?i)(?:up|UP)+$", r"^(?:a|b|ab)*c", r"(?:a?){30}a{30}", r"(?:(?=a)a|a)*$", r"(?:\s*,?\s*)*;",
    r"()(?:\1)*", r"(?:\w+\W?)*!", r"(?a)(?:\W\w|\xe9.)*!", r"(?:[^,]*,?)*;", r"(?>(?:a|aa)+b)",
)  # fmt: skip
MANY_WAYS = (
    "^" + r"(?:\b|(?=a))" * 30 + "$",
    r"^a ([^ ]*) ?([^ ]*) ?([^ ]*) ?([^ ]*)$",
    r"\d+\d+\d+x", r"^\d+\d+\d+\d+$", r"^.*.*.*x", r".*a.*b", "^" + "a?" * 30 + "a" * 30,
    "^" + "(?:a|aa)" * 30 + "$",
)  # fmt: skip
HARMLESS = (
    r"a++b", r"(?:a++)+", r"(?>.*)x", r"(?>a|ab)+c",  # docs
    r"^(\S+) .* (a|b)*$", r"(?:\d{1,3}\.){3}", r"^(\S+)\s+(\S+)\s+(\S+)\s+(\w+)$", r"(?:\d+\.)+$",
    r"^(?:ab|cd)*$", r"(?:\w+\W+)*", r"^.*a.*b$", r".*rx (\d+)", r'^(?:[^"\\]|\\.)*$',
    r"(?:é|ü|ж)+", r"^\d+\d+$", r"^a ([^ ]*) ?([^ ]*) ?([^ ]*) ?([^ ]*)",
    r"^(?:-{3}| to (\S+))?(?: ber (\S+))?(?: gps (\S+))?$", r"(?i)^(?:up|down)+$", r"(?<=x)a*(?!b)",
    r"^(a)?(?(1)b|c)$", r"(?:[^\W\d]\d+)*$",
)  # fmt: skip


@pytest.mark.parametrize("expression", EXPONENTIAL)
def test_what_takes_exponential_time_is_refused(expression: str) -> None:
    with pytest.raises(TooSlowError, match="exponential"):
        require_quick(expression, MAX_LINE)


@pytest.mark.parametrize("expression", MANY_WAYS)
def test_too_many_ways_are_refused(expression: str) -> None:
    with pytest.raises(TooSlowError, match=r"too many ways.*begin with \^"):
        require_quick(expression, MAX_LINE)


@pytest.mark.parametrize("expression", HARMLESS)
def test_what_is_harmless_is_taken(expression: str) -> None:
    require_quick(expression, MAX_LINE)


def test_the_error_says_which_pattern_and_what_to_write() -> None:
    good = PatternSettings(map="m", event="repeater", regex=r"^(?P<up>up|down)$")
    bad = PatternSettings(map="m", event="repeater", regex=r"^(?P<up>(?:a|aa)+)$")
    with pytest.raises(PatternError, match=r"\[\[pattern\]\] 2, regex: .*possessive, such as"):
        compile_map([good, bad])


# Written out of these parts, an expression can be of every kind above.
_ATOMS = st.sampled_from(["a", "b", "[ab]", "[^a]", r"\w", r"\d", ".", "", "ab", "(?=a)", r"\b"])
_PARTS = st.recursive(
    _ATOMS,
    lambda inner: st.one_of(
        st.builds("(?:{}|{})".format, inner, inner),
        st.builds("{}{}".format, inner, inner),
        st.builds(
            "(?:{}){}".format, inner, st.sampled_from(["*", "+", "?", "*?", "{0,3}", "{3}", "++"])
        ),
        st.builds("(?>{})".format, inner),
    ),
    max_leaves=6,
)
_LINES = ("a", "b", "ab", "aab", "0", "a0")
_TRY = """
import re, resource, sys
resource.setrlimit(resource.RLIMIT_CPU, (int(sys.argv[1]), int(sys.argv[1])))
for expression in sys.stdin.read().splitlines():
    print(expression, flush=True)
    for part in sys.argv[2:]:
        re.search(expression, (part * 40)[:40] + "!")
print("ended")
"""


def _tried(expressions: list[str], cpu_s: int) -> str:
    """What a process that matches hostile lines last said: `ended`, or what it was stopped in."""
    done = subprocess.run(
        [sys.executable, "-c", _TRY, str(cpu_s), *_LINES],
        input="\n".join(expressions),
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert not done.stderr, done.stderr
    return done.stdout.splitlines()[-1]


def test_a_process_that_does_not_end_is_noticed() -> None:
    """The check below can fail."""
    assert _tried([r"^(?:a|aa)+$", r"^(?:(?:a|b)|\w)*0$"], 1) != "ended"


def test_whatever_is_taken_ends() -> None:
    """40 characters: an exponential expression needs 2^20 tries and more, mostly 2^40; what is left
    takes some thousands."""
    taken: set[str] = set()
    refused: set[str] = set()

    @given(_PARTS, st.sampled_from(["$", "0$", "!!", ""]), st.booleans())
    def judge(part: str, end: str, anchored: bool) -> None:
        expression = f"{'^' if anchored else ''}{part}{end}"
        try:
            require_quick(expression, MAX_LINE)
            taken.add(expression)
        except TooSlowError:
            refused.add(expression)

    judge()
    assert taken
    assert refused
    assert _tried(sorted(taken), 60) == "ended"
