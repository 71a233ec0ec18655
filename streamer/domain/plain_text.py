"""What text that people type may hold: nothing that a terminal would obey, and nothing that turns
the rest of a line round (the controls of Unicode's bidirectional algorithm, UAX 9). Pure.

The forms are written for JSON Schema, ECMA 262 and Python alike.
"""

import re
from typing import Final

_TURNS: Final = r"\u202a-\u202e\u2066-\u2069"
_LINE: Final = rf"\x00-\x1f\x7f-\x9f\u2028\u2029{_TURNS}"
NOTE_FORM: Final = rf"^[^\x00-\x09\x0b-\x1f\x7f-\x9f{_TURNS}]*$"
"""Any number of lines."""
TITLE_FORM: Final = rf"^[^{_LINE}]*[^\s{_LINE}][^{_LINE}]*$"
"""One line that is not blank."""
_CONTROL: Final = re.compile(f"[{_LINE}]")


def control_in(text: str) -> str | None:
    """The first character of a line that must not be in it, written out; None if there is none."""
    found = _CONTROL.search(text)
    return None if found is None else found.group().encode("unicode_escape").decode()
