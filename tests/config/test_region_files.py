"""Good region files are read; each bad one is told what is wrong, where, and what is allowed."""

import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from streamer.config import ConfigError, RegionView, differences, load_region
from streamer.contract.common import GROUP_PATTERN, NAME_PATTERN
from streamer.demo.setting import REGION_FILE
from streamer.redis_settings import check_redis_url

FOLDER = Path(__file__).with_name("regions")
GOOD = sorted(FOLDER.glob("good/*.toml"))
BAD = sorted(FOLDER.glob("bad/*.toml"))
EXAMPLE = Path(__file__).parents[2] / "configs" / "region-example.toml"


def problems_of(path: Path) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        load_region(path)
    assert caught.value.path == path
    return caught.value.problems


def faults_of(path: Path) -> list[str]:
    """Its problems, none if it is good; whatever else is raised fails the test."""
    try:
        load_region(path)
    except ConfigError as error:
        return error.problems or ["an error without a problem"]
    return []


def expected(path: Path) -> list[str]:
    """What a bad file says of itself in its first lines: `# says: ...`."""
    lines = path.read_text().splitlines()
    return [line.removeprefix("# says: ") for line in lines if line.startswith("# says: ")]


@pytest.mark.parametrize("path", [*GOOD, EXAMPLE, REGION_FILE], ids=lambda p: p.stem)
def test_a_good_file_is_read(path: Path) -> None:
    view = load_region(path)
    assert view.groups


@pytest.mark.parametrize("path", BAD, ids=lambda p: p.stem)
def test_a_bad_file_is_told_each_fault_and_no_other(path: Path) -> None:
    said, found = expected(path), problems_of(path)
    assert said, "the file does not say what is wrong with it"
    for text in said:
        assert any(text in problem for problem in found), (text, found)
    assert len(found) == len(said), found
    for problem in found:
        place, parted, what = problem.partition(": ")
        assert all((place, parted, what)), problem
        assert "\n" not in problem


@pytest.mark.parametrize("path", BAD, ids=lambda p: p.stem)
def test_no_fault_tells_a_password(path: Path) -> None:
    assert "hidden-word" not in "\n".join(problems_of(path))


def test_the_passwords_are_really_in_files_that_are_tested() -> None:
    assert sum("hidden-word" in path.read_text() for path in BAD) == 7


def test_a_missing_file_a_folder_and_bytes_that_are_no_text(tmp_path: Path) -> None:
    assert problems_of(tmp_path / "no.toml") == [
        "file: cannot be read: No such file or directory; is the path right?"
    ]
    assert "Is a directory" in problems_of(tmp_path)[0]
    odd = tmp_path / "odd.toml"
    odd.write_bytes(b'region = "h\xe9"')
    assert problems_of(odd) == ["file: not TOML: byte 11 is not UTF-8; save the file as UTF-8"]


def test_what_a_toml_reader_stumbles_over_is_a_fault_of_the_file(tmp_path: Path) -> None:
    file = tmp_path / "region.toml"
    texts = {
        "deep": "a = " + "[" * 5000,
        "long": "a = " + "1" * 5000,
        "long, hexadecimal": "partitions = 0x" + "f" * 5000,
        "no such day": "a = 2026-02-31",
        "empty": "",
    }
    for name, text in texts.items():
        file.write_text(text)
        assert problems_of(file), name


def test_the_example_shows_every_setting() -> None:
    text = EXAMPLE.read_text()
    view = load_region(EXAMPLE)
    region = view.region
    models = (
        region, region.broker, region.redis, region.limits, region.alerts, region.privacy,
        region.policy,
        region.group[0], region.gateway[0], region.gateway[0].repeater[0],
    )  # fmt: skip
    for model in models:
        for name in type(model).model_fields:
            assert name in text, name


def test_the_example_gives_the_defaults_where_it_says_so(tmp_path: Path) -> None:
    smallest = load_region(FOLDER / "good" / "smallest.toml").region
    shown = load_region(EXAMPLE).region
    names = (
        "limits", "policy", "alerts", "broker", "redis", "redis_url", "partitions", "open_gateways",
    )  # fmt: skip
    for name in names:
        assert getattr(shown, name) == getattr(smallest, name), name


def test_the_channels_of_the_example_are_good_and_show_every_setting(tmp_path: Path) -> None:
    """They stand in remarks, so that a trial of the file tells nobody anything."""
    text = EXAMPLE.read_text()
    begin, end = text.index("# [[channel]]"), text.index("# What is learned")
    shown = re.sub(r"(?m)^# ?", "", text[begin:end])
    file = tmp_path / "region.toml"
    file.write_text(f'region = "hill"\n[[group]]\nname = "SEARCH"\n{shown}')
    channels = load_region(file).region.channel
    assert [c.type for c in channels] == ["webhook", "apprise", "alertmanager", "cap"]
    for channel in channels:
        for name in type(channel).model_fields:
            assert name in shown, name
    assert load_region(EXAMPLE).region.channel == ()


def test_a_group_differs_only_where_it_says_so() -> None:
    view = load_region(FOLDER / "good" / "whole-numbers.toml")
    base = view.region.policy
    assert differences(view.policies["NET"], base) == {
        "overdue_after_s": 1.0,
        "linger_s": 0.0,
        "check_out_words": (),
    }
    assert differences(view.policies["TALK"], base) == {"late_after_s": 120.0}


def test_many_names_are_not_all_listed(tmp_path: Path) -> None:
    ports = "".join(f'[[gateway.repeater]]\nid = "p{n}"\n' for n in range(40))
    file = tmp_path / "region.toml"
    file.write_text(
        f'region = "hill"\n[[gateway]]\nid = "ridge"\n{ports}'
        '[[group]]\nname = "NET"\npins = ["zzzz/qqqq"]\n'
    )
    (problem,) = problems_of(file)
    assert problem.endswith("and 28 more")
    assert len(problem) < 300


# -- the address of Redis ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "url",
    [
        "redis://h:6379/0",
        "redis://h",
        "redis://[::1]:6379/3",
        "rediss://u@h/1",
        "unix:///run/r.sock",
        "redis+cluster://h",
        "redis+cluster://u@h1:7000,h2,[::1]:7002/0",
        "rediss+cluster://h1,h2/",
        "redis+sentinel://h1:1,h2:2/state",
        "rediss+sentinel://u@h1,[fe80::1]:3/the-state.1/2",
    ],
)
def test_an_address_of_redis(url: str) -> None:
    assert check_redis_url(url) == url


@pytest.mark.parametrize(
    "url", ["", "h:6379", "redis://", "redis://h:x/0", "redis://h/zero", "unix://", "redis://h:70000",
            "redis://[::1", "http://h", "redis+cluster://", "redis+cluster://h1,", "redis+other://h",
            "redis+cluster://h1:70000", "redis+cluster://h1:x,h2", "redis+cluster://@h1",
            "redis+cluster://h1?a=b", "redis+sentinel://h1:0/state",
            "unix+cluster:///r.sock"],
)  # fmt: skip
def test_no_address_of_redis(url: str) -> None:
    with pytest.raises(ValueError, match="redis://HOST:PORT/NUMBER"):
        check_redis_url(url)


def view_with(tmp_path: Path, head: str) -> RegionView:
    file = tmp_path / "region.toml"
    file.write_text(f'{head}\nregion = "hill"\n[[group]]\nname = "NET"\n')
    return load_region(file)


def test_the_password_of_redis_comes_from_its_file_or_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = tmp_path / "secret"
    secret.write_text("p@ss/word\n")
    view = view_with(tmp_path, f'redis_url = "redis://h:1/2"\nredis_password_file = "{secret}"')
    assert view.redis_address().url == "redis://:p%40ss%2Fword@h:1/2"
    assert view.redis_address("unix:///run/r.sock").url == "unix://:p%40ss%2Fword@/run/r.sock"
    plain = view_with(tmp_path, 'redis_url = "redis://reader@h:1/2"')
    assert plain.redis_address().url == "redis://reader@h:1/2"
    monkeypatch.setenv("STREAMER_REDIS_PASSWORD", "other")
    assert plain.redis_address().url == "redis://reader:other@h:1/2"


def test_a_password_in_an_argument_is_refused_unrepeated(tmp_path: Path) -> None:
    view = view_with(tmp_path, "")
    for url in ("redis://:hidden-word@h:1/2", "unix:///r.sock?password=hidden-word"):
        with pytest.raises(ValueError, match="leave the password out") as caught:
            view.redis_address(url)
        assert "hidden-word" not in str(caught.value)


def test_passwords_of_a_cluster_and_of_sentinels_are_never_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = tmp_path / "secret"
    secret.write_text("hidden-word\n")
    monkeypatch.setenv("STREAMER_SENTINEL_PASSWORD", "hidden-word too")
    for url, place in (
        ("redis+cluster://worker@h1:1,h2", "cluster h1:1,h2:6379"),
        ("redis+sentinel://worker@h1,[::1]:2/state/3", "sentinel h1:26379,[::1]:2/state"),
    ):
        view = view_with(tmp_path, f'redis_url = "{url}"\nredis_password_file = "{secret}"')
        address = view.redis_address()
        assert address.password is not None
        assert (address.user, address.password.get_secret_value()) == ("worker", "hidden-word")
        assert address.place == place
        assert "hidden-word" not in f"{address!r} {address} {address.place}"
    assert address.sentinel_password is not None
    assert (address.service, address.number) == ("state", 3)
    with pytest.raises(ValueError, match="leave the password out") as caught:
        view.redis_address("rediss+cluster://worker:hidden-word@h1")
    assert "hidden-word" not in str(caught.value)


def test_an_address_by_tls_is_needed_for_its_files(tmp_path: Path) -> None:
    view = view_with(tmp_path, 'redis_url = "rediss://h"\nredis.ca_file = "ca.pem"')
    assert view.redis_address().tls
    with pytest.raises(ValueError, match="ca_file: is of no use"):
        view.redis_address("redis://h")


# -- anything else is a ConfigError --------------------------------------------------------------

NAMES = st.sampled_from(
    [
        "region", "title", "group", "gateway", "policy", "limits", "broker", "redis_url", "name",
        "id", "repeater", "pins", "bars", "lat", "linger_s", "overdue_after_s", "partitions",
        "check_out_words", "extra_prefixes", "accepted_calls", "odd", "tls", "password_file",
    ]
)  # fmt: skip
VALUES = st.recursive(
    st.one_of(
        st.integers(),
        st.floats(),
        st.booleans(),
        st.sampled_from(["hill", "NET", "ridge/uhf", "Q", "redis://h/0", "", "é\x7f"]),
        st.text(max_size=8),
        st.dates(),
    ),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=4),
    max_leaves=12,
)


def toml(value: object) -> str:
    """A value as TOML, well enough to be mostly read."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(c):08x}" for c in value) + '"'
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k} = {toml(v)}" for k, v in value.items()) + "}"
    return str(value)


@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(content=st.dictionaries(NAMES, VALUES, max_size=6))
def test_odd_settings_raise_nothing_else(content: dict[str, object], tmp_path: Path) -> None:
    file = tmp_path / "odd.toml"
    file.write_text("\n".join(f"{key} = {toml(value)}" for key, value in content.items()))
    assert all(": " in problem for problem in faults_of(file))


@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    where=st.integers(0, 400),
    length=st.integers(0, 12),
    put=st.text(max_size=6) | st.sampled_from(["\n[[", "]]", "=", '"', "{", "'''", "0x", "\x00"]),
)
@example(where=0, length=0, put="")
def test_a_spoilt_file_raises_nothing_else(
    where: int, length: int, put: str, tmp_path: Path
) -> None:
    text = (FOLDER / "good" / "whole-numbers.toml").read_text()
    spoilt = text[:where] + put + text[where + length :]
    file = tmp_path / "odd.toml"
    file.write_bytes(spoilt.encode("utf-8", "surrogatepass"))
    assert all(": " in problem for problem in faults_of(file))


# -- what else reads it --------------------------------------------------------------------------


def test_the_words_for_names_are_those_of_the_patterns() -> None:
    # Should a pattern of the contract change, the words that explain it must follow.
    assert (NAME_PATTERN, GROUP_PATTERN) == (
        r"[a-z0-9][a-z0-9_-]{0,31}",
        r"[A-Z0-9][A-Z0-9_-]{0,15}",
    )


def test_a_file_is_checked_with_the_base_install_alone() -> None:
    """`streamer check` must run where neither Redis nor the demo's packages are installed."""
    code = (
        "import sys\n"
        "for name in ('redis', 'rich', 'hiredis', 'geographiclib', 'prometheus_client'):\n"
        "    sys.modules[name] = None\n"
        "from streamer.cli import main\n"
        f"sys.exit(main(['check', {str(EXAMPLE)!r}]))\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    assert (ended.returncode, ended.stderr) == (0, "")
    assert "region hillcountry" in ended.stdout
