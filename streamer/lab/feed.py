"""From a journal's lines back to batches for the state, by the same half of the intake."""

from typing import Any, Final

from streamer.clock import from_ms
from streamer.config import RegionView
from streamer.contract.published import Refusal
from streamer.journal import lines as journal
from streamer.journal.lines import Line
from streamer.worker.batch import Accepting, Batch

_OF_A_REFUSAL: Final = (
    "topic", "gateway", "reason", "detail", "index", "times", "size_bytes", "excerpt",
)  # fmt: skip


class Feed:
    """Built for one version of the region file."""

    def __init__(self, view: RegionView) -> None:
        self._accepting = Accepting(view)
        self._groups = view.groups
        self._known = {
            journal.HEARD: self._heard,
            journal.ROUTE: self._route,
            journal.STATE: self._state,
            journal.QUARANTINED: self._quarantined,
            journal.REFUSED: self._refused,
            journal.AHEAD: self._ahead,
        }

    def add(self, line: Line, batch: Batch) -> bool:
        """Put what a line says into a batch; False for a line that is no event. Raises KeyError,
        TypeError or ValueError for one that lacks what it should have."""
        take = self._known.get(line["kind"])
        if take is None:
            return False
        take(line, batch)
        return True

    def _heard(self, line: Line, batch: Batch) -> None:
        get = line.get
        self._accepting.over(
            batch,
            line["gateway"],
            line["boot"],
            line["seq"],
            line["phase"] == "end",
            station=line["station"],
            suffix=get("suffix"),
            to=get("to"),
            repeater=line["repeater"],
            over=line["over"],
            ms=line["began_ms"],
            end_ms=line["ended_ms"],
            duration_ms=get("duration_ms"),
            rssi_dbm=get("rssi_dbm"),
            ber_pct=get("ber_pct"),
            text=get("text"),
            position=journal.position_of(line),
        )

    def _quarantined(self, line: Line, batch: Batch) -> None:
        self._accepting.quarantined(
            batch, line["gateway"], line["boot"], line["seq"], line["call"], line["reason"],
            line["began_ms"],
        )  # fmt: skip

    def _route(self, line: Line, batch: Batch) -> None:
        if line["group"] not in self._groups:
            raise ValueError(f"group {line['group']} is not in the region file")
        self._accepting.route(
            batch,
            line["gateway"],
            line["boot"],
            line["seq"],
            repeater=line["repeater"],
            group=line["group"],
            action=line["action"],
            ms=line["said_ms"],
            latency_s=line.get("latency_s"),
            over=line.get("over"),
            from_gateway=line.get("from_gateway"),
        )

    def _state(self, line: Line, batch: Batch) -> None:
        self._accepting.state(
            batch,
            line["gateway"],
            line["boot"],
            line["session"],
            line.get("seq"),
            ms=line["said_ms"],
            content=line["content"],
            up=line["up"],
            flips=[(repeater, ms, up) for repeater, ms, up in line["flips"]],
            taken_ms=line["noted_ms"],
        )

    def _refused(self, line: Line, batch: Batch) -> None:
        said: dict[str, Any] = {name: line[name] for name in _OF_A_REFUSAL if name in line}
        refusal = Refusal.model_validate({"at": from_ms(line["noted_ms"]), **said}, strict=False)
        counted = (line["boot"], line["seq"], line["tally"]) if "tally" in line else None
        self._accepting.refused(batch, refusal, counted, line.get("content"))

    def _ahead(self, line: Line, batch: Batch) -> None:
        self._accepting.ahead(batch, line["gateway"], line["noted_ms"])
