"""What repeaters heard from where in the time of a report: the record, on a map of cells."""

from streamer.domain.cells import boundary, centre
from streamer.domain.model import Learned
from streamer.lab.whatif_ears import learn
from streamer.report.facts import CellRow, CellShape, CoverageFacts, RepeaterCoverage
from streamer.report.scope import Scope


def coverage_of(scope: Scope) -> CoverageFacts:
    """Counted as the workers learn it: one for each over and repeater that heard it, in the cell
    that the station said it was in."""
    learning = scope.record.day.view.learning
    learned = learn(scope.overs, learning)
    placed = sum(over.fix is not None for over in scope.overs)
    cells = sorted({cell for one in learned.values() for cell in one.cells})
    return CoverageFacts(
        resolution=learning.cell_resolution,
        overs=placed,
        overs_without_position=len(scope.overs) - placed,
        repeaters=tuple(_repeater(scope, learned[name]) for name in sorted(learned)),
        shapes=tuple(
            CellShape(cell=cell, ring=tuple((lon, lat) for lon, lat in boundary(cell)))
            for cell in cells
        ),
    )


def _repeater(scope: Scope, learned: Learned) -> RepeaterCoverage:
    site = scope.record.day.view.sites.get(learned.repeater)
    rows = []
    for cell, sums in sorted(learned.cells.items()):
        lat, lon = centre(cell)
        rows.append(
            CellRow(
                repeater=learned.repeater,
                cell=cell,
                lat=lat,
                lon=lon,
                overs=round(sums.overs),
                mean_rssi_dbm=round(sums.signal_sum / sums.signals, 2) if sums.signals else None,
            )
        )
    return RepeaterCoverage(
        repeater=learned.repeater,
        lat=None if site is None else site.lat,
        lon=None if site is None else site.lon,
        overs=sum(row.overs for row in rows),
        cells=tuple(rows),
    )
