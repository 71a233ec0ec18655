"""What is put into the folder of an account: all that its keeper copies, and nothing else."""

import json
import tomllib
from dataclasses import dataclass
from typing import Any, Final

from streamer.agent.config import AgentSettings
from streamer.config import Gateway, Repeater
from streamer.domain.plain_words import printable
from streamer.enroll.book import Account, Role, Way
from streamer.enroll.unit import FOLDER, HOME, PROGRAM, SPOOL, agent_unit

CA, CERTIFICATE, KEY, PASSWORD, SHARE = "ca.pem", "cert.pem", "cert.key", "password", "share"
AGENT, BROKER, UNIT, READ_ME = (
    "agent.toml", "broker.toml", "streamer-agent.service", "READ-ME-FIRST.txt",
)  # fmt: skip
UDP_PORT: Final = 5600
LOOPBACK: Final = ("127.0.0.1", "::1", "localhost")
LOOPBACK_PORT: Final = 1883


@dataclass(frozen=True, slots=True)
class Fresh:
    """What was just made for an account: a certificate and key (PEM), or a password."""

    way: Way
    certificate: bytes = b""
    key: bytes = b""
    password: str = ""


def by_tls(account: Account) -> bool:
    """Whether it connects by TLS: all but who sits on the broker's own machine."""
    return not (account.host in LOOPBACK and account.port == LOOPBACK_PORT)


def credential_files(account: Account, fresh: Fresh, ca: bytes) -> dict[str, bytes]:
    """The files by which it proves who it is and knows the broker."""
    files = {CA: ca} if by_tls(account) else {}
    if fresh.way is Way.PASSWORD:
        return {**files, PASSWORD: f"{fresh.password}\n".encode()}
    return {**files, CERTIFICATE: fresh.certificate, KEY: fresh.key}


def parcel(
    region: str,
    account: Account,
    fresh: Fresh,
    ca: bytes,
    share: str,
    gateway: Gateway | None,
    kept: bytes | None = None,
    group: str = "GROUP",
) -> dict[str, bytes]:
    """The files of an account's folder by name. `gateway` is its table in the region file, `kept`
    the agent.toml that is there already, which somebody may have filled in, `group` one of the
    region's, for an example."""
    files = credential_files(account, fresh, ca)
    if account.role is Role.GATEWAY and gateway is not None:
        secret = [name for name in files if name != CA]
        handed = [AGENT, *files]
        text = agent_toml(region, account, fresh.way, gateway, group)
        return {
            **files,
            AGENT: text.encode() if kept is None else kept,
            UNIT: agent_unit(handed).encode(),
            READ_ME: _for_a_keeper(gateway, secret, account, group).encode(),
        }
    if account.role is Role.WORKER:
        files[SHARE] = f"{share}\n".encode()
    if account.role is not Role.BRIDGE:
        files[BROKER] = broker_table(account, fresh.way).encode()
    return {**files, READ_ME: _for_a_program(account).encode()}


def broker_table(account: Account, way: Way) -> str:
    """The `[broker]` table for an agent's or a region's file, with files beside it."""
    pairs: list[tuple[str, Any]] = [
        ("host", account.host),
        ("port", account.port),
        # 3.1.1 cannot tell that a message was refused.
        ("protocol", "5"),
    ]
    if way is Way.PASSWORD:
        pairs += [("username", account.name), ("password_file", PASSWORD)]
    if account.role is Role.WORKER:
        pairs += [("share_file", SHARE)]
    lines = ["[broker]", *(_line(name, value) for name, value in pairs)]
    if by_tls(account):
        lines += ["[broker.tls]", _line("ca_file", CA)]
        if way is Way.CERTIFICATE:
            lines += [_line("cert_file", CERTIFICATE), _line("key_file", KEY)]
    return "\n".join(lines) + "\n"


_SOURCE: Final = """\
# Where the events come from: change this to what the site's radio program can do (README,
# "Connect a real gateway"; configs/agent-example.toml has all kinds). As it stands, one JSON object
# a datagram is taken from programs on this machine, such as
# {line}
# The ports are: {ports}. Give files and sockets with their whole path.
[[source]]
type = "udp"
port = {port}
format = "json"
"""


def _example(gateway: Gateway, group: str) -> str:
    """A line that its agent takes as it is."""
    port = next((one.id for one in gateway.repeater), "uhf")
    over = {"repeater": port, "station": "QA1ABC", "to": group, "over": "a1", "phase": "end"}
    return json.dumps({**over, "duration_s": 2.5}, separators=(",", ":"))


def agent_toml(region: str, account: Account, way: Way, gateway: Gateway, group: str) -> str:
    """An agent's file, checked by the agent's own rules."""
    source = _SOURCE.format(
        line=_example(gateway, group),
        ports=", ".join(one.id for one in gateway.repeater),
        port=UDP_PORT,
    )
    lines = [
        f"# The agent of gateway {gateway.id}. {printable(gateway.title)}".rstrip(),
        "# Written by `streamer enroll`; the repeaters are those of the region file.",
        _line("region", region),
        _line("gateway", gateway.id),
        "",
        broker_table(account, way),
        "[spool]",
        _line("path", SPOOL),
        "",
        *(text for repeater in gateway.repeater for text in _repeater(repeater)),
    ]
    text = "\n".join([*lines, source])
    AgentSettings.model_validate(tomllib.loads(text))
    return text


def _repeater(repeater: Repeater) -> list[str]:
    known = repeater.model_dump(
        include={"id", "freq_mhz", "lat", "lon", "antenna_m", "range_km"}, exclude_none=True
    )
    return ["[[repeater]]", *(_line(name, value) for name, value in known.items()), ""]


def _line(name: str, value: Any) -> str:
    return f"{name} = {json.dumps(value)}"  # names and hosts are ASCII, so JSON's text is TOML's


def missing_gateway(name: str) -> str:
    """The table that a gateway needs in the region file."""
    return f'[[gateway]]\nid = "{name}"\n[[gateway.repeater]]\nid = "uhf"'


_CAUTION: Final = """
What this does not do: call signs are not authenticated on the air. "Not heard" is not "in danger",
and "heard" is not "safe". It is no means of alarm.
"""


def _for_a_keeper(gateway: Gateway, secret: list[str], account: Account, group: str) -> str:
    name, where = gateway.id, f"{account.host}, port {account.port}"
    return f"""\
READ ME FIRST - gateway {name}

Nobody else may have this folder: with {" and ".join(secret)} anybody can speak as {name}
and read the fan-outs, which name the members whom each repeater serves. If it is lost or copied,
tell the region's administrator at once, who can revoke it.

1. Program. Put streamer's sources on this machine (ask the administrator; on package indexes
   another program has this name), and compare their sha256sum with the one that the administrator
   reads to you. Python 3.11 or newer is needed.
     python3 -m venv {HOME}
     {HOME}/bin/pip install SOURCES     (or 'SOURCES[nmea]' for positions from NMEA)
2. Files. As root, in this folder:
     install -d -m 0700 {FOLDER}
     install -m 0600 * {FOLDER}/
     mv {FOLDER}/{UNIT} /etc/systemd/system/
3. Sources. Open {FOLDER}/{AGENT} and say under [[source]] where the events come
   from. Then
     {PROGRAM} agent {FOLDER}/{AGENT} --check
   must say "well"; it also looks whether all files are there and belong together.
4. One line, which is neither sent nor kept:
     echo \
     '{_example(gateway, group)}' |
       {PROGRAM} agent {FOLDER}/{AGENT} --try /dev/stdin
   must show "heard" and what it has understood. Then with lines of your own source in a file.
5. Clock. It must be right (NTP): a certificate is refused by a machine whose clock is wrong by
   days.
6. Start.
     systemctl daemon-reload
     systemctl enable --now streamer-agent
     journalctl -u streamer-agent -f
   must say "connected". It connects to {where};
   nothing else must be open, and nothing needs to come in. What it says when something is wrong:
     broker_unreachable   no way there, or the time, ca.pem or the certificate does not fit
     broker_refused       the account is not accepted: ask the administrator
     publish_refused, heartbeat_refused
                          the account has no rights: it was revoked, or the folder is another
                          gateway's: ask the administrator
   Events are kept on this machine meanwhile, and sent when it is mended.
     bad_line, remark     a line gave no event, or not all of it was understood: it says why
7. See one counted. Key up once with your own call sign, to a group, and ask the administrator:
   `streamer gateway {name}` must count it; if not, `streamer refused` tells why. Only there one
   sees it: your agent cannot know. You are a member of that group then: check out.
8. Delete this folder wherever else it lies.

A new certificate or password: copy {" and ".join(secret)} alone over the old in {FOLDER}.
Your {AGENT} stays as it is, but see that `host` and `port` under [broker] are
{account.host} and {account.port}, as in the new one; then systemctl restart streamer-agent.
{_CAUTION}"""


_ITS_OWN: Final = {
    Role.WORKER: f"""
It judges who is in reach from what gateways say, and nothing proves what they say. While no worker
runs nobody is watched: tell net controls by radio.

{SHARE} holds the name of the workers' share of what gateways say. All workers of the region use
the same, and nobody else may know it: Mosquitto lets whoever knows it take part, and what is dealt
to a stranger is lost. If this folder was copied, the administrator needs `streamer enroll --revoke`
and `--new-share`.
""",
    Role.BOARD: """
It reads all that the region tells: call signs, who is where, who is out of reach, alerts. Whoever
has this folder can read it, too. While the board says that its picture is old, nobody is watched.
""",
    Role.READER: """
It reads all that the region tells, and writes nothing: CALL SIGNS of people, THEIR POSITIONS, who
is out of reach, duties, alerts. Whoever has this folder reads it, too, until the account is
revoked. Pass nothing on, delete what you no longer need, and say who sees what you make of it.
Silence has many causes: show a standing with its age and its words, never as an alarm of your own.
""",
    Role.BRIDGE: f"""
All files here go to /etc/mosquitto/streamer/ at the site, and again whenever `streamer enroll` says
that they have changed: until then whom it has revoked goes on there. Never copy the region's folder
`broker` to a site. {CERTIFICATE} and {KEY} are the account at the region's broker, server.pem and
server.key the site's own, which gateways trust there and nowhere else. Whoever has this folder can
speak as each gateway that the account speaks for, and can read the fan-outs, which name members.
Keep a copy of it where the accounts are kept.
""",
}


def _for_a_program(account: Account) -> str:
    client = {
        Role.WORKER: f"streamer worker REGION.toml --name {account.name}",
        Role.BOARD: "streamer board --region REGION.toml",
        Role.BRIDGE: "the site's broker (configs/mosquitto-bridge.conf)",
    }.get(account.role, "any MQTT 5 client")
    text = f"""\
READ ME FIRST - account {account.name}, role {account.role}

For {client}.
One process an account: a second one throws the first one out, again and again.
Nobody else may read these files. File names in settings begin where a program is started, so give
them whole.
"""
    if account.role is not Role.BRIDGE:
        text += f"\nThe table of {BROKER} takes the place of [broker] in the settings.\n"
    return text + _ITS_OWN[account.role] + _CAUTION
