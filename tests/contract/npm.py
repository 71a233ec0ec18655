"""The scripts of our peers in another language."""

from pathlib import Path

PEERS = Path(__file__).parent.parent / "peers"


def copy_script(name: str, folder: Path) -> Path:
    """A script of tests/peers beside the node_modules, where its imports are looked for."""
    target = folder / name
    target.write_text((PEERS / name).read_text())
    return target
