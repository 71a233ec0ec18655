"""`python -m tests.audit` against stand-ins for a service of advisories.

The stand-ins answer as OSV documents its API (osv.dev, POST /v1/query): `{}` where nothing is
known, else `{"vulns": [...]}` in the OSV schema; the guide's own example is jinja2 2.4.1. The
project audited is a made-up one that needs packages which the tests have anyway.
"""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.metadata import version
from pathlib import Path

import pytest

from tests.audit.__main__ import MUST, judged, main, unanswered
from tests.audit.advisories import CANARY, Answer, Finding
from tests.audit.ignored import Ignored, read_ignored
from tests.audit.installed import installed
from tests.servers import free_port

KNOWN = {CANARY[0]: ["PYSEC-2021-66", "CVE-2020-28493"]}
"""What a stand-in needs to know to be trusted. The CVE is one of that version; PYSEC's number is
from memory."""
PROJECT = """
[project]
name = "made-up"
dependencies = ["iniconfig"]
[project.optional-dependencies]
page = ["jinja2>=3"]
all = ["Made_Up[page]", "never-heard-of-it; python_version < '3'"]
"""


class _Osv(ThreadingHTTPServer):
    """Knows of faults of packages by name, and answers 503 once its patience has run out."""

    def __init__(self, known: dict[str, list[str]], patience: int) -> None:
        super().__init__(("127.0.0.1", free_port()), _Handler)
        self.known = known
        self.left = patience
        self.asked: list[tuple[str, str]] = []


class _Handler(BaseHTTPRequestHandler):
    server: _Osv

    def do_POST(self) -> None:
        query = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        name, pinned = query["package"]["name"], query["version"]
        assert query["package"]["ecosystem"] == "PyPI"
        self.server.asked.append((name, pinned))
        self.server.left -= 1
        # The canary's faults are those of its version; the others' of whichever is installed.
        listed = name != CANARY[0] or pinned == CANARY[1] or len(self.server.known[name]) > 2
        ids = self.server.known.get(name, []) if listed else []
        fixed = {"type": "ECOSYSTEM", "events": [{"introduced": "0"}, {"fixed": "99.1"}]}
        affected = {"package": {"name": name, "ecosystem": "PyPI"}, "ranges": [fixed]}
        vuln = {"id": ids[0], "aliases": ids[1:], "affected": [affected]} if ids else None
        body = json.dumps({"vulns": [vuln]} if vuln else {}).encode()
        self.send_response(200 if self.server.left >= 0 else 503)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        pass


@contextmanager
def osv(known: dict[str, list[str]], patience: int = 1000) -> Iterator[tuple[_Osv, str]]:
    with _Osv(known, patience) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield server, f"http://127.0.0.1:{server.server_port}/v1/query"
        finally:
            server.shutdown()
            thread.join()


@pytest.fixture
def project(tmp_path: Path) -> Path:
    path = tmp_path / "pyproject.toml"
    path.write_text(PROJECT)
    return path


def audit(project: Path, url: str, ignored: str = "") -> int:
    path = project.parent / "advisories.toml"
    path.write_text(ignored)
    words = ["--osv-url", url, "--project", str(project), "--ignored", str(path)]
    return main(words, date(2026, 11, 28))


def test_nothing_is_known(
    project: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(MUST, "1")
    with osv(KNOWN) as (server, url):
        assert audit(project, url) == 0
    told = capsys.readouterr().out
    assert "agent: 1 packages audited (osv), 0 with an advisory" in told
    # iniconfig, jinja2 and its markupsafe; pip, and setuptools where it is.
    here = installed(project)
    assert {"iniconfig", "jinja2", "markupsafe", "pip"} <= set(here.versions)
    assert f"everything: {len(here.versions)} packages audited (osv), 0 with" in told
    assert set(server.asked) == {CANARY, *here.versions.items()}
    assert "NOT" not in told


def test_a_finding_fails(project: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with osv({**KNOWN, "iniconfig": ["PYSEC-2026-1", "CVE-2026-0001"]}) as (_, url):
        assert audit(project, url) == 1
    told = capsys.readouterr().out
    assert (
        f"iniconfig {version('iniconfig')}: PYSEC-2026-1 = CVE-2026-0001; mended in: 99.1" in told
    )
    assert "part of: agent, all, page" in told
    assert "agent: 1 packages audited (osv), 1 with an advisory" in told


def ignore(package: str = "iniconfig", number: str = "CVE-2026-0001") -> Ignored:
    reason = "made up for this test, and touches nobody"
    return Ignored(id=number, package=package, reason=reason, until=date(2026, 12, 24))


@pytest.mark.parametrize(
    ("known", "today", "counts"),
    [
        (ignore(), date(2026, 12, 23), False),
        (ignore(), date(2026, 12, 24), True),
        (ignore(number="PYSEC-2026-1"), date(2026, 12, 23), False),
        (ignore(number="CVE-2026-0002"), date(2026, 12, 23), True),
        (ignore(package="jinja2"), date(2026, 12, 23), True),
    ],
)
def test_a_finding_is_let_be_until_a_day(
    project: Path, known: Ignored, today: date, counts: bool
) -> None:
    finding = Finding("iniconfig", "1.0", ("PYSEC-2026-1", "CVE-2026-0001"), ())
    answer = Answer("osv", findings=(finding,))
    lines, code = judged(answer, installed(project), [known], today, must=False)
    assert code == counts
    assert lines[0].startswith("advisories: iniconfig 1.0: PYSEC") == counts
    late = counts and known == ignore()
    assert ("was let be until 2026-12-24: made up for this test" in lines[0]) == late


def test_no_service_is_told_and_only_a_release_fails(
    project: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(MUST, raising=False)
    assert audit(project, f"http://127.0.0.1:{free_port()}/v1/query") == 0
    told = capsys.readouterr().out
    assert told.startswith("advisories: NOTHING was audited")
    assert len(told.splitlines()) == 1
    failed = [Answer("osv", "it is dead")]
    assert unanswered(failed, must=False)[1] == 0
    lines, code = unanswered(failed, must=True)
    assert code == 1
    assert lines[0].startswith("advisories: NOTHING was audited")
    assert "it is dead" in lines[0]


def test_a_service_that_knows_nothing_at_all_has_audited_nothing(
    project: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What pip-audit itself calls "No known vulnerabilities found"."""
    with osv({}) as (server, url):
        assert audit(project, url) == 0
    assert server.asked == [CANARY]
    told = capsys.readouterr().out
    assert "NOTHING was audited" in told
    assert "it finds nothing wrong with jinja2 2.4.1" in told


def test_a_service_that_gives_up_half_way_has_audited_nothing(
    project: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with osv(KNOWN, patience=2) as (server, url):
        assert audit(project, url) == 0
    assert len(server.asked) > 2
    assert "NOTHING was audited" in capsys.readouterr().out


def test_a_package_that_is_not_there_is_named(project: Path) -> None:
    project.write_text(PROJECT.replace("< '3'", ">= '3'"))
    here = installed(project)
    silent = Answer("osv", not_audited=("jinja2",))
    for answer, gone in (
        (Answer("osv"), "never-heard-of-it"),
        (silent, "jinja2, never-heard-of-it"),
    ):
        lines, code = judged(answer, here, [], date(2026, 11, 28), must=False)
        assert code == 0
        assert lines[-1] == f"advisories: NOT audited: {gone}"
        assert judged(answer, here, [], date(2026, 11, 28), must=True)[1] == 1


IGNORED = """
[[ignored]]
id = "CVE-2026-0001"
package = "iniconfig"
reason = "made up for this test, and touches nobody"
until = 2026-12-24
"""


def test_the_list_of_ignored_is_read(tmp_path: Path) -> None:
    path = tmp_path / "advisories.toml"
    path.write_text(IGNORED)
    assert read_ignored(path) == (ignore(),)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("[[ignored]\n", "Expected"),
        (IGNORED.replace("2026-12-24", '"soon"'), "ignored[1].until"),
        (IGNORED.replace("made up for this test, and touches nobody", "no"), "reason"),
        (IGNORED.replace("until", "untill"), "until"),
    ],
)
def test_a_wrong_list_of_ignored_is_refused(
    project: Path, capsys: pytest.CaptureFixture[str], content: str, said: str
) -> None:
    assert audit(project, "http://127.0.0.1:1/", content) == 2
    told = capsys.readouterr().out
    assert "advisories.toml" in told
    assert said in told
