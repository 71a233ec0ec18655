"""The file of users, their passwords, and `streamer user`."""

import io
import os
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.low_level import ARGON2_VERSION, Type, core, ffi, hash_secret_raw
from argon2.profiles import RFC_9106_LOW_MEMORY
from structlog.testing import capture_logs

from streamer.board import user_command
from streamer.board.users import (
    LONGEST_PASSWORD,
    SHORTEST_PASSWORD,
    PasswordRefused,
    Passwords,
    Role,
    User,
    Users,
    check_name,
    check_password,
    load_users,
    locked,
    write_users,
)
from streamer.cli import main as cli
from streamer.config import ConfigError

QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
QUICKER = PasswordHasher(time_cost=1, memory_cost=16, parallelism=1)
PASSWORD = "seven lamps on the ridge"

# Source: the reference implementation's own tests, phc-winner-argon2/src/test.c, test of Argon2id
# version 0x13 with 2 passes, 2^16 KiB, 1 lane, "password", "somesalt" (seen in five repositories).
REFERENCE = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"


def user(name: str = "desk", role: Role = Role.OPERATE, password: str = PASSWORD) -> User:
    return User(name=name, role=role, hash=QUICK.hash(password))


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "users.toml"
    write_users(path, {"desk": user(), "chief": user("chief", Role.ADMIN)})
    return path


# -- hashes --------------------------------------------------------------------------------------


def test_the_library_computes_argon2id_as_the_rfc_does() -> None:
    """Source: RFC 9106, section 5.3 (the vector with secret and associated data)."""
    out = ffi.new("uint8_t[]", 32)
    parts = [bytes([n]) * length for n, length in ((1, 32), (2, 16), (3, 8), (4, 12))]
    password, salt, secret, data = (ffi.new("uint8_t[]", part) for part in parts)
    context = ffi.new(
        "argon2_context *",
        {
            "out": out, "outlen": 32, "version": ARGON2_VERSION,
            "pwd": password, "pwdlen": 32, "salt": salt, "saltlen": 16,
            "secret": secret, "secretlen": 8, "ad": data, "adlen": 12,
            "t_cost": 3, "m_cost": 32, "lanes": 4, "threads": 4,
            "allocate_cbk": ffi.NULL, "free_cbk": ffi.NULL, "flags": 0,
        },
    )  # fmt: skip
    assert core(context, Type.ID.value) == 0
    assert bytes(ffi.buffer(out, 32)).hex() == (
        "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659"
    )


def test_a_hash_of_the_reference_implementation_is_verified() -> None:
    known = User(name="desk", role=Role.VIEW, hash=REFERENCE)
    assert Passwords(QUICK).verify(known, "password")
    assert not Passwords(QUICK).verify(known, "passwore")


def test_hashes_are_made_as_the_rfc_recommends_for_little_memory() -> None:
    """Source: RFC 9106, section 4, second choice: t=3, p=4, m=2^16 KiB, 128-bit salt, 256-bit
    tag."""
    made = Passwords().hash(PASSWORD)
    found = extract_parameters(made)
    assert found == RFC_9106_LOW_MEMORY
    assert (found.time_cost, found.parallelism, found.memory_cost) == (3, 4, 2**16)
    assert (found.salt_len * 8, found.hash_len * 8) == (128, 256)
    assert made != Passwords().hash(PASSWORD)  # a salt of its own


def test_an_unknown_name_costs_a_hash_too(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    verify = PasswordHasher.verify

    def counted(self: PasswordHasher, hash: str, password: str) -> bool:  # noqa: A002
        asked.append(hash)
        return verify(self, hash, password)

    monkeypatch.setattr(PasswordHasher, "verify", counted)
    passwords = Passwords(QUICK)
    assert not passwords.verify(None, PASSWORD)
    assert not passwords.verify(None, "nobody has this password")
    assert passwords.verify(user(), PASSWORD)
    assert len(asked) == 3
    for text in asked:  # known and unknown names cost the same
        assert extract_parameters(text) == extract_parameters(user().hash)


def test_the_same_letter_written_otherwise_is_the_same_password() -> None:
    """Source: UAX 15, table 4: U+00E9 and U+0065 U+0301 are canonically equivalent."""
    composed, decomposed = "caf\u00e9 at the quiet quay", "cafe\u0301 at the quiet quay"
    passwords = Passwords(QUICK)
    known = User(name="desk", role=Role.VIEW, hash=passwords.hash(composed))
    assert passwords.verify(known, decomposed)


def test_a_password_that_is_no_text_is_wrong_and_nothing_else() -> None:
    assert not Passwords(QUICK).verify(user(), "lone surrogate \ud800 in here")


def test_nothing_is_cut_off() -> None:
    """Source: NIST SP 800-63B-4, 3.1.1.2: the whole password is verified, never a part of it."""
    passwords = Passwords(QUICK)
    long = "".join(chr(ord("a") + n * 7 % 26) for n in range(LONGEST_PASSWORD))
    known = User(name="desk", role=Role.VIEW, hash=passwords.hash(long))
    assert passwords.verify(known, long)
    assert not passwords.verify(known, long[:-1])


# -- which passwords may be chosen ---------------------------------------------------------------


def test_lengths_are_those_of_the_standard() -> None:
    """Source: NIST SP 800-63B-4, 3.1.1.2: 15 at least as the only factor; 64 must be possible."""
    assert SHORTEST_PASSWORD == 15
    assert LONGEST_PASSWORD >= 64
    assert check_password("quiet lamp row9", "desk")
    with pytest.raises(PasswordRefused, match="has 14 characters; at least 15"):
        check_password("quiet lamp row", "desk")
    with pytest.raises(PasswordRefused, match="longer than 200"):
        check_password("quiet lamp row9" * 14, "desk")


@pytest.mark.parametrize(
    "password",
    [
        "294817305562918", "kelplanternquay", "KELPLANTERNQUAY", "?!§%&/()=*+~#'-",
        "日月火水木金土曜春夏秋冬東西南",
    ],
)  # fmt: skip
def test_no_kind_of_character_is_demanded(password: str) -> None:
    """Source: NIST SP 800-63B-4, 3.1.1.2: no composition rules; each code point counts as one."""
    assert len(password) == 15
    assert check_password(password, "desk") == password


@pytest.mark.parametrize(
    "password",
    [
        "a" * 20, "abcabcabcabcabcabc", "abcdefghijklmnopqrst", "9876543210/.-,+*)",
        "duty.deskduty.desk", "streamerstreamer", "DUTY.DESKstreamer12", "lampslampslampslamps",
    ],
)  # fmt: skip
def test_what_is_tried_first_is_refused(password: str) -> None:
    with pytest.raises(PasswordRefused, match="tried first") as refused:
        check_password(password, "duty.desk")
    assert password not in str(refused.value)


def test_a_password_that_no_form_can_send_is_refused() -> None:
    with pytest.raises(PasswordRefused, match="control character"):
        check_password("seven lamps\ton the ridge", "desk")


# -- names and roles -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["a", "A1", "duty.desk", "q_x-1", "n" * 32])
def test_good_names(name: str) -> None:
    assert check_name(name) == name


@pytest.mark.parametrize(
    "name", ["", "n" * 33, ".a", "-a", "a b", "a\n", "é", 'a"', "a/b", "local", "LOCAL"]
)
def test_bad_names(name: str) -> None:
    with pytest.raises(ValueError, match="must"):
        check_name(name)


def test_each_role_may_do_what_the_lower_ones_may() -> None:
    order = [Role.PUBLIC, Role.VIEW, Role.OPERATE, Role.ADMIN]
    for n, role in enumerate(order):
        assert [role.covers(other) for other in order] == [m <= n for m in range(4)]


# -- the file ------------------------------------------------------------------------------------


def test_what_is_written_is_read(file: Path) -> None:
    users = load_users(file)
    assert {(u.name, u.role) for u in users.values()} == {
        ("desk", Role.OPERATE),
        ("chief", Role.ADMIN),
    }
    assert Passwords(QUICK).verify(users["desk"], PASSWORD)


def test_the_file_is_for_its_owner_alone(file: Path) -> None:
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    file.chmod(0o644)
    write_users(file, load_users_unchecked(file))
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def load_users_unchecked(file: Path) -> dict[str, User]:
    file.chmod(0o600)
    users = load_users(file)
    file.chmod(0o644)
    return users


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o602, 0o666])
def test_a_file_that_others_may_read_or_write_is_refused(file: Path, mode: int) -> None:
    file.chmod(mode)
    with pytest.raises(ConfigError, match=f"mode {mode:04o}.*chmod 600"):
        load_users(file)


def test_a_write_that_fails_leaves_the_old_file(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = file.read_bytes()

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_users(file, {})
    assert file.read_bytes() == before
    assert [path.name for path in file.parent.iterdir()] == ["users.toml"]


def test_writers_wait_for_each_other(file: Path) -> None:
    """Forty at a time, each reads, adds one and writes: none is lost."""
    template = user()

    def add(number: int) -> None:
        with locked(file):
            users = load_users(file)
            users[f"u{number}"] = template.model_copy(update={"name": f"u{number}"})
            write_users(file, users)

    threads = [threading.Thread(target=add, args=(n,)) for n in range(40)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(load_users(file)) == 42


BAD_FILES = {
    "no TOML": ("[[user]", "not TOML"),
    "unknown setting": (
        '[[user]]\nname="a"\nrole="view"\nhash="H"\npassword="x"',
        r"user\[1\].password \(a\): no such setting",
    ),
    "no hash": ('[[user]]\nname="a"\nrole="view"', r"user\[1\].hash \(a\): is missing"),
    "no table list": ("user = 5", r"must be written as one \[\[user\]\] for each"),
    "role public": ('[[user]]\nname="a"\nrole="public"\nhash="H"', "view, operate, admin"),
    "role unknown": ('[[user]]\nname="a"\nrole="root"\nhash="H"', "view, operate, admin"),
    "bad name": ('[[user]]\nname="a b"\nrole="view"\nhash="H"', "1 to 32 of letters"),
    "plain password": ('[[user]]\nname="a"\nrole="view"\nhash="open sesame"', "Argon2id"),
    "argon2i": (
        '[[user]]\nname="a"\nrole="view"\nhash="H"'.replace("H", "$argon2i$v=19$m=8,t=1,p=1$YQ$YQ"),
        "Argon2id",
    ),
    "too much memory": (
        '[[user]]\nname="a"\nrole="view"\nhash="H"'.replace(
            "H", "$argon2id$v=19$m=99999999,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO0"
        ),
        "more than 1048576 KiB",
    ),
    "twice": ('[[user]]\nname="a"\nrole="view"\nhash="H"\n' * 2, "a: is given 2 times"),
    "twice but for case": (
        '[[user]]\nname="a"\nrole="view"\nhash="H"\n[[user]]\nname="A"\nrole="view"\nhash="H"',
        "a: is given 2 times",
    ),
}


@pytest.mark.parametrize("case", BAD_FILES)
def test_faults_of_the_file_say_what_and_where(case: str, tmp_path: Path) -> None:
    text, expected = BAD_FILES[case]
    file = tmp_path / "users.toml"
    file.write_text(text.replace('"H"', f'"{REFERENCE}"'))
    file.chmod(0o600)
    with pytest.raises(ConfigError, match=expected) as refused:
        load_users(file)
    assert str(file) in str(refused.value)
    for secret in ("open sesame", "c29tZXNhbHQ", "CTFhFdXP", "argon2i$"):
        assert secret not in str(refused.value)


def test_a_missing_file_says_how_to_make_it(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="streamer user add"):
        load_users(tmp_path / "none.toml")


# -- a board that runs ---------------------------------------------------------------------------


def test_changes_are_taken_over(file: Path) -> None:
    users = Users(file)
    before = users.find("desk")
    assert before is not None
    assert users.find("Desk") is None
    write_users(file, {"desk": user(role=Role.VIEW), "late": user("late")})
    after = users.find("desk")
    assert after is not None
    assert after.role is Role.VIEW
    assert after.stamp != before.stamp
    assert users.find("late") is not None
    assert users.find("chief") is None


def test_a_stamp_changes_with_role_and_password_alone(file: Path) -> None:
    desk = load_users(file)["desk"]
    same = load_users(file)["desk"]
    assert desk.stamp == same.stamp
    assert desk.stamp != desk.model_copy(update={"role": Role.ADMIN}).stamp
    assert desk.stamp != desk.model_copy(update={"hash": QUICK.hash(PASSWORD)}).stamp


@pytest.mark.parametrize("damage", ["mode", "content", "gone"])
def test_a_file_that_became_unusable_is_told_once_and_the_known_stay(
    file: Path, damage: str
) -> None:
    users = Users(file)
    if damage == "mode":
        file.chmod(0o644)
    elif damage == "content":
        file.write_text("[[user]\n")
    else:
        file.unlink()
    with capture_logs() as logs:
        assert users.find("desk") is not None
        assert users.find("chief") is not None
    assert [line["log_level"] for line in logs] == ["error"]
    assert "argon2" not in str(logs)
    file.unlink(missing_ok=True)
    write_users(file, {"chief": user("chief")})
    assert users.find("desk") is None  # once it is well again it counts


def test_a_hash_is_replaced_only_where_it_still_stands(file: Path) -> None:
    users = Users(file)
    desk = users.find("desk")
    assert desk is not None
    fresh = QUICKER.hash(PASSWORD)
    stored = users.store_hash(desk, fresh)
    assert stored is not None
    assert load_users(file)["desk"].hash == fresh
    assert load_users(file)["chief"].role is Role.ADMIN  # the others stay
    # Meanwhile somebody gave a new password: the old one must not come back by way of its hash.
    write_users(file, {"desk": user(password="nine boats in the bay")})
    assert users.store_hash(desk, QUICKER.hash(PASSWORD)) is None
    assert Passwords(QUICK).verify(load_users(file)["desk"], "nine boats in the bay")


def test_old_parameters_are_known() -> None:
    assert not Passwords(QUICK).outdated(user())
    assert Passwords(QUICKER).outdated(user())


# -- the command ---------------------------------------------------------------------------------


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(user_command, "Passwords", lambda: Passwords(QUICK))


def run(monkeypatch: pytest.MonkeyPatch, *words: str, stdin: str = "") -> int:
    monkeypatch.setattr(sys, "stdin", io.StringIO(stdin))
    return cli(["user", *words])


def test_add_list_remove(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], quick: None
) -> None:
    file = tmp_path / "users.toml"
    common = ["--file", str(file)]
    add = ["add", "desk", "--role", "operate", "--password-stdin", *common]
    assert run(monkeypatch, *add, stdin=f"{PASSWORD}\n") == 0
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert Passwords(QUICK).verify(load_users(file)["desk"], PASSWORD)
    assert run(monkeypatch, *add, stdin=f"{PASSWORD}\n") == 1
    assert "change it with --replace" in capsys.readouterr().err
    replace = ["add", "desk", "--role", "admin", "--replace", "--password-stdin", *common]
    assert run(monkeypatch, *replace, stdin="nine boats in the bay\r\n") == 0
    assert Passwords(QUICK).verify(load_users(file)["desk"], "nine boats in the bay")
    assert run(monkeypatch, "list", *common) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "desk  admin"
    assert run(monkeypatch, "remove", "dsk", *common) == 1
    assert "did you mean 'desk'?" in capsys.readouterr().err
    assert run(monkeypatch, "remove", "desk", *common) == 0
    said = capsys.readouterr()
    assert "removed" in said.out
    assert "no user has the role admin" in said.err
    assert load_users(file) == {}


def test_no_output_holds_the_password(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], quick: None
) -> None:
    for password in (PASSWORD, "too short", "lampslampslampslamps"):
        words = ["add", "desk", "--role", "view", "--replace", "--password-stdin"]
        run(monkeypatch, *words, "--file", str(tmp_path / "u.toml"), stdin=f"{password}\n")
        said = capsys.readouterr()
        assert password not in said.out + said.err


@pytest.mark.parametrize(
    "words",
    [
        ["add", "a b", "--role", "view", "--file", "u"],
        ["add", "desk", "--role", "root", "--file", "u"],
        ["add", "desk", "--role", "public", "--file", "u"],
        ["add", "desk", "--role", "view"],
        ["add", "desk", "--role", "view", "--file", "u", "--password", "x"],
        ["add", "desk", "secret", "--role", "view", "--file", "u"],
        [],
    ],
)
def test_used_wrongly(words: list[str]) -> None:
    with pytest.raises(SystemExit) as left:
        cli(["user", *words])
    assert left.value.code == 2


def test_prompts_twice_and_not_without_a_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], quick: None
) -> None:
    words = ["add", "desk", "--role", "view", "--file", str(tmp_path / "u.toml")]
    assert run(monkeypatch, *words) == 1
    assert "--password-stdin" in capsys.readouterr().err

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    def prompt(*answers: str) -> None:
        left = list(answers)
        monkeypatch.setattr("getpass.getpass", lambda _text: left.pop(0))

    monkeypatch.setattr(sys, "stdin", Terminal())
    prompt(PASSWORD, PASSWORD + "x")
    assert cli(["user", *words]) == 1
    assert "were not the same" in capsys.readouterr().err
    assert not (tmp_path / "u.toml").exists()
    prompt(PASSWORD, PASSWORD)
    assert cli(["user", *words]) == 0
    assert Passwords(QUICK).verify(load_users(tmp_path / "u.toml")["desk"], PASSWORD)


def test_a_name_that_differs_by_case_alone_is_refused(
    file: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], quick: None
) -> None:
    words = ["add", "Desk", "--role", "view", "--replace", "--password-stdin", "--file", str(file)]
    assert run(monkeypatch, *words, stdin=PASSWORD) == 1
    assert "upper and lower case" in capsys.readouterr().err


def test_a_folder_that_is_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], quick: None
) -> None:
    words = ["add", "desk", "--role", "view", "--password-stdin"]
    where = ["--file", str(tmp_path / "no" / "u.toml")]
    assert run(monkeypatch, *words, *where, stdin=PASSWORD) == 1
    assert "is the folder there" in capsys.readouterr().err


def test_the_real_command_with_the_real_parameters(tmp_path: Path) -> None:
    """As a process of its own: what is on its standard output and error is all there is."""
    file = tmp_path / "users.toml"
    done = subprocess.run(
        [sys.executable, "-m", "streamer", "user", "add", "desk", "--role", "view",
         "--password-stdin", "--file", str(file)],
        input=f"{PASSWORD}\nnot read\n", capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"desk (view) added in {file}\n"
    made = load_users(file)["desk"].hash
    # Not by the encoded form: the raw tag anew from salt and parameters.
    salt, tag = (_unpadded(part) for part in made.split("$")[4:])
    raw = hash_secret_raw(PASSWORD.encode(), salt, 3, 65536, 4, 32, Type.ID)
    assert raw == tag


def _unpadded(text: str) -> bytes:
    from base64 import b64decode

    return b64decode(text + "=" * (-len(text) % 4))


def test_the_file_stays_its_owners(tmp_path: Path) -> None:
    """What root changes must stay readable for the board, which runs as somebody else."""
    file = tmp_path / "users.toml"
    write_users(file, {})
    mine = os.geteuid()
    owner = 12345 if mine == 0 else mine
    os.chown(file, owner, -1)
    write_users(file, {})
    assert file.stat().st_uid == owner
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
