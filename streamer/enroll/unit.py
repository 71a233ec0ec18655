"""The agent's systemd unit, as it goes into a gateway's folder."""

from collections.abc import Sequence
from typing import Final

FOLDER: Final = "/etc/streamer-agent"
"""Where the keeper puts the folder. Root's alone: the unit hands each file to the agent. Not the
folder of workers and boards, who may run on the same machine and must get into theirs."""
HOME: Final = "/opt/streamer-agent"
PROGRAM: Final = f"{HOME}/bin/streamer"
STATE: Final = "streamer-agent"
SPOOL: Final = f"/var/lib/{STATE}/spool.db"

_BEGIN: Final = """\
# Written by `streamer enroll`. Put it into /etc/systemd/system/, then:
#   systemctl daemon-reload && systemctl enable --now streamer-agent
[Unit]
Description=streamer agent of this gateway
Wants=network-online.target
# A certificate is judged by the time: wait until the clock is set.
After=network-online.target time-sync.target
StartLimitIntervalSec=0

[Service]
Type=exec
# A user made for the time that it runs, who owns the spool and nothing else.
DynamicUser=yes
StateDirectory={state}
StateDirectoryMode=0700
RuntimeDirectory={state}
# Read by root and handed over in memory; so the folder stays closed to everybody else. A changed
# file is taken over by a restart.
"""
_END: Final = """\
# Relative names in agent.toml begin where the files were handed over.
ExecStart=/bin/sh -c 'cd "$$CREDENTIALS_DIRECTORY" && exec {program} agent agent.toml'
Restart=always
RestartSec=5
# It drains its spool for drain_s of agent.toml.
TimeoutStopSec=30
MemoryMax=256M
TasksMax=64

NoNewPrivileges=yes
CapabilityBoundingSet=
AmbientCapabilities=
ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
PrivateDevices=yes
ProtectClock=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectControlGroups=yes
ProtectProc=invisible
ProcSubset=pid
RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
RemoveIPC=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources
UMask=0077

[Install]
WantedBy=multi-user.target
"""


def agent_unit(files: Sequence[str]) -> str:
    """`files` of FOLDER that the agent reads."""
    handed = "".join(f"LoadCredential={name}:{FOLDER}/{name}\n" for name in files)
    return _BEGIN.format(state=STATE) + handed + _END.format(program=PROGRAM)
