"""What is said of a file that a setting names and that cannot be read."""

from pathlib import Path


def cannot_read(setting: str, path: Path, error: OSError) -> str:
    """Which setting, which file, why, and what to do. Never what stands in it."""
    return (
        f"{setting} {str(path)!r} cannot be read: {error.strerror}; "
        "mend its rights or its path, which starts where this program was started"
    )
