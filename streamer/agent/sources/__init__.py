"""Where lines come from: standard input, a followed file, UDP, a UNIX socket."""

from streamer.agent.config import SourceSettings
from streamer.agent.intake import Intake
from streamer.agent.logs import Log
from streamer.agent.sources.base import Source
from streamer.agent.spool import Spool

__all__ = ["Source", "make_source"]


def make_source(settings: SourceSettings, intake: Intake, spool: Spool, log: Log) -> Source:
    """The source that a `[[source]]` describes, not yet opened. Only its own kind is imported: the
    agent has little memory."""
    if settings.type == "stdin":
        from streamer.agent.sources.stdin import StdinSource  # noqa: PLC0415

        return StdinSource(settings, intake, log)
    if settings.type == "file":
        from streamer.agent.sources.file import FileSource  # noqa: PLC0415

        return FileSource(settings, intake, log, spool)
    from streamer.agent.sources.sockets import UdpSource, UnixSource  # noqa: PLC0415

    if settings.type == "udp":
        return UdpSource(settings, intake, log)
    return UnixSource(settings, intake, log)
