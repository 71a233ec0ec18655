"""What the user chose."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Options:
    """`speed` and `for_s` are of the wall clock: at speed 2, 20 s show 40 s of the story."""

    seed: int = 1
    speed: float = 1.0
    for_s: float | None = None
    as_json: bool = False
    stations: int = 60
    broker: str | None = None
    redis: str | None = None
    embedded: bool = False
    board: bool = True
    board_port: int = 0
    """0: a free one."""
    metrics_ports: tuple[int, ...] = ()
    """Where workers serve their metrics, in order; those without one take a free one."""
    record: Path | None = None
    """Where the workers write a journal."""
    workers: int = 1
    drill: bool = False
    """People hold an exercise."""
    alerts: Path | None = None
    """Where alerts are written as CAP messages."""
