"""Fixtures of the contract's tests."""

from pathlib import Path

import pytest

from tests.npm import install


@pytest.fixture(scope="session")
def node_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the JavaScript packages that the tests need, installed once."""
    packages = ("@asyncapi/specs", "ajv", "ajv-formats", "mqtt")
    return install(tmp_path_factory.mktemp("node"), *packages)
