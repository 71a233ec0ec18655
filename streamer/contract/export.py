"""The contract's documents: written to a folder, or compared with what is there.

Everything below `shared/` is made here, except its README and the examples' region file.
"""

import json
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from streamer.contract.asyncapi import asyncapi_document
from streamer.contract.example import START
from streamer.contract.examples import examples
from streamer.contract.schemas import MESSAGES, message_schema

ASYNCAPI: Final = "asyncapi.json"
INDEX: Final = "examples/index.json"
_OWN_FOLDERS: Final = ("schema", "examples/in", "examples/out")
"""In these nothing but generated files may lie."""


def documents(start: datetime = START) -> dict[str, str]:
    """Path below the folder -> text, the same at every call; `start` shifts the examples."""
    made = {f"schema/{kind.name}.schema.json": _text(message_schema(kind)) for kind in MESSAGES}
    told = examples(start)
    made |= {f"examples/{example.file}": example.text for example in told}
    made[INDEX] = _text(
        [
            {
                "file": example.file,
                "message": example.message,
                "topic": example.topic,
                "qos": 1,
                "retain": example.retain,
                "says": example.says,
            }
            for example in told
        ]
    )
    made[ASYNCAPI] = _text(asyncapi_document(told))
    return dict(sorted(made.items()))


def write(folder: Path, start: datetime = START) -> list[str]:
    """Write what differs, remove what is no longer made; the paths touched.

    Raises OSError when the folder cannot be written.
    """
    made = documents(start)
    touched = drift(folder, made)
    for path in touched:
        file = folder / path
        if path in made:
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(made[path], encoding="utf-8", newline="\n")
        else:
            file.unlink()
    return touched


def drift(folder: Path, made: dict[str, str] | None = None) -> list[str]:
    """Paths whose file is missing, differs or is no longer made. Raises OSError."""
    expected = documents() if made is None else made
    differing = [path for path, text in expected.items() if _content(folder / path) != text]
    return sorted(differing + [path for path in _present(folder) if path not in expected])


def _present(folder: Path) -> list[str]:
    return [
        file.relative_to(folder).as_posix()
        for own in _OWN_FOLDERS
        if (folder / own).is_dir()
        for file in (folder / own).iterdir()
        if file.is_file()
    ]


def _content(file: Path) -> str | None:
    try:
        return file.read_bytes().decode("utf-8")
    except (FileNotFoundError, UnicodeDecodeError):
        return None


def _text(content: Any) -> str:
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"
