"""`streamer user`: who may sign in on the board. Passwords come by prompt or standard input."""

import argparse
import getpass
import sys
from pathlib import Path
from typing import Final

from streamer.board.users import (
    USER_ROLES,
    PasswordRefused,
    Passwords,
    Role,
    User,
    check_name,
    check_password,
    load_users,
    locked,
    write_users,
)
from streamer.config import ConfigError
from streamer.problems import suggestion

WELL: Final = 0
FOUND_WRONG: Final = 1


class _Wrong(Exception):
    """What was found does not allow what was asked; the text says what to do."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    acts = parser.add_subparsers(dest="act", metavar="ACT", required=True)
    add = acts.add_parser("add", help="add a user, or give one another role and password")
    add.add_argument("name", type=_name, metavar="NAME")
    add.add_argument("--role", required=True, choices=[str(role) for role in USER_ROLES])
    add.add_argument("--replace", action="store_true", help="the name may be there already")
    add.add_argument(
        "--password-stdin",
        action="store_true",
        help="read the password from one line of standard input instead of asking for it",
    )
    remove = acts.add_parser("remove", help="remove a user; their sessions end at once")
    remove.add_argument("name", metavar="NAME")
    listing = acts.add_parser("list", help="list names and roles")
    for act in (add, remove, listing):
        act.add_argument("--file", type=Path, required=True, help="the file of users (TOML)")


def main(arguments: argparse.Namespace) -> int:
    """Exit codes: 0 done, 1 the file or the password cannot be used, 2 used wrongly."""
    acts = {"add": _add, "remove": _remove, "list": _list}
    try:
        acts[arguments.act](arguments)
    except (ConfigError, _Wrong) as error:
        print(error, file=sys.stderr)
        return FOUND_WRONG
    except PasswordRefused as error:
        print(f"streamer user: {error}", file=sys.stderr)
        return FOUND_WRONG
    except OSError as error:
        print(
            f"{arguments.file}: not written: {error.strerror}; is the folder there and yours?",
            file=sys.stderr,
        )
        return FOUND_WRONG
    return WELL


def _name(text: str) -> str:
    try:
        return check_name(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r}: {error}") from error


def _add(arguments: argparse.Namespace) -> None:
    file, name = arguments.file, arguments.name
    _check_free(_users(file), name, arguments)  # before anybody types a password in vain
    password = check_password(_password(arguments.password_stdin), name)
    user = User(name=name, role=Role(arguments.role), hash=Passwords().hash(password))
    with locked(file):
        users = _users(file)
        _check_free(users, name, arguments)
        was_there = name in users
        users[name] = user
        write_users(file, users)
    done = "replaced" if was_there else "added"
    print(f"{name} ({user.role}) {done} in {file}")


def _users(file: Path) -> dict[str, User]:
    """A file that is not there yet has no users."""
    return load_users(file) if file.exists() else {}


def _check_free(users: dict[str, User], name: str, arguments: argparse.Namespace) -> None:
    same = next((known for known in users if known.casefold() == name.casefold()), None)
    if same is None or (same == name and arguments.replace):
        return
    if same == name:
        raise _Wrong(f"{arguments.file}: {name} is there already; change it with --replace")
    raise _Wrong(
        f"{arguments.file}: {same} is there already and differs in upper and lower case alone; "
        "choose another name or remove that one first"
    )


def _password(from_stdin: bool) -> str:
    if from_stdin:
        try:
            line = sys.stdin.readline()
        except UnicodeDecodeError as error:
            raise PasswordRefused("the password on standard input is not UTF-8") from error
        return line.removesuffix("\n").removesuffix("\r")
    if not sys.stdin.isatty():
        raise PasswordRefused(
            "there is no terminal to ask at; give the password on standard input with "
            "--password-stdin"
        )
    password = getpass.getpass("Password: ")
    if getpass.getpass("The same again: ") != password:
        raise PasswordRefused("the two were not the same; nothing was changed")
    return password


def _remove(arguments: argparse.Namespace) -> None:
    file, name = arguments.file, arguments.name
    with locked(file):
        users = load_users(file)
        if name not in users:
            raise _Wrong(f"{file}: there is no user {name!r}; {suggestion(name, sorted(users))}")
        del users[name]
        write_users(file, users)
    print(f"{name} removed from {file}")
    if not any(user.role is Role.ADMIN for user in users.values()):
        print(f"{file}: no user has the role admin any more", file=sys.stderr)


def _list(arguments: argparse.Namespace) -> None:
    users = load_users(arguments.file)
    width = max((len(name) for name in users), default=0)
    for name, user in sorted(users.items()):
        print(f"{name:{width}}  {user.role}")
