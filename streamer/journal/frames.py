"""A journal's file as pieces of text, each the content of one zstd frame (RFC 8878), whatever has
happened to the file: a frame that is damaged costs its own lines, not those behind it."""

from collections.abc import Callable, Iterator
from typing import Final

import zstandard

MAGIC: Final = b"\x28\xb5\x2f\xfd"
"""The first bytes of a frame; RFC 8878, 3.1.1."""
NOT_ENDED: Final = "the last part was not ended (cut off, or being written)"
_CHUNK: Final = 1 << 18
_LARGEST: Final = 1 << 26
"""Of a frame's content held back until its checksum is known; a writer of ours keeps far below."""


def frames(content: bytes, on_trouble: Callable[[str], None]) -> Iterator[bytes]:
    """The text of each frame. What is wrong is told in words, with the byte where."""
    at = 0
    while at < len(content):
        if content[at : at + len(MAGIC)] != MAGIC:
            at = _next_frame(content, at, on_trouble, "what stands here is no zstd frame")
            continue
        decoder = zstandard.ZstdDecompressor(max_window_size=1 << 27).decompressobj()
        read, held, size, wrong = at, [], 0, None
        while read < len(content) and not decoder.eof and size <= _LARGEST:
            chunk = content[read : read + _CHUNK]
            try:
                held.append(decoder.decompress(chunk))
            except zstandard.ZstdError as error:
                wrong = str(error)
                break
            size += len(held[-1])
            read += len(chunk) - len(decoder.unused_data)
        if wrong is not None or size > _LARGEST:
            why = wrong or f"it holds more than {_LARGEST >> 20} MB, which no journal's frame does"
            at = _next_frame(content, at + len(MAGIC), on_trouble, f"damaged ({why})", at)
            continue
        text = b"".join(held)
        if not decoder.eof:
            # A killed worker, a full disk, or a file that is being written just now.
            lines = text.count(b"\n")
            on_trouble(f"byte {at}: {NOT_ENDED}; {lines} lines of it are read")
        yield text
        at = read


def _next_frame(
    content: bytes, search: int, on_trouble: Callable[[str], None], why: str, at: int | None = None
) -> int:
    """Where the next frame begins; the end if there is none."""
    found = content.find(MAGIC, search)
    begin = search if at is None else at
    until = len(content) if found < 0 else found
    on_trouble(f"byte {begin}: {why}; {until - begin} bytes are left out")
    return until
