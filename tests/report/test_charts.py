"""Charts: where bars stand, that nothing hangs on colour, that each stands alone in a page."""

import re
from itertools import pairwise
from typing import Any, cast

import pytest
from lxml import etree

from streamer.contract.published import Standing
from streamer.domain.cells import boundary, cell_at, centre
from streamer.report import charts_air, charts_map, charts_time, facts
from streamer.report.charts import LABEL_IN, WIDTH_IN, _ticks
from streamer.report.charts_map import Plane
from streamer.report.charts_time import charted, code_words, codes, member_charts
from streamer.report.layout import Chart, Making, Most
from streamer.report.words import Times, zone_named
from tests.report.page_example import NO_COVERAGE, REPEATERS, at, call, example, span

SVG = "{http://www.w3.org/2000/svg}"
REPORT = example(keyed=10)


def making(report: facts.DutyReport, zone: str = "UTC", **most: int) -> Making:
    return Making(report, Times.of(report.record, zone_named(zone)), Most(**most))


@pytest.fixture(scope="module")
def charts() -> list[Chart]:
    """All kinds."""
    all_of = making(REPORT)
    fan_out = charts_time.fan_out_chart(all_of, REPORT.groups[0], 1)
    air = charts_air.air_chart(all_of)
    assert fan_out
    assert air
    shown = charted(REPORT.members, 60)
    return [*member_charts(all_of, shown), fan_out, air, *charts_map.coverage_charts(all_of)]


def tree(chart: Chart) -> Any:
    return etree.fromstring(chart.svg)


# -- fit for a page ------------------------------------------------------------------------------


def test_ids_are_each_charts_own_and_all_that_is_referred_to_is_there(charts: list[Chart]) -> None:
    seen: set[str] = set()
    for chart in charts:
        root = tree(chart)
        own = [str(one) for one in root.xpath("//@id")]
        assert len(own) == len(set(own))
        assert not seen & set(own)
        seen |= set(own)
        assert all(one.startswith(root.get("id")) for one in own)
        used = set(re.findall(r"url\(#([^)]+)\)", chart.svg))
        used |= {href[1:] for href in root.xpath("//@*[local-name()='href']")}
        assert used
        assert used <= set(own)
        assert not root.xpath("//*[local-name()='style' or local-name()='metadata']")


def test_what_a_chart_shows_is_told_in_words(charts: list[Chart]) -> None:
    for chart in charts:
        root = tree(chart)
        assert root.get("role") == "img"
        title, words = root.findtext(f"{SVG}title"), root.findtext(f"{SVG}desc")
        assert title
        assert words
        assert chart.title == title
        assert chart.caption.startswith(title)
        assert {one.get("id") for one in root[:2]} == set(root.get("aria-labelledby").split())


def test_nothing_hangs_on_colour(charts: list[Chart]) -> None:
    """Greys alone; what differs in meaning differs in hatch or by far in grey."""
    for chart in charts:
        for colour in re.findall(r"#([0-9a-fA-F]{6})\b", chart.svg):
            assert colour[:2] == colour[2:4] == colour[4:], colour
    looks = [(look["facecolor"], look.get("hatch")) for look in charts_time._LOOKS.values()]
    assert set(charts_time._LOOKS) == set(Standing)
    assert len(set(looks)) == len(looks)


def test_labels_are_text_that_can_be_searched(charts: list[Chart]) -> None:
    told = "".join(tree(charts[0]).itertext())
    assert {one.station for one in charted(REPORT.members, 60)} <= set(
        re.findall(r"Q[A-Z]\d[A-Z]{2}", told)
    )
    assert "font-family" not in charts[0].svg.split(">", 1)[1]


# -- over time -----------------------------------------------------------------------------------


def member(station: str, *standings: facts.StandingRow, path: int = 1) -> facts.MemberFacts:
    visits = tuple(
        facts.VisitRow(repeater=REPEATERS[n], from_at=at(90 + n), until_at=at(91 + n), overs=1)
        for n in range(path)
    )
    return facts.MemberFacts(
        station=station, on_roster=True, name="", path=visits, standings=standings
    )


def stood(standing: Standing, begin: float, end: float, group: str = "NET") -> facts.StandingRow:
    return facts.StandingRow(
        group=group, standing=standing, from_at=at(begin), until_at=at(end), since_at=None
    )


def near(left: float, right: float) -> Any:
    """Both to a fiftieth of a point."""
    return (pytest.approx(left, abs=0.02), pytest.approx(right, abs=0.02))


def boxes(root: Any) -> list[tuple[float, float, str]]:
    """Each rectangle: left, right, and its fill."""
    found = []
    for path in root.iter(f"{SVG}path"):
        corners = re.findall(r"[ML] (-?[\d.]+) (-?[\d.]+)", path.get("d"))
        style = path.get("style") or ""
        if len(corners) == 4:
            across = [float(x) for x, _ in corners]
            fill = re.search(r"fill: ([^;]+)", style)  # black, the default, is not written
            found.append((min(across), max(across), fill[1] if fill else "#000000"))
    return found


def test_a_bar_stands_where_its_time_is() -> None:
    """On paper: the axis begins 1.35 inches from the left and is 7.1 - 1.35 - 0.22 = 5.53 wide, 72
    points an inch: 97.2 + 398.16 points. Of 360 minutes the 90th is at a quarter, 97.2 + 99.54 =
    196.74, the 270th at three quarters, 97.2 + 298.62 = 395.82."""
    assert (WIDTH_IN, LABEL_IN) == (7.1, 1.35)
    one = member("QA0AA", stood(Standing.OUT_OF_REACH, 90, 270), stood(Standing.OVERDUE, 270, 360))
    report = example(keyed=1, members=(one,))
    (chart,) = member_charts(making(report), [one])
    root = tree(chart)
    (black,) = [(a, b) for a, b, fill in boxes(root) if fill == "#000000" and b - a > 100]
    assert black == near(196.74, 395.82)
    (hatched,) = [(a, b) for a, b, fill in boxes(root) if fill.startswith("url(") and b - a > 50]
    assert hatched == near(395.82, 495.36)
    assert "out of reach" in "".join(root.itertext())


def test_what_lies_beyond_the_report_is_cut_at_its_edge() -> None:
    one = member("QA0AA", stood(Standing.OUT_OF_REACH, -500, 900))
    (chart,) = member_charts(making(example(keyed=1, members=(one,))), [one])
    (black,) = [(a, b) for a, b, fill in boxes(tree(chart)) if fill == "#000000" and b - a > 100]
    assert black == near(97.2, 495.36)


def test_a_moment_is_still_seen() -> None:
    one = member("QA0AA", stood(Standing.OUT_OF_REACH, 100, 100), path=0)
    (chart,) = member_charts(making(example(keyed=1, members=(one,))), [one])
    thin = [(a, b) for a, b, fill in boxes(tree(chart)) if fill == "#000000" and b - a < 20]
    assert any(b - a == pytest.approx(0.02 * 72, abs=0.01) for a, b in thin)


@pytest.mark.parametrize(
    ("minutes", "zone", "ticks"),
    [
        (360, "UTC", ["08:00", "09:00", "10:00", "11:00", "12:00", "13:00", "14:00"]),
        (360, "Etc/GMT-2", ["10:00", "11:00", "12:00", "13:00", "14:00", "15:00", "16:00"]),
        (1, "UTC", ["08:00:00", "08:00:10", "08:00:20", "08:00:30", "08:00:40", "08:00:50",
                    "08:01:00"]),
        (2 * 1440, "UTC", ["12:00|14 Mar", "18:00", "00:00|15 Mar", "06:00", "12:00", "18:00",
                           "00:00|16 Mar", "06:00"]),
    ],
)  # fmt: skip
def test_ticks_are_at_round_times(minutes: int, zone: str, ticks: list[str]) -> None:
    one = member("QA0AA", path=1)
    report = example(keyed=1, stations=1, minutes=minutes, members=(one,))
    record = report.record.model_copy(update={"gaps": ()})
    times = Times.of(record, zone_named(zone))
    told = [text.replace("\n", "|") for _, text in _ticks(record.time, times)]
    assert told == ticks
    seconds = [at_s for at_s, _ in _ticks(record.time, times)]
    assert len({b - a for a, b in pairwise(seconds)}) == 1


def test_no_length_of_a_duty_asks_for_more_ticks_than_fit() -> None:
    for minutes in (0, 0.1, 1, 7, 61, 600, 5000, 100_000, 3_000_000):
        record = REPORT.record.model_copy(update={"time": span(0, minutes)})
        told = list(_ticks(record.time, Times.of(record, zone_named("UTC"))))
        assert len(told) <= 11, minutes
        assert all(0 <= seconds <= max(60 * minutes, 1) for seconds, _ in told)


def test_a_gap_in_the_record_is_shown_as_one() -> None:
    one = member("QA0AA", path=1)
    record = REPORT.record.model_copy(update={"gaps": (span(100, 200),)})
    (chart,) = member_charts(making(example(keyed=1, record=record, members=(one,))), [one])
    # From 100 and 200 of 360 minutes on paper: 97.2 + 110.6 = 207.8, 97.2 + 221.2 = 318.4.
    assert (207.8, 318.4) in [(round(a, 1), round(b, 1)) for a, b, _ in boxes(tree(chart))]


def test_many_members_are_spread_over_charts_in_order() -> None:
    several = [
        member(f"QA{n:03}", stood(Standing.IN_REACH, 0, 9), stood(Standing.BLIND, 0, 9, "CREW"))
        for n in range(45)
    ]
    made = list(member_charts(making(example(keyed=1)), several))
    # Three rows each and 40 a chart: 13 members in each of the first three.
    bold = [
        [text.text for text in tree(one).iter(f"{SVG}text") if text.text.startswith("QA")]
        for one in made
    ]
    assert [len(names) for names in bold] == [13, 13, 13, 6]
    assert [name for names in bold for name in names] == [one.station for one in several]
    assert made[1].title == "Members QA013 to QA025: path and standing"


def test_those_who_stood_worst_are_charted_first() -> None:
    well = [member(call(n), stood(Standing.IN_REACH, 0, 9)) for n in range(4)]
    bad = member("QZ0ZZ", stood(Standing.IN_REACH, 0, 5), stood(Standing.OUT_OF_REACH, 5, 9))
    nothing = member("QY0YY", path=0)
    assert charted([*well, nothing, bad], 2) == (well[0], bad)
    assert len(charted([*well, nothing, bad], 60)) == 5


def test_letters_of_repeaters_are_told() -> None:
    many = codes(f"r{n:02}/a" for n in range(28))
    assert (many["r00/a"], many["r25/a"], many["r26/a"], many["r27/a"]) == ("A", "Z", "A2", "B2")
    assert code_words(codes(["ridge/uhf", "hill/vhf"])) == "A hill/vhf, B ridge/uhf"


def test_the_fan_out_shows_wanted_and_carried_apart() -> None:
    rows = (
        facts.FanOutRow(repeater="ridge/uhf", kind="wanted", from_at=at(90), until_at=at(270)),
        facts.FanOutRow(repeater="ridge/uhf", kind="carried", from_at=at(180), until_at=at(360)),
    )
    sums = (facts.FanOutSum(repeater="ridge/uhf", wanted_s=10_800, carried_s=10_800, both_s=5400),)
    group = REPORT.groups[0].model_copy(update={"fan_out": rows, "sums": sums})
    chart = charts_time.fan_out_chart(making(REPORT), group, 1)
    assert chart
    wide = [(a, b, fill[:4]) for a, b, fill in boxes(tree(chart)) if 150 < b - a < 300]
    assert [(round(a, 1), round(b, 1), fill) for a, b, fill in wide] == [
        (196.7, 395.8, "url("), (296.3, 495.4, "#000"),
    ]  # fmt: skip
    none = group.model_copy(update={"fan_out": (), "sums": ()})
    assert charts_time.fan_out_chart(making(REPORT), none, 1) is None
    two = charts_time.fan_out_chart(making(REPORT, repeaters_charted=2), REPORT.groups[0], 1)
    assert two
    assert "4 repeaters wanted for less time left out" in two.caption


# -- air-time and map ----------------------------------------------------------------------------


def test_air_time_is_told_in_numbers_at_its_bars(charts: list[Chart]) -> None:
    (air,) = [one for one in charts if "chart-air" in one.svg]
    told = [text.text for text in tree(air).iter(f"{SVG}text")]
    assert {"8,112", "7,920", "19,142", "3,017", "3,100", "14,084"} <= set(told)
    none = [group.model_copy(update={"carried_air_s": 0.0, "everywhere_air_s": 0.0})
            for group in REPORT.groups]  # fmt: skip
    assert charts_air.air_chart(making(REPORT.model_copy(update={"groups": tuple(none)}))) is None


@pytest.mark.parametrize(
    ("lat", "lat_km", "lon_km"),
    [(0, 110.574, 111.320), (45, 111.132, 78.847), (-60, 111.412, 55.800)],
)
def test_a_degree_is_as_long_as_on_wgs_84(lat: float, lat_km: float, lon_km: float) -> None:
    """Source: the widely published table of lengths of a degree on WGS 84, from memory."""
    plane = Plane.around(lat, 21)
    assert plane.km(lat + 1, 21)[1] == pytest.approx(lat_km, abs=0.002)
    assert plane.km(lat, 22)[0] == pytest.approx(lon_km, abs=0.002)


def coverage(lat: float, lon: float, counts: dict[int, int]) -> facts.CoverageFacts:
    """One repeater that heard so many overs from neighbouring cells."""
    cells = {cell_at(lat, lon + n * 0.1, 6): count for n, count in counts.items()}
    rows = tuple(
        facts.CellRow(repeater="ridge/uhf", cell=cell, lat=centre(cell)[0], lon=centre(cell)[1],
                      overs=count, mean_rssi_dbm=None)
        for cell, count in cells.items()
    )  # fmt: skip
    one = facts.RepeaterCoverage(
        repeater="ridge/uhf", lat=lat, lon=lon, overs=sum(counts.values()), cells=rows
    )
    shapes = tuple(
        facts.CellShape(cell=cell, ring=cast("Any", tuple(map(tuple, boundary(cell)))))
        for cell in cells
    )
    return facts.CoverageFacts(
        resolution=6, overs=one.overs, overs_without_position=0, repeaters=(one,), shapes=shapes
    )


@pytest.mark.parametrize("lon", [21.0, 179.98, -179.98])
def test_the_map_counts_overs_in_cells_wherever_it_lies(lon: float) -> None:
    """Near the 180th meridian too the map is a few kilometres wide, not the whole way round."""
    report = example(keyed=1, coverage=coverage(-46.5, lon, {-1: 3, 0: 21, 1: 7}))
    _, each = charts_map.coverage_charts(making(report))
    texts = [text.text or "" for text in tree(each).iter(f"{SVG}text")]
    assert {"3", "21", "7", "A ridge/uhf: 31 overs"} <= set(texts)
    ticks = [
        abs(float(t.replace("\N{MINUS SIGN}", "-")))
        for t in texts
        if t.strip("-\N{MINUS SIGN}.0123456789") == ""
    ]
    assert max(ticks) < 60
    hexagons = [p for p in tree(each).iter(f"{SVG}path") if (p.get("d") or "").count("L") >= 5]
    assert len(hexagons) >= 3


def test_where_nothing_was_heard_there_is_no_map() -> None:
    assert list(charts_map.coverage_charts(making(example(keyed=1, coverage=NO_COVERAGE)))) == []
