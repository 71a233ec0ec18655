"""What bandit is told to leave out (pyproject.toml) is held here instead."""

import ast
import re
from pathlib import Path

import streamer

TOP = Path(streamer.__file__).parent
NOSEC = re.compile(r"# nosec(?! B\d{3}(, B\d{3})* # \S)")
"""A mark without a number lets everything of its line be; a reason must follow (behind a second
#, else bandit takes its words for names of tests)."""


def test_an_assert_only_tells_the_type_checker_what_holds() -> None:
    """`python -O` runs none: nothing that comes from outside may be judged by one."""
    wrong = []
    for path in sorted(TOP.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Assert) and not _narrows(node.test):
                wrong.append(f"{path.relative_to(TOP)}:{node.lineno}: {ast.unparse(node.test)}")
    assert wrong == []


def _narrows(test: ast.expr) -> bool:
    """`x is None`, `x is not None`, `isinstance(x, T)`."""
    if isinstance(test, ast.Compare) and isinstance(test.ops[0], ast.Is | ast.IsNot):
        right = test.comparators[0]
        return len(test.ops) == 1 and isinstance(right, ast.Constant) and right.value is None
    return (
        isinstance(test, ast.Call)
        and isinstance(test.func, ast.Name)
        and test.func.id == "isinstance"
    )


def test_a_mark_for_bandit_has_its_number_and_a_reason() -> None:
    wrong = [
        f"{path.relative_to(TOP)}:{number}: {line.strip()}"
        for path in sorted(TOP.rglob("*.py"))
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1)
        if NOSEC.search(line)
    ]
    assert wrong == []
    assert NOSEC.search("f()  # nosec")
    assert NOSEC.search("f()  # nosec B603")
    assert NOSEC.search("f()  # nosec - our own")
    assert not NOSEC.search("f()  # nosec B603 # our own")
