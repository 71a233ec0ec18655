"""Messages as files, and the feed of them.

Source: feedparser, a general reader of Atom; RFC 4287 for what a feed must hold.
"""

import os
import signal
import stat
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

import feedparser
import pytest

from streamer.alerts.cap.atom import FEED, MOST, Feed
from streamer.alerts.cap.files import CapFolder, file_name
from streamer.alerts.cap.message import CapMessage, cap_message
from streamer.alerts.notice import Turn, Undelivered
from streamer.alerts.words import headline
from streamer.contract.published import AlertKind
from tests.alerts.cap import make


def message(number: int = 0, turn: Turn = Turn.OPENED, **changes: Any) -> CapMessage:
    """Message `number` was sent so many seconds after make.AT."""
    notice = make.notice(turn, id=f"gateway_lost.ridge.{number}", earlier=(), **changes)
    later = notice.model_copy(update={"at": make.AT + timedelta(seconds=number)})
    return cap_message(later, make.settings(), make.view())


@pytest.fixture
def folder(tmp_path: Path) -> CapFolder:
    return CapFolder(tmp_path / "cap", 30)


@pytest.fixture
def at(tmp_path: Path) -> Path:
    return tmp_path / "cap"


def feed(folder: CapFolder, url: str | None = None) -> Feed:
    return Feed(folder, "streamer@eoc.example", "Alerts of region Hill Country", url)


class TestFiles:
    def test_a_message_is_a_file_by_its_time(self, folder: CapFolder, at: Path) -> None:
        made = message()
        assert folder.put(made) == made.content
        name = "20260301T031207Z.hillcountry.eoc.gateway_lost.ridge.0.xml"
        assert [path.name for path in at.iterdir()] == [name]
        assert (at / name).read_bytes() == made.content

    def test_a_web_server_may_read_it(self, folder: CapFolder, at: Path) -> None:
        """The umask decides, as for any file; a temporary file's own mode would be 0600."""
        umask = os.umask(0o022)
        try:
            folder.put(message())
        finally:
            os.umask(umask)
        (path,) = at.iterdir()
        assert stat.S_IMODE(path.stat().st_mode) == 0o644

    def test_what_is_out_never_changes(self, folder: CapFolder) -> None:
        first = message()
        folder.put(first)
        other = CapMessage(first.identity, first.at, (), b"<other/>")
        assert folder.put(other) == first.content
        assert folder.read(file_name(first)) == first.content

    def test_the_newest_come_first_and_strangers_are_left_alone(
        self, folder: CapFolder, at: Path
    ) -> None:
        made = [message(n) for n in (2, 0, 1)]
        for one in made:
            folder.put(one)
        (at / "readme.xml").write_text("mine")
        assert folder.names() == [file_name(made[n]) for n in (0, 2, 1)]
        folder.sweep(make.AT + timedelta(days=400))
        assert [path.name for path in at.iterdir()] == ["readme.xml"]

    def test_messages_are_kept_for_so_many_days(self, folder: CapFolder) -> None:
        made = message()
        folder.put(made)
        folder.sweep(make.AT + timedelta(days=30) - timedelta(seconds=1))
        assert folder.names() == [file_name(made)]
        folder.sweep(make.AT + timedelta(days=30))  # sent at 07.250, named by whole seconds
        assert folder.names() == []

    def test_what_a_dead_worker_left_goes_after_a_day(self, folder: CapFolder, at: Path) -> None:
        folder.put(message())
        left, fresh = at / ".streamer-1-aa", at / ".streamer-2-bb"
        for path, age in ((left, timedelta(days=2)), (fresh, timedelta(hours=1))):
            path.write_bytes(b"<ale")
            moment = (make.AT - age).timestamp()
            os.utime(path, (moment, moment))
        folder.sweep(make.AT)
        assert [path.name for path in at.glob(".*")] == [fresh.name]

    def test_a_folder_that_cannot_be_used(self, tmp_path: Path) -> None:
        (tmp_path / "cap").write_text("a file")
        folder = CapFolder(tmp_path / "cap", 30)
        with pytest.raises(Undelivered, match=r"cannot be used: .*; mend its path") as told:
            folder.put(message())
        assert not told.value.final
        assert "is no folder" in folder.faults()[0]

    def test_a_folder_that_is_not_there_yet(self, folder: CapFolder) -> None:
        assert (folder.names(), folder.faults()) == ([], [])
        folder.sweep(make.AT)

    def test_a_folder_that_may_not_be_written(
        self, folder: CapFolder, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """As the system says it; for root it never does."""
        monkeypatch.setattr(os, "access", lambda *_: False)
        assert "may not be written" in folder.faults()[0]


class TestFeed:
    def test_it_is_read_back_by_a_general_reader(self, folder: CapFolder, at: Path) -> None:
        for n, turn in enumerate([Turn.OPENED, Turn.ACKNOWLEDGED]):
            folder.put(message(n, turn))
        feed(folder, "https://eoc.example/cap").write(make.AT + timedelta(minutes=1))
        read = feedparser.parse((at / FEED).read_bytes())
        assert not read.bozo
        assert read.version == "atom10"
        assert read.feed.title == "Alerts of region Hill Country"
        assert read.feed.author == "streamer@eoc.example"
        assert read.feed.updated == "2026-03-01T03:13:07Z"
        assert [(link.rel, link.href) for link in read.feed.links] == [
            ("self", "https://eoc.example/cap/feed.atom")
        ]
        assert [entry.updated for entry in read.entries] == [
            "2026-03-01T03:12:08Z",
            "2026-03-01T03:12:07Z",
        ]
        newest = read.entries[0]
        assert newest.title == headline(make.notice(Turn.ACKNOWLEDGED))
        assert "no heartbeat for more than 90 s" in newest.summary
        assert [tag.term for tag in newest.tags] == ["Actual", "Alert"]
        (link,) = newest.links
        assert (link.rel, link.type) == ("alternate", "application/cap+xml")
        assert link.href == f"https://eoc.example/cap/{folder.names()[0]}"

    def test_what_rfc_4287_asks_for(self, folder: CapFolder, at: Path) -> None:
        """4.1.1 and 4.1.2: id, title, updated and an author; ids are IRIs, none twice."""
        for n in range(3):
            folder.put(message(n))
        feed(folder).write(make.AT)
        read = feedparser.parse((at / FEED).read_bytes())
        ids = [read.feed.id, *(entry.id for entry in read.entries)]
        assert len(set(ids)) == 4
        assert all(i.startswith("urn:uuid:") for i in ids)

    def test_without_an_address_links_go_from_the_feed_itself(
        self, folder: CapFolder, at: Path
    ) -> None:
        """A name with what an address cannot hold as it is: the identifier's `=`."""
        folder.put(cap_message(make.notice(id="a/b"), make.settings(), make.view()))
        feed(folder).write(make.AT)
        place = {"content-location": "http://somewhere.example/alerts/feed.atom"}
        read = feedparser.parse((at / FEED).read_bytes(), response_headers=place)
        assert read.entries[0].links[0].href == (
            "http://somewhere.example/alerts/20260301T031207Z.hillcountry.eoc.a%3D2Fb.xml"
        )

    def test_an_exercise_says_so_first(self, folder: CapFolder, at: Path) -> None:
        told = make.alert(AlertKind.MEMBER_OVERDUE, duties=(make.exercise(),))
        folder.put(message(of=told))
        feed(folder).write(make.AT)
        (entry,) = feedparser.parse((at / FEED).read_bytes()).entries
        assert entry.title.startswith("EXERCISE: ")
        assert entry.tags[0].term == "Exercise"

    def test_it_is_never_older_than_before(self, folder: CapFolder, at: Path) -> None:
        feed(folder).write(make.AT + timedelta(hours=1))
        feed(folder).write(make.AT)
        assert feedparser.parse((at / FEED).read_bytes()).feed.updated == "2026-03-01T04:12:07Z"

    @pytest.mark.parametrize("spoilt", [b"", b"<feed", b"<feed/>", b"\xff"])
    def test_one_that_was_spoilt_is_made_anew(
        self, folder: CapFolder, at: Path, spoilt: bytes
    ) -> None:
        folder.put(message())
        (at / FEED).write_bytes(spoilt)
        feed(folder).write(make.AT)
        assert len(feedparser.parse((at / FEED).read_bytes()).entries) == 1

    def test_the_newest_200(self, folder: CapFolder, at: Path) -> None:
        for n in range(MOST + 5):
            folder.put(message(n))
        feed(folder).write(make.AT)
        read = feedparser.parse((at / FEED).read_bytes())
        assert len(read.entries) == MOST
        assert read.entries[-1].updated == "2026-03-01T03:12:12Z"

    def test_a_file_that_is_no_message_of_ours_is_not_told(
        self, folder: CapFolder, at: Path
    ) -> None:
        folder.put(message())
        (at / "20260301T031208Z.strange.xml").write_bytes(b"<alert/>")
        feed(folder).write(make.AT)
        assert len(feedparser.parse((at / FEED).read_bytes()).entries) == 1

    def test_hostile_words_stay_words(self, folder: CapFolder, at: Path) -> None:
        told = make.alert(title="<script>&amp;\x00\x1b]]>", reasons=("<b>bold</b>",))
        folder.put(message(of=told))
        feed(folder).write(make.AT)
        read = feedparser.parse((at / FEED).read_bytes(), sanitize_html=False)
        assert not read.bozo
        assert "<script>" in read.entries[0].title


# -- more than one worker, and workers that die --------------------------------------------------


def test_another_worker_is_quicker_with_a_later_message(
    folder: CapFolder, at: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """This one has looked at the folder, but not yet written; its feed must not be the last."""
    folder.put(message(0))
    write = folder.write
    others = iter([message(1), message(2)])

    def slow(name: str, content: bytes) -> None:
        if (late := next(others, None)) is not None:
            second = CapFolder(at, 30)
            second.put(late)
            feed(second).write(make.AT)
        write(name, content)

    monkeypatch.setattr(folder, "write", slow)
    feed(folder).write(make.AT)
    assert len(feedparser.parse((at / FEED).read_bytes()).entries) == 3


WRITER = """
import sys
from datetime import timedelta
from pathlib import Path
from streamer.alerts.cap.channel import CapChannel
from streamer.clock import ManualClock, to_ms
from tests.alerts.cap import make

folder, first, count = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
clock = ManualClock(to_ms(make.AT))
channel = CapChannel(make.settings(folder=str(folder), url=None), make.view(), clock)
print("ready", flush=True)
sys.stdin.readline()
for n in range(first, first + count):
    channel.send(make.parcel(make.notice(id=f"x.{n}", at=make.AT + timedelta(seconds=n))))
"""


def test_several_workers_and_the_feed_holds_all(tmp_path: Path) -> None:
    """They begin at once; whoever writes the feed last has looked after the others."""
    workers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path), str(n * 20), "20"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for n in range(3)
    ]
    for worker in workers:
        assert worker.stdout
        assert worker.stdout.readline() == "ready\n"
    for worker in workers:
        worker.communicate("go\n", timeout=60)
        assert worker.returncode == 0
    assert len(feedparser.parse((tmp_path / FEED).read_bytes()).entries) == 60
    assert not list(tmp_path.glob(".streamer-*"))


DYING = """
import os, signal, sys
from pathlib import Path

left = int(sys.argv[2])

def dies_at(module, name):
    real = getattr(module, name)
    def step(*args, **kwargs):
        global left
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*args, **kwargs)
    setattr(module, name, step)

dies_at(os, "fsync")
dies_at(Path, "replace")
from streamer.alerts.cap.channel import CapChannel
from streamer.clock import ManualClock, to_ms
from tests.alerts.cap import make

channel = CapChannel(
    make.settings(folder=sys.argv[1], url=None), make.view(), ManualClock(to_ms(make.AT))
)
channel.send(make.parcel())
"""
STEPS = 6
"""Of a message and of the feed: the file's content, its name, the folder's entry."""


@pytest.mark.parametrize("step", range(1, STEPS + 2))
def test_killed_at_any_step_and_sent_again(tmp_path: Path, step: int) -> None:
    done = subprocess.run(
        [sys.executable, "-c", DYING, str(tmp_path), str(step)], check=False, timeout=60
    )
    assert done.returncode == (-signal.SIGKILL if step <= STEPS else 0)
    folder = CapFolder(tmp_path, 30)
    made = cap_message(make.notice(), make.settings(), make.view())
    for name in folder.names():  # whole or not there
        assert folder.read(name) == made.content
    folder.put(made)
    feed(folder).write(make.AT)
    assert folder.names() == [file_name(made)]
    assert len(feedparser.parse((tmp_path / FEED).read_bytes()).entries) == 1
