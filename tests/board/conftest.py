"""Boards in service for the tests that need one; the others here pay nothing for them."""

from collections.abc import Iterator

import pytest

from tests.board.gateways import Gateways, gateways_of
from tests.board.rig import Rig, rig_in


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    with rig_in(tmp_path_factory.mktemp("rig")) as made:
        yield made


@pytest.fixture(scope="module")
def gateways(rig: Rig) -> Iterator[Gateways]:
    with gateways_of(rig) as made:
        yield made
