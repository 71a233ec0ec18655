"""The agent's file, its faults, and the command around it."""

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from streamer.agent.command import add_arguments, main
from streamer.agent.config import AgentConfigError, load_settings

EXAMPLE = Path(__file__).parents[2] / "configs" / "agent-example.toml"
HEAD = 'region = "vale"\ngateway = "ridge"\n'


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str], Path]:
    def write_text(text: str) -> Path:
        path = tmp_path / "agent.toml"
        path.write_text(text)
        return path

    return write_text


def run(*arguments: str) -> int:
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    return main(parser.parse_args(arguments))


def test_the_example_is_well() -> None:
    settings = load_settings(EXAMPLE)
    assert [source.type for source in settings.source] == ["unix", "file", "udp"]
    assert settings.states()["uhf"].id == "ridge/uhf"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('gateway = "ridge"', ["top of the file, region", "missing"]),
        (HEAD + "heartbeats = 5", ["heartbeats", "no such setting", "did you mean 'heartbeat_s'?"]),
        ('region = "Vale"\ngateway = "ridge"', ["region", "must be 1 to 32 of a-z, 0-9", "'Vale'"]),
        (HEAD + "heartbeat_s = 'x'", ["heartbeat_s", "must be a number without quotes", "'x'"]),
        (HEAD + "reply = 5", ["[reply]", "must be a table of settings"]),
        (HEAD + "backlog_array = 257", ["backlog_array", "must be at most 256", "257"]),
        (HEAD + "[broker]\nport = 0", ["[broker], port", "must be at least 1"]),
        (
            HEAD + '[broker]\nprotocol = "4"',
            ["[broker], protocol", "must be 'auto', '5' or '3.1.1'"],
        ),
        (HEAD + "[broker.tls]\ncert_file = 'x'", ["[broker], tls", "key_file"]),
        (HEAD + '[spool]\nsync = "never"', ["[spool], sync", "full"]),
        (
            HEAD + '[[repeater]]\nid = "a"\n[[repeater]]\nid = "b"\nlat = 91',
            ["[[repeater]] 2, lat"],
        ),
        (HEAD + '[[repeater]]\nid = "a"\n[[repeater]]\nid = "a"', ["[[repeater]] 2, id", "twice"]),
        (HEAD + '[[source]]\ntype = "tcp"', ["[[source]] 1, type", "udp"]),
        (HEAD + '[[source]]\ntype = "file"', ["[[source]] 1", "needs path"]),
        (HEAD + '[[source]]\ntype = "udp"', ["[[source]] 1", "needs port"]),
        (
            HEAD + '[[source]]\ntype = "stdin"\nformat = "pattern"\npatterns = "x"',
            ["[[source]] 1, patterns", '"x"', "none"],
        ),
        (HEAD + '[[source]]\ntype = "stdin"\nformat = "nmea"', ["[[source]] 1", "repeater"]),
        (
            HEAD + '[[pattern]]\nmap = "m"\nevent = "heard"\nregex = "("',
            ["[[pattern]] 1, regex", "unterminated"],
        ),
        (HEAD + "[reply]\ntimeout_s = 1", ["[reply]", "command or socket"]),
        ("region = ", ["not TOML"]),
    ],
)
def test_faults_name_file_table_field_and_remedy(
    write: Callable[[str], Path], text: str, words: list[str]
) -> None:
    path = write(text)
    with pytest.raises(AgentConfigError) as found:
        load_settings(path)
    for word in [str(path), *words]:
        assert word in str(found.value)


def test_all_faults_are_told_at_once(write: Callable[[str], Path]) -> None:
    with pytest.raises(AgentConfigError) as found:
        load_settings(write(HEAD + "rate_mps = 0\n[broker]\nport = 0\n[spool]\nmax_mb = -1"))
    assert len(found.value.problems) == 3


def test_a_password_in_the_file_is_not_repeated(write: Callable[[str], Path]) -> None:
    with pytest.raises(AgentConfigError) as found:
        load_settings(write(HEAD + '[broker]\npassword = "hunter-of-snarks"'))
    assert "password" in str(found.value)
    assert "hunter" not in str(found.value)


def test_check(capsys: pytest.CaptureFixture[str], write: Callable[[str], Path]) -> None:
    assert run(str(EXAMPLE), "--check") == 0
    assert "well" in capsys.readouterr().out
    assert run(str(write("region = 5")), "--check") == 1
    assert "region" in capsys.readouterr().err
    assert run("nowhere.toml", "--check") == 1
    assert "cannot be read" in capsys.readouterr().err


TIMELESS = (
    HEAD
    + '[[source]]\ntype = "{}"\npath = "radio.log"\nformat = "{}"\npatterns = "m"\n'
    + """[[pattern]]\nmap = "m"\nevent = "heard"\nfields = {{ phase = "start" }}
regex = '^key down (?P<station>\\S+) (?P<position_at>\\S+)$'\n"""
    + """[[pattern]]\nmap = "m"\nevent = "heard"\nfields = {{ phase = "start" }}
regex = '^(?P<{}>\\S+) down (?P<station>\\S+)$'\n"""
    + """[[pattern]]\nmap = "m"\nevent = "route"
regex = '^(?P<at>\\S+) (?P<group>\\S+) (?P<action>carrying)$'\n"""
    + """[[pattern]]\nmap = "m"\nevent = "repeater"\nregex = '^is (?P<up>up|down)$'\n"""
)


def test_check_tells_of_followed_lines_without_a_time(
    capsys: pytest.CaptureFixture[str], write: Callable[[str], Path]
) -> None:
    """Such lines are well, so the file is; the keeper may not know what that means."""
    for name in ("time", "started_at"):
        assert run(str(write(TIMELESS.format("file", "pattern", name))), "--check") == 0
        well, heard, repeater = capsys.readouterr().out.splitlines()
        assert "well" in well
        assert "source file:radio.log: a heard pattern of map 'm' takes no time" in heard
        assert "(^key down " in heard
        assert "a repeater pattern of map 'm' takes no time" in repeater
    for given in (("unix", "pattern", "time"), ("file", "json", "time")):
        assert run(str(write(TIMELESS.format(*given))), "--check") == 0
        (well,) = capsys.readouterr().out.splitlines()
    assert run(str(EXAMPLE), "--check") == 0
    assert "takes no time" not in capsys.readouterr().out


def test_try_tells_of_an_over_without_a_time(
    capsys: pytest.CaptureFixture[str], write: Callable[[str], Path], tmp_path: Path
) -> None:
    sample = tmp_path / "radio.log"
    start = '{"repeater": "uhf", "station": "QA1ABC", "phase": "start"'
    sample.write_text(f'{start}}}\n{start}, "started_at": "2026-01-01T00:00:00Z"}}\n')
    for kind, expected in (("file", [True, False]), ("unix", [False, False])):
        path = write(HEAD + f'[[source]]\ntype = "{kind}"\npath = "radio.log"\n')
        assert run(str(path), "--try", str(sample)) == 0
        told = capsys.readouterr().out.splitlines()
        assert ["it tells no time" in line for line in told] == expected


def test_positions_without_their_reader_are_said_at_once(
    capsys: pytest.CaptureFixture[str],
    write: Callable[[str], Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    source = '[[source]]\ntype = "udp"\nport = 9\nformat = "nmea"\nrepeater = "uhf"\n'
    repeater = '[[repeater]]\nid = "uhf"\n'
    path = str(write(HEAD + repeater + source))
    assert run(path, "--check") == 0
    monkeypatch.setitem(sys.modules, "pynmea2", None)
    for words in ([path, "--check"], [path]):
        assert run(*words) == 1
        assert "pynmea2 is not installed" in capsys.readouterr().err


def test_used_wrongly(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with pytest.raises(SystemExit) as found:
        run()
    assert found.value.code == 2
    assert run(str(EXAMPLE), "--source", "1") == 2
    assert run(str(EXAMPLE), "--try", str(tmp_path / "none")) == 2
    (tmp_path / "sample").touch()
    assert run(str(EXAMPLE), "--try", str(tmp_path / "sample"), "--source", "9") == 2
    assert "no such source" in capsys.readouterr().err


def test_nothing_to_read_is_a_fault(
    capsys: pytest.CaptureFixture[str], write: Callable[[str], Path]
) -> None:
    assert run(str(write(HEAD))) == 1
    assert "[[source]]" in capsys.readouterr().err


def test_try_shows_what_lines_give(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    sample = tmp_path / "radio.log"
    sample.write_text(
        "2026-01-02T12:00:00Z key down QA1ABC to NET-1\n"
        "2026-01-02T12:00:03Z key up QA1ABC after 2500 ms, errors 0.5\n"
        "2026-01-02T12:00:04Z group NET-1 opened\n"
        "2026-01-02T12:00:05Z transmitter down\n"
        "the weather is fine\n"
    )
    assert run(str(EXAMPLE), "--try", str(sample), "--source", "2") == 0
    shown = capsys.readouterr().out.splitlines()
    assert '"phase": "start"' in shown[0]
    assert '"duration_s": 2.5' in shown[1]
    assert '"action": "carrying"' in shown[2]
    assert "repeater uhf down" in shown[3]
    assert "no pattern" in shown[4]
    # Without --source the first line decides.
    assert run(str(EXAMPLE), "--try", str(sample)) == 0
    said = capsys.readouterr()
    assert said.out.splitlines() == shown
    assert "read as format pattern of source file:radio.log; --source takes another" in said.err
    sample.write_text("$GPZDA,120000.00,02,01,2026,00,00*60\n")
    run(str(EXAMPLE), "--try", str(sample))
    assert "read as format nmea of source udp:5055" in capsys.readouterr().err
    sample.write_text('{"station": "QA1ABC"}\n')
    assert run(str(EXAMPLE), "--try", str(sample)) == 1
    assert ":1: wrong: " in capsys.readouterr().err


def test_a_spool_that_cannot_be_made_is_a_fault(
    capsys: pytest.CaptureFixture[str], write: Callable[[str], Path], tmp_path: Path
) -> None:
    text = HEAD + f'[spool]\npath = "{tmp_path}/none/spool.db"\n[[source]]\ntype = "udp"\nport = 0'
    assert run(str(write(text))) == 1
    assert "spool" in capsys.readouterr().err
