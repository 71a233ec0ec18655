"""`python -m tests.audit`: known faults of the packages that are installed here.

Exit code 1 if there is an advisory that .ci/advisories.toml does not let be, 2 if that file is
wrong. Where no service can be asked, one line says that NOTHING was audited and the code is 0;
with STREAMER_AUDIT_MUST=1, for a release, it is 1, and so it is if a single package was not
audited.
"""

import argparse
import os
import sys
import tempfile
from collections.abc import Collection, Iterator, Sequence
from datetime import UTC, date, datetime
from pathlib import Path

from tests.audit.advisories import Answer, Finding, first_answer
from tests.audit.ignored import Ignored, WrongFile, read_ignored
from tests.audit.installed import AGENT, Installed, installed

MUST = "STREAMER_AUDIT_MUST"
_TOP = Path(__file__).parents[2]


def main(arguments: Sequence[str] | None = None, today: date | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.audit", description=__doc__)
    parser.add_argument("--osv-url", metavar="URL", help="ask this, which answers as OSV's API")
    parser.add_argument("--project", type=Path, default=_TOP / "pyproject.toml", metavar="FILE")
    parser.add_argument(
        "--ignored", type=Path, default=_TOP / ".ci" / "advisories.toml", metavar="FILE"
    )
    given = parser.parse_args(arguments)
    try:
        ignored = read_ignored(given.ignored)
    except WrongFile as error:
        print(f"advisories: {error}")
        return 2
    here = installed(given.project)
    with tempfile.TemporaryDirectory() as folder:
        answer, failed = first_answer(here.versions, Path(folder), given.osv_url)
    must = os.environ.get(MUST, "") not in ("", "0")
    lines, code = (
        judged(answer, here, ignored, today or datetime.now(UTC).date(), must)
        if answer
        else unanswered(failed, must)
    )
    print("\n".join(lines))
    return code


def judged(
    answer: Answer, here: Installed, ignored: Sequence[Ignored], today: date, must: bool
) -> tuple[list[str], int]:
    """What to print and the exit code."""
    bad = list(_told(answer, here, ignored, today))
    gone = sorted({*here.missing, *answer.not_audited})
    return [*bad, *_counted(answer, here, gone)], int(bool(bad) or (must and bool(gone)))


def unanswered(failed: Collection[Answer], must: bool) -> tuple[list[str], int]:
    """The same where no service could be asked."""
    why = "; ".join(f"{one.service}: {one.fault}" for one in failed)
    line = f"advisories: NOTHING was audited, no service of advisories answered ({why})"
    return [line, f"advisories: {MUST} is set, so this fails"][: 1 + must], int(must)


def _told(
    answer: Answer, here: Installed, ignored: Sequence[Ignored], today: date
) -> Iterator[str]:
    """A line for each advisory that counts."""
    for finding in answer.findings:
        known = [one for one in ignored if _is(one, finding)]
        if any(one.until > today for one in known):
            continue
        where = ", ".join(sorted(here.parts[finding.package]))
        mended = ", ".join(finding.mended_in) or "no version yet"
        line = f"advisories: {finding.package} {finding.version}: {' = '.join(finding.ids)}"
        late = "".join(f"; was let be until {one.until}: {one.reason}" for one in known)
        yield f"{line}; mended in: {mended}; part of: {where}{late}"


def _is(one: Ignored, finding: Finding) -> bool:
    return one.package == finding.package and one.id in finding.ids


def _counted(answer: Answer, here: Installed, gone: Sequence[str]) -> Iterator[str]:
    for part, names in ((AGENT, here.of(AGENT)), ("everything", sorted(here.versions))):
        asked = [name for name in names if name not in gone]
        faulty = {f.package for f in answer.findings if f.package in asked}
        yield (
            f"advisories: {part}: {len(asked)} packages audited ({answer.service}), "
            f"{len(faulty)} with an advisory"
        )
    if gone:
        yield f"advisories: NOT audited: {', '.join(gone)}"


if __name__ == "__main__":
    sys.exit(main())
