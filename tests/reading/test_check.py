"""`streamer check`: what it says of a good file."""

import tomllib
from argparse import ArgumentParser
from pathlib import Path

import pytest

from streamer.config import load_region
from streamer.reading import check
from tests.reading.conftest import REGION

EXAMPLE = Path(__file__).parents[2] / "configs" / "region-example.toml"
SMALLEST = 'region = "hill"\n[[group]]\nname = "NET"\n'


def check_text(path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    parser = ArgumentParser()
    check.add_arguments(parser)
    assert check.main(parser.parse_args([str(path)])) == 0
    return capsys.readouterr().out


def test_the_example_is_well(capsys: pytest.CaptureFixture[str]) -> None:
    out = check_text(EXAMPLE, capsys)
    lines = out.splitlines()
    assert lines[0] == f"{EXAMPLE}: well"
    assert all(len(line) <= 80 for line in lines[1:])
    assert "3 gateways, 4 repeaters (3 with place and range)" in lines
    assert "pins ridge/vhf; bars harbour/uhf" in out
    text = " ".join(out.split())
    (search,) = [g for g in tomllib.loads(EXAMPLE.read_text())["group"] if g["name"] == "SEARCH"]
    said = ", ".join(f"{name} = {value:g}" for name, value in search["policy"].items())
    assert f"SEARCH differs from [policy]: {said}" in text
    assert 'check_out_words = ["OUT", "DONE"]' in text
    assert "HILLNET differs" not in text


def test_what_may_not_be_meant(tmp_path: Path) -> None:
    def notes(text: str) -> str:
        file = tmp_path / "region.toml"
        file.write_text(text)
        return "\n".join(check.notes(load_region(file)))

    assert "nobody will be heard" in notes(SMALLEST)
    assert "that are not listed are heard as well" in notes(f"open_gateways = true\n{SMALLEST}")
    assert "check_out_words is empty" in notes(f"{SMALLEST}policy = {{ check_out_words = [] }}")
    holding = notes(f'redis_url = "redis://:hidden-word@h/0"\n{SMALLEST}')
    assert "redis_url: holds a password" in holding
    assert "hidden-word" not in holding
    missing = notes(f'{SMALLEST}[broker]\npassword_file = "none"\ntls = {{ ca_file = "no.pem" }}')
    assert "broker.password_file: no file 'none' here" in missing
    assert "broker.tls.ca_file: no file 'no.pem' here" in missing
    assert "mill/uhf, mill/vhf: without lat, lon" in "\n".join(check.notes(load_region(REGION)))
