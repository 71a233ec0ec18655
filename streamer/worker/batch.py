"""What was accepted, made ready for the state: the half of the intake that a replay shares.

Times are corrected and names normalised by whoever calls; here it follows what an event means for
stations, groups and counts. With `lines` a batch also keeps what the journal is to say of it.
"""

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from streamer.clock import to_ms
from streamer.config import RegionView
from streamer.contract.events import State
from streamer.contract.published import FLOODS, Refusal, RefusalReason
from streamer.domain.cells import cell_at
from streamer.domain.check_out_words import CheckOutWords
from streamer.journal import lines as journal
from streamer.state.shapes import Flip, GatewayBatch, Keying, RouteMark


@dataclass(slots=True)
class Batch:
    """Events made ready for the state."""

    gateways: dict[str, GatewayBatch] = field(default_factory=dict)
    keyings: dict[str, list[Keying]] = field(default_factory=dict)
    routes: list[RouteMark] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    untold: Counter[str] = field(default_factory=Counter)
    """Refusals that are counted alone, by reason."""
    states: list[tuple[str, int, State]] = field(default_factory=list)
    """Heartbeats that may be answered: gateway, place among its states, message."""
    events: int = 0
    oldest_ms: int | None = None
    noted_ms: int = 0
    """When it was received; the lines say so."""
    lines: list[journal.Line] | None = None
    """For the journal; None where none is kept."""

    def gateway(self, name: str) -> GatewayBatch:
        found = self.gateways.get(name)
        if found is None:
            found = self.gateways[name] = GatewayBatch()
        return found


def tie_of(gateway: str, boot: str, seq: int) -> str:
    """What decides between events of the same time."""
    return f"{gateway} {boot} {seq:016d}"


def _note_flood(floods: list[tuple[int, int]], ms: int, times: int) -> None:
    """Add what was refused at `ms`, which of all that a worker takes at once is the same."""
    if floods and floods[-1][0] == ms:
        floods[-1] = floods[-1][0], floods[-1][1] + times
    else:
        floods.append((ms, times))


_LOOKED_AT = 4
"""So many keyings back the start of an over is looked for: an over heard on several repeaters has
several starts before its first end."""
_SEQ = 16
"""Digits of the number at the end of a tie."""


def put_end(keyings: list[Keying], end: Keying) -> None:
    """Add the end of an over to a station's keyings, in place of its start where nothing of that
    could outlast it: every register is a maximum, and the end ranks higher in each."""
    for at in range(len(keyings) - 1, max(-1, len(keyings) - 1 - _LOOKED_AT), -1):
        if _says_all_of(end, keyings[at]):
            keyings[at] = end
            return
    keyings.append(end)


def _says_all_of(end: Keying, start: Keying) -> bool:
    """Whether `end` tells of the same over by the same boot, later, and no less than `start`."""
    if start.ms != end.ms or start.over != end.over or start.repeater != end.repeater:
        return False
    if start.tie[:-_SEQ] != end.tie[:-_SEQ] or start.tie >= end.tie or start.end_ms > end.end_ms:
        return False
    if start.group != end.group or start.out_group or start.out_word:
        return False
    said, told = start.info or (None,) * 6, end.info or (None,) * 6
    where, there = start.position, end.position
    return (
        said[3] in (None, told[3])
        and said[4] in (None, told[4])
        and (where is None or (there is not None and there[0] >= where[0]))
    )


class Accepting:
    """Puts accepted events into batches. Built for one version of the region file."""

    def __init__(self, view: RegionView) -> None:
        self._view = view
        self._words = CheckOutWords(view)
        self._learning = view.learning

    def over(
        self,
        batch: Batch,
        gateway: str,
        boot: str,
        seq: int,
        ended: bool,
        *,
        station: str,
        suffix: str | None,
        to: str | None,
        repeater: str,
        over: str,
        ms: int,
        end_ms: int,
        duration_ms: int | None,
        rssi_dbm: float | None,
        ber_pct: float | None,
        text: str | None,
        position: tuple[Any, ...] | None,
    ) -> None:
        """The start or the end of an over; `to` is a group's name or a call sign, `position` as in
        `Keying`."""
        group = to if to is not None and to in self._view.groups else ""
        out_group, out_word = self._words.said(text, group) if text else ("", "")
        tie, info = tie_of(gateway, boot, seq), (to, suffix, duration_ms, rssi_dbm, ber_pct, text)
        keying = Keying(
            station, ms, tie, repeater, over, info, position, group, out_group, out_word, end_ms
        )
        known = batch.keyings.get(station)
        if known is None:
            batch.keyings[station] = [keying]
        elif ended:
            put_end(known, keying)
        else:
            known.append(keying)
        if batch.oldest_ms is None or ms < batch.oldest_ms:
            batch.oldest_ms = ms
        entry = batch.gateway(gateway)
        lines: tuple[int, ...] = ()
        if ended and self._learning.enabled:
            lines = entry.learn(keying, self._cell(position))
        entry.events.append(entry.over(boot, seq, keying, ended, lines))
        batch.events += 1
        if batch.lines is not None:
            line = journal.heard(batch.noted_ms, gateway, boot, seq, ended, keying)
            batch.lines.append(line)

    def quarantined(
        self, batch: Batch, gateway: str, boot: str, seq: int, call: str, reason: str, ms: int
    ) -> None:
        """An over of somebody whose identity is no call sign."""
        batch.gateway(gateway).events.append((boot, seq, "quarantined", call, reason, ms))
        batch.events += 1
        if batch.lines is not None:
            batch.lines.append(
                journal.quarantined(batch.noted_ms, gateway, boot, seq, call, reason, ms)
            )

    def route(
        self,
        batch: Batch,
        gateway: str,
        boot: str,
        seq: int,
        *,
        repeater: str,
        group: str,
        action: str,
        ms: int,
        latency_s: float | None,
        over: str | None,
        from_gateway: str | None,
    ) -> None:
        """What a repeater says of carrying a group."""
        batch.routes.append(
            RouteMark(
                group,
                ms,
                tie_of(gateway, boot, seq),
                repeater,
                action,
                "-" if latency_s is None else repr(latency_s),
                over or "-",
                from_gateway or "-",
            )
        )
        batch.gateway(gateway).events.append((boot, seq, "route", "", "", ms))
        batch.events += 1
        if batch.lines is not None:
            batch.lines.append(
                journal.route(
                    batch.noted_ms, gateway, boot, seq, repeater=repeater, group=group,
                    action=action, ms=ms, latency_s=latency_s, over=over,
                    from_gateway=from_gateway,
                )
            )  # fmt: skip

    def state(
        self,
        batch: Batch,
        gateway: str,
        boot: str,
        session: int,
        seq: int | None,
        *,
        ms: int,
        content: str,
        up: bool,
        flips: list[Flip],
        taken_ms: int,
    ) -> None:
        """A heartbeat, or a will (without `seq`); `content` is the message as JSON."""
        word = (
            boot,
            session,
            "will" if seq is None else seq,
            ms,
            content,
            int(up),
            flips,
            taken_ms,
        )
        batch.gateway(gateway).states.append(word)
        if batch.lines is not None:
            batch.lines.append(
                journal.state(
                    batch.noted_ms, gateway, boot, session, seq, ms=ms, content=content, up=up,
                    flips=flips,
                )
            )  # fmt: skip

    def refused(
        self,
        batch: Batch,
        refusal: Refusal,
        counted: tuple[str, int, str] | None,
        content: str | None = None,
        *,
        told: bool = True,
    ) -> None:
        """Input that was not accepted; `counted` are boot, seq and tally where its number is used
        up, `content` the event where only its time was wrong. What is not to be told has a line
        only where it has a number, so that a replay counts the same."""
        if told:
            batch.refusals.append(refusal)
        untold = refusal.times - told
        if untold:
            batch.untold[refusal.reason.value] += untold
        if batch.lines is not None and (told or counted is not None):
            batch.lines.append(journal.refused(batch.noted_ms, refusal, counted, content))
        if refusal.gateway is None:
            return
        if refusal.reason is RefusalReason.FUTURE:
            self._note_ahead(batch, refusal.gateway, to_ms(refusal.at))
        if refusal.reason in FLOODS:
            _note_flood(batch.gateway(refusal.gateway).floods, to_ms(refusal.at), refusal.times)
        if counted is not None:
            boot, seq, tally = counted
            batch.gateway(refusal.gateway).events.append((boot, seq, tally, "", "", 0))

    def ahead(self, batch: Batch, gateway: str, now_ms: int) -> None:
        """A heartbeat whose time was ahead of the server's; it is taken all the same."""
        if batch.lines is not None:
            batch.lines.append(journal.ahead(batch.noted_ms, gateway))
        self._note_ahead(batch, gateway, now_ms)

    def _note_ahead(self, batch: Batch, gateway: str, now_ms: int) -> None:
        entry = batch.gateway(gateway)
        entry.future_ms = max(entry.future_ms, now_ms)

    def _cell(self, position: tuple[Any, ...] | None) -> str | None:
        """The cell of the map that a station says it is in."""
        if position is None:
            return None
        return cell_at(position[1], position[2], self._learning.cell_resolution)
