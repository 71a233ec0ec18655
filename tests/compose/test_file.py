"""docker-compose.yml: Compose takes it, and it keeps the rules that an operator was promised."""

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml

from streamer.alerts.channels.alertmanager import BEAT_NAME
from streamer.contract.published import AlertKind
from tests.compose.boxes import HERE
from tests.compose.conftest import compose, config_of
from tests.servers import program

Config = dict[str, Any]
SECRET = re.compile(r"PASSWORD|SECRET|TOKEN|KEY|CREDENTIAL", re.I)
REACHED_BY_OTHERS = {"broker": 8883, "board": 8750}
SERVICES = {"broker", "redis", "worker-1", "worker-2", "board", "prometheus", "alertmanager",
            "grafana"}  # fmt: skip


@pytest.fixture(scope="module")
def anywhere(tmp_path_factory: pytest.TempPathFactory) -> Config:
    """The file as it is, whether or not the folder is there."""
    return config_of(tmp_path_factory.mktemp("anywhere"))


def test_what_must_be_set_is_named() -> None:
    done = compose("config", "--quiet")
    assert done.returncode == 1
    for name in ("STREAMER_FILES", "STREAMER_USER", "STREAMER_BOARD_NAME"):
        assert f"required variable {name} is missing a value: see configs/README.md" in done.stderr


def test_the_manuals_file_of_variables_is_enough(made: Path) -> None:
    done = compose("config", "--quiet", COMPOSE_ENV_FILES=str(made / "streamer" / "compose.env"))
    assert (done.returncode, done.stderr) == (0, "")


def test_all_services_are_there(anywhere: Config) -> None:
    assert set(anywhere["services"]) == SERVICES


@pytest.mark.parametrize("name", sorted(SERVICES))
def test_a_service_is_kept_as_it_should_be(anywhere: Config, name: str) -> None:
    service = anywhere["services"][name]
    # One version of a series, never `latest` and never a whole series.
    assert re.fullmatch(r"[\w/.-]+:v?\d+\.\d+\.\d+(-\w+)?", service["image"]), service["image"]
    user, _, group = service["user"].partition(":")
    assert int(user) > 0
    assert int(group) > 0
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert not {"cap_add", "privileged", "pid", "ipc", "network_mode", "devices"} & set(service)
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert service["healthcheck"]["test"][0] in ("CMD", "CMD-SHELL")
    assert service["restart"] == "unless-stopped"
    assert 0 < int(service["mem_limit"]) <= 2 << 30
    assert service["pids_limit"] <= 200
    assert set(service["logging"]["options"]) == {"max-size", "max-file"}
    assert service["stop_grace_period"]
    for needed in service.get("depends_on", {}).values():
        assert needed["condition"] == "service_healthy"
    for volume in service.get("volumes", ()):
        # Docker would else give the folder to the image's user (from memory).
        assert volume["type"] == "bind" or volume["volume"]["nocopy"], volume
    if "build" in service:
        assert service["pull_policy"] == "build"


def test_no_secret_is_in_the_environment_or_an_argument(anywhere: Config) -> None:
    for name, service in anywhere["services"].items():
        for key, value in (service.get("environment") or {}).items():
            if SECRET.search(key):
                assert key.endswith("__FILE"), (name, key)
                assert value.startswith("/run/secrets/"), (name, key)
        for word in service["command"] or ():
            assert not re.search(r"://[^/]*:[^/]*@|password=", word), (name, word)


def test_only_the_gateways_and_the_boards_ports_are_open_to_others(anywhere: Config) -> None:
    published = {
        (name, port["target"]): port.get("host_ip")
        for name, service in anywhere["services"].items()
        for port in service.get("ports", ())
    }
    open_ports = {place for place, address in published.items() if address is None}
    assert open_ports == set(REACHED_BY_OTHERS.items())
    assert all(address in (None, "127.0.0.1") for address in published.values())


def test_who_shares_a_network(anywhere: Config) -> None:
    """Redis with those alone that use it; what others reach never with what watches."""
    members: dict[str, set[str]] = {}
    for name, service in anywhere["services"].items():
        for network in service["networks"]:
            members.setdefault(network, set()).add(name)
    assert members["store"] == {"redis", "worker-1", "worker-2", "board"}
    assert members["bus"] == {"broker", "worker-1", "worker-2", "board"}
    assert members["front"] == set(REACHED_BY_OTHERS)
    assert not members["watch"] & {"broker", "redis"}
    assert anywhere["services"]["redis"]["networks"].keys() == {"store"}
    internal = {name for name, network in anywhere["networks"].items() if network.get("internal")}
    assert internal == {"bus", "store", "watch"}
    assert "ports" not in anywhere["services"]["redis"]


def test_both_workers_are_alike_but_for_their_names(anywhere: Config) -> None:
    one, two = (json.dumps(anywhere["services"][f"worker-{n}"]) for n in (1, 2))
    same = one.replace("worker-1", "worker-2")
    # They are targets of Prometheus and members of one share: `share` is one secret.
    assert same == two
    targets = yaml.safe_load((HERE / "configs/compose/prometheus.yml").read_text())
    jobs = {j["job_name"]: j["static_configs"][0]["targets"] for j in targets["scrape_configs"]}
    assert jobs["streamer"] == [f"worker-{n}:9101" for n in (1, 2)]
    assert jobs["streamer-board"] == ["board:9100"]


def test_every_file_that_is_mounted_is_made_by_the_manual(made: Path, config: Config) -> None:
    sources = [secret["file"] for secret in config["secrets"].values()]
    sources += [volume["driver_opts"]["device"] for volume in config["volumes"].values()]
    for service in config["services"].values():
        sources += [v["source"] for v in service.get("volumes", ()) if v["type"] == "bind"]
    missing = sorted(source for source in set(sources) if not Path(source).exists())
    assert not missing
    used = {
        secret["source"]
        for service in config["services"].values()
        for secret in service.get("secrets", ())
    }
    assert used == set(config["secrets"])
    keep = made / "accounts" / "keep"
    assert keep.is_dir()
    assert not any(str(keep).startswith(source) for source in sources), "the authority's key"


def test_nobody_else_can_read_an_operators_files(made: Path, config: Config) -> None:
    user, group = map(int, config["services"]["broker"]["user"].split(":"))
    for path in [made / "streamer", *(made / "streamer").rglob("*")]:
        status = path.stat()
        assert status.st_mode & 0o077 == 0, path
        if path.name == "compose.env":  # for whoever runs Compose, and in no container
            continue
        assert (status.st_uid, status.st_gid) == (user, group), path


def test_the_dockerfile_is_well() -> None:
    file = HERE / "configs/docker/Dockerfile"
    linter = Path(sys.prefix) / "bin" / "hadolint"
    found = str(linter) if linter.exists() else program("hadolint")
    done = subprocess.run([found, str(file)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize(
    ("words", "code"),
    [([], 2), (["http://example.net/"], 2), (["http://127.0.0.1:1/healthz"], 1)],
)
def test_the_health_check_says_so_if_nobody_answers(words: list[str], code: int) -> None:
    """That it also says so if somebody does: test_stack.py."""
    file = HERE / "configs/docker/healthy.py"
    done = subprocess.run(
        [sys.executable, str(file), *words], capture_output=True, text=True, check=False
    )
    assert done.returncode == code
    assert done.stdout or done.stderr


def test_what_the_dockerfile_copies_is_let_in_and_little_else() -> None:
    lines = (HERE / "configs/docker/Dockerfile").read_text().splitlines()
    copied = {
        word.rstrip("/")
        for line in lines
        if line.startswith("COPY ") and "--from" not in line
        for word in line.split()[1:-1]
    }
    allowed = (HERE / "configs/docker/Dockerfile.dockerignore").read_text().splitlines()
    let_in = {line[1:] for line in allowed if line.startswith("!")}
    assert "*" in allowed
    assert let_in == {name for name in copied if name != "streamer/__init__.py"}


@pytest.mark.parametrize(
    ("alert", "severity", "receiver"),
    [("StreamerWatchdog", "none", "sign-of-life"), (BEAT_NAME, "none", "sign-of-life"),
     ("StreamerNoWorker", "critical", "awake"), ("StreamerRedisFilling", "warning", "keeper"),
     (AlertKind.MEMBER_OUT_OF_REACH, "critical", "awake"),
     (AlertKind.CLOCK_SKEW, "notice", "keeper")],
)  # fmt: skip
def test_alerts_go_to_whom_their_severity_says(alert: str, severity: str, receiver: str) -> None:
    words = ["config", "routes", "test", "--config.file=configs/compose/alertmanager.yml"]
    done = subprocess.run(
        [program("amtool"), *words, f"alertname={alert}", f"severity={severity}"],
        cwd=HERE, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stdout.strip() == receiver, done.stderr
    known = {*AlertKind, BEAT_NAME}
    rules = yaml.safe_load((HERE / "dashboards/rules.yml").read_text())
    known |= {rule["alert"] for group in rules["groups"] for rule in group["rules"]}
    assert alert in known


def test_grafanas_files_agree_with_the_mounts(anywhere: Config) -> None:
    """Read as YAML, no more: no Grafana could be had here."""
    folder = HERE / "configs/compose/grafana"
    (source,) = yaml.safe_load((folder / "datasources/prometheus.yml").read_text())["datasources"]
    assert (source["uid"], source["type"]) == ("prometheus", "prometheus")
    assert source["url"] == "http://prometheus:9090"
    assert "prometheus" in anywhere["services"]
    (provider,) = yaml.safe_load((folder / "dashboards/streamer.yml").read_text())["providers"]
    targets = {v["target"]: v["source"] for v in anywhere["services"]["grafana"]["volumes"]}
    assert targets[provider["options"]["path"]] == str(HERE / "dashboards/grafana")
    assert targets["/etc/grafana/provisioning"] == str(folder)
