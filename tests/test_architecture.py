"""The frame of the project, checked on its source: who imports whom, who may ask for the time,
where names are spelled, how long things grow."""

import ast
import re
import shutil
import subprocess
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import networkx
import pytest
from prometheus_client import Counter as CounterMetric
from prometheus_client import Gauge, Histogram
from prometheus_client.exposition import generate_latest
from prometheus_client.metrics import MetricWrapperBase

import streamer
from streamer.contract.published import AlertKind, Severity, Standing
from streamer.state import keys as state_keys
from streamer.worker.metrics import LABELS, Metrics
from tests.servers import program

TOP = Path(streamer.__file__).parent
LONGEST_MODULE = 430
LONGEST_FUNCTION = 60


@cache
def sources() -> dict[str, ast.Module]:
    """Every module of the package by its dotted name."""
    return {
        ".".join([TOP.name, *path.relative_to(TOP).with_suffix("").parts]): ast.parse(
            path.read_text("utf-8"), str(path)
        )
        for path in sorted(TOP.rglob("*.py"))
    }


def test_the_sources_are_found() -> None:
    assert {"streamer.clock", "streamer.state.store", "streamer.worker.loop"} <= set(sources())


def imports_of(module: str) -> Iterator[str]:
    """The modules of ours that a module imports, wherever in it that stands."""
    for node in ast.walk(sources()[module]):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: relative imports hide where things come from"
            package = node.module or ""
            whole = [f"{package}.{alias.name}" for alias in node.names]
            names = [w if is_module(w) else package for w in whole]
        else:
            continue
        yield from (name for name in names if name.split(".")[0] == "streamer")


def is_module(name: str) -> bool:
    return name in sources() or f"{name}.__init__" in sources()


def part_of(module: str) -> str:
    """`streamer.state.keys` is of the part `state`."""
    steps = module.split(".")
    return steps[1] if len(steps) > 1 else "streamer"


# ../DESIGN: contract <- config, domain <- state <- worker, alerts <- board, reading, demo <- cli.
# Within a line a part may import what stands to its left here, and nothing else.
LEAVES = {"backoff", "clock", "logs", "scrub"}
MAY_IMPORT = {
    "contract": set(),
    "backoff": set(),
    "clock": set(),
    "logs": {"scrub"},
    "scrub": set(),
    "private_files": set(),
    "problems": {"contract"},
    "file_faults": set(),
    "mqtt": {"clock", "file_faults"},
    "config_types": set(),
    "region_option": set(),
    "alert_settings": {"config_types", "contract", "problems"},
    "privacy_settings": {"config_types"},
    "limits_settings": {"config_types"},
    "redis_settings": {"config_types", "file_faults"},
    "config": {
        "alert_settings", "config_types", "contract", "limits_settings", "mqtt",
        "privacy_settings", "problems", "redis_settings", "domain",
    },
    "domain": {"contract", "clock", "config"},
    "state": {"contract", "clock", "config", "domain", "redis_settings"},
    "alerts": {
        "alert_settings", "contract", "clock", "config", "limits_settings", "domain", "state",
    },
    "journal": {
        "contract", "clock", "problems", "config", "config_types", "domain", "state", "streamer",
    },
    "worker": {
        "alert_settings", "backoff", "contract", "clock", "logs", "config", "mqtt", "domain",
        "state", "alerts", "journal", "redis_settings", "streamer",
    },
    "acts": {
        "contract", "clock", "problems", "config", "domain", "state", "alerts", "worker",
    },
    "reading": {
        "contract", "clock", "logs", "problems", "config", "config_types", "mqtt", "domain",
        "state", "alerts", "worker", "acts", "redis_settings",
        "region_option",
    },
    "enroll": {
        "contract", "clock", "problems", "private_files", "config", "domain", "agent", "reading",
        "region_option",
    },
    "board": {
        "config_types", "contract", "clock", "logs", "private_files", "problems", "scrub",
        "config", "mqtt", "domain", "state", "alerts", "worker", "acts", "reading", "streamer",
    },
    "demo": {
        "contract", "clock", "config", "mqtt", "domain", "agent", "state", "journal", "worker",
        "acts",
    },
    "lab": {
        "contract", "clock", "logs", "problems", "config", "mqtt", "domain", "state", "alerts",
        "journal", "worker", "acts", "reading", "board", "demo", "streamer",
    },
    "forget": {
        "contract", "clock", "config", "domain", "state", "journal", "reading",
    },
    "report": {
        "contract", "clock", "logs", "problems", "config", "mqtt", "domain", "state", "alerts",
        "journal", "worker", "acts", "reading", "board", "demo", "streamer", "lab",
    },
    "agent": {"backoff", "contract", "clock", "mqtt", "problems", "scrub"},
    "cli": {"streamer"},  # each command is imported when it is used
    "__main__": {"cli"},
    "__init__": set(),
}  # fmt: skip


@pytest.mark.parametrize("module", sorted(sources()))
def test_imports_go_one_way(module: str) -> None:
    ours = part_of(module)
    assert ours in MAY_IMPORT, f"{module}: say in MAY_IMPORT what this part may import"
    wrong = {n for n in imports_of(module) if part_of(n) not in MAY_IMPORT[ours] | {ours}}
    assert not wrong, f"{module} must not import {sorted(wrong)}"


def test_no_two_modules_import_each_other() -> None:
    """Source: networkx. Parts may share a level (config and domain); modules may not go round."""
    graph = networkx.DiGraph(
        (module, name) for module in sources() for name in imports_of(module) if name != module
    )
    assert graph.number_of_edges() > 100
    assert networkx.is_directed_acyclic_graph(graph), networkx.find_cycle(graph)


def test_the_commands_of_the_cli_are_there() -> None:
    from streamer.cli import _COMMANDS

    assert {module for module, _, _ in _COMMANDS.values()} <= set(sources())


def outside_imports(part: str) -> set[str]:
    found = set()
    for module, tree in sources().items():
        if part_of(module) != part:
            continue
        for node in ast.walk(tree):
            if isinstance(node, ast.Import):
                found |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                found.add((node.module or "").split(".")[0])
    return found


def test_rules_do_no_input_and_output() -> None:
    io = {"redis", "paho", "socket", "sqlite3", "subprocess", "threading", "structlog", "asyncio"}
    for part in ("domain", "contract"):
        assert not outside_imports(part) & io
    assert "redis" not in outside_imports("worker") | outside_imports("alerts")
    assert "paho" not in outside_imports("worker") | outside_imports("agent")


# -- time ----------------------------------------------------------------------------------------

READS_THE_CLOCK = {
    "time": {"time", "time_ns", "monotonic", "monotonic_ns", "perf_counter", "perf_counter_ns"},
    "datetime": {"now", "utcnow", "today"},
    "date": {"today"},
}
# Exceptions, each with its reason. structlog stamps log lines itself (streamer/logs.py), which the
# test cannot see and nothing is decided by.
MAY_READ_THE_CLOCK = {"streamer.clock"}


@pytest.mark.parametrize("module", sorted(set(sources()) - MAY_READ_THE_CLOCK))
def test_nobody_else_asks_what_time_it_is(module: str) -> None:
    for node in ast.walk(sources()[module]):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name | ast.Attribute):
            owner = node.value.id if isinstance(node.value, ast.Name) else node.value.attr
            assert node.attr not in READS_THE_CLOCK.get(owner, ()), (module, node.lineno)
        if isinstance(node, ast.Import):
            assert "time" not in {alias.name for alias in node.names}, (module, node.lineno)
        if isinstance(node, ast.ImportFrom):
            assert node.module != "time", (module, node.lineno)


# -- size and words ------------------------------------------------------------------------------

Function = ast.FunctionDef | ast.AsyncFunctionDef


@pytest.mark.parametrize("module", sorted(sources()))
def test_modules_and_functions_fit_in_the_head(module: str) -> None:
    path = TOP.parent.joinpath(*module.split(".")).with_suffix(".py")
    assert len(path.read_text("utf-8").splitlines()) <= LONGEST_MODULE
    for node in ast.walk(sources()[module]):
        if isinstance(node, Function):
            length = (node.end_lineno or node.lineno) - node.lineno + 1
            assert length <= (LONG_BY_NATURE.get((module, node.name)) or LONGEST_FUNCTION), (
                f"{node.name} has {length} lines"
            )


LONG_BY_NATURE = {
    ("streamer.contract.examples", "_groups"): 70,  # one plain list of examples
}

DOCUMENTED = ("domain", "state", "contract", "alerts", "mqtt")
TOLD_BY_BODY = 5
"""A body of so few statements without a branch needs no words beside its name and types."""


def definitions(tree: ast.Module) -> Iterator[Function | ast.ClassDef]:
    """Public functions and classes of a module, and the public methods of its classes."""
    for node in tree.body:
        if isinstance(node, Function | ast.ClassDef) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                for inner in node.body:
                    if isinstance(inner, Function) and not inner.name.startswith("_"):
                        yield inner


def is_plain(node: Function | ast.ClassDef) -> bool:
    """Fields alone, or a few statements in a row."""
    if isinstance(node, ast.ClassDef):
        return all(isinstance(part, ast.AnnAssign | ast.Expr | ast.Pass) for part in node.body)
    branches = (ast.If, ast.For, ast.While, ast.Try, ast.Raise)
    return len(node.body) <= TOLD_BY_BODY and not any(
        isinstance(inner, branches) for inner in ast.walk(node)
    )


@pytest.mark.parametrize("module", sorted(m for m in sources() if part_of(m) in DOCUMENTED))
def test_what_is_public_is_explained(module: str) -> None:
    tree = sources()[module]
    if not module.endswith("__init__"):
        assert ast.get_docstring(tree), f"{module} does not say what it is for"
    silent = [
        node.name
        for node in definitions(tree)
        if not ast.get_docstring(node) and not is_plain(node)
    ]
    assert silent == []


@pytest.mark.parametrize("module", sorted(sources()))
def test_every_module_says_what_it_is_for(module: str) -> None:
    if sources()[module].body:
        assert ast.get_docstring(sources()[module])


# -- names in one place --------------------------------------------------------------------------


def strings(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """All texts of a module that are not docstrings, those within f-strings too."""
    documented = ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, documented) and node.body and isinstance(node.body[0], ast.Expr)
    }
    bare = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if not isinstance(node, ast.Constant) or id(node) in docstrings | bare:
            continue
        if isinstance(node.value, str):
            yield node.lineno, node.value


def test_topics_are_spelled_in_one_place() -> None:
    found = {
        (module, line)
        for module, tree in sources().items()
        for line, text in strings(tree)
        if module != "streamer.contract.topics" and re.search(r"\bnet/|\$share", text)
    }
    assert found == set()


def key_names() -> set[str]:
    """What follows the hash tag in the keys of `streamer/state/keys.py`."""
    keys = state_keys.Keys("r", 1)
    made = [
        keys.station("x"), keys.group("x"), keys.sent("x"), keys.gateway("x"),
        keys.quarantine("x"), keys.holes("x"), keys.live(0), keys.due(0), keys.tell(0), keys.out(0),
        keys.published(0), keys.alerts(), keys.found(), keys.refused(), keys.refusals(),
        keys.meta(), keys.workers(), keys.quarantines(), keys.duties(), keys.calls(), keys.log(0),
        keys.history("x", 0), keys.heard("x"), keys.learned("x", 0), keys.air(0),
        keys.cases(), keys.maintenance(), keys.waiting("x"), keys.parcel("x"),
        keys.dead_letters("x"), keys.senders(), keys.ears(), keys.rosters(),
        keys.heard_lists(), keys.everything(), keys.gone(0),
    ]  # fmt: skip
    methods = {n for n, f in vars(state_keys.Keys).items() if callable(f) and n[0] != "_"}
    assert len(made) == len(methods - {"partition_of"}), "a key is missing in the list above"
    return {key.split("}:")[1] for key in made if "*" not in key}


def test_redis_keys_are_spelled_in_one_place() -> None:
    """Nobody else joins a hash tag or hands a client a name of its own."""
    assert len(key_names()) == 33
    wrong = []
    for module, tree in sources().items():
        if module == "streamer.state.keys":
            continue
        wrong += [(module, line) for line, text in strings(tree) if HASH_TAG.search(text)]
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                continue
            client = ast.unparse(node.func.value)
            if client.endswith(("client", "pipe")) and node.func.attr in KEY_COMMANDS:
                first = ast.unparse(node.args[0])
                if not re.search(r"\bkeys\.\w+\(|^key$|^out$", first):
                    wrong.append((module, node.lineno))
    assert wrong == []


HASH_TAG = re.compile(r"}}?:[a-z*]")
KEY_COMMANDS = {
    "hget", "hset", "hgetall", "hmget", "hkeys", "hdel", "zadd", "zrange", "zrangebyscore", "zcard",
    "zrem", "zscore", "lrange", "lpush", "get", "set", "delete", "exists", "type",
}  # fmt: skip


def test_scripts_spell_no_key() -> None:
    """They get every key by KEYS, so that a cluster knows where they run."""
    texts = {p.name: p.read_text("utf-8") for p in (TOP / "state" / "lua").glob("*.lua")}
    assert len(texts) > 8
    for name, text in texts.items():
        code = re.sub(r"--.*", "", text)
        assert not re.search(r"redis\.call\(\s*'[A-Z]+'\s*,\s*['\"]", code), name
        assert "}:" not in code, name


def test_the_worker_speaks_by_its_log() -> None:
    """`print` to standard error is for what the command says before it has begun."""
    for module, tree in sources().items():
        if part_of(module) not in ("worker", "state", "domain", "alerts", "contract", "mqtt"):
            continue
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and ast.unparse(node.func) == "print":
                assert module == "streamer.worker.command", (module, node.lineno)
                assert "file=sys.stderr" in ast.unparse(node), (module, node.lineno)


# -- metrics -------------------------------------------------------------------------------------

# Source: prometheus/docs, practices/naming.md (commit c105550a).
BASE_UNITS = ("_seconds", "_bytes", "_ratio", "_meters", "_celsius", "_volts", "_joules", "_grams")
OTHER_UNITS = re.compile(
    r"_(ms|s|us|sec|milliseconds|microseconds|minutes|hours|days|kb|mb|kilobytes|megabytes"
    r"|percent|pct|km|miles)(_|$)"
)


# "Do not put the label names in the metric name": these have the label's word as what they are
# about (the gateway is up), not as what they are split by (x_by_gateway).
NAMED_AFTER_THEIR_SUBJECT = {
    "streamer_gateway_up",
    "streamer_gateway_events_missing",
    "streamer_gateway_clock_offset_seconds",
    "streamer_repeater_up",
    "streamer_group_members",
}


def metrics() -> list[MetricWrapperBase]:
    return [m for m in vars(Metrics()).values() if isinstance(m, MetricWrapperBase)]


@pytest.mark.parametrize("metric", metrics(), ids=lambda m: m._name)
def test_metric_names_follow_prometheus(metric: MetricWrapperBase) -> None:
    name = metric._name
    assert re.fullmatch(r"streamer_[a-z][a-z0-9_]*", name)  # one word of prefix
    assert not OTHER_UNITS.search(name)  # base units alone
    for unit in BASE_UNITS:
        if unit in name:
            assert name.endswith(unit)
    assert not name.endswith(("_total", "_info", "_count", "_sum", "_bucket"))  # added by the kind
    (family,) = metric.collect()
    assert family.documentation
    assert not set(metric._labelnames) & set(name.split("_")) or name in NAMED_AFTER_THEIR_SUBJECT
    if isinstance(metric, CounterMetric):
        metric.labels(*(["x"] * len(metric._labelnames))) if metric._labelnames else None
        (family,) = metric.collect()
        assert all(s.name.endswith(("_total", "_created")) for s in family.samples)
    else:
        assert isinstance(metric, Gauge | Histogram)


def test_labels_are_bounded_by_the_region_file() -> None:
    """Never call signs: anybody on the air could make new ones."""
    labels = {label for metric in metrics() for label in metric._labelnames}
    assert labels == set(LABELS)  # each says there what bounds it
    assert labels == {
        "tally", "reason", "group", "carriage", "standing", "gateway", "repeater", "kind",
        "channel", "outcome", "presence", "severity",
    }  # fmt: skip


def exposition() -> bytes:
    made = Metrics()
    for metric in vars(made).values():
        if isinstance(metric, MetricWrapperBase) and metric._labelnames:
            metric.labels(*(f"a{n}" for n in range(len(metric._labelnames))))
    for kind in AlertKind:
        made.alerts.labels(kind, Severity.CRITICAL).set(1)
    for standing in Standing:
        made.members.labels("NET", standing).set(1)
    return generate_latest(made.registry)


def test_no_sample_stands_twice() -> None:
    """The Python parsers let doubles pass."""
    seen: dict[str, int] = defaultdict(int)
    for line in exposition().decode().splitlines():
        if not line.startswith("#"):
            seen[line.rsplit(" ", 1)[0]] += 1
    assert len(seen) > 50
    assert max(seen.values()) == 1


def test_promtool_finds_nothing_to_say() -> None:
    """Source: Prometheus' own linter."""
    tool = program("promtool")
    assert shutil.which(tool)
    done = subprocess.run(
        [tool, "check", "metrics"], input=exposition(), capture_output=True, check=False
    )
    assert (done.returncode, done.stdout + done.stderr) == (0, b"")
