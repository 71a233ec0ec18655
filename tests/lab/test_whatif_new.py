"""A repeater that is not there yet."""

import re
from dataclasses import replace

import numpy as np
import pytest

from streamer.config import Learning, Site
from streamer.lab.hindsight import Assumption
from streamer.lab.whatif_ears import Ears, learn
from streamer.lab.whatif_known import whereabouts_of
from streamer.lab.whatif_new import gain, new_site
from streamer.lab.whatif_scene import Scene
from tests.lab.whatif_make import LAKE, RIDGE, A, B, day, over, view

SITES = view().sites


def test_a_site_as_typed() -> None:
    site, notes = new_site("hill/vhf, -46.2,20.5, 30 ,146.5", SITES)
    assert site == Site("hill/vhf", "hill", -46.2, 20.5, 30, None, 146.5)
    assert notes == ()


def test_what_is_not_said_is_told() -> None:
    """The frequency is the middle one of the region's; never taken in silence."""
    site, notes = new_site("hill,1.5,20", SITES)
    assert (site.repeater, site.freq_mhz, site.antenna_m) == ("hill/new", 439.0, None)
    assert "no horizon" in notes[0]
    assert "439 MHz" in notes[1]


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("hill", "must be NAME,LAT,LON"),
        ("hill,1", "must be NAME,LAT,LON"),
        ("hill,1,2,3,4,5", "must be NAME,LAT,LON"),
        ("hill,north,2", "numbers"),
        ("hill,91,2", "lat"),
        ("hill,1,2,nan", "antenna_m"),
        ("hill,1,2,3,0", "freq_mhz"),
        ("HILL,1,2", "a-z"),
        (",1,2", "a-z"),
        ("ridge/uhf,1,2", "is in the region already"),
    ],
)
def test_what_is_wrong_is_said(text: str, wrong: str) -> None:
    with pytest.raises(ValueError, match=re.escape(wrong)):
        new_site(text, SITES)


def test_a_region_without_frequencies_must_be_told_one() -> None:
    bare = {name: replace(site, freq_mhz=None) for name, site in SITES.items()}
    with pytest.raises(ValueError, match="give its frequency"):
        new_site("hill,1,2", bare)
    assert new_site("hill,1,2,10,146", bare)[0].freq_mhz == 146


def test_what_it_would_hear() -> None:
    """Three overs from where it stands, which it hears for certain; one from 500 km away, which it
    does not; one from nobody knows where. Two of the three were heard by ridge alone. All three
    came in at -100 dBm, and so near the antenna it is far above that."""
    here, far = (0.02, 20.0), (4.5, 20.0)
    overs = [
        over(0, A, RIDGE, fix=here, rssi_dbm=-100),
        over(1, A, RIDGE, fix=here, rssi_dbm=-100),
        over(2, A, RIDGE, LAKE, fix=here, rssi_dbm=-100),
        over(3, B, LAKE, fix=far, rssi_dbm=-100),
        over(4, "QE5EE", LAKE),
    ]
    made = day(overs)
    site, _ = new_site("hill,0.02,20.0,30,439", SITES)
    learned = learn(overs, Learning())
    old = Ears(learned, SITES, Learning())
    ears = Ears(learned, {**SITES, site.repeater: site}, Learning())
    scene = Scene(made, whereabouts_of(made, Assumption(), {}), old)
    found = gain(scene, ears, site.repeater)
    assert (found.placed, found.unknown) == (4, 1)
    assert found.heard == pytest.approx(3, abs=0.05)
    assert (found.low, found.high) == (3, 3)
    assert found.alone == pytest.approx(2, abs=0.05)
    assert found.stronger == pytest.approx(3, abs=0.2)
    (first, helped), (last, hardly) = found.helped  # E is nobody knows where
    assert (first, last) == (A, B)
    assert helped == pytest.approx(2, abs=0.05)
    assert hardly == pytest.approx(0, abs=0.05)


def test_no_position_no_word() -> None:
    made = day([over(0, A, RIDGE)])
    site, _ = new_site("hill,0.02,20.0,30,439", SITES)
    ears = Ears({}, {**SITES, site.repeater: site}, Learning())
    scene = Scene(made, whereabouts_of(made, Assumption(), {}), ears)
    found = gain(scene, ears, site.repeater)
    assert (found.placed, found.heard, found.low, found.high, found.unknown) == (0, 0, 0, 0, 1)
    assert np.isfinite([found.alone, found.stronger]).all()
