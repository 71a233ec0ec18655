"""Who is signed in: sessions in memory, found by a token that only the visitor's browser has.

How long a session lasts (a choice of ours, said in the README):

- `operate` and `admin`: until nothing was done by hand for 2 h, and 12 h at most: the length of an
  EOC shift. Opening a page and changing something count as done by hand; reading the API does
  not, the feed included, since open pages do it by themselves.
- `view`: 2 h without any request, and 7 days at most. All requests count, so a wall screen stays.

NIST SP 800-63B-4, section 2.1.3, asks for a new sign-in after 30 days at its lowest level (from
memory), so both are within it.

A session is also over when its user is gone from the file, or has another role or password there:
that is `access`'s to judge by `stamp`. Restarting the board signs everybody out.
"""

import secrets
from collections import OrderedDict
from dataclasses import dataclass
from hashlib import sha256
from typing import Final

from streamer.board.users import Role
from streamer.clock import Clock

IDLE_S: Final = 2 * 3600.0
LONGEST_S: Final = 12 * 3600.0
LONGEST_VIEW_S: Final = 7 * 24 * 3600.0
MOST_SESSIONS: Final = 2000
_TOKEN_BYTES: Final = 32


@dataclass(slots=True)
class Session:
    """One visitor; times on the clock's monotonic scale."""

    name: str
    role: Role
    stamp: str
    csrf_token: str
    began_s: float
    used_s: float


class Sessions:
    """At most `most` of them; the one unused longest makes room. For one thread: the event loop's.

    The token itself is not kept, only its SHA-256: what leaks from memory opens nothing. A token
    has 256 random bits, so a plain hash is enough and a search for it by hash tells nothing.
    """

    def __init__(self, clock: Clock, most: int = MOST_SESSIONS) -> None:
        self._clock = clock
        self._most = most
        self._sessions: OrderedDict[str, Session] = OrderedDict()

    def __len__(self) -> int:
        return len(self._sessions)

    def begin(self, name: str, role: Role, stamp: str) -> tuple[str, Session]:
        """A new session and its token, which goes into the cookie."""
        token, now_s = secrets.token_urlsafe(_TOKEN_BYTES), self._clock.monotonic_s()
        session = Session(name, role, stamp, secrets.token_urlsafe(_TOKEN_BYTES), now_s, now_s)
        self._sessions[_key(token)] = session
        while len(self._sessions) > self._most:
            self._sessions.popitem(last=False)
        return token, session

    def find(self, token: str, by_hand: bool) -> Session | None:
        """The session of a token if it still lasts. `by_hand`: what is asked counts as use."""
        key = _key(token)
        session = self._sessions.get(key)
        if session is None:
            return None
        now_s = self._clock.monotonic_s()
        longest_s = LONGEST_VIEW_S if session.role is Role.VIEW else LONGEST_S
        if now_s - session.used_s >= IDLE_S or now_s - session.began_s >= longest_s:
            del self._sessions[key]
            return None
        if by_hand or session.role is Role.VIEW:
            session.used_s = now_s
            self._sessions.move_to_end(key)
        return session

    def end(self, token: str) -> None:
        """Forget a session; one that is not there is well too."""
        self._sessions.pop(_key(token), None)

    def restamp(self, name: str, old: str, new: str) -> None:
        """The same password was hashed anew: those signed in with it stay."""
        for session in self._sessions.values():
            if session.name == name and session.stamp == old:
                session.stamp = new


def _key(token: str) -> str:
    return sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
