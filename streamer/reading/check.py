"""`streamer check`: says what is wrong with a region file, where, and what is allowed."""

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from streamer.clock import SystemClock
from streamer.config import ConfigError, RegionView, differences, load_region
from streamer.mqtt.settings import broker_from_url
from streamer.reading.broker_check import NotOurs, Trials
from streamer.reading.text import complain, plural, say, table, wrap
from streamer.redis_settings import FILES as REDIS_FILES
from streamer.redis_settings import holds_password

_CHANNEL_FILES = ("url_file", "urls_file", "secret_file", "password_file", "ca_file")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Say what is wrong with a region file, one fault a line: where, what, what is allowed. "
        "Exit code 0: well; 1: faults found."
    )
    parser.add_argument("region", type=Path, metavar="REGION.toml", help="the region file")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    parser.add_argument(
        "--broker",
        nargs="?",
        const="",
        metavar="URL",
        help="try whether a broker does what workers and agents need: that of the file, or "
        "mqtt[s]://[USER@]HOST[:PORT]; the account must be one that nothing else uses, and be "
        "allowed several connections",
    )
    parser.add_argument(
        "--denied", metavar="TOPIC", help="with --broker: a topic that the account may not write"
    )


def main(arguments: argparse.Namespace) -> int:
    """Faults are what this command finds, so they go to standard output."""
    path: Path = arguments.region
    try:
        view = load_region(path)
    except ConfigError as error:
        if arguments.json:
            say([json.dumps(_faulty(error), indent=2, ensure_ascii=False)])
        else:
            say(f"{path}: {problem}" for problem in error.problems)
            complain("check", f"{path}: {plural(len(error.problems), 'problem')}; not usable")
        return 1
    if arguments.broker is not None:
        return _broker(view, arguments)
    if arguments.json:
        say([json.dumps(summary(path, view), indent=2, ensure_ascii=False)])
    else:
        say(_text(path, view))
    return 0


def _broker(view: RegionView, arguments: argparse.Namespace) -> int:
    """The trials as a table; 1 if the broker cannot be used as it is."""
    url: str = arguments.broker
    try:
        settings = broker_from_url(url) if url else view.region.broker
        found = Trials(settings, view.name, SystemClock()).run(arguments.denied)
    except (ValueError, NotOurs) as error:
        complain("check", str(error))
        return 2
    except OSError as error:
        complain("check", str(error))
        return 1
    bad = sum(one.well is False for one in found)
    if arguments.json:
        say([json.dumps({"ok": not bad, "trials": [asdict(one) for one in found]}, indent=2)])
    else:
        words = {True: "well", None: "note", False: "WRONG"}
        say(table(["TRIAL", "", "FOUND"], [[f.trial, words[f.well], f.text] for f in found]))
    return 1 if bad else 0


def _faulty(error: ConfigError) -> dict[str, Any]:
    pairs = [problem.partition(": ") for problem in error.problems]
    return {
        "file": str(error.path),
        "ok": False,
        "problems": [{"place": place, "problem": problem} for place, _, problem in pairs],
    }


def summary(path: Path, view: RegionView) -> dict[str, Any]:
    """What a good file holds, as it is printed with --json."""
    return {
        "file": str(path),
        "ok": True,
        "problems": [],
        "notes": notes(view),
        "region": view.name,
        "title": view.region.title,
        "gateways": len(view.gateways),
        "repeaters": len(view.sites),
        "repeaters_placed": _placed(view),
        "policy": view.region.policy.model_dump(),
        "groups": [
            {
                "group": group.name,
                "title": group.title,
                "pins": list(group.pins),
                "bars": list(group.bars),
                "differs": differences(view.policies[group.name], view.region.policy),
            }
            for group in view.region.group
        ],
    }


def _placed(view: RegionView) -> int:
    """Repeaters of which place and range are known."""
    return sum(s.lat is not None and s.range_km is not None for s in view.sites.values())


def notes(view: RegionView) -> list[str]:
    """What is allowed but may not be meant."""
    region = view.region
    found = []
    if region.open_gateways:
        found.append("open_gateways: gateways and repeaters that are not listed are heard as well")
    elif not region.gateway:
        found.append("gateway: none is listed and open_gateways is false: nobody will be heard")
    unplaced = [r for r, s in view.sites.items() if s.lat is None or s.range_km is None]
    if unplaced:
        named = ", ".join(unplaced[:5]) + (" and more" if len(unplaced) > 5 else "")
        found.append(
            f"{named}: without lat, lon and range_km a station in two places is not noticed by "
            "its speed"
        )
    found += [
        f"group {name}: check_out_words is empty: members leave by silence alone"
        for name, policy in view.policies.items()
        if not policy.check_out_words
    ]
    if holds_password(region.redis_url):
        found.append(
            "redis_url: holds a password: better put it in redis_password_file, "
            "or let nobody else read this file"
        )
    if (region.broker.username or region.broker.tls) and region.broker.share_file is None:
        found.append(
            "broker.share_file: without a secret name of the workers' share, any account at the "
            "broker can join it, and what is dealt to a stranger is lost"
        )
    found += _missing_files(view)
    return found


def _missing_files(view: RegionView) -> list[str]:
    broker, tls = view.region.broker, view.region.broker.tls
    files = {
        "redis_password_file": view.region.redis_password_file,
        **{f"redis.{name}": getattr(view.region.redis, name) for name in REDIS_FILES},
        "broker.password_file": broker.password_file,
        "broker.share_file": broker.share_file,
        "broker.tls.ca_file": tls.ca_file if tls else None,
        "broker.tls.cert_file": tls.cert_file if tls else None,
        "broker.tls.key_file": tls.key_file if tls else None,
    }
    for channel in view.region.channel:
        for name in _CHANNEL_FILES:
            files[f"channel {channel.name} {name}"] = getattr(channel, name, None)
    return [
        f"{name}: no file {str(path)!r} here; a relative path starts where the worker is started"
        for name, path in files.items()
        if path is not None and not path.is_file()
    ]


def _text(path: Path, view: RegionView) -> list[str]:
    title = f", {view.region.title}" if view.region.title else ""
    lines = [f"{path}: well", *wrap(f"region {view.name}{title}")]
    counts = f"{plural(len(view.gateways), 'gateway')}, {plural(len(view.sites), 'repeater')}"
    lines += [f"{counts} ({_placed(view)} with place and range)"]
    lines += [plural(len(view.groups), "group"), ""]
    rows, differing = [], []
    for group in view.region.group:
        marks = [f"pins {', '.join(group.pins)}" if group.pins else ""]
        marks += [f"bars {', '.join(group.bars)}" if group.bars else ""]
        rows.append([group.name, group.title, "; ".join(filter(None, marks))])
        changed = differences(view.policies[group.name], view.region.policy)
        told = ", ".join(f"{name} = {_toml(value)}" for name, value in changed.items())
        if told:
            differing += wrap(f"{group.name} differs from [policy]: {told}", "", "    ")
    lines += table(["GROUP", "TITLE", "REPEATERS"], rows)
    lines += ["", *differing] if differing else []
    found = notes(view)
    if found:
        lines += ["", *(line for note in found for line in wrap(f"note: {note}", "", "      "))]
    return lines


def _toml(value: Any) -> str:
    if isinstance(value, tuple):
        return json.dumps(list(value))
    return f"{value:g}" if isinstance(value, float) else str(value)
