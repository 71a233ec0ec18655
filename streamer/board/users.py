"""The file of users: who they are, what they may do, and the hashes of their passwords.

```toml
[[user]]
name = "duty.desk"
role = "operate"
hash = "$argon2id$v=19$m=65536,t=3,p=4$..."
```

Passwords are hashed by Argon2id (RFC 9106), with the second recommended choice of its section 4:
64 MiB, 3 passes, 4 lanes; these are the defaults of argon2-cffi. What a password must be follows
NIST SP 800-63B-4, section 3.1.1.2 (seen as quoted by others, not in the original): at least 15
characters where nothing else is asked for, at least 64 allowed, every character counted and none
demanded, nothing cut off. The names of things here are refused as passwords; a list of passwords
known to have leaked, which that section also asks for, is not among what we have.
"""

import os
import re
import stat
import unicodedata
from collections.abc import Mapping
from contextlib import AbstractContextManager
from enum import StrEnum
from hashlib import sha256
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Final

import structlog
from argon2 import PasswordHasher, Type, extract_parameters
from argon2.exceptions import InvalidHashError, VerificationError
from pydantic import Field, ValidationError, field_validator, model_validator

from streamer.config import ConfigError, read_toml
from streamer.config_types import Table
from streamer.private_files import locked_folder, write_private
from streamer.problems import problem_lines

log = structlog.get_logger()

SHORTEST_PASSWORD: Final = 15
LONGEST_PASSWORD: Final = 200
LOCAL_NAME: Final = "local"
"""Everybody on a board that serves its own machine alone."""
LARGEST_MEMORY_KIB: Final = 1024 * 1024
"""A hash that asks for more would take the board down at a sign-in."""
MOST_PASSES: Final = 64
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,31}")
_HASH: Final = re.compile(r"\$argon2id\$v=19\$m=\d+,t=\d+,p=\d+\$[A-Za-z0-9+/]+\$[A-Za-z0-9+/]+")
_LONGEST_PERIOD: Final = 4


class Role(StrEnum):
    """What somebody may do; each role may also do what those above it here may."""

    PUBLIC = "public"
    """Not signed in. Sees the public view, if it is switched on."""
    VIEW = "view"
    OPERATE = "operate"
    ADMIN = "admin"

    def covers(self, needed: "Role") -> bool:
        """Whether somebody of this role may do what needs the role `needed`."""
        order = list(Role)
        return order.index(self) >= order.index(needed)


USER_ROLES: Final = (Role.VIEW, Role.OPERATE, Role.ADMIN)


class User(Table):
    """One `[[user]]`."""

    name: Annotated[str, Field(max_length=32)]
    role: Annotated[Role, Field(strict=False)]
    hash: Annotated[str, Field(max_length=512, repr=False)]

    @field_validator("name")
    @classmethod
    def _named(cls, name: str) -> str:
        return check_name(name)

    @field_validator("role", mode="before")
    @classmethod
    def _given(cls, role: object) -> object:
        if role not in USER_ROLES:
            raise ValueError(f"must be one of: {', '.join(USER_ROLES)}")
        return role

    @field_validator("hash")
    @classmethod
    def _readable(cls, text: str) -> str:
        return _check_hash(text)

    @property
    def stamp(self) -> str:
        """Changes whenever the role or the password does: sessions that began before end."""
        return sha256(f"{self.name}\n{self.role}\n{self.hash}".encode()).hexdigest()


class UsersTable(Table):
    """The whole file."""

    user: Annotated[tuple[User, ...], Field(strict=False)] = ()

    @model_validator(mode="after")
    def _different(self) -> "UsersTable":
        names = [user.name.casefold() for user in self.user]
        doubles = sorted({name for name in names if names.count(name) > 1})
        if doubles:
            raise ValueError(
                "\n".join(
                    f"user {name}: is given {names.count(name)} times (upper and lower case are "
                    "taken as the same): keep one"
                    for name in doubles
                )
            )
        return self


def check_name(name: str) -> str:
    """The name as it was; raises ValueError saying what is allowed."""
    if not _NAME.fullmatch(name):
        raise ValueError("must be 1 to 32 of letters, digits, . _ and -, a letter or digit first")
    if name.casefold() == LOCAL_NAME:
        raise ValueError(f"must not be {name!r}: so is called whoever needs no sign-in")
    return name


def _check_hash(text: str) -> str:
    """Raises ValueError; never shows the hash."""
    advice = "set the password again with `streamer user add NAME --role ROLE --replace`"
    try:
        found = extract_parameters(text) if _HASH.fullmatch(text) else None
    except InvalidHashError:
        found = None
    if found is None or found.type is not Type.ID:
        raise ValueError(f"is not a hash of Argon2id; {advice}")
    if found.memory_cost > LARGEST_MEMORY_KIB or found.time_cost > MOST_PASSES:
        raise ValueError(
            f"asks for more than {LARGEST_MEMORY_KIB} KiB or {MOST_PASSES} passes; {advice}"
        )
    return text


# -- passwords ---------------------------------------------------------------------------------


class PasswordRefused(ValueError):
    """A password that may not be chosen; the text says why, never what it was."""


def check_password(password: str, name: str) -> str:
    """A password that may be chosen, in the form that is hashed; raises PasswordRefused."""
    text = normal_form(password)
    if len(text) < SHORTEST_PASSWORD:
        raise PasswordRefused(
            f"the password has {len(text)} characters; at least {SHORTEST_PASSWORD} are needed, "
            "and a few words in a row are easy to keep in mind"
        )
    if len(text) > LONGEST_PASSWORD:
        raise PasswordRefused(f"the password is longer than {LONGEST_PASSWORD} characters")
    if any(unicodedata.category(character) == "Cc" for character in text):
        raise PasswordRefused("the password holds a control character, which no form can send")
    folded = text.casefold()
    rest = folded.replace(name.casefold(), "").replace("streamer", "")
    if len(set(rest)) <= _LONGEST_PERIOD or _repeats(folded) or _runs(folded):
        raise PasswordRefused(
            "the password is only a name, a row or a repetition, which is tried first; choose "
            "words that have nothing to do with each other"
        )
    return text


def normal_form(password: str) -> str:
    """NFC, so that a letter typed on another keyboard is the same letter (UAX 15)."""
    return unicodedata.normalize("NFC", password)


def _repeats(text: str) -> bool:
    """`text` is a short piece again and again."""
    return any(
        text == (text[:n] * (len(text) // n + 1))[: len(text)] for n in range(1, len(text) // 2 + 1)
    )


def _runs(text: str) -> bool:
    """Each character follows the one before, up or down: abcdefg..., 98765..."""
    steps = {ord(b) - ord(a) for a, b in pairwise(text)}
    return steps in ({1}, {-1})


class Passwords:
    """Hashes and verifies. `hasher` is for tests, which need a quick one."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = hasher or PasswordHasher()
        self._nobody = self._hasher.hash("nobody has this password")

    def hash(self, password: str) -> str:
        return self._hasher.hash(normal_form(password))

    def verify(self, user: User | None, password: str) -> bool:
        """Takes as long for a name that nobody has: its absence must not show (CWE-208)."""
        given = user.hash if user else self._nobody
        try:
            self._hasher.verify(given, normal_form(password))
        except (VerificationError, InvalidHashError, UnicodeEncodeError):
            return False
        return user is not None

    def outdated(self, user: User) -> bool:
        """Whether the hash was made with other parameters than are used now."""
        return self._hasher.check_needs_rehash(user.hash)


# -- the file ----------------------------------------------------------------------------------


def load_users(path: Path) -> dict[str, User]:
    """The users by name; raises ConfigError with every fault found.

    A file that others may read or write is refused: hashes can be tried at leisure.
    """
    check_private(path)
    content = read_toml(path)
    try:
        table = UsersTable.model_validate(content)
    except ValidationError as error:
        raise ConfigError(path, _without_hashes(error, content)) from None
    return {user.name: user for user in table.user}


def _without_hashes(error: ValidationError, content: Mapping[str, object]) -> list[str]:
    """The faults, without showing what stands where a hash belongs."""
    lines = problem_lines(error, UsersTable, content)
    return [re.sub(r" \(got .*\)$", "", line) if ".hash" in line else line for line in lines]


def check_private(path: Path) -> None:
    """Raises ConfigError when the group or others may read or write the file."""
    try:
        mode = path.stat().st_mode
    except OSError as error:
        raise ConfigError(
            path,
            [
                f"file: cannot be read: {error.strerror}; make it with "
                f"`streamer user add NAME --role admin --file {path}`"
            ],
        ) from error
    if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise ConfigError(
            path,
            [
                f"file: others may read or write it (mode {stat.S_IMODE(mode):04o}); "
                f"run: chmod 600 {path}"
            ],
        )


def write_users(path: Path, users: Mapping[str, User]) -> None:
    """Put the file in place as a whole, readable by its owner alone; raises OSError."""
    text = "# Written by `streamer user`; comments are not kept.\n" + "".join(
        f'\n[[user]]\nname = "{u.name}"\nrole = "{u.role}"\nhash = "{u.hash}"\n'
        for _, u in sorted(users.items())
    )
    write_private(path, text.encode("utf-8"))


def locked(path: Path) -> AbstractContextManager[None]:
    """One writer of this file at a time."""
    return locked_folder(path.parent)


class Users:
    """The users of a board that runs; a changed file is taken over at the next question.

    A file that has become unusable is not taken over: whoever was known stays known, and the log
    says so once. `load` is called at the start and raises instead.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._users = load_users(path)
        self._seen = self._mark()

    def find(self, name: str) -> User | None:
        """The user of this name, upper and lower case as in the file."""
        self._take_over()
        return self._users.get(name)

    def store_hash(self, user: User, fresh: str) -> User | None:
        """Replace a hash, unless the file has changed it meanwhile: then None."""
        with locked(self.path):
            users = load_users(self.path)
            if users.get(user.name) != user:
                return None
            users[user.name] = user.model_copy(update={"hash": fresh})
            write_users(self.path, users)
        return users[user.name]

    def _mark(self) -> tuple[int, ...] | None:
        try:
            found = self.path.stat()
        except OSError:
            return None
        return (found.st_mtime_ns, found.st_size, found.st_ino, found.st_mode)

    def _take_over(self) -> None:
        mark = self._mark()
        if mark == self._seen:
            return
        self._seen = mark
        try:
            self._users = load_users(self.path)
        except ConfigError as error:
            log.error("users file not taken over", problems=error.problems)
            return
        log.info("users file taken over", users=len(self._users))
