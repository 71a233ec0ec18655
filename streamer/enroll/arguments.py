"""The arguments of `streamer enroll`, and what holds where none is given."""

import argparse
import os
from pathlib import Path
from typing import Final

from streamer.enroll.book import Role
from streamer.enroll.passwords import PASSPHRASE_VARIABLE
from streamer.region_option import add_region_option

FOLDER_VARIABLE: Final = "STREAMER_ACCOUNTS"
DAYS: Final = 400
SPREAD_DAYS: Final = 60
"""Certificates of one day end over so many days: nobody can rotate 1,000 gateways in one."""
SOON_DAYS: Final = 30
"""What ends within it makes the exit code of --list 1, so that cron can tell."""
EVERY: Final = "all"
"""With --for: every gateway."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Make, change and end accounts at the broker. For each account there is one folder to "
        "copy; for the broker there is one folder, to be copied after each change."
    )
    parser.epilog = (
        f"The authority's key is encrypted if ${PASSPHRASE_VARIABLE} is set at --init, and then "
        "needed with every command."
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help="gateways, or accounts of --role")
    add_region_option(parser)
    parser.add_argument(
        "--folder",
        type=Path,
        default=os.environ.get(FOLDER_VARIABLE),
        help=f"where all accounts are kept; else ${FOLDER_VARIABLE} names it",
    )
    _add_acts(parser.add_mutually_exclusive_group())
    _add_options(parser)


def _add_acts(act: argparse._MutuallyExclusiveGroup) -> None:
    act.add_argument(
        "--init", action="store_true", help="begin a folder: authority, broker's files"
    )
    act.add_argument("--all", action="store_true", help="every gateway that has no account yet")
    act.add_argument("--rotate", action="store_true", help="new credentials; old ones stay valid")
    act.add_argument("--revoke-old", action="store_true", help="end all but the newest")
    act.add_argument("--revoke", action="store_true", help="end an account")
    act.add_argument("--list", action="store_true", help="who, until when; 1 if some end soon")
    act.add_argument("--refresh", action="store_true", help="make the broker's files anew")
    act.add_argument(
        "--new-share", action="store_true", help="another secret name of the workers' share"
    )


def _add_options(parser: argparse.ArgumentParser) -> None:
    roles = [str(role) for role in Role]
    parser.add_argument("--role", choices=roles, help="what the account is for (default: gateway)")
    parser.add_argument("--password", action="store_true", help="a password, no certificate")
    parser.add_argument("--certificate", action="store_true", help="with --rotate: no password")
    parser.add_argument(
        "--days",
        type=int,
        help="how long a certificate lasts (default: "
        f"{DAYS - SPREAD_DAYS} to {DAYS}, by the name, so that not all end on one day)",
    )
    parser.add_argument(
        "--host",
        action="append",
        default=[],
        help="with --init or --refresh: a name or address of the broker, the usual one first; "
        "with --role bridge: of the site's own",
    )
    parser.add_argument("--port", type=int, help="with --init: for certificates (default: 8883)")
    parser.add_argument(
        "--password-port", type=int, help="with --init: for passwords (default: 8884)"
    )
    parser.add_argument("--at", metavar="HOST[:PORT]", help="how this account reaches the broker")
    parser.add_argument(
        "--for",
        dest="speaks_for",
        action="append",
        default=[],
        metavar="GATEWAY",
        help=f"with --role bridge: a gateway that it speaks for, or {EVERY!r}",
    )
    parser.add_argument(
        "--within",
        type=int,
        metavar="DAYS",
        help=f"with --list: only what ends within so many days (without: warns of {SOON_DAYS})",
    )
    parser.add_argument("--json", action="store_true", help="with --list: print JSON")
