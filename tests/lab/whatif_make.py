"""Short ways to say a recorded day of which the failures can be worked out on paper.

Times in seconds after a fixed moment. Nobody hears what is not said: chances are set by hand.
"""

from collections.abc import Mapping, Sequence

from streamer.config import Learning, Region, RegionView
from streamer.domain.coverage import Basis
from streamer.domain.model import Fix
from streamer.lab.day import Day, Hearing, RecordedOver
from streamer.lab.whatif_ears import Ears, Elsewhere, Known
from streamer.lab.whatif_scene import Span, Whereabouts

T0_MS = 1_800_000_000_000
RIDGE, LAKE, MILL = "ridge/uhf", "lake/uhf", "mill/uhf"
A, B, C, D = "QA1AA", "QB2BB", "QC3CC", "QD4DD"


def at(seconds: float) -> int:
    return T0_MS + round(seconds * 1000)


def view() -> RegionView:
    gateways = [
        {"id": name, "repeater": [{"id": "uhf", "lat": lat, "lon": 20.0, "freq_mhz": 439.0}]}
        for name, lat in (("ridge", 0.0), ("lake", 0.3), ("mill", 0.6))
    ]
    return RegionView(
        Region.model_validate(
            {
                "region": "isle",
                "extra_prefixes": ["Q"],
                "gateway": gateways,
                "group": [{"name": "NET"}],
            }
        )
    )


def over(
    begins: float,
    station: str,
    *heard: str,
    group: str = "NET",
    fix: tuple[float, float] | None = None,
    rssi_dbm: float | None = None,
) -> RecordedOver:
    """An over of no length on the first of `heard`."""
    ms = at(begins)
    return RecordedOver(
        f"o{begins:g}", station, group or None, group, ms, ms, ms, heard[0],
        tuple(Hearing(r, rssi_dbm, None) for r in heard), "", "",
        None if fix is None else Fix(ms, *fix, None, None),
    )  # fmt: skip


def day(overs: Sequence[RecordedOver], dark: Mapping[str, Sequence[Span]] | None = None) -> Day:
    spans = {r: tuple((at(a), at(b)) for a, b in s) for r, s in (dark or {}).items()}
    return Day(view(), at(0), at(1000), tuple(overs), (), spans, ())


def spans(*times: tuple[float, float]) -> list[Span]:
    return [(at(a), at(b)) for a, b in times]


class Told(Ears):
    """Chances as told by station, by the strength that stands for it; all others are unknown."""

    def __init__(self, of: Mapping[str, float]) -> None:
        super().__init__({}, view().sites, Learning())
        self.asked: list[frozenset[str]] = []
        self._of = {known_as(station): chance for station, chance in of.items()}

    def stronger_db(self, overs: Sequence[RecordedOver], cells: Sequence[str | None]) -> int:
        return known_as(overs[0].station)

    def best(self, known: Known, deaf: frozenset[str]) -> Elsewhere | None:
        self.asked.append(deaf)
        chance = self._of.get(known.stronger_db)
        return None if chance is None else Elsewhere(MILL, chance, Basis.LEARNED)


def known_as(station: str) -> int:
    return sum(station.encode())


def paper_day() -> tuple[Day, Whereabouts]:
    """The day that `test_whatif.py` works out by hand.

    over  at   who  to   heard on      stands for (s)
    0     100  A    NET  ridge         100 to 300
    1     200  B    NET  ridge, lake   200 to 1000
    2     300  C    NET  lake          300 to 500
    3     500  A    NET  ridge         300 to 900 (A leaves then)
    4     600  D    NET  mill          600 to 1000
    5     700  C    -    lake          500 to 1000
    """
    overs = [
        over(100, A, RIDGE),
        over(200, B, RIDGE, LAKE),
        over(300, C, LAKE),
        over(500, A, RIDGE),
        over(600, D, MILL),
        over(700, C, LAKE, group=""),
    ]
    there = {A: (100, 900, RIDGE), B: (200, 1000, RIDGE), C: (300, 1000, LAKE)}
    there[D] = (600, 1000, MILL)
    known = Whereabouts(
        {who: [(at(a), at(b), r)] for who, (a, b, r) in there.items()},
        {("NET", who): spans((a, b)) for who, (a, b, _) in there.items()},
        {
            ("NET", RIDGE): spans((100, 1000)),
            ("NET", LAKE): spans((300, 1000)),
            ("NET", MILL): spans((600, 1000)),
        },
    )
    return day(overs), known
