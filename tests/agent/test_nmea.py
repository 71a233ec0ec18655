"""Positions of NMEA 0183 sentences.

The sentences are widely circulated ones, from memory; their checksums were computed by XOR and by
pynmea2, the degrees by hand (ddmm.mmmm is degrees and minutes).
"""

from datetime import UTC, datetime

import pytest

from streamer.agent.nmea import NmeaError, position_from

NEAR = datetime(2026, 1, 2, 12, 0, tzinfo=UTC)
GGA = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
RMC = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"


def signed(body: str) -> str:
    """A sentence with its checksum: XOR of the characters between '$' and '*'."""
    total = 0
    for character in body:
        total ^= ord(character)
    return f"${body}*{total:02X}"


@pytest.mark.parametrize(
    ("sentence", "lat", "lon"),
    [
        (GGA, 48.1173, 11.516667),
        (RMC, 48.1173, 11.516667),
        (
            "$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68",
            49.274167,
            -123.185333,
        ),
        (
            "$GPRMC,081836,A,3751.65,S,14507.36,E,000.0,360.0,130998,011.3,E*62",
            -37.860833,
            145.122667,
        ),
        (
            "$GPGGA,172814.0,3723.46587704,N,12202.26957864,W,2,6,1.2,18.893,M,-25.669,M,2.0,"
            "0031*4F",
            37.391098,
            -122.037826,
        ),
        ("$GPGLL,4916.45,N,12311.12,W,225444,A,*1D", 49.274167, -123.185333),
        (
            "$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D",
            -19.484083,
            24.1751,
        ),
    ],
)
def test_known_sentences(sentence: str, lat: float, lon: float) -> None:
    position = position_from(sentence + "\r\n", NEAR)
    assert position.lat == pytest.approx(lat, abs=1e-6)
    assert position.lon == pytest.approx(lon, abs=1e-6)


@pytest.mark.parametrize("sentence", [GGA, RMC])
def test_one_changed_character_is_refused(sentence: str) -> None:
    for place, old in enumerate(sentence):
        new = "7" if old != "7" else "3"
        with pytest.raises(NmeaError):
            position_from(sentence[:place] + new + sentence[place + 1 :], NEAR)


@pytest.mark.parametrize(
    ("sentence", "why"),
    [
        (GGA.split("*", maxsplit=1)[0], "checksum"),
        (signed("GPRMC,123519,V,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W"), "status"),
        (signed("GPGGA,123519,4807.038,N,01131.000,E,0,08,0.9,545.4,M,46.9,M,,"), "quality"),
        (signed("GPGGA,123519,,,,,1,08,0.9,545.4,M,46.9,M,,"), "mm.mmm"),
        (signed("GPGGA,123519,4860.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"), "range"),
        (signed("GPGGA,123519,9107.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"), "range"),
        (signed("GPGGA,123519,4807.038,X,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"), "N, S"),
        (signed("GPGGA,123519,48.117,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"), "mm.mmm"),
        (signed("GPGLL,4916.45,N,12311.12,W,225444,A,N"), "mode"),
        (signed("GPGSV,1,1,00"), "no position"),
        ("$" + "A" * 200, "at most"),
        ("", "begins"),
    ],
)
def test_no_position(sentence: str, why: str) -> None:
    with pytest.raises(NmeaError, match=why):
        position_from(sentence, NEAR)


def test_speed_course_and_time() -> None:
    position = position_from(
        signed(RMC[1:].split("*", maxsplit=1)[0].replace("230394", "020126")), NEAR
    )
    # A knot is 1852 m an hour (the international nautical mile, exactly).
    assert position.speed_mps == pytest.approx(22.4 * 1852 / 3600, abs=1e-3)
    assert position.course_deg == 84.4
    assert position.at == datetime(2026, 1, 2, 12, 35, 19, tzinfo=UTC)


def test_a_date_years_away_is_not_believed() -> None:
    assert position_from(RMC, NEAR).at is None


@pytest.mark.parametrize(
    ("near", "at"),
    [
        (datetime(2026, 1, 2, 0, 1, tzinfo=UTC), datetime(2026, 1, 1, 23, 59, tzinfo=UTC)),
        (datetime(2026, 1, 1, 23, 59, 30, tzinfo=UTC), datetime(2026, 1, 1, 23, 59, tzinfo=UTC)),
        (datetime(2026, 1, 1, 12, 5, tzinfo=UTC), datetime(2026, 1, 1, 23, 59, tzinfo=UTC)),
    ],
)
def test_a_time_of_day_gets_the_nearest_date(near: datetime, at: datetime) -> None:
    sentence = signed("GPGGA,235900,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,")
    assert position_from(sentence, near).at == at
