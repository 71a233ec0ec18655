"""What workers answer a gateway. Apart from what else is published: an agent needs no more."""

from typing import Annotated, Literal

from pydantic import Field

from streamer.contract.common import (
    BootId,
    GroupName,
    Message,
    Moment,
    OverId,
    RepeaterId,
    Seq,
    ShortText,
    Version,
)
from streamer.contract.duty import DutyMark


class AckReply(Message):
    """A check-in or check-out answered; `text` is short enough to send on the air."""

    v: Version = 1
    kind: Literal["ack"] = "ack"
    station: str
    group: GroupName
    repeater: RepeaterId
    text: ShortText
    over: OverId | None = None
    at: Moment
    duties: tuple[DutyMark, ...] = Field((), description="duties of the group that run")


class TimeReply(Message):
    """A heartbeat answered with the server's times (RFC 5905, figure 'on-wire protocol').

    T1 = `agent_sent_at` (echoed), T2 = `received_at`, T3 = `replied_at`; T4 is the agent's.
    """

    v: Version = 1
    kind: Literal["time"] = "time"
    boot: BootId
    session: int
    seq: Seq
    agent_sent_at: Moment
    received_at: Moment
    replied_at: Moment
    missing: Annotated[int, Field(ge=0)] | None = Field(
        None,
        description="events of this gateway that have not arrived though later ones of the same "
        "boot have; when it rises, send once more what is still kept of those sent lately",
    )


Reply = Annotated[AckReply | TimeReply, Field(discriminator="kind")]
"""Topic `reply/{gateway}`, not retained."""
