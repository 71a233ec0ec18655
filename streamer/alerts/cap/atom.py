"""`feed.atom`: the list of a folder's CAP messages, for readers that look by (RFC 4287).

It is made from the folder's files alone, and made again if they have changed meanwhile. So it does
not matter which of several workers writes it last.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final
from urllib.parse import quote
from uuid import NAMESPACE_URL, uuid5
from xml.etree import ElementTree

from streamer.alerts.cap.check import NAMESPACE, Identity, identity_in, problems_of
from streamer.alerts.cap.files import CapFolder

FEED: Final = "feed.atom"
CAP_TYPE: Final = "application/cap+xml"
MOST: Final = 200
_TRIES: Final = 20
_ATOM: Final = "http://www.w3.org/2005/Atom"


@dataclass(frozen=True, slots=True)
class Entry:
    """What the feed tells of a message; the texts as they stand in it."""

    name: str
    identity: Identity
    title: str
    summary: str
    status: str
    msg_type: str


class Feed:
    """The feed of a folder. `feed_url` is where others read the folder; without it the feed names
    its messages by their files alone, which readers take from the place of the feed itself."""

    def __init__(self, folder: CapFolder, sender: str, title: str, feed_url: str | None) -> None:
        self._folder = folder
        self._sender = sender
        self._title = title
        self._base = f"{feed_url.rstrip('/')}/" if feed_url else ""
        self._read: dict[str, Entry | None] = {}

    def write(self, now: datetime) -> None:
        """Bring the feed up to date; its `updated` says `now`, if it was not later already."""
        for _ in range(_TRIES):
            names = self._folder.names()[:MOST]
            entries = self._entries(names)
            self._folder.write(FEED, self._feed(entries, self._updated(now, entries)))
            if self._folder.names()[:MOST] == names:
                return
            # Another worker has put one there, and may have written its feed before this one; if
            # it still writes, it looks again after this one.

    def _entries(self, names: Sequence[str]) -> list[Entry]:
        """What the files say; they never change, so each is read once."""
        self._read = {
            name: self._read[name] if name in self._read else self._entry(name) for name in names
        }
        return [entry for entry in self._read.values() if entry is not None]

    def _entry(self, name: str) -> Entry | None:
        content = self._folder.read(name)
        if content is None or problems_of(content):
            return None  # swept meanwhile, or not put there by a worker
        root = ElementTree.fromstring(content)  # nosec B314 # checked, and without a DOCTYPE
        return Entry(
            name,
            identity_in(content),
            root.findtext(f".//{{{NAMESPACE}}}headline", ""),
            root.findtext(f".//{{{NAMESPACE}}}description", ""),
            root.findtext(f"{{{NAMESPACE}}}status", ""),
            root.findtext(f"{{{NAMESPACE}}}msgType", ""),
        )

    def _updated(self, now: datetime, entries: Sequence[Entry]) -> datetime:
        """Never back: a reader would take it for an older feed."""
        times = [now, *(datetime.fromisoformat(e.identity.sent) for e in entries)]
        before = _updated_in(self._folder.read(FEED) or b"")
        return max(times if before is None else [*times, before])

    def _feed(self, entries: Sequence[Entry], updated: datetime) -> bytes:
        # By hand: ElementTree takes no attributes without a namespace beside a default one.
        root = ElementTree.Element("feed", {"xmlns": _ATOM})
        _put(root, "id", uuid5(NAMESPACE_URL, f"cap-feed {self._sender} {self._title}").urn)
        _put(root, "title", self._title)
        _put(root, "updated", _time(updated))
        _put(ElementTree.SubElement(root, "author"), "name", self._sender)
        _put(root, "generator", "streamer")
        if self._base:
            _link(root, "self", self._base + FEED, "application/atom+xml")
        for entry in entries:
            self._put_entry(ElementTree.SubElement(root, "entry"), entry)
        content: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
        return content

    def _put_entry(self, element: ElementTree.Element, entry: Entry) -> None:
        _put(element, "id", uuid5(NAMESPACE_URL, f"cap {entry.identity}").urn)
        _put(element, "title", entry.title)
        _put(element, "updated", _time(datetime.fromisoformat(entry.identity.sent)))
        for term in (entry.status, entry.msg_type):
            ElementTree.SubElement(element, "category", {"term": term})
        _link(element, "alternate", self._base + quote(entry.name), CAP_TYPE)
        _put(element, "summary", entry.summary)


def _link(parent: ElementTree.Element, rel: str, href: str, kind: str) -> None:
    ElementTree.SubElement(parent, "link", {"rel": rel, "href": href, "type": kind})


def _put(parent: ElementTree.Element, name: str, text: str) -> None:
    ElementTree.SubElement(parent, name).text = text


def _updated_in(feed: bytes) -> datetime | None:
    """What a feed's `updated` says; None of one that somebody has spoilt."""
    try:
        root = ElementTree.fromstring(feed)  # nosec B314 # our own file
        text = root.findtext(f"{{{_ATOM}}}updated", "")
        at = datetime.fromisoformat(text)
    except (ElementTree.ParseError, ValueError):
        return None
    return at if at.tzinfo else None


def _time(at: datetime) -> str:
    """RFC 3339, as RFC 4287 (3.3) asks."""
    return at.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
