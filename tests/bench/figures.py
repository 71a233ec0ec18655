"""The figures of one run and how they are printed."""

from collections import defaultdict
from dataclasses import dataclass, field
from statistics import median

SINGLE_TO_PLAIN = 4.0
SINGLE_TO_CEILING = 0.5
BATCH_TO_PLAIN = 14.0
LEARNING_COST = 0.15


@dataclass
class Figures:
    """Samples by name; a figure is the median of its samples."""

    samples: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    events_soaked: int = 0
    notes: list[str] = field(default_factory=list)

    def add(self, name: str, value: float) -> None:
        self.samples[name].append(value)

    def get(self, name: str) -> float:
        return float(median(self.samples[name]))

    def ratio(self, name: str, to: str) -> float:
        return self.get(name) / self.get(to)

    def verdicts(self) -> list[tuple[str, float, float, bool]]:
        """(what, found, target, met) of each target."""
        found = [
            ("single_eps / plain_eps", self.ratio("single_eps", "plain_eps"), SINGLE_TO_PLAIN),
            (
                "single_eps / ceiling_mps",
                self.ratio("single_eps", "ceiling_mps"),
                SINGLE_TO_CEILING,
            ),
            ("batch_eps / plain_eps", self.ratio("batch_eps", "plain_eps"), BATCH_TO_PLAIN),
        ]
        verdicts = [(what, value, target, value >= target) for what, value, target in found]
        for name in ("single", "batch"):
            if self.samples.get(f"learning_cost_{name}"):
                cost = self.get(f"learning_cost_{name}")
                verdicts.append(
                    (f"models' cost, {name}", cost, LEARNING_COST, cost <= LEARNING_COST)
                )
        return verdicts

    def summary(self, quick: bool) -> dict[str, object]:
        """The one JSON object."""
        numbers = {name: round(self.get(name), 3) for name in sorted(self.samples)}
        ratios = {
            what.replace(" / ", "_to_").replace("_eps", "").replace("_mps", ""): round(value, 3)
            for what, value, _, _ in self.verdicts()
            if " / " in what
        }
        met = all(well for *_, well in self.verdicts())
        soaked = {"soaked_events": self.events_soaked}
        ratios |= {
            one.replace("_eps", "_kept"): round(self.ratio(one, other), 3)
            for one, other in _BOARD_RATIOS
            if self.samples.get(one)
        }
        return {"quick": quick, **numbers, **ratios, **soaked, "targets_met": met}


_ROWS = (
    ("ceiling_mps", "client by its documentation, acknowledging only", "messages/s"),
    ("own_ceiling_mps", "the same with our connection", "messages/s"),
    ("plain_eps", "plain script, one event a message", "events/s"),
    ("single_eps", "ours, one event a message", "events/s"),
    ("batch_eps", "ours, 50 events a message", "events/s"),
    ("p50_ms", "heard to fan-out at 1,000 events/s, median", "ms"),
    ("p99_ms", "the same, 99th percentile", "ms"),
    ("rss_before_mb", "resident memory of the worker, freshly started", "MB"),
    ("rss_mb", "the same after the events named below", "MB"),
    ("redis_mb", "memory that Redis uses for the state", "MB"),
    ("presence_bytes", "of that a station, for when it was heard", "bytes"),
    ("learned_bytes", "of that a station, for what repeaters learned", "bytes"),
)
_LEARNING_ROWS = (
    ("still_single_eps", "one event a message, learning off", "events/s"),
    ("learning_single_eps", "the same, learning on", "events/s"),
    ("still_batch_eps", "50 events a message, learning off", "events/s"),
    ("learning_batch_eps", "the same, learning on", "events/s"),
)


_BOARD_ROWS = (
    ("page_p50_ms", "keying to open page at 1,000 events/s, median", "ms"),
    ("page_p99_ms", "the same, 99th percentile", "ms"),
    ("behind_p50_ms", "of that from the published fan-out on, median", "ms"),
    ("behind_p99_ms", "the same, 99th percentile", "ms"),
    ("watched_p99_ms", "heard to fan-out beside 200 pages, 99th percentile", "ms"),
    ("unwatched_single_eps", "ours, one event a message, no board", "events/s"),
    ("watched_single_eps", "the same beside a board with 200 pages", "events/s"),
    ("unwatched_batch_eps", "ours, 50 events a message, no board", "events/s"),
    ("watched_batch_eps", "the same beside a board with 200 pages", "events/s"),
    ("board_rss_mb", "resident memory of the board with 200 pages", "MB"),
)
_BOARD_RATIOS = (
    ("watched_single_eps", "unwatched_single_eps"),
    ("watched_batch_eps", "unwatched_batch_eps"),
)


def table(figures: Figures, big: bool) -> str:
    """Plain text; with `big` a second column for 100,000 stations and 1,000 groups."""
    heads = ["500 stations, 20 groups"] + (["100,000 stations, 1,000 groups"] if big else [])
    lines = [f"{'':49}" + "".join(f"{head:>32}" for head in heads)]
    for name, what, unit in _ROWS:
        cells = [_cell(figures, name, unit)]
        if big:
            cells.append(_cell(figures, f"big_{name}", unit))
        lines.append(f"{what:49}" + "".join(f"{cell:>32}" for cell in cells))
    lines.append("")
    if figures.samples.get("still_single_eps"):
        lines += [f"{what:49}{_cell(figures, n, u):>32}" for n, what, u in _LEARNING_ROWS]
        lines.append("")
    for what, value, target, met in figures.verdicts():
        lines.append(f"{what:26} {value:7.2f}   target {target:g}   {'met' if met else 'NOT MET'}")
    lines.append("")
    if figures.samples.get("page_p50_ms"):
        lines += [f"{w:52}{_cell(figures, name, u):>24}" for name, w, u in _BOARD_ROWS]
        lines += [
            f"{one} / {other:24} {figures.ratio(one, other):7.2f}" for one, other in _BOARD_RATIOS
        ]
        lines.append("")
    return "\n".join(lines + figures.notes)


def _cell(figures: Figures, name: str, unit: str) -> str:
    values = figures.samples.get(name)
    if not values:
        return "-"
    value = figures.get(name)
    text = f"{value:,.0f}" if value >= 1000 else f"{value:,.1f}"
    if name.removeprefix("big_") in ("single_eps", "batch_eps"):
        text = f"{text} ({value / figures.get('plain_eps'):.1f} x plain)"
    return f"{text} {unit}"
